"""Corrections are made where they have one right answer, proved, and nothing else changes.

Boards are the smallest package of tests/fuzz/tiny_board.py with one fault written into it by hand.
"""

from __future__ import annotations

import dataclasses
import json
import zipfile
from collections.abc import Iterator

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from fuzz.tiny_board import FILES, OUTLINE, TRACK, layer, pads
from yardstick.drill_text import read_drill as read_text

from fabkit.base.errors import FindingsRefused, UnreadableInput, UsageError
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.judging import check
from fabkit.cli.group import cli
from fabkit.formats.gerber.drawing import without
from fabkit.mending.cuts import close_gaps, part_plating
from fabkit.mending.mend import MAKERS, MendOptions, mend
from fabkit.mending.model import Deed, Draft, Mended, load_corrections
from fabkit.mending.proof import find_new
from fabkit.mending.writing import write_draft
from fabkit.outputs.mended import mended_record, proof_lines
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, RoleKind
from fabkit.rules import load_rules
from fabkit.sheets.house import load_house


def board_of(**changed: bytes | str | None) -> Board:
    """The tiny board with files replaced by the middle of their names; None leaves one out."""
    files: dict[str, bytes] = {k: v for k, v in FILES.items() if k.endswith((".gbr", ".drl"))}
    for key, data in changed.items():
        name = next((n for n in files if key.replace("_", "-") in n), key.replace("__", "."))
        files.pop(name, None)
        if data is not None:
            files[name] = data.encode() if isinstance(data, str) else data
    members = tuple(Member(name, data) for name, data in sorted(files.items()))
    intake = Intake(name="tiny", source="tiny", members=members, left_out=())
    return build_board(read_package(intake))


def deeds(mended: Mended) -> dict[str, int]:
    """How often each correction was made."""
    return {d.correction: d.count for d in mended.deeds if d.correction != "form"}


def gone(mended: Mended) -> set[str]:
    """Rules whose findings are gone."""
    return {finding.id for finding in mended.findings.gone}


def changed(mended: Mended) -> dict[str, tuple[float, float]]:
    """Area added and taken away of each layer that differs, mm²."""
    return {
        layer.layer: (round(layer.added_mm2, 3), round(layer.removed_mm2, 3))
        for layer in mended.layers
        if layer.added_mm2 or layer.removed_mm2
    }


def test_nothing_to_mend() -> None:
    """Only the form is written; mended again it is the same, byte for byte."""
    once = mend(board_of())
    assert deeds(once) == {}
    assert changed(once) == {}
    assert (len(once.layers), len(once.after.holes), once.pads) == (6, 2, 4)
    assert mend(once.after).files == once.files


def test_hole_given_twice() -> None:
    """The second of two equal holes goes; an independent reader finds each once."""
    text = FILES["tiny-plated.drl"].replace(b"X25.0", b"X5.0Y5.0\nX25.0")
    mended = mend(board_of(plated=text))
    assert deeds(mended) == {"hole-twice": 1}
    assert "hole/duplicate" in gone(mended)
    name = next(n for n in mended.files if n.endswith(".drl"))
    assert [(h.x, h.y) for h in read_text(mended.files[name].decode()).hits] == [(5, 5), (25, 15)]


MIXED = """M48
METRIC
; #@! TA.AperFunction,Plated,PTH,ComponentDrill
T1C1.000
; #@! TA.AperFunction,NonPlated,NPTH,MechanicalDrill
T2C2.000
; #@! TD
%
G05
T1
X5.0Y5.0
X25.0Y15.0
T2
X15.0Y10.0
M30
"""


def test_plating_in_files_of_their_own() -> None:
    """Tools that state their plating part the file; those that do not keep it whole."""
    mended = mend(board_of(plated=None, tiny__drl=MIXED))
    assert deeds(mended) == {"drill-plating": 2}
    drills = {
        name: read_text(data.decode()) for name, data in mended.files.items() if ".drl" in name
    }
    assert {n: len(text.hits) for n, text in drills.items()} == {
        "tiny-plated-drill.drl": 2,
        "tiny-non-plated-drill.drl": 1,
    }
    assert mended.after.holes.plated.tolist() == [1, 1, 0] or sorted(
        mended.after.holes.plated.tolist()
    ) == [0, 1, 1]
    partly = MIXED.replace("; #@! TA.AperFunction,NonPlated,NPTH,MechanicalDrill\n", "; #@! TD\n")
    left = mend(board_of(plated=None, tiny__drl=partly))
    assert [(n.correction, n.file) for n in left.left] == [("drill-plating", "tiny.drl")]


def test_profile_ends_meet_and_lines_are_drawn_once() -> None:
    """A gap of 0.02 mm is closed, a line drawn again is left out, the outline stays."""
    body = OUTLINE.replace("X0Y0D01*", "X0Y20000D01*") + "X0Y20000000D02*\nX30000000Y20000000D01*\n"
    mended = mend(board_of(profile=layer("Profile,NP", body)))
    assert deeds(mended) == {"profile-gap": 1, "profile-twice": 1}
    assert {"profile/ends-apart", "profile/doubled-lines"} <= gone(mended)
    assert mended.after.profile is not None
    assert mended.after.profile.area == pytest.approx(600, abs=1e-3)


def test_marks_outside_the_board_and_copies_of_the_outline() -> None:
    """Copper beyond the edge goes, and so does the outline drawn in the mask."""
    far = "%TD*%\n%ADD12C,1*%\nD12*\nX40000000Y5000000D03*\n"
    mended = mend(
        board_of(
            copper_bottom=layer("Copper,L2,Bot", pads(2, "N") + far),
            mask_top=layer("Soldermask,Top", pads(2.1) + OUTLINE.replace("D10", "D15"), "Negative"),
        )
    )
    assert deeds(mended) == {"stray-marks": 1, "profile-elsewhere": 4}
    # A flash of 1 mm, and a rim 0.1 mm wide around 30 by 20 mm with round outer corners.
    rim = 2 * (30 + 20) * 0.1 - (4 - np.pi) * 0.05**2
    assert changed(mended) == {
        "bottom copper": (0, pytest.approx(np.pi / 4, abs=2e-3)),
        "top solder mask": (0, pytest.approx(rim, abs=2e-3)),
    }


FAR = "%TD*%\n%ADD12C,1*%\nD12*\nX40000000Y5000000D03*\n"
HOLE = FILES["tiny-plated.drl"].replace(b"X25.0", b"X40.0Y5.0\nX25.0")


@pytest.mark.parametrize(
    ("body", "mask", "holes", "words"),
    [
        (FAR.replace("%TD*%", "%TO.N,A*%"), "", None, "1 object of a net"),
        (FAR, FAR, None, "1 bare pad"),
        (FAR, "", HOLE, "1 hole"),
    ],
    ids=["a net", "a bare pad", "a drilled pad"],
)
def test_what_may_be_another_board_is_not_left_out(
    body: str, mask: str, holes: bytes | None, words: str
) -> None:
    """Nets, bare pads and holes outside the outline are kept by default, and go on request."""
    changes: dict[str, bytes | str | None] = {
        "copper_bottom": layer("Copper,L2,Bot", pads(2, "N") + body),
        "mask_bottom": layer("Soldermask,Bot", pads(2.1) + mask, "Negative"),
        "legend": layer("Legend,Top", TRACK + TRACK.replace("X5", "X45")),
    }
    board = board_of(**changes, **({"plated": holes} if holes else {}))
    mended = mend(board)
    assert "stray-marks" not in deeds(mended)
    (left,) = [n for n in mended.left if n.correction == "stray-marks"]
    assert words in left.reason
    if not holes:
        asked = mend(board, options=MendOptions(asked=("stray-marks",)))
        assert "stray-marks" in deeds(asked)


def test_what_lies_in_a_cut_out_is_no_stray() -> None:
    """Copper within a hole that the profile draws may be meant: it stays."""
    ring = "%ADD11C,0.1*%\nD11*\nX17000000Y10000000D02*\nG75*\nG03*\n"
    ring += "X17000000Y10000000I-2000000J0D01*\n"
    spot = "%TD*%\n%ADD12C,3*%\nD12*\nX15000000Y10000000D03*\n"
    mended = mend(
        board_of(
            profile=layer("Profile,NP", OUTLINE + ring),
            copper_bottom=layer("Copper,L2,Bot", pads(2, "N") + spot),
            legend=None,
        )
    )
    assert mended.before.profile is not None
    assert len(mended.before.profile.geoms[0].interiors) == 1
    assert deeds(mended) == {}


def test_a_guess_is_not_written_as_a_fact() -> None:
    """A file whose role is doubtful is left as it is, so that the doubt stays."""
    spots = "%FSLAX46Y46*%%MOMM*%%ADD10C,0.4*%D10*X5000000Y5000000D03*X25000000Y15000000D03*M02*"
    board = board_of(plated=None, map__gbx=spots)
    drill = next(f for f in board.package.files if f.name == "map.gbx")
    assert drill.role.kind is RoleKind.DRILL
    mended = mend(board)
    assert mended.names["map.gbx"] == "map.gbx"
    assert mended.files["map.gbx"] == spots.encode()
    assert "package/low-confidence" in {f.id for f in mended.after.package.remarks}


def test_legend_is_clipped_off_pads_and_edge() -> None:
    """Ink over the whole top stays only where there is mask, and on the board."""
    block = "G36*\nX3000000Y3000000D02*\nX35000000Y3000000D01*\nX35000000Y7000000D01*\n"
    block += "X3000000Y7000000D01*\nX3000000Y3000000D01*\nG37*\n"
    mended = mend(board_of(legend=layer("Legend,Top", block)))
    assert deeds(mended) == {"legend-clip": 1}
    assert {"legend/on-copper", "legend/off-board"} <= gone(mended)
    # The pad of 2 mm, its track of 0.3 mm in the opening's margin, and 5 by 4 mm beyond the edge.
    bare = np.pi + 0.3 * 0.05
    assert changed(mended) == {"top legend": (0, pytest.approx(bare + 20, abs=5e-3))}
    ink = next(a for a in mended.after.layers if a.kind is RoleKind.LEGEND).file.image
    assert ink.intersection(shapely.Point(5, 5).buffer(0.99)).is_empty


def test_a_file_that_was_off_is_written_where_it_lies() -> None:
    """Holes moved by (3, 4) mm are laid back on six pads, and stay there."""
    at = [(5, 5), (25, 15), (10, 5), (15, 12), (20, 4), (9, 16), (27, 3)]
    flashes = "".join(f"X{x * 10**6}Y{y * 10**6}D03*\n" for x, y in at)
    body = "%ADD10C,2*%\nD10*\n" + flashes
    holes = "".join(f"X{x + 3}.0Y{y + 4}.0\n" for x, y in at)
    mended = mend(
        board_of(
            copper_top=layer("Copper,L1,Top", body),
            copper_bottom=layer("Copper,L2,Bot", body),
            mask_top=layer("Soldermask,Top", body, "Negative"),
            mask_bottom=layer("Soldermask,Bot", body, "Negative"),
            legend=None,
            plated=FILES["tiny-plated.drl"].decode().replace("X5.0Y5.0\nX25.0Y15.0\n", holes),
        )
    )
    assert deeds(mended) == {"laid": 1}
    assert gone(mended) == {"register/shifted"}
    name = next(n for n in mended.files if n.endswith(".drl"))
    assert [(h.x, h.y) for h in read_text(mended.files[name].decode()).hits] == at


def test_on_request() -> None:
    """Thin legend lines, tight openings and pours at the edge follow the house's limits."""
    pour = "G36*\nX10000000Y100000D02*\nX20000000Y100000D01*\nX20000000Y9000000D01*\n"
    pour += "X10000000Y9000000D01*\nX10000000Y100000D01*\nG37*\n"
    board = board_of(
        copper_bottom=layer("Copper,L2,Bot", pads(2, "N") + pour),
        mask_top=layer("Soldermask,Top", pads(2.02), "Negative"),
        legend=layer(
            "Legend,Top", "%ADD10C,0.05*%\nD10*\nX15000000Y5000000D02*\nX15000000Y9000000D01*\n"
        ),
    )
    asked = ("legend-width", "mask-margin", "copper-edge")
    mended = mend(board, options=MendOptions(asked=asked))
    assert set(deeds(mended)) == set(asked)
    assert {"legend/line-thin", "copper/edge-near"} <= gone(mended)
    made = changed(mended)
    # Limits of the bundled house: line 0.15, margin 0.05, copper to edge 0.25 mm.
    assert made["top legend"][0] == pytest.approx(
        4 * 0.1 + np.pi / 4 * (0.15**2 - 0.05**2), abs=1e-2
    )
    assert made["top solder mask"][0] == pytest.approx(2 * np.pi * (1.05**2 - 1.01**2), abs=2e-2)
    assert made["bottom copper"] == (0, pytest.approx(10 * 0.15, abs=2e-2))
    assert deeds(mend(board)) == {}
    with pytest.raises(UsageError, match="no correction 'polish'"):
        mend(board, options=MendOptions(asked=("polish",)))


def test_what_cannot_be_proved_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """A correction that cuts a track apart is refused, and the others are still made."""

    def cut(draft: Draft) -> Iterator[Deed]:
        for name, file, gerber in draft.layers(RoleKind.COPPER):
            rows = gerber.objects.kind == 1
            if rows.any():
                draft.files[name] = file.__class__(
                    **{f: getattr(file, f) for f in file.__slots__ if f != "content"},
                    content=without(gerber, rows),
                )
                claim = shapely.box(0, 0, 30, 20)
                yield Deed(correction="stray-marks", file=name, words="track cut", claim=claim)

    monkeypatch.setitem(MAKERS, "stray-marks", cut)  # type: ignore[misc]
    double = FILES["tiny-plated.drl"].replace(b"X25.0", b"X5.0Y5.0\nX25.0")
    third = "%TO.N,N1*%\nX5000000Y15000000D03*\n"
    copper = layer("Copper,L1,Top", pads(2, "N") + third + FILES["tiny-copper-top.gbr"].decode()
                   .partition("%ADD11")[2].join(("%ADD11", "")).partition("M02")[0])  # fmt: skip
    mended = mend(board_of(plated=double, copper_top=copper))
    assert deeds(mended) == {"hole-twice": 1}
    assert len(mended.left) == 1
    assert mended.left[0].reason.startswith("not proved: ")
    assert "joined otherwise" in mended.left[0].reason


def test_unreadable_sets_are_not_written(tmp_path) -> None:
    """A layer cut short, or no outline: a message, and no file."""
    cut = FILES["tiny-copper-top.gbr"].replace(b"%ADD10C", b"%SRX9999Y9999I1J1*%%ADD10C")
    with pytest.raises(UnreadableInput, match="was not read to its end"):
        mend(board_of(copper_top=cut))
    with pytest.raises(UnreadableInput, match="no file gives an outline"):
        mend(board_of(profile=None))
    folder = tmp_path / "tiny"
    folder.mkdir()
    for name, data in FILES.items():
        (folder / name).write_bytes(cut if "copper-top" in name else data)
    target = tmp_path / "mended.zip"
    result = CliRunner().invoke(cli, ["mend", str(folder), "--out", str(target)])
    assert result.exit_code == 2
    assert not target.exists()


def test_command(tmp_path) -> None:
    """The zip holds every file once; the page says that the designer looks at it; JSON agrees."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    for name, data in FILES.items():
        (folder / name).write_bytes(data)
    target, page = tmp_path / "mended.zip", tmp_path / "mended.html"
    call = ["mend", str(folder), "--out", str(target), "--report", str(page), "--json", "--quiet"]
    result = CliRunner().invoke(cli, call)
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    with zipfile.ZipFile(target) as archive:
        assert {row["after"] for row in said["files"]} == set(archive.namelist())
        job = json.loads(archive.read("tiny-job.gbrjob"))
    assert {e["Path"] for e in job["FilesAttributes"]} <= {row["after"] for row in said["files"]}
    assert "still to be looked at by its designer" in page.read_text()
    again = CliRunner().invoke(cli, call)
    assert again.exit_code == 2
    assert "exists" in again.output


def test_corrections_name_rules_that_exist() -> None:
    """Each says all there is to say, and ends findings of known rules or groups."""
    known = {rule.id for rule in load_rules()}
    groups = {f"{name.partition('/')[0]}/" for name in known}
    corrections = load_corrections()
    assert set(MAKERS) | {"form", "laid", "by-products"} == set(corrections)
    for correction in corrections.values():
        assert set(correction.heals) <= known | groups
        assert all((correction.title, correction.does, correction.safe, correction.proof))


def test_refused_when_nothing_can_be_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing that changes the board by itself is never given out."""
    from fabkit.mending import writing

    moved = writing.write_gerber
    monkeypatch.setattr(
        writing, "write_gerber", lambda file: moved(file).replace(b"X25000000", b"X24000000")
    )
    with pytest.raises(FindingsRefused, match="not mended: "):
        mend(board_of())


def test_order_and_check_know_of_it(tmp_path) -> None:
    """An order packs the mended set and says so in manifest and readme; check offers it."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    for name, data in FILES.items():
        again = data.replace(b"X25.0", b"X5.0Y5.0\nX25.0") if name.endswith(".drl") else data
        (folder / name).write_bytes(again)
    said = CliRunner().invoke(cli, ["check", str(folder)]).output
    assert "can be mended in the files" in said
    done = tmp_path / "order"
    call = ["order", str(folder), "--out", str(done), "--mend", "--quiet"]
    call += ["--with", "round-corners"]
    for rule in ("net/short", "job/copper-count"):
        call += ["--silence", f"{rule}=so written for the test"]
    result = CliRunner().invoke(cli, call)
    assert result.exit_code in (0, 1), result.output
    assert "mended first" in result.output
    manifest = json.loads((done / "manifest.json").read_text())
    assert manifest["boards"][0]["mended"]["corrections"] == ["form", "hole-twice"]
    assert manifest["boards"][0]["mended"]["nothing_to_do"] == ["round-corners"]
    assert "nothing to mend [round-corners]" in result.output
    assert {"mended.json", "mended.html"} <= {row["name"] for row in manifest["outputs"]}
    with zipfile.ZipFile(next(done.glob("*.zip"))) as archive:
        readme = archive.read("readme.txt").decode()
    assert "1 hole that another one repeats left out" in readme


def test_a_missing_file_stays_listed() -> None:
    """What the job file lists and the set lacks is still reported."""
    job = FILES["tiny-job.gbrjob"].replace(
        b'"FilesAttributes":[',
        b'"FilesAttributes":[{"Path":"l2.gbr","FileFunction":"Copper,L2,Inr"},',
    )
    mended = mend(board_of(tiny_job__gbrjob=job))
    assert "job/file-missing" in {f.id for f in mended.after.package.remarks}


def test_overlapping_slots_become_a_cut_out() -> None:
    """Three slots side by side mill one opening, which the profile then draws."""
    cuts = "".join(f"X14.0Y{y}G85X17.0Y{y}\n" for y in ("9.5", "10.0", "10.5"))
    text = "M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC\nT1C1.000\n%\nG05\nT1\n"
    board = board_of(tiny_npth__drl=f"{text}{cuts}X27.0Y4.0\nM30\n")
    assert board.profile is not None
    mended = mend(board)
    assert {d.file: d.count for d in mended.deeds if d.correction == "slots-to-cut-out"} == {
        "tiny_npth.drl": 3,
        "tiny-profile.gbr": 1,
    }
    again = mended.after.profile
    assert again is not None
    # 4 by 2 mm with three round ends at either side: a cusp of the circle of 1 mm between two.
    assert again.area == pytest.approx(board.profile.area, abs=1e-3)
    assert len(again.geoms[0].interiors) == 1
    assert [len(read_text(d.decode()).hits) for n, d in mended.files.items() if "non" in n] == [1]


def test_rims_and_teardrops() -> None:
    """A lone ring around a bare hole goes; a track gets wider at its pads and touches nothing."""
    ring = "%ADD13C,4*%\nD13*\n%TD*%\nX15000000Y15000000D03*\n"
    npth = "M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC\nT1C3.000\n%\n"
    flash = "%ADD10C,2*%\nD10*\n%TO.N,A*%\nX5000000Y5000000D03*\n"
    flash += "%TO.N,B*%\nX25000000Y15000000D03*\n"
    track = "%TO.N,A*%\n%ADD11C,0.3*%\nD11*\nX5000000Y5000000D02*\nX5000000Y15000000D01*\n"
    track += "%TO.N,B*%\nX25000000Y15000000D02*\nX25000000Y8000000D01*\n"
    near = "%TO.N,C*%\nX25480000Y13400000D03*\n"
    board = board_of(
        copper_top=layer("Copper,L1,Top", flash + track + near + ring),
        tiny_npth__drl=npth + "T1\nX15.0Y15.0\nM30\n",
    )
    mended = mend(board, options=MendOptions(asked=("bare-rims", "teardrops")))
    # Copper of C is 0.18 mm from the track of B; of a teardrop it would be 0.08 mm.
    assert deeds(mended) == {"bare-rims": 1, "teardrops": 1}
    added, taken = changed(mended)["top copper"]
    assert taken == pytest.approx(np.pi * 4, abs=2e-3)
    # Tangents from a disc of 0.9 mm to one of 0.15 mm 1.85 mm off, less the pad and the track.
    assert 0.2 < added < 0.6
    top = mended.after.copper[0].file
    assert {s.get(".N") for s in top.attribute_sets if s} == {("A",), ("B",), ("C",)}


def test_layers_that_may_not_belong_together_are_no_measure() -> None:
    """A mask that shows what it covers bares no pads: the legend is left alone."""
    cover = "G36*\nX0Y0D02*\nX30000000Y0D01*\nX30000000Y20000000D01*\nX0Y20000000D01*\nX0Y0D01*\n"
    cover += "G37*\n%LPC*%\n" + pads(2.1)
    mended = mend(board_of(mask_top=layer("Soldermask,Top", cover, "Negative")))
    assert "legend-clip" not in deeds(mended)
    assert "mask/inverted" in next(n.reason for n in mended.left if n.correction == "legend-clip")


def test_what_a_stated_function_brings_to_light() -> None:
    """A flash in a profile that did not say what it is: mended, and said."""
    body = OUTLINE + "%ADD12C,2*%\nD12*\nX15000000Y10000000D03*\n"
    plain = layer("Profile,NP", body).replace(b"%TF.FileFunction,Profile,NP*%\n", b"")
    mended = mend(board_of(profile=plain))
    proof = mended_record(mended)["proof"]
    assert proof["now_judged"] == ["gerber/profile-content"]
    assert "gerber/profile-content" in proof_lines(proof)[-1]


def test_slivers_are_cut_off() -> None:
    """A tongue 0.06 mm wide goes; one that joins two pieces of the pour stays."""
    left, right = [(10, 2), (14, 2), (14, 4)], [(16, 4), (16, 2), (20, 2), (20, 8), (16, 8)]
    bridge, tongue = [(16, 4.06), (14, 4.06), (14, 8)], [(12, 8), (12, 9.5), (11.94, 9.5)]
    corners = [*left, *right, *bridge, *tongue, (11.94, 8), (10, 8), (10, 2)]
    (x, y), *rest = [(round(a * 1e6), round(b * 1e6)) for a, b in corners]
    pour = f"G36*\nX{x}Y{y}D02*\n" + "".join(f"X{a}Y{b}D01*\n" for a, b in rest) + "G37*\n"
    board = board_of(copper_bottom=layer("Copper,L2,Bot", pads(2) + pour))
    mended = mend(board, options=MendOptions(asked=("slivers",)))
    assert deeds(mended) == {"slivers": 1}
    assert changed(mended) == {"bottom copper": (0, pytest.approx(1.5 * 0.06, abs=3e-3))}


def test_what_was_not_read_is_not_written() -> None:
    """A cutter compensation is no part of XNC: without it another edge would be cut."""
    rout = "M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\nMETRIC\nT1C1.000\n%\nT1\n"
    rout += "G41\nG00X12.0Y8.0\nM15\nG01X16.0Y8.0\nM16\nG40\nM30\n"
    with pytest.raises(UnreadableInput, match="drill/compensation-used"):
        mend(board_of(tiny_npth__drl=rout))


def test_what_a_report_states_of_a_drill_file_stays_stated() -> None:
    """The report that names the plating is left out; the new drill file states it itself."""
    holes = FILES["tiny-plated.drl"].replace(b"; #@! TF.FileFunction,Plated,1,2,PTH\n", b"")
    board = board_of(plated=None, tiny__drl=holes)
    draft = Draft(board, load_house(), {file.name: file for file in board.package.files})
    drill = draft.files["tiny.drl"]
    assert drill.drill is not None
    assert drill.drill.plated is None
    role = dataclasses.replace(drill.role, plated=True)
    draft.files["tiny.drl"] = dataclasses.replace(drill, role=role)
    written = write_draft(draft)
    assert b"TF.FileFunction,Plated,1,2,PTH" in written.files[written.names["tiny.drl"]]
    assert "drill/plating-from-name" not in {f.id for f in check(written.board)}
    assert list(part_plating(draft)) == draft.left == []


def test_layers_missing_before_are_not_held_against_the_writing() -> None:
    """Numbers of copper layers are asked of files that state them; another rule is still new."""
    plain = {
        f"copper_{side}": FILES[f"tiny-copper-{side}.gbr"].partition(b"*%\n")[2]
        for side in ("top", "bottom")
    }
    sixth = FILES["tiny-copper-bottom.gbr"].replace(b"Copper,L2,Bot", b"Copper,L6,Bot")
    before, after = check(board_of(**plain)), check(board_of(copper_bottom=sixth))
    assert {f.id for f in after} - {f.id for f in before} >= {"package/copper-numbers"}
    assert list(find_new(before, after, drawn=False)) == ["package/missing-copper is new"]
    twice = FILES["tiny-plated.drl"].replace(b"X25.0", b"X5.0Y5.0\nX25.0")
    worse = list(find_new(before, check(board_of(plated=twice)), drawn=False))
    assert "hole/duplicate is new" in worse


def test_a_gap_that_writing_closes_is_no_line() -> None:
    """Ends a tenth of a nanometre apart are written alike: no stroke of no length between them."""
    board = board_of()
    file = next(f for f in board.package.files if f.role.kind is RoleKind.PROFILE)
    assert file.gerber is not None
    objects = file.gerber.objects
    x0 = objects.x0.copy()
    x0[1] += 1e-10
    moved = dataclasses.replace(file.gerber, objects=objects.with_columns(x0=x0))
    draft = Draft(board, load_house(), {file.name: dataclasses.replace(file, content=moved)})
    assert list(close_gaps(draft)) == []
