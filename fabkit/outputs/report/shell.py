"""What every page is made with: templates that escape, our style and script, and a policy.

Texts from files are hostile.  Templates and tables escape everything; only our own drawings, style
and script are put in as they are, and a content policy in the page names the script by its digest,
so that a text which slipped through still could not run.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from fabkit.base.tables import Table, to_html
from fabkit.base.units import format_number
from fabkit.outputs.whole_folder import MAKER
from fabkit.rules import glossary

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


SCRIPTS: Final = ("exact.js", "price.js", "board.js", "wipe.js", "page.js", "start.js")
"""Parts of the script of an order's page, in order."""


def trusted(text: str) -> Markup:
    """Mark what this package itself wrote (and escaped) as fit for the page."""
    from markupsafe import Markup

    return Markup(text)  # noqa: S704


def render_page(template: str, scripts: Sequence[str], **values: object) -> str:
    """Fill a template.

    Parameters
    ----------
    template
        Name of its file.
    scripts
        Files that make up the page's script, in order.
    values
        What the template asks for, beside policy, style, script and maker.

    Returns
    -------
    str
        HTML, with everything inside.
    """
    # Parts of a script share names, and leave none behind.
    script = "(() => {\n" + "\n".join(map(_asset, scripts)) + "})();\n"
    return render_part(
        template,
        policy=_policy(script),
        style=trusted(page_style()),
        script=trusted(script),
        maker=MAKER,
        **values,
    )


def render_part(template: str, **values: object) -> str:
    """Fill a template that is a part of a page."""
    return _environment().get_template(template).render(**values)


def page_style() -> str:
    """Style of every page."""
    dark = _asset("dark.css").strip()
    return _asset("report.css").replace("/*DARK*/", dark) + _asset("compare.css")


def page_script(name: str) -> str | None:
    """Part of the script of a page by the name of its file; None where there is none such."""
    return _asset(name) if name in SCRIPTS else None


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("fabkit.outputs.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        keep_trailing_newline=True,
    )
    made.globals["table"] = _html_table
    made.globals["glossary"] = glossary()
    made.filters["capitalize_first"] = lambda text: str(text)[:1].upper() + str(text)[1:]
    made.filters["number"] = format_number
    return made


def _html_table(
    table: Table, label: str, chosen: int | None = None, *, ticks: str = "", name: str = ""
) -> Markup:
    return trusted(to_html(table, label=label, chosen=chosen, ticks=ticks, name=name))


def _asset(name: str) -> str:
    return files("fabkit.outputs.report").joinpath("templates", name).read_text("utf-8")


def _policy(script: str) -> str:
    """Allow nothing from elsewhere and no script but ours (W3C Content Security Policy 3)."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
