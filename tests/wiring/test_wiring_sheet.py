"""The picture of the wiring: every word whole, in its place, and saying what it is."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import shapely

import fabkit
from fabkit.pictures.scene import Letters, Scene, Sheet, text_width
from fabkit.pictures.wiring_sheet import CAP_MM, NAME_MM, hole_names, pin_names, wiring_sheet

FOLDERS = ("../fabkit/demo/rev-b", "linnet/rev-1")
BOARD = shapely.box(0, 0, 60, 40)


def text_of(letters: Letters) -> str:
    """Text without blanks."""
    return "".join(name[0] for name, _, _ in letters.places)


def box_of(letters: Letters) -> shapely.Polygon:
    """Box around the ink."""
    ink = np.concatenate(letters.contours)
    return shapely.box(*ink.min(axis=0), *ink.max(axis=0))


def words_of(scene: Scene, title: str) -> list[Letters]:
    """Lines of text of a coat."""
    (coat,) = [n for n in scene.nodes if n.title == title]
    return [p for name in coat.inside for p in scene.stencils[name].parts]


@pytest.fixture(scope="module")
def drawn(board_at):
    """Wiring and its picture, by folder."""
    out = {}
    for folder in FOLDERS:
        board = board_at(folder)
        wiring = fabkit.list_wiring(board)
        out[folder] = wiring, wiring_sheet([board], wiring)
    return out


def halves_of(sheet: Sheet) -> list[Scene]:
    """Pictures of the halves, without the ground."""
    return [p.scene for p in sheet.placed[1:]]


@pytest.mark.parametrize("folder", FOLDERS)
def test_pins_are_named_where_they_are(drawn, folder):
    """Each controller pin in use has its own name within a pin's pitch, as the files name it."""
    wiring, sheet = drawn[folder]
    for half, scene in zip(wiring.halves, halves_of(sheet), strict=True):
        pins = {p.name: (p.x_mm, p.y_mm) for k in half.keys for a in k.lines for p in a.pins}
        named = {text_of(t): box_of(t) for t in words_of(scene, "names of pins")}
        assert named.keys() == pins.keys()
        for name, box in named.items():
            assert shapely.distance(box, shapely.Point(pins[name])) < 1.5


@pytest.mark.parametrize("folder", FOLDERS)
def test_words_of_a_key_stand_about_its_middle(drawn, folder):
    """Upright keys: as much room above the words as below, and none of them leaves the cap."""
    wiring, sheet = drawn[folder]
    for half, scene in zip(wiring.halves, halves_of(sheet), strict=True):
        words = [*words_of(scene, "numbers"), *words_of(scene, "names")]
        boxes = np.array([box_of(w) for w in words])
        middles = shapely.centroid(boxes)
        upright = [k for k in half.keys if k.angle_deg % 90 == 0]
        assert upright
        for key in upright:
            x, y, r = key.x_mm, key.y_mm, CAP_MM / 2
            cap = shapely.box(x - r, y - r, x + r, y + r)
            mine = boxes[shapely.within(middles, cap)]
            assert len(mine) == len(key.lines) + 2
            assert shapely.covers(cap, mine).all()
            _, low, _, high = shapely.total_bounds(mine)
            assert (low + high) / 2 == pytest.approx(y, abs=0.25)


def test_a_bare_number_is_said_to_be_a_pin(planted):
    """Where files give pins no name, a key on row pin 5 is not taken to stand in row 5."""
    board = planted("linnet/rev-1", *((f"J1,{n},P{n + 1}", f"J1,{n}") for n in range(1, 6)))
    (half,) = halves_of(wiring_sheet([board], fabkit.list_wiring(board)))
    texts = {text_of(t) for t in words_of(half, "names")}
    assert {"rowpin4", "colpin1"} <= texts


def names_at(at, names, **options) -> list[Letters]:
    """Names beside pins on the plain board."""
    return pin_names(np.array(at, float), names, 1.2, (), BOARD, mirrored=False, **options)


def test_names_of_two_rows_stand_between_them():
    """A controller's two rows are named on its own area, each row on one side."""
    at = [(x, 10 + 2.54 * k) for x in (20.0, 35.24) for k in range(10)]
    boxes = [box_of(t) for t in names_at(at, [f"P{k}" for k in range(20)])]
    assert len(boxes) == 20
    assert all(b.bounds[0] > 20 and b.bounds[2] < 35.24 for b in boxes)


def test_names_of_a_row_across_run_upwards():
    """Beside each other on a pitch of 2.54 mm, names longer than that are set upright."""
    at = [(10 + 2.54 * k, 20.0) for k in range(8)]
    texts = names_at(at, [f"GPIO{k}" for k in range(8)])
    boxes = [box_of(t) for t in texts]
    assert len(texts) == 8
    assert not any(a.intersects(b) for a, b in combinations(boxes, 2))
    assert all(b.bounds[3] - b.bounds[1] > 2.54 > b.bounds[2] - b.bounds[0] for b in boxes)


def test_names_keep_off_the_edge_and_off_what_is_there():
    """At the edge a name goes to the other side; where nothing is free there is none."""
    wide = text_width("P1", NAME_MM)
    (text,) = names_at([(60 - wide / 2, 20.0)], ["P1"])
    assert box_of(text).bounds[2] < 60 - wide / 2
    taken = [shapely.Point(30, 20).buffer(5)]
    assert not pin_names(np.array([(30.0, 20.0)]), ["P1"], 1.2, taken, BOARD, mirrored=False)


def test_every_header_hole_is_named():
    """Where long names have no room at the edge, all are set smaller instead of left out."""
    rows = [(56.6 - 1.27 * (k % 2), 4 + 1.27 * k) for k in range(24)]
    names = [f"{'AB'[k % 2]}{k // 2 + 1}" for k in range(24)]
    taken = [shapely.box(50, 0, 52.1, 40)]

    whole = pin_names(np.array(rows), names, 1.2, taken, BOARD, mirrored=False)
    assert len(whole) < 24
    assert len(hole_names(np.array(rows), names, taken, BOARD, mirrored=False)) == 24


def test_pads_of_a_chip_are_not_named():
    """At a pitch of 0.5 mm no name of a size that reads has room; a header and a lone pin have."""
    names = [f"P{k}" for k in range(8)]
    assert not names_at([(20 + 0.5 * k, 20.0) for k in range(8)], names)
    assert len(names_at([(20 + 2.54 * k, 20.0) for k in range(8)], names)) == 8
    assert len(names_at([(20.0, 20.0)], ["P0"])) == 1


def test_names_read_on_a_mirrored_scene():
    """Seen from the back, a name stands where the eye expects it: mirrored about its pin."""
    at = np.array([(20.0, 10 + 2.54 * k) for k in range(3)])
    seen = pin_names(at, ["P1", "P2", "P3"], 1.2, (), BOARD, mirrored=False)
    back = pin_names(at, ["P1", "P2", "P3"], 1.2, (), BOARD, mirrored=True)
    for one, two in zip(seen, back, strict=True):
        assert box_of(two).bounds[2] == pytest.approx(40 - box_of(one).bounds[0])
