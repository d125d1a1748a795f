"""A chart of the cost per half over the quantity, with its steps visible."""

from __future__ import annotations

import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from fabkit.costs.model import CostSheet, Offer

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ChartFormat = Literal["png", "svg"]

_WITH_PARTS, _BARE, _BEST = "#1f5fa8", "#7a7f87", "#b3401f"
_RC: dict[Any, Any] = {
    "svg.hashsalt": "fabkit",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 9,
}


def render_chart(sheet: CostSheet, fmt: ChartFormat = "png", *, dpi: int = 120) -> bytes:
    """Draw the cost per half over the pieces ordered.

    Between two quantities the house takes, the next larger one is paid, so the lines are steps.

    Returns
    -------
    bytes
        A PNG or SVG file; the same sheet gives the same bytes with the same library builds.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context(_RC):
        figure = Figure(figsize=(7.2, 4.2), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        _draw(axes, sheet)
        if sheet.notices:
            figure.supxlabel("\n".join(sheet.notices), fontsize=7, color=_BEST)
        out = io.BytesIO()
        metadata = {"Date": None} if fmt == "svg" else {"Software": None}
        figure.savefig(out, format=fmt, dpi=dpi, metadata=metadata)
    return out.getvalue()


def _draw(axes: Axes, sheet: CostSheet) -> None:
    code = sheet.currency.code
    axes.set_title(f"{sheet.name}: cost per half")
    axes.set_xlabel("pieces ordered of each design")
    axes.set_ylabel(f"{code} per half")
    axes.grid(visible=True, axis="y", color="#dddddd", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    if not sheet.curve:
        axes.text(0.5, 0.5, "no price", ha="center", va="center", transform=axes.transAxes)
        return
    curve = _interesting(sheet)
    quantities = [o.quantity for o in curve]
    _step(axes, quantities, [o.per_half_used for o in curve], _BARE, "bare boards, landed")
    if any(o.parts_total for o in curve):
        _step(axes, quantities, [o.per_half for o in curve], _WITH_PARTS, "with all parts")
    best = sheet.best
    if best is not None and best.per_half is not None:
        half = float(best.per_half)
        axes.plot([best.quantity], [half], "o", color=_BEST, markersize=7, zorder=4)
        axes.annotate(
            f"{best.quantity} pieces: {sheet.currency.format(best.per_half)} a half",
            (best.quantity, half),
            xytext=(8, 14),
            textcoords="offset points",
            color=_BEST,
        )
    short = [o.quantity for o in curve if not o.covers]
    if short:
        axes.axvspan(quantities[0], max(short) + 0.5, color="#f3ead9", zorder=0)
        axes.text(
            quantities[0],
            1.0,
            " not enough halves",
            transform=axes.get_xaxis_transform(),
            va="top",
            fontsize=7,
        )
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, loc="best")


def _interesting(sheet: CostSheet) -> tuple[Offer, ...]:
    """The curve up to three times the need, so that the steps can be seen."""
    covering = [o.quantity for o in sheet.curve if o.covers]
    shown = max([o.quantity for o in sheet.offers], default=0)
    top = max(3 * covering[0] if covering else 0, shown)
    return tuple(o for o in sheet.curve if o.quantity <= top) or sheet.curve


def _step(
    axes: Axes, quantities: list[int], values: list[Decimal | None], colour: str, label: str
) -> None:
    heights = [float("nan") if v is None else float(v) for v in values]
    axes.step(quantities, heights, where="pre", color=colour, linewidth=1.4, label=label)
    axes.plot(quantities, heights, ".", color=colour, markersize=5)
