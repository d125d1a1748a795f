"""Shorts are reported where the copper of two nets meets, and not where it is meant to meet."""

from __future__ import annotations

import pytest
from rules.set_cases import LINK, LINKED, PADS, POINTS, SOUND, dots, frame, layer, line, netlist

from fabkit.board.build import build_board
from fabkit.checks.catalogue import CHECKS
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house


def net(name: str, *strokes: str, pins: tuple[tuple[str, float, float], ...] = ()) -> str:
    """Tracks of a net, and its pins: ``part,pin`` and place."""
    pads = "".join(f"%TO.P,{pin}*%\n{dots((x, y))}%TD.P*%\n" for pin, x, y in pins)
    return f"%TO.N,{name}*%\n{pads}{''.join(strokes)}%TD*%\n"


A = net("A", line((5, 5), (5, 15)), pins=(("R1,1", 5, 5), ("R2,1", 5, 15)))
B = net("B", line((25, 5), (25, 15)), pins=(("R1,2", 25, 5), ("R2,2", 25, 15)))
TIE = net("A", line((5, 15), (5, 18), (13, 18)), pins=(("{tie},1", 13, 18),)) + net(
    "B", line((25, 15), (25, 18), (16, 18)), pins=(("{tie},2", 16, 18),)
)
BRIDGE = line((5, 10), (25, 10))
TIED = line((13, 18), (16, 18))


def found(
    body: str, check_id: str = "net/connections", **others: str
) -> list[tuple[str, str, float, float]]:
    """Rule, consequence and place of the shorts on a board with this top copper, pen 1 mm."""
    files = SOUND | {"top.gbr": layer("Copper,L1,Top", body, pen=1.0)} | others
    members = tuple(Member(n, t.encode()) for n, t in sorted(files.items()))
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    (check,) = [c for c in CHECKS if c.id == check_id]
    outcome = run_check(check, Case(board, load_house()))
    return [
        (f.id, f.consequence.word, f.places[0].x_mm or 0.0, f.places[0].y_mm or 0.0)
        for f in outcome.findings
        if f.id in ("net/short", "net/netlist-short", "net/closed-jumper")
    ]


def test_nets_apart_are_no_short():
    assert found(A + B) == []


def test_a_track_without_a_name_is_where_the_nets_meet():
    """The bridge runs from x = 5 to x = 25, so its middle is the place."""
    assert found(A + B + BRIDGE) == [
        ("net/short", "stop", pytest.approx(15, abs=0.3), pytest.approx(10, abs=0.3))
    ]


def test_a_pour_does_not_meet_what_it_was_cleared_around():
    """A pour of net A is drawn whole, then cleared around B; a net tie is where the two meet."""
    pour = f"G36*\n{frame(10, 14, 19, 3)}G37*\n"
    gap = f"%LPC*%\nG36*\n{frame(6, 16, 22, 2)}G37*\n%LPD*%\n"
    body = net("A", pour, line((5, 10), (20, 10))) + gap + A + B + TIE.format(tie="NT1") + TIED
    assert [(rule, word) for rule, word, _, _ in found(body)] == [("net/closed-jumper", "know")]


def test_a_track_of_one_net_that_runs_into_the_other_is_placed_there():
    """A bridge that states net A first meets net B at x = 25."""
    (short,) = found(A + B + net("A", BRIDGE))
    assert short == ("net/short", "stop", pytest.approx(25, abs=0.6), pytest.approx(10, abs=0.6))


@pytest.mark.parametrize(("part", "consequence"), [("NT1", "know"), ("X7", "decide")])
def test_a_part_that_joins_its_two_pads_is_asked_about_or_meant(part, consequence):
    body = A + B + TIE.replace("{tie}", part) + TIED
    assert found(body) == [
        ("net/closed-jumper", consequence, pytest.approx(14.5, abs=0.5), pytest.approx(18, abs=0.5))
    ]


def test_a_second_short_is_not_taken_for_the_tie():
    both = found(A + B + TIE.replace("{tie}", "NT1") + TIED + BRIDGE)
    assert sorted(f[:2] for f in both) == [("net/closed-jumper", "know"), ("net/short", "stop")]
    (short,) = [f for f in both if f[0] == "net/short"]
    assert short[2:] == (pytest.approx(15, abs=0.3), pytest.approx(10, abs=0.3))


def test_a_pad_of_no_net_on_copper_of_one():
    """``N/C`` states that a pad is left open (Gerber format 2021.02, 5.6.14)."""
    pad = net("N/C", pins=(("R3,1", 5, 10),))
    assert found(A + B + pad) == [
        ("net/short", "decide", pytest.approx(5, abs=0.01), pytest.approx(10, abs=0.01))
    ]
    assert found(A + B + net("N/C", pins=(("R3,1", 12, 10),))) == []


def test_an_open_is_placed_where_a_piece_of_track_is_lost():
    """Net A runs up at x = 5 and back at x = 7, 1 mm beside itself; it is cut at its far end."""
    ways = line((5, 5), (5, 13)) + line((7, 13), (7, 5))
    body = net("A", ways, pins=(("R1,1", 5, 5), ("R2,1", 7, 5))) + B
    files = SOUND | {"top.gbr": layer("Copper,L1,Top", body, pen=1.0)}
    members = tuple(Member(n, t.encode()) for n, t in sorted(files.items()))
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    (check,) = [c for c in CHECKS if c.id == "net/connections"]
    (found,) = [f for f in run_check(check, Case(board, load_house())).findings if f.places]
    assert found.id == "net/open"
    place = found.places[0]
    assert (place.x_mm, place.y_mm) == (pytest.approx(6, abs=0.6), pytest.approx(13, abs=0.1))


def test_a_short_under_thousands_of_strokes_is_found_without_seeking_its_way(monkeypatch):
    """Every stroke lies on every other, so that there are more pairs than are followed."""
    monkeypatch.setattr("fabkit.board.nets.MOST_CONTACTS", 1_000)
    crowd = "".join(line((5, 5 + n / 100), (5, 15)) for n in range(60))
    (short,) = found(
        A + net("B", line((25, 5), (25, 15)), line((5, 10), (25, 10))) + net("A", crowd)
    )
    assert short[:2] == ("net/short", "stop")
    assert short[2:] == (pytest.approx(25, abs=0.001), pytest.approx(10, abs=0.001))


def test_a_plane_below_a_pad_of_the_netlist_is_not_taken_for_its_net():
    """Copper closes R1 on top; below its pad of net A lies the plane of net B."""
    top = dots(*PADS, *LINK) + line(PADS[0], *LINK, PADS[1])
    plane = layer("Copper,L2,Bot", dots(*PADS) + line(LINK[0], PADS[1]))
    shorts = found(top, "net/netlist", **{"bottom.gbr": plane}, **netlist(*POINTS, *LINKED))
    assert shorts == [
        ("net/closed-jumper", "decide", pytest.approx(15.5, abs=0.5), pytest.approx(10, abs=0.3))
    ]
