"""The wiring of the invented boards is what their generator meant, whichever source names it."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import networkx as nx
import pytest

import fabkit
from fabkit.wiring.build import list_wiring
from fabkit.wiring.model import WiringOptions

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = Path(__file__).resolve().parents[2] / "fabkit" / "demo"


def _direct(found):
    return [
        (k.index, half.hand, k.ref, k.line.node, p.ref, p.pin, p.name)
        for half in found.halves
        for k in half.keys
        for p in k.line.pins
    ]


def test_demo_equals_the_generators_table(board_at, table_of):
    """Number, half, key, net and pin of all 36 keys are those of the generator's own table."""
    found = list_wiring(board_at("../fabkit/demo/rev-b"))

    wanted = [
        (int(r["index"]), r["half"], r["ref"], r["net"], r["header"], r["pin"], r["name"])
        for r in table_of("../fabkit/demo/wiring.csv")
    ]
    assert _direct(found) == wanted
    assert [h.scan for h in found.halves] == ["direct", "direct"]
    assert {h.common for h in found.halves} == {"GND"}
    assert found.problems == ()


def test_matrix_equals_the_generators_table(board_at, table_of):
    """Row, column, pins and diode of each key of the matrix are those of the generator."""
    (half,) = list_wiring(board_at("linnet/rev-1")).halves

    told = [
        (
            str(k.index),
            k.ref,
            k.row_line.node,
            k.row_line.pins[0].name,
            k.column_line.node,
            k.column_line.pins[0].name,
            k.row_line.diodes[0].ref,
        )
        for k in half.keys
    ]
    assert told == [tuple(r.values()) for r in table_of("linnet/wiring.csv")]
    assert [line.node for line in half.rows] == ["ROW0", "ROW1"]
    assert [line.node for line in half.columns] == ["COL0", "COL1", "COL2"]
    assert {k.current for k in half.keys} == {"column to row"}


def test_two_designs_are_the_two_halves():
    """Of an order of two boards the right one goes on after the left one's six keys."""
    order = fabkit.load_order(FIXTURES / "pair" / "order.toml")
    boards = [fabkit.build_board(fabkit.open_package(b.package)) for b in order.boards]

    found = list_wiring(boards, order)

    assert [(h.hand, h.keys[0].index, len(h.keys)) for h in found.halves] == [
        ("left", 0, 6),
        ("right", 6, 6),
    ]
    for half in found.halves:
        # The generator names each header pin after its key: K1 for SW1.
        assert all(k.line.pins[0].name == f"K{k.ref[2:]}" for k in half.keys)


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """The demo's layers without any pin, net or component."""
    target = tmp_path_factory.mktemp("bare") / "rev-b"
    shutil.copytree(DEMO / "rev-b", target)
    _strip(target)
    return target


def _strip(folder):
    """Take all names of parts, pins and nets from the layers."""
    for path in folder.iterdir():
        if "component" in path.name or path.suffix in (".csv", ".gbrjob"):
            path.unlink()
        elif path.suffix in (".gbr", ".xnc"):
            text = path.read_text(encoding="utf-8")
            path.write_text(re.sub(r"%T[OD]\.?[PNC]?[^*%]*\*%\n", "", text), encoding="utf-8")


def test_netlist_names_the_same(bare, table_of):
    """Without attributes the netlist beside the layers gives the same net and pad of every key."""
    found = list_wiring(fabkit.build_board(fabkit.open_package(bare)))

    assert "IPC-D-356" in found.source
    assert [row[:6] for row in _direct(found)] == [
        (int(r["index"]), r["half"], r["ref"], r["net"], r["header"], r["pin"])
        for r in table_of("../fabkit/demo/wiring.csv")
    ]


def _header_places():
    """Pin name and place of every header pin, from the constants of the generator."""
    sys.path.insert(0, str(FIXTURES))
    try:
        from maker import wheatear as plan
    finally:
        sys.path.remove(str(FIXTURES))
    x0, y0 = plan.ORIGIN
    names = {
        plan.ROW_LEFT: [f"P{n}" for n in range(1, 13)],
        plan.ROW_RIGHT: plan.RIGHT_NAMES,
    }
    return [
        (name, x0 + x, y0 + plan.ROW_TOP - 2.54 * k)
        for x, row in names.items()
        for k, name in enumerate(row)
    ]


@pytest.mark.parametrize("kind", ["csv", "toml"])
def test_copper_and_a_pin_table_tell_the_same(bare, table_of, tmp_path, kind):
    """With neither attributes nor netlist, copper and a table of pin places give every pin."""
    board_path = tmp_path / "board"
    shutil.copytree(bare, board_path, ignore=shutil.ignore_patterns("*.ipc"))
    rows = _header_places()
    table = tmp_path / f"pins.{kind}"
    if kind == "csv":
        text = "name;x_mm;y_mm\n" + "".join(f"{n};{x:.3f};{y:.3f}\n" for n, x, y in rows)
    else:
        text = "format = 1\n" + "".join(
            f'[[pin]]\nname = "{n}"\nat_mm = [{x:.3f}, {y:.3f}]\n' for n, x, y in rows
        )
    table.write_text(text, encoding="utf-8")

    found = list_wiring(fabkit.build_board(fabkit.open_package(board_path)), pins=table)

    assert found.source == "the pin table given, and the copper itself"
    told = [(k.index, h.hand, k.line.pins[0].name) for h in found.halves for k in h.keys]
    assert told == [
        (int(r["index"]), r["half"], r["name"]) for r in table_of("../fabkit/demo/wiring.csv")
    ]
    assert found.problems == ()


def test_diodes_found_by_copper_alone(tmp_path, table_of):
    """A matrix without any name: two like pads at every key, as far apart at each, lead to the
    row that the generator meant; that is said, and no direction is claimed."""
    sys.path.insert(0, str(FIXTURES))
    try:
        from maker import matrix as plan
    finally:
        sys.path.remove(str(FIXTURES))
    board_path = tmp_path / "board"
    shutil.copytree(FIXTURES / "linnet" / "rev-1", board_path)
    _strip(board_path)
    (board_path / "linnet-netlist.ipc").unlink()
    table = tmp_path / "pins.csv"
    rows = [f"{n},{plan.HEADER[0]},{plan.HEADER[1] - 2.54 * k}" for k, n in enumerate(plan.PINS)]
    table.write_text("name,x_mm,y_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")

    found = list_wiring(fabkit.build_board(fabkit.open_package(board_path)), pins=table)

    (half,) = found.halves
    assert [
        (str(k.index), k.row_line.pins[0].name, k.column_line.pins[0].name) for k in half.keys
    ] == [(r["index"], r["row pin"], r["column pin"]) for r in table_of("linnet/wiring.csv")]
    assert [f.id for f in found.problems] == ["wiring/diodes-inferred"]
    assert {k.current for k in half.keys} == {""}


def _netlist_pins(path):
    """Net by part and pin, by the column table of IPC-D-356A: net 4-17, part 21-26, pin 28-31."""
    nets = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        if line[:3] in ("317", "327"):
            nets[line[20:26].strip(), line[27:31].strip()] = line[3:17].strip()
    return nets


def test_every_key_closes_its_row_and_column_and_no_other(board_at):
    """Over an independent graph of the netlist, closing one key lets current flow from its column
    into its row, never back, and no other pair of pins is joined."""
    nets = _netlist_pins(FIXTURES / "linnet" / "rev-1" / "linnet-netlist.ipc")
    diodes = nx.DiGraph()
    diodes.add_nodes_from(nets.values())
    diodes.add_edges_from((nets[f"D{n}", "2"], nets[f"D{n}", "1"]) for n in range(1, 7))
    (half,) = list_wiring(board_at("linnet/rev-1")).halves
    lines = [line.node for line in (*half.rows, *half.columns)]

    for key in half.keys:
        graph = diodes.copy()
        one, other = nets[key.ref, "1"], nets[key.ref, "2"]
        graph.add_edges_from([(one, other), (other, one)])
        joined = {(a, b) for a in lines for b in lines if a != b and nx.has_path(graph, a, b)}
        assert joined == {(key.column_line.node, key.row_line.node)}


def test_turning_over_shows_every_key_mirrored(board_at):
    """Seen from its own key side, the right half is the left one's mirror image, key by key, and
    mirroring it again gives the left half back."""
    board = board_at("../fabkit/demo/rev-b")
    left, right = list_wiring(board).halves
    width = board.size_mm[0]

    seen = {k.ref: (k.seen_x_mm, k.seen_y_mm, k.angle_deg) for k in left.keys}
    back = {k.ref: (width - k.seen_x_mm, k.seen_y_mm, -k.angle_deg) for k in right.keys}
    assert back.keys() == seen.keys()
    for ref, place in seen.items():
        assert back[ref] == pytest.approx(place, abs=1e-9)


def test_mirrored_numbers_count_alike(board_at):
    """Numbered from its right side, each key of the right half stands 18 after the left one's."""
    left, right = list_wiring(
        board_at("../fabkit/demo/rev-b"), options=WiringOptions(mirrored=True)
    ).halves

    numbers = {k.ref: k.index for k in left.keys}
    assert {k.ref: k.index - 18 for k in right.keys} == numbers


def test_columns_first(board_at):
    """By columns the demo counts down the outer column first: SW1, SW6, SW11, then SW2."""
    left, _ = list_wiring(
        board_at("../fabkit/demo/rev-b"), options=WiringOptions(walk="columns")
    ).halves

    refs = [k.ref for k in left.keys]
    assert refs[:9] == ["SW1", "SW6", "SW11", "SW2", "SW7", "SW12", "SW3", "SW8", "SW13"]


def test_first_numbers(board_at):
    """The first key and the right half's first key can be chosen."""
    options = WiringOptions(first=1, right_first=40)

    left, right = list_wiring(board_at("../fabkit/demo/rev-b"), options=options).halves

    assert [k.index for k in left.keys] == list(range(1, 19))
    assert [k.index for k in right.keys] == list(range(40, 58))


def test_order_by_hand_wins(board_at, tmp_path):
    """A list of keys by hand decides the numbers; one that leaves a key out is refused."""
    refs = [f"SW{n}" for n in range(18, 0, -1)]
    listed = tmp_path / "order.toml"
    listed.write_text(f"format = 1\nkeys = {refs!r}\n".replace("'", '"'), encoding="utf-8")

    left, right = list_wiring(board_at("../fabkit/demo/rev-b"), key_order=listed).halves

    assert [k.ref for k in left.keys] == refs
    assert [k.ref for k in right.keys] == refs

    listed.write_text('format = 1\nkeys = ["SW1", "SW99"]\n', encoding="utf-8")
    with pytest.raises(fabkit.FabkitError, match="SW99"):
        list_wiring(board_at("../fabkit/demo/rev-b"), key_order=listed)
