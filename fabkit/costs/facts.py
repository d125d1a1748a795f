"""What a board house charges by: facts measured on the board."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from fabkit.base.errors import UsageError
from fabkit.base.materials import COPPER_UM_PER_OZ, board_weight_g
from fabkit.board.model import measure_laminate

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.model import CheckResult
    from fabkit.sheets.order import Order

MICROMETRE = Decimal("0.001")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFacts:
    """Facts of one design.

    Parameters
    ----------
    width_mm, height_mm
        Box of the routed outline, to 1 um.
    area_mm2
        Area of the outline less cut-outs and holes, for the weight.
    layers
        Copper layers.
    smallest_drill_mm, smallest_track_mm
        None when there is none, or when it was not measured.
    holes
        Drill hits.
    copper_cover
        Share of the area covered, by layer; empty: weight without copper's share.
    needs_fine
        The board breaks a standard limit and keeps the fine one.
    boards
        Equal boards that one piece gives: more than one for a panel, whose size it is then.
    panel
        What the panel is, in words; empty for a plain board.
    """

    name: str
    width_mm: Decimal
    height_mm: Decimal
    area_mm2: float
    layers: int
    smallest_drill_mm: Decimal | None = None
    smallest_drill_count: int = 0
    smallest_track_mm: Decimal | None = None
    holes: int = 0
    copper_cover: tuple[float, ...] = ()
    needs_fine: bool = False
    boards: int = 1
    panel: str = ""

    def weight_g(self, thickness_mm: float | Decimal, copper_oz: float | Decimal = 1) -> Decimal:
        """Weight of one board to 1 mg; see :func:`fabkit.base.materials.board_weight_g`."""
        grams = board_weight_g(
            self.area_mm2,
            float(thickness_mm),
            copper_um=COPPER_UM_PER_OZ * float(copper_oz),
            cover=self.copper_cover,
        )
        return Decimal(str(round(grams, 3)))


def facts_from_board(
    board: Board,
    *,
    smallest_track_mm: float | None = None,
    copper_cover: Sequence[float] = (),
    needs_fine: bool = False,
) -> BoardFacts:
    """Measure a board.

    ``smallest_track_mm`` and ``needs_fine`` come from the manufacturability checks, where they
    were run.

    Raises
    ------
    UsageError
        The board has no size.
    """
    width, height = board.size_mm
    if not (math.isfinite(width) and math.isfinite(height) and width > 0 and height > 0):
        raise UsageError(
            f"{board.name}: the board has no size",
            hint="a profile (outline) layer is needed to quote",
        )
    area, _ = measure_laminate(board)
    drills = [*board.holes.diameter.tolist(), *board.slots.diameter.tolist()]
    smallest = min(drills, default=None)
    return BoardFacts(
        name=board.name,
        width_mm=_micrometres(width),
        height_mm=_micrometres(height),
        area_mm2=area,
        layers=max(1, len(board.copper)),
        smallest_drill_mm=None if smallest is None else _micrometres(smallest),
        smallest_drill_count=sum(d < smallest + 5e-4 for d in drills) if smallest else 0,
        smallest_track_mm=None if smallest_track_mm is None else _micrometres(smallest_track_mm),
        holes=len(board.holes),
        copper_cover=tuple(copper_cover),
        needs_fine=needs_fine,
        boards=board.panel.count if board.panel is not None and board.panel.equal else 1,
        panel=board.panel.words if board.panel is not None else "",
    )


def facts_of_order(
    order: Order, boards: Sequence[Board], verdicts: Sequence[CheckResult]
) -> tuple[BoardFacts, ...]:
    """Measure each design of an order; the verdicts show which one needs the fine class."""
    return tuple(
        replace(
            facts_from_board(b, copper_cover=measure_laminate(b)[1], needs_fine=r.needs_fine),
            name=one.name,
        )
        for one, b, r in zip(order.boards, boards, verdicts, strict=True)
    )


def _micrometres(value_mm: float) -> Decimal:
    return Decimal(str(value_mm)).quantize(MICROMETRE)
