"""What a shell may complete beside options and files: ids, layers, nets, colours and finishes.

A completion never fails: where the package cannot be read, nothing is offered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from fabkit.base.errors import FabkitError

if TYPE_CHECKING:
    from fabkit.board.model import Board

TYPED = "fabkit.typed"
"""Key of the words of the line in ``Context.meta``."""

Completer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def offered(find: Callable[[click.Context], Iterable[str]]) -> Completer:
    """Offer those of the words found that begin like what is typed, upper or lower case."""

    def complete(
        ctx: click.Context, _param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        try:
            found = sorted(find(ctx))
        except FabkitError:
            return []
        typed = incomplete.casefold()
        return [CompletionItem(word) for word in found if word.casefold().startswith(typed)]

    return complete


def _ids(_ctx: click.Context) -> set[str]:
    from fabkit.checks.catalogue import CHECKS
    from fabkit.rules import load_rules

    ids = {rule.id for rule in load_rules()} | {check.id for check in CHECKS}
    return ids | {f"{name.partition('/')[0]}/" for name in ids}


def _rules(_ctx: click.Context) -> set[str]:
    from fabkit.rules import load_rules

    return {f"{rule.id}=" for rule in load_rules()}


def _colours(_ctx: click.Context) -> list[str]:
    from fabkit.pictures.options import MaskColour

    return [colour.value for colour in MaskColour]


def _finishes(_ctx: click.Context) -> list[str]:
    from fabkit.sheets.house import load_house

    return list(load_house().options.finishes)


def _layers(ctx: click.Context) -> set[str]:
    board = _board(ctx)
    return {layer.name for layer in board.layers} if board else set()


def _nets(ctx: click.Context) -> set[str]:
    board = _board(ctx)
    if board is None:
        return set()
    return {net for part in board.components for _, net in part.pins if net}


def _board(ctx: click.Context) -> Board | None:
    """Build the board of the package on the line; None when none is."""
    import fabkit

    # A line that ends with an option without its value is parsed into nothing at all.
    typed: list[str] = ctx.meta.get(TYPED, [])
    package = next((word for word in typed if Path(word).exists()), None)
    return None if package is None else fabkit.build_board(fabkit.open_package(package))


IDS, RULES = offered(_ids), offered(_rules)
COLOURS, FINISHES = offered(_colours), offered(_finishes)
LAYERS, NETS = offered(_layers), offered(_nets)
