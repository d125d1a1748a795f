"""Small files that ask for much: bounded time and memory, and an error that says so.

Each runs in a process of its own, whose peak memory and processor time are measured.
"""

from __future__ import annotations

import io
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from apart import run_apart
from fuzz.tiny_board import FILES
from ordeals import read_one, run_command

if sys.platform != "linux":
    pytest.skip("peak memory is read from /proc", allow_module_level=True)

HEAD = b"%FSLAX36Y36*%%MOMM*%%ADD10C,0.1*%D10*"
MOST_MEGABYTES = 1000
"""What docs/limits.md states, and the libraries that are loaded."""
MOST_SECONDS = 30


def nested_blocks(depth: int) -> bytes:
    """Each block flashes the one before it ten times."""
    out = [HEAD]
    for level in range(depth):
        inner = 99 + level if level else 10
        flashes = b"".join(b"X%dY0D03*" % (k * 200_000) for k in range(10))
        out.append(b"%%ABD%d*%%D%d*" % (100 + level, inner) + flashes + b"%AB*%")
    out.append(b"D%d*X0Y0D03*M02*" % (99 + depth))
    return b"".join(out)


def repeat(nx: int, ny: int, body: bytes = b"X0Y0D03*") -> bytes:
    """A step and repeat."""
    return HEAD + b"%%SRX%dY%dI0.2J0.2*%%" % (nx, ny) + body + b"%SR*%M02*"


REGION = b"G36*G01*X0Y0D02*" + b"X%dY1D01*" * 500 % tuple(range(500)) + b"X0Y0D01*G37*"
BOMBS: dict[str, tuple[str, bytes]] = {
    "repeat-huge": ("layer", repeat(999_999_999, 999_999_999)),
    "repeat-just-allowed": ("layer", repeat(250, 300)),
    "repeat-of-a-flash": ("layer", repeat(300, 300)),
    "repeat-of-a-flash-large": ("layer", repeat(999, 999)),
    "repeat-of-region": ("layer", repeat(400, 20, REGION)),
    "repeat-of-arc": (
        "layer",
        HEAD + b"G75*%SRX1000Y900I0.2J0.2*%G03*X5000000000Y0D02*X5000000000Y0I-5000000000J0D01*"
        b"%SR*%M02*",
    ),
    "repeats-in-blocks": (
        "layer",
        HEAD + b"%ABD20*%" + b"%SRX900Y900I1J1*%X0Y0D03*%SR*%" + b"%AB*%D20*" + b"X0Y0D03*" * 900,
    ),
    "blocks": ("layer", nested_blocks(30)),
    "blocks-open": ("layer", HEAD + b"%ABD20*%" * 20_000),
    "macro-deep": (
        "layer",
        HEAD + b"%AMM*1,1," + b"(" * 90_000 + b"1" + b")" * 90_000 + b",0,0*%%ADD11M*%",
    ),
    "macro-long": ("layer", HEAD + b"%AMM*" + b"1,1,1,0,0*" * 90_000 + b"%%ADD11M*%D11*X0Y0D03*"),
    "macro-just-allowed": (
        "layer",
        HEAD
        + b"%AMM*"
        + b"".join(b"21,1,1,1,%d,%d,0*" % divmod(n, 100) for n in range(9_999))
        + b"%%ADD11M*%D11*X0Y0D03*M02*",
    ),
    "macro-vertices": ("layer", HEAD + b"%AMM*5,1,999999999,0,0,1,0*%%ADD11M*%D11*X0Y0D03*"),
    "macro-moire": (
        "layer",
        HEAD + b"%AMM*6,0,0,999999,0.001,0.001,999999999,1,1,0*%%ADD11M*%D11*X0Y0D03*",
    ),
    "macro-rings": (
        "layer",
        HEAD
        + b"%AMM*6,0,0,$1,0.001,0.001,100,0.01,20,0*%"
        + b"".join(
            b"%%ADD%dM,%.3f*%%D%d*X0Y0D03*" % (11 + n, 20 - n / 1000, 11 + n) for n in range(2000)
        ),
    ),
    "macro-in-turn": (
        "layer",
        HEAD
        + b"%AMM*"
        + b"".join(b"1,%d,9,0.%02d,0.%02d*" % (n % 2, *divmod(n, 25)) for n in range(600))
        + b"%%ADD11M*%D11*X0Y0D03*M02*",
    ),
    "macro-variables": (
        "layer",
        HEAD + b"%AMM*$1=9*" + b"$1=$1x$1*" * 5_000 + b"1,1,$1,0,0*%%ADD11M*%D11*X0Y0D03*",
    ),
    "polygon": ("layer", HEAD + b"%ADD11P,1X999999999*%D11*X0Y0D03*M02*"),
    "numbers-long": ("layer", HEAD + b"X" + b"9" * 2_000_000 + b"Y0D03*M02*"),
    "apertures": (
        "layer",
        HEAD + b"".join(b"%%ADD%dC,0.1*%%" % n for n in range(10, 20_000)),
    ),
    "attributes": (
        "layer",
        HEAD + b"".join(b"%%TO.N,n%d*%%X0Y0D03*" % n for n in range(50_000)),
    ),
    "unknown-commands": ("layer", HEAD + b"".join(b"Q%d*" % n for n in range(40_000))),
    "one-endless-word": ("layer", HEAD + b"%" * 3 + b"a" * 2_000_000),
    "arc-huge": (
        "layer",
        HEAD + b"G75*G03*X0Y0D02*X1Y1I" + b"9" * 9 + b"J" + b"9" * 9 + b"D01*M02*",
    ),
    "drill-repeat": ("drill", b"M48\nMETRIC\nT1C1\n%\nT1\nX1.0Y1.0\nR999999999X0.1\nM30\n"),
    "drill-patterns": (
        "drill",
        b"M48\nMETRIC\nT1C1\n%\nT1\nM25\nX1.0Y1.0\nX2.0Y1.0\nM01\n"
        + b"R999M02X1.0Y0\n" * 500
        + b"M08\nM30\n",
    ),
    "drill-dip": ("drill", b"M48\nMETRIC\nT1C1\n%\nT1\nX0.0Y0.0\nX9999.9Y9999.9\nG82\nM30\n"),
    "drill-arc": (
        "drill",
        b"M48\nMETRIC\nT1C1\n%\nT1\nG00X0.0Y0.0\nM15\nG03X9.0Y9.0A99999999.0\nM16\nM30\n",
    ),
    "job-deep": ("job", b'{"a":' * 100_000),
    "job-numbers": ("job", b'{"Header":{},"GeneralSpecs":{"LayerNumber":' + b"9" * 100_000 + b"}}"),
    "table-wide": ("placement", b"Ref,X,Y,Rot,Side\n" + b"," * 3_000_000),
    "table-quotes": ("placement", b'Ref,X,Y,Rot,Side\n"' + b'a""' * 1_000_000),
    "parts-ranges": ("parts", b"Reference,Value,Quantity\nR1-R999999999,x,1\n" * 100),
    "netlist-long": ("netlist", b"317" + b"N" * 3_000_000),
    "sheet-deep": ("house", b"a = " + b"[" * 200_000),
    "sheet-dotted": ("house", b".".join([b"a"] * 100_000) + b" = 1"),
    "sheet-number": ("house", b"format = " + b"9" * 1_000_000),
}
QUIET = {
    "repeat-just-allowed",
    "macro-just-allowed",
    "macro-in-turn",
    "table-quotes",
    "apertures",
    "attributes",
    "table-wide",
    "drill-dip",
    "drill-arc",
}
"""Within the limits: nothing need be said.  How far holes may lie is judged on the board."""


@pytest.mark.parametrize("name", BOMBS)
def test_small_files_that_ask_for_much(name: str, tmp_path: Path) -> None:
    """Seconds and memory stay bounded, and what is left out is said."""
    kind, data = BOMBS[name]
    path = tmp_path / "bomb"
    path.write_bytes(data)
    done = run_apart(read_one, kind, path)

    assert done.seconds < MOST_SECONDS
    assert done.megabytes < MOST_MEGABYTES
    assert done.result or name in QUIET


def zip_of(members: dict[str, bytes]) -> bytes:
    """A deflated zip."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return made.getvalue()


def nested() -> bytes:
    """A zip in a zip in a zip."""
    inner = dict(FILES)
    for _ in range(40):
        inner = {"in.zip": zip_of(inner)}
    return zip_of(inner)


def lying() -> bytes:
    """The size of the only member, in the central directory, is said to be 10 bytes.

    APPNOTE 4.3.12: it stands 24 bytes behind the signature.
    """
    made = bytearray(zip_of({"x.gbr": bytes(2**20)}))
    at = made.index(b"PK\x01\x02") + 24
    made[at : at + 4] = (10).to_bytes(4, "little")
    return bytes(made)


ZIPS: dict[str, Callable[[], bytes]] = {
    "bomb": lambda: zip_of({"x.gbr": bytes(300 * 2**20)}),
    "many": lambda: zip_of({f"{n}.gbr": b"x" for n in range(5_000)}),
    "nested": nested,
    "lying": lying,
    "twins": lambda: zip_of(dict(FILES))[:-30],
}
"""Archives that unpack to much, to themselves, or are cut off."""


@pytest.mark.parametrize("name", ZIPS)
def test_zips_that_unpack_to_much(name: str, tmp_path: Path) -> None:
    """A command refuses them with status 2, a message and a hint, without their memory."""
    path = tmp_path / "x.zip"
    path.write_bytes(ZIPS[name]())
    done = run_apart(run_command, "check", str(path))
    status, _, told = done.result

    assert status == 2, done
    assert told.startswith("error: ")
    assert "hint: " in told
    assert done.megabytes < 600
