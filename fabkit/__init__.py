"""fabkit reads printed-circuit fabrication files, checks, draws, prices and packs them.

The whole way in a few lines::

    import fabkit

    package = fabkit.open_package("gerbers.zip")
    board = fabkit.build_board(package)
    for finding in fabkit.check(board, fabkit.load_house()):
        print(finding.severity.word, finding.message)

Names are loaded when first used, so importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "Board": "fabkit.board.model",
    "DrillFile": "fabkit.drill.model",
    "FabkitError": "fabkit.errors",
    "Finding": "fabkit.findings",
    "GerberFile": "fabkit.gerber.model",
    "Limits": "fabkit.limits",
    "Package": "fabkit.package.model",
    "Severity": "fabkit.findings",
    "build_board": "fabkit.api",
    "check": "fabkit.api",
    "load_house": "fabkit.api",
    "open_package": "fabkit.api",
    "read_drill": "fabkit.api",
    "read_gerber": "fabkit.api",
}

__all__ = [*sorted(_PUBLIC), "__version__"]

if TYPE_CHECKING:
    from fabkit.api import (
        build_board,
        check,
        load_house,
        open_package,
        read_drill,
        read_gerber,
    )
    from fabkit.board.model import Board
    from fabkit.drill.model import DrillFile
    from fabkit.errors import FabkitError
    from fabkit.findings import Finding, Severity
    from fabkit.gerber.model import GerberFile
    from fabkit.limits import Limits
    from fabkit.package.model import Package


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
