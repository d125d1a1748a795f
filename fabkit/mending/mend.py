"""Mend a set: make the corrections, read the result back, prove it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from fabkit.base.errors import FindingsRefused
from fabkit.board.model import Board
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions, CheckResult
from fabkit.compare.model import compare_findings
from fabkit.mending import copper, cuts, printed
from fabkit.mending.model import Deed, Draft, Mended, choose
from fabkit.mending.proof import Proof, places_of_new, prove
from fabkit.mending.writing import Written, form_words, refuse_unreadable, write_draft
from fabkit.package.laying import MIRRORED, SCALED, SHIFTED
from fabkit.sheets.house import House, load_house

# What makes each correction, in the order in which they are made

Maker = Callable[[Draft], Iterator[Deed]]
"""Changes the draft and says what it did."""

MAKERS: Final[Mapping[str, Maker]] = {
    "hole-twice": cuts.drill_once,
    "drill-plating": cuts.part_plating,
    "slots-to-cut-out": cuts.draw_cut_outs,
    "profile-gap": cuts.close_gaps,
    "profile-ends": cuts.extend_ends,
    "profile-twice": cuts.draw_once,
    "profile-elsewhere": cuts.take_out_copies,
    "stray-marks": cuts.take_out_strays,
    "bare-rims": copper.take_out_rims,
    "copper-edge": printed.pull_back_pours,
    "slivers": copper.cut_slivers,
    "round-corners": copper.round_corners,
    "acid-traps": copper.fill_traps,
    "teardrops": copper.add_teardrops,
    "mask-margin": printed.grow_openings,
    "legend-width": printed.widen_legend,
    "legend-clip": printed.clip_legend,
}
"""Corrections that change what is drawn or drilled; the others are made by writing the set."""

BETWEEN_LAYERS: Final = (
    *("profile-elsewhere", "stray-marks", "bare-rims", "copper-edge", "teardrops"),
    *("round-corners", "acid-traps", "mask-margin", "legend-clip"),
)
"""Corrections that take one layer, the profile or the holes as the measure of another."""

_UNSURE: Final = frozenset(
    {
        "register/no-fit",
        "register/off-profile",
        "package/file-out-of-place",
        "package/doubled-role",
        "package/same-image",
        "mask/inverted",
        "profile/misplaced",
    }
)
"""Findings by which a layer may not be what it is taken for, or not lie where it should."""
_ATTEMPTS: Final = 3
"""How often corrections are made anew around the findings they would bring about.  Each time costs
a check of the whole board; if findings are left then, corrections are made one by one."""
_LAID = frozenset({SHIFTED.id, MIRRORED.id, SCALED.id})


@dataclass(frozen=True, slots=True, kw_only=True)
class MendOptions:
    """What the user chose.

    Parameters
    ----------
    asked
        Corrections made on request.
    without
        Corrections that are not made.
    judged
        What was chosen for the order, as far as checks care.
    """

    asked: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    judged: CheckOptions = field(default_factory=CheckOptions)


def mend(
    board: Board,
    house: House | None = None,
    *,
    options: MendOptions | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Mended:
    """Correct in the files what has one right answer, and prove that nothing else changed.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`; its files stay as they are.
    house
        Whose limits corrections follow; None takes the bundled, invented one.
    options
        Which corrections are made.
    tell
        Called with a few words on what is being done now.

    Returns
    -------
    Mended
        The files to write, what was done, what was not, and the proof.  A correction that cannot
        be proved is not made, and is listed as such.

    Raises
    ------
    UnreadableInput
        A layer or drill file was not read to its end, or the places of holes are uncertain.
    FindingsRefused
        Even writing the files anew without any correction cannot be proved.
    UsageError
        There is no such correction.
    """
    options = options or MendOptions()
    chosen = choose(options.asked, options.without)
    refuse_unreadable(board)
    house = house or load_house()
    tell("checking")
    found = check(board, house, options=options.judged)
    makers = [name for name in MAKERS if name in chosen]
    unsure = sorted(_UNSURE & {f.id for f in found})
    if unsure:
        makers = [name for name in makers if name not in BETWEEN_LAYERS]

    def judged(draft: Draft, before: CheckResult = found) -> _Attempt:
        tell("writing and reading back")
        written = write_draft(draft)
        again = check(written.board, house, options=options.judged)
        proof = prove(board, written.board, draft.deeds, written.names, (before, again))
        return _Attempt(draft, written, again, proof)

    files = {file.name: file for file in board.package.files}
    start = Draft(board, house, files, asked=frozenset(options.asked))
    for name in BETWEEN_LAYERS if unsure else ():
        if name in chosen:
            start.refuse(name, "", f"the layers may not belong together as they lie: {unsure[0]}")
    for _ in range(_ATTEMPTS):
        draft = start.copy()
        for name in makers:
            draft.deeds += list(MAKERS[name](draft))
        made = judged(draft)
        places = places_of_new(found, made.found) if made.proof.failures else []
        if not places:
            break
        start.avoid += places
    if made.proof.failures and draft.deeds:
        made = _one_by_one(start, makers, judged)
    if made.proof.failures:
        raise FindingsRefused(
            f"not mended: {made.proof.failures[0]}",
            hint="Mend what `fabkit check` shows in the layout, and export again.",
        )
    return Mended(
        before=board,
        after=made.written.board,
        files=made.written.files,
        names=made.written.names,
        deeds=(*_of_writing(board, made.draft, chosen), *made.draft.deeds),
        left=tuple(made.draft.left),
        layers=made.proof.layers,
        findings=compare_findings(found, made.found),
        pads=made.proof.pads,
        asked=options.asked,
    )


@dataclass(frozen=True, slots=True)
class _Attempt:
    """A draft as it was written and read back, with what is found on it and proved of it."""

    draft: Draft
    written: Written
    found: CheckResult
    proof: Proof


def _one_by_one(start: Draft, makers: Sequence[str], judged: Callable[..., _Attempt]) -> _Attempt:
    """Make corrections one after another, and keep those that can be proved."""
    kept = judged(start.copy())
    if kept.proof.failures:
        return kept
    # What is found in one place more through rounding alone is held against no correction.
    plain = kept.found
    for name in makers:
        draft = kept.draft.copy()
        deeds = list(MAKERS[name](draft))
        if not deeds:
            kept.draft.left[:] = draft.left
            continue
        draft.deeds += deeds
        tried = judged(draft, plain)
        if tried.proof.failures:
            why = "; ".join(tried.proof.failures[:3])
            kept.draft.refuse(name, deeds[0].file, f"not proved: {why}")
        else:
            kept = tried
    return kept


def _of_writing(board: Board, draft: Draft, chosen: Sequence[str]) -> tuple[Deed, ...]:
    """List what writing the set does by itself."""
    out = []
    if "form" in chosen:
        out.append(Deed(correction="form", file="", words=form_words(draft)))
    laid = [f for f in board.package.remarks if f.id in _LAID]
    out += [
        Deed(correction="laid", file=f.places[0].file or "" if f.places else "", words=f.message)
        for f in laid
    ]
    left = board.package.left_out
    if left:
        names = ", ".join(sorted(item.name for item in left))
        out.append(
            Deed(correction="by-products", file="", words=f"left out: {names}", count=len(left))
        )
    return tuple(out)
