"""``fabkit settings``."""

from __future__ import annotations

from dataclasses import dataclass

from fabkit.cli import options, printing
from fabkit.cli.bundles import command


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    as_json: bool = options.as_json()


@command("settings", Asked)
def run(asked: Asked) -> None:
    """Show your defaults, and where each comes from.

    Options come before environment variables (FABKIT_HOUSE and so on), these before an order
    file, that before the settings file, which is named first and may hold:

    \b
      format = 1
      house = "my-house.toml"
      parts = "my-parts.toml"
      keyboards = 2
      colour = "black"
      finish = "enig"
      country = "..."
      currency = "EUR"
      [tax]                 as in an order file

    \b
    Example:
      fabkit settings
    """
    from fabkit.base.tables import Table, columns_of
    from fabkit.outputs import terminal
    from fabkit.sheets.settings import TEXTS, load_settings, settings_file, tax_words

    file, made = settings_file(), load_settings()
    rows = []
    for name in (*TEXTS, "tax"):
        setting = made.get(name)
        value = None if setting is None else setting.value
        shown = value if value is None or name != "tax" else tax_words(value)
        rows.append(
            {
                "name": name,
                "value": None if shown is None else str(shown),
                "source": setting.source if setting else None,
                "variable": f"FABKIT_{name.upper()}" if name in TEXTS else None,
            }
        )
    if asked.as_json:
        record = {"file": file.as_posix(), "exists": file.is_file(), "settings": rows}
        printing.print_json("settings", record)
        return
    console = terminal.Terminal()
    found = "" if file.is_file() else " (not there; fabkit settings --help shows what it holds)"
    console.print(f"settings file: {file.as_posix()}{found}", unbroken=True)
    shown_rows = tuple((r["name"], r["value"] or "not set", r["source"] or "") for r in rows)
    console.table(Table(columns_of("setting", "value", "from"), shown_rows))
