"""What a firmware needs, headers to name, both halves on one board, and orders by hand."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from click.testing import CliRunner

import fabkit
from fabkit.board.copper import trace_copper
from fabkit.cli.group import cli
from fabkit.outputs.wiring import check_template, render_template, wiring_record
from fabkit.wiring.build import list_wiring
from fabkit.wiring.model import WiringOptions
from fabkit.wiring.pins import pin_form

ROOT = Path(__file__).resolve().parents[2]


def parts_graph(board):
    """Pads by what their attributes say: a graph of parts and nets that shares no code with ours,
    islands found by shapely alone."""
    graph = nx.Graph()
    for row in range(len(trace_copper(board).pads)):
        pads = trace_copper(board).pads
        if pads.pin[row] >= 0 and pads.island[row] >= 0:
            ref, pin = trace_copper(board).pins[pads.pin[row]]
            graph.add_edge(("pin", ref, pin), ("copper", int(pads.island[row])))
    return graph


@pytest.mark.parametrize("folder", ["kinds/both-equal", "kinds/both-unequal"])
def test_each_half_leads_to_its_own_controller(board_at, folder):
    """Though nets of both halves have one name, copper alone joins every key to the pins stated."""
    board = board_at(folder)
    found = list_wiring(board)
    graph = parts_graph(board)

    left, right = found.halves
    assert not set(left.controllers) & set(right.controllers)
    assert not found.problems
    for half in found.halves:
        for key in half.keys:
            ends = [n for n in graph if n[:2] == ("pin", key.ref)]
            joined = nx.Graph(graph.subgraph(n for n in graph if n[0] == "copper" or n in ends))
            for diode in (d.ref for a in key.lines for d in a.diodes):
                # A diode is one part: its two pins hang together.
                pads = [n for n in graph if n[:2] == ("pin", diode)]
                joined.add_edges_from((pads[0], n) for n in pads[1:])
                joined.add_edges_from(graph.edges(pads))
            for line in key.lines:
                (pin,) = line.pins
                (copper,) = graph[("pin", pin.ref, pin.pin)]
                assert any(nx.has_path(joined, end, copper) for end in ends)


def test_rows_and_columns_in_visual_order(board_at):
    """Rows of the matrix run from the top, columns from the left, and each key names its own."""
    (half,) = wiring_record(list_wiring(board_at("kinds/unsplit")))["halves"]

    for key in half["keys"]:
        assert half["row_lines"][key["matrix_row"]]["net"] == key["row_line"]["net"]
        assert half["column_lines"][key["matrix_column"]]["net"] == key["column_line"]["net"]
    heights = [
        np.mean([k["y_u"] for k in half["keys"] if k["matrix_row"] == row])
        for row in range(len(half["rows"]))
    ]
    assert heights == sorted(heights)


def test_places_run_downwards_in_key_pitches(board_at):
    """19.05 mm on the board is one unit, downwards; down_mm and seen_y_mm add up to the height."""
    (half,) = wiring_record(list_wiring(board_at("kinds/unsplit")))["halves"]
    keys = {k["ref"]: k for k in half["keys"]}

    assert half["pitch_mm"] == pytest.approx(19.05, abs=0.01)
    assert keys["SW2"]["x_u"] - keys["SW1"]["x_u"] == pytest.approx(1.0, abs=0.01)
    top = min(k["y_u"] for k in half["keys"])
    assert top == 0.5
    for key in half["keys"]:
        assert key["down_mm"] + key["seen_y_mm"] == pytest.approx(half["height_mm"], abs=0.001)
        assert (key["down_mm"] - keys["SW1"]["down_mm"]) / 19.05 == pytest.approx(
            key["y_u"] - keys["SW1"]["y_u"], abs=0.01
        )


@pytest.mark.parametrize("folder", ["kinds/unsplit", "../fabkit/demo/rev-b", "linnet/rev-1"])
def test_documented_names_work_as_documented(board_at, folder):
    """Every name that the document lists can be printed, of a direct board and of a matrix."""
    text = (ROOT / "docs" / "wiring.md").read_text(encoding="utf-8")
    part = text[text.index("`--template FILE`") : text.index("In Python:")]
    table = {
        re.findall(r"`(\w+)`", row)[0]: re.findall(r"`(\w+)`", row)[1:]
        for row in part.splitlines()
        if row.startswith("| `")
    }
    about_keys = part[part.index("A key has") : part.index("```jinja")]
    of_key = re.findall(r"`(\w+)`", about_keys[: about_keys.index("each with")])
    of_line = re.findall(r"`(\w+)`", about_keys[about_keys.index("each with") :])
    assert {"keys", "pitch_mm", "row_lines"} <= set(table["halves"])
    assert {"matrix_row", "down_mm", "line"} <= set(of_key)
    record = wiring_record(list_wiring(board_at(folder)))

    text = "".join(f"{{{{ {name} }}}}" for name in ("name", "source", "rule", "first", "findings"))
    text += "{% for half in halves %}"
    text += "".join(f"{{{{ half.{name} }}}}" for name in table["halves"])
    text += "{% for key in half.keys %}"
    text += "".join(f"{{{{ key.{name} }}}}" for name in of_key)
    text += "{% for line in [key.line, key.row_line, key.column_line] if line %}"
    text += "".join(f"{{{{ line.{name} }}}}" for name in of_line if name != "None")
    text += "{% endfor %}{% endfor %}{% endfor %}"
    assert "built-in method" not in render_template(text, record)

    for example in re.findall(r"```jinja\n(.*?)```", part, re.DOTALL):
        assert render_template(example, record).strip()


def test_a_template_is_checked_before_the_board_is_read(tmp_path):
    """A name there is not is reported at once: the package need not even be there."""
    pattern = tmp_path / "mine.j2"
    pattern.write_text("{% for key in keyz %}{% endfor %}", encoding="utf-8")

    ran = CliRunner().invoke(cli, ["wiring", str(tmp_path / "none"), "--template", str(pattern)])

    assert ran.exit_code == 2
    assert "'keyz' is undefined" in ran.output
    assert "did you mean 'keys'?" in ran.output
    check_template("{% set mine = 1 %}{{ mine }}{{ name }}")


def test_header_holes_are_offered_and_filled_in(tmp_path, board_at, table_of):
    """A table of the holes found, filled in, gives every key the generator's pin."""
    board = board_at("kinds/soldered")
    found = list_wiring(board)
    form = tmp_path / "pins.csv"
    form.write_bytes(pin_form(found).encode())
    with form.open(newline="") as file:
        rows = list(csv.DictReader(file))

    assert rows
    assert all(r["name"] == "" for r in rows)
    # Rows are straight and at the pitch of headers (2.54 mm, common practice).
    for row in {r["ref"] for r in rows}:
        at = np.array([(float(r["x_mm"]), float(r["y_mm"])) for r in rows if r["ref"] == row])
        assert np.hypot(*np.diff(at, axis=0).T) == pytest.approx(2.54, abs=0.01)
    for number, row in enumerate(rows):
        row["name"] = f"GP{number}"
    with form.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    (half,) = list_wiring(board, pins=form).halves
    assert half.scan == "matrix"
    crossings = {(k.row_line.node, k.column_line.node) for k in half.keys}
    assert len(crossings) == len(half.keys) == 12


def test_a_pin_form_is_refused_where_files_name_the_pins(board_at):
    """Nothing is to be filled in where attributes name every pin."""
    with pytest.raises(fabkit.FabkitError, match="nameless"):
        pin_form(list_wiring(board_at("kinds/unsplit")))


def test_an_order_for_both_halves_numbers_across_them(board_at, tmp_path):
    """A list that goes to and fro between the halves of one board is obeyed as it stands."""
    board = board_at("kinds/both-equal")
    left, right = list_wiring(board).halves
    refs = [k.ref for pair in zip(left.keys, right.keys, strict=True) for k in pair]
    listed = tmp_path / "keys.toml"
    listed.write_text(f"format = 1\nkeys = {refs!r}\n".replace("'", '"'), encoding="utf-8")

    halves = list_wiring(board, key_order=listed).halves

    assert {k.ref: k.index for half in halves for k in half.keys} == {
        ref: number for number, ref in enumerate(refs)
    }


def test_an_order_for_halves_that_are_not_there_is_refused(board_at, tmp_path):
    """A keyboard that is not split has no left half: its list would be passed over."""
    listed = tmp_path / "keys.toml"
    listed.write_text('format = 1\nleft = ["SW1"]\n', encoding="utf-8")

    with pytest.raises(fabkit.FabkitError, match="not split"):
        list_wiring(board_at("kinds/unsplit"), key_order=listed)


def test_nothing_known_of_a_half_is_an_error(board_at, tmp_path):
    """A pin table that names none of the keys' lines ends with an error."""
    board = board_at("kinds/soldered")
    found = list_wiring(board)
    hole = next(h for hs in found.headers.values() for h in hs)
    table = tmp_path / "pins.csv"
    table.write_text(f"name,x_mm,y_mm\nP0,{hole.x_mm},{hole.y_mm}\n", encoding="utf-8")

    again = list_wiring(board, pins=table, options=WiringOptions())

    assert {"wiring/half-unknown"} == {f.id for f in again.problems}
