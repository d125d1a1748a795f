"""A fixed sample of planted changes is told exactly, and harmless edits are silent."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from yardstick.kind import HARMLESS
from yardstick.parcel import Parcel, load_parcel

from fabkit.board.model import Board
from planting import measure
from planting.edit import CHANGES

TOLD = (
    "board/mirrored",
    "board/panel",
    "copper/bridge",
    "copper/grown",
    "copper/pad-moved-a-little",
    "copper/pour-removed",
    "copper/track-removed",
    "hole/file-shifted",
    "hole/moved-a-little",
    "hole/plated-otherwise",
    "hole/resized",
    "legend/sides-exchanged",
    "legend/stroke-removed",
    "legend/turned",
    "mask/grown",
    "mask/moved",
    "mask/place-moved",
    "net/pin-moved",
    "paste/left-out",
    "paste/scaled",
    "part/value",
    "slot/longer",
)
QUIET = ("harmless/board-moved", "harmless/inches", "harmless/renamed", "harmless/tracks-in-two")


@cache
def clean() -> tuple[Parcel, Board]:
    parcel = load_parcel(measure.ROOT / "fixtures/defects/clean", "clean")
    return parcel, measure.board_of(parcel)


@pytest.mark.parametrize("kind_id", TOLD)
def test_a_planted_change_is_told_exactly(kind_id: str) -> None:
    tried = measure.try_change(*clean(), kind_id)
    assert tried.state == "exact", tried.detail


@pytest.mark.parametrize("kind_id", QUIET)
def test_a_harmless_edit_is_no_change(kind_id: str) -> None:
    tried = measure.try_harmless(*clean(), kind_id)
    assert tried.state == "silent", tried.detail


SENT_BACK = (
    "house/mask-grown",
    "house/legend-clipped",
    "house/together",
    "house/fault/copper/track-removed",
    "house/fault/mask/place-removed",
    "house/fault-in-panel/hole/removed",
    "house/fault-in-panel/copper/bridge",
    "house/fault-in-panel/profile/edge-moved",
)


@pytest.mark.parametrize("kind_id", SENT_BACK)
def test_files_that_come_back_are_judged_rightly(kind_id: str) -> None:
    """Usual edits of a house are excused, singly and together; a fault hidden under them is not."""
    tried = measure.try_return(*clean(), kind_id)
    assert tried.state == "right", tried.detail


def test_there_are_many_kinds() -> None:
    assert len(CHANGES) >= 60
    assert len(HARMLESS) >= 25


@pytest.mark.parametrize("name", ["fixtures/kinds/both-equal", "fixtures/card"])
def test_two_designs_are_not_laid_side_by_side(name: str) -> None:
    """One sentence says that they are not comparable, and nothing is listed."""
    comparison = measure.fabkit.compare_boards(clean()[1], measure.board_of(_load(name)))
    assert not comparison.alignment.comparable
    assert comparison.summary[0].startswith("The boards are not comparable")
    assert {c.kind for c in comparison.changes} <= {"board/changed"}


def _load(name: str) -> Parcel:
    return load_parcel(Path(measure.ROOT, name))
