"""The user's defaults for options that were not given, each named when it is used."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from fabkit.sheets.order import Order
    from fabkit.sheets.settings import Setting

OPTIONS = {
    "house": ("house_files", ("sheets", "houses")),
    "parts": ("parts_file", ("sheets", "parts")),
    "keyboards": ("keyboards", ("want", "keyboards")),
    "colour": ("colour", ("options", "colour")),
    "finish": ("finish", ("options", "finish")),
    "currency": ("currency", ("money", "currency")),
}
"""By setting: the parameter it fills, and the key of an order file that comes before it."""


_TOLD = "fabkit.defaults"


def fill(ctx: click.Context) -> None:
    """Give every option that was not given what the settings say, and name where it is from.

    Options come before the environment, the environment before an order file, an order file
    before the settings file.
    """
    wanted = {name: key for name, (key, _) in OPTIONS.items() if key in ctx.params}
    if not wanted:
        return
    settings = _settings()
    for name, key in wanted.items():
        setting = settings.get(name)
        if setting is None or ctx.params[key] or (not setting.variable and _stated(ctx, name)):
            continue
        ctx.params[key] = (setting.value,) if name == "house" else setting.value
        tell(name, setting)


def fill_order(order: Order, *, stated: set[str]) -> Order:
    """Currency and tax of the settings, where neither an option nor the order file states them.

    ``stated`` are the tables and keys of the order file, as :func:`stated_keys` gives them.
    """
    from dataclasses import replace

    settings = _settings()
    currency, tax, country = (settings.get(name) for name in ("currency", "tax", "country"))
    if currency and (currency.variable or "money.currency" not in stated):
        tell("currency", currency)
        order = replace(order, currency=currency.value)
    if tax and "tax" not in stated:
        words = f" of {country.value}" if country else ""
        tell(f"tax{words}", tax)
        order = replace(order, tax=replace(tax.value, at=tax.source))
    return order


def tell(name: str, setting: Setting) -> None:
    """Name a default that is used."""
    from fabkit.sheets.order import Tax
    from fabkit.sheets.settings import tax_words

    value: Any = setting.value
    shown = tax_words(value) if isinstance(value, Tax) else value
    told: set[str] = click.get_current_context().meta.setdefault(_TOLD, set())
    if name not in told:
        click.echo(f"note: {name} {shown}, from {setting.source}", err=True)
    told.add(name)


def stated_keys(path: Path) -> set[str]:
    """Tables and keys that an order file states, dotted; nothing for a package."""
    if path.suffix.lower() != ".toml":
        return set()
    from fabkit.sheets.toml_text import read_sheet

    return keys_of(read_sheet(path).data)


def keys_of(data: Mapping[str, object]) -> set[str]:
    """Tables and keys of a TOML text, dotted."""
    inner = {f"{a}.{b}" for a, table in data.items() if isinstance(table, dict) for b in table}
    return inner | set(data)


def _stated(ctx: click.Context, name: str) -> bool:
    """Whether an order file given to the command states this itself."""
    key = ".".join(OPTIONS[name][1])
    files = [ctx.params.get(k) for k in ("wanted", "old", "new", "order_file")]
    return any(key in stated_keys(file) for file in files if isinstance(file, Path))


def _settings() -> dict[str, Setting]:
    from fabkit.sheets.settings import load_settings

    return load_settings()
