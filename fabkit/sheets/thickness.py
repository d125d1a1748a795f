"""The thickness an order is made at, where the user named none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from fabkit.base.units import format_mm
from fabkit.sheets.order import UNSETTLED, Order
from fabkit.sheets.sheet import House, thickness_tolerance_mm

_SAME_MM = 0.0005
"""Thicknesses are stated to a thousandth at best."""


def settle_thickness(order: Order, stated: Sequence[float | None], house: House) -> Order:
    """Take the thickness the boards' own files state when the order names none.

    A layout states the sum of its stack-up (1.58 mm), which nobody offers: the nearest offered
    thickness stands for it within the house's tolerance.  Beyond it the stated one is kept, and
    pricing says that it is not offered.

    Parameters
    ----------
    order
        As loaded; with a thickness of its own it is given back as it is.
    stated
        Thickness of each design by its job file, mm; None where none says it.
    house
        The one that is ordered from.

    Returns
    -------
    Order
        Its ``choice`` says where the thickness comes from.
    """
    if order.choice.thickness_from != UNSETTLED:
        return order
    named = [(one.name, mm) for one, mm in zip(order.boards, stated, strict=True) if mm is not None]
    if not named:
        return _with(order, float(order.choice.thickness_mm), "usual; no file states another")
    # One order has one thickness; the checks warn of the design that states another.
    name, asked = named[0]
    who = f"the job file of {name} states" if len(order.boards) > 1 else "the job file states"
    offered = house.thicknesses
    nearest = min(offered, key=lambda mm: abs(mm - asked), default=asked)
    away = abs(nearest - asked)
    if away <= _SAME_MM:
        return _with(order, nearest, f"as {who}")
    if away <= thickness_tolerance_mm(nearest):
        return _with(order, nearest, f"nearest offered; {who} {format_mm(asked)}")
    return _with(order, asked, f"as {who}; not offered, the nearest is {format_mm(nearest)}")


def _with(order: Order, thickness_mm: float, where: str) -> Order:
    thickness = Decimal(f"{float(thickness_mm):g}")
    choice = replace(order.choice, thickness_mm=thickness, thickness_from=where)
    return replace(order, choice=choice)
