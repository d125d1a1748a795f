"""fabkit reads printed-circuit fabrication files, checks, draws, prices and packs them.

The whole way in a few lines::

    import fabkit

    board = fabkit.build_board(fabkit.open_package("gerbers.zip"))
    result = fabkit.check(board)
    print(result.verdict)
    fabkit.draw(board, "pictures")
    fabkit.pack(board, "upload.zip", result=result)

Names are loaded when first used, so importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "Bill": "fabkit.parts.model",
    "Board": "fabkit.board.model",
    "CheckOptions": "fabkit.checks.model",
    "CheckResult": "fabkit.checks.model",
    "Comparison": "fabkit.compare.model",
    "CostSheet": "fabkit.costs.model",
    "DrillFile": "fabkit.formats.drill.model",
    "FabkitError": "fabkit.base.errors",
    "Finding": "fabkit.base.findings",
    "GerberFile": "fabkit.formats.gerber.model",
    "House": "fabkit.sheets.house",
    "Keyboard": "fabkit.keyboard.model",
    "Limits": "fabkit.base.limits",
    "Order": "fabkit.sheets.order",
    "PackOptions": "fabkit.outputs.options",
    "Package": "fabkit.package.model",
    "PreviewOptions": "fabkit.pictures.options",
    "Severity": "fabkit.base.findings",
    "SheetChoice": "fabkit.outputs.drawings",
    "Wiring": "fabkit.wiring.model",
    "WiringOptions": "fabkit.wiring.model",
    "build_board": "fabkit.api",
    "carry_over": "fabkit.api",
    "check": "fabkit.api",
    "compare_boards": "fabkit.api",
    "compare_houses": "fabkit.api",
    "draw": "fabkit.api",
    "draw_paper": "fabkit.api",
    "draw_sheet": "fabkit.api",
    "draw_wiring": "fabkit.api",
    "find_keyboard": "fabkit.keyboard.build",
    "judge_changes": "fabkit.api",
    "judge_thicknesses": "fabkit.api",
    "list_parts": "fabkit.api",
    "list_wiring": "fabkit.api",
    "load_house": "fabkit.api",
    "load_order": "fabkit.api",
    "open_package": "fabkit.api",
    "order": "fabkit.api",
    "pack": "fabkit.api",
    "propose_order": "fabkit.api",
    "quote": "fabkit.api",
    "read_drill": "fabkit.api",
    "read_gerber": "fabkit.api",
    "weigh_changes": "fabkit.api",
}

__all__ = [
    "Bill",
    "Board",
    "CheckOptions",
    "CheckResult",
    "Comparison",
    "CostSheet",
    "DrillFile",
    "FabkitError",
    "Finding",
    "GerberFile",
    "House",
    "Keyboard",
    "Limits",
    "Order",
    "PackOptions",
    "Package",
    "PreviewOptions",
    "Severity",
    "SheetChoice",
    "Wiring",
    "WiringOptions",
    "__version__",
    "build_board",
    "carry_over",
    "check",
    "compare_boards",
    "compare_houses",
    "draw",
    "draw_paper",
    "draw_sheet",
    "draw_wiring",
    "find_keyboard",
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
]

if TYPE_CHECKING:
    from fabkit.api import (
        build_board,
        carry_over,
        check,
        compare_boards,
        compare_houses,
        draw,
        draw_paper,
        draw_sheet,
        draw_wiring,
        judge_changes,
        judge_thicknesses,
        list_parts,
        list_wiring,
        load_house,
        load_order,
        open_package,
        order,
        pack,
        propose_order,
        quote,
        read_drill,
        read_gerber,
        weigh_changes,
    )
    from fabkit.base.errors import FabkitError
    from fabkit.base.findings import Finding, Severity
    from fabkit.base.limits import Limits
    from fabkit.board.model import Board
    from fabkit.checks.model import CheckOptions, CheckResult
    from fabkit.compare.model import Comparison
    from fabkit.costs.model import CostSheet
    from fabkit.formats.drill.model import DrillFile
    from fabkit.formats.gerber.model import GerberFile
    from fabkit.keyboard.build import find_keyboard
    from fabkit.keyboard.model import Keyboard
    from fabkit.outputs.drawings import SheetChoice
    from fabkit.outputs.options import PackOptions
    from fabkit.package.model import Package
    from fabkit.parts.model import Bill
    from fabkit.pictures.options import PreviewOptions
    from fabkit.sheets.house import House
    from fabkit.sheets.order import Order
    from fabkit.wiring.model import Wiring, WiringOptions


def __getattr__(name: str) -> Any:
    try:
        module = _PUBLIC[name]
    except KeyError:
        raise AttributeError(f"module 'fabkit' has no attribute '{name}'") from None
    value = getattr(import_module(module), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
