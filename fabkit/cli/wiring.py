"""``fabkit wiring``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fabkit.cli import looks, options, ordering

if TYPE_CHECKING:
    from fabkit.wiring.model import WiringOptions


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


@click.command("wiring")
@ordering.WANTED
@click.option(
    "--pins",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Your table of pin names by place or pad number (CSV or TOML), where files name none.",
)
@click.option(
    "--controller",
    "controllers",
    callback=read_refs,
    metavar="REF[,REF]",
    help="The controller or its header rows; without it the part that most keys lead to.",
)
@click.option(
    "--right-controller",
    "right_controllers",
    callback=read_refs,
    metavar="REF[,REF]",
    help="The same for the right half, where it has a place of its own.",
)
@click.option(
    "--right-pins",
    type=click.Choice(["in-place", "swapped"]),
    default="in-place",
    show_default=True,
    help="Turned over, each controller pin keeps its hole, or the two rows change places.",
)
@click.option(
    "--jumpers",
    type=click.Choice(["up", "down"]),
    default="up",
    show_default=True,
    help="Of a board for either hand: the face whose jumpers are closed.",
)
@click.option(
    "--joined",
    multiple=True,
    callback=read_joined,
    metavar="REF=PAD-PAD",
    help="Of jumpers with three pads: the two that are joined, such as JP1=1-2 or 'JP*=2-3'."
    "  Turned over, the right half joins the other two.  Repeatable.",
)
@click.option(
    "--right-joined",
    multiple=True,
    callback=read_joined,
    metavar="REF=PAD-PAD",
    help="The same for the right half, where it is otherwise.  Repeatable.",
)
@click.option(
    "--board",
    "use",
    type=click.Choice(["either", "left", "right", "both", "whole"]),
    help="What one board is; without it the order file or the board tells.",
)
@click.option(
    "--by",
    "walk",
    type=click.Choice(["rows", "columns"]),
    default="rows",
    show_default=True,
    help="Number keys row by row, or column by column.",
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
    help="Number of the right half's first key; without it the left half's go on.",
)
@click.option(
    "--mirrored",
    is_flag=True,
    help="Number the right half from its right side, so that mirrored keys count alike.",
)
@click.option(
    "--order",
    "key_order",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Your list of keys in the order of their numbers; it wins.",
)
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
@click.option(
    "--template",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Print through your own template (jinja2); docs/wiring.md lists what it knows.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write what would be printed into a file.",
)
@click.option(
    "--picture",
    "pictures",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="Draw number and pin at each key: .png, .svg or .pdf.  Repeatable.",
)
@options.ROLE
@options.LIMIT
@looks.OPEN
@options.REPLACE
@options.FAIL_ON
@options.AS_JSON
@click.pass_context
def command(
    ctx: click.Context,
    /,
    wanted: Path,
    pins: Path | None,
    key_order: Path | None,
    as_csv: bool,
    as_json: bool,
    template: Path | None,
    out: Path | None,
    pictures: tuple[Path, ...],
    show: bool,
    replace: bool,
    fail_on: str,
    **given: Any,
) -> None:
    """Tell which controller pin each key is on, on both halves.

    Keys are numbered row by row as seen from the key side; a board for either hand is turned over
    for the right half, whose numbers go on after the left half's.  Pins are read from attributes
    of the copper, else from a netlist, else from your own table.

    \b
    Examples:
      fabkit wiring gerbers.zip --picture wiring.svg
      fabkit wiring gerbers.zip --pins my-pins.csv --template my-table.j2 --out table.txt
    """
    from fabkit import api
    from fabkit.outputs import terminal
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.wiring_records import wiring_record

    if as_csv + as_json + (template is not None) > 1:
        raise click.UsageError("choose one of --csv, --json and --template")
    for path in (*pictures, *([out] if out else [])):
        refuse_existing(path, replace=replace)
    order = ordering.read_wanted(wanted)
    with terminal.progress() as tell:
        boards = ordering.read_boards(order, tell)
        tell("finding the wiring")
        found = api.list_wiring(
            boards,
            order if order.file else None,
            options=_chosen(given),
            pins=pins,
            key_order=key_order,
        )
        for path in pictures:
            tell(f"drawing {path.name}")
            api.draw_wiring(boards, found, path, replace=replace)
    record = wiring_record(found)
    text = _text(record, as_csv=as_csv, as_json=as_json, template=template)
    if out is not None:
        write_file(out, (text or _plain(record)).encode(), replace=replace)
        click.echo(out.as_posix())
    elif text is None:
        from fabkit.outputs.terminal_wiring import print_wiring

        print_wiring(terminal.make_console(), record)
    else:
        options.print_data(text)
    if pictures and text is None:
        click.echo("\n".join(p.as_posix() for p in pictures))
    if show:
        looks.open_files(list(pictures))
    level = options.severity(fail_on)
    if level is not None and any(f.severity >= level for f in found.problems):
        ctx.exit(1)


def _chosen(given: dict[str, Any]) -> WiringOptions:
    from fabkit.wiring.model import WiringOptions

    return WiringOptions(**given)


def _text(
    record: dict[str, Any], *, as_csv: bool, as_json: bool, template: Path | None
) -> str | None:
    """What was asked for as text; None for the tables people read."""
    if as_json:
        from fabkit.outputs.json import to_document

        return to_document("wiring", record)
    if as_csv:
        from fabkit.outputs.wiring_records import wiring_csv

        return wiring_csv(record)
    if template is not None:
        from fabkit.outputs.wiring_template import load_template, render_template

        return render_template(load_template(template), record, name=template.name)
    return None


def _plain(record: dict[str, Any]) -> str:
    """The tables as text."""
    import io

    from rich.console import Console

    from fabkit.outputs.terminal import PLAIN_WIDTH
    from fabkit.outputs.terminal_wiring import print_wiring

    text = io.StringIO()
    print_wiring(
        Console(file=text, width=PLAIN_WIDTH, markup=False, emoji=False, highlight=False), record
    )
    return text.getvalue()
