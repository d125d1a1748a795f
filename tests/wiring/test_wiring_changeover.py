"""Jumpers with three pads: a board for either hand that sets by them which hole a key is on.

The board is the usual arrangement (common practice): the controller keeps its face up on both
halves, so its rows change places; each key's net is the middle pad of a jumper whose outer pads are
the two holes that mirror each other.  There are no tracks: nets are named by attributes.
"""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

import fabkit
from fabkit.cli.group import cli
from fabkit.wiring.build import list_wiring
from fabkit.wiring.circuit import throws_of
from fabkit.wiring.model import Pin, WiringOptions

HOLES = (
    ("U1", "1", "P1", "H1", 10, 20),
    ("U1", "2", "P2", "H2", 10, 17.46),
    ("U1", "3", "GND", "GND", 10, 14.92),
    ("U1", "4", "GND", "GND", 30, 14.92),
    ("U1", "5", "P5", "H5", 30, 17.46),
    ("U1", "6", "P6", "H6", 30, 20),
    ("SW1", "1", "", "K1", 6.19, 40.04),
    ("SW1", "2", "", "GND", 12.54, 42.58),
    ("SW2", "1", "", "K2", 26.19, 40.04),
    ("SW2", "2", "", "GND", 32.54, 42.58),
)
"""Part, pin, function, net, x, y of pads with a hole."""

POSTS = ((10, 37.5), (30, 37.5))
"""Middles of the two keys: usual full-height switches (pins 3.81, 2.54 and 2.54, 5.08 away)."""

JUMPERS = (("JP1", ("H1", "K1", "H6"), 26), ("JP2", ("H2", "K2", "H5"), 29))
"""Part, nets from left to right, y."""


def write_board(target, numbers=("1", "2", "3"), *, jumpers=JUMPERS):
    """Write the package; ``numbers`` are the jumpers' pads from left to right."""
    pads = [(*hole, True) for hole in HOLES]
    for ref, nets, y in jumpers:
        for number, net, x in zip(numbers, nets, (18, 20, 22), strict=True):
            pads.append((ref, number, "", net, x, y, False))
    for side, layer in (("Top", "L1,Top"), ("Bot", "L2,Bot")):
        lines = [
            f"%TF.FileFunction,Copper,{layer}*%",
            "%FSLAX46Y46*%",
            "%MOMM*%",
            "%ADD10C,1.5*%",
            "D10*",
        ]
        for ref, pin, function, net, x, y, through in pads:
            if side == "Top" or through:
                tail = f",{function}" if function else ""
                lines += [f"%TO.P,{ref},{pin}{tail}*%", f"%TO.N,{net}*%"]
                lines.append(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*")
        (target / f"copper-{side}.gbr").write_text("\n".join([*lines, "M02*"]), encoding="utf-8")
    corners = ((0, 0), (40, 0), (40, 50), (0, 50), (0, 0))
    moves = [f"X{x * 10**6}Y{y * 10**6}D0{1 if k else 2}*" for k, (x, y) in enumerate(corners)]
    head = ["%TF.FileFunction,Profile,NP*%", "%FSLAX46Y46*%", "%MOMM*%", "%ADD10C,0.1*%", "D10*"]
    (target / "profile.gbr").write_text("\n".join([*head, "G01*", *moves, "M02*"]))
    drill = ["M48", "; #@! TF.FileFunction,Plated,1,2,PTH", "METRIC", "T1C1.5", "%", "T1"]
    drill += [f"X{hole[4]:.3f}Y{hole[5]:.3f}" for hole in HOLES]
    (target / "plated.drl").write_text("\n".join([*drill, "M30"]))
    drill = ["M48", "; #@! TF.FileFunction,NonPlated,1,2,NPTH", "METRIC", "T1C4.0", "%", "T1"]
    drill += [f"X{x:.3f}Y{y:.3f}" for x, y in POSTS]
    (target / "bare.drl").write_text("\n".join([*drill, "M30"]))
    return target


def names(found):
    """What the controller calls each key's pin, half by half."""
    return [
        {k.ref: k.line.pins[0].name if k.line and k.line.pins else None for k in half.keys}
        for half in found.halves
    ]


def wiring(target, **options):
    """The wiring of the board for either hand, its controller face up on both."""
    board = fabkit.build_board(fabkit.open_package(target))
    chosen = {"use": "reversible", "right_pins": "swapped", **options}
    return list_wiring(board, options=WiringOptions(**chosen))


@pytest.fixture(scope="module")
def target(tmp_path_factory):
    """The package."""
    return write_board(tmp_path_factory.mktemp("changeover"))


def test_both_halves_reach_the_same_pins(target):
    """Closed one way on the left and the other way on the right, both halves use the same pins."""
    found = wiring(target)

    assert names(found) == [{"SW1": "P1", "SW2": "P2"}] * 2
    assert {f.id for f in found.problems} == {
        "wiring/copper-open",
    }
    left, right = found.halves
    assert left.keys[0].line.through == ("JP1",)
    assert any("JP1, JP2 join pads 1 and 2" in s for s in left.assumed)
    assert any("JP1, JP2 join pads 2 and 3" in s for s in right.assumed)


@pytest.mark.parametrize(
    ("options", "left", "right"),
    [
        ({"joined": {"JP*": ("3", "2")}}, ["P6", "P5"], ["P6", "P5"]),
        ({"joined": {"JP*": ("1", "2"), "JP2": ("2", "3")}}, ["P1", "P5"], ["P1", "P5"]),
        ({"right_joined": {"JP1": ("1", "2")}}, ["P1", "P2"], ["P6", "P2"]),
        ({"right_pins": "in-place"}, ["P1", "P2"], ["P6", "P5"]),
    ],
)
def test_what_is_joined_can_be_said(target, options, left, right):
    """The user's word wins; turned over the other two pads are joined unless said otherwise."""
    found = wiring(target, **options)

    assert [[half[ref] for ref in ("SW1", "SW2")] for half in names(found)] == [left, right]


def test_middle_pad_is_recognised_by_place(tmp_path):
    """Numbered from the middle (2 or 3 outside), the pad between the others is still the middle."""
    found = wiring(write_board(tmp_path, ("2", "1", "3")))

    assert names(found) == [{"SW1": "P1", "SW2": "P2"}] * 2
    assert any("JP1, JP2 join pads 2 and 1" in s for s in found.halves[0].assumed)


def test_a_pad_that_leads_nowhere(tmp_path):
    """Closed towards a pad without copper beyond it, the key reaches no pin, and is reported."""
    jumpers = (("JP1", ("H1", "K1", "N1"), 26), JUMPERS[1])

    found = wiring(write_board(tmp_path, jumpers=jumpers), controllers=("U1",))

    assert names(found) == [{"SW1": "P1", "SW2": "P2"}, {"SW1": None, "SW2": "P2"}]
    (finding,) = [f for f in found.problems if f.id == "wiring/key-without-pin"]
    assert finding.message == "SW1: no controller pin (net K1), right half"


def test_board_that_is_not_turned(target):
    """A whole keyboard has one setting: the lower pads, or what is said."""
    assert names(wiring(target, use="whole")) == [{"SW1": "P1", "SW2": "P2"}]
    said = wiring(target, use="whole", joined={"JP1": ("2", "3")})
    assert names(said) == [{"SW1": "P6", "SW2": "P2"}]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--joined", "JP1"], "write the jumper and the pads it joins"),
        (["--joined", "JP1=2"], "write the jumper and the pads it joins"),
        (["--joined", "JP9=1-2"], "'JP9' is no jumper with three pads"),
        (["--joined", "JP1=1-3"], "JP1 cannot join pads 1-3"),
        (["--right-joined", "U*=1-2"], "there are JP1, JP2"),
    ],
)
def test_wrong_words(target, words, told):
    """What cannot be joined is refused with what there is."""
    result = CliRunner().invoke(cli, ["wiring", str(target), "--board", "reversible", *words])

    assert result.exit_code == 2
    assert told in " ".join(result.output.split())


def test_command(target):
    """The options reach the wiring, and the tables name the jumpers on the way."""
    words = ["--board", "reversible", "--right-pins", "swapped", "--joined", "JP*=2-3"]

    result = CliRunner().invoke(cli, ["wiring", str(target), *words, "--json"])

    record = json.loads(result.output)
    keys = [key for half in record["halves"] for key in half["keys"]]
    assert sorted((k["ref"], k["line"]["pin"]) for k in keys) == [
        ("SW1", "P6"), ("SW1", "P6"), ("SW2", "P5"), ("SW2", "P5"),
    ]  # fmt: skip
    assert {k["line"]["through"][0] for k in keys} == {"JP1", "JP2"}


def test_pads_on_a_triangle_and_other_counts():
    """Any three pads have a middle one; a part with two or four pads cannot change over."""

    def pins(*spots):
        return [
            Pin(ref="JP1", pin=str(k), function="", node=f"N{k}", x_mm=x, y_mm=y, face=1)
            for k, (x, y) in enumerate(spots, start=1)
        ]

    first, second = throws_of(pins((0, 0), (2, 0), (0.8, 0.5)))
    assert [p.pin for p in (*first, *second)] == ["1", "3", "3", "2"]
    assert throws_of(pins((0, 0), (1, 0))) == ()
    assert throws_of(pins((0, 0), (1, 0), (2, 0), (3, 0))) == ()


def test_sentence_of_many(tmp_path):
    """Many jumpers are counted, not all listed."""
    many = tuple((f"JP{k}", (f"A{k}", f"B{k}", f"C{k}"), 24 + 3 * k) for k in range(3, 9))

    found = wiring(write_board(tmp_path, jumpers=(*JUMPERS, *many)))

    assert any("JP1, JP2, JP3, JP4, JP5, JP6 and 2 more join" in s for s in found.halves[0].assumed)
