"""The commented order file that a new project starts from."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from textwrap import wrap
from typing import Final

from fabkit.sheets.order import BESIDE, BoardUse, boards_of, halves_of
from fabkit.sheets.toml_text import to_literal

_WIDTH: Final = 96
"""Of a comment."""

_TEXT = """\
# What to order.  Paths are relative to this file; what is commented out is the default.

format = 1
name = {name}

# One [[board]] for each design.  The halves are given by one that makes either half ("reversible",
# two boards a keyboard), by a "left" and a "right" one, or by one that is "both" halves or a
# "whole" keyboard.  Others may go with them: "plate" (switch plate, bottom plate) or "none".

{boards}[want]
keyboards = {keyboards}
# spare_halves = 0
# quantities = [5, 10, 15, 20]     # boards of each design to price
# good_share = 1.0                 # 0.95: one board in twenty fails in your hands
# Several builders sharing the order, whole keyboards each:
# [[want.builder]]
# name = "First builder"
# keyboards = 1
# shipping_out = 0.00              # onward shipping to this builder
# paid = 0.00                      # in advance
# keeps_left_overs = false         # boards and parts beyond the keyboards; one builder at most

[options]
# thickness_mm = 1.6               # default: as the job file states, or 1.6
# copper_oz = 1
# colour = "green"
# finish = "hasl-lead-free"
# lead_free = true                 # refuse a finish with lead
# lead_time = "standard"
# extras = ["order-mark"]          # names of [rates.extras] in the house sheet

[sheets]
# houses = ["house.toml"]          # the first is ordered from, the others are compared
# parts = "parts.toml"

[revisions]
# planned = 1                      # how often you expect to build this board in all
# loss_share = 0.0                 # share of carried-over parts lost in each rebuild
# reuse_share = 0.0                # what left-over parts are worth to you, of their price

# Spares by class of parts, in place of the parts book's.
# [spares.switch]
# share = 0.02
# least = 2

# What references are that were taken wrongly: a key of the parts book, a description, or "nothing".
# [map]
{mapping}
[money]
# currency = "EUR"
# price_age_days = 90              # older prices are pointed out
# [[money.exchange]]
# from = "USD"
# rate = 0.00                      # one unit of "from" in your currency
# date = 2025-01-15
# source = "where you read it"

# Taxes and duty change: enter what is in force for you, with date and source.
# [tax]
# date = 2025-01-15
# source = "where you read it"
# vat_rate = 0.00
# duty_rate = 0.00
# duty_threshold = 0.00
# handling = 0.00

# [power]
# charge_current_a = 0.1

# One panel of the boards of one keyboard is made as well; the header alone is enough.
# [panel]
# copies = 1                       # keyboards on one panel
# gap_mm = 2.0                     # default: the least your house routes
# rails = false                    # for assembly by machine
# score = false                    # straight edges parted by score lines, without a gap

# [[silence]]
# rule = "group/rule-id"
# reason = "why it does not matter here"
"""


_BOARD = """\
[[board]]
{lines}{roles}
"""
_EDGE = '# edge = "board"                   # "panel", or a number: another reading of the outline'
_ROLES = """\
# What a file is when its name and contents do not show it:
# [board.roles]
# "2.gbr" = "bottom copper"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedBoard:
    """One ``[[board]]`` of an order file that is written.

    Parameters
    ----------
    package
        Path as it stands in the file.
    name
        Of the design; empty takes the order's.
    use
        What it is.
    per_keyboard
        How many a keyboard takes; None where that follows from what it is.
    usual
        How many that are; None takes the usual number of such boards.
    stated
        Whether ``is`` is written out; otherwise it stands as a comment and the files decide.
    chosen
        Whether it is ordered; otherwise all of it stands as a comment.
    reasons
        What was found, and why: a comment for each.
    roles
        What its files are, by name.
    """

    package: str
    name: str = ""
    use: BoardUse = "reversible"
    per_keyboard: int | None = None
    usual: int | None = None
    stated: bool = True
    chosen: bool = True
    reasons: tuple[str, ...] = ()
    roles: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedName:
    """A line of ``[map]``, as a comment: references (wildcards), what they are, and why."""

    refs: str
    target: str
    why: str


_USUAL_NAMES: Final = (
    ProposedName(refs="D*", target="diode, small signal", why="for example"),
    ProposedName(refs="X1", target="nothing", why="for example"),
)


def order_template(
    *,
    name: str,
    boards: Sequence[ProposedBoard],
    names: Sequence[ProposedName] = (),
    keyboards: int = 1,
    chosen: Mapping[str, object] | None = None,
) -> str:
    """Write an order file with its defaults commented, ready to load.

    Parameters
    ----------
    name
        Name of the order.
    boards
        The designs.
    names
        What of their parts was doubtful; none: made-up examples stand there.
    keyboards
        How many.
    chosen
        Further keys of the file with their values; they stand in place of their comment.

    Raises
    ------
    KeyError
        The template has no such key.
    """
    tables = "".join(_board(one, hint=one is boards[0]) for one in boards)
    mapping = "".join(
        f"# {to_literal(one.refs)} = {to_literal(one.target)}   # {_plain(one.why)}\n"
        for one in names or _USUAL_NAMES
    )
    text = _TEXT.format(name=to_literal(name), boards=tables, keyboards=keyboards, mapping=mapping)
    for key, value in (chosen or {}).items():
        line = re.compile(rf"^# {key} = .*?(?= +#|$)", re.MULTILINE)
        if not line.search(text):
            raise KeyError(key)
        stated = f"{key} = {to_literal(value)}"
        text = line.sub(stated.replace("\\", r"\\"), text, count=1)
    return text


def _board(one: ProposedBoard, *, hint: bool) -> str:
    """One table, with what was found above it; ``hint``: say how roles are stated."""
    use = f'is = "{one.use}"'
    each = one.per_keyboard or one.usual or boards_of(one.use)
    lines = [
        f"package = {to_literal(one.package)}",
        *([f"name = {to_literal(one.name)}"] if one.name else []),
        use if one.stated else f"# {use}",
        *([f"# halves = {halves_of(one.use)}"] if one.use not in BESIDE else []),
        f"{'' if one.per_keyboard else '# '}per_keyboard = {each}",
        *([_EDGE] if hint else []),
    ]
    stated = "".join(f"{to_literal(f)} = {to_literal(role)}\n" for f, role in one.roles.items())
    roles = f"[board.roles]\n{stated}" if stated else _ROLES if hint else ""
    table = _BOARD.format(lines="".join(f"{line}\n" for line in lines), roles=roles)
    if not one.chosen:
        table = "".join(f"# {line}\n" for line in table.splitlines() if line) + "\n"
    reasons = [
        part for text in one.reasons for part in wrap(_plain(text), _WIDTH, break_on_hyphens=False)
    ]
    return "".join(f"# {part}\n" for part in reasons) + table


def _plain(text: str) -> str:
    """Words from files on one line, without signs that no TOML comment may hold."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
