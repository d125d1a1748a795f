"""Every limit a house sheet can state: key, sense, default by class and where it comes from.

A sheet that leaves a limit out gets the default.  Units are in the key (``_mm``, ``_deg``); a key
without one is a ratio.  Where the published texts give a range, ``standard`` is what every house
makes without asking and ``fine`` what many make, often at a surcharge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

LimitClass = Literal["standard", "fine"]
Sense = Literal["least", "most"]

GUIDES: Final = "published maker guides, several agreeing"
PRACTICE: Final = "common practice"
THIN_FOIL: Final = (
    "published maker guides; fine: outer copper of 1 oz/ft2 is plated on 0.5 oz/ft2 foil"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitKind:
    """A limit that exists.

    Parameters
    ----------
    key
        Name in the sheet; the unit is its suffix.
    title
        What is limited, in trade words.
    sense
        ``least``: a smaller measure breaks it; ``most``: a larger one does.
    standard, fine
        Defaults.
    source
        Where the defaults come from.
    """

    key: str
    title: str
    sense: Sense
    standard: float
    fine: float
    source: str

    @property
    def unit(self) -> str:
        """``mm``, ``deg`` or empty for a ratio."""
        return next((u for u in ("mm", "deg") if self.key.endswith(f"_{u}")), "")


def _least(key: str, title: str, standard: float, fine: float, source: str) -> LimitKind:
    return LimitKind(
        key=key, title=title, sense="least", standard=standard, fine=fine, source=source
    )


def _most(key: str, title: str, standard: float, fine: float, source: str) -> LimitKind:
    return LimitKind(
        key=key, title=title, sense="most", standard=standard, fine=fine, source=source
    )


_KINDS = (
    # Holes and slots
    _least("drill_min_plated_mm", "smallest finished plated hole", 0.30, 0.20, GUIDES),
    _least("drill_min_nonplated_mm", "smallest non-plated hole", 0.50, 0.25, GUIDES),
    _most("drill_max_mm", "largest drilled hole; larger ones are routed", 6.3, 6.5, GUIDES),
    _least("slot_min_width_plated_mm", "narrowest plated slot, finished", 0.50, 0.50, PRACTICE),
    _least("slot_min_width_nonplated_mm", "narrowest non-plated slot", 0.80, 0.80, PRACTICE),
    _least("slot_min_length_ratio", "slot length over width", 2.0, 2.0, PRACTICE),
    _least("hole_to_hole_mm", "wall between two holes", 0.30, 0.25, GUIDES),
    _least("hole_to_hole_same_net_mm", "wall between two vias of one net", 0.25, 0.20, GUIDES),
    _least("hole_to_edge_mm", "hole wall to board edge", 0.50, 0.50, PRACTICE),
    _least("hole_to_edge_thickness_ratio", "hole to edge over thickness", 0.5, 0.5, PRACTICE),
    _most("aspect_ratio", "board thickness over drill", 8.0, 10.0, GUIDES),
    _most("registration_mm", "drill out of place against its pad", 0.075, 0.075, PRACTICE),
    # Rings
    _least(
        "annular_ring_mm",
        "ring as designed, (pad - finished hole) / 2",
        0.13,
        0.05,
        "published maker guides; fine: least external ring of IPC-2221, table 9-2 (from memory)",
    ),
    _least("annular_ring_via_preferred_mm", "comfortable ring of a via", 0.15, 0.15, GUIDES),
    _least(
        "annular_ring_component_preferred_mm", "comfortable ring of a lead hole", 0.20, 0.20, GUIDES
    ),
    _least(
        "annular_ring_hand_preferred_mm", "comfortable ring, hand soldering", 0.30, 0.30, PRACTICE
    ),
    _least(
        "annular_ring_nonplated_mm",
        "ring of a pad around a non-plated hole",
        0.15,
        0.15,
        "IPC-2221, unsupported holes (from memory)",
    ),
    # Copper
    _least("track_mm", "narrowest track, copper up to 1 oz/ft2", 0.15, 0.10, THIN_FOIL),
    _least("gap_mm", "smallest gap, copper up to 1 oz/ft2", 0.15, 0.10, THIN_FOIL),
    _least("track_2oz_mm", "narrowest track, 2 oz/ft2", 0.20, 0.175, GUIDES),
    _least("gap_2oz_mm", "smallest gap, 2 oz/ft2", 0.20, 0.175, GUIDES),
    _least("track_3oz_mm", "narrowest track, 3 oz/ft2", 0.25, 0.20, GUIDES),
    _least("gap_3oz_mm", "smallest gap, 3 oz/ft2", 0.25, 0.20, GUIDES),
    _least("copper_to_edge_mm", "copper to routed edge", 0.25, 0.20, GUIDES),
    _least("copper_to_score_mm", "copper to score line", 0.50, 0.40, GUIDES),
    _least("nonplated_to_copper_mm", "copper around a non-plated hole", 0.20, 0.20, GUIDES),
    _least("plated_to_inner_copper_mm", "plated hole to foreign inner copper", 0.25, 0.25, GUIDES),
    _least("sliver_mm", "narrowest copper sliver", 0.10, 0.10, PRACTICE),
    _least("acid_trap_deg", "sharpest angle between tracks", 45.0, 45.0, PRACTICE),
    # Mask, paste, legend
    _least("mask_margin_mm", "mask opening larger than its pad, per side", 0.05, 0.05, GUIDES),
    _least("mask_web_mm", "mask web between openings, green", 0.10, 0.075, GUIDES),
    _least("mask_web_other_mm", "mask web between openings, other colours", 0.15, 0.13, PRACTICE),
    _least("mask_cover_mm", "mask over a track beside an opening", 0.05, 0.05, PRACTICE),
    _least("legend_line_mm", "narrowest legend line", 0.15, 0.10, GUIDES),
    _least("legend_height_mm", "lowest legend text", 1.0, 0.8, GUIDES),
    _least("legend_to_pad_mm", "legend to exposed copper", 0.15, 0.10, PRACTICE),
    # Outline and panels
    _least("board_min_mm", "shortest side of a board", 10.0, 5.0, "common practice (from memory)"),
    _most("board_max_mm", "longest side of a board", 500.0, 500.0, "common practice (from memory)"),
    _least("score_thickness_min_mm", "thinnest board to score", 0.8, 0.8, GUIDES),
    _least("score_panel_min_mm", "shortest side of a scored panel", 75.0, 70.0, GUIDES),
    _least("panel_gap_mm", "routed gap between boards of a panel", 2.0, 1.6, PRACTICE),
    _least("tab_width_mm", "narrowest break-off tab", 2.0, 2.0, GUIDES),
)

LIMIT_KINDS: Final = {kind.key: kind for kind in _KINDS}
"""All limits by key, in the order of the sheet."""
