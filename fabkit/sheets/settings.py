"""The user's own defaults: a file in the platform's own place, and environment variables."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from fabkit.base.errors import UsageError
from fabkit.sheets.order import MOST_BOARDS, Boards, Order, Tax
from fabkit.sheets.prices import CURRENCY_DIGITS, CurrencyCode
from fabkit.sheets.reading import Count, nearest, read_as
from fabkit.sheets.toml_text import SheetText, read_sheet

SETTINGS_VARIABLE: Final = "FABKIT_SETTINGS"
"""Path of the settings file, in place of the usual one."""

TEXTS: Final = ("house", "parts", "keyboards", "colour", "finish", "country", "currency")
"""Settings of one value each; the environment variable is ``FABKIT_`` and the name."""

PATHS: Final = ("house", "parts")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A default of the user.

    ``value`` is what it is, ``source`` where it is written: ``FABKIT_HOUSE``, or file and line;
    ``variable`` whether that is the environment, which overrides an order file.
    """

    value: Any
    source: str
    variable: bool = False


def settings_file() -> Path:
    """Find the settings file: ``FABKIT_SETTINGS``, or the platform's own place."""
    stated = os.environ.get(SETTINGS_VARIABLE)
    if stated:
        return Path(stated)
    from platformdirs import user_config_path

    return user_config_path("fabkit", appauthor=False) / "settings.toml"


def load_settings() -> dict[str, Setting]:
    """Every setting that is made, by name: those of :data:`TEXTS`, and ``tax``.

    Raises
    ------
    SheetError
        A key, type or value of the file is wrong.
    UsageError
        An environment variable has a value it cannot have.
    """
    path = settings_file()
    made = _from_file(read_sheet(path), path) if path.is_file() else {}
    for name in TEXTS:
        variable = f"FABKIT_{name.upper()}"
        if text := os.environ.get(variable):
            made[name] = Setting(value=_value(name, text, variable), source=variable, variable=True)
    return made


@dataclass(frozen=True, kw_only=True)
class SettingsFile:
    """``settings.toml``."""

    format: Count
    house: str | None = None
    parts: str | None = None
    keyboards: Boards | None = None
    colour: str | None = None
    finish: str | None = None
    country: str | None = None
    currency: CurrencyCode | None = None
    tax: Tax | None = None


def _from_file(text: SheetText, path: Path) -> dict[str, Setting]:
    file = read_as(SettingsFile, text, what="the settings")
    made = {name: getattr(file, name) for name in (*TEXTS, "tax")}
    for name in PATHS:
        made[name] = made[name] and path.parent / Path(made[name]).expanduser()
    return {
        name: Setting(value=value, source=f"{path}:{text.line((name,))}")
        for name, value in made.items()
        if value is not None
    }


def _value(name: str, text: str, variable: str) -> str | int | Path:
    """Value of an environment variable, checked as in the file."""
    if name in PATHS:
        return Path(text).expanduser()
    if name == "keyboards":
        if not re.fullmatch(r"[0-9]{1,9}", text) or not 1 <= int(text) <= MOST_BOARDS:
            raise UsageError(
                f"{variable}: '{text[:60]}' is not a number of keyboards",
                hint=f"a whole number from 1 to {MOST_BOARDS}, such as 2",
            )
        return int(text)
    if name == "currency" and text not in CURRENCY_DIGITS:
        near = nearest(text, tuple(CURRENCY_DIGITS)) or "EUR"
        raise UsageError(
            f"{variable}: '{text[:60]}' is not a currency", hint=f"write a code such as {near}"
        )
    return text


ORDER_KEYS: Final[Mapping[str, str]] = {
    "house": "sheets.houses",
    "parts": "sheets.parts",
    "keyboards": "want.keyboards",
    "colour": "options.colour",
    "finish": "options.finish",
    "currency": "money.currency",
    "tax": "tax",
}
"""By setting: the key of an order file that comes before the settings file."""


def fill_order(
    order: Order, names: Collection[str] = tuple(ORDER_KEYS)
) -> tuple[Order, dict[str, Setting]]:
    """Fill an order with what the settings say and its file does not; give what was used.

    ``names`` are the settings that are asked.
    """
    stated = stated_keys(tomllib.loads(order.data.decode("utf-8-sig")))
    used = {
        name: setting
        for name, setting in load_settings().items()
        if name in names and (setting.variable or ORDER_KEYS[name] not in stated)
    }
    for name, setting in used.items():
        order = _filled(order, name, setting)
    return order, used


def _filled(order: Order, name: str, setting: Setting) -> Order:
    value = setting.value
    match name:
        case "house":
            return replace(order, houses=(value,))
        case "keyboards":
            # Builders share the keyboards of the file; another number has no such shares.
            kept = order.builders if value == order.keyboards else ()
            return replace(order, keyboards=value, builders=kept)
        case "colour" | "finish":
            return replace(order, choice=replace(order.choice, **{name: value}))
        case "currency":
            return replace(order, currency=value)
        case "tax":
            return replace(order, tax=replace(value, at=setting.source))
        case _:
            return replace(order, parts=value)


def stated_keys(data: Mapping[str, object]) -> set[str]:
    """Tables and keys of a TOML text, dotted."""
    inner = {f"{a}.{b}" for a, table in data.items() if isinstance(table, dict) for b in table}
    return inner | set(data)


def tax_words(tax: Tax) -> str:
    """Write the rates of a tax for people."""
    rates = (("VAT", tax.vat_rate), ("duty", tax.duty_rate))
    return ", ".join(f"{name} {rate:.1%}" for name, rate in rates if rate) or "none"
