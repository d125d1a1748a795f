"""What building the board can find."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import Rule, Severity, Source

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE
_OUTLINE = Source("Gerber Layer Format Specification 2021.02", "section 6.5")


PROFILE_GAP: Final = Rule.of(
    "profile/gap",
    "The outline has a gap",
    "An open outline does not say where the board ends; the house stops or guesses.",
    _E,
    "Close the outline in the layout and export the profile again.",
    _OUTLINE,
)
PROFILE_BRIDGED: Final = Rule.of(
    "profile/ends-apart",
    "Ends of the outline nearly meet",
    "They are joined within the tolerance here; stricter software calls the outline open.",
    _N,
    "Let the ends of the outline meet exactly.",
    _OUTLINE,
)
PROFILE_CROSSING: Final = Rule.of(
    "profile/crossing",
    "The outline crosses or touches itself",
    "Inside and outside change places behind the crossing; the router cuts a piece off.",
    _E,
    "Draw the outline as one closed line that does not cross itself.",
    Source("Gerber Layer Format Specification 2021.02", "sections 4.10 and 6.5"),
)
PROFILE_STRAY: Final = Rule.of(
    "profile/stray-lines",
    "The profile file holds lines that enclose nothing",
    "Corner marks, dimensions and notes do not belong in the profile and may be milled.",
    _W,
    "Keep the outline and its cut-outs alone in the profile.",
    _OUTLINE,
)
PROFILE_DOUBLED: Final = Rule.of(
    "profile/doubled-lines",
    "Lines of the outline are drawn more than once",
    "Milled twice, or read as two boards by simple software.",
    _N,
    "Remove the doubled lines in the layout.",
    _OUTLINE,
)
PROFILE_FRAME: Final = Rule.of(
    "profile/frame",
    "The profile file holds a frame around the board",
    "Taken for the outline, the board would be as large as the drawing sheet.",
    _W,
    "Export the profile without the drawing frame.",
    _OUTLINE,
)
PROFILE_LETTERING: Final = Rule.of(
    "profile/lettering",
    "The profile file holds lettering",
    "Closed letters look like cut-outs and may be milled.",
    _W,
    "Move lettering to the legend or a drawing.",
    _OUTLINE,
)
PROFILE_INFERRED: Final = Rule.of(
    "profile/inferred",
    "The outline was taken from another file, as no profile file gives one",
    "A board house will not look for it there.",
    _W,
    "Export the outline as a file of its own.",
    _OUTLINE,
)
PROFILE_FLASHES: Final = Rule.of(
    "profile/flashes",
    "The profile file holds flashes",
    "Flashes are no outline; holes belong in the drill file.",
    _N,
    "Move holes to the drill file.",
    _OUTLINE,
)
PROFILE_TINY: Final = Rule.of(
    "profile/too-small",
    "The profile encloses far less than the pads need",
    "A stray loop would be made as the board, or the order is stopped.",
    _E,
    "Remove the loop, and export the whole outline.",
    _OUTLINE,
)
PROFILE_PANEL: Final = Rule.of(
    "profile/panel",
    "The files describe a panel",
    "One piece gives several boards, or a board in a frame: the house counts designs, and one "
    "panel ordered is not one board.",
    _N,
    "Order as many panels as give the boards needed.",
)
PROFILE_SLOT: Final = Rule.of(
    "profile/slot-drawn",
    "Slots are drawn in the profile with a wide pen",
    "The profile counts by its centre lines; a house may leave such a slot out.",
    _N,
    "Put slots into the drill file, or draw their contours.",
    _OUTLINE,
)
PROFILE_READINGS: Final = Rule.of(
    "profile/two-readings",
    "The outline can be read in two ways",
    "The board house may read the other one, and make or price a piece of another size.",
    _N,
    "Leave one outline in the profile; --edge 2 takes the other reading here.",
)
ROUTED_CUT_OUT: Final = Rule.of(
    "profile/routed-cut-out",
    "A routed path of a drill file cuts a piece out of the board",
    "The piece falls out; make sure that this is meant.",
    _N,
    "Draw cut-outs in the profile to be sure.",
)

OUTLINE_ROUTED: Final = Rule.of(
    "board/outline-routed",
    "The drill file routs the outline",
    "The profile says where the board ends; given twice, the two may differ, and the path looks "
    "like a slot around the board.",
    _N,
    "Leave the outline to the profile.",
)
HOLES_DOUBLED: Final = Rule.of(
    "board/holes-given-twice",
    "Two drill files hold the same holes",
    "They are counted once; a house that drills both files drills twice.",
    _N,
    "Send one drill file for one set of holes.",
)
PLATED_AND_NOT: Final = Rule.of(
    "board/plated-and-not",
    "A hole is plated in one file and non-plated in another",
    "Only one of the two can be made, and a wrong one may not conduct or not fit.",
    _E,
    "Remove the hole from one of the files.",
)
HOLE_SIZE: Final = Rule.of(
    "board/hole-size-unknown",
    "Holes without a diameter",
    "A hole of unknown size cannot be drilled.",
    _E,
    "Export the drill file with its tool table.",
)
PLATING_INFERRED: Final = Rule.of(
    "board/plating-inferred",
    "Whether holes are plated was judged by the copper around them",
    "No file says it; pads on both sides mean plated, holes without pads mean not.",
    _N,
    "Export plated and non-plated holes to files of their own.",
)
PLACEMENT_SCALED: Final = Rule.of(
    "board/placement-unit",
    "The unit of the placement table was judged by the size of the board",
    "The table does not state it; read in the wrong unit parts lie off the board.",
    _W,
    "Export the placement table with units.",
)
PLACEMENT_SHIFTED: Final = Rule.of(
    "board/placement-origin",
    "The placement table has another origin than the layer files",
    "Parts would be placed beside their pads.",
    _W,
    "Export the placement table from the same origin as the layers.",
)
PLACEMENT_OUTSIDE: Final = Rule.of(
    "board/placement-outside",
    "Placed parts lie outside the board",
    "They cannot be placed there.",
    _W,
    "Check unit and origin of the placement table.",
)
