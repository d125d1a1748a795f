"""What conformance says beyond reading: specification 2021.02, chapters 4.10, 5 and 6."""

from __future__ import annotations

import hashlib

import pytest
from gerber_layers import ids, layer, path, xy

from fabkit.base.findings import Severity
from fabkit.formats.gerber.conformance import checksum, examine
from fabkit.formats.gerber.reader import read


def examined(body: str) -> set[str]:
    """Ids that conformance finds."""
    data = layer(body)
    return {f.id for f in examine(read(data, name="layer.gbr"), data)}


@pytest.mark.parametrize(
    ("data", "digest"),
    [
        (
            b"%FSLAX26Y26*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*",
            "34f66cbdddf464b9a4bdeac36cdbb11d",
        ),
        (
            "G04 café*%FSLAX26Y26*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*".encode(),
            "14d6d69bbff9171cc2a7464c8cb03fc4",
        ),
    ],
)
def test_checksum(data: bytes, digest: str) -> None:
    """Section 5.6.9: MD5 over the bytes before .MD5, line breaks dropped wherever they are."""
    assert hashlib.md5(data, usedforsecurity=False).hexdigest() == digest
    for breaks in (b"", b"\n", b"\r\n"):
        spread = data.replace(b"*%", b"*%" + breaks)
        signed = spread + b"%TF.MD5," + digest.upper().encode() + b"*%" + breaks + b"M02*"
        assert checksum(signed) == digest
        file = read(signed, name="s.gbr")
        assert "gerber/checksum" not in {f.id for f in examine(file, signed)}
        damaged = signed.replace(b"C,1*", b"C,2*")
        found = {f.id for f in examine(read(damaged, name="s.gbr"), damaged)}
        assert "gerber/checksum" in found


@pytest.mark.parametrize(
    "text",
    [
        "%TF.Part,Single*%",
        "%TF.Part,Other,Lid*%",
        "%TF.FilePolarity,Negative*%",
        "%TF.SameCoordinates*%",
        "%TF.CreationDate,2015-02-23T15:59:51+01:00*%",
        "%TF.GenerationSoftware,Nobody,Nothing,1.0*%",
        "%TF.ProjectId,Board,68753a44-4d6f-4226-9c60-0050e4c00067,A*%",
        "%TA.AperFunction,SMDPad,CuDef*%",
        "%TA.AperFunction,ViaDrill,IVa*%",
        "%TA.AperFunction,OtherPad,Star*%",
        "%TA.DrillTolerance,0.01,0.005*%",
        "%TA.FlashText,L1,C,R,Courier,10,Layer number*%",
        "%TA.FlashText,XZ12ADF,B,,Code128,,Project*%",
        "%TO.N,Clk3*%",
        "%TO.N,*%",
        "%TO.P,IC12,1,GND*%",
        "%TO.CRot,-90*%",
        "%TO.CSup,Shop,1,Other,2*%",
        "%TAmine,whatever*%",
    ],
)
def test_attributes_by_the_rules(text: str) -> None:
    """Section 5.6: values the specification allows are not found fault with."""
    assert examined(text) == set()


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("%TF.FileFunction,Copper*%", "file-function"),
        ("%TF.FileFunction,Copper,L0,Top*%", "file-function"),
        ("%TF.FileFunction,Copper,L2,Top*%", "file-function"),
        ("%TF.FileFunction,copper,L1,Top*%", "file-function"),
        ("%TF.FileFunction,Plated,1,2*%", "file-function"),
        ("%TF.FileFunction,Plated,1,1,PTH*%", "file-function"),
        ("%TF.FileFunction,Profile*%", "file-function"),
        ("%TF.FileFunction,Keep-out*%", "file-function"),
        ("%TF.FilePolarity,Dark*%", "file-polarity"),
        ("%TF.CreationDate,yesterday*%", "standard-attribute"),
        ("%TF.ProjectId,a,b*%", "standard-attribute"),
        ("%TF.MD5,123*%", "standard-attribute"),
        ("%TA.AperFunction,SMDPad*%", "standard-attribute"),
        ("%TA.AperFunction,FiducialPad,Here*%", "standard-attribute"),
        ("%TA.AperFunction,viapad*%", "standard-attribute"),
        ("%TA.AperFunction,CutOut*%", "deprecated-function"),
        ("%TA.DrillTolerance,a,b*%", "standard-attribute"),
        ("%TO.P,U1*%", "standard-attribute"),
        ("%TO.CMnt,Glued*%", "standard-attribute"),
        ("%TO.CSup,Shop*%", "standard-attribute"),
        ("%TO.AperFunction,ViaPad*%", "standard-attribute"),
        ("%TF.Mine,1*%", "unknown-attribute"),
        ("%ADD10C,1*%D10*X0Y0D03*%TF.Part,Single*%", "attribute-place"),
    ],
)
def test_attributes_against_the_rules(text: str, rule: str) -> None:
    """Sections 5.6 and 8.4: each wrong name, value, field count and place is found."""
    assert examined(text) == {f"gerber/{rule}"}


SQUARE = path([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)])
BOW = path([(0, 0), (2, 2), (2, 0), (0, 2), (0, 0)])


@pytest.mark.parametrize(
    ("body", "rules"),
    [
        (f"G36*{SQUARE}G37*", set()),
        (f"G36*{BOW}G37*", {"contour-invalid"}),
        (f"G36*{SQUARE}{xy(0, 0)}D01*G37*", {"contour-point"}),
        ("%TA.AperFunction,ViaPad*%%ADD10C,1*%D10*X0Y0D02*X9Y0D01*", {"pad-painted"}),
        (f"%TA.AperFunction,ComponentPad*%G36*{SQUARE}G37*", {"pad-region"}),
        ("%ADD10C,1*%%TO.P,U1,1*%D10*X0Y0D02*X9Y0D01*", {"pin-not-flashed"}),
        ("%TA.AperFunction,ViaPad*%%ADD10C,1*%%TO.P,U1,1*%D10*X0Y0D03*", {"pin-on-via"}),
        ("%TF.FileFunction,Plated,1,2,PTH*%%ADD10R,1X1*%D10*X0Y0D03*", {"drill-shape"}),
        ("%TF.FileFunction,Plated,1,2,PTH*%%LPC*%%ADD10C,1*%D10*X0Y0D03*", {"drill-clear"}),
        ("%TF.FileFunction,Profile,NP*%%ADD10C,1*%D10*X0Y0D03*", {"profile-content"}),
        (
            "%TA.AperFunction,ComponentMain*%%ADD10C,1*%%TO.C,R1*%D10*X0Y0D03*",
            {"component-aperture"},
        ),
        (
            "%TA.AperFunction,ComponentMain*%%ADD10C,0.3*%D10*X0Y0D03*",
            {"component-data"},
        ),
        (
            "%TF.FileFunction,Copper,L1,Top*%%ADD10C,1*%D10*X0Y0D03*%TO.N,A*%X9Y9D03*",
            {"net-missing"},
        ),
        ("%TF.FileFunction,Copper,L1,Top*%%TF.FilePolarity,Negative*%", {"negative-copper"}),
        ("%TF.FileFunction,Soldermask,Top*%%TF.FilePolarity,Positive*%", {"positive-mask"}),
        ("%TF.FileFunction,NonPlated,1,2,NPTH*%%TF.FilePolarity,Negative*%", {"negative-drill"}),
    ],
)
def test_content(body: str, rules: set[str]) -> None:
    """Chapters 4.10, 5.6 and 6: contours, pads, pins, drills, outlines, components, nets."""
    assert examined(body) == {f"gerber/{rule}" for rule in rules}


def test_missing_function_is_a_matter_of_the_set() -> None:
    """Section 6.2: that a file does not say what it is, is told of the whole set at once."""
    data = layer("%ADD10C,1*%D10*X0Y0D03*")
    assert not examine(read(data, name="a"), data)
    assert ids(read(data, name="a")) == set()


def test_a_profile_that_leaves_its_edge_open_is_a_warning() -> None:
    """Section 5.6.3: P or NP is mandatory, but without it the file is a profile all the same."""
    for text, severity in (("Profile", Severity.WARNING), ("Profile,X", Severity.ERROR)):
        data = layer(f"%TF.FileFunction,{text}*%")
        found = examine(read(data, name="a.gbr"), data)
        assert [f.severity for f in found if f.id == "gerber/file-function"] == [severity]


STAR = path([(10, 0), (-8, 6), (3, -9.5), (3, 9.5), (-8, -6), (10, 0)])
CORNER = path([(0, 0), (2, 0), (2, 2), (4, 2), (4, 4), (2, 4), (2, 2), (0, 2), (0, 0)])
STEP = path([(0, 0), (4, 0), (4, 4), (4.0004, 4), (3.9998, 4), (0, 4), (0, 0)])


@pytest.mark.parametrize(
    ("contour", "severity", "words"),
    [
        (STAR, Severity.ERROR, "is not valid:"),
        (CORNER, Severity.NOTE, "every way to fill it gives one image"),
        (STEP, Severity.NOTE, "only without its steps below 1 µm"),
    ],
    ids=["star", "corner", "step"],
)
def test_invalid_contours_by_what_can_come_of_them(
    contour: str, severity: Severity, words: str
) -> None:
    """Section 4.10.3: a five-pointed star is open to two readings (its middle is wound twice).

    Two squares that meet in a corner are the same two in any reading; section 4.14.2 lets half
    micrometres vanish.
    """
    data = layer(f"G36*{contour}G37*")
    found = [f for f in examine(read(data, name="a.gbr"), data) if f.id == "gerber/contour-invalid"]
    assert [f.severity for f in found] == [severity]
    assert words in found[0].message
