"""The corpus of the fuzz targets, replayed: every file ends well in every reader."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.targets import TARGETS, WHOLE_WAY, must_end_well

CORPUS = Path(__file__).parents[1] / "fuzz" / "corpus"
FILES = sorted(CORPUS.glob("*/*"))
READERS = sorted(set(TARGETS) - WHOLE_WAY)


def test_every_target_has_a_corpus() -> None:
    """No target is left without seeds, and no folder without a target."""
    assert {path.parent.name for path in FILES} == set(TARGETS)


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_corpus_ends_well_in_its_target(path: Path) -> None:
    """Each file ends in a result or in a refusal that says what to do."""
    must_end_well(path.parent.name, path.read_bytes())


@pytest.mark.parametrize("target", READERS)
def test_corpus_ends_well_in_every_reader(target: str) -> None:
    """A file of one kind given to the reader of any other ends well too."""
    for path in FILES:
        must_end_well(target, path.read_bytes())
