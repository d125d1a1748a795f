"""What building the board can find."""

from __future__ import annotations

from typing import Final

from fabkit.findings import COMMON_PRACTICE, Rule, Severity, Source

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE
_OUTLINE = Source("Gerber Layer Format Specification 2021.02", "section 6.5")


def _rule(
    id_: str,
    title: str,
    why: str,
    severity: Severity,
    advice: str,
    source: Source = COMMON_PRACTICE,
) -> Rule:
    return Rule(id=id_, title=title, why=why, source=source, severity=severity, advice=advice)


PROFILE_GAP: Final = _rule(
    "profile/gap",
    "The outline has a gap",
    "An open outline does not say where the board ends; the house stops or guesses.",
    _E,
    "Close the outline in the layout and export the profile again.",
    _OUTLINE,
)
PROFILE_BRIDGED: Final = _rule(
    "profile/ends-apart",
    "Ends of the outline nearly meet",
    "They are joined within the tolerance here; stricter software calls the outline open.",
    _N,
    "Let the ends of the outline meet exactly.",
    _OUTLINE,
)
PROFILE_CROSSING: Final = _rule(
    "profile/crossing",
    "The outline crosses or touches itself",
    "Inside and outside change places behind the crossing; the router cuts a piece off.",
    _E,
    "Draw the outline as one closed line that does not cross itself.",
    Source("Gerber Layer Format Specification 2021.02", "sections 4.10 and 6.5"),
)
PROFILE_STRAY: Final = _rule(
    "profile/stray-lines",
    "The profile file holds lines that enclose nothing",
    "Corner marks, dimensions and notes do not belong in the profile and may be milled.",
    _W,
    "Keep the outline and its cut-outs alone in the profile.",
    _OUTLINE,
)
PROFILE_DOUBLED: Final = _rule(
    "profile/doubled-lines",
    "Lines of the outline are drawn more than once",
    "Milled twice, or read as two boards by simple software.",
    _N,
    "Remove the doubled lines in the layout.",
    _OUTLINE,
)
PROFILE_FRAME: Final = _rule(
    "profile/frame",
    "The profile file holds a frame around the board",
    "Taken for the outline, the board would be as large as the drawing sheet.",
    _W,
    "Export the profile without the drawing frame.",
    _OUTLINE,
)
PROFILE_LETTERING: Final = _rule(
    "profile/lettering",
    "The profile file holds lettering",
    "Closed letters look like cut-outs and may be milled.",
    _W,
    "Move lettering to the legend or a drawing.",
    _OUTLINE,
)
PROFILE_INFERRED: Final = _rule(
    "profile/inferred",
    "The outline was taken from another file, as no profile file gives one",
    "A board house will not look for it there.",
    _W,
    "Export the outline as a file of its own.",
    _OUTLINE,
)
PROFILE_FLASHES: Final = _rule(
    "profile/flashes",
    "The profile file holds flashes",
    "Flashes are no outline; holes belong in the drill file.",
    _N,
    "Move holes to the drill file.",
    _OUTLINE,
)
ROUTED_CUT_OUT: Final = _rule(
    "profile/routed-cut-out",
    "A routed path of a drill file cuts a piece out of the board",
    "The piece falls out; make sure that this is meant.",
    _N,
    "Draw cut-outs in the profile to be sure.",
)

HOLES_DOUBLED: Final = _rule(
    "board/holes-given-twice",
    "Two drill files hold the same holes",
    "They are counted once; a house that drills both files drills twice.",
    _N,
    "Send one drill file for one set of holes.",
)
PLATED_AND_NOT: Final = _rule(
    "board/plated-and-not",
    "A hole is plated in one file and non-plated in another",
    "Only one of the two can be made, and a wrong one may not conduct or not fit.",
    _E,
    "Remove the hole from one of the files.",
)
HOLE_SIZE: Final = _rule(
    "board/hole-size-unknown",
    "Holes without a diameter",
    "A hole of unknown size cannot be drilled.",
    _E,
    "Export the drill file with its tool table.",
)
PLATING_INFERRED: Final = _rule(
    "board/plating-inferred",
    "Whether holes are plated was judged by the copper around them",
    "No file says it; pads on both sides mean plated, holes without pads mean not.",
    _N,
    "Export plated and non-plated holes to files of their own.",
)
PLACEMENT_SCALED: Final = _rule(
    "board/placement-unit",
    "The unit of the placement table was judged by the size of the board",
    "The table does not state it; read in the wrong unit parts lie off the board.",
    _W,
    "Export the placement table with units.",
)
PLACEMENT_SHIFTED: Final = _rule(
    "board/placement-origin",
    "The placement table has another origin than the layer files",
    "Parts would be placed beside their pads.",
    _W,
    "Export the placement table from the same origin as the layers.",
)
PLACEMENT_OUTSIDE: Final = _rule(
    "board/placement-outside",
    "Placed parts lie outside the board",
    "They cannot be placed there.",
    _W,
    "Check unit and origin of the placement table.",
)
