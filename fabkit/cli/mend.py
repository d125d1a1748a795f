"""``fabkit mend``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import options, printing
from fabkit.cli.commands import argument, bundle, command
from fabkit.cli.reading import Reading


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    package: Path = argument("PACKAGE", type=options.FILE)
    out: Path = options.out("FILE.zip", "Zip to write the mended files into.")
    asked: tuple[str, ...] = options.corrections()
    house_files: tuple[Path, ...] = options.house()
    page: Path | None = options.report()
    replace: bool = options.replace()
    reading: Reading = bundle(Reading)
    as_json: bool = options.as_json()


@command("mend", Asked)
def run(asked: Asked) -> None:
    """Correct in the files what has one right answer, with proof.

    Every layer and drill file is written anew in the present form, laid on the others where it was
    off.  Gaps and doubled lines of the profile, holes given twice, marks outside the board and
    legend on bare pads are mended; with --with also what follows your house's limits.  The zip is
    read back and compared with what you gave: a correction that cannot be proved is not made.
    Your files stay as they are.

    \b
    Examples:
      fabkit mend gerbers.zip --out mended.zip
      fabkit mend gerbers.zip --out mended.zip --report mended.html
      fabkit mend gerbers.zip --out mended.zip --with legend-width --with mask-margin
    """
    import fabkit
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.mended import (
        mended_record,
        print_mended,
        render_mended_page,
        write_mended,
    )

    for target in (asked.out, *([asked.page] if asked.page else [])):
        refuse_existing(target, replace=asked.replace)
    with asked.reading.progress() as tell:
        mended = fabkit.mend(
            asked.reading.board(asked.package, tell),
            fabkit.load_house(next(iter(asked.house_files), None)),
            options=fabkit.MendOptions(asked=asked.asked),
            tell=tell,
        )
        tell(f"writing {asked.out}")
        write_mended(mended, asked.out, replace=asked.replace)
        if asked.page is not None:
            tell("drawing")
            write_file(asked.page, render_mended_page(mended).encode(), replace=asked.replace)
    record = mended_record(mended)
    printing.say(
        "mend",
        record,
        lambda console: print_mended(console, record),
        as_json=asked.as_json,
        out=asked.out,
    )
