"""Pairs of boxes that meet are those that shapely's tree finds."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from fabkit.base.columns import Floats
from fabkit.geometry import neighbours as module
from fabkit.geometry.neighbours import meeting_boxes


def _random(count: int, longest: float, seed: int) -> Floats:
    """Boxes on a coarse grid, so that many meet in a line or a corner; some are points."""
    rng = np.random.default_rng(seed)
    low = rng.integers(0, 40, (count, 2)) / 2
    return np.column_stack((low, low + np.round(rng.exponential(longest, (count, 2)))))


SORTS = {
    "small": _random(300, 0.7, 1),
    "points": _random(300, 0.0, 2),
    "long": _random(60, 12.0, 3),
    "flat": _random(200, 3.0, 4) * (1, 0.001, 1, 0.001),
    "upright": _random(200, 3.0, 5) * (0.001, 1, 0.001, 1),
    "far away": _random(100, 0.7, 6) + 1e6,
    "one": _random(1, 1.0, 7),
    "none": np.empty((0, 4)),
}


def _rows(found: object) -> list[tuple[int, int]]:
    a, b = np.concatenate([*found], axis=1)  # type: ignore[misc]
    return sorted(zip(a.tolist(), b.tolist(), strict=True))


@pytest.mark.parametrize("crowded", [100, -(10**9)], ids=["by strips", "by tree"])
@pytest.mark.parametrize("name", SORTS)
def test_pairs_are_those_of_a_tree(name, crowded, monkeypatch):
    """Each pair once, whether of one table or of two; also where a tree is asked itself."""
    monkeypatch.setattr(module, "_CROWDED", crowded)
    monkeypatch.setattr(module, "_BOXES_AT_ONCE", 500)
    boxes, others = SORTS[name], SORTS["small"]
    lines, other_lines = (shapely.linestrings(b.reshape(-1, 2, 2)) for b in (boxes, others))

    both = shapely.STRtree(other_lines).query(lines).T.tolist()
    assert _rows(meeting_boxes(boxes, others)) == sorted(map(tuple, both))
    own = shapely.STRtree(lines).query(lines).T.tolist()
    found = [(min(pair), max(pair)) for pair in _rows(meeting_boxes(boxes))]
    assert sorted(found) == sorted((a, b) for a, b in own if a < b)


def test_long_boxes_across_each_other_take_no_more_than_a_tree():
    """A comb of 4000 long boxes each way shares every strip, though few of them meet."""
    k = np.arange(4000.0)
    flat = np.column_stack((0 * k, k, 0 * k + 4000, k + 0.1))
    upright = np.column_stack((k + 5000, 0 * k, k + 5000.1, 0 * k + 4000))
    pairs = [len(a) for a, _ in meeting_boxes(np.concatenate((flat, upright)))]
    assert sum(pairs) == 0
