"""A change that no correction claims is caught, however small, and what rounding moves is not.

The hidden changes are made in the drafts of a set whose own corrections are right, as a faulty
correction would make them.  The least step that layers can hold is a nanometre (section 4.2.1 of
the format: six decimals).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
import shapely
from fuzz.tiny_board import FILES, layer, pads

from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.judging import check
from fabkit.checks.model import CheckResult
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.drawing import with_areas, without
from fabkit.formats.gerber.macros import StandardShape
from fabkit.formats.gerber.model import GerberFile
from fabkit.mending.mend import MAKERS, MendOptions, mend
from fabkit.mending.model import Deed, Draft
from fabkit.mending.proof import Proof, prove
from fabkit.mending.writing import write_draft
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

POUR = (
    "G36*\nX12000000Y2000000D02*\nX22000000Y2000000D01*\nX22000000Y8000000D01*\n"
    "X12000000Y8000000D01*\nX12000000Y2000000D01*\nG37*\n"
)
TRACKS = (
    "%ADD12C,0.2*%\nD12*\n%TO.N,A*%\nX10000000Y12000000D02*\nX20000000Y12000000D01*\n"
    "%TO.N,B*%\nX10000000Y12290000D02*\nX20000000Y12290000D01*\n"
    "%TO.N,C*%\nX10000000Y13000000D02*\nX20000000Y13000000D01*\n"
)
"""Two tracks with 0.09 mm between them, which breaks the rule already; the third is 0.51 mm off."""


def board_of(**changed: bytes) -> Board:
    """The tiny board with a pour, tracks too close, a hole given twice, and ink on a pad."""
    files = {k: v for k, v in FILES.items() if k.endswith((".gbr", ".drl"))}
    files["tiny-copper-top.gbr"] = layer("Copper,L1,Top", pads(2, "N") + POUR + TRACKS)
    twice = files["tiny-plated.drl"].replace(b"X25.0", b"X5.0Y5.0\nX25.0")
    files["tiny-plated.drl"] = twice
    files["tiny-legend-top.gbr"] = layer(
        "Legend,Top", "%ADD11C,0.3*%\nD11*\nX3000000Y5000000D02*\nX9000000Y5000000D01*\n"
    )
    files |= changed
    members = tuple(Member(name, data) for name, data in sorted(files.items()))
    return build_board(
        read_package(Intake(name="tiny", source="tiny", members=members, left_out=()))
    )


@pytest.fixture(scope="module")
def start() -> tuple[Board, CheckResult]:
    """The board and what is found on it."""
    board = board_of()
    return board, check(board)


Change = Callable[[GerberFile], GerberFile]


def moved(row: int, dx: float) -> Change:
    """One object of the top copper lies elsewhere."""

    def change(file: GerberFile) -> GerberFile:
        o = file.objects
        x0, x1 = o.x0.copy(), o.x1.copy()
        x0[row] += dx
        x1[row] += dx
        return replace(file, objects=o.with_columns(x0=x0, x1=x1))

    return change


def raised(row: int, dy: float) -> Change:
    """One track lies higher."""

    def change(file: GerberFile) -> GerberFile:
        o = file.objects
        y0, y1 = o.y0.copy(), o.y1.copy()
        y0[row] += dy
        y1[row] += dy
        return replace(file, objects=o.with_columns(y0=y0, y1=y1))

    return change


def speck(side: float, dark: bool) -> Change:
    """A square more, or a square hole in the pour."""
    at = (25.0, 10.0) if dark else (15.0, 5.0)
    box = shapely.box(*at, at[0] + side, at[1] + side)
    # Areas below a square micrometre are not drawn by corrections; here they are.
    return lambda file: with_areas(file, np.array([box]), dark=dark)


def widened(by: float) -> Change:
    """All tracks drawn with another pen."""

    def change(file: GerberFile) -> GerberFile:
        pens = list(file.apertures)
        row = next(k for k, pen in enumerate(pens) if pen.code == 12)
        width = pens[row].size_mm[0] + by
        pens[row] = replace(
            pens[row],
            parameters=(width,),
            diameter_mm=width,
            size_mm=(width, width),
            builder=StandardShape("C", width, width),
        )
        return replace(file, apertures=tuple(pens))

    return change


def proof_of(start: tuple[Board, CheckResult], change: Change | None) -> Proof:
    """What the proof says of the usual corrections with a change of the top copper beside them."""
    board, found = start
    draft = Draft(board, load_house(), {file.name: file for file in board.package.files})
    for name in ("hole-twice", "legend-clip"):
        draft.deeds += list(MAKERS[name](draft))
    assert {d.correction for d in draft.deeds} == {"hole-twice", "legend-clip"}
    if change is not None:
        file = draft.files["tiny-copper-top.gbr"]
        assert file.gerber is not None
        draft.files[file.name] = replace(file, content=change(file.gerber))
    written = write_draft(draft)
    return prove(board, written.board, draft.deeds, written.names, (found, found))


HIDDEN = {
    "a speck of a tenth of a micrometre": speck(1e-4, dark=True),
    "a hole in a pour of a tenth of a micrometre": speck(1e-4, dark=False),
    "a track moved by 40 nm": raised(3, 4e-5),
    "tracks 40 nm wider": widened(4e-5),
    "a pad moved by 2 µm": moved(0, 2e-3),
    "a pad moved by 40 nm": moved(0, 4e-5),
    "a ring that is gone": lambda file: without(file, np.array([1])),
    "a second gap beside one that was too small": raised(5, -0.42),
}


@pytest.mark.parametrize("change", HIDDEN.values(), ids=HIDDEN.keys())
def test_hidden_changes_are_caught(start: tuple[Board, CheckResult], change: Change) -> None:
    """Whatever the correction did not claim is a failure of the layer, with its area."""
    proof = proof_of(start, change)
    assert any("differ where no correction claims it" in text for text in proof.failures)
    top = next(p for p in proof.layers if p.layer == "top copper")
    assert top.elsewhere_mm2 > 0


STILL = {
    "nothing": None,
    "a track moved by 4 nm": raised(3, 4e-6),
    "a pad moved by 4 nm": moved(0, 4e-6),
    "tracks 4 nm wider": widened(4e-6),
}


@pytest.mark.parametrize("change", STILL.values(), ids=STILL.keys())
def test_rounding_is_no_change(start: tuple[Board, CheckResult], change: Change | None) -> None:
    """What moves an edge by less than 5 nm is the rounding of places, sizes and centres."""
    assert proof_of(start, change).failures == ()


def test_inch_files_and_coarse_arcs_pass_the_narrow_proof() -> None:
    """Rounded places on long edges, and arcs off their circle, are the same image when written."""
    comb = "".join(f"X{4001 + 7 * k}Y3001D02*X{4003 + 7 * k}Y7003D01*" for k in range(200))
    arcs = "X8001Y1500D02*G03*X7001Y2500I-1001J0D01*X8001Y3000D02*X8001Y2990I-1000J0D01*G01*"
    text = (
        "%TF.FileFunction,Legend,Top*%%FSLAX24Y24*%%MOIN*%%ADD10C,0.0003*%"
        f"%ADD11C,0.0081*%G01*G75*D10*{comb}D11*{arcs}M02*"
    )
    mended = mend(board_of(**{"tiny-legend-top.gbr": text.encode()}))
    assert all(layer.elsewhere_mm2 == 0 for layer in mended.layers)
    assert {d.correction for d in mended.deeds} == {"form", "hole-twice"}


@pytest.mark.parametrize(
    ("by", "words"), [(3e-6, "2 holes less and 1 more"), (0.05, "2 holes less and 1 more"), (0, "")]
)
def test_holes_are_compared_to_the_written_step(by: float, words: str) -> None:
    """A hole moved or widened by 3 nm is another hole; one less, the twin, is named."""
    board = board_of()
    found = check(board)
    for column in ("x", "diameter"):
        draft = Draft(board, load_house(), {file.name: file for file in board.package.files})
        draft.deeds += list(MAKERS["hole-twice"](draft))
        file = draft.files["tiny-plated.drl"]
        drill = file.drill
        assert isinstance(drill, DrillFile)
        if column == "x":
            x = drill.hits.x.copy()
            x[-1] += by
            made = replace(drill, hits=drill.hits.with_columns(x=x))
        else:
            tool = replace(drill.tools[0], diameter_mm=1.0 + by)
            made = replace(drill, tools=(tool, *drill.tools[1:]))
        draft.files[file.name] = replace(file, content=made)
        written = write_draft(draft)
        failures = prove(board, written.board, draft.deeds, written.names, (found, found)).failures
        holes = [text for text in failures if "hole" in text]
        assert bool(holes) == bool(words)
        if column == "x":
            assert holes == [words] * bool(words)


def test_one_more_place_is_forgiven_only_where_nothing_is_drawn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A correction that makes a second place of a rule broken before is not made."""

    def crowd(draft: Draft) -> Iterator[Deed]:
        file = draft.files["tiny-copper-top.gbr"]
        assert file.gerber is not None
        # Claimed in full, so that the layer alone would pass.
        draft.files[file.name] = replace(file, content=raised(4, -0.42)(file.gerber))
        claim = shapely.box(9, 11, 21, 14)
        yield Deed(correction="stray-marks", file=file.name, words="moved", claim=claim)

    monkeypatch.setitem(MAKERS, "stray-marks", crowd)  # type: ignore[misc]
    mended = mend(board_of(), options=MendOptions(without=("legend-clip",)))
    assert {d.correction for d in mended.deeds} == {"form", "hole-twice"}
    (left,) = mended.left
    assert "more places" in left.reason or "is new" in left.reason
