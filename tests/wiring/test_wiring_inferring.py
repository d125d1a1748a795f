"""Diodes found by copper alone: turned with their keys, or in a bank far from them."""

from __future__ import annotations

import numpy as np
import pytest

import fabkit
from fabkit.board.copper import trace_copper
from fabkit.keyboard.model import Key
from fabkit.wiring.matrix import infer_diodes

TURNS = (0.0, 0.0, 0.0, 0.0, 15.0, -30.0)
"""Of six keys, three to a row."""


def board_with(tmp_path, pads):
    """A board of rectangular lands: net, x, y, turn."""
    lines = ["%TF.FileFunction,Copper,L1,Top*%", "%FSLAX46Y46*%", "%MOMM*%", "%ADD10R,1.2X1.6*%"]
    lines.append("D10*")
    for net, x, y, turn in pads:
        # LR turns what is flashed (Gerber Layer Format Specification 2021.02, section 4.9.4).
        lines += [f"%TO.N,{net}*%", f"%LR{turn:.1f}*%", f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*"]
    (tmp_path / "copper-top.gbr").write_text("\n".join([*lines, "M02*"]), encoding="utf-8")
    corners = ((-20, -20), (220, -20), (220, 120), (-20, 120), (-20, -20))
    moves = [f"X{x * 10**6}Y{y * 10**6}D0{1 if k else 2}*" for k, (x, y) in enumerate(corners)]
    head = ["%TF.FileFunction,Profile,NP*%", "%FSLAX46Y46*%", "%MOMM*%", "%ADD10C,0.1*%", "D10*"]
    (tmp_path / "profile.gbr").write_text("\n".join([*head, "G01*", *moves, "M02*"]))
    return fabkit.build_board(fabkit.open_package(tmp_path))


def keys():
    """Six keys at 19.05 mm."""
    return [
        Key(x_mm=19.05 * (k % 3), y_mm=19.05 * (k // 3), rotation_deg=turn)
        for k, turn in enumerate(TURNS)
    ]


def turned(offset, degrees):
    """A place turned about the origin."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return c * offset[0] - s * offset[1], s * offset[0] + c * offset[1]


@pytest.mark.parametrize("bank", [False, True])
def test_each_key_has_the_line_its_diode_leads_to(tmp_path, bank):
    """Diodes of 3.4 mm span, turned as their keys are, or all alike 100 mm away."""
    pads = []
    for k, key in enumerate(keys()):
        for net, along in ((f"K{k}", -1.7), (f"ROW{k // 3}", 1.7)):
            x, y = turned((along, -7), key.rotation_deg)
            place = (120 + along, 10.0 * k) if bank else (key.x_mm + x, key.y_mm + y)
            pads.append((net, *place, 0.0 if bank else key.rotation_deg))
    board = board_with(tmp_path, pads)

    copper = trace_copper(board)
    found = infer_diodes(copper, [(f"K{k}",) for k in range(6)], keys(), {"ROW0", "ROW1"})

    assert {b.nodes for b in found} == {(f"K{k}", f"ROW{k // 3}") for k in range(6)}


def test_like_lands_far_away_are_no_diode(tmp_path):
    """One key's land happens to have a like one of another line at the usual span, far from it:
    its own diode is not there, and none is made up."""
    pads = []
    for k, key in enumerate(keys()[:5]):
        for net, along in ((f"K{k}", -1.7), (f"ROW{k // 3}", 1.7)):
            x, y = turned((along, -7), key.rotation_deg)
            pads.append((net, key.x_mm + x, key.y_mm + y, key.rotation_deg))
    pads += [("K5", 150.0, 80.0, 40.0), ("ROW0", 150.0, 83.4, 40.0)]
    board = board_with(tmp_path, pads)

    copper = trace_copper(board)
    found = infer_diodes(copper, [(f"K{k}",) for k in range(6)], keys(), {"ROW0", "ROW1"})

    assert {b.nodes[0] for b in found} == {f"K{k}" for k in range(5)}
