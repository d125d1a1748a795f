"""Write bare-board test netlists, IPC-D-356A."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Final

from fabkit.base.errors import UnreadableInput
from fabkit.base.units import INCH_MM
from fabkit.formats.sidecars.model import Netlist, NetPoint

_CODES: Final = {"through": "317", "surface": "327", "tooling": "367", "blind": "307"}
_UNITS: Final = (("SI", 0.001), ("CUST 0", INCH_MM / 10_000))
"""Statement of UNITS, and millimetres of one step."""
_LARGEST: Final = 999_999
_LARGEST_SIZE: Final = 9_999
_NAME: Final = re.compile(r"[!-~]{1,14}\Z", re.ASCII)
_LONGEST: Final = 58


def write_netlist(netlist: Netlist) -> bytes:
    """Write a netlist as IPC-D-356A.

    Parameters
    ----------
    netlist
        As read, or as made.

    Returns
    -------
    Records of 80 columns at most, in the unit whose steps fit positions and sizes better
    (0.001 mm or 0.0001 inch).  Net names that 14 columns cannot hold get an ``NNAME`` record;
    references are cut to 6 columns and pins to 4, which is all the format has.

    Raises
    ------
    UnreadableInput
        A position or size beyond what the columns can hold.
    """
    points = netlist.points
    units, step = min(_UNITS, key=lambda unit: _misfit(points, unit[1]))
    names = dict.fromkeys(point.net for point in points)
    long = [name for name in names if name and not _NAME.match(name)]
    alias = {name: f"NNAME{k}" for k, name in enumerate(long, 1)}
    lines = ["P  JOB   NETLIST", "P  CODE  00", f"P  UNITS {units}", "P  VER   IPC-D-356A"]
    lines.append("P  IMAGE PRIMARY")
    lines += (f"P  NNAME{k:<5d} {_printable(name)}" for k, name in enumerate(long, 1))
    lines += _records(points, alias, step, netlist.name)
    return "".join(f"{line.rstrip()}\n" for line in [*lines, "999"]).encode("latin-1", "replace")


def _printable(name: str) -> str:
    return re.sub(r"[^ -~\xa0-\xff]", "?", name)[:_LONGEST]


def _misfit(points: Iterable[NetPoint], step: float) -> float:
    """Largest distance of a position or size from the grid of a unit, mm."""
    worst = 0.0
    for point in points:
        for value in (point.x_mm, point.y_mm, point.hole_mm or 0.0, *(point.size_mm or ())):
            worst = max(worst, abs(value - round(value / step) * step))
    return round(worst, 7)


def _records(
    points: Iterable[NetPoint], alias: dict[str, str], step: float, name: str
) -> Iterator[str]:
    def steps(value: float, most: int) -> int:
        made = round(value / step)
        if abs(made) > most:
            raise UnreadableInput(
                f"{name}: {value:.3f} mm does not fit the columns of a netlist",
                hint="Leave the netlist out, or state it in another form.",
            )
        return made

    for point in points:
        hole = "     " if point.hole_mm is None else f"D{steps(point.hole_mm, _LARGEST_SIZE):04d}"
        plating = {True: "P", False: "U", None: " "}[point.plated]
        size = " " * 10
        turn = "    "
        if point.size_mm is not None:
            width, height = (steps(side, _LARGEST_SIZE) for side in point.size_mm)
            size = f"X{width:04d}     "
            # Without a second side a feature is round; the model does not tell squares apart.
            if height != width or point.rotation_deg:
                size = f"X{width:04d}Y{height:04d}"
                turn = f"R{round(point.rotation_deg) % 360:03d}"
        x, y = (f"{steps(value, _LARGEST):+07d}" for value in (point.x_mm, point.y_mm))
        mask = "" if point.mask is None else f"S{point.mask}"
        who = f"{point.ref[:6]:<6}" + (f"-{point.pin[:4]:<4}" if point.pin else " " * 5)
        net = alias.get(point.net, point.net)
        yield (
            f"{_CODES[point.kind]}{net:<14}   {who} {hole}{plating}A{point.access:02d}"
            f"X{x}Y{y}{size}{turn} {mask}"
        )
