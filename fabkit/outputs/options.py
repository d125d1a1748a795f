"""Choices for what is written."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PackOptions:
    """What is ordered, as far as the readme of the zip says it; None where nothing was chosen.

    Parameters
    ----------
    name
        What the design is called; None: as the package.
    thickness_mm, copper_oz, colour, finish, lead_time, extras
        As chosen of the house sheet.
    quantity
        Boards of this design.
    with_netlist
        Also pack the bare-board netlist, for houses that test electrically.
    rename
        Name files by what they are (``board-top-copper.gbr``), not as exported.
    with_job
        Complete the job file with what was chosen, or write one.
    edge
        Reading of the outline that the board was taken with; None: as its files are read.
    """

    name: str | None = None
    thickness_mm: float | None = None
    copper_oz: float | None = None
    colour: str | None = None
    finish: str | None = None
    lead_time: str | None = None
    extras: tuple[str, ...] = ()
    quantity: int | None = None
    with_netlist: bool = False
    rename: bool = False
    with_job: bool = False
    edge: str | None = None
