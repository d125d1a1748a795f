"""The user's own defaults: a file in the platform's own place, and environment variables."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from fabkit.base.errors import UsageError
from fabkit.sheets.house import check_format
from fabkit.sheets.money import CURRENCY_DIGITS
from fabkit.sheets.order import MOST_BOARDS, Tax, load_tax
from fabkit.sheets.table import Table, read_sheet

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
    """Where the settings are: what ``FABKIT_SETTINGS`` says, else the platform's own place."""
    stated = os.environ.get(SETTINGS_VARIABLE)
    if stated:
        return Path(stated)
    from platformdirs import user_config_path

    return user_config_path("fabkit", appauthor=False) / "settings.toml"


def load_settings(
    file: Path | None = None, environment: Mapping[str, str] | None = None
) -> dict[str, Setting]:
    """Every setting that is made, by name: those of :data:`TEXTS`, and ``tax``.

    Parameters
    ----------
    file
        The settings file; None takes :func:`settings_file`.  It need not exist.
    environment
        Environment variables; None takes the process's own.

    Raises
    ------
    SheetError
        A key, type or value of the file is wrong.
    UsageError
        An environment variable has a value it cannot have.
    """
    path = file or settings_file()
    made = _from_table(read_sheet(path), path) if path.is_file() else {}
    variables = os.environ if environment is None else environment
    for name in TEXTS:
        variable = f"FABKIT_{name.upper()}"
        if text := variables.get(variable):
            made[name] = Setting(value=_value(name, text, variable), source=variable, variable=True)
    return made


def _from_table(table: Table, path: Path) -> dict[str, Setting]:
    check_format(table, "the settings")
    made = {
        "house": table.text("house", None),
        "parts": table.text("parts", None),
        "keyboards": table.integer("keyboards", None, least=1, most=MOST_BOARDS),
        "colour": table.text("colour", None),
        "finish": table.text("finish", None),
        "country": table.text("country", None),
        "currency": table.text("currency", None, choices=CURRENCY_DIGITS),
        "tax": load_tax(table.table("tax", None)) if "tax" in table else None,
    }
    table.done()
    for name in PATHS:
        if made[name] is not None:
            made[name] = path.parent / Path(made[name]).expanduser()
    return {
        name: Setting(value=value, source=f"{path}:{table.line(name)}")
        for name, value in made.items()
        if value is not None
    }


def _value(name: str, text: str, variable: str) -> Any:
    """Value of an environment variable, checked as in the file."""
    if name in PATHS:
        return Path(text).expanduser()
    if name == "keyboards":
        if not text.isdecimal() or int(text) < 1:
            raise UsageError(f"{variable}: '{text}' is not a number of keyboards, such as 2")
        return int(text)
    if name == "currency" and text not in CURRENCY_DIGITS:
        raise UsageError(f"{variable}: '{text}' is not a currency, such as EUR")
    return text


def tax_words(tax: Tax) -> str:
    """The rates of a tax, for people."""
    rates = (("VAT", tax.vat_rate), ("duty", tax.duty_rate))
    return ", ".join(f"{name} {rate:.1%}" for name, rate in rates if rate) or "none"
