"""Lines of keys, and money."""

from __future__ import annotations

import tomllib
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.errors import UsageError
from fabkit.sheets.prices import Currency, find_currency
from fabkit.sheets.toml_text import key_lines

TEXT = '''\
# comment = "no key"
title = "a # b = [c]"   # yes
long = """
key = 1
"""
"quoted.key" = 1
a.b.c = 2

[table]  # comment
list = [
  1,
  { x = 1, y = [1,
    2] },
]
inline = { p = 1, q = 'it''s' }
date = 2025-01-15
[[rows]]
n = 1
[[rows]]
n = 2
[rows.inner]
z = 3
[table."deep key"]
w = 1
'''.replace("it''s", "its")


def test_lines_of_all_kinds_of_keys() -> None:
    """Plain, quoted, dotted, inline and repeated keys stand where they stand."""
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)

    assert lines["title",] == 2
    assert lines["long",] == 3
    assert ("key",) not in lines
    assert lines["quoted.key",] == 6
    assert lines["a", "b", "c"] == 7
    assert lines["table", "list", 1, "x"] == 12
    assert lines["table", "list", 1, "y", 1] == 13
    assert lines["table", "inline", "q"] == 15
    assert lines["rows", 0, "n"] == 18
    assert lines["rows", 1, "n"] == 20
    assert lines["rows", 1, "inner", "z"] == 22
    assert lines["table", "deep key", "w"] == 24


def test_windows_line_ends_count_once() -> None:
    """CR LF is one line end."""
    assert key_lines("a = 1\r\nb = 2\r\n")["b",] == 2


def every_path(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Paths of all keys and items of parsed TOML."""
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    found = []
    for key, inner in items:
        found += [(*path, key), *every_path(inner, (*path, key))]
    return found


def test_every_key_of_a_text_has_a_line() -> None:
    """What the general reader finds, the walk finds too."""
    lines = key_lines(TEXT)
    missing = [p for p in every_path(tomllib.loads(TEXT)) if p not in lines and p[-1] not in (0, 1)]

    assert missing == []


CU = find_currency("cu")


def test_half_goes_up_or_to_even() -> None:
    """Half up by default; half even on request."""
    even = Currency("cu", Decimal("0.01"), "half-even")

    assert CU.round(Decimal("2.675")) == Decimal("2.68")
    assert even.round(Decimal("2.665")) == Decimal("2.66")
    assert even.round(Decimal("2.675")) == Decimal("2.68")


@pytest.mark.parametrize(("code", "digits"), [("EUR", 2), ("JPY", 0), ("KWD", 3), ("XTS", 2)])
def test_minor_units(code: str, digits: int) -> None:
    """ISO 4217: euro two decimals, yen none, Kuwaiti dinar three."""
    assert find_currency(code).digits == digits


def test_unknown_currency() -> None:
    """An unknown code is refused with the nearest known one."""
    with pytest.raises(UsageError, match="'EUR'"):
        find_currency("EURO")


def test_cash_step() -> None:
    """A step of 0.05 rounds to multiples of it."""
    chf = find_currency("CHF", step=Decimal("0.05"))

    assert chf.round(Decimal("7.43")) == Decimal("7.45")
    assert chf.round(Decimal("7.42")) == Decimal("7.40")


@given(
    cents=st.integers(0, 10**9),
    weights=st.lists(st.integers(0, 50), min_size=1, max_size=12).filter(any),
)
def test_shares_add_up_to_the_cent(cents: int, weights: list[int]) -> None:
    """No cent is lost or made, and nobody is more than a cent from the exact share."""
    total = Decimal(cents) / 100
    shares = CU.split(total, weights)

    assert sum(shares) == total
    for share, weight in zip(shares, weights, strict=True):
        assert abs(share - total * weight / sum(weights)) < Decimal("0.01")
