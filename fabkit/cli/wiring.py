"""``fabkit wiring``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import drawing, options, printing
from fabkit.cli.model import bundle, command, flag, valued
from fabkit.cli.reading import Reading, package_or_order, read_wanted

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.sheets.order import BoardUse


def _read_refs(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:
    """Read references separated by commas."""
    refs = tuple(r.strip() for r in (value or "").split(","))
    if value is not None and not all(refs):
        raise click.BadParameter(f"{value!r} is no list of references, such as J1,J2", ctx, param)
    return tuple(r for r in refs if r)


def _read_joined(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, tuple[str, str]]:
    """Read ``REF=PAD-PAD`` pairs."""
    how = "the jumper and the pads it joins, as in JP1=1-2 or 'JP*=2-3'"
    joined = {}
    for value in values:
        ref, pads = options.named(value, value.partition("="), how)
        one, _, other = (p.strip() for p in pads.partition("-"))
        if not one or not other:
            raise click.BadParameter(f"{value!r}: write {how}")
        joined[ref] = (one, other)
    return joined


@dataclass(frozen=True, kw_only=True)
class Wired:
    """What is on either half, and how its keys are numbered; fields as of ``WiringOptions``."""

    controllers: tuple[str, ...] = valued(
        "--controller",
        "REFS",
        "Controller or header rows.  Default: where most keys lead.",
        callback=_read_refs,
    )
    right_controllers: tuple[str, ...] = valued(
        "--right-controller",
        "REFS",
        "The same for the right half, where it sits elsewhere.",
        callback=_read_refs,
    )
    right_pins: str = options.word(
        "--right-pins", ("in-place", "swapped"), "Right half: pins in-place, or rows swapped."
    )
    jumpers: str = options.word(
        "--jumpers", ("up", "down"), "Reversible board: the side whose jumpers are closed."
    )
    joined: Mapping[str, tuple[str, str]] = valued(
        "--joined",
        "REF=A-B",
        "Joined pads of a three-pad jumper: JP1=1-2 or 'JP*=2-3'.",
        multiple=True,
        callback=_read_joined,
    )
    right_joined: Mapping[str, tuple[str, str]] = valued(
        "--right-joined",
        "REF=A-B",
        "On the right half.  Default: the other two pads.",
        multiple=True,
        callback=_read_joined,
    )
    use: BoardUse | None = options.board()
    walk: str = options.word(
        "--by", ("rows", "columns"), "Number keys row by row, or column by column."
    )
    thumbs: str = options.word(
        "--thumbs", ("last", "placed"), "Number turned thumb keys last or where they stand."
    )
    first: int = valued(
        "--first",
        "N",
        "Number of the first key.",
        type=options.FROM_ZERO,
        default=0,
        show_default=True,
    )
    right_first: int | None = valued(
        "--right-first",
        "N",
        "First number of the right half.  Default: counting goes on.",
        type=options.FROM_ZERO,
    )
    mirrored: bool = flag("--mirrored", "Number the right half from its right side.")


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    wanted: Path = package_or_order()
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
    printed: printing.Printed = printing.printed("csv", "xlsx")
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
    from fabkit.wiring.pins import pin_form

    form, printed = asked.printed.settle(asked.new_pins, *asked.pictures), asked.printed
    if form != "text" and asked.template is not None:
        raise click.UsageError(f"--template and {form} cannot both be printed; give one")
    # A template that is wrong is refused before the boards are read.
    pattern = "" if asked.template is None else wiring.load_template(asked.template)
    order = read_wanted(asked.wanted, asked.reading, use=asked.wired.use)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("finding the wiring")
        found = fabkit.list_wiring(
            boards,
            order if order.file else None,
            options=fabkit.WiringOptions(**vars(asked.wired)),
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
        drawing.open_files(asked.pictures)
    if asked.fail_on and any(f.severity >= asked.fail_on for f in found.problems):
        click.get_current_context().exit(1)
