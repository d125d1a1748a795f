"""Layers that a netlist names against the copper that is there."""

from __future__ import annotations

from collections.abc import Iterator

from fabkit.base.findings import Finding, Place, Rule, Severity, Source
from fabkit.base.units import counted
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.formats.sidecars.model import Netlist
from fabkit.package.model import RoleKind

BEYOND = Rule(
    id="netlist/layer-beyond",
    title="The netlist names a copper layer that is not there",
    why="Netlist and layers belong to different boards, or a copper layer is missing.",
    source=Source("IPC-D-356A", "access code, columns 39 to 41"),
    severity=Severity.ERROR,
    advice="Export netlist and layers together from one state of the design.",
)


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
