"""Changes planted one at a time are found, placed, and nothing else is reported."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from compare_boards import edit_layer

import fabkit
from fabkit.formats.gerber.model import Kind


def _kinds(comparison):
    return [c.kind for c in comparison.changes]


def _only(comparison):
    assert len(comparison.changes) == 1, [(c.kind, c.message) for c in comparison.changes]
    return comparison.changes[0]


def _middle_pad(objects):
    """A flash in the middle of the file."""
    flashes = np.flatnonzero(objects.kind == Kind.FLASH)
    return int(flashes[len(flashes) // 2])


@pytest.mark.parametrize("step", [(0.02, 0.0), (0.0, -0.02), (0.0142, 0.0142), (0.5, 0.2)])
@pytest.mark.parametrize("name", ["top solder mask", "top paste"])
def test_a_moved_opening_is_found(rev_b, name, step):
    """An opening that moves by 0.02 mm in any direction is one place, with its exact area."""
    layer = next(a for a in rev_b.layers if a.name == name)
    row = _middle_pad(layer.file.objects)

    def move(objects):
        mine = np.arange(len(objects)) == row
        return objects.with_columns(
            x0=objects.x0 + step[0] * mine,
            x1=objects.x1 + step[0] * mine,
            y0=objects.y0 + step[1] * mine,
            y1=objects.y1 + step[1] * mine,
        )

    edited = edit_layer(rev_b, name, move)
    change = _only(fabkit.compare_boards(rev_b, edited))
    new = next(a for a in edited.layers if a.name == name).file.image

    assert change.kind in ("mask/changed", "paste/changed")
    assert change.subject == name
    assert change.added_mm2 == pytest.approx(new.difference(layer.file.image).area, abs=2e-4)
    assert change.removed_mm2 == pytest.approx(layer.file.image.difference(new).area, abs=2e-4)
    assert shapely.Point(change.x_mm, change.y_mm).distance(
        new.symmetric_difference(layer.file.image)
    ) == pytest.approx(0, abs=1e-6)


def test_a_pad_grown_by_a_hundredth_all_round_is_found(rev_b):
    """A diameter that grows by 0.02 mm moves its edge by 0.01 mm only, and is still found."""
    layer = next(a for a in rev_b.layers if a.name == "top solder mask")
    objects = layer.file.objects
    round_ = [k for k, a in enumerate(layer.file.apertures) if a.template == "C"]
    row = int(np.flatnonzero(np.isin(objects.aperture, round_))[0])
    tool = layer.file.apertures[objects.aperture[row]]
    wider = replace(
        tool,
        diameter_mm=tool.diameter_mm + 0.02,
        builder=lambda _: shapely.Point(0, 0).buffer(tool.diameter_mm / 2 + 0.01, 64),
    )
    apertures = (*layer.file.apertures, wider)
    aperture = objects.aperture.copy()
    aperture[row] = len(apertures) - 1
    file = replace(layer.file, apertures=apertures, objects=objects.with_columns(aperture=aperture))
    layers = tuple(replace(a, file=file) if a is layer else a for a in rev_b.layers)
    change = _only(fabkit.compare_boards(rev_b, replace(rev_b, layers=layers)))

    ring = np.pi * ((tool.diameter_mm / 2 + 0.01) ** 2 - (tool.diameter_mm / 2) ** 2)
    assert change.kind == "mask/added"
    assert change.added_mm2 == pytest.approx(ring, rel=0.05)


@pytest.mark.parametrize("step", [0.001, 0.003])
def test_rounding_is_no_change(rev_b, step):
    """Objects that all move by what a coarse file rounds are no change."""

    def jitter(objects):
        sign = np.where(np.arange(len(objects)) % 2 == 0, step, -step)
        return objects.with_columns(x0=objects.x0 + sign, x1=objects.x1 + sign)

    assert fabkit.compare_boards(rev_b, edit_layer(rev_b, "top legend", jitter)).equal


def test_a_removed_and_an_added_track_are_distinguished(rev_b):
    """A track that is gone is removed area; the other way round it is added area."""
    layer = next(a for a in rev_b.layers if a.name == "top copper")
    row = int(np.flatnonzero(layer.file.objects.kind == Kind.DRAW)[3])
    without = edit_layer(rev_b, "top copper", lambda o: o.take(np.arange(len(o)) != row))
    compared = fabkit.compare_boards(rev_b, without), fabkit.compare_boards(without, rev_b)
    (gone, join), (back, other) = (
        sorted(c.changes, key=lambda change: not change.is_area) for c in compared
    )

    assert (join.kind, other.kind) == ("connection/removed", "connection/added")
    assert (gone.because, back.because) == (join.message, other.message)
    assert (gone.kind, back.kind) == ("copper/removed", "copper/added")
    assert gone.removed_mm2 == pytest.approx(back.added_mm2, abs=1e-9)
    assert gone.side == "top"


def test_copper_drawn_twice_is_no_change(rev_b):
    """The same object once more leaves the same image."""
    doubled = edit_layer(
        rev_b, "top copper", lambda o: o.take(np.append(np.arange(len(o)), [0, 5, 9]))
    )

    assert fabkit.compare_boards(rev_b, doubled).equal


def test_an_erasure_that_is_gone_fills_the_pour(rev_b):
    """A clear object that is missing adds copper, just where it erased."""
    layer = next(a for a in rev_b.layers if a.name == "bottom copper")
    objects = layer.file.objects
    size = np.array([max(a.size_mm) for a in layer.file.apertures])[objects.aperture]
    row = int(np.argmax(np.where(objects.dark, 0.0, size)))
    edited = edit_layer(rev_b, "bottom copper", lambda o: o.take(np.arange(len(o)) != row))
    comparison = fabkit.compare_boards(rev_b, edited)
    new = next(a for a in edited.layers if a.name == "bottom copper").file.image
    truth = new.difference(layer.file.image).area

    assert truth > 0.01
    assert set(_kinds(comparison)) == {"copper/added"}
    assert sum(c.added_mm2 for c in comparison.changes) == pytest.approx(truth, rel=0.01)


def _holes(board, **columns):
    return replace(board, holes=board.holes.with_columns(**columns))


def _lone_hole(board):
    """A hole of a mounting screw: no key stands over it."""
    return int(np.flatnonzero(np.isclose(board.holes.diameter, 2.2))[0])


def test_holes_added_removed_moved_resized_and_plated_otherwise(rev_b):
    """Each change of one hole is one change, of that hole alone."""
    h = rev_b.holes
    row = _lone_hole(rev_b)
    only = np.arange(len(h)) == row
    without = replace(rev_b, holes=h.take(~only))
    expected = {
        "hole/removed": (rev_b, without),
        "hole/added": (without, rev_b),
        "hole/moved": (rev_b, _holes(rev_b, x=h.x + 0.02 * only)),
        "hole/resized": (rev_b, _holes(rev_b, diameter=h.diameter + 0.02 * only)),
        "hole/changed": (rev_b, _holes(rev_b, plated=np.where(only, 1, h.plated))),
    }
    for kind, (old, new) in expected.items():
        change = _only(fabkit.compare_boards(old, new))
        assert change.kind == kind
        assert (change.x_mm, change.y_mm) == pytest.approx((h.x[row], h.y[row]), abs=0.03)
    moved = _only(fabkit.compare_boards(*expected["hole/moved"]))
    assert moved.moved_mm == pytest.approx((0.02, 0.0), abs=1e-9)
    resized = _only(fabkit.compare_boards(*expected["hole/resized"]))
    assert (resized.before, resized.after) == ("2.2 mm", "2.22 mm")


def test_slots_added_and_moved(rev_b):
    """The slot that is gone, and the slot that moved."""
    s = rev_b.slots
    gone = replace(rev_b, slots=s.take(np.zeros(len(s), dtype=bool)))
    moved = replace(rev_b, slots=s.with_columns(y0=s.y0 + 0.3, y1=s.y1 + 0.3))

    assert _only(fabkit.compare_boards(rev_b, gone)).kind == "slot/removed"
    change = _only(fabkit.compare_boards(rev_b, moved))
    assert change.kind == "slot/moved"
    assert change.moved_mm == pytest.approx((0.0, 0.3), abs=1e-9)


def test_a_turned_key_is_listed_in_degrees(rev_b):
    """A key turned by 5 degrees about its middle: one key, its holes, nothing else."""
    keys = [c for c in rev_b.components if c.ref == "SW8"]
    centre = np.array([keys[0].x_mm, keys[0].y_mm])
    h = rev_b.holes
    at = np.column_stack((h.x, h.y))
    mine = np.hypot(*(at - centre).T) < 7.5
    angle = np.radians(5.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    at[mine] = (at[mine] - centre) @ turn.T + centre
    comparison = fabkit.compare_boards(rev_b, _holes(rev_b, x=at[:, 0], y=at[:, 1]))
    key = next(c for c in comparison.changes if c.kind == "key/moved")

    assert key.subject == "key SW8"
    assert key.turned_deg == pytest.approx(5.0, abs=0.02)
    assert key.moved_mm == pytest.approx((0.0, 0.0), abs=1e-9)
    assert set(_kinds(comparison)) == {"key/moved", "hole/moved"}
    assert _kinds(comparison).count("hole/moved") == int(mine.sum()) - 1  # the post's own stays


def _parts(board, ref, **changed):
    return replace(
        board,
        components=tuple(replace(c, **changed) if c.ref == ref else c for c in board.components),
    )


def test_parts_changed_moved_added_and_removed(rev_b):
    """One part at a time, recognised by its reference."""
    without = replace(rev_b, components=tuple(c for c in rev_b.components if c.ref != "S2"))
    s2 = next(c for c in rev_b.components if c.ref == "S2")
    cases = {
        "part/changed": (rev_b, _parts(rev_b, "S2", value="Another button")),
        "part/moved": (rev_b, _parts(rev_b, "S2", x_mm=s2.x_mm + 0.5)),
        "part/removed": (rev_b, without),
        "part/added": (without, rev_b),
    }
    for kind, boards in cases.items():
        change = _only(fabkit.compare_boards(*boards))
        assert (change.kind, change.subject) == (kind, "S2")
    change = _only(fabkit.compare_boards(*cases["part/changed"]))
    assert (change.before, change.after) == ("value Reset button", "value Another button")


def _with_nets(board, rename):
    """Every pin's net given by a function of reference, pin and net."""
    return replace(
        board,
        components=tuple(
            replace(c, pins=tuple((pin, rename(c.ref, pin, net)) for pin, net in c.pins))
            for c in board.components
        ),
    )


def test_a_renamed_net_is_one_change(rev_b):
    """The same pins under another name: the net was renamed, no pin moved."""
    other = _with_nets(rev_b, lambda *pin: "SWITCHED" if pin[2] == "VIN" else pin[2])
    change = _only(fabkit.compare_boards(rev_b, other))

    assert (change.kind, change.before, change.after) == ("net/renamed", "VIN", "SWITCHED")


def test_two_swapped_pins_are_two_changes(rev_b):
    """Two keys that change places on the controller: both pins are named."""
    swap = {"KEY01": "KEY02", "KEY02": "KEY01"}
    other = _with_nets(rev_b, lambda *pin: swap.get(pin[2], pin[2]) if pin[0] == "J1" else pin[2])
    comparison = fabkit.compare_boards(rev_b, other)

    assert _kinds(comparison) == ["pin/moved", "pin/moved"]
    assert {(c.subject, c.before, c.after) for c in comparison.changes} == {
        ("J1 pin 4", "KEY02", "KEY01"),
        ("J1 pin 5", "KEY01", "KEY02"),
    }


def test_thickness_and_outline(rev_b):
    """Options and size of the board."""
    thinner = replace(rev_b, thickness_mm=0.8)
    change = _only(fabkit.compare_boards(rev_b, thinner))
    assert (change.kind, change.subject) == ("board/changed", "thickness")
    wider = replace(
        rev_b,
        profile=shapely.MultiPolygon(
            shapely.get_parts(rev_b.profile.union(shapely.box(100, 40, 130, 60)))
        ),
    )
    comparison = fabkit.compare_boards(rev_b, wider)
    assert _kinds(comparison) == ["board/changed", "profile/added"]
    assert comparison.changes[1].added_mm2 == pytest.approx(
        wider.profile.area - rev_b.profile.area, rel=1e-6
    )


def test_a_layer_that_is_gone(rev_b):
    """A layer that one board lacks is reported as such, not as thousands of places."""
    without = replace(rev_b, layers=tuple(a for a in rev_b.layers if a.name != "bottom paste"))
    change = _only(fabkit.compare_boards(rev_b, without))

    assert (change.kind, change.subject) == ("layer/removed", "bottom paste")


def test_the_demonstrations_revisions(revised):
    """What fabkit/demo/ABOUT.md says of the revisions is what is found: the second column
    moved by 1 mm, the cell's lead has a third pad and a slot, one screw hole more."""
    by_kind = {}
    for change in revised.changes:
        by_kind.setdefault(change.kind, []).append(change)

    assert [(c.subject, c.moved_mm) for c in by_kind["key/moved"]] == [
        (f"key SW{n}", pytest.approx((0.0, 1.0), abs=1e-9)) for n in (2, 7, 12)
    ]
    assert {c.after for c in by_kind["hole/added"]} == {"2.2 mm, non-plated", "0.8 mm, plated"}
    assert len(by_kind["slot/added"]) == 1
    assert [c.subject for c in by_kind["part/changed"]] == ["BT1"]
    assert not {"hole/removed", "net/renamed", "pin/moved", "board/changed"} & by_kind.keys()
    places = [c for c in revised.changes if c.is_area]
    near_column = [c for c in places if 18 < c.x_mm < 70]
    near_cell = [c for c in places if c.x_mm > 100]
    assert len(near_column) + len(near_cell) == len(places)
