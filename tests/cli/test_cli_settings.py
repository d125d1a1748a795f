"""Defaults of the user: file and environment, who comes first, and that each use is named."""

from __future__ import annotations

import json

import pytest

ORDER = """format = 1
name = "x"
[[board]]
package = "small"
[want]
keyboards = 3
"""


@pytest.fixture
def written(tmp_path, monkeypatch):
    """Write the settings file."""

    def write(text):
        path = tmp_path / "mine" / "settings.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text("format = 1\n" + text, encoding="utf-8")
        monkeypatch.setenv("FABKIT_SETTINGS", str(path))
        return path

    return write


def keyboards(run, *words):
    """Keyboards that a quote counts, and what it says beside."""
    result = run("quote", *words, "--json")
    return int(json.loads(result.stdout)["terms"]["wanted"].split()[0]), result.stderr


def test_who_comes_first(run, small, written, monkeypatch):
    """Options beat environment beat order file beat settings file beat what is built in."""
    order = small.parent / "order.toml"
    order.write_text(ORDER)
    assert keyboards(run, small)[0] == 1
    written("keyboards = 2\n")
    assert keyboards(run, small)[0] == 2
    assert keyboards(run, order)[0] == 3
    monkeypatch.setenv("FABKIT_KEYBOARDS", "4")
    assert keyboards(run, order)[0] == 4
    assert keyboards(run, order, "--keyboards", "5")[0] == 5


def test_every_default_used_is_named(run, small, written):
    """Name, value, file and line of each are on standard error; what is not used is not."""
    path = written('keyboards = 2\ncolour = "black"\n')
    _, said = keyboards(run, small)
    assert f"note: keyboards 2, from {path}:2" in said
    assert f"note: colour black, from {path}:3" in said
    assert "keyboards" not in keyboards(run, small, "--keyboards", "2")[1]


def test_sheets_are_found_beside_the_settings(run, small, written):
    """Paths in the file are relative to it; the house judges, also for `check`."""
    path = written('house = "house.toml"\nparts = "parts.toml"\n')
    run("house", "new", "--out", path.parent / "house.toml", "--name", "The corner house")
    run("parts", "new", "--out", path.parent / "parts.toml", "--name", "The drawer")

    assert "The corner house" in run("check", small, "--json").stdout
    assert "house.toml, from" in run("quote", small).stderr


def test_tax_and_currency(run, small, written):
    """The tax is that of the settings, with country and line; an order file's own comes first."""
    path = written(
        'country = "Nowhere"\n[tax]\ndate = 2025-01-15\nsource = "made up"\nvat_rate = 0.5\n'
    )
    assert f"note: tax of Nowhere VAT 50.0%, from {path}:3" in keyboards(run, small)[1]
    order = small.parent / "order.toml"
    order.write_text(ORDER + '[tax]\ndate = 2025-01-15\nsource = "y"\nvat_rate = 0.1\n')
    assert "tax" not in keyboards(run, order)[1]


def test_settings_are_shown(run, written, monkeypatch):
    """Value and source of each, and the environment before the file."""
    path = written('colour = "black"\nfinish = "enig"\n')
    monkeypatch.setenv("FABKIT_COLOUR", "white")
    told = json.loads(run("settings", "--json").stdout)
    rows = {row["name"]: row for row in told["settings"]}

    assert told["file"] == path.as_posix()
    assert (rows["colour"]["value"], rows["colour"]["source"]) == ("white", "FABKIT_COLOUR")
    assert (rows["finish"]["value"], rows["finish"]["source"]) == ("enig", f"{path}:3")
    assert rows["house"]["value"] is None
    assert "not set" in run("settings").output


@pytest.mark.parametrize(
    ("text", "said"),
    [("colur = 'red'\n", "did you mean 'colour'"), ("keyboards = 0\n", "too small")],
)
def test_wrong_settings_are_said(run, small, written, text, said):
    """A wrong key or value names file, line and key, in every command that would use it."""
    path = written(text)
    result = run("quote", small, status=2)
    assert f"{path}:2" in result.output
    assert said in result.output


def test_a_wrong_variable_is_said(run, small, monkeypatch):
    """The name of the variable, and what it should be."""
    monkeypatch.setenv("FABKIT_KEYBOARDS", "two")
    assert "FABKIT_KEYBOARDS: 'two'" in run("quote", small, status=2).output
