"""Written layers: the same objects, image and attributes, in current commands alone.

Areas of published files are checked in ``expect`` of gerber_layers.py, which also writes them.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely
from gerber_layers import layer, read_layer, xy
from hypothesis import given, settings
from strategies import layer_programs, write_layer
from yardstick.gerber_text import read_gerber as read_text

from fabkit.demo import FOLDER
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.model import GerberFile, Kind, object_shapes
from fabkit.formats.gerber.reader import read
from fabkit.formats.gerber.writer import write_gerber

PLAIN = re.compile(
    r"%(?:T[FAO][^*%]+|TD[^*%]*|FSLAX46Y46|MOMM|LP[DC]|ADD\d+[^*%]+|AM[^%]+)\*%"
    r"|G(?:01|02|03|36|37|75)\*|D\d\d+\*|M02\*|X-?\d+Y-?\d+(?:I-?\d+J-?\d+)?D0[123]\*"
)
"""All that a written file may hold."""


def written(file: GerberFile) -> GerberFile:
    """The layer as read from what is written; checks its form and that it stays as it is."""
    data = write_gerber(file)
    assert PLAIN.sub("", data.decode()).strip() == ""
    again = read(data, name="written.gbr")
    assert again.complete
    known = {finding.id for finding in file.problems}
    assert {finding.id for finding in again.problems + examine(again, data)} <= known
    assert write_gerber(again) == data
    return again


def assert_same_image(one: GerberFile, two: GerberFile) -> None:
    """Less than a millionth of the layer differs."""
    fine, same = (file.image_at(1e-5) for file in (one, two))
    assert fine.symmetric_difference(same).area <= 1e-6 * fine.area


@settings(max_examples=25)
@given(layer_programs())
def test_objects_come_back(groups: list) -> None:
    """Flashes, strokes and clear objects of standard and macro apertures."""
    file = read(write_layer(groups), name="a")
    again = written(file)
    for name in ("kind", "x0", "y0", "x1", "y1", "dark"):
        assert np.array_equal(getattr(file.objects, name), getattr(again.objects, name))
    assert_same_image(file, again)


POSES = ["%LR90*%", "%LR30*%", "%LMX*%", "%LMXY*%%LR15*%", "%LS1.7*%%LMY*%%LR200*%"]
SHAPES = [
    "C,1X0.4", "R,2X1", "R,2X1X0.3", "O,2X1", "O,1X2X0.2", "P,2X5X10", "P,2X3X0X0.5",
    "R,2X1X0.3X0.5", "P,2X6X20X0.3X0.6", "C,1X1.2", "ALL", "RINGS", "STARS",
]  # fmt: skip
MACROS = (
    "%AMALL*1,1,$1,0.2,0.1,30*20,1,0.3,-1,0,1,0.5,15*21,1,1.5,$2,0.3,0.2,40*"
    "4,1,3,0,0,1,0,0,1,0,0,25*5,1,5,0.5,0.3,0.8,10*1,0,0.2,0.1,0.1*%"
    "%AMRINGS*7,0.2,0.1,1.4,1,0.2,20*6,0,0,2,0.1,0.2,3,0.05,2.4,15*%"
    "%AMSTARS*5,0,7,0,0,1,0*5,1,7,0,0,2,0*1,0,0.6,0.3,0*22,1,0.4,0.6,1,1,33*%"
)


@pytest.mark.parametrize("shape", SHAPES)
def test_poses_go_into_definitions(shape: str) -> None:
    """Mirrored, turned and scaled apertures keep their image (section 4.9)."""
    call = {"ALL": "ALL,0.5X0.4", "RINGS": "RINGS", "STARS": "STARS"}.get(shape, shape)
    body = f"{MACROS}%ADD10{call}*%D10*{xy(0, 0)}D03*"
    body += "".join(f"%LMN*%%LR0*%%LS1*%{p}{xy(4 * k, 4)}D03*" for k, p in enumerate(POSES))
    file = read_layer(body)
    again = written(file)
    shapes = (object_shapes(f, chord_error_mm=1e-5) for f in (file, again))
    for one, two in zip(*shapes, strict=True):
        # Chords of a turned circle stand elsewhere.
        assert one.symmetric_difference(two).area <= 2e-5 * max(one.length, one.area)


def test_strokes_of_other_tools_become_regions() -> None:
    """A rectangle may not stroke (section 2.4): the area it sweeps is written."""
    file = read_layer(f"%TA.AperFunction,Conductor*%%ADD10R,1X0.5*%%TO.N,A*%D10*{xy(0, 0)}D02*"
                      f"{xy(3, 2)}D01*{xy(3, 5)}D03*")  # fmt: skip
    again = written(file)
    assert again.objects.kind.tolist() == [Kind.REGION, Kind.FLASH]
    held = again.attribute_sets[again.objects.attributes[0]]
    assert held == {".AperFunction": ("Conductor",), ".N": ("A",)}
    # A box dragged by (3, 2): its own area and two strips of its sides.
    assert again.image.area == pytest.approx(0.5 + 3 * 0.5 + 2 * 1 + 0.5, abs=1e-6)


def test_contours_are_closed() -> None:
    """Open contours end where they start; arcs stay arcs."""
    arc = f"G03*{xy(0, 2)}I-1000000J0D01*"
    file = read_layer(f"G36*{xy(0, 0)}D02*{xy(2, 0)}D01*{xy(2, 1)}D01*G01*G37*"
                      f"G36*{xy(5, 0)}D02*{xy(6, 0)}D01*{xy(6, 1)}D01*{xy(5, 0.000002)}D01*G37*"
                      f"G36*{xy(2, 2)}D02*{arc}G01*{xy(2, 2)}D01*G37*")  # fmt: skip
    again = written(file)
    assert "gerber/contour-open" not in {f.id for f in again.problems}
    assert [int(n) for n in again.objects.last - again.objects.first] == [3, 3, 2]
    assert again.segments.turn.tolist() == [0] * 6 + [1, 0]
    assert_same_image(file, again)


INCH_ARCS = {
    "a quarter": "X10001Y0D02*G03*X2Y10000I-10001J0D01*",
    "nearly half": "X10003Y0D02*G02*X-10000Y1I-10002J-1D01*",
    "half, off by many steps": "X10025Y0D02*G03*X-10000Y0I-10025J0D01*",
    "short": "X10000Y0D02*G03*X9999Y140I-10002J0D01*",
}


@pytest.mark.parametrize("arc", INCH_ARCS.values(), ids=INCH_ARCS.keys())
def test_arcs_of_coarse_files_keep_their_image(arc: str) -> None:
    """Arcs whose ends are off by the rounding of an inch file are the same curve when written."""
    file = read(layer(f"%ADD10C,0.01*%D10*{arc}", decimals=4, unit="IN"), name="a.gbr")
    again = written(file)
    one, two = file.objects, again.objects
    assert two.kind.tolist() == [Kind.ARC]
    for name in ("x0", "y0", "x1", "y1", "cx", "cy"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), abs=1e-6)
    assert file.image.symmetric_difference(again.image).area <= 1e-6 * file.image.area
    # Section 4.7.2.2: in the ring between the distances of both ends from the centre as given.
    x0, y0, x1, y1, i, j = map(int, re.findall(r"-?\d+", arc.replace("G03", "").replace("G02", "")
                                             .replace("D02", "").replace("D01", "")))  # fmt: skip
    centre = np.array([x0 + i, y0 + j])
    ends = np.hypot(*(np.array([[x0, y0], [x1, y1]]) - centre).T) * 0.00254
    line = shapely.get_coordinates(one.polylines(chord_error_mm=1e-6)[0])
    radii = np.hypot(*(line - centre * 0.00254).T)
    assert radii.min() >= ends.min() - 2e-6
    assert radii.max() <= ends.max() + 2e-6
    assert (np.diff(radii) * np.sign(ends[1] - ends[0]) >= -2e-6).all()  # ends of chords


@pytest.mark.parametrize("way", ["G02", "G03"])
def test_nearly_whole_turns_that_are_off_become_several(way: str) -> None:
    """Ends 25 µm apart: one centre for both would lie 6 mm off; pieces keep the image."""
    end = {"G02": "X10001Y10", "G03": "X10001Y-10"}[way]
    arc = f"{way}*{end}I-10000J0D01*"
    file = read(layer(f"%ADD10C,0.01*%D10*X10000Y0D02*{arc}", decimals=4, unit="IN"), name="a")
    again = written(file)
    assert again.objects.kind.tolist() == [Kind.ARC] * 12
    assert np.hypot(again.objects.cx, again.objects.cy).max() < 0.00254
    fine, same = (f.image_at(1e-5) for f in (file, again))
    # Ends of chords stand elsewhere, so edges lie apart by the chord error that was asked for.
    assert fine.symmetric_difference(same).area <= 1e-5 * fine.length
    region = read(layer(f"G36*X10000Y0D02*{arc}G01*X10000Y0D01*G37*", decimals=4, unit="IN"),
                  name="a")  # fmt: skip
    assert written(region).segments.turn.tolist() == [1 if way == "G03" else -1] * 12 + [0]


def test_arcs_beyond_half_a_turn_stay_one() -> None:
    """Two thirds of a turn, off by 3 µm: the ring is left by less than 0.5 µm (4.14.2)."""
    body = "%ADD10C,0.04*%D10*X10001Y0D02*G03*X-5000Y-8660I-10001J0D01*"
    file = read(layer(body, decimals=4, unit="IN"), name="a")
    again = written(file)
    assert again.objects.kind.tolist() == [Kind.ARC]
    points = shapely.get_coordinates(file.objects.polylines(chord_error_mm=1e-6)[0])
    radii = np.hypot(*points.T)
    assert radii.min() >= np.hypot(5000, 8660) * 0.00254 - 0.0005
    assert radii.max() <= 25.40254 + 0.0005
    assert file.image.symmetric_difference(again.image).area <= 1e-6 * file.image.area


def test_zero_size_and_nothing() -> None:
    """Objects that leave no image keep their place and attributes; an empty layer is a file."""
    file = read_layer(f"%ADD10C,0*%D10*%TO.C,R1*%{xy(1, 2)}D03*")
    again = written(file)
    assert again.attribute_sets[again.objects.attributes[0]] == {".C": ("R1",)}
    assert len(written(read_layer("")).objects) == 0


def test_attributes() -> None:
    """Every kind, with characters that must be escaped, and lengths in millimetres."""
    # Written with the escapes of section 3.4.3.
    body = (
        "%TF.Part,Other,a\\u002Cb*%%TA.DrillTolerance,0.01,0.02*%%TAmine,x*%%ADD10C,0.1*%%TD*%"
        "D10*%TO.N,A\\u0025\\u002A*%%TO.P,R1,1,µ*%X0Y0D03*%TD.P*%X1Y0D03*"
        "%TAmine,y*%G36*X0Y0D02*X9Y0D01*X9Y9D01*X0Y0D01*G37*%TD*%X2Y0D03*"
    )
    file = read(layer(body, unit="IN"), name="a.gbr")
    again = written(file)
    assert again.attributes == {".Part": ("Other", "a,b")}
    assert again.apertures[0].attributes == {
        ".DrillTolerance": ("0.254", "0.508"), "mine": ("x",)
    }  # fmt: skip
    sets = [dict(again.attribute_sets[k]) for k in again.objects.attributes]
    pin = {".N": ("A%*",), ".P": ("R1", "1", "µ")}
    region = {".N": ("A%*",), "mine": ("y",), ".DrillTolerance": ("0.01", "0.02")}
    region.pop(".DrillTolerance")
    assert sets == [pin, {".N": ("A%*",)}, region, {}]


def test_checksum_is_made_anew() -> None:
    """A file that had one gets one that is right (section 5.6.9)."""
    file = read_layer("%ADD10C,1*%D10*X0Y0D03*%TF.MD5,00112233445566778899aabbccddeeff*%")
    data = write_gerber(file)
    assert b"%TF.MD5," in data
    assert "gerber/checksum" not in {f.id for f in examine(read(data, name="w"), data)}


@pytest.mark.parametrize("name", ["copper-bottom", "mask-top", "legend-top"])
def test_an_independent_reader_agrees(name: str) -> None:
    """The planter's reader of text finds the same flashes, strokes and regions in both files."""
    data = (FOLDER / "rev-b" / f"wheatear-{name}.gbr").read_bytes()
    before = read_text(data.decode())
    after = read_text(write_gerber(read(data, name="a.gbr")).decode())
    # Turned rectangles (LR) become macros with numbers of their own.
    kept = {code: tool for code, tool in after.apertures.items() if tool.shape in "CRO"}
    assert kept
    for code, tool in kept.items():
        old = before.apertures[code]
        assert (tool.shape, tool.sizes, tool.function) == (old.shape, old.sizes, old.function)

    def lines(text: object) -> list[tuple[object, ...]]:
        return [
            (m.kind, m.x, m.y, m.from_x if m.kind != "flash" else 0, m.dark, m.net, m.pin)
            for m in text.marks
        ]

    assert lines(after) == lines(before)
    assert [(r.points, r.dark, r.net) for r in after.regions] == [
        (r.points, r.dark, r.net) for r in before.regions
    ]
