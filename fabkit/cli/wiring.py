"""``fabkit wiring``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import looks, options, ordering, printing
from fabkit.cli.bundles import bundle, command
from fabkit.cli.reading import Reading
from fabkit.cli.wired import Wired

if TYPE_CHECKING:
    from fabkit.base.findings import Severity


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = ordering.wanted()
    pins: Path | None = options.file(
        "--pins", "FILE", "Your table (CSV or TOML) of pin names, where the files have none."
    )
    new_pins: Path | None = options.file(
        "--new-pins",
        "FILE.csv",
        "Write such a table to fill in: every hole a controller may sit in, as --draw names it.",
    )
    wired: Wired = bundle(Wired)
    key_order: Path | None = options.file(
        "--key-order",
        "FILE.toml",
        "Your list of keys in the order of their numbers; overrides --by.",
    )
    template: Path | None = options.file(
        "--template", "FILE", "Print through your own template (jinja2)."
    )
    pictures: tuple[Path, ...] = options.file(
        "--draw", "FILE", "Also draw it, into this .png, .svg or .pdf.", multiple=True
    )
    printed: printing.Printed = printing.printed("csv")
    show: bool = options.show()
    fail_on: Severity | None = options.fail_on()
    reading: Reading = bundle(Reading)


@command("wiring", Asked)
def run(asked: Asked) -> None:
    """List which controller pin each key is on, on both halves.

    Keys are numbered row by row as seen from the key side; a reversible board is turned over
    for the right half, whose numbers go on after the left half's.  Pins are read from attributes
    of the copper; otherwise from a netlist, or from your own table.

    \b
    Examples:
      fabkit wiring gerbers.zip --draw wiring.svg
      fabkit wiring gerbers.zip --pins my-pins.csv --template my-table.j2 --out table.txt
    """
    import fabkit
    from fabkit.outputs import wiring
    from fabkit.wiring.pintable import pin_form

    form, printed = asked.printed.settle(asked.new_pins, *asked.pictures), asked.printed
    if form != "text" and asked.template is not None:
        raise click.UsageError(f"--template and {form} cannot both be printed; give one")
    # A template that is wrong is refused before the boards are read.
    pattern = "" if asked.template is None else wiring.load_template(asked.template)
    order = ordering.read_wanted(asked.wanted, asked.reading, use=asked.wired.use)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("finding the wiring")
        found = fabkit.list_wiring(
            boards,
            order if order.file else None,
            options=asked.wired.options(),
            pins=asked.pins,
            key_order=asked.key_order,
        )
        for path in asked.pictures:
            tell(f"drawing {path.name}")
            fabkit.draw_wiring(boards, found, path, replace=printed.replace)
    if asked.new_pins is not None:
        printed.write(asked.new_pins, pin_form(found))
    record = wiring.wiring_record(found)
    if asked.template is not None:
        printed.show(wiring.render_template(pattern, record, name=asked.template.name))
    elif form != "text":
        printed.show(wiring.render_wiring(found, form))
    else:
        printed.show(lambda console: wiring.print_wiring(console, record))
        printing.print_files([*asked.pictures, *([asked.new_pins] if asked.new_pins else [])])
    if asked.show:
        looks.open_files(asked.pictures)
    if asked.fail_on and any(f.severity >= asked.fail_on for f in found.problems):
        click.get_current_context().exit(1)
