"""``fabkit parts new``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fabkit.cli import options, printing
from fabkit.cli.bundles import command, option


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    out: Path = options.out("FILE.toml", "Where to write the parts book.")
    name: str = option(
        "--name", default="Our parts book", show_default=True, help="What you call it."
    )
    replace: bool = options.replace()


@command("parts new", Asked)
def run(asked: Asked) -> None:
    """Write a parts book of your own to fill in.

    Rules that recognise parts, counts, packs and prices have a comment and invented values:
    put in what you buy and what your shops ask, then set `invented = false`.

    \b
    Example:
      fabkit parts new --out my-parts.toml --name "The drawer"
    """
    from fabkit.outputs.atomic import write_file
    from fabkit.parts.book import parts_template

    write_file(asked.out, parts_template(asked.name).encode(), replace=asked.replace)
    printing.say_next(asked.out, f"{asked.out}: fill it in, then use it with --parts {asked.out}")
