"""``fabkit compare`` from the shell: texts, exit status, pictures, page, refusals."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from decimal import Decimal

import pytest
import shapely
from click.testing import CliRunner
from compare_boards import DIALECTS, ROOT, WHEATEAR

import fabkit
from fabkit.cli.group import cli
from fabkit.outputs.comparison import compare_record, cost_lines
from fabkit.outputs.report.board_view import render_comparison_page

pytestmark = pytest.mark.usefixtures("read_once")

A, B = str(WHEATEAR / "rev-a"), str(WHEATEAR / "rev-b")
ORDER = str(ROOT / "fabkit" / "demo" / "order.toml")


def run(*arguments):
    """The command's result."""
    return CliRunner().invoke(cli, ["compare", *map(str, arguments)])


def test_equal_boards_end_with_0():
    """Another dialect of the same board: nothing differs, status 0, in a few lines."""
    result = run(B, DIALECTS / "inch-2-4", "--no-findings")

    assert result.exit_code == 0
    assert result.output.splitlines()[-1] == "the same board, within the tolerance"
    assert len(result.output.splitlines()) < 10


def test_revisions_end_with_1_and_fit_a_screen():
    """The demonstration's revisions: keys, holes, slot, part, areas, verdict and price."""
    result = run(A, B)

    assert result.exit_code == 1
    assert "3 moved by 0, 1 mm (1 mm): SW2, SW7, SW12" in result.output
    assert "gone stop: turned over, battery plus and minus change places" in result.output
    assert "price of one half" in result.output
    assert len(result.output.splitlines()) <= 50


def test_json_holds_every_change():
    """The JSON form has each change with its kind, place and measures."""
    record = json.loads(run(A, B, "--json", "--no-findings").output)

    assert not record["equal"]
    assert {c["kind"] for c in record["changes"]} >= {"key/moved", "slot/added", "copper/changed"}
    assert all("x_mm" in c for c in record["changes"] if c["kind"].startswith("copper"))
    assert sum(layer["places"] for layer in record["layers"]) == sum(
        "added_mm2" in c for c in record["changes"]
    )
    assert record["tolerance"]["sliver_mm"] < 0.02


def test_markdown_names_both_boards():
    """The Markdown form starts with both names and has a table of areas."""
    text = run(A, B, "--format", "markdown", "--no-findings").output

    assert text.startswith("# Wheatear rev-a to Wheatear rev-b: ")
    assert "| top copper |" in text


def test_expectations_decide_the_status(tmp_path):
    """Written, then given back: status 0; with an entry taken out: 1."""
    path = tmp_path / "meant.toml"
    assert run(A, B, "--no-findings", "--write-expect", path).exit_code == 1
    assert run(A, B, "--no-findings", "--expect", path).exit_code == 0
    path.write_text(path.read_text().replace('"key SW7"', '"key SW8"'))
    result = run(A, B, "--no-findings", "--expect", path)
    assert result.exit_code == 1
    assert "1 not expected and 1 missing" in result.output


def test_nothing_is_overwritten(tmp_path):
    """An existing file is refused before any work is done, and stays as it was."""
    path = tmp_path / "meant.toml"
    path.write_text("mine")
    result = run(A, B, "--write-expect", path)

    assert result.exit_code == 2
    assert path.read_text() == "mine"


def test_the_same_files_are_not_checked_again():
    """A package with itself: equal, and no verdict is asked for twice."""
    record = json.loads(run(B, B, "--json").output)

    assert record["equal"]
    assert record["findings"] is None


def test_missing_package_is_a_message(tmp_path):
    """A path that is not there: status 2 and no traceback."""
    result = run(tmp_path / "nowhere", B)

    assert result.exit_code == 2
    assert "error:" in result.output


def test_pictures_and_page(tmp_path):
    """Both faces as PNG and SVG, and a page with a slider for each face."""
    page = tmp_path / "changes.html"
    result = run(A, B, "--no-findings", "--draw", tmp_path / "p", "--report", page)

    assert result.exit_code == 1
    names = {p.name for p in (tmp_path / "p").iterdir()}
    assert {"changes-front.png", "changes-back.svg", "changes.png"} <= names
    html = page.read_text()
    assert html.count('<input type="range"') == 2
    assert len(re.findall(r'src="data:image/', html)) == 6
    assert "://" not in re.sub(r'data:[^"]+', "", html)


def test_hostile_names_are_escaped_in_the_page(rev_b):
    """A part called like markup stays text."""
    evil = replace(rev_b.components[0], ref='<img src=x onerror="alert(1)">')
    other = replace(rev_b, components=(evil, *rev_b.components[1:]))
    comparison = fabkit.compare_boards(rev_b, other)
    html = render_comparison_page(comparison, compare_record(comparison))

    assert "<img src=x" not in html
    assert "&lt;img src=x" in html


def test_price_lines_add_up_to_the_difference(rev_b):
    """What the lines add to a half is what the half costs more, exactly."""
    big = replace(rev_b, profile=shapely.MultiPolygon([shapely.box(0, 0, 320, 240)]))
    comparison = fabkit.compare_boards(rev_b, big)
    costs = fabkit.weigh_changes(comparison, order=fabkit.load_order(ORDER), findings=False).costs

    assert costs.difference != 0
    # Exact but for the 28 digits that a third is cut to.
    assert abs(sum(line.difference for line in costs.lines) - costs.difference) < Decimal("1e-20")
    assert costs.tier_crossed
    assert any("price tier crossed" in line for line in cost_lines(_costs(comparison, costs)))


def _costs(comparison, costs):
    return compare_record(comparison, costs=costs)["costs"]


def test_two_designs_are_refused():
    """An order of two designs cannot price one board."""
    result = run(A, B, "--order", ROOT / "fixtures" / "pair" / "order.toml")

    assert result.exit_code == 2
    assert "2 designs" in result.output


def test_a_new_error_ends_with_1(tmp_path):
    """From B back to A the battery's fault is new: expected changes alone do not make it good."""
    path = tmp_path / "meant.toml"
    path.write_text('format = 1\n[[change]]\nkind = "*"\n')
    wanted = {"error": 1, "never": 0}

    ended = {k: run(B, A, "--expect", path, "--fail-on", k).exit_code for k in wanted}
    assert ended == wanted


def test_the_orders_report_shows_what_changed(tmp_path):
    """With --old the order folder holds the changes, and the report a wipe."""
    defects = ROOT / "fixtures" / "defects"
    arguments = ["order", defects / "clean", "--out", tmp_path / "o", "--old"]
    arguments.append(defects / "gap-small")
    result = CliRunner().invoke(cli, list(map(str, arguments)))
    html = (tmp_path / "o" / "report.html").read_text()
    record = json.loads((tmp_path / "o" / "changes.json").read_text())

    assert result.exit_code == 0
    assert 'id="changes"' in html
    assert html.count('class="wipe"') == 2
    assert {c["kind"] for c in record["changes"]} == {"copper/changed"}
    assert record["findings"]["gone"][0]["id"] == "copper/gap-small"
    assert (tmp_path / "o" / "changes-front.svg").exists()


def test_an_order_of_two_designs_has_no_revision_before(tmp_path):
    """One package cannot be the revision before of two designs; nothing is written."""
    pair = str(ROOT / "fixtures" / "pair" / "order.toml")
    result = CliRunner().invoke(cli, ["order", pair, "--out", str(tmp_path / "o"), "--old", A])

    assert result.exit_code == 2
    assert not (tmp_path / "o").exists()


def test_faces_without_a_layer_are_drawn(tmp_path):
    """Boards that are holes alone, whose faces hold no layer, have pictures of what changed."""
    plain = ROOT / "fixtures" / "kinds" / "soldered"
    for name, kept in (("old", ("twite.txt", "twite-npth.txt")), ("new", ("twite.txt",))):
        (tmp_path / name).mkdir()
        for file in kept:
            (tmp_path / name / file).write_bytes((plain / file).read_bytes())
    pictures = tmp_path / "p"
    result = run(tmp_path / "old", tmp_path / "new", "--no-findings", "--draw", pictures)

    assert result.exit_code == 1, result.output
    assert {"changes-front.png", "changes-back.png"} <= {p.name for p in pictures.iterdir()}


def test_files_from_the_house_get_one_verdict(tmp_path):
    """The same files in another dialect are still the board; another revision is not."""
    same = run(B, DIALECTS / "inch-2-4", "--from-house")
    other = run(B, A, "--from-house", "--json")
    record = json.loads(other.output)

    assert (same.exit_code, other.exit_code) == (0, 1)
    assert same.output.startswith("your board")
    assert record["returned"]["verdict"].startswith("NOT your board")
    assert record["returned"]["others"]


def test_two_designs_say_so_in_the_first_line():
    """Boards that are not comparable: one sentence, no list, no price."""
    result = run(A, ROOT / "fixtures" / "card")

    assert result.exit_code == 1
    assert result.output.startswith("The boards are not comparable: ")
    assert len(result.output.splitlines()) < 10
    assert "price" not in result.output


def test_parts_that_one_board_does_not_name_save_nothing():
    """Against a revision without names the price is that of the boards alone, and says so."""
    record = json.loads(run(B, DIALECTS / "no-attributes-mm", "--json").output)

    assert record["costs"]["parts"] == "not known: NEW names none"
    assert not any("parts" in line["key"] for line in record["costs"]["lines"])
