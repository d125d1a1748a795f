"""``fabkit panel``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, printing
from fabkit.cli.commands import argument, bundle, command, flag, valued
from fabkit.cli.reading import EdgeReading, is_order, read_wanted

if TYPE_CHECKING:
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import PanelOptions, Silence


@dataclass(frozen=True, kw_only=True)
class Made:
    """How the panel is made; overrides the order file."""

    copies: int | None = valued(
        "--copies", "N", "How many of each board; keyboards of an order.", type=options.COUNT
    )
    gap_mm: float | None = valued(
        "--gap",
        "MM",
        "Routed gap between boards.  Default: the least your house routes.",
        callback=options.read_length,
    )
    rails: bool = flag("--rails", "Add rails with tooling holes and fiducials.")
    score: bool = flag(
        "--score", "Lay boards with straight edges edge to edge, parted by score lines."
    )

    def over(self, stated: PanelOptions | None) -> PanelOptions:
        """Take what is given, and what the order file states of all else."""
        from dataclasses import replace

        from fabkit.sheets.order import PanelOptions

        given = {name: value for name, value in vars(self).items() if value}
        return replace(stated or PanelOptions(), **given, line=None)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    given: tuple[Path, ...] = argument(
        "PACKAGE...|ORDER.toml", type=options.FILE, nargs=-1, required=True
    )
    out: Path = options.out("FILE.zip", "Zip to write; .json and .png are written beside it.")
    made: Made = bundle(Made)
    house_files: tuple[Path, ...] = options.house()
    limit_class: LimitClass = options.limit_class()
    silenced: tuple[Silence, ...] = options.silenced()
    replace: bool = options.replace()
    reading: EdgeReading = bundle(EdgeReading)
    as_json: bool = options.as_json()


@command("panel", Asked)
def run(asked: Asked) -> None:
    """Write several boards as one panel: both halves, or several copies.

    Boards are turned and laid beside each other by their outlines, so that halves interlock, and
    held by break-off tabs with perforations.  One package is taken twice, several once each, and of
    an order the boards of one keyboard.  Boards with straight edges may lie edge to edge, parted by
    score lines (--score).  The panel is read back, cut apart and checked before it
    gets its name; what cannot be on one panel is refused, and nothing is written.

    Breaking and filing edges makes glass dust: work wet or with extraction, and wear a mask.

    \b
    Examples:
      fabkit panel gerbers.zip --out panel.zip
      fabkit panel left.zip right.zip --out panel.zip --rails
      fabkit panel order.toml --out panel.zip
    """
    import fabkit
    from fabkit.outputs.panel import panel_record, print_panel

    order = read_wanted(asked.given[0], asked.reading) if is_order(asked.given) else None
    houses = asked.house_files or (order.houses if order is not None else ())
    house = fabkit.load_house(next(iter(houses), None))
    silenced = order.silenced if order is not None else ()
    with asked.reading.progress() as tell:
        done = fabkit.panel(
            [asked.reading.board(package, tell) for package in asked.given]
            if order is None
            else asked.reading.boards(order, tell),
            asked.out,
            order=order,
            house=house,
            options=asked.made.over(order.panel if order is not None else None),
            judged=fabkit.CheckOptions(
                limit_class=asked.limit_class, silenced=(*silenced, *asked.silenced)
            ),
            replace=asked.replace,
            tell=tell,
        )
    record = panel_record(done)
    printing.say(
        "panel", record, lambda console: print_panel(console, record), as_json=asked.as_json
    )
    if house.notice and not asked.as_json:
        click.echo(f"note: {house.notice}", err=True)
