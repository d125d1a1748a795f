"""Rules for what is found while the board is built."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

PROFILE_GAP: Final = load_rule("profile/gap")
PROFILE_BRIDGED: Final = load_rule("profile/ends-apart")
PROFILE_CROSSING: Final = load_rule("profile/crossing")
PROFILE_ACROSS: Final = load_rule("profile/line-across")
PROFILE_STRAY: Final = load_rule("profile/stray-lines")
PROFILE_DOUBLED: Final = load_rule("profile/doubled-lines")
PROFILE_FRAME: Final = load_rule("profile/frame")
PROFILE_LETTERING: Final = load_rule("profile/lettering")
PROFILE_INFERRED: Final = load_rule("profile/inferred")
PROFILE_FLASHES: Final = load_rule("profile/flashes")
PROFILE_TINY: Final = load_rule("profile/too-small")
PROFILE_PANEL: Final = load_rule("profile/panel")
PROFILE_SLOT: Final = load_rule("profile/slot-drawn")
PROFILE_READINGS: Final = load_rule("profile/two-readings")
ROUTED_CUT_OUT: Final = load_rule("profile/routed-cut-out")

OUTLINE_ROUTED: Final = load_rule("board/outline-routed")
HOLES_DOUBLED: Final = load_rule("board/holes-given-twice")
PLATED_AND_NOT: Final = load_rule("board/plated-and-not")
HOLE_SIZE: Final = load_rule("board/hole-size-unknown")
PLATING_INFERRED: Final = load_rule("board/plating-inferred")
PLACEMENT_SCALED: Final = load_rule("board/placement-unit")
PLACEMENT_SHIFTED: Final = load_rule("board/placement-origin")
PLACEMENT_OUTSIDE: Final = load_rule("board/placement-outside")
