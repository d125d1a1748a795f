"""Checks that other packages add: found through real package metadata, or refused in words."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fabkit.checks.catalogue import plugin_checks
from fabkit.cli.group import cli

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fabkit" / "demo" / "rev-b"
BARE = ROOT / "fixtures" / "defects" / "reversible-clean"


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Put a distribution with an entry point onto the path, as an installer would lay it down.

    Layout as in "Core metadata" and "Entry points" of the Python packaging specifications.
    """
    site = tmp_path / "site"
    known = set(sys.modules)

    def lay(name, source, *, entry=None):
        meta = site / f"{name}-1.0.dist-info"
        meta.mkdir(parents=True)
        (meta / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        (meta / "entry_points.txt").write_text(f"[fabkit.checks]\n{name} = {entry or name}\n")
        if isinstance(source, Path):
            shutil.copy(source, site / f"{name}.py")
        elif source is not None:
            (site / f"{name}.py").write_text(source)
        plugin_checks.cache_clear()

    monkeypatch.syspath_prepend(site)
    yield lay
    plugin_checks.cache_clear()
    for module in set(sys.modules) - known:
        if str(getattr(sys.modules[module], "__file__", "")).startswith(str(site)):
            del sys.modules[module]


def run(*arguments):
    """Run a command; gives click's result."""
    return CliRunner().invoke(cli, [str(a) for a in arguments], prog_name="fabkit")


def outcomes(package):
    """State of the example's check, and the ids of all findings."""
    record = json.loads(run("check", package, "--json").output)
    states = {c["id"]: c["state"] for c in record["checks"]}
    return states.get("studio/mounting"), [f["id"] for f in record["findings"]]


def test_the_example_of_the_documents_runs(install):
    """The documented check fires on a board without screw holes and is silent on one with."""
    install("studio_checks", ROOT / "docs/example_plugin.py")

    state, ids = outcomes(BARE)
    assert (state, "studio/no-mounting-hole" in ids) == ("found", True)
    state, ids = outcomes(DEMO)
    assert (state, "studio/no-mounting-hole" in ids) == ("passed", False)


def test_rules_of_plugins_are_explained(install):
    """`fabkit checks` lists and explains them like ours."""
    install("studio_checks", ROOT / "docs/example_plugin.py")

    assert "Our cases hold boards by M2 screws." in run("checks", "studio/no-mounting-hole").output


def test_an_entry_may_name_one_check(install):
    """`module:name` of one check will do."""
    source = ROOT / "docs/example_plugin.py"
    install("studio_checks", source, entry="studio_checks:find_missing_screws")

    assert [c.id for c in plugin_checks()] == ["studio/mounting"]


def test_plugins_can_be_switched_off(install, monkeypatch):
    """FABKIT_PLUGINS=off runs our checks alone."""
    install("studio_checks", ROOT / "docs/example_plugin.py")
    monkeypatch.setenv("FABKIT_PLUGINS", "off")

    assert outcomes(BARE)[0] is None


@pytest.mark.parametrize(
    ("source", "entry", "words"),
    [
        (None, None, "ModuleNotFoundError"),
        ("1 / 0\n", None, "ZeroDivisionError"),
        ("x = 1\n", None, "holds none"),
        ("x = 1\n", "broken:x", "is no check"),
        ("from fabkit.checks.choices import find_thickness_problems\n", None, "one of fabkit"),
    ],
)
def test_what_cannot_be_used_is_told(install, source, entry, words):
    """A plugin that does not load, holds no check or takes our id stops with status 2."""
    install("broken", source, entry=entry)
    result = run("check", DEMO)

    assert result.exit_code == 2
    assert words in result.output
    assert "of broken cannot be used" in result.output
    assert "FABKIT_PLUGINS=off" in result.output
