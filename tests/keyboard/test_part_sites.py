"""Places of parts other than switches, against the plans of the fixtures and by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from boards import board_at
from truth import Truth, load_truths

import fabkit
from fabkit.board.model import Component, Holes
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.footprints import LandTable, read_lands
from fabkit.keyboard.kinds import (
    find_chips,
    find_hole_pairs,
    find_light_quads,
    kind_of,
    why_no_part,
)
from fabkit.keyboard.model import PartSite
from fabkit.keyboard.part_sites import find_part_sites, lone_holes, sites_of
from fabkit.keyboard.patterns import find_sites, load_patterns

FIXTURES = Path(__file__).parents[2] / "fixtures"
PLANS = [
    (truth, path)
    for truth in load_truths()
    if not truth.panel and truth.board != "none"
    for path in (truth.path, *truth.same)
]


@pytest.mark.parametrize(("truth", "path"), PLANS, ids=[path for _, path in PLANS])
def test_sites_are_those_of_the_plan(truth: Truth, path: str) -> None:
    """Controllers, free headers, diodes, screws and wide keys, with attributes and without."""
    board = board_at(FIXTURES / path)
    found = Counter(s.kind for s in find_part_sites(board))

    assert found["controller"] == truth.controllers
    assert found["header"] == truth.headers
    assert found["diode"] == truth.diodes
    assert found["screw hole"] == truth.screws
    assert found["stabiliser"] == truth.wide
    assert found["button"] == 0, "every switch of a key is at its key"


def test_halves_share_out_the_sites() -> None:
    """Both halves of kinds/both-unequal: one controller each, diodes as many as keys."""
    board = board_at(FIXTURES / "kinds" / "both-unequal")
    keyboard = find_keyboard(board)
    sites = find_part_sites(board)

    for group in keyboard.hands.groups:
        own, nowhere = sites_of(keyboard, group, sites)
        counts = Counter(s.kind for s in own)
        assert counts["controller"] == 1
        assert counts["diode"] == len(group.keys)
        assert nowhere == ()


@pytest.mark.parametrize(
    ("ref", "value", "footprint", "pins", "kind"),
    [
        ("D7", "", "", (), "diode"),  # IEEE 315-1975 clause 22.4: D or CR
        ("CR2", "", "", (), "diode"),
        ("DS1", "", "", (), "light"),
        ("rR4", "", "", (), "resistor"),
        ("U2", "", "", (), "circuit"),
        ("BT1", "", "row-1x2", (), "lithium connector"),
        ("J3", "Socket row 1x12, 2.54 mm", "", (), "header"),
        ("J2", "", "", (("R1", "a"), ("R2", "b"), ("S", "c"), ("T", "d")), "audio jack"),
        ("SW40", "", "", (("1", "/RST"), ("2", "GND")), "reset"),
        ("S2", "Power slide switch", "slide-3x2.5", (), "power switch"),
        ("SW41", "", "", (("1", "raw"), ("2", "VBAT"), ("3", "x")), "power switch"),
        ("EXSW1", "", "", (("A", ""), ("B", ""), ("C", ""), ("S1", ""), ("S2", "")), "encoder"),
        ("EXLED2", "", "", (), "light"),
        ("Q1", "", "", (), "transistor"),
        ("CON1", "", "BTH-030-01-X-D-A-K", (), "connector"),
        ("D3", "", "LED0603_GREEN", (), "light"),
        ("D4", "", "", (("1", "/LED_R"), ("2", "x")), "light"),
        ("D5", "", "", (("1", "Net-(LED1-DIN)"), ("2", "GND")), "diode"),
        ("Zz9", "", "", (), "other"),
    ],
)
def test_kinds(
    ref: str, value: str, footprint: str, pins: tuple[tuple[str, str], ...], kind: str
) -> None:
    """Words count before letters; pin and net names decide what words leave open."""
    assert kind_of(ref, value, footprint, pins) == kind


@pytest.mark.parametrize(
    ("ref", "footprint", "part"),
    [
        ("G***", "", False),
        ("REF**", "", False),
        ("TP3", "", False),
        ("rJP1", "", False),
        ("SJ2", "", False),
        ("J3", "SJ-43514", True),
        ("J17", "Jumper HDR_1x2", True),
        ("FID1", "", False),
        ("H2", "MountingHole_2.2mm", False),
        ("mouse-bite-2mm-slot", "", False),
        ("NT1", "NetTie-2", False),
        ("J1", "row-1x4", True),
        ("H1", "", False),
        ("SW1", "", True),
    ],
)
def test_what_is_no_part(ref: str, footprint: str, part: bool) -> None:
    """Drawings, test points, jumpers and holes have a reference, and are not bought."""
    assert (why_no_part(ref, {"footprint": footprint}) == "") is part


def _holes(points: list[tuple[float, float]], diameter: float = 0.8) -> Holes:
    table = np.array(points, dtype=float).reshape(-1, 2)
    zeros = np.zeros(len(table))
    return Holes(
        x=table[:, 0],
        y=table[:, 1],
        diameter=zeros + diameter,
        plated=zeros + 1,
        file=zeros,
        tool=zeros,
        first=zeros + 1,
        last=zeros + 2,
        function=zeros,
        offset=zeros,
    )


@pytest.mark.parametrize("turn_deg", [0.0, 35.0, 90.0, 125.0])
def test_circuits_are_found_however_they_are_turned(turn_deg: float) -> None:
    """44 leads at 0.8 mm round a square body (IPC-7351, QFP80P), and a smaller package within."""
    leads = [*_square(11, 0.8, 6.0), *_square(11, 0.5, 4.2)]
    turn = np.exp(1j * np.radians(turn_deg))
    at = np.array([complex(x, y) for x, y, _ in leads]) * turn
    zeros = np.zeros(len(leads))
    lands = LandTable(
        x=at.real,
        y=at.imag,
        width=zeros + 1.1,
        height=zeros + 0.3,
        turn=np.array([t for _, _, t in leads]) + turn_deg,
        face=zeros + 1,
        through=zeros > 0,
        net=zeros,
        ref=zeros,
    )
    (chip,) = find_chips(lands)

    assert len(chip.members) == 44
    assert np.hypot(chip.x_mm, chip.y_mm) < 0.01


def _square(count: int, pitch: float, reach: float) -> list[tuple[float, float, float]]:
    """Leads round a square body: x, y and turn."""
    row = [(k - (count - 1) / 2) * pitch for k in range(count)]
    sides = [[(reach, y, 0.0), (-reach, y, 0.0), (y, reach, 90.0), (y, -reach, 90.0)] for y in row]
    return [lead for side in sides for lead in side]


def test_lands_keep_their_own_size_when_they_are_turned(tmp_path: Path) -> None:
    """A rectangle of 1.6 x 0.4 mm turned by 35 degrees, flashed and drawn, against its corners."""
    c, s = np.cos(np.radians(35)), np.sin(np.radians(35))
    form = np.array([(-0.8, -0.2), (0.8, -0.2), (0.8, 0.2), (-0.8, 0.2)])
    corners = form @ np.array([[c, s], [-s, c]])
    points = ",".join(f"{x:.6f},{y:.6f}" for x, y in [*corners, corners[0]])
    path = "".join(
        f"X{round((x + 5) * 1e6)}Y{round(y * 1e6)}D0{1 if n else 2}*\n"
        for n, (x, y) in enumerate([*corners, corners[0]])
    )
    text = (
        "%FSLAX46Y46*%\n%MOMM*%\n%AMTURNED*4,1,4," + points + ",0*%\n%ADD10TURNED*%\n"
        "G01*\nD10*\nX0Y0D03*\n%TA.AperFunction,SMDPad,CuDef*%\nG36*\n" + path + "G37*\nM02*\n"
    )
    (tmp_path / "top-copper.gbr").write_text(text)
    board = fabkit.build_board(fabkit.open_package(tmp_path))
    table = read_lands(board).table
    sides = np.sort(np.column_stack((table.width, table.height)), axis=1)
    ways = np.where(table.width > table.height, table.turn, table.turn + 90) % 180

    assert sides == pytest.approx(np.array([[0.4, 1.6], [0.4, 1.6]]), abs=1e-3)
    assert ways == pytest.approx(np.array([35.0, 35.0]), abs=0.1)


@pytest.mark.parametrize(("count", "found"), [(12, 1), (13, 1), (20, 0)])
def test_a_module_takes_whole_rows(count: int, found: int) -> None:
    """Two rows of twenty hold no module of thirteen a row, whose holes would leave a rest."""
    rows = [(2.54 * k, y) for k in range(count) for y in (0.0, 15.24)]
    modules = [p for p in load_patterns() if p.kind == "module"]

    assert len(find_sites(_holes(rows, 1.0), modules)) == found


def test_pairs_of_holes_are_diodes_only_where_they_repeat() -> None:
    """One pair 7.62 mm apart beside each of six keys, not the 11.43 mm gap between two pairs."""
    centres = np.array([(19.05 * i, 0.0) for i in range(6)])
    spots = [(x + dx, -8.0) for x, _ in centres.tolist() for dx in (-3.81, 3.81)]
    holes = _holes(spots)
    found = find_hole_pairs(holes, np.arange(len(holes)), centres, slack_mm=0.0)

    assert list(found) == [0, 1, 2, 3, 4, 5]
    assert [pair.x_mm for pair in found.values()] == pytest.approx(centres[:, 0])
    few = find_hole_pairs(holes, np.arange(6), centres, slack_mm=0.0)
    assert not few


def test_four_lands_at_each_key_are_a_light() -> None:
    """Rectangles of 5.0 by 1.75 mm, one turned; crystals and two-lead parts beside are none."""
    spots: list[complex] = []
    centres = [complex(19.05 * k, 0) for k in range(6)]
    for k, centre in enumerate(centres):
        turn = np.exp(1j * np.radians(25.0 * (k == 5)))
        corners = [complex(x, y) for x in (-2.5, 2.5) for y in (-0.875, 0.875)]
        spots += [centre + (5j + corner) * turn for corner in corners]
        spots += [centre + complex(x, -8) for x in (-1.65, 1.65)]
    spots += [complex(30 + x, 15 + y) for x in (-1.1, 1.1) for y in (-0.8, 0.8)]
    at, zeros = np.array(spots), np.zeros(len(spots))
    lands = LandTable(
        x=at.real,
        y=at.imag,
        width=zeros + 1.6,
        height=zeros + 1.0,
        turn=zeros,
        face=zeros - 1,
        through=zeros > 0,
        net=zeros,
        ref=zeros,
    )
    found = find_light_quads(lands, np.array([(c.real, c.imag) for c in centres]), slack_mm=0.0)

    assert [q.sides for q in found] == [pytest.approx((1.75, 5.0))] * 6
    assert {m for q in found for m in q.members} == {6 * k + n for k in range(6) for n in range(4)}
    many = np.array([(19.05 * k, 0.0) for k in range(12)])
    assert find_light_quads(lands, many, slack_mm=0.0) == ()


def test_holes_show_a_jack_and_an_encoder(tmp_path: Path) -> None:
    """Pegs 7 mm apart with pins at 3 and 4 mm; pins and tabs of an encoder (from memory)."""
    jack = [(12.1, 21.7), (12.1, 18.7), (12.1, 14.7), (7.9, 13.2)]
    encoder = [(37.5, 12.5), (40, 12.5), (42.5, 12.5), (37.5, 27), (42.5, 27)]
    bare = [(10, 23.5), (10, 16.5), (34.3, 20), (45.7, 20)]
    found = _placed(tmp_path, [*jack, *encoder], bare=bare, bare_mm=1.5)

    assert [(s.kind, s.pattern) for s in found] == [
        ("audio jack", "jack-4"),
        ("encoder", "encoder-push"),
    ]


def test_a_placed_jack_and_its_holes_are_one(tmp_path: Path) -> None:
    """J1 of a placement table lies among the holes of a jack, and so does a resistor."""
    jack = [(12.1, 21.7), (12.1, 18.7), (12.1, 14.7), (7.9, 13.2)]
    bare = [(10, 23.5), (10, 16.5)]
    found = _placed(tmp_path, jack, "R1,9.9,19.9", "J1,10,19", bare=bare, bare_mm=1.5)

    assert [(s.kind, s.refs, s.pattern) for s in found] == [
        ("audio jack", ("J1",), "jack-4"),
        ("resistor", ("R1",), ""),
    ]


def test_slots_of_a_shell_show_a_socket(tmp_path: Path) -> None:
    """Four slots of 0.6 x 1.6 mm, 8.64 mm across and 4.18 mm apart (common practice)."""
    _placed(tmp_path, [])
    tabs = [(30 + x, 20 + y) for x in (-4.32, 4.32) for y in (0, 4.18)]
    slots = "".join(f"X{x:.3f}Y{y - 0.5:.3f}G85X{x:.3f}Y{y + 0.5:.3f}\n" for x, y in tabs)
    (tmp_path / "pth.drl").write_text(f"M48\nMETRIC\nT1C0.6\n%\nG05\nT1\n{slots}M30\n")
    bill = fabkit.list_parts(fabkit.build_board(fabkit.open_package(tmp_path)))

    assert [(a.title, a.per_keyboard) for a in bill.lines] == [("USB-C socket", 1)]


def test_a_part_with_a_name_alone_is_described_by_its_holes(tmp_path: Path) -> None:
    """Pads of J1, of which the files state no value and no footprint, round the pins of a jack."""
    jack = [(12.1, 21.7), (12.1, 18.7), (12.1, 14.7), (7.9, 13.2)]
    _placed(tmp_path, jack, bare=[(10, 23.5), (10, 16.5)], bare_mm=1.5)
    top = tmp_path / "top.gbr"
    head, *pads = top.read_text().split("X")
    named = (f"%TO.P,J1,{pin}*%\nX{pad}" for pin, pad in zip("TRS1", pads[1:], strict=True))
    top.write_text("".join((head, "X" + pads[0], *named)))
    bill = fabkit.list_parts(fabkit.build_board(fabkit.open_package(tmp_path)))

    assert [(a.title, a.refs["left"]) for a in bill.lines] == [
        ("Audio jack, four contacts", ("J1",))
    ]


def test_a_second_place_for_the_controller_is_the_same_one(tmp_path: Path) -> None:
    """fabkit's reversible-soldered fixture with its controller's holes again 19 mm beside them."""
    source = FIXTURES / "kinds" / "reversible-soldered"
    board = fabkit.build_board(fabkit.open_package(source))
    (site,) = (s for s in find_part_sites(board) if s.kind == "controller")
    h = board.holes
    twin = h.take(np.array(site.holes)).with_columns(x=h.x[list(site.holes)] + 19.0)
    bare = replace(board, holes=Holes.concat(h, twin), components=())
    found = [s for s in find_part_sites(bare) if s.kind == "controller"]

    assert len(found) == 1
    assert len(found[0].holes) == 2 * len(site.holes)


def test_a_port_expander_is_no_controller() -> None:
    """Both halves of kinds/both-unequal: the smaller circuit of the other half adds pins."""
    board = board_at(FIXTURES / "kinds" / "both-unequal")
    keys = find_keyboard(board)
    spots = [(keys.keys[g.keys[0]].x_mm, keys.keys[g.keys[0]].y_mm) for g in keys.hands.groups]
    circuits = tuple(
        Component(
            ref=ref,
            x_mm=x,
            y_mm=y,
            pins=tuple((str(n), f"{ref}{n}") for n in range(pins)),
            origin="component attributes",
        )
        for (x, y), ref, pins in zip(spots, ("U8", "U9"), (44, 24), strict=True)
    )
    named = {r for s in find_part_sites(board) if s.kind == "controller" for r in s.refs}
    others = [c for c in board.components if c.ref not in named]
    holes = board.holes.take(board.holes.diameter > 1.2)
    bare = replace(board, components=(*others, *circuits), holes=holes)
    kinds = {r: s.kind for s in find_part_sites(bare) for r in s.refs if r in ("U8", "U9")}

    assert kinds == {"U8": "controller", "U9": "circuit"}


def test_rows_of_holes_belong_to_the_placed_part_in_them(tmp_path: Path) -> None:
    """A placed 2 x 5 header and a circuit of two rows 7.62 mm apart are not counted twice."""
    header = [(10 + 2.54 * k, 10 + 2.54 * r) for k in range(5) for r in (0, 1)]
    circuit = [(40 + 2.54 * k, 10 + 7.62 * r) for k in range(7) for r in (0, 1)]
    alone = [(10 + 2.54 * k, 30) for k in range(6)]
    found = _placed(tmp_path, [*header, *circuit, *alone], "J1,15.08,11.27", "U1,47.62,13.81")

    assert [(s.kind, s.refs, s.pins) for s in found] == [
        ("circuit", ("U1",), 14),
        ("connector", ("J1",), 10),
        ("header", (), 6),
    ]


def test_holes_drawn_in_the_profile() -> None:
    """Circles of 2.2 mm in a profile are screw holes (ISO 273), one of 5 mm is for the reader to
    name; a square of 2.2 mm and a circle beside another are neither."""
    board = board_at(FIXTURES / "card")
    circles = [(30, 30, 2.2), (60, 30, 2.2), (30, 60, 5.0), (60, 60, 2.2), (62.8, 60, 2.2)]
    cut = [shapely.Point(x, y).buffer(size / 2, 32) for x, y, size in circles]
    square = shapely.box(44, 44, 46.2, 46.2)
    # As wide as a circle of its area: a square of 2.4 mm whose corners are cut out round.
    corners = [shapely.Point(x, y).buffer(0.5, 32) for x in (74.3, 75.7) for y in (74.3, 75.7)]
    clover = shapely.union_all([shapely.box(74, 74, 76, 76), *corners])
    plate = shapely.box(0, 0, 90, 90) - shapely.union_all([*cut, square, clover])
    none = np.zeros(0, np.int64)
    drawn = replace(
        board,
        profile=shapely.MultiPolygon([plate]),
        holes=board.holes.take(none),
        slots=board.slots.take(none),
        components=(),
        layers=(),
    )
    holes = _holes([(30.0004, 30.0)], 2.2)
    drilled = replace(drawn, holes=holes)
    assert (30, 30) not in [(round(x), round(y)) for x, y, _ in lone_holes(drilled)]

    screws = [s for s in find_part_sites(drawn) if s.kind == "screw hole"]
    places = sorted((round(s.x_mm, 3), round(s.y_mm, 3)) for s in screws)
    assert places == [(30, 30), (60, 30)]
    assert [(round(x, 3), round(y, 3)) for x, y, size in lone_holes(drawn) if size > 4] == [
        (30, 60)
    ]


def test_pegs_of_a_socket_are_no_screw_holes(tmp_path: Path) -> None:
    """Two 3.2 mm pegs 11.43 mm apart with eight pins between (common practice); one hole alone."""
    pins = [(20 + 1.27 * k, 10 + 2.54 * (k % 2)) for k in range(8)]
    bare = [(18.73, 8.0), (30.16, 8.0), (50.0, 30.0)]
    found = _placed(tmp_path, pins, bare=bare)

    assert [(s.kind, s.x_mm) for s in found if s.kind == "screw hole"] == [("screw hole", 50.0)]


def _placed(
    folder: Path,
    plated: list[tuple[float, float]],
    *rows: str,
    bare: list[tuple[float, float]] | None = None,
    bare_mm: float = 3.2,
) -> tuple[PartSite, ...]:
    """Sites of an invented board of 60 x 40 mm with a placement table."""
    dots = "".join(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*\n" for x, y in plated)
    head = "%FSLAX46Y46*%\n%MOMM*%\n"
    for name, function in (("top", "Copper,L1,Top"), ("bottom", "Copper,L2,Bot")):
        text = f"%TF.FileFunction,{function}*%\n{head}%ADD10C,1.8*%\nD10*\n{dots}M02*\n"
        (folder / f"{name}.gbr").write_text(text)
    corners = [(0, 0), (60, 0), (60, 40), (0, 40), (0, 0)]
    frame = "".join(f"X{x}000000Y{y}000000D0{1 if n else 2}*\n" for n, (x, y) in enumerate(corners))
    (folder / "profile.gbr").write_text(
        f"%TF.FileFunction,Profile,NP*%\n{head}%ADD10C,0.1*%\nG01*\nD10*\n{frame}M02*\n"
    )
    for name, size, function, spots in (
        ("pth", 1.0, "Plated,1,2,PTH", plated),
        ("npth", bare_mm, "NonPlated,1,2,NPTH", bare or []),
    ):
        hits = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in spots)
        (folder / f"{name}.drl").write_text(
            f"M48\n; #@! TF.FileFunction,{function}\nMETRIC\nT1C{size:.3f}\n%\nG05\nT1\n{hits}M30\n"
        )
    if rows:
        table = "\n".join(("Ref,X (mm),Y (mm),Rotation,Side", *(f"{r},0,top" for r in rows)))
        (folder / "positions.csv").write_text(table + "\n")
    return find_part_sites(fabkit.build_board(fabkit.open_package(folder)))
