"""What is installed: metadata, bounds, and the demo that travels with it."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from packaging.requirements import Requirement

import fabkit
from fabkit.cli.group import COMMANDS, cli

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_ci_tests_the_lowest_versions_declared():
    """The versions CI installs as the lowest are the bounds of pyproject.toml, none left out."""
    pins = (ROOT / ".ci" / "lowest.txt").read_text(encoding="utf-8").split()

    named = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["desk"]]
    assert [d.replace(">=", "==") for d in named] == pins


def test_ci_installs_what_it_was_tried_with():
    """Each library that is asked for has one version in CI, not below its bound."""
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = dict(line.split("==") for line in lines)
    extras = PROJECT["optional-dependencies"]
    wanted = [*PROJECT["dependencies"], *extras["desk"], *extras["test"]]
    wanted += [*extras["cluster"], *extras["docs"]]

    assert len(pins) == len(lines)
    for requirement in map(Requirement, wanted):
        if requirement.name != "fabkit":
            assert pins.get(requirement.name, "0") in requirement.specifier, requirement.name


@pytest.mark.skipif(os.name != "posix", reason="a script of the shell")
@pytest.mark.parametrize("tests_end_with", [0, 1])
def test_ci_ends_as_its_tests_do(tests_end_with, tmp_path):
    """Its status is that of what it runs, whatever its trap still finds to end."""
    run, tools, rest = tmp_path / ".ci" / "run", tmp_path / "tools", tmp_path / "rest"
    # Nothing is installed: a new environment holds tools that do nothing, and tests that end so.
    new, commands = tmp_path / "new" / "bin", dict.fromkeys(("pip", "ruff", "mypy"), "")
    prepared = shlex.quote(str(tmp_path / "prepared"))
    commands["python"] = f": > {prepared}"
    commands["pytest"] = f"until [ -e {prepared} ]; do sleep 0.01; done; exit {tests_end_with}"
    known = dict.fromkeys(("chromium", "chromedriver", "zsh", "fish"), "")
    known["python3"] = f'[ "$2" != venv ] || cp -r {shlex.quote(str(new.parent))} "$3"'
    for folder, scripts in ((new, commands), (tools, known)):
        folder.mkdir(parents=True)
        for name, text in scripts.items():
            (folder / name).write_text(f"#!/bin/sh\n{text}\n")
            (folder / name).chmod(0o755)
    run.parent.mkdir()
    rest.mkdir()
    shutil.copy(ROOT / ".ci" / "run", run)
    paths = {"PATH": f"{tools}{os.pathsep}{os.defpath}", "TMPDIR": str(rest)}

    done = subprocess.run([run], env=paths, capture_output=True, text=True, timeout=60)

    assert (done.returncode, done.stderr) == (tests_end_with, "")
    assert not any(rest.iterdir())


def test_classifiers_begin_at_the_python_required():
    """The Pythons named begin at the lowest that is required."""
    named = re.findall(r"Python :: (3\.\d+)", "\n".join(PROJECT["classifiers"]))

    assert PROJECT["requires-python"] == f">={named[0]}"
    assert "Typing :: Typed" in PROJECT["classifiers"]
    assert (ROOT / "fabkit" / "py.typed").exists()


def test_the_demo_is_found_from_any_folder(tmp_path, monkeypatch):
    """`demo` is the bundled package or order; its name in results is the same everywhere."""
    monkeypatch.chdir(tmp_path)

    assert fabkit.open_package("demo").source == "demo/rev-b"
    assert fabkit.open_package("demo/rev-a").source == "demo/rev-a"
    assert fabkit.load_order("demo").name == "Wheatear rev B"


def test_a_folder_of_the_users_own_comes_first(tmp_path, monkeypatch):
    """Who has a folder named demo means that one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo").mkdir()

    with pytest.raises(fabkit.FabkitError, match="demo holds no files"):
        fabkit.open_package("demo")


def test_what_the_demo_lacks_is_said(tmp_path, monkeypatch):
    """A part that the demo has not is missing like any other file."""
    monkeypatch.chdir(tmp_path)

    with pytest.raises(fabkit.FabkitError, match="demo/rev-z does not exist"):
        fabkit.open_package("demo/rev-z")


@pytest.mark.parametrize("arguments", [["check", "demo"], ["quote", "demo"]], ids=lambda a: a[0])
def test_commands_know_the_demo(arguments, tmp_path, monkeypatch, read_once):
    """Commands take `demo` where a package or an order is expected."""
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(cli, arguments)

    assert result.exit_code == 0, result.output


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_nothing_of_a_clone(name):
    """Help speaks of no page or folder that only a clone has."""
    result = CliRunner().invoke(cli, [*name.split(), "--help"])

    assert result.exit_code == 0
    assert not re.search(r"(?:docs|fixtures|tests)/|DEVELOPERS|README", result.output)
