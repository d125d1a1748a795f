"""What makes each correction, in the order in which they are made."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from fabkit.mending import copper, corners, drills, outline, printed
from fabkit.mending.model import Deed, Draft

Maker = Callable[[Draft], Iterator[Deed]]
"""Changes the draft and says what it did."""

MAKERS: Final[Mapping[str, Maker]] = {
    "hole-twice": drills.drill_once,
    "drill-plating": drills.part_plating,
    "slots-to-cut-out": drills.draw_cut_outs,
    "profile-gap": outline.close_gaps,
    "profile-ends": outline.extend_ends,
    "profile-twice": outline.draw_once,
    "profile-elsewhere": outline.take_out_copies,
    "stray-marks": outline.take_out_strays,
    "bare-rims": copper.take_out_rims,
    "copper-edge": printed.pull_back_pours,
    "slivers": copper.cut_slivers,
    "round-corners": corners.round_corners,
    "acid-traps": corners.fill_traps,
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
