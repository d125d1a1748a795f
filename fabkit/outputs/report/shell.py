"""What every page has: its templates, style, script, and the rule that nothing else is loaded."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from typing import TYPE_CHECKING

from fabkit.base.tables import Table, to_html
from fabkit.base.units import format_number
from fabkit.outputs.glossary import glossary

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


def trusted(text: str) -> Markup:
    """Mark what this package itself wrote (and escaped) as fit for the page."""
    from markupsafe import Markup

    return Markup(text)  # noqa: S704


def _html_table(table: Table, label: str, chosen: int | None = None) -> Markup:
    return trusted(to_html(table, label=label, chosen=chosen))


def page_environment() -> Environment:
    """Where the templates are found: everything is escaped, and nothing may be missing."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("fabkit.outputs.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    made.globals["table"] = _html_table
    made.filters["capitalize_first"] = lambda text: str(text)[:1].upper() + str(text)[1:]
    made.filters["number"] = format_number
    made.globals["glossary"] = glossary()
    return made


def _asset(name: str) -> str:
    return files("fabkit.outputs.report").joinpath("templates", name).read_text("utf-8")


def page_style() -> str:
    """Style of every page."""
    base = _asset("report.css").replace("/*DARK*/", _asset("dark.css").strip())
    return base + _asset("compare.css")


def page_script(names: Sequence[str]) -> str:
    """Parts of a page's script as one that leaves nothing behind."""
    return "(() => {\n" + "\n".join(_asset(name) for name in names) + "})();\n"


def content_policy(script: str) -> str:
    """Nothing from elsewhere, no script but ours (W3C Content Security Policy, level 3)."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
