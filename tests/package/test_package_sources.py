"""Roles from comments, lists of exporters and content, and what is said when they disagree.

Tables of layer names in comments and lists follow common practice of exporters; the texts here
are invented.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree
from tiny_files import FRAME, PADS, drill, gerber, ids, read_set, roles

from fabkit.geometry.neighbours import SpotIndex
from fabkit.package.content import read_byproduct, read_settings
from fabkit.package.words import shared_words

WHEATEAR = Path(__file__).parents[2] / "fabkit" / "demo" / "rev-a"
SIX = ((3, 3), (9, 3), (15, 3), (3, 9), (9, 9), (15, 9))
OTHER = ((6, 6), (12, 6), (18, 6), (6, 12), (12, 12), (18, 12))


def commented(comment: str, data: bytes) -> bytes:
    return f"G04 {comment}*\n".encode() + data


def test_a_comment_names_the_layer() -> None:
    """A layer's name in a plain comment is its role where the file's name says nothing."""
    made = read_set(
        {
            "a.gbr": commented("Layer: TopLayer", gerber(pads=PADS, lines=[PADS])),
            "b.gbr": commented("Layer: BottomLayer", gerber(pads=PADS, lines=[PADS[::-1]])),
            "c.gbr": commented("Layer: BottomSolderMaskLayer", gerber(pads=PADS, pad_mm=1.2)),
            "d.gbr": commented("Layer_Physical_Order=2", gerber(pads=PADS)),
            "e.drl": drill(),
        }
    )

    assert roles(made)["a.gbr"].startswith("top copper")
    assert roles(made)["b.gbr"].startswith("bottom copper")
    assert roles(made)["c.gbr"] == "bottom solder mask"
    assert roles(made)["d.gbr"] == "inner copper (layer 2)"


def test_a_comment_on_units_names_no_layer() -> None:
    """'Dimensions in millimeters' in one file alone does not make a drawing of the outline."""
    profile = commented("Dimensions in millimeters", gerber(lines=[FRAME]))
    made = read_set({"x board outline.gbr": profile, "x.gtl": gerber(pads=PADS, lines=[PADS])})

    assert roles(made)["x board outline.gbr"] == "profile"


def test_a_name_against_a_comment_is_told_with_both() -> None:
    """Name says top, comment says bottom: the comment is followed, and both are named."""
    made = read_set(
        {
            "x top copper.gbr": gerber(pads=PADS, lines=[PADS]),
            "x top mask.gbr": commented("Layer: Bottom Solder Mask", gerber(pads=PADS)),
        }
    )
    found = next(p for p in made.problems if p.id == "package/name-disagrees")

    assert roles(made)["x top mask.gbr"] == "bottom solder mask"
    assert "Bottom Solder Mask" in found.message
    assert "top mask" in found.message


def test_masks_whose_content_is_exchanged() -> None:
    """Masks named for the side whose pads they do not open are used where they fit."""
    files = {
        "x.gtl": gerber(pads=SIX, lines=[SIX]),
        "x.gbl": gerber(pads=OTHER, lines=[OTHER]),
        "x.gts": gerber(pads=OTHER, pad_mm=1.1),
        "x.gbs": gerber(pads=SIX, pad_mm=1.1),
        "x.drl": drill(SIX[:1]),
    }
    made = read_set(files)
    right = read_set({**files, "x.gts": files["x.gbs"], "x.gbs": files["x.gts"]})

    assert roles(made)["x.gts"] == "bottom solder mask"
    assert ids(made).count("package/content-disagrees") == 2
    assert "package/content-disagrees" not in ids(right)


def test_plating_in_name_and_attribute() -> None:
    """A file called non-plated whose attribute says plated is reported."""
    data = drill().replace(b"M48\n", b"M48\n; #@! TF.FileFunction,Plated,1,2,PTH\n")
    made = read_set({"x-NPTH.drl": data, "x.gtl": gerber(pads=PADS)})
    right = read_set({"x-PTH.drl": data, "x.gtl": gerber(pads=PADS)})

    assert "package/name-disagrees" in ids(made)
    assert "package/name-disagrees" not in ids(right)


def test_plated_and_bare_files_exchanged() -> None:
    """Bare holes on pads and plated ones on none: both files are named."""
    bare = ((2, 7), (7, 2), (13, 6.5), (19, 3), (4, 13), (17, 14))  # no shift of the others
    copper = gerber(pads=SIX, lines=[SIX])
    files = {"x.gtl": copper, "x.gbl": copper, "x-PTH.drl": drill(bare), "x-NPTH.drl": drill(SIX)}
    made = read_set(files)
    right = read_set({**files, "x-PTH.drl": drill(SIX), "x-NPTH.drl": drill(bare)})
    found = [p for p in made.problems if p.id == "package/content-disagrees"]

    assert [place.file for place in found[0].places] == ["x-PTH.drl", "x-NPTH.drl"]
    assert "package/content-disagrees" not in ids(right)


def test_inner_layers_exchanged() -> None:
    """Names number two inner layers the other way round than their attributes do."""
    files = {
        f"x-In{number}_Cu.gbr": gerber(pads=PADS, function=f"Copper,L{layer},Inr")
        for number, layer in ((1, 3), (2, 2))
    }
    made = read_set({**files, "x.gtl": gerber(pads=PADS), "x.gbl": gerber(pads=PADS)})
    found = [p for p in made.problems if p.id == "package/name-disagrees"]

    assert len(found) == 1
    assert {place.file for place in found[0].places} == set(files)


def test_the_projects_name_is_no_word_of_a_role() -> None:
    """A name that looks like a role, in most files, says nothing of any of them."""
    names = [f"sdr-top-{end}" for end in ("F_Cu.gbr", "B_Cu.gbr", "B_Mask.gbr", "1.gm1")]
    shared = shared_words([*names, "holes.drl"])

    assert set(shared) == {"sdr", "top"}
    # Words of the layers themselves stay, though most names begin with them.
    assert "layer" not in shared_words([f"layer {n}.gbr" for n in (1, 2, 3, 4)])


def stripped(data: bytes) -> bytes:
    """A layer file without attributes and comments."""
    return re.sub(rb"%T[FAOD][^*]*\*%\s*|G0?4[^*]*\*\s*", b"", data)


def test_a_whole_set_by_content_alone() -> None:
    """All layers of the demonstration board, numbered and stripped, are found again."""
    order = ("copper-top", "copper-bottom", "mask-top", "mask-bottom", "paste-top", "paste-bottom")
    order += ("legend-top", "legend-bottom", "profile")
    files, truth = {}, {}
    for path in sorted(WHEATEAR.iterdir()):
        part = next((o for o in order if path.stem.endswith(o)), None)
        if part is not None:
            files[f"{order.index(part) + 1}.gbr"] = stripped(path.read_bytes())
            truth[f"{order.index(part) + 1}.gbr"] = part
        elif "drill" in path.name:
            files[path.name] = path.read_bytes()
    found = roles(read_set(files))

    assert len(truth) == len(order)
    for name, part in truth.items():
        kind, _, side = part.partition("-")
        assert kind in found[name]
        assert side in found[name]


def test_masks_named_by_numbers_alone() -> None:
    """Masks without a word are told by their pads, and their sides too."""
    made = read_set(
        {
            "x.gtl": gerber(pads=SIX, lines=[SIX]),
            "x.gbl": gerber(pads=OTHER, lines=[OTHER]),
            "x.gko": gerber(lines=[FRAME]),
            "21.pho": gerber(pads=OTHER, pad_mm=1.1),
            "28.pho": gerber(pads=SIX, pad_mm=1.1),
            "x.drl": drill(SIX[:1]),
        }
    )

    assert roles(made)["21.pho"] == "bottom solder mask"
    assert roles(made)["28.pho"] == "top solder mask"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("G04:AMPARAMS|DCode=19*\n%AMROUND19*\n21,1,1.3,0.6,0,0,0.0*\n%\n", "library"),
        ("D10   ROUND   12.7\nD11   ROUND   13.7\nD12   RECT   7.8\n", "aperture list"),
        ("RuleKind=Clearance|Minimum=3.94\n", "design rules"),
        ("NC DRILL log\n 0 errors detected\n", "log"),
        ("Drill Sizes Report\nTool Size\n1 40\n", "drill report"),
    ],
)
def test_byproducts_are_set_aside_with_a_word(text: str, what: str) -> None:
    """What exporters write beside the layers is no layer, and no error."""
    made = read_set({"x.gtl": gerber(pads=PADS), "x.ext": text.encode(), "x.drl": drill()})
    left = {item.name: item.reason for item in made.left_out}

    assert what in left["x.ext"]
    assert not any(place.file == "x.ext" for p in made.problems for place in p.places)


def test_a_list_of_extensions_names_layers() -> None:
    """An exporter's list says what an extension of its own means."""
    listing = b"Extension Report\n.q1    Top\n.q2    Bottom Solder Mask\n"
    made = read_set(
        {"x.q1": gerber(pads=PADS, lines=[PADS]), "x.q2": gerber(pads=PADS), "x.lst": listing}
    )

    assert roles(made)["x.q1"].startswith("top copper")
    assert roles(made)["x.q2"] == "bottom solder mask"


def test_a_report_states_plating() -> None:
    """A drill report tells the plating that file and name leave open."""
    report = b"Drill file 'holes.drl' contains\n    unplated through holes:\n"
    made = read_set({"x.gtl": gerber(pads=PADS), "holes.drl": drill(), "x.rpt": report})

    assert roles(made)["holes.drl"] == "non-plated drill"


@pytest.mark.parametrize(
    ("text", "unit", "zeros", "digits"),
    [
        ("UNITS: METRIC\nFormat 3.3\nleading zeros omitted", "mm", "trailing", (3, 3)),
        ("output-units english\ninteger-places 2\ndecimal-places 4", "inch", None, (2, 4)),
        ("suppress-lead-zeroes NO\nsuppress-trail-zeroes YES", None, "leading", None),
        ("thank you for your order", None, None, None),
    ],
)
def test_settings_in_words(text, unit, zeros, digits) -> None:
    """Unit, digits and zeros as parameter files state them."""
    hint = read_settings(text)

    assert (hint.unit, hint.zeros, hint.digits) == (unit, zeros, digits)


def test_a_text_for_people_is_no_byproduct() -> None:
    """A note is not taken for an exporter's text."""
    assert read_byproduct(b"Please make these boards green.\n", "note.txt", ["x.gtl"]) is None


def test_spots_are_found_as_a_tree_finds_them() -> None:
    """The fast look-up agrees with scipy's tree, in the larger of the two differences."""
    rng = np.random.default_rng(7)
    reach = 0.05
    spots = np.unique(rng.integers(0, 60, (300, 2)), axis=0) * 0.525 - 7.0
    points = spots[rng.integers(0, len(spots), 2000)] + rng.uniform(-0.1, 0.1, (2000, 2))
    points[::7] = spots[rng.integers(0, len(spots), len(points[::7]))]
    near = cKDTree(spots).query(points, p=np.inf)[0] <= reach

    assert 200 < near.sum() < 1800
    assert ((SpotIndex(spots, reach).find(points) >= 0) == near).all()
