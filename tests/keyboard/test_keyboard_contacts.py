"""Contacts recognised by pads that repeat round the keys, on invented keys turned at random."""

from __future__ import annotations

import numpy as np
import pytest
from invented import Footprint, grid, make

from fabkit.board.copper import trace_copper
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.contacts import ContactPads, find_contacts
from fabkit.wiring.circuit import find_key_pins, key_nodes
from fabkit.wiring.pins import gather_pins

# Pins of a usual full-height switch from its middle, mm (handbooks of the trade: 3.81, 2.54 and
# 2.54, 5.08), and the two lands of a diode below it.
PINS = [(-3.81, 2.54), (2.54, 5.08)]
DIODE = [(-2.0, -4.5), (2.0, -4.5)]


def turned(offset, degrees):
    """A place turned about the origin, by the rotation matrix of any textbook."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([c * offset[0] - s * offset[1], s * offset[0] + c * offset[1]])


def invented(seed, *, count=12, through=True, noise=0.0):
    """Keys at 19.05 mm, the last three turned; each with two pins, a diode, and a stray land."""
    rng = np.random.default_rng(seed)
    centres = np.array([(19.05 * (k % 4), 19.05 * (k // 4)) for k in range(count)])
    turns = np.zeros(count)
    turns[-3:] = rng.uniform(-80, 80, 3)
    rows = []
    for k, middle in enumerate(centres):
        for n, pin in enumerate(PINS):
            at = middle + turned(pin, turns[k]) + rng.uniform(-noise, noise, 2)
            faces = (1, -1) if through else (-1,)
            rows += [(*at, 2.2, face, through, 100 if n else k) for face in faces]
        for n, land in enumerate(DIODE):
            at = middle + turned(land, turns[k])
            rows.append((*at, 1.2, -1, False, k if n else 200 + k % 4))
        stray = middle + turned((rng.uniform(3, 7), 0), rng.uniform(0, 360))
        rows.append((*stray, 1.2, -1, False, 300 + k))
    x, y, size, face, hole, node = (np.array(c) for c in zip(*rows, strict=True))
    pads = ContactPads(x=x, y=y, size=size, face=face, through=hole, node=node)
    return centres, turns, pads


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("through", [True, False])
def test_contacts_and_turn_are_those_the_keys_were_made_with(seed, through):
    """Every key's two pins are found where they were put, however it is turned."""
    centres, turns, pads = invented(seed, through=through)
    found = find_contacts(centres, pads)
    assert found.turns == pytest.approx(turns, abs=0.01)
    for k, (middle, turn) in enumerate(zip(centres, turns, strict=True)):
        made = sorted(tuple(np.round(middle + turned(p, turn), 6)) for p in PINS)
        assert np.array(sorted(map(tuple, found.spots["top"][k]))) == pytest.approx(np.array(made))


def test_coordinates_rounded_to_hundredths_of_an_inch_still_repeat():
    """Rounding to 0.01 in moves a place by at most 0.127 mm each way (25.4 / 200)."""
    centres, turns, pads = invented(3, noise=0.07)
    found = find_contacts(centres, pads)
    assert not np.isnan(found.spots["top"]).any()
    assert found.turns == pytest.approx(turns, abs=2.0)


def test_two_places_on_one_net_are_one_contact():
    """A footprint for two kinds of switch has each contact twice."""
    centres, _, pads = invented(2, count=8)
    second = [(x + 5.0, y - 3.8) for x, y in centres]
    more = ContactPads(
        x=np.array([x for x, _ in second]),
        y=np.array([y for _, y in second]),
        size=np.full(8, 2.0),
        face=np.ones(8),
        through=np.ones(8, bool),
        node=np.full(8, 100),
    )
    upright = find_contacts(centres[:5], ContactPads.concat(pads, more))
    nodes = {}
    every = ContactPads.concat(pads, more)
    for k in range(5):
        spots = upright.spots["top"][k]
        near = [np.hypot(every.x - x, every.y - y).argmin() for x, y in spots]
        nodes[k] = {int(every.node[n]) for n in near}
    assert nodes == {k: {k, 100} for k in range(5)}


def test_pads_that_do_not_repeat_tell_nothing():
    """Scattered lands are no contacts."""
    rng = np.random.default_rng(5)
    centres = np.array([(19.05 * k, 0.0) for k in range(8)])
    angle, radius = rng.uniform(0, 2 * np.pi, 16), rng.uniform(2, 8, 16)
    at = (
        np.repeat(centres, 2, axis=0)
        + np.column_stack((np.cos(angle), np.sin(angle))) * radius[:, None]
    )
    pads = ContactPads(
        x=at[:, 0],
        y=at[:, 1],
        size=np.full(16, 2.0),
        face=np.ones(16),
        through=np.ones(16, bool),
        node=np.arange(16),
    )
    found = find_contacts(centres, pads)
    assert np.isnan(found.spots["top"]).all()


def test_the_third_pin_of_a_change_over_switch_is_no_contact():
    """Of three pins one is on a row, one on a column, one free.  Where nothing but such pins shows
    a key, they are its contacts."""
    pins = Footprint(tuple((x, y, 1.0, True) for x, y in ((3.0, -5.08), (0, 0), (0, 5.08))))
    keys = grid(5, 4)
    low = [(x + 3.0, y - 5.08, turn) for x, y, turn in keys]
    board = make(keys, pins, joined=zip(low[:-5], low[5:], strict=True))

    found = gather_pins(trace_copper(board))
    sites = find_key_pins(board, found, find_keyboard(board).keys)
    nodes = [key_nodes(key, found, "top") for key in sites]

    assert len(nodes) == 20
    assert all(len(pair) == 2 for pair in nodes)
    # ``make`` joins the middle pins of all neighbours.
    assert len({node for pair in nodes for node in pair}) == 5 + 1
