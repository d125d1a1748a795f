"""The user's defaults for options that were not given, each named when it is used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from fabkit.sheets.order import Order
    from fabkit.sheets.settings import Setting

PARAMETERS = {
    "house": "house_files",
    "parts": "parts_file",
    "keyboards": "keyboards",
    "colour": "colour",
    "finish": "finish",
    "currency": "currency",
}
"""By setting: the parameter it fills."""

_TOLD = "fabkit.defaults"


def fill(ctx: click.Context) -> None:
    """Give every option that was not given what the settings say, and name where it is from.

    Options come before the environment, the environment before an order file, an order file
    before the settings file.
    """
    wanted = {name: key for name, key in PARAMETERS.items() if key in ctx.params}
    if not wanted:
        return
    settings = _settings()
    for name, key in wanted.items():
        setting = settings.get(name)
        if setting is None or ctx.params[key] or (not setting.variable and _stated(ctx, name)):
            continue
        ctx.params[key] = (setting.value,) if name == "house" else setting.value
        tell(name, setting)


def fill_order(order: Order) -> Order:
    """Currency and tax of the settings, where neither an option nor the order file states them."""
    from fabkit.sheets import settings

    order, used = settings.fill_order(order, ("currency", "tax"))
    country = settings.load_settings().get("country")
    for name, setting in used.items():
        words = f" of {country.value}" if name == "tax" and country else ""
        tell(f"{name}{words}", setting)
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
    from fabkit.sheets import settings
    from fabkit.sheets.toml_text import read_sheet

    return settings.stated_keys(read_sheet(path).data)


def _stated(ctx: click.Context, name: str) -> bool:
    """Whether an order file given to the command states this itself."""
    from fabkit.sheets.settings import ORDER_KEYS

    files = [ctx.params.get(k) for k in ("wanted", "old", "new", "order_file")]
    return any(ORDER_KEYS[name] in stated_keys(file) for file in files if isinstance(file, Path))


def _settings() -> dict[str, Setting]:
    from fabkit.sheets.settings import load_settings

    return load_settings()
