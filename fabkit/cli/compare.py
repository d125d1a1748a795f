"""``fabkit compare``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from fabkit.cli import options, printing
from fabkit.cli.model import argument, bundle, command, flag
from fabkit.cli.reading import Reading, first_house

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    old: Path = argument("OLD", type=options.FILE)
    new: Path = argument("NEW", type=options.FILE)
    expected: Path | None = options.file(
        "--expect", "FILE", "Changes you meant; others, or missing ones, are errors."
    )
    to_write: Path | None = options.file(
        "--write-expect", "FILE", "Write all changes into a file to edit and give to --expect."
    )
    from_house: bool = flag("--from-house", "NEW is back from the board house: is it still mine?")
    order_file: Path | None = options.file(
        "--order", "FILE", "Order file to compare prices for.  Default: one keyboard."
    )
    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    folder: Path | None = options.file("--draw", "FOLDER", "Also draw it, into this folder.")
    page: Path | None = options.report()
    no_findings: bool = flag("--no-findings", "Neither check nor price the boards.")
    no_costs: bool = flag("--no-costs", "Do not price the boards.")
    fail_on: Severity | None = options.fail_on()
    judged: options.Judged = bundle(options.Judged)
    full: bool = options.full()
    printed: printing.Printed = printing.printed("markdown")
    reading: Reading = bundle(Reading)

    @property
    def weigh(self) -> Literal["all", "findings", "nothing", "returned"]:
        """What is asked besides the changes."""
        if self.from_house:
            return "returned"
        return "nothing" if self.no_findings else "findings" if self.no_costs else "all"


@command("compare", Asked)
def run(asked: Asked) -> None:
    """List what changed between two revisions of a board.

    OLD and NEW are packages: folders or zips of exported files.  The boards are laid on each
    other, then layers, holes, keys, parts, nets, options, findings and price are compared.  Where
    files name no nets, newly connected or disconnected pads are listed.  Other units, dialects or
    orders of files are no differences.  --role applies to both packages.

    With --from-house one verdict says whether NEW is still OLD: what houses usually change
    (openings of the mask a little larger, legend clipped, holes drilled larger, a panel) is
    listed apart from all other changes, the most dangerous of which come first.

    Ends with status 0 when nothing differs, or all of it was expected or is usual; with 1 when
    something does, or when a new finding is at or above --fail-on.

    \b
    Examples:
      fabkit compare rev-a.zip rev-b.zip
      fabkit compare rev-a.zip rev-b.zip --write-expect meant.toml
      fabkit compare rev-a.zip rev-b.zip --expect meant.toml
      fabkit compare rev-b.zip gerbers.zip --from-house
    """
    import fabkit
    from fabkit.compare.judging import expectation_text
    from fabkit.outputs import drawings
    from fabkit.outputs.comparison import print_comparison, render_comparison
    from fabkit.outputs.report.board_view import render_comparison_page

    pictures = [Path(asked.folder, n) for n in drawings.change_names() if asked.folder]
    asked.printed.settle(asked.to_write, asked.page, *pictures)
    order = None if asked.order_file is None else fabkit.load_order(asked.order_file)
    houses = (*asked.house_files, *(order.houses if order else ()))
    with asked.reading.progress() as tell:
        compared = fabkit.compare_revisions(
            asked.reading.board(asked.old, tell),
            asked.reading.board(asked.new, tell),
            expected=asked.expected,
            order=order,
            house=first_house(houses),
            options=fabkit.CheckOptions(use=asked.use, **vars(asked.judged)),
            weigh=asked.weigh,
            tell=tell,
        )
        record = compared.record
        tell("drawing")
        if asked.to_write is not None:
            asked.printed.write(asked.to_write, expectation_text(compared.comparison))
        made = drawings.change_files(compared.comparison) if pictures else {}
        for target in pictures:
            asked.printed.write(target, made[target.name])
        if asked.page is not None:
            asked.printed.write(asked.page, render_comparison_page(compared.comparison, record))
    asked.printed.give(
        lambda console: print_comparison(console, record, full=asked.full),
        lambda form: render_comparison(record, form),
    )
    click.get_current_context().exit(compared.exit_status(asked.fail_on))
