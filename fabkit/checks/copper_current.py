"""Current that tracks carry: the IPC-2221 curve, and tracks of power nets judged by it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Severity
from fabkit.base.units import MIL_MM, format_number, some_of
from fabkit.checks.copper_facts import require_copper, strokes_of
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, objects_at
from fabkit.rules import load_rule

FACTOR: Final = {"outer": 0.048, "inner": 0.024}
RISE_POWER: Final = 0.44
AREA_POWER: Final = 0.725
"""Curve fit of IPC-2221: I = k dT^0.44 A^0.725, A in square mils, dT in K."""

COPPER_UM: Final = 34.8
"""Thickness that the curve's figures take for 1 oz/ft2 (1.37 mil)."""

RISE_K: Final = 10.0
"""Warming allowed beside a battery (common practice)."""

ASSUMED_A: Final = 0.5
"""Current taken when none is stated: the most a USB 2.0 port gives without asking."""

POWER: Final = re.compile(
    r"(?:^|[^A-Z0-9])(?:\+?\d+V\d*|V?BAT(?:T|TERY)?|BAT(?:T|TERY)?[+_-]?|B\+|VBUS|VUSB|VIN|RAW|VSYS"
    r"|VCC|VDD|CHARGE)(?:$|[^A-Z])",
    re.IGNORECASE,
)
"""Words of the trade for nets that carry supply or charging current."""

NARROW: Final = load_rule("copper/current")


def width_mm(
    current: float, *, copper_um: float = COPPER_UM, rise_k: float = RISE_K, inner: bool = False
) -> float:
    """Give the width of a track that ``current`` (A) warms by ``rise_k``.

    An estimate, as IPC-2221 itself says of its curves; valid up to about 35 A, 10 to 100 K and
    10 mm.
    """
    k = FACTOR["inner" if inner else "outer"]
    area = (current / (k * rise_k**RISE_POWER)) ** (1 / AREA_POWER)
    return float(area * MIL_MM * MIL_MM * 1000 / copper_um)


@check(id="copper/current", rules=(NARROW,), needs=("nets",))
def current(case: Case) -> Iterator[Finding]:
    """Tracks of supply nets carry the charging current."""
    copper = require_copper(case)
    stated = case.options.charge_current_a
    amps = ASSUMED_A if stated is None else stated
    supply = np.array([bool(POWER.search(name)) for name in copper.nets], dtype=bool)
    for index, layer in enumerate(case.board.copper):
        inner = layer.side is None
        thickness = COPPER_UM * (1.0 if inner else case.options.copper_oz or 1.0)
        needed = width_mm(amps, copper_um=thickness, inner=inner)
        own = copper.layers[index]
        rows, pen = strokes_of(layer)
        net = own.net[rows]
        thin = (net >= 0) & supply[net] & (pen < needed)
        rows, pen = rows[thin], pen[thin]
        names = sorted({copper.nets[n] for n in own.net[rows]})
        # A current that nobody stated is no ground for a warning: its finding is a note.
        for found in group(
            NARROW,
            Measures(pen, objects_at(case, layer, rows)),
            f"tracks of {some_of(names, 6)} on {layer.name} are down to {{worst}} wide; "
            f"{format_number(amps)} A warms them by more than {format_number(RISE_K)} K",
            limit=needed,
        ):
            yield (
                found
                if stated is not None
                else replace(
                    found,
                    severity=Severity.NOTE,
                    assumed=f"{format_number(ASSUMED_A)} A, as no charging current was stated",
                )
            )
