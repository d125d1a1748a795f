"""The parts list: sources merged, counted by half, conflicts reported; all parts are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from fabkit.base.columns import Floats
from fabkit.base.errors import SheetError
from fabkit.board.model import Board, BoardSlots, Component, Holes
from fabkit.formats.sidecars.model import ListedPart, PartsTable, PlacedPart, Placement
from fabkit.keyboard.patterns import load_patterns, patterns_from
from fabkit.outputs.money import parts_files
from fabkit.package.model import Package, PackageFile, Role, RoleKind
from fabkit.parts.bill import build_bill
from fabkit.parts.book import EXAMPLE, PartsBook, book_from, load_parts, parts_template
from fabkit.parts.model import Bill, Lasting, Usage
from fabkit.sheets.toml_text import parse_sheet

FIXTURES = Path(__file__).parents[2] / "fixtures"
DEMO = Path(__file__).parents[2] / "fabkit" / "demo"
BOOK = """
format = 1
name = "Test book"
invented = true
currency = "cu"
date = 2025-01-01

[spares.socket]
share = 0.02
least = 2

[[shop]]
name = "Shop"
shipping = 4.00

[[part]]
key = "socket"
title = "Socket"
class = "socket"
match = [{ footprint = "socket*" }]
patterns = ["switch-low-socket"]
fitted = "soldered"
lasts = "used_up"
lets_carry = ["switch"]
face = "back"
stage = "sockets"
price = [{ shop = "Shop", pack = 10, breaks = [{ from = 10, each = 0.20 }] }]

[[part]]
key = "switch"
title = "Switch"
patterns = ["switch-low-socket"]
fitted = "socketed"
lasts = "carried_over"
face = "key"
stage = "plug"
price = [{ shop = "Shop", breaks = [{ from = 1, each = 0.50 }] }]

[[part]]
key = "cap"
title = "Key cap"
count = { key = 1 }
fitted = "loose"
lasts = "carried_over"
stage = "plug"

[[part]]
key = "cable"
title = "Cable"
count = { keyboard = 1 }
fitted = "loose"
lasts = "carried_over"
stage = "plug"
"""


def book(text: str = BOOK) -> PartsBook:
    """A parts book of a text."""
    return book_from(parse_sheet(text, file="parts.toml"))


def key_holes(count: int, *, doubled: bool = True) -> Holes:
    """Low-profile switch sites in a row, 19 mm apart."""
    pattern = next(p for p in load_patterns() if p.key == "switch-low-socket")
    rows = set()
    for i in range(count):
        for sign in (1, -1) if doubled else (1,):
            for h in pattern.holes:
                rows.add((round(19.0 * i + sign * h.x_mm, 3), h.y_mm, (h.least_mm + h.most_mm) / 2))
    return holes_at(np.array(sorted(rows), dtype=float).reshape(-1, 3))


def holes_at(table: Floats) -> Holes:
    """Holes by place and diameter."""
    zeros = np.zeros(len(table))
    return Holes(
        x=table[:, 0],
        y=table[:, 1],
        diameter=table[:, 2],
        plated=zeros,
        file=zeros,
        tool=zeros,
        first=zeros + 1,
        last=zeros + 2,
        function=zeros,
        offset=zeros,
    )


def make_board(
    *,
    keys: int = 3,
    doubled: bool = True,
    components: tuple[Component, ...] = (),
    files: tuple[PackageFile, ...] = (),
) -> Board:
    """A board that only has what the parts list reads."""
    return Board(
        name="board",
        package=Package(name="board", source="board", files=files, left_out=(), remarks=()),
        profile=None,
        layers=(),
        holes=key_holes(keys, doubled=doubled),
        slots=BoardSlots.empty(),
        drill_names=("drill",),
        hole_functions=((),),
        components=components,
        thickness_mm=None,
        problems=(),
    )


def sockets(count: int, side: str = "bottom") -> tuple[Component, ...]:
    """Socket components SW1 ... with attributes."""
    return tuple(
        Component(
            ref=f"SW{i + 1}",
            value="Socket",
            footprint="socket-x",
            mount="SMD",
            side=side,  # type: ignore[arg-type]
            x_mm=19.0 * i,
            y_mm=0.0,
            origin="component attributes",
        )
        for i in range(count)
    )


def ids(bill: Bill) -> list[str]:
    """Ids of the bill's findings."""
    return [f.id for f in bill.problems]


def two_leads(named: Sequence[tuple[str, str, str]]) -> tuple[Component, ...]:
    """Surface parts beside the keys: letters, value, net of pin 1."""
    return tuple(
        Component(
            ref=f"{letters}{n}",
            value=value,
            mount="SMD",
            x_mm=100.0 + 3 * n,
            y_mm=50.0,
            pins=(("1", net), ("2", f"n{n}")),
            origin="component attributes",
        )
        for n, (letters, value, net) in enumerate(named)
    )


DIODE = """
[[part]]
key = "d"
title = "Diode"
kinds = ["diode"]
fitted = "soldered"
lasts = "used_up"
stage = "surface"
"""


def test_diodes_on_a_supply_are_not_those_of_the_keys() -> None:
    """Of diodes without a value the book's are those of the matrix; a Zener diode is another."""
    nets = ["ROW0"] * 3 + ["+5V"] * 2 + ["/LED_R"] * 2
    named = [*(("D", "", net) for net in nets), ("ZD", "", "ROW0")]
    bill = build_bill(make_board(components=two_leads(named)), book(BOOK + DIODE))
    found = {a.title: a.short_refs("left") for a in bill.lines}

    assert found["Diode"] == "D0-D2"
    assert found["Diode, surface, value not stated"] == "D3, D4"
    assert found["Zener diode, surface, value not stated"] == "ZD7"
    assert found["Light, surface, value not stated"] == "D5, D6"


def test_another_value_is_another_part() -> None:
    """A kind names the usual value's part; a second value and 10K beside 10k are distinguished."""
    values = ["1N4148"] * 4 + ["BAT54"] + ["10K", "10k"]
    parts = two_leads([("R" if v[:2] == "10" else "D", v, "a") for v in values])
    bill = build_bill(make_board(components=parts), book(BOOK + DIODE))
    found = {a.title: a.left for a in bill.lines if set(a.refs["left"]) & {p.ref for p in parts}}

    assert found == {"Diode": 4, "BAT54": 1, "10k": 2}


def test_holes_alone_give_the_list() -> None:
    """Without attributes and tables the doubled sites count once a half."""
    bill = build_bill(make_board(keys=4), book())

    assert [(a.key, a.left, a.right, a.per_keyboard) for a in bill.lines] == [
        ("socket", 4, 4, 8),
        ("cable", 0, 0, 1),
        ("cap", 4, 4, 8),
        ("switch", 4, 4, 8),
    ]
    assert bill.keys_per_half == {"left": 4, "right": 4}
    assert "parts/conflict" not in ids(bill)


def test_socket_is_soldered_on_the_back_of_either_half() -> None:
    """The left half is used top up, the right half turned over: bottom, then top."""
    line = build_bill(make_board(), book()).line("socket")

    assert line is not None
    assert line.faces == {"left": "bottom", "right": "top"}


def test_missing_socket_is_a_conflict() -> None:
    """Eighteen switch sites and seventeen sockets are reported, with both numbers."""
    bill = build_bill(make_board(keys=18, components=sockets(17)), book())
    conflicts = [f for f in bill.problems if f.id == "parts/conflict"]

    assert any(
        "Socket: 17 by component attributes, 18 by hole pattern; 18 are counted" in f.message
        for f in conflicts
    )
    assert any((f.measured, f.limit) == (17.0, 18.0) for f in conflicts)


def test_doubled_components_are_fitted_once() -> None:
    """Socket components on both faces of a reversible board: one face each half."""
    both = (
        *sockets(3),
        *(
            Component(
                ref=f"SW{i + 101}",
                footprint="socket-x",
                side="top",
                x_mm=19.0 * i,
                y_mm=1.0,
                origin="component attributes",
            )
            for i in range(3)
        ),
    )
    line = build_bill(make_board(components=both), book()).line("socket")

    assert line is not None
    assert (line.left, line.right, line.per_keyboard) == (3, 3, 6)
    assert line.refs["left"] == ("SW1", "SW2", "SW3")
    assert line.refs["right"] == ("SW101", "SW102", "SW103")
    assert "fitted once" in line.reason


def test_parts_far_apart_are_no_doubles() -> None:
    """Equal parts on both faces, but in other places, are all fitted."""
    parts = tuple(
        Component(
            ref=f"C{i}",
            value="100n",
            side=side,  # type: ignore[arg-type]
            x_mm=x,
            y_mm=0.0,
            mount="SMD",
            origin="component attributes",
        )
        for i, (side, x) in enumerate(
            [("top", 0.0), ("top", 5.0), ("bottom", 80.0), ("bottom", 90.0)]
        )
    )
    line = build_bill(make_board(components=parts), book()).line("100n")

    assert line is not None
    assert line.left == 4


def test_runs_of_references_are_written_short() -> None:
    """Three in a row become a range, two do not; a gap starts anew."""
    line = build_bill(make_board(keys=7, components=(*sockets(5), *sockets(7)[6:])), book()).lines[
        0
    ]

    assert line.short_refs("left") == "SW1-SW5, SW7"


def test_odd_references_are_kept_as_they_are() -> None:
    """References come from files: endless digits, none at all, or other scripts do no harm."""
    refs = ("R" + "9" * 6000, "R10", "R2", "", "\u0663\u0664", "7")
    parts = tuple(Component(ref=r, value="1k", origin="component attributes") for r in refs)
    line = build_bill(make_board(components=parts), book()).line("1k")

    assert line is not None
    assert line.left == len(refs)
    assert line.refs["left"].index("R2") < line.refs["left"].index("R10")
    assert "R2, R10" in line.short_refs("left")


def test_uneven_faces_are_reported() -> None:
    """Two on one face and three on the other cannot both be right."""
    parts = tuple(
        Component(
            ref=f"C{i}",
            value="100n",
            side=side,  # type: ignore[arg-type]
            x_mm=8.0 * i,
            y_mm=9.0,
            mount="SMD",
            origin="component attributes",
        )
        for i, side in enumerate(("top", "bottom", "top", "bottom", "bottom"))
    )
    bill = build_bill(make_board(components=parts), book())

    assert "parts/uneven-faces" in ids(bill)


def table_file(*rows: ListedPart) -> PackageFile:
    """A parts table beside the layers."""
    return PackageFile(
        name="parts.csv",
        data=b"",
        role=Role(kind=RoleKind.PARTS),
        confidence=1.0,
        reason="test",
        content=PartsTable(name="parts.csv", rows=rows),
    )


def placement_file(*rows: PlacedPart) -> PackageFile:
    """A placement table beside the layers."""
    return PackageFile(
        name="placement.csv",
        data=b"",
        role=Role(kind=RoleKind.PLACEMENT),
        confidence=1.0,
        reason="test",
        content=Placement(name="placement.csv", parts=rows),
    )


def listed(refs: tuple[str, ...], value: str, quantity: int, *, fitted: bool = True) -> ListedPart:
    """A row of a parts table."""
    return ListedPart(
        refs=refs,
        value=value,
        footprint="",
        part_number="",
        manufacturer="",
        quantity=quantity,
        fitted=fitted,
    )


def test_sources_are_merged_by_reference() -> None:
    """The same reference in three sources is one part, and the reason names all three."""
    files = (
        placement_file(
            *(
                PlacedPart(
                    ref=f"SW{i}",
                    value="",
                    footprint="socket-x",
                    x_mm=19.0 * i,
                    y_mm=0,
                    rotation_deg=0,
                    side="bottom",
                )
                for i in (1, 2, 3)
            )
        ),
        table_file(listed(("SW1", "SW2", "SW3"), "Socket", 3)),
    )
    line = build_bill(make_board(components=sockets(3), files=files), book()).line("socket")

    assert line is not None
    assert line.left == 3
    assert list(line.sources) == [
        "component attributes",
        "placement table",
        "parts table",
        "hole pattern",
    ]


def test_references_without_places_name_what_the_holes_show() -> None:
    """A jack that holes show and a table names is one jack; a part that nothing shows counts."""
    jack = next(p for p in load_patterns() if p.key == "jack-4")
    wide = {h: (h.least_mm + h.most_mm) / 2 for h in jack.holes}
    holes = holes_at(np.array([(h.x_mm, h.y_mm, wide[h]) for h in jack.holes]))
    table = table_file(listed(("J1",), "Audio jack, invented", 1), listed(("D1",), "1N4148", 1))
    bare = replace(make_board(), holes=holes)
    named = replace(make_board(files=(table,)), holes=holes)

    def pieces(board: Board) -> dict[str, int]:
        lines = build_bill(board, book()).lines
        return {a.title: a.per_keyboard for a in lines if a.title != "Cable"}

    assert pieces(bare) == {"Audio jack, four contacts": 1}
    assert sorted(pieces(named).values()) == [1, 1]
    assert any("Audio jack, invented" in title for title in pieces(named))


def test_a_display_stands_on_the_row_of_holes() -> None:
    """A table names a display and no header: the row of four holes is its own."""
    row = np.array([(2.54 * n, 40.0, 1.0) for n in range(4)])
    table = table_file(listed(("OL1",), "OLED, invented", 1))
    board = replace(make_board(keys=0, files=(table,)), holes=holes_at(row))

    assert [a.per_keyboard for a in build_bill(board, book()).lines if a.title != "Cable"] == [1]


def test_of_overlapping_places_one_has_a_light() -> None:
    """Three keys, two of them 7 mm apart: two switches fit, and so do two of the three lights."""
    low = next(p for p in load_patterns() if p.key == "switch-low-socket")
    at = [
        (x + h.x_mm, h.y_mm, (h.least_mm + h.most_mm) / 2) for x in (0, 30, 37) for h in low.holes
    ]
    lights = [
        Component(
            ref=f"LED{n}",
            value="Light",
            side="bottom",
            x_mm=x,
            y_mm=-5.0,
            mount="SMD",
            origin="component attributes",
        )
        for n, x in enumerate((0.0, 30.0, 37.0))
    ]
    board = replace(make_board(components=tuple(lights)), holes=holes_at(np.array(at)))

    assert {a.title: a.per_keyboard for a in build_bill(board, book()).lines}["Light"] == 2


@pytest.mark.parametrize(("units", "half_mm"), [("3", 19.05), ("6.25", 50.0), ("7", 57.15)])
def test_stabilisers_of_wide_keys_are_bought(units: str, half_mm: float) -> None:
    """Wires of space bars are 38.1, 100 and 114.3 mm long, middle to middle (common practice)."""
    low = next(p for p in load_patterns() if p.key == "switch-low-socket")
    at = [(h.x_mm, h.y_mm, (h.least_mm + h.most_mm) / 2) for h in low.holes]
    for side in (-half_mm, half_mm):
        at += [(side, 8.255, 4.0), (side, -6.985, 3.05)]
    bill = build_bill(replace(make_board(), holes=holes_at(np.array(at))), book())

    title = f"Stabiliser of a key of {units} units"
    assert {a.title: a.per_keyboard for a in bill.lines}.get(title) == 1


def test_rows_without_references_count_by_quantity() -> None:
    """A mechanical part listed as five pieces is five pieces without references."""
    files = (table_file(listed((), "Screw", 5), listed(("R1",), "1k", 1, fitted=False)),)
    bill = build_bill(make_board(files=files), book())
    line = bill.line("Screw")

    assert line is not None
    assert (line.left, line.refs["left"]) == (5, ())
    assert ("R1", "marked as not fitted") in bill.left_out


def test_what_is_no_part_is_left_out_with_its_reason() -> None:
    """Fiducials and mounting holes are not bought."""
    parts = (
        Component(ref="FID1", mount="Fiducial", origin="component attributes"),
        Component(ref="H1", footprint="mounting_hole_2.2", origin="component attributes"),
    )
    bill = build_bill(make_board(components=parts), book())

    assert [ref for ref, _ in bill.left_out] == ["FID1", "H1"]


def test_pair_of_different_boards() -> None:
    """Left and right have their own counts; uneven halves are a note."""
    left, right = make_board(keys=5, doubled=False), make_board(keys=4, doubled=False)
    bill = build_bill({"left": left, "right": right}, book(), usage=Usage(use="left"))
    line = bill.line("socket")

    assert line is not None
    assert (line.left, line.right, line.per_keyboard) == (5, 4, 9)
    assert "parts/uneven-halves" in ids(bill)


def test_whole_keyboard_on_one_board_is_split() -> None:
    """One board for both halves: sites left and right of the middle."""
    board = make_board(keys=6, doubled=False)
    object.__setattr__(board, "bounds", (-10.0, -10.0, 105.0, 20.0))
    line = build_bill(board, book(), usage=Usage(use="both")).line("socket")

    assert line is not None
    assert (line.left, line.right) == (3, 3)


def test_need_spares_and_rebuild() -> None:
    """Nine halves of three keys: 27 sockets and 2 spares in packs of ten, of which 3 are left.

    The next revision wants 29 again, takes the 3 and buys 26.
    """
    usage = Usage(keyboards=4, spare_halves=1, loss_share=Decimal("0.1"))
    bill = build_bill(make_board(), book(), usage=usage)
    first = {p.key: p for p in bill.plan.purchases}
    again = {p.key: p for p in bill.rebuild.purchases}

    assert (first["socket"].need, first["socket"].wanted, first["socket"].bought) == (27, 29, 30)
    assert first["socket"].left_over == 3
    assert again["socket"].wanted == 26
    assert again["switch"].need == 3  # a tenth of 27, rounded up
    assert bill.plan.total == Decimal("6.00") + Decimal("13.50") + Decimal("4.00")


def test_unpriced_and_unknown_parts_are_reported() -> None:
    """A known part without price and a part the book does not know are findings."""
    part = Component(ref="R1", value="1k", mount="SMD", origin="component attributes")
    bill = build_bill(make_board(components=(part,)), book())

    assert {"parts/no-price", "parts/unknown-part"} <= set(ids(bill))
    line = bill.line("1k")
    assert line is not None
    assert not line.known


def test_empty_board_says_that_nothing_was_found() -> None:
    """No attributes, tables or holes: a warning, not an empty success."""
    bill = build_bill(make_board(keys=0), load_parts())

    assert "parts/none-found" in ids(bill)
    assert bill.plan.total == Decimal(0)


def test_the_page_for_the_shop_says_what_it_lacks() -> None:
    """``parts.md`` is read alone: decisions about the list stand on it, and no empty tables."""
    bill = build_bill(make_board(keys=0), load_parts())
    page = parts_files(bill)["parts.md"].decode()
    asked = next(f for f in bill.problems if f.id == "parts/none-found")

    assert "No part is listed." in page
    assert f"- Decide: {asked.message}. {asked.remedy}" in page
    assert "To buy" not in page
    assert "|" not in page


def test_boards_without_halves_are_not_marked_left_and_right() -> None:
    """A board without keys has no left and no right."""
    assert build_bill(make_board(keys=0), load_parts()).assembly[0].title == (
        "Look the bare boards over"
    )


def test_working_order_and_cautions() -> None:
    """Sockets before what is plugged in; heat, fumes and lead once, polarity before power."""
    text = BOOK + (
        '[[part]]\nkey = "cell"\ntitle = "Cell"\ncount = { half = 1 }\nfitted = "loose"\n'
        'lasts = "carried_over"\nstage = "power"\ncaution = "lithium"\n'
    )
    steps = build_bill(make_board(), book(text)).assembly
    titles = [s.title for s in steps]
    soldering = next(s for s in steps if "sockets" in s.title)

    assert titles[0] == "Look the bare boards over; mark left and right"
    assert titles.index(soldering.title) < next(i for i, t in enumerate(titles) if "Plug" in t)
    assert titles[-1] == "Connect the battery, last of all"
    assert any("irritates airways" in c for c in soldering.cautions)
    assert any("local codes" in c for c in soldering.cautions)
    assert any("polarity" in c for c in steps[-1].cautions)
    assert any("polarity" in c for s in steps[:-1] for c in s.cautions)


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("each = 0.20", "each = -0.20", "part[1].price[1].breaks[1].each", "negative"),
        ('shop = "Shop", pack', 'shop = "Shp", pack', "part[1].price[1].shop", "no shop 'Shp'"),
        (
            "{ from = 10, each = 0.20 }",
            "{ from = 20, each = 0.20 }",
            "part[1].price[1].breaks",
            "gap",
        ),
        (
            "{ from = 1, each = 0.50 }",
            "{ from = 1, each = 0.50 }, { from = 5, each = 0.60 }",
            "part[2].price[1].breaks[2].each",
            "dearer",
        ),
        ('face = "back"', 'kinds = ["diod"]', "part[1].kinds[1]", "not known"),
        ('key = "switch"', 'key = "socket"', "part[2].key", "twice"),
        (
            'lets_carry = ["switch"]',
            'lets_carry = ["swich"]',
            "part[1].lets_carry",
            "no part 'swich'",
        ),
        ('currency = "cu"', 'currency = "QQQ"', "currency", "not known"),
        ('stage = "sockets"', 'stage = "socket"', "part[1].stage", "not known"),
        ("count = { key = 1 }", "count = { keys = 1 }", "part[3].count.keys", "unknown key"),
        ("count = { key = 1 }\n", "", "part[3]", "does not state when"),
    ],
)
def test_mistakes_in_the_book(old: str, new: str, key: str, words: str) -> None:
    """A wrong price, shop, gap or key names file, line, key and remedy."""
    assert old in BOOK
    with pytest.raises(SheetError) as caught:
        book(BOOK.replace(old, new, 1))

    assert caught.value.file == "parts.toml"
    assert caught.value.key == key
    assert caught.value.line is not None
    assert words in caught.value.message
    assert caught.value.expected


def test_bundled_book_and_its_template() -> None:
    """The example says it is invented; the template loads under another name."""
    made = book_from(parse_sheet(parts_template("Mine"), file="mine.toml"))

    assert load_parts().invented
    assert "invented" in load_parts().notice
    assert made.name == "Mine"
    assert EXAMPLE.is_file()
    keys = {p.key for p in load_patterns()}
    assert {name for p in made.parts for name in p.patterns} <= keys


def test_mistake_in_a_pattern_catalogue() -> None:
    """A pattern without a hole that must be there is refused."""
    text = (
        'format = 1\n[[pattern]]\nkey = "a"\ntitle = "A"\nkind = "key"\n'
        "holes = [{ at_mm = [0, 0], diameter_mm = [2, 1] }]\n"
    )
    with pytest.raises(SheetError, match="not a range"):
        patterns_from(parse_sheet(text, file="patterns.toml"))


def test_demonstration_board() -> None:
    """Eighteen keys a half, five screws, one controller; four sources agree on the sockets."""
    from fabkit import build_board, open_package

    board = build_board(open_package(DEMO / "rev-b"))
    bill = build_bill(board, load_parts(DEMO / "parts.toml"))
    counts = {a.key: a.left for a in bill.lines}

    assert bill.keys_per_half == {"left": 18, "right": 18}
    assert (counts["socket-low"], counts["screw-m2"], counts["controller"]) == (18, 5, 1)
    assert bill.problems == ()
    line = bill.line("socket-low")
    assert line is not None
    assert set(line.sources.values()) == {18}
    assert len(line.sources) == 4


def test_demonstration_parts_book() -> None:
    """Everything the demonstration needs is carried over or used up as a builder would expect."""
    made = load_parts(DEMO / "parts.toml")
    lasting = {p.key: p.lasting for p in made.parts}

    assert lasting["socket-low"] is Lasting.USED_UP
    assert lasting["switch-low"] is lasting["controller"] is Lasting.CARRIED_OVER


def test_keys_that_nothing_marks_are_reported() -> None:
    """parts/keys-unknown: parts are counted by keys, but the board shows none."""
    assert "parts/keys-unknown" in ids(build_bill(make_board(keys=0), book()))
    assert "parts/keys-unknown" not in ids(build_bill(make_board(keys=4), book()))


def test_pattern_that_the_catalogue_lacks_is_reported() -> None:
    """parts/unknown-pattern: the book names a pattern of holes that nobody described."""
    wrong = BOOK.replace('"switch-low-socket"', '"switch-of-glass"')

    assert "parts/unknown-pattern" in ids(build_bill(make_board(), book(wrong)))
    assert "parts/unknown-pattern" not in ids(build_bill(make_board(), book()))
