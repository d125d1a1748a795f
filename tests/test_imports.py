"""Imports are a budget: what a command does not need, it does not load."""

from __future__ import annotations

import importlib
import os
import statistics
import subprocess
import sys
import time

import pytest

import fabkit

HEAVY = ("matplotlib", "scipy", "jinja2", "openpyxl", "pydantic", "rich", "shapely", "numpy", "PIL")


def _loaded(code: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after ``code``."""
    script = f"{code}\nimport sys\nprint('\\n'.join(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    return {name.split(".")[0] for name in done.stderr.split()}


def test_import_fabkit_loads_nothing_heavy():
    """``import fabkit`` loads none of its dependencies."""
    assert not _loaded("import fabkit") & {*HEAVY, "click"}


def test_help_loads_click_alone():
    """``fabkit --help`` loads click and no other dependency."""
    code = (
        "from fabkit.cli.group import cli\n"
        "try: cli(['--help'])\n"
        "except SystemExit as end: assert end.code == 0"
    )
    loaded = _loaded(code)

    assert "click" in loaded
    assert not loaded & set(HEAVY)


def test_checks_need_no_drawing_library():
    """The catalogue, the runner and the readers load no drawing, sheet or page library."""
    loaded = _loaded("import fabkit.api, fabkit.checks.catalogue, fabkit.outputs.records")

    assert not loaded & {"matplotlib", "jinja2", "openpyxl", "pydantic", "PIL"}


def _seconds(*arguments: str) -> float:
    times = []
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}
    for _ in range(7):
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, *arguments], capture_output=True, check=True, env=environment
        )
        times.append(time.perf_counter() - start)
    # The fastest run is the one the machine disturbed least.
    return statistics.quantiles(times, n=4)[0]


def test_help_answers_at_once():
    """``fabkit --help`` takes at most twice as long as importing click."""
    assert _seconds("-m", "fabkit", "--help") <= 2 * _seconds("-c", "import click")


@pytest.mark.parametrize("name", fabkit.__all__)
def test_every_public_name_resolves(name):
    """Everything in ``fabkit.__all__`` can be had."""
    assert getattr(fabkit, name) is not None


def test_unknown_names_are_refused():
    """A name that is not public is an AttributeError, as for any module."""
    with pytest.raises(AttributeError, match="no_such_name"):
        importlib.import_module("fabkit").no_such_name  # noqa: B018
