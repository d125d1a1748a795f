"""What an order comes to: its boards read and judged, everything found out, the folder written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fabkit.base.findings import Severity
from fabkit.base.tables import Record
from fabkit.board.model import Board
from fabkit.checks.judging import HouseVerdict
from fabkit.checks.model import CheckResult
from fabkit.costs.model import BoardFacts, CostSheet
from fabkit.mending.model import Mended
from fabkit.outputs.atomic import Packed
from fabkit.outputs.pricing import Compared
from fabkit.parts.model import Bill
from fabkit.sheets.house import House
from fabkit.sheets.order import Order, OrderedBoard
from fabkit.wiring.model import Wiring


@dataclass(frozen=True, eq=False, kw_only=True)
class JudgedBoard:
    """One design of an order, read and judged.

    Parameters
    ----------
    ordered
        What the order states of it, settled by its files.
    board, result
        The design and its verdict.
    houses
        Which of several houses can make it; empty where there is one.
    mended
        What was mended before; None where the files are ordered as they are.
    """

    ordered: OrderedBoard
    board: Board
    result: CheckResult
    houses: tuple[HouseVerdict, ...] = ()
    mended: Mended | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class OrderContents:
    """Everything that an order folder is rendered from.

    Parameters
    ----------
    facts
        What the house charges by, of each board.
    sources
        The sheets and the order file: name to bytes.
    today
        The day by which the age of prices was judged.
    compared
        What changed since the revision before.
    """

    order: Order
    house: House
    boards: tuple[JudgedBoard, ...]
    facts: tuple[BoardFacts, ...]
    bill: Bill
    costs: CostSheet
    wiring: Wiring
    sources: Mapping[str, bytes]
    today: date | None
    compared: Compared | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class OrderResult:
    """An order that was done.

    Parameters
    ----------
    folder
        Where the outputs lie.
    order
        As it was done: what each board is and the thickness are settled.
    boards
        The designs with their verdicts.
    zips
        Zip of each board for the board house, named as in ``folder``; None where errors forbid it.
    bill, costs, wiring
        Parts list, prices, and the pin of each key.
    manifest
        What ``manifest.json`` in the folder holds.
    """

    folder: Path
    order: Order
    boards: tuple[JudgedBoard, ...]
    zips: tuple[Packed | None, ...]
    bill: Bill
    costs: CostSheet
    wiring: Wiring
    manifest: Record

    def exit_status(self, fail_on: Severity | None) -> int:
        """Exit status of a run: the worst of the boards'.

        At least 1 when a zip or the panel was refused, and 2 when an output was too heavy for this
        machine.
        """
        panel = self.manifest["panel"]
        refused = int(None in self.zips or (panel is not None and panel["zip"] is None))
        lost = 2 * bool(self.manifest["lost"])
        return max(refused, lost, *(one.result.exit_status(fail_on) for one in self.boards))
