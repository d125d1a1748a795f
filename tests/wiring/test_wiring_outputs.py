"""Tables, template and pictures of the wiring, from Python and from the command line."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

import fabkit
from fabkit.cli.group import cli
from fabkit.outputs.wiring import render_template, render_wiring, wiring_record
from fabkit.pictures.looks import VERMILION

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = Path(__file__).resolve().parents[2] / "fabkit" / "demo"
LINNET = str(FIXTURES / "linnet" / "rev-1")


def run(*words):
    """Run a command; its result."""
    return CliRunner().invoke(cli, [str(w) for w in words])


@pytest.fixture(scope="module")
def wiring(board_at):
    """The wiring of the matrix board."""
    return fabkit.list_wiring(board_at("linnet/rev-1"))


@pytest.fixture(scope="module")
def record(wiring):
    """Its record."""
    return wiring_record(wiring)


def test_csv_has_every_key(wiring, table_of):
    """The CSV repeats the generator's rows and columns."""
    rows = list(csv.DictReader(io.StringIO(render_wiring(wiring, "csv"))))

    assert tuple(rows[0]) == wiring.table().heads
    assert {"index", "seen x mm", "row pin", "instead of"} <= set(rows[0])
    kept = ("index", "ref", "row net", "row pin", "column net", "column pin", "diode")
    assert [{k: r[k] for k in kept} for r in rows] == table_of("linnet/wiring.csv")


def test_csv_defuses_formulas(board_at):
    """A net that a spreadsheet would take for a formula is written as text."""
    wiring = fabkit.list_wiring(board_at("card"))
    half = wiring.halves[0]
    first = half.keys[0]
    bad = replace(first, line=replace(first.line, node="=1+1"))
    wiring = replace(wiring, halves=(replace(half, keys=(bad, *half.keys[1:])),))

    assert ",'=1+1," in render_wiring(wiring, "csv")


def test_template_prints_in_any_form(record):
    """A template of the user's sees every key with its pins."""
    text = (
        "{% for k in keys %}{{ k.index }}:{{ k.row_line.pin }}{{ k.column_line.pin }} {% endfor %}"
    )

    assert render_template(text, record) == "0:P5P2 1:P5P3 2:P5P4 3:P6P2 4:P6P3 5:P6P4 "


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("\n{{ nothing }}", "line 2: 'nothing' is undefined"),
        ("{% for %}", "line 1"),
        ("{{ ''.__class__.__mro__ }}", "unsafe"),
        ("{{ 1 / 0 }}", "division by zero"),
        ("{% include '/etc/passwd' %}", "template"),
        (
            "{% for a in range(99999) %}{% for b in range(9) %}{{ 9**99 }}{% endfor %}{% endfor %}",
            "writes more than",
        ),
    ],
)
def test_wrong_templates(record, text, words):
    """A wrong template is refused with its line, whatever it tries, and gets nowhere else."""
    with pytest.raises(fabkit.FabkitError, match=words):
        render_template(text, record)


def test_control_characters_do_not_reach_a_template(record):
    """Names come from files that others wrote: escape sequences are replaced."""
    hostile = json.loads(json.dumps(record))
    hostile["name"] = "x\x1b[31m"

    assert "\x1b" not in render_template("{{ name }}", hostile)


def test_command_prints_json_csv_and_tables(read_once):
    """The command prints the same keys as table, CSV and JSON."""
    told = json.loads(run("wiring", LINNET, "--json").output)
    table = run("wiring", LINNET).output
    rows = list(csv.DictReader(io.StringIO(run("wiring", LINNET, "--format", "csv").output)))

    keys = told["halves"][0]["keys"]
    assert [str(k["index"]) for k in keys] == [r["index"] for r in rows]
    assert all(k["ref"] in table for k in keys)
    assert "current from column into row" in table


def test_pictures_and_out_file(tmp_path, read_once):
    """Pictures of every kind and the file asked for are written, never over another."""
    out = tmp_path / "keys.csv"
    names = [tmp_path / f"wiring.{kind}" for kind in ("png", "svg", "pdf")]
    words = ["wiring", LINNET, "--format", "csv", "--out", out]
    for name in names:
        words += ["--draw", name]

    result = run(*words)

    assert result.exit_code == 0, result.output
    assert out.read_bytes().count(b"\r\n") == 7
    with Image.open(names[0]) as picture:
        assert picture.size[0] > 1000
    assert names[1].read_text(encoding="utf-8").startswith("<")
    assert names[2].read_bytes().startswith(b"%PDF-")
    again = run(*words)
    assert again.exit_code == 2
    assert "--replace" in again.output


def test_picture_marks_keys_without_a_pin(planted, tmp_path):
    """Keys without a pin stand out in vermilion; without such keys that colour is not there."""
    edit = ("%TO.P,J1,2,P3*%\n%TO.N,COL1*%", "%TO.P,J1,2,P3*%\n%TO.N,SPARE*%")
    for name, edits in (("good", ()), ("bad", (edit,))):
        board = planted("linnet/rev-1", *edits) if edits else None
        if board is None:
            board = fabkit.build_board(fabkit.open_package(LINNET))
        path = tmp_path / f"{name}.png"
        fabkit.draw_wiring(board, fabkit.list_wiring(board), path)
        with Image.open(path) as picture:
            colours = {c for _, c in picture.convert("RGB").getcolors(1 << 24)}
        assert (VERMILION in colours) is (name == "bad")


def test_a_board_without_keys_is_not_drawn(read_once, tmp_path):
    """The picture is refused with what the board is, and a plate is named as a likely cause."""
    done = run("wiring", FIXTURES / "defects" / "clean", "--draw", tmp_path / "keys.png")

    assert done.exit_code == 2
    assert "no keyboard; there is nothing to draw" in done.output
    assert "not of a plate" in done.output


def test_table_and_picture_name_faces_alike(read_once):
    """A board has a front and a back, in the table as in the picture below it."""
    told = run("wiring", DEMO / "rev-b").output
    assert "Left half, front up: 18 keys" in told
    assert "Right half, back up: 18 keys" in told


def test_exit_status(planted, tmp_path):
    """Errors end with status 1, unless that was not asked for; the table is still printed."""
    board = FIXTURES / "dialects" / "no-attributes-mm"

    result = run("wiring", board)

    assert result.exit_code == 1
    assert "--pins" in result.output
    assert "Right half" in result.output
    assert run("wiring", board, "--fail-on", "never").exit_code == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--format", "csv", "--json"], "choose one"),
        (["--controller", "U9"], "U9"),
        (["--controller", ","], "list of references"),
        (["--pins", "nowhere.csv"], "nowhere.csv"),
        (["--template", "nowhere.j2"], "nowhere.j2"),
        (["--key-order", "nowhere.toml"], "nowhere.toml"),
        (["--draw", "wiring.txt"], "wiring.txt"),
    ],
)
def test_wrong_use(words, told, read_once):
    """Wrong options and missing files end with status 2 and a message that names them."""
    result = run("wiring", LINNET, *words)

    assert result.exit_code == 2
    assert told in result.output
    assert "Traceback" not in result.output


def test_carry_command(tmp_path, read_once):
    """`fabkit carry` prints both costs; CSV and JSON have the same lines."""
    half = FIXTURES / "pair" / "left"
    words = ["carry", half, half, "--parts", DEMO / "parts.toml", "--house", DEMO / "house.toml"]

    told = json.loads(run(*words, "--json").output)
    table = run(*words).output
    rows = list(csv.DictReader(io.StringIO(run(*words, "--format", "csv").output)))

    assert [a["part"] for a in told["lines"]] == [
        r["part"] for r in rows if not r["part"].startswith("Note")
    ]
    assert f"saved by carrying over: {told['cost']['saved_per_half']} cu a half" in table
    assert run(*words, "--keep", "2").exit_code == 2
