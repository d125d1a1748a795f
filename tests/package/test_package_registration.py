"""Files that lie elsewhere are named, with the move that lays them on the others.

The boards are invented: pads strewn at random, so that only one move fits.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.spatial.transform import Rotation
from tiny_files import drill, gerber, read_set

import fabkit
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.geometry.segments import Placing
from fabkit.package.registration import find_fit

RNG = np.random.default_rng(20)
PADS = np.round(RNG.uniform(2, 58, (24, 2)), 2)
HOLES = PADS[:14]
FRAME = ((0, 0), (60, 0), (60, 60), (0, 60), (0, 0))
KINDS = Path(__file__).parents[2] / "fixtures" / "kinds"


def board(**changed: bytes) -> dict[str, bytes]:
    pads = tuple(map(tuple, PADS))
    files = {
        "x.gtl": gerber(pads=pads, lines=[pads]),
        "x.gts": gerber(pads=pads, pad_mm=1.1),
        "x.gbl": gerber(pads=pads[:14], lines=[pads[:14]]),
        "x.gbs": gerber(pads=pads[:14], pad_mm=1.1),
        "x.gko": gerber(lines=[FRAME]),
        "x-pth.drl": drill(HOLES),
    }
    return files | {name.replace("__", "."): data for name, data in changed.items()}


def told(files: dict[str, bytes]) -> dict[str, tuple[str, str]]:
    """Rule and message of what is said on register, by file."""
    found = (p for p in read_set(files).problems if p.id.startswith("register/"))
    return {p.places[0].file or "": (p.id, p.message) for p in found}


def hits(files: dict[str, bytes]) -> np.ndarray:
    file = next(f for f in read_set(files).files if f.drill is not None)
    return np.column_stack((file.drill.hits.x, file.drill.hits.y))


def test_a_set_that_lies_together_is_left_alone() -> None:
    """No move and no finding where all files share one origin."""
    assert told(board()) == {}
    assert hits(board()) == pytest.approx(HOLES)


def test_a_drill_file_elsewhere_is_laid_back() -> None:
    """The shift is told with its sizes and shares, and the board goes on with the file moved."""
    files = board(**{"x-pth.drl": drill(HOLES + np.array((120, 80)))})

    assert list(told(files)) == ["x-pth.drl"]
    rule, message = told(files)["x-pth.drl"]
    assert rule == "register/shifted"
    assert "lies 120.00, 80.00 mm off; moved back, 100 % of its holes land on pads" in message
    assert hits(files) == pytest.approx(HOLES, abs=0.01)


@pytest.mark.parametrize("name", ["x.gtl", "x.gts", "x.gbs"])
def test_the_one_culprit_is_named(name: str) -> None:
    """One layer off by a little: it alone is named, not those around it."""
    pads = tuple(map(tuple, (PADS if name != "x.gbs" else HOLES) + (0.4, -0.3)))
    lines = [pads] if name == "x.gtl" else ()
    found = told(board() | {name: gerber(pads=pads, lines=lines)})

    assert list(found) == [name]
    assert "0.40, -0.30 mm off" in found[name][1]


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_mirror_and_quarter_turns(mirrored: bool, turns: int) -> None:
    """Any of the eight ways to lay a file is undone; the turn is checked against scipy's."""
    placing = Placing(mirrored=mirrored, quarter_turns=turns, dx_mm=7, dy_mm=-3)
    flipped = HOLES * ((-1, 1) if mirrored else (1, 1))
    flat = np.column_stack((flipped, np.zeros(len(flipped))))
    laid = Rotation.from_euler("z", 90 * turns, degrees=True).apply(flat)[:, :2] + (7, -3)
    assert placing.points(HOLES) == pytest.approx(laid)

    files = board(**{"x-pth.drl": drill(np.round(laid, 3))})
    assert hits(files) == pytest.approx(HOLES, abs=0.02)


def test_a_layer_in_the_wrong_unit() -> None:
    """A mask that says inches over millimetre figures is read in millimetres."""
    wrong = board()["x.gts"].replace(b"MOMM", b"MOIN")
    files = board(x__gts=wrong)
    found = told(files)
    mask = next(f for f in read_set(files).files if f.name == "x.gts").gerber

    assert found["x.gts"][0] == "register/other-unit"
    assert "25.4 times too large" in found["x.gts"][1]
    assert mask.bounds[2] == pytest.approx(PADS[:, 0].max() + 0.55, abs=0.01)


def test_a_layer_without_a_unit_is_read_as_the_others() -> None:
    """What lies on the others only in one unit is in that unit, with a warning."""
    files = board(x__gbl=board()["x.gbl"].replace(b"%MOMM*%\n", b""))
    made = read_set(files)
    copper = next(f for f in made.files if f.name == "x.gbl").gerber
    unit = [p for p in made.problems if p.id == "gerber/unit-missing"]

    assert len(copper.objects) > 0
    assert copper.unit_mm == 1.0
    assert [p.severity.name for p in unit] == ["WARNING"]


def test_a_profile_beside_everything_goes_where_its_drill_file_goes() -> None:
    """Profile and drill file of one export, both off: one shift for both."""
    frame = tuple((x + 120, y + 80) for x, y in FRAME)
    files = board(
        **{"x-pth.drl": drill(HOLES + np.array((120, 80))), "x.gko": gerber(lines=[frame])}
    )
    found = told(files)
    profile = next(f for f in read_set(files).files if f.name == "x.gko").gerber

    assert sorted(found) == ["x-pth.drl", "x.gko"]
    assert profile.bounds == pytest.approx((-0.05, -0.05, 60.05, 60.05), abs=0.01)


def test_copper_whose_pads_have_mostly_no_hole_is_laid_back_by_those_that_have() -> None:
    """Of 24 pads 14 have holes and openings: no move lays 80 % of them, one lays all holes."""
    pads, pads_at = tuple(map(tuple, PADS + np.array((300, 0)))), tuple(map(tuple, HOLES))
    files = board(x__gbl=gerber(pads=pads, lines=[pads]), x__gbs=gerber(pads=pads_at, pad_mm=1.1))
    assert {n: r for n, (r, _) in told(files).items()} == {"x.gbl": "register/shifted"}


@pytest.mark.parametrize("name", ["x-pth.drl", "x.gtl", "x-npth.drl"])
def test_a_stretched_file_is_named_with_its_scale(name: str) -> None:
    """2 % more about the origin; bare holes, which no pad proves, are proved by their openings."""
    opened = tuple(map(tuple, np.concatenate((HOLES[:4], PADS[14:]))))
    files = board() | {"x-npth.drl": drill(PADS[14:])}
    files |= {f"x.g{side}s": gerber(pads=opened, pad_mm=1.1) for side in "tb"}
    files["x.gtl"] = files["x.gbl"]
    wide = tuple(map(tuple, HOLES * 1.02))
    stretched = gerber(pads=wide, lines=[wide]) if name == "x.gtl" else drill(wide)
    files[name] = drill(PADS[14:] * 1.02) if name == "x-npth.drl" else stretched
    found = told(files)

    assert {n: r for n, (r, _) in found.items()} == {name: "register/stretched"}
    assert "stretched by 2 %" in found[name][1]


def test_a_face_mirrored_as_a_whole_is_named_though_its_films_agree() -> None:
    """Copper and mask of the bottom fit each other; the holes fit the top alone."""
    turned = tuple(map(tuple, PADS[:14] * (-1, 1) + (60, 0)))
    films = {
        "x__gbl": gerber(pads=turned, lines=[turned]),
        "x__gbs": gerber(pads=turned, pad_mm=1.1),
    }
    found = told(board(**films))

    assert {n: rule for n, (rule, _) in found.items()} == dict.fromkeys(
        ("x.gbl", "x.gbs"), "register/mirrored"
    )


def test_copper_and_mask_exchanged_are_one_finding() -> None:
    """Strokes end on the pads of the one called mask, and on none of the larger ones."""
    files = board()
    files["x.gtl"], files["x.gts"] = files["x.gts"], files["x.gtl"]
    found = [p for p in read_set(files).problems if p.id == "package/content-disagrees"]

    assert [p.severity.name for p in found] == ["ERROR"]
    assert {place.file for place in found[0].places} == {"x.gtl", "x.gts"}


PLATE = {"x.gtl": gerber(lines=[tuple((1 + 0.97 * x, 1 + 0.97 * y) for x, y in FRAME)] * 6)}


@pytest.mark.parametrize(("shift", "fires"), [(12, True), (0.8, False)])
def test_a_profile_that_what_lies_outside_would_fill(shift: float, fires: bool) -> None:
    """Copper all over a plate without holes, 12 mm beyond its edge: the profile was moved."""
    frame = tuple((x + shift, y) for x, y in FRAME)
    found = told({**PLATE, "x.gko": gerber(lines=[frame])})
    assert {n: r for n, (r, _) in found.items()} == ({"x.gko": "register/shifted"} if fires else {})


@pytest.mark.parametrize("unit", ["MOIN", "MOMM"])
def test_a_legend_in_the_other_unit(unit: str) -> None:
    """Strokes of 0.1 inch or 0.004 mm are no pens; in the other unit it lies on the board."""
    lines = [((5, 5), (30, 5), (30, 20)), ((8, 8), (12, 8))]
    if unit == "MOMM":
        lines = [tuple((x / 25.4, y / 25.4) for x, y in line) for line in lines]
    legend = gerber(lines=lines).replace(b"MOMM", unit.encode())
    legend = legend.replace(b"C,0.1*", b"C,0.1*" if unit == "MOIN" else b"C,0.004*")
    found = told(board(x__gto=legend))

    assert {name: rule for name, (rule, _) in found.items()} == {"x.gto": "register/other-unit"}
    assert told(board(x__gto=gerber(lines=[((5, 5), (30, 5))]))) == {}


def test_a_file_of_another_board_fits_nowhere() -> None:
    """Openings that no move lays on pads belong to another board."""
    other = tuple(map(tuple, np.round(RNG.uniform(2, 58, (24, 2)), 2)))
    found = told(board(x__gbs=gerber(pads=other)))

    assert {name: rule for name, (rule, _) in found.items()} == {"x.gbs": "register/no-fit"}


def test_a_second_drill_file_that_keeps_clear_of_copper_is_of_bare_holes() -> None:
    """Its name states nothing, and another drill file lies on the pads; one of another board does
    not keep clear."""
    corners = ((4, 57), (57, 4), (56, 56), (3, 3), (30, 58), (58, 30))
    lines = [tuple(map(tuple, PADS))]
    drawn = shapely.union_all([shapely.LineString(lines[0]), shapely.MultiPoint(PADS)]).buffer(1)
    clear = [p for p in corners if not drawn.contains(shapely.Point(p))]
    across = [tuple(row) for row in (PADS[:-1] + PADS[1:]) / 2]

    assert len(clear) >= 4
    assert told(board(x2__drl=drill(clear))) == {}
    assert told(board(x2__drl=drill(across)))["x2.drl"][0] == "register/no-fit"


def test_a_grid_moved_by_its_own_pitch_is_no_answer() -> None:
    """Where several moves fit alike none is taken."""
    grid = np.array([(x, y) for x in range(10) for y in range(10)]) * 2.54

    assert (
        find_fit(
            grid[:60] + np.array((0.7, 0.4)), np.concatenate((grid, grid + np.array((25.4, 0))))
        )
        is None
    )


def test_a_layer_moved_keeps_its_shape() -> None:
    """Mirror and turn of a whole layer are those of its image, by shapely's transforms."""
    data = (
        b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10R,2X1*%\n%ADD11C,0.3*%\nG01*\nG75*\nD10*\n%LR30*%\n"
        b"X3000000Y1000000D03*\n%LR0*%\nD11*\nX5000000Y0D02*\nG03*\nX7000000Y2000000I0J2000000D01*\n"
        b"G36*\nG01*\nX0Y5000000D02*\nX4000000D01*\nY6000000D01*\nX0Y5000000D01*\nG37*\nM02*\n"
    )
    file = read_gerber(data, name="a")
    placing = Placing(mirrored=True, quarter_turns=1, dx_mm=4, dy_mm=2)
    wanted = shapely.affinity.scale(file.image, -1, 1, origin=(0, 0))
    wanted = shapely.affinity.rotate(wanted, 90, origin=(0, 0))
    wanted = shapely.affinity.translate(wanted, 4, 2)

    assert file.placed(placing).image.symmetric_difference(wanted).area < 1e-3


@pytest.mark.parametrize(
    ("kind", "rule", "words"),
    [
        ("drill-off", "register/shifted", "100.00, -60.00 mm off; moved back, 100 %"),
        ("drill-mirrored", "register/mirrored", "mirrored about the vertical line"),
    ],
)
def test_invented_boards_with_drill_files_elsewhere(kind: str, rule: str, words: str) -> None:
    """Both drill files of the export are named with one move, and no layer."""
    found = [p for p in fabkit.open_package(KINDS / kind).problems if p.id.startswith("register/")]

    assert {p.id for p in found} == {rule}
    assert sorted(p.places[0].file or "" for p in found) == [
        "nonplated_holes.drl",
        "plated_holes.drl",
    ]
    assert all(words in p.message for p in found)


def test_a_drill_format_stated_beside_the_file() -> None:
    """Where the board does not decide, a parameter file does."""
    spots = "".join(f"X{x * 1000:06.0f}Y{y * 1000:06.0f}\n" for x, y in HOLES[:5] - (500, 0))
    data = f"M48\nT1C0.6\n%\nT1\n{spots}M30\n".encode()
    settings = b"NC drill parameters\nUNITS MM\nformat 3.3\nsuppress-lead-zeroes YES\n"
    made = read_set({"x.gtl": gerber(pads=((5, 5),)), "x.drl": data, "nc.txt": settings})

    assert [p.message for p in made.problems if p.id == "drill/format-from-sibling"] == [
        "read as millimetres, 3.3, trailing zeros written, as nc.txt states"
    ]


@pytest.mark.parametrize(("points", "reference"), [(0, 3), (3, 0)])
def test_nothing_is_laid_on_nothing(points, reference):
    """A damaged file may leave nothing to compare: no fit, no error."""
    assert find_fit(np.zeros((points, 2)), np.ones((reference, 2))) is None


def test_a_drill_format_found_by_pads_drawn_as_regions() -> None:
    """Where no pad is flashed, the middles of small regions settle unit and digits."""
    corners = np.array(((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5), (-0.5, -0.5)))
    rings = "".join(
        "G36*\n"
        + "".join(
            f"X{x * 1e6:.0f}Y{y * 1e6:.0f}D0{2 - (i > 0)}*\n"
            for i, (x, y) in enumerate(pad + corners)
        )
        + "G37*\n"
        for pad in PADS
    )
    copper = gerber().replace(b"M02*", rings.encode() + b"M02*")
    spots = "".join(f"X{x / 25.4 * 1e4:06.0f}Y{y / 25.4 * 1e4:06.0f}\n" for x, y in HOLES)
    bare = f"%\nT1C0.0236\nT1\n{spots}M30\n".encode()
    files = {"x.gtl": copper, "x.gbl": copper, "x.gko": gerber(lines=[FRAME]), "x.drl": bare}

    assert hits(files) == pytest.approx(HOLES, abs=0.002)
    assert "drill/format-inferred" in {p.id for p in read_set(files).problems}


def painted(pads: np.ndarray) -> bytes:
    """Copper without a flash: lines fill each pad of 1 mm, and small squares lie between them."""
    steps = np.linspace(-0.45, 0.45, 11)
    lines = [((x - 0.45, y + d), (x + 0.45, y + d)) for x, y in pads for d in steps]
    squares = ""
    for x in range(3, 60, 6):
        corners = ((x, 60.5), (x + 0.5, 60.5), (x + 0.5, 61), (x, 61), (x, 60.5))
        steps_to = (
            f"X{a * 1e6:.0f}Y{b * 1e6:.0f}D0{2 - (i > 0)}*" for i, (a, b) in enumerate(corners)
        )
        squares += "G36*\n" + "\n".join(steps_to) + "\nG37*\n"
    return gerber(lines=lines).replace(b"M02*", squares.encode() + b"M02*")


def test_painted_pads_have_no_middles_and_fit_by_their_image() -> None:
    """Pads that lines fill lie under the holes; those of another board still fit nowhere."""
    other = np.round(RNG.uniform(2, 58, (24, 2)), 2)
    in_place = told(board(x__gtl=painted(PADS), x__gbl=painted(PADS)))
    strange = told(board(x__gtl=painted(other), x__gbl=painted(PADS)))

    assert in_place == {}
    assert {name: rule for name, (rule, _) in strange.items()} == {"x.gtl": "register/no-fit"}
