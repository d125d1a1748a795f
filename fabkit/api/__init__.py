"""Where the rooms are put together: everything the command line can do, for Python.

Every function is re-exported by :mod:`fabkit`.
"""

from fabkit.api.carrying import Carried, carry_over
from fabkit.api.comparing import compare_boards, judge_changes, weigh_changes
from fabkit.api.drawing import draw, draw_paper, draw_sheet
from fabkit.api.judging import check, compare_houses, judge_thicknesses, pack
from fabkit.api.ordering import list_parts, order, quote
from fabkit.api.proposing import Proposal, propose_order
from fabkit.api.reading import (
    build_board,
    load_house,
    load_order,
    open_package,
    read_drill,
    read_gerber,
)
from fabkit.api.wiring import draw_wiring, list_wiring, write_pin_form

__all__ = [
    "Carried",
    "Proposal",
    "build_board",
    "carry_over",
    "check",
    "compare_boards",
    "compare_houses",
    "draw",
    "draw_paper",
    "draw_sheet",
    "draw_wiring",
    "judge_changes",
    "judge_thicknesses",
    "list_parts",
    "list_wiring",
    "load_house",
    "load_order",
    "open_package",
    "order",
    "pack",
    "propose_order",
    "quote",
    "read_drill",
    "read_gerber",
    "weigh_changes",
    "write_pin_form",
]
