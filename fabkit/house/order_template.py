"""The commented order file that a new project starts from."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

from fabkit.house.order import BoardUse, boards_of, halves_of

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

[options]
# thickness_mm = 1.6               # without it what the job file states, else 1.6
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

[money]
# currency = "EUR"
# price_age_days = 90              # older prices are pointed out
# [[money.exchange]]
# from = "USD"
# rate = 0.00                      # one unit of "from" in your currency
# date = 2025-01-15
# source = "who said so"

# Taxes and duty change: enter what is in force for you, with date and source.
# [tax]
# date = 2025-01-15
# source = "who said so"
# vat_rate = 0.00
# duty_rate = 0.00
# duty_threshold = 0.00
# handling = 0.00

# [power]
# charge_current_a = 0.1

# [[silence]]
# rule = "group/rule-id"
# reason = "why it does not matter here"
"""


_BOARD = """\
[[board]]
package = {package}
is = "{use}"
# halves = {halves}
# per_keyboard = {per_keyboard}
{roles}
"""
_ROLES = """\
# What files are that do not say it themselves:
# [board.roles]
# "2.gbr" = "bottom copper"
"""


def order_template(
    *,
    name: str,
    boards: Sequence[tuple[str, BoardUse]],
    keyboards: int = 1,
    roles: Mapping[str, str] | None = None,
    chosen: Mapping[str, object] | None = None,
) -> str:
    """An order file with its defaults commented, ready to load.

    Parameters
    ----------
    name
        Name of the order.
    boards
        Package of each design, and what it is.
    keyboards
        How many.
    roles
        What is stated of the first board's files, by name.
    chosen
        Further keys of the file with their values; they stand in place of their comment.

    Raises
    ------
    KeyError
        The template has no such key.
    """
    stated = "".join(f"{_literal(f)} = {_literal(role)}\n" for f, role in (roles or {}).items())
    tables = "".join(
        _BOARD.format(
            package=_literal(package),
            use=use,
            halves=halves_of(use),
            per_keyboard=boards_of(use),
            roles=f"[board.roles]\n{stated}" if stated and not number else _ROLES,
        )
        for number, (package, use) in enumerate(boards)
    )
    text = _TEXT.format(name=_literal(name), boards=tables, keyboards=keyboards)
    for key, value in (chosen or {}).items():
        line = re.compile(rf"^# {key} = .*?(?= +#|$)", re.MULTILINE)
        if not line.search(text):
            raise KeyError(key)
        said = f"{key} = {_literal(value)}"
        text = line.sub(lambda _, said=said: said, text, count=1)  # type: ignore[misc]
    return text


def _literal(value: object) -> str:
    """A value as TOML; for text, numbers and lists of them that is as in JSON."""
    return json.dumps(value, ensure_ascii=False)
