"""A fixed sample of the yardstick: what was found once is found, and the judge can say no.

Each kind is planted in an invented package that is right, and fabkit's command line is asked.
"""

from __future__ import annotations

from functools import cache

import pytest

from yardstick import measure
from yardstick.judge import Finding, disturbed, finds, heavy
from yardstick.kind import HARMLESS, KINDS, Plant
from yardstick.parcel import Parcel, load_parcel
from yardstick.tiny import tiny

FOUND = (
    "copper/line-across",
    "copper/near-edge",
    "drill/files-missing",
    "drill/header-lost",
    "drill/mirrored",
    "drill/other-unit",
    "drill/shifted",
    "drill/tool-without-size",
    "holes/component-hole-lost",
    "holes/drilled-twice",
    "holes/outside-board",
    "holes/plated-too-small",
    "holes/two-sizes",
    "holes/wall-thin",
    "layers/copper-mirrored",
    "layers/copper-other-unit",
    "layers/copper-shifted",
    "layers/older-date",
    "layers/second-copy",
    "layers/top-copper-missing",
    "mask/all-openings-small",
    "mask/empty-image",
    "mask/file-missing",
    "mask/hole-opening-lost",
    "mask/inverted",
    "mask/opening-small",
    "mask/shifted",
    "package/copper-cut-short",
    "package/copper-html",
    "package/drill-empty",
    "package/drill-html",
    "package/drill-utf16",
    "profile/gap",
    "profile/missing",
    "profile/other-unit",
)
QUIET = (
    "harmless/line-ends-crlf",
    "harmless/byte-order-mark",
    "harmless/sub-folder",
    "harmless/zip-with-litter",
    "harmless/board-moved",
    "harmless/apertures-renumbered",
    "harmless/inches",
)


@cache
def clean() -> Parcel:
    return load_parcel(measure.ROOT / "fixtures/defects/clean", "clean")


@cache
def unplanted() -> tuple[Finding, ...]:
    return tuple(measure.findings_of(clean()))


def test_the_unplanted_package_has_no_stop() -> None:
    assert [f for f in unplanted() if heavy(f, "stop")] == []


@pytest.mark.parametrize("kind_id", FOUND)
def test_a_known_plant_is_found(kind_id: str) -> None:
    tried = measure.try_kind(clean(), KINDS[kind_id], list(unplanted()))
    assert tried.state == "found", tried.detail


def test_holes_of_unknown_size_are_blamed_for_that_alone() -> None:
    plant = KINDS["drill/header-lost"].plant(clean())
    said = {f["id"] for f in measure.findings_of(plant.parcel)}
    assert "board/hole-size-unknown" in said
    assert not said & {"hole/outside-board", "hole/plated-too-small", "hole/plated-without-copper"}


def test_wide_holes_that_only_just_touch_break_no_check() -> None:
    """Millimetres read as inches: tools of 20 to 40 mm whose polygons stand a hair apart."""
    parcel = load_parcel(measure.ROOT / "fixtures/kinds/reversible-soldered")
    tried = measure.try_kind(parcel, KINDS["drill/other-unit"], measure.findings_of(parcel))
    assert tried.state == "found", tried.detail


@pytest.mark.parametrize("kind_id", QUIET)
def test_a_harmless_edit_stays_silent(kind_id: str) -> None:
    tried = measure.try_kind(clean(), HARMLESS[kind_id], list(unplanted()))
    assert tried.state == "silent", tried.detail


def finding(**changes: object) -> Finding:
    """An invented finding at 10, 10 mm."""
    place = {"text": "a.gbr at 10, 10 mm", "file": "a.gbr", "x_mm": 10.0, "y_mm": 10.0}
    plain: Finding = {
        "id": "copper/track-narrow",
        "consequence": "stop",
        "message": "a track of 0.05 mm",
        "count": 1,
        "places": [place],
    }
    return {**plain, **changes}


KIND = KINDS["copper/track-thin"]
PLANT = Plant(tiny(), (10.5, 10.0), ("a.gbr",), 2.0)


def test_the_judge_takes_a_new_finding_at_the_place() -> None:
    assert finds(KIND, PLANT, [], [finding()]) == [finding()]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ([], []),
        ([finding()], [finding()]),
        ([], [finding(consequence="know")]),
        ([], [finding(id="legend/off-board")]),
        ([], [finding(places=[{"text": "far", "file": "a.gbr", "x_mm": 30.0, "y_mm": 10.0}])]),
        ([], [finding(places=[{"text": "b.gbr", "file": "b.gbr"}])]),
    ],
    ids=["nothing", "known", "of no weight", "of something else", "elsewhere", "other file"],
)
def test_the_judge_refuses(before: list[Finding], after: list[Finding]) -> None:
    assert finds(KIND, PLANT, before, after) == []


def test_the_judge_sees_what_a_harmless_edit_brings() -> None:
    assert disturbed([], [finding()]) == [finding()]
    assert disturbed([finding()], [finding(count=2)]) == [finding(count=2)]
    assert disturbed([finding()], [finding()]) == []
    assert disturbed([], [finding(consequence="know")]) == []


def test_the_table_counts_what_was_tried() -> None:
    tried = [
        measure.Tried("mask/joined", "p", "found"),
        measure.Tried("mask/joined", "q", "missed"),
        measure.Tried("mask/shifted", "q", "hidden"),
        measure.Tried("harmless/zip", "q", "silent"),
        measure.Tried("harmless/inches", "q", "disturbed"),
    ]
    said = measure.table(measure.Measured(tried, {"p": ["stop"], "q": []}, {"p": 4, "q": 9}))
    assert "| mask | 2 | 1 | 50% | 1 |" in said
    assert "silent: 1 of 2" in said
    assert "stop: 1 of 2" in said
