"""``fabkit wiring``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import grouping, looks, options, ordering, printing
from fabkit.cli.words import words

if TYPE_CHECKING:
    from fabkit.wiring.model import Wiring, WiringOptions


def read_refs(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:
    """Read references separated by commas."""
    refs = tuple(r.strip() for r in (value or "").split(","))
    if value is not None and not all(refs):
        raise click.BadParameter(f"{value!r} is no list of references, such as J1,J2", ctx, param)
    return tuple(r for r in refs if r)


def read_joined(
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


@click.command("wiring", cls=grouping.Command)
@ordering.WANTED
@click.option(
    "--pins",
    type=options.FILE,
    metavar="FILE",
    help="Your table (CSV or TOML) of pin names, where the files have none.",
)
@click.option(
    "--new-pins",
    type=options.FILE,
    metavar="FILE.csv",
    help="Write such a table to fill in: every hole a controller may sit in, as --draw names it.",
)
@click.option(
    "--controller",
    "controllers",
    callback=read_refs,
    metavar="REFS",
    help="Controller or header rows.  Default: where most keys lead.",
)
@click.option(
    "--right-controller",
    "right_controllers",
    callback=read_refs,
    metavar="REFS",
    help="The same for the right half, where it sits elsewhere.",
)
@click.option(
    "--right-pins",
    type=words("in-place", "swapped"),
    default="in-place",
    show_default=True,
    help="Right half: pins in-place, or rows swapped.",
)
@click.option(
    "--jumpers",
    type=words("up", "down"),
    default="up",
    show_default=True,
    help="Reversible board: the side whose jumpers are closed.",
)
@click.option(
    "--joined",
    multiple=True,
    callback=read_joined,
    metavar="REF=A-B",
    help="Joined pads of a three-pad jumper: JP1=1-2 or 'JP*=2-3'.",
)
@click.option(
    "--right-joined",
    multiple=True,
    callback=read_joined,
    metavar="REF=A-B",
    help="On the right half.  Default: the other two pads.",
)
@options.BOARD
@click.option(
    "--by",
    "walk",
    type=words("rows", "columns"),
    default="rows",
    show_default=True,
    help="Number keys row by row, or column by column.",
)
@click.option(
    "--thumbs",
    type=words("last", "placed"),
    default="last",
    show_default=True,
    help="Number turned thumb keys last or where they stand.",
)
@click.option(
    "--first",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    metavar="N",
    help="Number of the first key.",
)
@click.option(
    "--right-first",
    type=click.IntRange(min=0),
    metavar="N",
    help="First number of the right half.  Default: counting goes on.",
)
@click.option(
    "--mirrored",
    is_flag=True,
    help="Number the right half from its right side.",
)
@click.option(
    "--key-order",
    "key_order",
    type=options.FILE,
    metavar="FILE.toml",
    help="Your list of keys in the order of their numbers; overrides --by.",
)
@click.option(
    "--template",
    type=options.FILE,
    metavar="FILE",
    help="Print through your own template (jinja2).",
)
@options.TEXT_OUT
@click.option(
    "--draw",
    "pictures",
    type=options.FILE,
    multiple=True,
    metavar="FILE",
    help="Also draw it, into this .png, .svg or .pdf.",
)
@options.printed("csv")
@looks.OPEN
@options.REPLACE
@options.FAIL_ON
@options.ROLE
@options.LIMIT
@click.pass_context
def command(
    ctx: click.Context,
    /,
    wanted: Path,
    pins: Path | None,
    new_pins: Path | None,
    key_order: Path | None,
    form: str | None,
    as_json: bool,
    template: Path | None,
    out: Path | None,
    pictures: tuple[Path, ...],
    show: bool,
    replace: bool,
    fail_on: str,
    **given: Any,
) -> None:
    """List which controller pin each key is on, on both halves.

    Keys are numbered row by row as seen from the key side; a reversible board is turned over
    for the right half, whose numbers go on after the left half's.  Pins are read from attributes
    of the copper, else from a netlist, else from your own table.

    \b
    Examples:
      fabkit wiring gerbers.zip --draw wiring.svg
      fabkit wiring gerbers.zip --pins my-pins.csv --template my-table.j2 --out table.txt
    """
    import fabkit
    from fabkit.outputs import terminal
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.wiring import wiring_record
    from fabkit.wiring.pintable import pin_form

    printed = options.form_of(form, as_json=as_json)
    if printed != "text" and template is not None:
        raise click.UsageError(f"--template and {printed} cannot both be printed; give one")
    for path in (*pictures, *(p for p in (out, new_pins) if p is not None)):
        refuse_existing(path, replace=replace)
    pattern = None if template is None else _template(template)
    order = ordering.read_wanted(wanted, use=given["use"])
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("finding the wiring")
        found = fabkit.list_wiring(
            boards,
            order if order.file else None,
            options=_chosen(given),
            pins=pins,
            key_order=key_order,
        )
        for path in pictures:
            tell(f"drawing {path.name}")
            fabkit.draw_wiring(boards, found, path, replace=replace)
    if new_pins is not None:
        write_file(new_pins, pin_form(found).encode(), replace=replace)
    record = wiring_record(found)
    text = _text(found, printed=printed)
    if template is not None and pattern is not None:
        from fabkit.outputs.wiring import render_template

        text = render_template(pattern, record, name=template.name)
    if text is None:
        from fabkit.outputs.wiring import print_wiring

        printing.show(lambda console: print_wiring(console, record), out=out, replace=replace)
    else:
        printing.show(text, out=out, replace=replace)
    written = (*pictures, *([new_pins] if new_pins else []))
    if written and text is None:
        options.print_files(written, as_json=False)
    if show:
        looks.open_files(list(pictures))
    level = options.severity(fail_on)
    if level is not None and any(f.severity >= level for f in found.problems):
        ctx.exit(1)


def _chosen(given: dict[str, Any]) -> WiringOptions:
    from fabkit.wiring.model import WiringOptions

    return WiringOptions(**given)


def _template(path: Path) -> str:
    """A template that is known to be in order, before the boards are read."""
    from fabkit.outputs.wiring import check_template, load_template

    text = load_template(path)
    check_template(text, name=path.name)
    return text


def _text(found: Wiring, *, printed: str) -> str | None:
    """What was asked for as text; None for the tables people read."""
    if printed == "json":
        from fabkit.outputs.json import to_document
        from fabkit.outputs.wiring import wiring_record

        return to_document("wiring", wiring_record(found))
    if printed == "csv":
        from fabkit.outputs.wiring import wiring_csv

        return wiring_csv(found)
    return None
