"""Layers that a netlist names against the copper that is there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import Finding, Place
from fabkit.base.units import counted
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.formats.sidecars.model import Netlist
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

BEYOND: Final = load_rule("netlist/layer-beyond")


@check(id="netlist/layers", rules=(BEYOND,), needs=("copper",))
def find_layers_beyond(case: Case) -> Iterator[Finding]:
    """No point of the netlist lies on a layer beyond the copper that is there."""
    count = len(case.board.copper)
    for file in case.board.package.of(RoleKind.NETLIST):
        if not isinstance(file.content, Netlist):
            continue
        lost = [p for p in file.content.points if p.access > max(count, 2)]
        if lost:
            highest = max(p.access for p in lost)
            yield Finding.of(
                BEYOND,
                f"{counted(len(lost), 'point')} up to layer {highest}, but "
                f"{counted(count, 'copper layer')} in all",
                *(Place(file=file.name, line=p.line, x_mm=p.x_mm, y_mm=p.y_mm) for p in lost[:20]),
                count=len(lost),
                measured=float(highest),
                limit=float(count),
                unit="layers",
            )
