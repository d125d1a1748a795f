"""Commands that draw say what the board is, and which files they drew elsewhere than they lie."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from fabkit.cli.group import cli

KINDS = Path(__file__).parents[2] / "fixtures" / "kinds"


def run(*args: object):
    """Run a command."""
    return CliRunner().invoke(cli, [str(a) for a in args])


@pytest.mark.parametrize("command", [("preview",), ("sheet", "halves"), ("paper",)])
def test_pictures_say_what_was_drawn(command, tmp_path):
    """The headline and the file that was laid back stand on standard error, names of files on
    standard output; JSON has all of it."""
    target = tmp_path / ("out" if command == ("preview",) else "out.pdf")
    result = run(*command, KINDS / "drill-off", "--out", target)

    assert result.exit_code == 0
    lines = result.stderr.splitlines()
    assert lines[0] == "whole keyboard, 3 keys; 66 × 24 mm, 2 copper layers"
    assert any("lies 100.00, -60.00 mm off" in line for line in lines)
    assert all(Path(name).exists() for name in result.stdout.splitlines())

    record = json.loads(
        run(*command, KINDS / "drill-off", "--out", target, "--replace", "--json").stdout
    )
    assert [said["is"] for said in record["boards"]] == ["whole"]
    assert any("100.00, -60.00 mm" in note for note in record["notes"])
    assert record["files"]


def test_a_sheet_of_halves_follows_the_users_word(tmp_path):
    """The demo said to be a left half is shown once, and the contradiction is a warning."""
    result = run("sheet", "halves", "demo", "--board", "left", "--out", tmp_path / "left.png")

    assert result.stderr.splitlines()[0] == "left half, 18 keys; 121.64 × 90.08 mm, 2 copper layers"
    assert "warning: you say left half" in result.stderr
