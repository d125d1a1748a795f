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

from fabkit.base import VERSION

PUBLIC = {
    # What is read
    "open_package": "package.reading",
    "Package": "package.model",
    "read_gerber": "package.reading",
    "GerberFile": "formats.gerber.model",
    "read_drill": "package.reading",
    "DrillFile": "formats.drill.model",
    "Limits": "base.limits",
    "build_board": "board.build",
    "Board": "board.model",
    "find_keyboard": "keyboard.build",
    "Keyboard": "keyboard.model",
    # What is ordered, and from whom
    "load_order": "sheets.order",
    "Order": "sheets.order",
    "BoardUse": "sheets.order",
    "Silence": "sheets.order",
    "propose_order": "keyboard.ordered",
    "Proposal": "keyboard.ordered",
    "load_house": "sheets.house",
    "House": "sheets.house",
    # What is judged
    "check": "checks.judging",
    "CheckOptions": "checks.model",
    "CheckResult": "checks.model",
    "Finding": "base.findings",
    "Severity": "base.findings",
    "compare_houses": "checks.judging",
    "HouseVerdict": "checks.judging",
    "judge_thicknesses": "checks.choices",
    "ThicknessRow": "checks.choices",
    # Parts, cost, wiring
    "list_parts": "parts.listing",
    "Bill": "parts.model",
    "quote": "outputs.pricing",
    "CostSheet": "costs.model",
    "carry_over": "outputs.pricing",
    "Carried": "outputs.pricing",
    "list_wiring": "wiring.build",
    "Wiring": "wiring.model",
    "WiringOptions": "wiring.model",
    # What changed
    "compare_boards": "compare.boards",
    "Comparison": "compare.model",
    "judge_changes": "compare.judging",
    "judge_returned": "compare.returned",
    "Returned": "compare.returned",
    "Edited": "compare.returned",
    "HouseEdit": "compare.returned",
    "Expectation": "compare.judging",
    "Judgement": "compare.judging",
    "weigh_changes": "outputs.pricing",
    "Consequences": "outputs.pricing",
    "compare_revisions": "outputs.pricing",
    "Compared": "outputs.pricing",
    # What is mended
    "mend": "mending.mend",
    "MendOptions": "mending.mend",
    "Mended": "mending.model",
    "Deed": "mending.model",
    "NotMade": "mending.model",
    "LayerProof": "mending.model",
    # What is written
    "draw": "outputs.drawings",
    "PreviewOptions": "pictures.looks",
    "draw_sheet": "outputs.drawings",
    "SheetChoice": "outputs.drawings",
    "SheetKind": "outputs.drawings",
    "draw_paper": "outputs.drawings",
    "draw_wiring": "outputs.drawings",
    "pack": "outputs.pack",
    "PackOptions": "outputs.zip_papers",
    "Packed": "outputs.atomic",
    "panel": "outputs.panel",
    "PanelOptions": "sheets.order",
    "PanelPlan": "panels.build",
    "PanelPrice": "outputs.panel",
    "PanelResult": "outputs.panel",
    "order": "desk.ordering",
    "OrderResult": "outputs.model",
    "JudgedBoard": "outputs.model",
    # What goes wrong
    "FabkitError": "base.errors",
}
"""Every public name and the module that has it: the only list of them.

Type checkers read ``__init__.pyi``, which is written from this list.
"""

__version__ = VERSION
__all__ = [*sorted(PUBLIC), "__version__"]


def __getattr__(name: str) -> object:
    if name not in PUBLIC:
        raise AttributeError(f"module 'fabkit' has no attribute '{name}'")
    value = getattr(import_module(f"fabkit.{PUBLIC[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
