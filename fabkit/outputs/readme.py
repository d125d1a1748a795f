"""The readme in the zip: for the person at the board house who opens the order."""

from __future__ import annotations

from collections.abc import Mapping

from fabkit.base.units import counted, format_mm, format_number
from fabkit.base.version import VERSION
from fabkit.board.model import Board
from fabkit.outputs.options import PackOptions
from fabkit.outputs.records import drill_table
from fabkit.package.model import PackageFile


def readme_text(
    board: Board,
    files: Mapping[str, PackageFile],
    options: PackOptions,
    accepted: Mapping[str, str],
) -> str:
    """Say what is ordered, and which file is what; nothing that changes from run to run."""
    width, height = board.size_mm
    thickness = options.thickness_mm or board.thickness_mm
    facts = [
        ("Size", f"{format_number(width, digits=2)} x {format_mm(height, digits=2)}"),
        ("Copper layers", str(len(board.copper))),
        ("Finished thickness", format_mm(thickness) if thickness else "see the order"),
        ("Outer copper", f"{options.copper_oz:g} oz/ft2" if options.copper_oz else "see the order"),
        ("Solder mask", options.colour or "see the order"),
        ("Surface finish", options.finish or "see the order"),
        ("Lead time", options.lead_time or "see the order"),
        ("Quantity", str(options.quantity) if options.quantity else "see the order"),
        *(("Extra", extra) for extra in options.extras),
    ]
    name = options.name or board.name
    lines = [name, "=" * len(name), "", "Fabrication files.", "", "Wanted", "------"]
    lines += [f"{fact + ':':<20}{value}" for fact, value in facts]
    lines += ["", "Files", "-----"]
    width_of_names = max((len(member) for member in files), default=0) + 2
    for member, file in files.items():
        exported = f" (exported as {file.name})" if options.rename or board.package.stated else ""
        lines.append(f"{member:<{width_of_names}}{file.role}{exported}")
    lines += ["", "Drills", "------"]
    for row in drill_table(board):
        slots = f", {counted(row['slots'], 'slot')}" if row["slots"] else ""
        diameter = format_mm(row["diameter_mm"])
        lines.append(f"{diameter:<12}{row['plating']:<14}{counted(row['holes'], 'hole')}{slots}")
    if accepted:
        lines += ["", "Known findings, accepted by the designer", "-" * 40]
        lines += [f"{rule}: {reason}" for rule, reason in sorted(accepted.items())]
    lines += ["", f"Packed by fabkit {VERSION}."]
    return "\n".join(lines) + "\n"
