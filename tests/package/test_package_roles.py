"""Roles over a whole set: order of evidence, conflicts, gaps and job files."""

from __future__ import annotations

import json

import pytest
from tiny_files import FRAME, PADS, drill, gerber, ids, package, read_set, roles

from fabkit.base.findings import Severity
from fabkit.package.model import Role, RoleKind
from fabkit.package.words import read_function

COPPER_TOP = gerber(pads=PADS, lines=[PADS], function="Copper,L1,Top")
COPPER_BOTTOM = gerber(pads=PADS, lines=[PADS[::-1]], function="Copper,L2,Bot")
PROFILE = gerber(lines=[FRAME], function="Profile,NP")
MASK = {
    side: gerber(pads=PADS, pad_mm=1.1, function=f"Soldermask,{side}", polarity="Negative")
    for side in ("Top", "Bot")
}
WHOLE = {
    "a.gbr": COPPER_TOP,
    "b.gbr": COPPER_BOTTOM,
    "c.gbr": PROFILE,
    "d.gbr": MASK["Top"],
    "e.gbr": MASK["Bot"],
    "f.drl": drill(),
}


@pytest.mark.parametrize(
    ("fields", "role"),
    [
        ("Copper,L1,Top", Role(kind=RoleKind.COPPER, side="top", layer=1)),
        ("Copper,L3,Inr,Plane", Role(kind=RoleKind.COPPER, layer=3, inner=True)),
        ("Plated,1,4,PTH", Role(kind=RoleKind.DRILL, plated=True)),
        ("NonPlated,1,4,NPTH,Drill", Role(kind=RoleKind.DRILL, plated=False)),
        ("Profile,NP", Role(kind=RoleKind.PROFILE)),
        ("Soldermask,Bot", Role(kind=RoleKind.MASK, side="bottom")),
        ("SolderPaste,Top", Role(kind=RoleKind.PASTE, side="top")),
        ("Legend,Top,1", Role(kind=RoleKind.LEGEND, side="top")),
        ("Component,L1,Top", Role(kind=RoleKind.COMPONENTS, side="top")),
        ("Vcut", Role(kind=RoleKind.SCORE)),
        ("Drillmap", Role(kind=RoleKind.DRAWING)),
        ("AssemblyDrawing,Top", Role(kind=RoleKind.DRAWING, side="top")),
        ("Peelablemask,Top", Role(kind=RoleKind.OTHER_LAYER, side="top")),
    ],
)
def test_file_functions(fields: str, role: Role) -> None:
    """Values of .FileFunction (Gerber Layer Format Specification 2021.02, section 5.6.3)."""
    assert read_function(fields.split(",")) == role


def test_unknown_functions_are_no_role() -> None:
    """Other and nonsense name no role."""
    assert read_function(("Other", "anything")) is None
    assert read_function(()) is None


def test_whole_set_by_attributes() -> None:
    """Attributes win over meaningless names; nothing is missing."""
    made = read_set(WHOLE)

    assert roles(made) == {
        "a.gbr": "top copper (layer 1)",
        "b.gbr": "bottom copper (layer 2)",
        "c.gbr": "profile",
        "d.gbr": "top solder mask",
        "e.gbr": "bottom solder mask",
        "f.drl": "drill",
    }
    assert ids(made) == []


def test_attribute_wins_over_name_and_says_so() -> None:
    """A bottom name on a top file: the attribute counts, the contradiction is found."""
    made = read_set(
        {
            "board.gbl": COPPER_TOP,
            "x.gbr": COPPER_BOTTOM,
            "c.gbr": PROFILE,
            "d.gbr": MASK["Top"],
            "e.gbr": MASK["Bot"],
            "f.drl": drill(),
        }
    )

    assert roles(made)["board.gbl"] == "top copper (layer 1)"
    assert ids(made) == ["package/name-disagrees"]


def test_job_file_stands_in_for_attributes_and_words() -> None:
    """Files without attributes or telling names take their roles from the job file."""
    entries = [("1.gbr", "Copper,L1,Top"), ("2.gbr", "Copper,L2,Bot"), ("3.gbr", "Profile")]
    job = {
        "Header": {},
        "GeneralSpecs": {"Size": {"X": 20, "Y": 15}, "LayerNumber": 2, "BoardThickness": 1.6},
        "FilesAttributes": [{"Path": p, "FileFunction": f} for p, f in entries],
    }
    made = read_set(
        {
            "1.gbr": gerber(pads=PADS, lines=[PADS]),
            "2.gbr": gerber(pads=PADS),
            "3.gbr": gerber(lines=[FRAME]),
            "job.gbrjob": json.dumps(job).encode(),
            "x.drl": drill(),
        }
    )

    assert roles(made)["1.gbr"] == "top copper (layer 1)"
    assert roles(made)["2.gbr"] == "bottom copper (layer 2)"
    assert roles(made)["3.gbr"] == "profile"
    assert {f.confidence for f in made.files if f.name[0].isdigit()} == {0.95}


@pytest.mark.parametrize(
    ("entry", "rule"),
    [
        (("missing.gbr", "Legend,Top", "Positive"), "job/file-missing"),
        (("a.gbr", "Copper,L2,Bot", "Positive"), "job/function-differs"),
        (("d.gbr", "SolderMask,Top", "Positive"), "job/polarity-differs"),
    ],
)
def test_job_file_against_files(entry: tuple[str, str, str], rule: str) -> None:
    """What the job file says is compared with what the files say themselves."""
    path, function, polarity = entry
    job = {
        "Header": {},
        "GeneralSpecs": {},
        "FilesAttributes": [{"Path": path, "FileFunction": function, "FilePolarity": polarity}],
    }
    found = ids(read_set({**WHOLE, "x.gbrjob": json.dumps(job).encode()}))

    assert rule in found
    assert "job/file-unlisted" in found


@pytest.mark.parametrize(
    ("without", "rule"),
    [
        ("b.gbr", "package/missing-copper"),
        ("c.gbr", "package/missing-profile"),
        ("e.gbr", "package/missing-mask"),
        ("f.drl", "package/missing-drill"),
    ],
)
def test_each_missing_file_is_named(without: str, rule: str) -> None:
    """Taking one file away gives the one finding about it."""
    files = {name: data for name, data in WHOLE.items() if name != without}

    assert ids(read_set(files)) == [rule]


FACES = ("Legend", "Paste")
COATS = {
    f"{side}-{what}.gbr": gerber(pads=PADS, function=f"{what},{side}")
    for side in ("Top", "Bot")
    for what in FACES
}


@pytest.mark.parametrize(
    ("without", "rules"),
    [
        (("Bot-Legend.gbr",), ["package/missing-legend"]),
        (("Top-Paste.gbr",), []),
        (("Bot-Legend.gbr", "Bot-Paste.gbr"), []),
        (("Top-Paste.gbr", "Bot-Paste.gbr"), []),
        ((), []),
    ],
)
def test_one_face_alone_lacks_a_layer_that_others_have(without: tuple[str, ...], rules) -> None:
    """One file fewer than in pairs is named; several were not exported on purpose."""
    files = {name: data for name, data in COATS.items() if name not in without}
    found = ids(read_set({**WHOLE, **files}))

    assert [i for i in found if i.startswith("package/missing")] == rules


@pytest.mark.parametrize(
    ("face", "beside", "asked"),
    [
        ("Bot", {}, False),
        ("Bot", {"places.csv": b"Ref,X,Y,Rot,Side\nJ1,5,5,0,bottom\nR1,9,5,0,top\n"}, True),
        ("Bot", {"places.csv": b"Ref,X,Y,Rot,Side\nJ1,5,5,0,top\nR1,9,5,0,top\n"}, False),
        ("Top", {}, True),
    ],
)
def test_a_bottom_without_parts_needs_no_legend(face: str, beside, asked: bool) -> None:
    """Without paste there are no parts on a bottom but those of a table; on a top stand leads."""
    files = {name: data for name, data in COATS.items() if name != f"{face}-Legend.gbr"}
    files[f"{face}-Paste.gbr"] = gerber(function=f"Paste,{face}")
    found = ids(read_set({**WHOLE, **files, **beside}))

    assert ("package/missing-legend" in found) is asked


@pytest.mark.parametrize(("mask", "missing"), [("mask-04", True), ("mask-03", False)])
def test_numbers_of_films_tell_the_last_layer(mask: str, missing: bool) -> None:
    """Copper and mask 1 and 4 are a set of four layers; where numbers differ they count files."""
    made = read_set(
        {
            "copper-01.gbr": gerber(pads=PADS),
            "copper-04.gbr": gerber(pads=PADS),
            "mask-01.gbr": gerber(pads=PADS, pad_mm=1.1),
            f"{mask}.gbr": gerber(pads=PADS, pad_mm=1.1),
            "profile.gbr": PROFILE,
            "holes.drl": drill(),
        }
    )
    told = [f.message for f in made.problems if f.id == "package/missing-copper"]

    assert bool(told) is missing
    assert not missing or "none numbered 2, 3" in told[0]


def test_set_without_copper_is_a_note() -> None:
    """A plate of profile and mask alone is told, not refused."""
    made = read_set({"c.gbr": PROFILE, "d.gbr": MASK["Top"], "f.drl": drill()})

    assert ids(made) == ["package/no-copper"]


def test_missing_inner_layer() -> None:
    """Layers 1, 2 and 4: the third is missing."""
    made = read_set(
        {
            **WHOLE,
            "b.gbr": gerber(pads=PADS, function="Copper,L4,Bot"),
            "g.gbr": gerber(pads=PADS, function="Copper,L2,Inr"),
        }
    )
    found = [p for p in made.problems if p.id == "package/missing-copper"]

    assert [p.message for p in found] == ["copper layers up to 4, but none numbered 3"]
    assert "one-sided" not in found[0].remedy


@pytest.mark.parametrize(("inner", "asked"), [((2,), True), ((2, 3), False)])
def test_an_odd_number_of_layers_asks_for_the_other(inner: tuple[int, ...], asked: bool) -> None:
    """Boards have pairs of layers: of four without the last, the third looks like the last."""
    last = len(inner) + 2
    made = read_set(
        {
            **WHOLE,
            "b.gbr": gerber(pads=PADS, function=f"Copper,L{last},Bot"),
            **{f"g{n}.gbr": gerber(pads=PADS, function=f"Copper,L{n},Inr") for n in inner},
        }
    )
    found = [p for p in made.problems if p.id == "package/missing-copper"]

    assert bool(found) is asked
    assert all(p.message.startswith("3 copper layers") for p in found)
    assert all(p.consequence.word == "decide" for p in found)


def test_only_bare_holes_under_two_copper_layers() -> None:
    """A set whose only drill file is non-plated lacks the plated one."""
    files = {name: data for name, data in WHOLE.items() if name != "f.drl"}
    made = read_set({**files, "board-NPTH.drl": drill()})

    assert ids(made) == ["package/missing-drill"]


@pytest.mark.parametrize("drills", ["board-NPTH.drl", "f.drl"])
def test_one_layer_is_not_asked_about_where_the_drill_file_plates_nothing(drills: str) -> None:
    files = {"a.gbr": COPPER_TOP, "m.gbr": MASK["Top"], "c.gbr": PROFILE, drills: drill()}
    asked = ids(read_set(files)).count("package/missing-copper")

    assert asked == (drills == "f.drl")


def test_a_plan_of_holes_beside_a_drill_file_is_a_drawing() -> None:
    """Named like drill data, it draws symbols with strokes and flashes no hole."""
    crosses = [((x - 1, y), (x + 1, y)) for x, y in PADS]
    made = read_set({**WHOLE, "board_DRL.gbr": gerber(lines=crosses)})

    assert roles(made)["board_DRL.gbr"] == "drawing"
    assert ids(made) == []


def test_doubled_role_names_both_reasons() -> None:
    """Two different top coppers: one is used, both reasons are given."""
    other = gerber(pads=PADS[:2], function="Copper,L1,Top")
    made = read_set({**WHOLE, "z-old.gbr": other})
    problem = next(p for p in made.problems if p.id == "package/doubled-role")

    assert roles(made)["a.gbr"] == "top copper (layer 1)"
    assert roles(made)["z-old.gbr"] == "unknown"
    assert [place.file for place in problem.places] == ["a.gbr", "z-old.gbr"]
    assert problem.message.count("its file function is Copper,L1,Top") == 2


def test_a_name_of_a_side_alone_asks_about_a_layer_that_is_there() -> None:
    """Nothing but its side shows what the other file is: a question, no stop."""
    made = read_set({**WHOLE, "xyz_top.gbr": gerber(pads=PADS[:2])})
    (problem,) = (p for p in made.problems if p.id == "package/doubled-role")

    assert problem.consequence.word == "decide"


def test_doubled_file_with_the_same_image_is_told_apart() -> None:
    """The same image twice is another finding than two images."""
    assert ids(read_set({**WHOLE, "z.gbr": COPPER_TOP})) == ["package/doubled-same"]


def test_weaker_claim_does_not_win() -> None:
    """A check plot named like the top copper loses against the attribute, whatever its name."""
    made = read_set({**WHOLE, "1.gtl": gerber(lines=[FRAME])})

    assert roles(made)["a.gbr"] == "top copper (layer 1)"
    assert roles(made)["1.gtl"] == "unknown"


def test_inner_layers_by_extension() -> None:
    """.g1 and .g2 are layers 2 and 3 of four; so are In1 and In2."""
    copper = gerber(pads=PADS, lines=[PADS])
    by_extension = package(x__gtl=copper, x__g1=copper, x__g2=copper, x__gbl=copper)
    by_words = read_set({f"{n}_Cu.gbr": copper for n in ("F", "In1", "In2", "B")})

    assert list(roles(by_extension).values()) == [
        "inner copper (layer 2)",
        "inner copper (layer 3)",
        "bottom copper (layer 4)",
        "top copper (layer 1)",
    ]
    assert sorted(roles(by_words).values()) == sorted(roles(by_extension).values())


def test_numbered_layers_give_the_outer_ones() -> None:
    """L01 to L04 without sides: the first is the top, the last the bottom."""
    copper = gerber(pads=PADS, lines=[PADS])
    made = read_set({f"x-L0{n}.art": copper for n in (1, 2, 3, 4)})

    assert list(roles(made).values()) == [
        "top copper (layer 1)",
        "inner copper (layer 2)",
        "inner copper (layer 3)",
        "bottom copper (layer 4)",
    ]


def test_content_speaks_when_nothing_else_does() -> None:
    """An outline, a mask and a hole image are told by what they look like, with a warning."""
    made = read_set(
        {
            "1.pho": gerber(lines=[FRAME]),
            "2.pho": gerber(pads=PADS, pad_mm=1.2),
            "3.pho": gerber(pads=PADS[:3], pad_mm=0.9),
            "x.gtl": gerber(pads=PADS, lines=[PADS]),
            "x.drl": drill(),
        }
    )

    assert roles(made)["1.pho"] == "profile"
    assert roles(made)["2.pho"] == "top solder mask"
    assert roles(made)["3.pho"] == "top paste"
    assert ids(made).count("package/low-confidence") == 3


def test_hole_image_under_a_drawing_name() -> None:
    """Without a drill file, round flashes on pads called a map are the holes."""
    holes = gerber(pads=PADS, pad_mm=0.5)
    copper = gerber(pads=PADS, lines=[PADS])
    alone = read_set({"x.gtl": copper, "x-map.ps": holes})
    beside = read_set({"x.gtl": copper, "x-map.ps": holes, "x.drl": drill()})

    assert roles(alone)["x-map.ps"] == "drill"
    assert len(next(f for f in alone.files if f.name == "x-map.ps").drill.hits) == len(PADS)
    assert roles(beside)["x-map.ps"] == "drawing"


def test_what_is_not_needed_is_left_out_with_a_reason() -> None:
    """Logs, pictures and documents are listed, each with its own reason."""
    made = read_set(
        {**WHOLE, "a.pdf": b"%PDF-1.4", "b.txt": b"notes", "c.ps": b"%!PS", "e.txt": b" \n"}
    )
    left = {item.name: item.reason for item in made.left_out}

    assert list(left) == ["a.pdf", "b.txt", "c.ps", "e.txt"]
    assert "PDF" in left["a.pdf"]
    assert "text" in left["b.txt"]
    assert "PostScript" in left["c.ps"]
    assert left["e.txt"] == "empty"


def test_file_order_does_not_matter() -> None:
    """Roles do not depend on the order in which members come."""
    from fabkit.package.build import read_package
    from fabkit.package.model import Intake, Member

    members = [Member(name, data) for name, data in WHOLE.items()]
    made = [
        read_package(Intake(name="s", source="s", members=tuple(m), left_out=()))
        for m in (members, members[::-1])
    ]

    assert roles(made[0]) == roles(made[1])


def test_the_side_of_a_mask_by_its_pads() -> None:
    """A mask named without a side lies on the side whose pads it opens."""
    both = PADS[:2]
    made = read_set(
        {
            "a.gbr": gerber(pads=PADS, lines=[PADS], function="Copper,L1,Top"),
            "b.gbr": gerber(pads=both, lines=[PADS[::-1]], function="Copper,L2,Bot"),
            "sm 7.gbr": gerber(pads=PADS, pad_mm=1.1),
            "sm 8.gbr": gerber(pads=both, pad_mm=1.1),
        }
    )

    assert roles(made)["sm 7.gbr"] == "top solder mask"
    # All pads of the second are on both sides; the side not taken is left for it.
    assert roles(made)["sm 8.gbr"] == "bottom solder mask"


def test_a_drawing_has_no_errors() -> None:
    """No board is made from a drawing: what is an error in a layer is a warning there."""
    broken = b"%FSLAX46Y46*%\n%MOMM*%\n%ADD10R,0X1*%\nD10*\nX0Y0D03*\nM02*\n"
    for function, severity in (("Drillmap", Severity.WARNING), ("Legend,Top", Severity.ERROR)):
        files = {**WHOLE, "x.gbr": f"%TF.FileFunction,{function}*%\n".encode() + broken}
        found = [p for p in read_set(files).problems if p.id == "gerber/size-zero"]
        assert [p.severity for p in found] == [severity]
