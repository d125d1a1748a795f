"""A pad without its track among equals that have theirs, where no file names the nets."""

from __future__ import annotations

import numpy as np
import pytest
from rules.set_cases import dots, drill, frame, layer, line

from fabkit.base.findings import Finding
from fabkit.board.build import build_board
from fabkit.checks.copper_objects import loose_ends, pads_of_parts
from fabkit.checks.model import Case
from fabkit.checks.runner import run_check
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.sheets.house import load_house

PARTS = range(12)
PITCH = 20.0


def found(without: set[int]) -> list[tuple[str, int, float, float]]:
    """Pads cut off on a board of twelve equal parts, each with a track to a common line.

    Parts have pads of 1.0 mm at their middle and 3 mm beside it, joined, and pads of 1.5 mm 4 mm
    above it and at (-2, -3), of which the upper one is joined to the line.
    """
    middles = [(15 + PITCH * k, 12.0) for k in PARTS]
    small = [(x + d, y) for x, y in middles for d in (0, 3)]
    large = [(x + dx, y + dy) for x, y in middles for dx, dy in ((0, 4), (-2, -3))]
    tracks = line((15, 25), (15 + PITCH * 11, 25))
    for k, (x, y) in enumerate(middles):
        tracks += line((x, y), (x + 3, y)) + line((x, y), (x - 2, y - 3))
        tracks += "" if k in without else line((x, y + 4), (x, 25))
    top = layer("Copper,L1,Top", dots(*small), pen=1.0).removesuffix("M02*\n")
    top += f"%ADD11C,1.5*%\nD11*\n{dots(*large)}%ADD12C,0.3*%\nD12*\n{tracks}M02*\n"
    files = {
        "top.gbr": top,
        "profile.gbr": layer("Profile,NP", frame(260, 30), pen=0.1),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    return [
        (f.consequence.word, f.count, f.places[0].x_mm or 0.0, f.places[0].y_mm or 0.0)
        for f in run_check(loose_ends, Case(board, load_house())).findings
        if f.id == "copper/lonely-pad"
    ]


def test_a_pad_whose_equals_have_a_track_is_cut_off():
    assert found({4}) == [("decide", 1, pytest.approx(15 + PITCH * 4), pytest.approx(16))]


def test_whole_connections_and_pads_left_open_alike_are_silent():
    assert found(set()) == []
    assert found(set(PARTS)) == []


def chained(without: set[int]) -> list[int]:
    """Pads cut off in a chain of 24 equal parts, each joined to the next by a net of its own.

    Parts have three pads of 1.0 mm, joined, and pads of 1.5 mm to either side.
    """
    at = [(15 + PITCH * k, 12.0) for k in range(24)]
    small = [(x + dx, y + dy) for x, y in at for dx, dy in ((0, 0), (3, 0), (0, -4))]
    large = [(x + dx, y + 4) for x, y in at for dx in (-4, 6)]
    tracks = line((11, 16), at[0])
    for k, (x, y) in enumerate(at):
        tracks += line((x, y - 4), (x, y), (x + 3, y))
        tracks += "" if k in {23, *without} else line((x + 6, y + 4), (x + 16, y + 4))
    top = layer("Copper,L1,Top", dots(*small), pen=1.0).removesuffix("M02*\n")
    top += f"%ADD11C,1.5*%\nD11*\n{dots(*large)}%ADD12C,0.3*%\nD12*\n{tracks}M02*\n"
    files = {"top.gbr": top, "profile.gbr": layer("Profile,NP", frame(500, 30), pen=0.1)}
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    said = run_check(loose_ends, Case(board, load_house())).findings
    return [f.count for f in said if f.id == "copper/lonely-pad" and f.consequence.word == "decide"]


def test_the_end_of_a_chain_is_open_on_purpose_and_a_lost_link_is_not():
    """The last part has nothing to lead to; a link that is lost leaves two pads alone, too."""
    assert chained(set()) == []
    assert chained({4}) == [3]


def loose(pads: list[tuple[float, float]], track: str) -> list[Finding]:
    """Loose ends of a track of 0.2 mm on a small board with pads of 2 mm."""
    top = layer("Copper,L1,Top", dots(*pads), pen=2.0).removesuffix("M02*\n")
    top += f"%ADD12C,0.2*%\nD12*\n{track}M02*\n"
    files = {"top.gbr": top, "profile.gbr": layer("Profile,NP", frame(30, 20), pen=0.1)}
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    findings = run_check(loose_ends, Case(board, load_house())).findings
    return [f for f in findings if f.id == "copper/loose-end"]


@pytest.mark.parametrize(
    ("end", "count"),
    [((18.7, 10), 1), ((19.2, 10), 0), ((18.0, 10), 0), ((18.7, 11.5), 0)],
    ids=["0.3 mm short", "on the pad", "1 mm short", "past the pad"],
)
def test_a_track_that_ends_just_before_a_pad_nothing_else_reaches(end, count):
    """A track to a pad of 2 mm at (20, 10) from one at (5, 10); its rim is at 19."""
    found = loose([(5, 10), (20, 10)], line((5, 10), (10, end[1]), end))
    short = [f for f in found if f.consequence.word == "decide"]
    assert sum(f.count for f in short) == count
    if count:
        assert short[0].measured == pytest.approx(0.3, abs=0.01)


@pytest.mark.parametrize("times", [1, 2])
def test_a_track_drawn_twice_has_no_loose_end(times):
    """Each of two equal strokes covers the ends of the other; one alone ends in nothing."""
    found = loose([(5, 10), (25, 10)], line((5, 10), (15, 10)) * times)

    assert len(found) == (1 if times == 1 else 0)


def lacking(
    pads: list[tuple[float, float]],
    more: str = "",
    holes: tuple[tuple[int, int], ...] | None = None,
) -> list[tuple[object, ...]]:
    """Pads that a board of eight parts lacks, each of bare *holes*; *pads* are those it has."""
    files = {
        "top.gbr": layer("Copper,L1,Top", dots(*pads) + more, pen=1.2),
        "bare.drl": drill(
            *(
                (x + dx, y + dy)
                for x, y in MIDDLES
                for dx, dy in (HOLES if holes is None else holes)
            ),
            size=1.7,
            function="NonPlated,1,2,NPTH",
        ),
        "profile.gbr": layer("Profile,NP", frame(170, 30), pen=0.1),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    return [
        (f.id, f.consequence.word, f.count, f.places[0].x_mm, f.places[0].y_mm)
        for f in run_check(pads_of_parts, Case(board, load_house())).findings
    ]


MIDDLES = [(12 + 20.0 * k, 12.0 + k % 2) for k in range(8)]
HOLES = ((-5, 0), (5, 0), (0, -4), (-2, 6))
PADS = [(x + dx, y + dy) for x, y in MIDDLES for dx, dy in ((-7, 2.5), (6, 5))]


def test_a_pad_that_one_of_equal_parts_lacks_is_found_where_it_was():
    lost = PADS[6]
    (found,) = lacking([p for p in PADS if p != lost])
    assert found == ("copper/pad-missing", "decide", 1, *map(pytest.approx, lost))


def test_a_pad_is_missing_beside_others_of_its_part_alone():
    """Twelve parts of four pads, the first one larger, without any hole; each turned by 20 more."""
    about = np.array((2.5 + 1.6j, 2.5 - 1.6j, -2.5 + 1.6j, -2.5 - 1.6j))
    parts = [12 + 13 * k + 12.0j + about * np.exp(0.35j * k) for k in range(12)]
    spots = [(p.real, p.imag) for part in parts for p in part]
    wide = f"%ADD11C,1.8*%\nD11*\n{dots(*spots[::4])}"
    small = [p for k, p in enumerate(spots) if k % 4]
    (found,) = lacking([p for p in small if p != spots[13]], wide, holes=())
    assert found[:3] == ("copper/pad-missing", "decide", 1)
    assert found[3:] == pytest.approx(spots[13], abs=0.02)
    assert lacking(small, wide, holes=()) == []
    # Six alike may be others' pads side by side.
    few = [p for p in small if p[0] < 84]
    assert lacking([p for p in few if p != spots[13]], wide, holes=()) == []


def test_equal_parts_and_pads_that_half_of_them_lack_are_silent():
    assert lacking(PADS) == []
    assert lacking(PADS[::2] + PADS[1:9:2]) == []


def test_a_pad_of_another_size_is_not_missing():
    x, y = PADS[6]
    wide = f"%ADD11C,1.8*%\nD11*\n{dots((x, y))}"
    assert lacking([p for p in PADS if p != PADS[6]], wide) == []


def stroked(*layers: tuple[list[tuple[float, float]], str], **more: str) -> list[Finding]:
    """Findings about tracks of 0.2 mm between pads of 2 mm, layer by layer, and files *more*."""
    files = {name.replace("_", "."): text for name, text in more.items()}
    files |= {"profile.gbr": layer("Profile,NP", frame(130, 30), pen=0.1)}
    for number, (spots, tracks) in enumerate(layers, 1):
        side = "Top" if number == 1 else "Bot"
        pads = layer(f"Copper,L{number},{side}", dots(*spots), pen=2.0).removesuffix("M02*\n")
        files[f"{side}.gbr"] = f"{pads}%ADD12C,0.2*%\nD12*\n{tracks}M02*\n"
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    return list(run_check(loose_ends, Case(board, load_house())).findings)


@pytest.mark.parametrize(("end", "found"), [(15.0, ["decide"]), (15.5, [])])
def test_tracks_of_two_layers_that_end_at_one_place_lack_a_via(end, found):
    said = stroked(
        ([(5, 10)], line((5, 10), (15, 10))),
        ([(25, 10)], line((25, 10), (end, 10))),
    )
    assert [f.consequence.word for f in said if "two layers" in f.message] == found


@pytest.mark.parametrize("lonely", [6, 2])
def test_many_pads_whose_tracks_reach_nothing_lack_a_pour(lonely):
    """Twelve pads in pairs; from six lonely ones on it is no slip of routing."""
    pads = [(8.0 + 9 * k, 8.0) for k in range(12)]
    joined = "".join(line(pads[k], pads[k + 1]) for k in range(0, 12 - lonely, 2))
    stubs = "".join(line((x, y), (x, y + 5)) for x, y in pads[12 - lonely :])
    said = [f for f in stroked((pads, joined + stubs)) if f.id == "copper/lonely-pad"]
    assert [(f.consequence.word, f.count) for f in said] == (
        [("decide" if lonely == 6 else "know", lonely)]
    )


@pytest.mark.parametrize("bare", [True, False])
def test_a_land_drawn_as_a_region_is_reached_where_the_mask_bares_it(bare):
    """Six pads with tracks to squares that no attribute calls pads."""
    pads = [(8.0 + 9 * k, 8.0) for k in range(6)]
    lands = [(x, y + 6) for x, y in pads]
    tracks = "".join(line(a, b) for a, b in zip(pads, lands, strict=True))
    squares = "".join(f"G36*\n{frame(1, 1, x - 0.5, y - 0.5)}G37*\n" for x, y in lands)
    files = {
        "top.gbr": layer("Copper,L1,Top", dots(*pads), pen=1.0).replace(
            "M02*", "%ADD12C,0.3*%\nD12*\n" + tracks + squares + "M02*"
        ),
        "mask.gbr": layer(
            "Soldermask,Top", dots(*pads, *(lands if bare else ())), polarity="Negative", pen=1.1
        ),
        "profile.gbr": layer("Profile,NP", frame(70, 30), pen=0.1),
    }
    members = tuple(Member(name, text.encode()) for name, text in files.items())
    board = build_board(read_package(Intake(name="p", source="p", members=members, left_out=())))
    said = run_check(loose_ends, Case(board, load_house())).findings
    assert [f.count for f in said if f.id == "copper/lonely-pad"] == ([] if bare else [6])


@pytest.mark.parametrize(
    ("tracks", "count"),
    [
        (line((5, 10), (12, 10)) + line((18, 10), (25, 10)), 1),
        (line((5, 10), (12, 10)) + line((14, 12), (25, 12), (25, 10)), 1),
        (line((5, 10), (12, 10)) + line((14, 10), (14, 14), (25, 14), (25, 10)), 1),
        (line((5, 10), (12, 10)) + line((14, 11), (14, 14), (25, 14), (25, 10)), 0),
        (line((5, 10), (12, 10)) + line((12, 12), (25, 12), (25, 10)), 0),
        (line((5, 10), (12, 10)) + line((25, 10), (25, 14), (13, 14)), 0),
        (line((5, 10), (12, 10)) + line((18, 10), (25, 10)) + line((15, 5), (15, 15)), 0),
    ],
    ids=[
        "in line",
        "by an eighth",
        "before a bend",
        "beside a bend",
        "side by side",
        "past each other",
        "with a track between",
    ],
)
@pytest.mark.parametrize("other", [0, 1], ids=["on top", "below"])
def test_tracks_of_two_pads_that_end_facing_each_other(tracks, count, other):
    """Pads at (5, 10) and (25, 10); the track between them lacks a piece.

    A track of the other face runs across the gap.
    """
    face = [(5, 10), (25, 10)], tracks
    across = [(13, 18), (13, 2)], line((13, 18), (13, 2))
    findings = stroked(*((across, face) if other else (face, across)))
    facing = [f for f in findings if "facing" in f.message]
    assert [(f.id, f.consequence.word, f.count) for f in facing] == (
        [("copper/loose-end", "decide", 1)] * count
    )


@pytest.mark.parametrize("below", [False, True])
@pytest.mark.parametrize(
    ("track", "count"),
    [
        (line((5, 10), (13, 10)), 1),
        (line((5, 10), (13, 10.2)), 0),
        (line((5, 10), (11, 10)), 0),
        (line((5, 10), (13, 10)) + line((15, 10), (15, 15)), 0),
        (line((5, 10), (15, 10)), 0),
    ],
    ids=["short", "past the middle", "far off", "another track there", "into it"],
)
def test_a_track_that_ends_before_a_via_nothing_else_reaches(track, count, below):
    """A via at (15, 10) to a track on one face; nothing but *track* is to reach it on the other."""
    via = drill((15, 10), size=0.4, function="Plated,1,2,PTH")
    faces = [
        ([(5, 10), (15, 10)], track),
        ([(15, 10), (25, 10)], line((15, 10), (25, 10))),
    ]
    findings = stroked(*(faces[::-1] if below else faces), via_drl=via)
    short = [f for f in findings if "vias" in f.message]
    assert [(f.id, f.consequence.word, f.count) for f in short] == (
        [("copper/loose-end", "decide", 1)] * count
    )
