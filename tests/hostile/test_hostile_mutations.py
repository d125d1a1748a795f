"""Damaged files of every kind: a result or a refusal, never anything else.

Seeds are the small corpus of ``tests/fuzz``; a damage cuts, doubles, swaps or overwrites pieces of
one, or puts words of another into it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.targets import TARGETS, WHOLE_WAY, must_end_well
from fuzz.tiny_board import FILES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

CORPUS = Path(__file__).parents[1] / "fuzz" / "corpus"
SEEDS = {
    name: [path.read_bytes() for path in sorted((CORPUS / name).iterdir())] for name in TARGETS
}
READERS = [name for name in TARGETS if name not in WHOLE_WAY]
EXAMPLES = {"gerber": 50, "drill": 40, "drill-format": 25, "archive": 40, "chain": 5}
USUAL = 75
WORDS = [
    b"",
    b"\0",
    b"\xff",
    b"\xef\xbb\xbf",
    b"*",
    b"%",
    b"\n",
    b",",
    b'"',
    b"-",
    b"0",
    b"9" * 30,
    b"1e400",
    b"nan",
    b"inf",
    b"-1",
    b"(" * 70,
    b"X0Y0D01*",
    b"G36*",
    b"G37*",
    b"%AB*%",
    b"%SRX999999Y999999I1J1*%",
    b"%LPC*%",
    b"M02*",
    b"M30\n",
    b"%FSLAX66Y66*%",
    b"%MOIN*%",
    "é\u202e".encode(),
]


@st.composite
def damaged(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A seed with up to four damages."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 80)))
        kind = draw(st.sampled_from(["word", "bytes", "cut", "double", "graft", "end"]))
        if kind == "word":
            data = data[:start] + draw(st.sampled_from(WORDS)) + data[end:]
        elif kind == "bytes":
            data = data[:start] + draw(st.binary(max_size=8)) + data[end:]
        elif kind == "cut":
            data = data[:start] + data[end:]
        elif kind == "double":
            data = data[:end] + data[start:end] * draw(st.integers(1, 20)) + data[end:]
        elif kind == "graft":
            other = draw(st.sampled_from(seeds))
            at = draw(st.integers(0, len(other)))
            data = data[:start] + other[at : at + 80] + data[end:]
        else:
            data = data[:start]
    return data


@pytest.mark.parametrize("target", READERS)
def test_damaged_files_end_well(target: str) -> None:
    """A result that keeps its promises, or a refusal in words."""

    @settings(
        max_examples=EXAMPLES.get(target, USUAL),
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(damaged(SEEDS[target]))
    def run(data: bytes) -> None:
        must_end_well(target, data)

    run()


@settings(max_examples=EXAMPLES["chain"], deadline=None, suppress_health_check=list(HealthCheck))
@given(name=st.sampled_from(sorted(FILES)), data=st.data())
def test_a_damaged_package_goes_the_whole_way(name: str, data: st.DataObject) -> None:
    """A package with one damaged file is judged, drawn and packed, or refused in words."""
    content = data.draw(damaged([FILES[name]]))
    must_end_well("chain", name.encode() + b"\n" + content)


@pytest.mark.parametrize("target", READERS)
@settings(max_examples=40, deadline=None)
@given(data=st.binary(max_size=200))
def test_any_bytes_end_well(target: str, data: bytes) -> None:
    """Bytes that are nothing at all."""
    must_end_well(target, data)
