"""Corrections of legend, mask and pours that follow what the house can make."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Ints, Shapes, rows_by
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, counted, format_mm
from fabkit.formats.gerber.drawing import strokes_in, with_areas
from fabkit.formats.gerber.macros import StandardShape
from fabkit.formats.gerber.model import GerberFile, Kind, object_shapes, pen_widths
from fabkit.geometry.areas import polygons_of
from fabkit.mending.model import NOWHERE, Deed, Draft
from fabkit.package.model import PackageFile, RoleKind, Side

_INK_MM2: Final = 0.02
"""Ink on one pad smaller than this is no fault of the legend; as in the check of the legend."""
_BEYOND_MM: Final = 1.0
"""So much wider than all ink is the frame that clears it: they share no edge."""
_SLACK_MM: Final = 2.5 * CHORD_ERROR_MM
"""Two round outlines may each be off by a chord."""
_PART: Final = 0.5
"""An opening over less than this share of a pad is not the pad's own."""


def _image(draft: Draft, kind: RoleKind, side: Side | None) -> BaseGeometry | None:
    found = [f.gerber for f in draft.files.values()
             if f.role.kind is kind and f.role.side == side and f.gerber is not None]  # fmt: skip
    return found[0].image if len(found) == 1 else None


def clip_legend(draft: Draft) -> Iterator[Deed]:
    """Clear ink on pads bare of mask, and beyond the edge."""
    profile = draft.board.profile
    for name, file, gerber in draft.layers(RoleKind.LEGEND):
        ink = gerber.image
        openings = _image(draft, RoleKind.MASK, file.role.side)
        copper = _image(draft, RoleKind.COPPER, file.role.side)
        clear: list[Shapes] = []
        if openings is not None and copper is not None and not ink.is_empty:
            bare = polygons_of(shapely.intersection(openings, copper), above_mm2=AREA_MM2)
            inked = shapely.area(shapely.intersection(bare, ink)) > _INK_MM2
            if inked.any():
                clear.append(bare[inked])
                words = f"clipped off {counted(int(inked.sum()), 'pad')}"
                yield Deed.over("legend-clip", name, words, bare[inked])
        # Where the edge can be read in two ways, ink beyond the one may lie on the other.
        if profile is not None and len(draft.board.edge.readings) < 2:
            beyond = polygons_of(shapely.difference(ink, profile), above_mm2=AREA_MM2)
            if shapely.area(beyond).sum() > _INK_MM2:
                around = shapely.box(*shapely.buffer(ink, _BEYOND_MM).bounds)
                outside = polygons_of(shapely.difference(around, profile), above_mm2=AREA_MM2)
                clear.append(outside)
                yield Deed.over("legend-clip", name, "clipped off the board's edge", outside)
        if clear:
            made = with_areas(gerber, np.concatenate(clear), dark=False)
            draft.put(file, made)


def widen_legend(draft: Draft) -> Iterator[Deed]:
    """Draw thin legend lines with the house's least width."""
    least = draft.house.limit("legend_line_mm").value
    for name, file, gerber in draft.layers(RoleKind.LEGEND):
        rows = strokes_in(gerber)
        width = pen_widths(gerber, rows)
        rows = rows[(width > 0) & (width < least)]
        if not len(rows):
            continue
        made = _with_pens(gerber, rows, least)
        draft.put(file, made)
        thinnest = format_mm(float(np.nanmin(width[width > 0])))
        words = f"{counted(len(rows), 'line')} of {thinnest} and more made {format_mm(least)}"
        yield Deed.over("legend-width", name, words, object_shapes(made, rows), at=NOWHERE)


def _with_pens(file: GerberFile, rows: Ints, width_mm: float) -> GerberFile:
    """Draw some strokes with a pen of another width; functions of the pens stay."""
    o = file.objects
    apertures = list(file.apertures)
    aperture = o.aperture.copy()
    code = max(a.code for a in apertures)
    for old, drawn in rows_by(o.aperture[rows]).items():
        code += 1
        mine = rows[drawn]
        scale = file.poses[int(o.pose[mine[0]])].scale
        wide = width_mm / scale
        pen = replace(
            apertures[old],
            code=code,
            template="C",
            parameters=(wide / file.unit_mm,),
            diameter_mm=wide,
            size_mm=(wide, wide),
            builder=StandardShape("C", wide, wide),
        )
        aperture[mine] = len(apertures)
        apertures.append(pen)
    return replace(file, objects=o.with_columns(aperture=aperture), apertures=tuple(apertures))


def grow_openings(draft: Draft) -> Iterator[Deed]:
    """Add to mask openings what their pads lack of the house's margin."""
    margin = draft.house.limit("mask_margin_mm").value
    web = draft.house.limit("mask_web_mm").value
    for name, file, gerber in draft.layers(RoleKind.MASK):
        lands = _lands(draft, file)
        openings = gerber.image
        if lands is None or openings.is_empty:
            continue
        pads, copper = lands
        shapely.prepare(openings)
        bared = shapely.area(shapely.intersection(pads, openings))
        own = bared > _PART * shapely.area(pads)
        wanted = shapely.buffer(pads, margin, quad_segs=16)
        enough = shapely.buffer(pads, margin - _SLACK_MM, quad_segs=16)
        short = own & ~shapely.covers(openings, enough)
        if not short.any():
            continue
        rows = np.flatnonzero(short & draft.allowed(pads))
        rows = rows[_alone(rows, pads, wanted, (openings, copper), web)]
        left = int(short.sum()) - len(rows)
        if left:
            draft.refuse(
                "mask-margin", name,
                f"{counted(left, 'opening')}: a web or other copper lies too near",
            )  # fmt: skip
        if not len(rows):
            continue
        areas = wanted[rows]
        draft.put(file, with_areas(gerber, areas, dark=True))
        words = f"{counted(len(rows), 'opening')} grown to {format_mm(margin)} around the pad"
        yield Deed.over("mask-margin", name, words, areas)


def _lands(draft: Draft, mask: PackageFile) -> tuple[Shapes, BaseGeometry] | None:
    """Flashed pads of the copper below a mask, and all of that copper."""
    for _, file, copper in draft.layers(RoleKind.COPPER):
        if file.role.side == mask.role.side:
            o = copper.objects
            rows = o.dark_rows(Kind.FLASH)
            pads = object_shapes(copper, rows)
            pads = pads[shapely.area(pads) > 0]
            return (pads, copper.image) if len(pads) else None
    return None


def _alone(
    rows: Ints, pads: Shapes, wanted: Shapes, near: tuple[BaseGeometry, BaseGeometry], web: float
) -> np.ndarray:
    """Whether an opening may grow: no other opening and no other copper comes too near."""
    openings, copper = near
    parts = polygons_of(openings, above_mm2=AREA_MM2)
    tree = shapely.STRtree(parts)
    copper_parts = polygons_of(copper, above_mm2=AREA_MM2)
    copper_tree = shapely.STRtree(copper_parts)
    out = np.zeros(len(rows), np.bool_)
    for k, row in enumerate(rows.tolist()):
        pad = pads[row]
        own = tree.query(pad, predicate="intersects")
        others = np.setdiff1d(tree.query(shapely.buffer(wanted[row], web)), own)
        clear = bool((shapely.distance(parts[others], wanted[row]) >= web).all())
        # A little more of the pad's own track comes bare with every margin; other copper must not.
        touched = copper_parts[copper_tree.query(wanted[row], predicate="intersects")]
        foreign = touched[~shapely.intersects(touched, pad)]
        out[k] = clear and not len(foreign)
    return out


def pull_back_pours(draft: Draft) -> Iterator[Deed]:
    """Clear pours that come nearer to the edge than the house asks for."""
    profile = draft.board.profile
    if profile is None:
        return
    reach = draft.house.limit("copper_to_edge_mm").value
    # A micrometre more than is asked for, which chords and rounding may take back.
    band = shapely.intersection(
        profile, shapely.buffer(shapely.boundary(profile), reach + 1e-3, quad_segs=16)
    )
    for name, file, gerber in draft.layers(RoleKind.COPPER):
        o = gerber.objects
        poured = o.dark_rows(Kind.REGION)
        pours = object_shapes(gerber, poured)
        near = shapely.intersects(pours, band)
        if not near.any():
            continue
        others = object_shapes(gerber, o.dark_rows(Kind.FLASH, Kind.DRAW, Kind.ARC))
        tree = shapely.STRtree(others)
        kept = shapely.union_all(others[np.unique(tree.query(band, predicate="intersects"))])
        pour = shapely.union_all(shapely.intersection(pours[near], band))
        areas = polygons_of(shapely.difference(pour, kept), above_mm2=AREA_MM2)
        if not len(areas):
            continue
        draft.put(file, with_areas(gerber, areas, dark=False))
        words = f"pours cleared within {format_mm(reach)} of the edge"
        yield Deed.over("copper-edge", name, words, areas)
