"""Imports are a budget: what a command does not need, it does not load."""

from __future__ import annotations

import ast
import builtins
import importlib.util
import inspect
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from apart import PATIENCE_S

import fabkit

ROOT = Path(__file__).parents[1]
HEAVY = ("matplotlib", "scipy", "jinja2", "openpyxl", "pydantic", "rich", "shapely", "numpy", "PIL")


def _loaded(code: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after ``code``."""
    script = f"{code}\nimport sys\nprint('\\n'.join(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
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


def test_every_public_name_resolves():
    """Everything in ``fabkit.__all__`` can be had."""
    assert {name for name in fabkit.__all__ if getattr(fabkit, name, None) is None} == set()


def test_type_checkers_see_the_public_names():
    """The stub is what `python docs/make_reference.py` writes from the list of public names."""
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "docs/make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)

    assert maker.STUB.read_text(encoding="utf-8") == maker.stub()


FUNCTIONS = [n for n in fabkit.__all__ if inspect.isfunction(getattr(fabkit, n))]
ABSTRACT = ("Callable", "Collection", "Literal", "Mapping", "Sequence")
LANGUAGE = {*dir(builtins), *ABSTRACT, "Path", "date"}
"""Types that are no business of ours."""


def test_what_public_functions_take_and_give_is_public():
    """Every type of ours in a signature is a public name."""
    for name in FUNCTIONS:
        function = inspect.signature(getattr(fabkit, name))
        stated = [p.annotation for p in function.parameters.values()] + [function.return_annotation]
        names = {n.id for s in stated for n in ast.walk(ast.parse(s)) if isinstance(n, ast.Name)}

        assert all(stated), name
        assert names <= {*LANGUAGE, *fabkit.__all__}, name


def test_no_public_name_is_a_room():
    """A function named like a sub-package would vanish once that is imported."""
    rooms = {p.name for p in Path(fabkit.__file__).parent.iterdir() if p.is_dir()}

    assert not rooms & set(fabkit.__all__)


def test_the_way_in_a_few_lines(tmp_path, monkeypatch, capsys):
    """The lines of the package's docstring run as they are."""
    shutil.make_archive(str(tmp_path / "gerbers"), "zip", ROOT / "fixtures/pair/left")
    monkeypatch.chdir(tmp_path)
    lines = re.findall(r"^    (.+)$", fabkit.__doc__ or "", flags=re.MULTILINE)
    code = "\n".join(lines)

    assert "import fabkit" in code
    exec(code, {})  # noqa: S102 -- our own
    assert "order" in capsys.readouterr().out
    assert (tmp_path / "upload.zip").exists()
    assert (tmp_path / "pictures" / "back.png").exists()


def test_check_never_draws():
    """``fabkit check`` on the demo loads no drawing, page, spreadsheet or numerics library."""
    demo = str(ROOT / "fabkit/demo/rev-b")
    code = (
        "from fabkit.cli.group import cli\n"
        f"try: cli(['check', {demo!r}, '--json'])\n"
        "except SystemExit as end: assert end.code in (0, 1)"
    )
    assert not _loaded(code) & {"matplotlib", "jinja2", "openpyxl", "pydantic", "PIL", "scipy"}


def test_unknown_names_are_refused():
    """A name that is not public is an AttributeError, as for any module."""
    with pytest.raises(AttributeError, match="no_such_name"):
        importlib.import_module("fabkit").no_such_name  # noqa: B018
