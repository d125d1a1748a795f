"""Footprints for one part: the nearest one, found without asking all of a large panel."""

from __future__ import annotations

from fabkit.keyboard.alternatives import Draft, merge
from fabkit.keyboard.model import PartSite


def resistor(ref: str, x_mm: float, y_mm: float) -> Draft:
    """A made-up site."""
    return Draft(PartSite(kind="resistor", x_mm=x_mm, y_mm=y_mm, refs=(ref,)))


def test_a_site_joins_the_nearest_and_distant_ones_are_not_asked() -> None:
    """Two thousand sites 50 mm apart, each with a footprint at 3 mm and one at 2 mm of it."""
    asked = 0

    def same(a: Draft, b: Draft) -> bool:
        nonlocal asked
        asked += 1
        return b.site.refs[0].startswith("b")

    spots = [(50.0 * (n % 50), 50.0 * (n // 50)) for n in range(2000)]
    drafts = [resistor(f"a{n}", x, y) for n, (x, y) in enumerate(spots)]
    drafts += [resistor(f"c{n}", x + 5, y) for n, (x, y) in enumerate(spots)]
    drafts += [resistor(f"b{n}", x + 3, y) for n, (x, y) in enumerate(spots)]
    joined = merge(drafts, same)

    assert asked < 20 * len(drafts)
    assert [d.site.refs for d in joined[:2000]] == [(f"a{n}",) for n in range(2000)]
    assert [d.site.refs for d in joined[2000:]] == [(f"c{n}", f"b{n}") for n in range(2000)]


def test_other_kinds_are_left_as_they_are() -> None:
    """Only controllers are asked for."""
    drafts = [resistor("a", 0, 0), resistor("b", 1, 0)]

    assert merge(drafts, lambda *_: True, "controller") == drafts
    assert len(merge(drafts, lambda *_: True)) == 1
