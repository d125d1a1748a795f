"""One meaning has one name, and one name one meaning, over all commands."""

from __future__ import annotations

import dataclasses
import inspect

import click
import pytest
from small_package import ROOT

from fabkit.cli.group import COMMANDS, cli

OWN_HELP = {"--out", "--draw", "--format"}
"""What they may be differs with the command (a file, a folder, the forms), not what it is for."""


def options_of(name):
    """The options of a command."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return [p for p in command.params if isinstance(p, click.Option)]


EVERY = [(name, option) for name in COMMANDS for option in options_of(name)]


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_only_translates(name):
    """A command is one call: its function takes one typed bundle, and both are short."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    function = inspect.unwrap(command.callback)
    (taken,) = inspect.signature(function, eval_str=True).parameters.values()

    assert dataclasses.is_dataclass(taken.annotation)
    assert sum(inspect.getsource(o).count("\n") for o in (function, taken.annotation)) < 120


def test_one_name_has_one_meaning():
    """An option of one name has one line of help, wherever it is."""
    told = {}
    for name, option in EVERY:
        told.setdefault(option.opts[0], {}).setdefault(option.help, []).append(name)

    twofold = {o: lines for o, lines in told.items() if len(lines) > 1 and o not in OWN_HELP}
    assert not twofold


def test_one_meaning_has_one_name():
    """No two options of different names have the same help, or fill the same variable."""
    by_help, by_name = {}, {}
    for _, option in EVERY:
        by_help.setdefault(option.help, set()).add(option.opts[0])
        by_name.setdefault(option.name, set()).add(option.opts[0])

    assert not {h: names for h, names in by_help.items() if len(names) > 1}
    assert not {n: names for n, names in by_name.items() if len(names) > 1}


@pytest.mark.parametrize(
    ("words", "now"),
    [
        (["preview", "x", "--mask", "black"], "--colour"),
        (["pack", "x", "--despite", "a/b=c"], "--silence"),
        (["order", "x", "--compare-with", "y"], "--old"),
        (["paper", "x", "--hands", "both"], "--board"),
        (["wiring", "x", "--csv"], "--format csv"),
        (["wiring", "x", "--order", "y"], "--key-order"),
        (["wiring", "x", "--board", "either"], "'reversible'"),
        (["compare", "x", "y", "--pictures", "z"], "--draw"),
        (["pack", "x", "--quantity", "5"], "--count"),
        (["check", "x", "--format", "json"], "--json"),
    ],
)
def test_an_old_spelling_names_the_new_one(run, words, now):
    """What was called otherwise is refused with its new name."""
    assert f"is now {now}" in run(*words, status=2).output.replace("is now called", "is now")


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["check", "x", "--fail-on", "warn"], "warning"),
        (["sheet", "drill", "x", "--out", "y.png"], "drills"),
        (["chekc"], "check"),
        (["order", "nwe", "x"], None),
        (["checks", "hole/spacng"], "hole/spacing"),
        (["checks", "hole/ring-thni"], "hole/ring-thin"),
        (["check", "x", "--thicknes", "1.6"], "--thickness"),
    ],
)
def test_near_words_are_suggested(run, words, near):
    """A slip in a command, an option or a choice is answered with the nearest one."""
    said = run(*words, status=2).output

    assert said.startswith("error: ")
    assert near is None or f"did you mean '{near}'?" in said


def test_an_order_file_says_is(run, tmp_path, small):
    """The former key of an order file is refused with the new one."""
    order = tmp_path / "order.toml"
    order.write_text('format = 1\nname = "x"\n[[board]]\npackage = "small"\nside = "either"\n')

    assert "did you mean 'is'?" in run("quote", order, status=2).output


def test_words_may_be_upper_case(run, small, tmp_path):
    """Colours and choices are taken in upper or lower case; unknown ones name the nearest."""
    out = tmp_path / "p"
    run("preview", small, "--out", out, "--colour", "Black", "--as", "PNG", "--scale", "2")
    said = run("preview", small, "--out", out, "--colour", "blakc", status=2).output

    assert (out / "front.png").exists()
    assert "did you mean 'black'?" in said


def test_json_and_another_format_exclude_each_other(run, small):
    """What is printed is one thing."""
    assert "choose one of" in run("check", small, "--json", "--format", "sarif", status=2).output


@pytest.mark.parametrize("name", ["parts", "quote"])
def test_parts_and_quote_write_csv(run, small, tmp_path, name):
    """CSV goes to the terminal, or into the file that --out names, byte for byte the same."""
    import csv
    import io

    out = tmp_path / "x.csv"
    printed = run(name, small, "--format", "csv").stdout
    run(name, small, "--format", "csv", "--out", out)

    rows = list(csv.reader(io.StringIO(out.read_bytes().decode())))
    assert len({len(row) for row in rows}) == 1
    assert list(csv.reader(io.StringIO(printed))) == rows
    assert "exists" in run(name, small, "--format", "csv", "--out", out, status=2).output


def test_a_workbook_holds_what_csv_holds(run, tmp_path):
    """An independent library reads the cells of the CSV in its first sheet; it needs a file."""
    import csv
    import io

    from openpyxl import load_workbook

    out = tmp_path / "x.xlsx"
    board = ROOT / "fixtures/defects/clean"
    run("parts", board, "--format", "xlsx", "--out", out)
    found = list(load_workbook(out).worksheets[0].iter_rows(values_only=True))
    rows = list(csv.reader(io.StringIO(run("parts", board, "--format", "csv").stdout)))

    assert len(rows) > 2
    assert [["" if cell is None else str(cell) for cell in row] for row in found] == rows
    assert "--out FILE.xlsx" in run("parts", board, "--format", "xlsx", status=2).output


def test_a_lone_half_is_no_order(run, small):
    """One half of a pair makes no keyboard: what to do instead is said."""
    assert "order new LEFT --right RIGHT" in run("quote", small, "--board", "left", status=2).output


def test_every_option_has_its_group():
    """No option stands under a heading it was forgotten in, and no group names what is gone."""
    from fabkit.cli.group import COMMAND_GROUPS
    from fabkit.cli.model import OPTION_GROUPS

    known = {option.opts[0] for _, option in EVERY}
    grouped = [name for names in OPTION_GROUPS.values() for name in names]
    assert len(grouped) == len(set(grouped))
    assert set(grouped) <= known
    commands = [name for names in COMMAND_GROUPS.values() for name in names]
    assert sorted(commands) == sorted(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_an_option_is_told_in_one_line(name):
    """The help of an option fits one line of 100 characters beside the longest option."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    context = click.Context(
        command,
        info_name=name,
        max_content_width=100,
        terminal_width=100,
        parent=click.Context(cli),
    )
    text = command.get_help(context)
    options = text[text.index("\n\n", text.index("Example")) :]
    rows = [line for line in options.splitlines() if line.strip() and not line.endswith(":")]
    assert all(line.strip().startswith("-") for line in rows), [
        line for line in rows if not line.strip().startswith("-")
    ]
