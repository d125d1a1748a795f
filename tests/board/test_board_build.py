"""From tiny packages to boards: profile, holes, plating, parts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
import shapely

from fabkit.base.findings import Severity
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.board.single import cut_out
from fabkit.formats.gerber.model import object_shapes
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member

Points = Sequence[tuple[float, float]]

PADS: Points = ((5, 5), (15, 5), (5, 12), (15, 12))
FRAME: Points = ((0, 0), (20, 0), (20, 15), (0, 15), (0, 0))


def xy(point: tuple[float, float], suffix: str = "") -> str:
    """Coordinates with six decimals of a millimetre."""
    return f"X{point[0] * 1e6:.0f}Y{point[1] * 1e6:.0f}{suffix}*"


def line(points: Points) -> list[str]:
    """Draws from point to point with D11."""
    first, *rest = points
    return ["D11*", "G01*", xy(first, "D02"), *(xy(p, "D01") for p in rest)]


def circle(x: float, y: float, r: float) -> list[str]:
    """One full circle with D11 (section 4.7.2: end equals start)."""
    turn = f"X{(x + r) * 1e6:.0f}Y{y * 1e6:.0f}I{-r * 1e6:.0f}J0D01*"
    return ["D11*", "G75*", xy((x + r, y), "D02"), "G03*", turn]


def layer(function: str, body: Sequence[str], *, pad_mm: float = 1.0) -> bytes:
    """A millimetre layer; D10 is a pad, D11 a 0.1 mm pen."""
    head = [f"%TF.FileFunction,{function}*%", "%FSLAX46Y46*%", "%MOMM*%"]
    tools = [f"%ADD10C,{pad_mm}*%", "%ADD11C,0.1*%"]
    return "\n".join([*head, *tools, *body, "M02*"]).encode()


def pads(points: Points = PADS) -> list[str]:
    """Flashes of D10."""
    return ["D10*", *(xy(p, "D03") for p in points)]


def drill(*holes: tuple[float, float], size_mm: float = 0.6, extra: str = "") -> bytes:
    """A drill file that states its format."""
    spots = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes)
    return f"M48\nMETRIC,TZ\nT1C{size_mm}\n%\nG90\nG05\nT1\n{spots}{extra}M30\n".encode()


def board(profile: Sequence[str] = (), **files: bytes) -> Board:
    """A board of two copper layers with four pads, a profile and further files.

    ``__`` in a keyword stands for the dot before the extension; None takes a file away.
    """
    members = {
        "t.gbr": layer("Copper,L1,Top", pads()),
        "b.gbr": layer("Copper,L2,Bot", pads()),
        "p.gbr": layer("Profile,NP", profile or line(FRAME)),
    }
    members |= {name.replace("__", "."): data for name, data in files.items()}
    made = tuple(Member(name, data) for name, data in sorted(members.items()) if data)
    return build_board(read_package(Intake(name="s", source="s", members=made, left_out=())))


def ids(made: Board) -> list[str]:
    """Ids of what building the board found."""
    return [p.id for p in made.problems if p.id.startswith(("profile/", "board/"))]


def test_plain_board() -> None:
    """Size and area of the centre line, not of the pen; layers from the top down."""
    made = board()

    assert made.size_mm == pytest.approx((20, 15))
    assert made.area_mm2 == pytest.approx(300)
    assert [x.name for x in made.layers] == ["top copper", "bottom copper", "profile"]
    assert ids(made) == []


def test_cut_outs() -> None:
    """A round cut-out is taken out: 300 - pi 2^2."""
    made = board([*line(FRAME), *circle(10, 8, 2)])

    assert made.area_mm2 == pytest.approx(300 - math.pi * 4, rel=1e-9)
    assert len(made.profile.geoms[0].interiors) == 1


def test_profile_as_region() -> None:
    """A contour region is the board itself (section 6.5 recommends it)."""
    body = ["G36*", "G01*", xy(FRAME[0], "D02"), *(xy(p, "D01") for p in FRAME[1:]), "G37*"]

    assert board(body).area_mm2 == pytest.approx(300)


def test_two_boards_in_one_profile() -> None:
    """Figures beside each other are separate boards."""
    made = board([*line(FRAME), *line([(x + 30, y) for x, y in FRAME])])

    assert len(made.profile.geoms) == 2
    assert made.area_mm2 == pytest.approx(600)


def test_gap_is_reported_with_place_and_size() -> None:
    """An outline open by 0.4 mm is an error there, and closed to go on."""
    made = board(line([(0.4, 0), *FRAME[1:]]))
    problem = next(p for p in made.problems if p.id == "profile/gap")

    assert problem.measured == pytest.approx(0.4)
    place = problem.places[0]
    assert (place.x_mm, place.y_mm) == (0.2, 0)
    assert made.area_mm2 == pytest.approx(300)


def test_open_outline_gives_no_profile() -> None:
    """Half an outline is an error and no profile, and the box is that of the copper."""
    made = board(line(FRAME[:3]))

    assert made.profile is None
    assert "profile/gap" in ids(made)
    assert made.size_mm == pytest.approx((11, 8))
    assert math.isnan(made.area_mm2)


def test_frame_around_the_board_is_not_the_board() -> None:
    """A drawing frame and a title box are left out, by where the pads are."""
    frame = [(-20, -20), (60, -20), (60, 40), (-20, 40), (-20, -20)]
    title = [(40, -18), (58, -18), (58, -10), (40, -10), (40, -18)]
    made = board([*line(FRAME), *line(frame), *line(title)])

    assert made.size_mm == pytest.approx((20, 15))
    assert ids(made) == ["profile/frame", "profile/two-readings"]


def test_outline_drawn_twice_is_taken_once() -> None:
    """The same outline again, 0.1 mm inside, is no hole as large as the board."""
    again = [(0.1, 0.1), (19.9, 0.1), (19.9, 14.9), (0.1, 14.9), (0.1, 0.1)]
    made = board([*line(FRAME), *line(again)])

    assert made.area_mm2 == pytest.approx(300)
    assert ids(made) == ["profile/doubled-lines"]


def test_target_at_a_corner_is_no_board() -> None:
    """A circle with a cross over a corner does not enlarge the board."""
    cross = [*line([(-2, 0), (2, 0)]), *line([(0, -2), (0, 2)])]
    made = board([*line(FRAME), *circle(0, 0, 1), *cross])

    assert made.bounds == pytest.approx((0, 0, 20, 15))
    assert ids(made) == ["profile/stray-lines"]


def test_target_drawn_by_chords_is_no_board() -> None:
    """Exporters without arcs draw the circle of a target by chords."""
    turn = np.linspace(0, 2 * np.pi, 25)
    ring = [(float(x), float(y)) for x, y in np.round((np.cos(turn), np.sin(turn)), 6).T]
    cross = [*line([(-2, 0), (2, 0)]), *line([(0, -2), (0, 2)])]
    made = board([*line(FRAME), *line(ring), *cross])

    assert made.bounds == pytest.approx((0, 0, 20, 15))
    assert [(p.id, p.severity) for p in made.problems if p.id.startswith("profile/")] == [
        ("profile/stray-lines", Severity.NOTE)
    ]


def test_cut_out_erased_from_a_filled_board() -> None:
    """A board drawn as a filled region with a narrow slot erased from it has the slot cut out."""
    slot = [(8, 2), (12, 2), (12, 2.5), (8, 2.5), (8, 2)]
    filled, erased = line(FRAME)[1:], line(slot)[1:]
    made = board(["G36*", *filled, "G37*", "%LPC*%", "G36*", *erased, "G37*", "%LPD*%"])

    assert made.area_mm2 == pytest.approx(300 - 2)


def test_outline_from_another_layer() -> None:
    """Without a profile file the outline that the legend draws is used, and said so."""
    legend = layer("Legend,Top", line(FRAME))
    made = board(p__gbr=b"", l__gbr=legend)

    assert made.area_mm2 == pytest.approx(300)
    assert ids(made) == ["profile/inferred"]


def test_routed_cut_out() -> None:
    """A closed non-plated router path frees its inside: 4 x 4 mm along the centre line."""
    path = "G00X8.0Y6.0\nM15\nG01X12.0\nG01Y10.0\nG01X8.0\nG01Y6.0\nM16\n"
    made = board(**{"x-NPTH__drl": drill(size_mm=1.0, extra=path)})

    assert made.area_mm2 == pytest.approx(300 - 16)
    assert ids(made) == ["profile/routed-cut-out"]


def test_same_holes_in_two_forms_count_once() -> None:
    """NC and Gerber form of one set of holes: once, knowing what either knows."""
    image = layer("Plated,1,2,PTH", pads(), pad_mm=0.6)
    made = board(x__drl=drill(*PADS), h__gbr=image)

    assert len(made.holes) == 4
    assert made.holes.plated.tolist() == [1] * 4
    assert "board/holes-given-twice" in ids(made)
    assert made.drill_names[made.holes.file[0]] == "x.drl"


def test_holes_of_two_files_stay_apart() -> None:
    """Other places or other sizes are other holes."""
    made = board(
        **{
            "x-PTH__drl": drill(*PADS),
            "x-NPTH__drl": drill((10, 8), (5, 5), size_mm=2.0),
        }
    )

    assert len(made.holes) == 6
    assert sorted(made.holes.plated.tolist()) == [0, 0, 1, 1, 1, 1]


def test_hole_plated_and_not() -> None:
    """One hole in the plated and the non-plated file is an error and counted once."""
    made = board(**{"x-PTH__drl": drill(*PADS), "x-NPTH__drl": drill(PADS[0])})

    assert len(made.holes) == 4
    assert ids(made) == ["board/plated-and-not"]


def test_plating_by_copper() -> None:
    """Pads on both sides: plated; no pad, or a pad no larger than the hole: not."""
    made = board(x__drl=drill(PADS[0], PADS[1], (10, 9)))
    large = board(x__drl=drill(*PADS, size_mm=1.0))

    assert made.holes.plated.tolist() == [1, 1, 0]
    assert large.holes.plated.tolist() == [0] * 4
    assert ids(made) == ["board/plating-inferred"] * 2


def test_holes_of_a_plate_without_copper_are_bare() -> None:
    """Where no layer draws anything no hole has a pad, so none is plated."""
    empty = {"t__gbr": layer("Copper,L1,Top", []), "b__gbr": layer("Copper,L2,Bot", [])}
    made = board(**empty, x__drl=drill(*PADS))

    assert made.holes.plated.tolist() == [0] * 4
    assert ids(made) == ["board/plating-inferred"]


def test_cleared_copper_is_no_pad() -> None:
    """A clearance drawn over a pour counts: the last object on a spot decides."""
    pour = ["G36*", "G01*", xy(FRAME[0], "D02"), *(xy(p, "D01") for p in FRAME[1:]), "G37*"]
    body = [*pour, "%LPC*%", *pads([(10, 9)]), "%LPD*%", *pads()]
    copper = {"t__gbr": layer("Copper,L1,Top", body), "b__gbr": layer("Copper,L2,Bot", body)}
    made = board(**copper, x__drl=drill((10, 9), (5, 5)))

    assert made.holes.plated.tolist() == [0, 1]


def test_one_sided_board_has_no_plated_holes() -> None:
    """With one copper layer nothing is plated."""
    made = board(b__gbr=b"", x__drl=drill(*PADS))

    assert made.holes.plated.tolist() == [0] * 4


def test_a_part_cut_out_holds_no_pour_of_its_neighbour() -> None:
    """Two triangles of one rectangle: the box of each one's pour reaches onto the other."""
    lower, upper = [(1, 1), (17, 1), (1, 13)], [(19, 2), (19, 14), (3, 14)]
    covering = [(0, 0), (20, 0), (20, 15), (0, 15)]
    body = []
    for corners in (lower, upper, covering):
        first, *rest = corners
        body += ["G36*", xy(first, "D02"), *(xy(p, "D01") for p in (*rest, first)), "G37*"]
    made = board(t__gbr=layer("Copper,L1,Top", ["G01*", *body]))
    part = cut_out(made, shapely.MultiPolygon([shapely.Polygon([(0, 0), (18, 0), (0, 13.5)])]))
    whole = cut_out(made, shapely.MultiPolygon([shapely.box(8, 7, 9, 8)]))

    assert object_shapes(part.copper[0].file)[0].area == pytest.approx(16 * 12 / 2)
    assert len(part.copper[0].file.objects) == 2
    assert object_shapes(whole.copper[0].file)[-1].area == pytest.approx(300)


def test_slots_are_cut_as_paths() -> None:
    """A drilled slot of 3 x 1 mm: pi/4 + 2 mm², after the hole discs."""
    made = board(**{"x-PTH__drl": drill((5, 5), size_mm=1.0, extra="X9.0Y8.0G85X11.0Y8.0\n")})

    assert len(made.hole_shapes) == 2
    assert made.hole_shapes[1].area == pytest.approx(math.pi / 4 + 2, rel=1e-6)
    assert made.opening.area == pytest.approx(math.pi / 2 + 2, rel=1e-6)


def test_components_from_attributes() -> None:
    """Pins, nets and sides of .C, .P and .N (sections 5.6.13 to 5.6.15), R2 before R10."""
    body = ["D10*"]
    for ref, pin, net, at in (
        ("R10", "1", "A", PADS[0]),
        ("R10", "2", "B", PADS[1]),
        ("R2", "1", "B", PADS[2]),
    ):
        body += [f"%TO.P,{ref},{pin}*%", f"%TO.N,{net}*%", f"%TO.C,{ref}*%", xy(at, "D03"), "%TD*%"]
    made = board(t__gbr=layer("Copper,L1,Top", body))
    second, tenth = made.components

    assert (second.ref, tenth.ref) == ("R2", "R10")
    assert tenth.pins == (("1", "A"), ("2", "B"))
    assert (tenth.side, tenth.x_mm, tenth.y_mm) == ("top", 10, 5)


def test_a_pad_belongs_to_its_own_component() -> None:
    """The .C of a track stays in force over the next pads, whose .P names theirs (5.6.14)."""
    body = ["D10*", "%TO.C,SW1*%", xy(PADS[0], "D02"), xy(PADS[1], "D01")]
    for pin, at in (("1", PADS[1]), ("2", PADS[2])):
        body += [f"%TO.P,J4,{pin}*%", "%TO.N,GND*%", xy(at, "D03")]
    (jack,) = (c for c in board(t__gbr=layer("Copper,L1,Top", body)).components if c.pins)

    assert jack.ref == "J4"
    assert jack.pins == (("1", "GND"), ("2", "GND"))


def test_components_from_a_netlist_where_nothing_else_names_any() -> None:
    """Points of IPC-D-356A with a part, 100 mm off the layers; vias and N/C name none."""
    rows = [
        f"327{net:<14}   {ref:<6}-{pin:<4} {at}X{x * 1000 + 100000:+07d}Y{y * 1000:+07d}X0600Y0600"
        for net, ref, pin, at, (x, y) in (
            ("A", "R1", "1", "A01", PADS[0]),
            ("N/C", "R1", "2", "A01", PADS[1]),
            ("A", "C2", "1", "A02", PADS[2]),
            ("A", "VIA", "", "A01", PADS[3]),
        )
    ]
    made = board(n__d356="\n".join(["P  UNITS CUST 1", *rows, "999", ""]).encode())
    second, first = made.components

    assert (first.ref, first.side, first.mount, first.origin) == ("R1", "top", "SMD", "netlist")
    assert first.pins == (("1", "A"), ("2", ""))
    assert (first.x_mm, first.y_mm) == pytest.approx((10, 5))
    assert (second.ref, second.side) == ("C2", "bottom")


def test_components_from_a_table_with_another_origin() -> None:
    """Positions counted from the lower left corner are moved there, and that is said."""
    far = [(x + 100, y + 50) for x, y in FRAME]
    table = b"Ref,X,Y,Rot,Side\nD1,1mm,1mm,0,top\nD2,19mm,1mm,90,top\nD3,10mm,14mm,0,bottom\n"
    made = board(line(far), t__gbr=b"", b__gbr=b"", pos__csv=table)

    first = made.components[0]
    assert (first.ref, first.x_mm, first.y_mm) == ("D1", 101, 51)
    assert "board/placement-origin" in ids(made)


def test_unit_of_a_table_is_judged_by_the_board() -> None:
    """A table in mils without unit: 787 mil are 20 mm (25.4/1000 each)."""
    table = b"Ref,X,Y,Rot,Side\nD1,100,100,0,top\nD2,700,100,0,top\nD3,400,500,0,top\n"
    made = board(pos__csv=table)

    assert made.components[1].x_mm == pytest.approx(700 * 0.0254)
    assert "board/placement-unit" in ids(made)


def test_a_layer_ten_times_too_large_does_not_make_the_outline_too_small() -> None:
    """Holes and the other copper show what the outline is to hold."""
    large = [(10 * x, 10 * y) for x, y in PADS]
    made = board(t__gbr=layer("Copper,L1,Top", pads(large)), x__drl=drill(*PADS))

    assert made.profile is not None
    assert "profile/too-small" not in ids(made)


@pytest.mark.parametrize(("step", "inches"), [(0.7, True), (1.2, False)])
def test_a_stated_unit_in_which_parts_lie_on_each_other(step: float, inches: bool) -> None:
    """Six middles 0.7 mm apart, on a board of 110 mm, are in inches; 1.2 mm apart they may be."""
    far = [(5.5 * x, 5 * y) for x, y in FRAME]
    rows = "".join(f"D{k},{0.5 + step * k:.2f}mm,0.5mm,0,top\n" for k in range(6))
    made = board(line(far), pos__csv=f"Ref,X,Y,Rot,Side\n{rows}".encode())

    assert ("board/placement-unit" in ids(made)) is inches


def test_drill_file_out_of_place_does_not_tell_plating() -> None:
    """Holes far off the copper stay of unknown plating, the profile stays."""
    made = board(x__drl=drill(*((x + 500, y + 300) for x, y in PADS)))

    assert set(made.holes.plated.tolist()) == {-1}
    assert made.area_mm2 == pytest.approx(300)


def test_same_input_same_board() -> None:
    """Two builds give equal columns and outlines."""
    one, two = (board(x__drl=drill(*PADS)) for _ in range(2))

    assert one.profile.equals(two.profile)
    assert np.array_equal(one.holes.x, two.holes.x)
    assert [p.message for p in one.problems] == [p.message for p in two.problems]
