"""Rounded corners, filled acid traps, and ends of the profile led on to their corner.

Areas are closed forms of the drawings.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fuzz.tiny_board import FILES, layer, pads

from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.mending.mend import MendOptions, mend
from fabkit.mending.model import Mended
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, RoleKind


def board_of(**changed: bytes) -> Board:
    """The tiny board with files replaced by the end of their names."""
    files = {k: v for k, v in FILES.items() if k.endswith((".gbr", ".drl"))}
    for key, data in changed.items():
        files[f"tiny-{key.replace('_', '-')}.gbr"] = data
    members = tuple(Member(name, data) for name, data in sorted(files.items()))
    return build_board(read_package(Intake(name="t", source="t", members=members, left_out=())))


def path(*points: tuple[float, float], pen: str = "D12") -> str:
    """Tracks from point to point."""
    first, *rest = (f"X{round(x * 1e6)}Y{round(y * 1e6)}" for x, y in points)
    return f"{pen}*\n{first}D02*\n" + "".join(f"{p}D01*\n" for p in rest)


def top(body: str) -> Board:
    """A board with tracks of 0.2 mm on its top."""
    return board_of(copper_top=layer("Copper,L1,Top", pads(2) + "%ADD12C,0.2*%\n" + body))


def asked(board: Board, *names: str) -> Mended:
    """The board with some corrections."""
    return mend(board, options=MendOptions(asked=names))


def count_of(mended: Mended, name: str) -> int:
    """How often a correction was made."""
    return sum(d.count for d in mended.deeds if d.correction == name)


def test_a_corner_becomes_an_arc() -> None:
    """A right angle: radius of three widths, so that the middle line is (2 - pi/2) r shorter."""
    mended = asked(top(path((5, 5), (12, 5), (12, 12))), "round-corners")
    assert count_of(mended, "round-corners") == 1
    image = mended.after.copper[0].file.image
    before = mended.before.copper[0].file.image
    # The old corner has a round outside of a quarter disc; the arc's ring has none.
    w, r = 0.2, 0.6
    old = 2 * w * r - w**2 / 4 + np.pi * w**2 / 16
    new = np.pi / 2 * r * w
    assert before.area - image.area == pytest.approx(old - new, abs=2e-3)
    o = mended.after.copper[0].file.objects
    arc = o.take(o.kind == 2)
    assert (len(arc), float(arc.radii()[0])) == (1, pytest.approx(r, abs=1e-6))
    assert {tuple(p) for p in np.round(np.vstack((o.starts(), o.ends())), 6).tolist()} >= {
        (5.0, 5.0), (12.0, 12.0), (11.4, 5.0), (12.0, 5.6),
    }  # fmt: skip


@pytest.mark.parametrize(
    "body",
    [
        path((5, 5), (12, 5), (12, 12)) + path((12, 5), (15, 5)),
        path((5, 5), (12, 5), (12, 12)) + "%ADD13C,0.6*%\nD13*\nX12000000Y5000000D03*\n",
        path((5, 5), (12, 5), (12, 12)) + "%ADD13C,0.6*%\nD13*\nX12200000Y4900000D03*\n",
        path((5, 5), (12, 5), (12, 12)) + path((11.6, 5.35), (9, 8)),
        path((5, 5), (12, 5)) + "%ADD13C,0.3*%\n" + path((12, 5), (12, 12), pen="D13"),
        "%TO.N,A*%\n" + path((5, 5), (12, 5)) + "%TO.N,B*%\n" + path((12, 5), (12, 12)),
        path((5, 5), (12, 5), (12, 5.2)),
        path((5, 5), (12, 5), (6, 5.5)),
    ],
    ids=[
        "three tracks meet", "a pad at the corner", "a pad that only touches it",
        "another track too near to the arc", "two widths", "two nets", "no room", "too sharp",
    ],
)  # fmt: skip
def test_corners_that_stay(body: str) -> None:
    """Whatever else meets the corner, or would come too near to the arc, keeps it."""
    assert count_of(asked(top(body), "round-corners"), "round-corners") == 0


def test_a_hole_at_the_corner_keeps_it() -> None:
    """A via drilled where the corner is would be without copper."""
    board = top(path((3, 5), (5, 5), (5, 12)))
    assert count_of(asked(board, "round-corners"), "round-corners") == 0


def test_sharp_corners_are_filled() -> None:
    """Tracks at 30 degrees: the corner is filled to the width of the house's gap of 0.15 mm."""
    a = np.radians(30)
    body = path((5, 5), (10, 5), (18, 5)) + path((10, 5), (10 + 7 * np.cos(a), 5 + 7 * np.sin(a)))
    mended = asked(top(body), "acid-traps")
    assert count_of(mended, "acid-traps") == 1
    assert "copper/acid-trap" in {f.id for f in mended.ended}
    made = next(p for p in mended.layers if p.layer == "top copper")
    gap = 0.15
    # An isosceles triangle of that base over 30 degrees.
    assert made.added_mm2 == pytest.approx(gap**2 / (4 * np.tan(a / 2)), rel=0.05)
    assert made.removed_mm2 == 0


def test_a_trap_beside_other_copper_stays() -> None:
    """Filled, it would come nearer to a third track than the house allows."""
    a = np.radians(30)
    body = path((5, 5), (10, 5), (18, 5)) + path((10, 5), (10 + 7 * np.cos(a), 5 + 7 * np.sin(a)))
    pin = "%ADD14C,0.05*%\nD14*\nX10800000Y5215000D03*\n"
    assert count_of(asked(top(body + pin), "acid-traps"), "acid-traps") == 0


FRAME = "%ADD10C,0.1*%\n"


def outline(*paths: list[tuple[float, float]]) -> bytes:
    """A profile of open paths."""
    return layer("Profile,NP", FRAME + "".join(path(*p, pen="D10") for p in paths))


def test_ends_meet_at_their_corner() -> None:
    """Two ends 0.4 and 0.7 mm short of a corner: read with a chamfer, mended to 600 mm²."""
    board = board_of(profile=outline([(0.4, 0), (30, 0), (30, 20), (0, 20), (0, 0.7)]))
    assert (
        "profile/gap" in {f.id for f in board.edge_findings}
        if hasattr(board, "edge_findings")
        else True
    )
    assert board.profile is not None
    assert board.profile.area == pytest.approx(600 - 0.4 * 0.7 / 2)
    mended = asked(board, "profile-ends")
    assert count_of(mended, "profile-ends") == 1
    assert "profile/gap" in {f.id for f in mended.ended}
    assert mended.after.profile is not None
    assert mended.after.profile.area == pytest.approx(600, abs=1e-6)
    square = shapely.box(0, 0, 30, 20)
    assert mended.after.profile.symmetric_difference(square).area < 1e-6


def test_ends_of_one_line_are_joined() -> None:
    """A gap of 0.8 mm within a straight edge."""
    board = board_of(profile=outline([(10, 0), (0, 0), (0, 20), (30, 20), (30, 0), (10.8, 0)]))
    mended = asked(board, "profile-ends")
    assert count_of(mended, "profile-ends") == 1
    layers = [f for f in mended.after.package.files if f.role.kind is RoleKind.PROFILE]
    assert layers[0].gerber is not None
    assert layers[0].gerber.objects.chords().sum() == pytest.approx(100)


@pytest.mark.parametrize(
    "lines",
    [
        [[(1.5, 0), (30, 0), (30, 20), (0, 20), (0, 1.5)]],
        [[(0.4, 0), (30, 0), (30, 20), (0, 20), (0.4, 0.7)]],
        [[(10, 0), (0, 0), (0, 20), (30, 20), (30, 0.4), (10.4, 0.4)]],
        [[(0.4, 0), (30, 0), (30, 20), (0, 20), (0, 0.7)], [(0.3, 0.4), (3, 3)]],
    ],
    ids=["too far", "one end beside the other line", "a step", "three ends"],
)
def test_ends_that_need_a_choice_stay(lines: list[list[tuple[float, float]]]) -> None:
    """No single corner within a millimetre: nothing is drawn, and it is said why."""
    board = board_of(profile=outline(*lines))
    mended = asked(board, "profile-ends")
    assert count_of(mended, "profile-ends") == 0
    assert [n.correction for n in mended.left if n.correction == "profile-ends"]
