"""Each planted mistake is found, named, and nothing of its kind is said of the board without."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import fabkit
from fabkit.base.findings import Severity
from fabkit.outputs.wiring import half_table, wiring_record
from fabkit.wiring.build import list_wiring
from fabkit.wiring.circuit import Circuit, bridges_as_used
from fabkit.wiring.model import Bridge, Pin, WiringOptions

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = Path(__file__).resolve().parents[2] / "fabkit" / "demo"


def _net(pin, old, new):
    """Give a pin another net."""
    return f"%TO.P,{pin}*%\n%TO.N,{old}*%", f"%TO.P,{pin}*%\n%TO.N,{new}*%"


def _ids(found):
    return {f.id for f in found.problems}


@pytest.mark.parametrize(
    ("rule", "edits", "words"),
    [
        ("same-row-column", [_net("SW2,1", "COL1", "COL0")], ("SW1", "SW2", "ROW0", "COL0")),
        ("copper-open", [_net("SW2,1", "COL1", "COL0")], ("COL0", "2 pieces")),
        ("key-without-pin", [_net("J1,2,P3", "COL1", "SPARE")], ("SW2", "SW5", "COL1")),
        ("pin-twice", [("%TO.P,J1,2,P3*%", "%TO.P,J1,2,P2*%")], ("P2", "J1.1", "J1.2")),
        ("ground-pin", [_net("J1,6,GND", "GND", "OTHER")], ("J1.6 GND", "OTHER")),
        (
            "battery-pin",
            [("%TO.P,J1,6,GND*%\n%TO.N,GND*%", "%TO.P,J1,6,P7*%\n%TO.N,BAT+*%")],
            ("J1.6 P7", "BAT+"),
        ),
        ("battery-pin", [("%TO.P,J1,6,GND*%", "%TO.P,J1,6,RAW*%")], ("J1.6 RAW", "GND")),
        ("key-on-power-pin", [("%TO.P,J1,1,P2*%", "%TO.P,J1,1,RST*%")], ("RST", "SW1", "SW4")),
        (
            "diode-direction",
            [("%TO.P,D2,1,K*%", "%TO.P,D2,1,A*%"), ("%TO.P,D2,2,A*%", "%TO.P,D2,2,K*%")],
            ("SW2", "5 keys"),
        ),
        ("no-diode", [_net("SW3,2", "MID3", "ROW0")], ("SW3",)),
        ("contacts-unclear", [_net("SW2,2", "MID2", "COL1")], ("SW2",)),
    ],
)
def test_planted(planted, board_at, rule, edits, words):
    """A mistake planted into the matrix board is found and names what it is about."""
    found = list_wiring(planted("linnet/rev-1", *edits))

    mine = [f for f in found.problems if f.id == f"wiring/{rule}"]
    assert mine
    assert all(any(word in f.message for f in mine) for word in words)
    assert f"wiring/{rule}" not in _ids(list_wiring(board_at("linnet/rev-1")))


def test_two_keys_on_one_pin(planted, board_at):
    """Wired direct, a key whose pads carry its neighbour's net is reported with it."""
    found = list_wiring(planted("card", _net("SW2,1,SIGNAL", "KEY2", "KEY1")))

    (finding,) = [f for f in found.problems if f.id == "wiring/pin-two-keys"]
    assert "SW1, SW2" in finding.message
    assert "K1" in finding.message
    assert finding.severity is Severity.ERROR
    assert len(finding.places) == 2
    assert list_wiring(board_at("card")).problems == ()


def test_cathode_taken_for_pin_1(planted):
    """Diode pads without functions: pin 1 is taken for the cathode, and that is said."""
    edits = [(f",{pin},{mark}*%", f",{pin}*%") for pin, mark in ((1, "K"), (2, "A"))]

    found = list_wiring(planted("linnet/rev-1", *edits))

    (half,) = found.halves
    assert {k.current for k in half.keys} == {"column to row"}
    (finding,) = found.problems
    assert finding.id == "wiring/cathode-assumed"
    assert finding.assumed == "pin 1 is the cathode"


def test_neither_direct_nor_rows_and_columns(planted):
    """Three lines, each pair with a key, have no rows and columns; their pins are still listed."""
    edits = [
        _net("SW1,2", "MID1", "COL1"),
        _net("SW2,2", "MID2", "COL2"),
        _net("SW3,2", "MID3", "COL0"),
    ]

    found = list_wiring(planted("linnet/rev-1", *edits))

    (half,) = found.halves
    assert half.scan == "other"
    assert "wiring/no-scheme" in _ids(found)
    assert {p.name for a in half.keys[0].lines for p in a.pins} == {"P2", "P3"}


def test_rows_of_the_controller_swapped(board_at):
    """A controller that keeps its face up swaps its rows: the right half's pins differ, and P1 and
    RAW, which face each other, change places."""
    options = WiringOptions(right_pins="swapped")

    found = list_wiring(board_at("../fabkit/demo/rev-b"), options=options)

    right = {k.ref: k for k in found.halves[1].keys}
    assert right["SW3"].line.pins[0].name == "RAW"
    assert right["SW18"].line.pins[0].name == "P12"
    assert {"wiring/halves-differ", "wiring/key-on-power-pin"} <= _ids(found)


def test_nothing_names_pins(board_at):
    """Without attributes, netlist and table the keys are numbered, and the finding says what is
    missing and how to write a table."""
    found = list_wiring(board_at("dialects/no-attributes-mm"))

    (finding,) = found.problems
    assert finding.id == "wiring/pins-unknown"
    assert "--pins" in finding.remedy
    assert [len(h.keys) for h in found.halves] == [18, 18]

    shown = half_table(wiring_record(found)["halves"][0])
    column = [c.key for c in shown.columns].index("pin")
    assert {row[column] for row in shown.rows} == {"not known"}


def test_no_keys(board_at):
    """A board without keys has no wiring, and says so."""
    found = list_wiring(board_at("defects/clean"))

    assert [f.id for f in found.problems] == ["wiring/no-keys"]
    assert found.halves == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,x_mm\nP1,abc\n", "not two numbers"),
        ("pin,x_mm,y_mm\nP1,1,2\n", "'pin' is no column"),
        ("name,x_mm,y_mm\nP1,1000,1000\n", "no copper at"),
        ("name,x_mm,y_mm\n,1,1\n", "without a name"),
        ("name,pad\nP1,99\n", "no part"),
        ("name,pad,x_mm,y_mm\nP1,,5,5\nP2,,5,5\n", "same pad as in line 2"),
        ("", "no column 'name'"),
        ("name,x_mm,y_mm\n", "no pins"),
    ],
)
def test_wrong_pin_tables(board_at, tmp_path, text, words):
    """A wrong row of a pin table is refused with file, line and what was expected."""
    table = tmp_path / "pins.csv"
    table.write_text(text, encoding="utf-8")

    with pytest.raises(fabkit.FabkitError) as error:
        list_wiring(board_at("linnet/rev-1"), pins=table)

    assert words in str(error.value)
    assert error.value.hint


def test_controller_that_is_not_there(board_at):
    """A controller that no pad names is refused, with those there are."""
    with pytest.raises(fabkit.FabkitError) as error:
        list_wiring(board_at("linnet/rev-1"), options=WiringOptions(controllers=("U9",)))

    assert "U9" in str(error.value)
    assert "J1" in error.value.hint


def test_table_renames_pads_by_number(board_at, tmp_path):
    """A table of pad numbers gives the controller's own names to its pins."""
    table = tmp_path / "pins.csv"
    table.write_text("name,ref,pad\nGP7,J1,1\n", encoding="utf-8")

    (half,) = list_wiring(board_at("linnet/rev-1"), pins=table).halves

    assert half.keys[0].column_line.pins[0].name == "GP7"
    assert half.keys[1].column_line.pins[0].name == "P3"


def test_each_half_uses_the_pads_of_its_own_face(tmp_path):
    """A key whose pad on the top carries another net than the one on the bottom: the left half
    (sockets below) keeps its pin, the right half (sockets above) shares its neighbour's."""
    target = tmp_path / "board"
    shutil.copytree(DEMO / "rev-b", target)
    path = target / "wheatear-copper-top.gbr"
    old, new = _net("SW1,1,SIGNAL", "KEY01", "KEY02")
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")

    found = list_wiring(fabkit.build_board(fabkit.open_package(target)))

    left, right = ({k.ref: k.line.pins[0].name for k in h.keys} for h in found.halves)
    assert (left["SW1"], right["SW1"], right["SW2"]) == ("P5", "P4", "P4")
    (shared,) = [f for f in found.problems if f.id == "wiring/pin-two-keys"]
    assert shared.message.endswith("right half")
    assert "wiring/halves-differ" in _ids(found)


def _bridge(ref, kind, nodes, face):
    return Bridge(ref=ref, kind=kind, nodes=nodes, anode="", assumed=False, face=face)


def test_jumpers_of_one_face_are_closed():
    """Of a board for either hand only the jumpers on the chosen face join nets; on a board of one
    use all do."""
    both = [_bridge("JP1", "jumper", ("A", "P1"), 1), _bridge("JP2", "jumper", ("A", "P2"), -1)]

    def ends(jumper_face, *, turnable=True):
        used = bridges_as_used(
            both, fitted_face=-1, jumper_face=jumper_face, turnable=turnable, thrown={}
        )
        return [b.other("A") for b in used["A"]]

    assert ends(1) == ["P1"]
    assert ends(-1) == ["P2"]
    assert ends(1, turnable=False) == ["P1", "P2"]


def test_of_two_diodes_side_by_side_the_fitted_one_counts():
    """A diode doubled on both faces is the one on the face that parts are fitted to."""
    both = [_bridge("D1", "diode", ("A", "R"), 1), _bridge("D2", "diode", ("A", "R"), -1)]

    for face, ref in ((1, "D1"), (-1, "D2")):
        used = bridges_as_used(both, fitted_face=face, jumper_face=1, turnable=True, thrown={})
        assert [b.ref for b in used["A"]] == [ref]


def test_lines_stop_at_ground_and_after_three_parts():
    """A way to the controller never runs through a closed net nor through a fourth part."""
    chain = [_bridge(f"R{k}", "resistor", (f"N{k}", f"N{k + 1}"), 0) for k in range(5)]
    pins = {"N4": (_pin("N4"),), "G": (_pin("G"),)}
    bridges = bridges_as_used(
        [*chain, _bridge("R9", "resistor", ("N0", "G"), 0)],
        fitted_face=-1,
        jumper_face=1,
        turnable=False,
        thrown={},
    )
    circuit = Circuit(bridges=bridges, pins=pins, closed=frozenset({"G"}))

    assert circuit.line("N0").pins == ()
    assert circuit.line("N1").pins == pins["N4"]
    assert circuit.line("N1").through == ("R1", "R2", "R3")


def _pin(node):
    return Pin(ref="U1", pin=node, function="", node=node, x_mm=0, y_mm=0, face=0)
