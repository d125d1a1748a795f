"""Which pin goes where: net by net, from the part with the most pins outwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from fabkit.board.copper import NO_NET
from fabkit.board.model import Board, Component

FEWEST_PINS: Final = 8
"""A part with fewer pins is not what the others are wired to (common practice: a controller, its
header rows or a port expander has more)."""

LISTED_ENDS: Final = 12
"""Ends named one by one; a net with more (ground, supply) is told by their number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireRow:
    """One pin with its net and the other ends of that net."""

    ref: str
    part: str
    pin: str
    net: str
    ends: tuple[str, ...]
    more: int
    """Further ends that are not named."""


def wiring_rows(board: Board) -> tuple[WireRow, ...]:
    """Pins of the controller (or of its header rows) with everything they lead to.

    Empty when the files name no nets, or no part has enough pins.
    """
    parts = [c for c in board.components if any(net for _, net in c.pins)]
    most = max((len(c.pins) for c in parts), default=0)
    if most < FEWEST_PINS:
        return ()
    hubs = [c for c in parts if len(c.pins) >= max(FEWEST_PINS, most / 2)]
    ends: dict[str, list[tuple[str, str]]] = {}
    for part in parts:
        for pin, net in part.pins:
            if net not in NO_NET:
                ends.setdefault(net, []).append((part.ref, pin))
    return tuple(_row(hub, pin, net, ends.get(net, [])) for hub in hubs for pin, net in hub.pins)


def _row(hub: Component, pin: str, net: str, all_ends: list[tuple[str, str]]) -> WireRow:
    others = [f"{ref} pin {number}" for ref, number in all_ends if (ref, number) != (hub.ref, pin)]
    shown = others if len(others) <= LISTED_ENDS else []
    return WireRow(
        ref=hub.ref,
        part=hub.value,
        pin=pin,
        net="" if net in NO_NET else net,
        ends=tuple(shown),
        more=len(others) - len(shown),
    )
