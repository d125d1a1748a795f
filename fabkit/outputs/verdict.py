"""The verdict in the forms that programs and pages read."""

from __future__ import annotations

from typing import Any

from fabkit import __version__
from fabkit.outputs.json import to_document, to_json
from fabkit.outputs.sarif import sarif_log
from fabkit.outputs.verdict_page import verdict_markdown


def render_verdict(check: dict[str, Any], form: str) -> str:
    """Render a verdict as ``json``, ``markdown`` or ``sarif``.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    """
    if form == "markdown":
        return verdict_markdown(check)
    if form == "sarif":
        return to_json(sarif_log(check, version=__version__))
    return to_document("check", check)
