"""The verdict in the forms that programs and pages read."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from fabkit import __version__
from fabkit.base.findings import Severity
from fabkit.outputs.ci_logs import render_annotations, render_junit
from fabkit.outputs.json import to_document, to_json
from fabkit.outputs.sarif import sarif_log
from fabkit.outputs.verdict_page import verdict_markdown


def render_verdict(
    check: dict[str, Any], form: str, *, fail_on: Severity | None = Severity.ERROR
) -> str:
    """Render a verdict as ``json``, ``markdown``, ``sarif``, ``annotations`` or ``junit``.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    fail_on
        Least severity that makes a test case of ``junit`` fail; None for none.
    """
    if form == "markdown":
        return verdict_markdown(check)
    if form == "annotations":
        return render_annotations(check)
    if form == "junit":
        return render_junit(check, fail_on=fail_on)
    if form == "sarif":
        return to_json(sarif_log(check, version=__version__))
    return to_document("check", {**check, "package": _without_place(check["package"])})


def _without_place(package: dict[str, Any]) -> dict[str, Any]:
    """A package by its own name: the same wherever it lies and however its path was typed."""
    return {**package, "source": Path(os.path.abspath(package["source"])).name}  # noqa: PTH100
