"""Charts: as elements that a page colours by the kinds of their marks, and as scenes for files."""

from __future__ import annotations

from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import shapely

from fabkit.costs.chart import Bar, Chart, Dot, Line, Mark
from fabkit.pictures import looks
from fabkit.pictures.scene import Fill, Part, Pen, Scene, SceneDraft, fitted, letters

UNIT_MM: Final = 0.25
"""A unit of a chart on paper: 180 mm across for 720."""

CAPITALS: Final = 9.5
"""Height of capitals, as of a page's letters of 13 pixels."""

TITLE_ROOM: Final = 30
"""Room for the title above a chart that stands alone, and for each notice below it."""

TONES: Final = {
    "grid": looks.GHOST_COPPER,
    "bare": looks.FAINT_INK,
    "whole": looks.BLUE,
    "best": looks.VERMILION,
    "short": looks.SURROUNDINGS_LIGHT,
}
"""Colours by kind; what is not named is ink."""

ANCHORS: Final = {"left": "start", "middle": "middle", "right": "end"}

WIDTHS: Final = {"grid": 1.0}
"""Width of lines by kind; others are 2.5."""


def chart_svg(chart: Chart, more: str = "") -> str:
    """Write a chart as an element whose classes are the kinds of its marks.

    Parameters
    ----------
    more
        Elements on top of all.
    """
    body = "".join(map(_element, chart.marks))
    return (
        f'<svg class="chart" viewBox="0 0 {chart.width:g} {chart.height:g}" role="img"'
        f" aria-label={quoteattr(chart.title)}>{body}{more}</svg>"
    )


def _element(mark: Mark) -> str:
    if isinstance(mark, Line):
        points = "L".join(f"{x:.1f} {y:.1f}" for x, y in mark.points)
        return f'<path class="{mark.kind}" d="M{points}"/>'
    at = f'{mark.x:.1f}" y="{mark.y:.1f}"'
    if isinstance(mark, Dot):
        circle = f'cx="{mark.x:.1f}" cy="{mark.y:.1f}" r="{mark.radius:g}"'
        return f'<circle class="{mark.kind}" {circle}/>'
    if isinstance(mark, Bar):
        title = f"<title>{escape(mark.title)}</title>" if mark.title else ""
        size = f'width="{mark.width:.1f}" height="{mark.height:.1f}"'
        return f'<rect class="{mark.kind}" x="{at} {size}>{title}</rect>'
    anchor = ANCHORS[mark.align]
    return f'<text class="{mark.kind}" x="{at} text-anchor="{anchor}">{escape(mark.text)}</text>'


def chart_scene(chart: Chart, notices: tuple[str, ...] = ()) -> Scene:
    """Lay a chart on white with its title, and below it what every output must repeat."""
    foot = TITLE_ROOM * len(notices) * UNIT_MM
    width, height = chart.width * UNIT_MM, (chart.height + TITLE_ROOM) * UNIT_MM + foot
    draft = SceneDraft(chart.title, (0.0, 0.0, width, height))
    draft.ground(looks.PAPER)
    for mark in chart.marks:
        drawn = _part(mark, foot + chart.height * UNIT_MM)
        draft.coat(mark.kind, TONES.get(mark.kind, looks.INK), drawn)
    size, edge = CAPITALS * UNIT_MM, 4 * UNIT_MM
    title = fitted(chart.title, 1.15 * size, width - 2 * edge)
    draft.coat("title", looks.INK, letters(title, edge, height - 5.0, 1.15 * size, bold=True))
    for k, notice in enumerate(notices):
        words = fitted(notice, 0.8 * size, width - 2 * edge)
        low = foot - (k + 0.6) * TITLE_ROOM * UNIT_MM
        draft.coat("notice", looks.VERMILION, letters(words, edge, low, 0.8 * size))
    return draft.scene()


def _part(mark: Mark, top: float) -> Part:
    """Draw a mark in mm, y upwards."""
    if isinstance(mark, Line):
        points = np.array(mark.points) * (UNIT_MM, -UNIT_MM) + (0.0, top)
        width = WIDTHS.get(mark.kind, 2.5) * UNIT_MM
        x, y = points.T
        return Pen.lines(x[:-1], y[:-1], x[1:], y[1:], width)
    left, base = mark.x * UNIT_MM, top - mark.y * UNIT_MM
    if isinstance(mark, Dot):
        return Pen.discs(np.array([left]), np.array([base]), 2 * mark.radius * UNIT_MM)
    if isinstance(mark, Bar):
        box = shapely.box(left, base - mark.height * UNIT_MM, left + mark.width * UNIT_MM, base)
        return Fill(np.array([box], dtype=object))
    return letters(mark.text, left, base, CAPITALS * UNIT_MM, align=mark.align)
