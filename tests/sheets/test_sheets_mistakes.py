"""Mistakes people make in sheets: each is met with its line, its key and the right spelling.

The table was made from the mistakes of common practice: decimal commas, days written first, quotes
too many or too few, keys in the wrong place, words of everyday speech, units of other trades.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fabkit.base.errors import SheetError, UnreadableInput
from fabkit.parts.book import book_from
from fabkit.sheets.house import EXAMPLE, house_from, load_house
from fabkit.sheets.order import load_order, order_from
from fabkit.sheets.toml_text import SheetText, parse_sheet

ORDER = """\
format = 1
name = "Wheatear"

[[board]]
package = "rev-b"
is = "reversible"

[want]
keyboards = 4
spare_halves = 1
quantities = [5, 10]

[[want.builder]]
name = "One"
keyboards = 4

[options]
thickness_mm = 1.20
colour = "black"
lead_free = true

[sheets]
houses = ["house.toml"]

[revisions]
planned = 3

[money]
currency = "EUR"

[[money.exchange]]
from = "USD"
rate = 0.9
date = 2025-01-20

[tax]
date = 2025-01-20
vat_rate = 0.20

[power]
charge_current_a = 0.1
"""

PARTS = """\
format = 1
name = "Book"
currency = "cu"
date = 2025-01-20

[[shop]]
name = "North"
shipping = 5.00

[[part]]
key = "socket"
title = "Switch socket"
kinds = ["switch socket"]
fitted = "soldered"
lasts = "used_up"
stage = "sockets"

[[part.price]]
shop = "North"
pack = 10
breaks = [{ from = 10, each = 0.16 }]
"""

SHEETS: dict[str, tuple[str, Callable[[SheetText], object]]] = {
    "order": (ORDER, lambda text: order_from(text, base=Path())),
    "house": (EXAMPLE.read_text(encoding="utf-8"), house_from),
    "parts": (PARTS, book_from),
}

NO_TOML = [
    ("order", "[5, 10]", "5, 10", "want.quantities", "[5, 10], in brackets"),
    ("order", "[5, 10]", "[5; 10]", "want.quantities", "expected [5, 10]"),
    ("order", '["house.toml"]', "[\u201chouse.toml\u201d]", "sheets.houses", '["house.toml"]'),
    ("order", '"black"', "''black''", "options.colour", '"black", in double quotes'),
    ("order", "planned = 3", 'planned = 3\n[map]\nD* = "diode"', "(text)", '"D*" = "diode"'),
    ("order", "format = 1", '{"format": 1}', "(text)", "JSON"),
    # Not TOML at all: the line is looked at for what it was meant to say.
    ("order", "thickness_mm = 1.20", "thickness_mm = 1,20", "options.thickness_mm", "1.20, with"),
    ("order", "date = 2025-01-20\nvat", "date = 20.01.2025\nvat", "tax.date", "2025-01-20, year"),
    ("order", "date = 2025-01-20\nvat", "date = 20/01/2025\nvat", "tax.date", "2025-01-20, year"),
    ("order", "date = 2025-01-20\nvat", "date = 2025-1-20\nvat", "tax.date", "2025-01-20, year"),
    ("order", "vat_rate = 0.20", "vat_rate = 20%", "tax.vat_rate", "0.2, as a share"),
    ("order", "vat_rate = 0.20", "vat_rate = .20", "tax.vat_rate", "0.20"),
    ("order", "thickness_mm = 1.20", "thickness_mm = 1.2 mm", "options.thickness_mm", "1.2, the"),
    ("order", "lead_free = true", "lead_free = True", "options.lead_free", "true"),
    ("order", "lead_free = true", "lead_free = yes", "options.lead_free", "true"),
    ("order", 'colour = "black"', "colour = black", "options.colour", '"black", in quotes'),
    ("order", 'colour = "black"', "colour = “black”", "options.colour", '"black", in straight'),
    ("order", 'colour = "black"', 'colour = "black', "options.colour", "not closed"),
    ("order", 'colour = "black"', "colour = 'black", "options.colour", "not closed"),
    ("order", 'colour = "black"', 'colour = """black', "options.colour", "Unterminated"),
    ("order", 'package = "rev-b"', 'package = ""', "board[1].package", "in quotes"),
    ("order", 'name = "Wheatear"', 'name = " "', "name", "in quotes"),
    ("order", 'houses = ["house.toml"]', 'parts = ""', "sheets.parts", "the path of a sheet"),
    (
        "order",
        "[tax]",
        '[[money.exchange]]\nfrom = "USD"\nrate = 2\n[tax]',
        "money.exchange[2].from",
        "for each currency",
    ),
    ("order", 'colour = "black"', 'colour: "black"', "options.colour", 'colour = "black"'),
    ("order", 'colour = "black"', "colour =", "options.colour", "no value"),
    ("order", 'colour = "black"', "colour = none", "options.colour", "leave the key out"),
    ("order", "keyboards = 4\nspare", "keyboards = 4;\nspare", "want.keyboards", "expected 4"),
    ("order", "keyboards = 4\nspare", "keyboards == 4\nspare", "want.keyboards", "keyboards = 4"),
    ("order", "keyboards = 4\nspare", "keyboards = 04\nspare", "want.keyboards", "expected 4"),
    ("order", "spare_halves = 1", "spare halves = 1", "want.spare halves", "spare_halves"),
    ("order", "[want]", "[want", "(text)", "[want]"),
    ("order", "[[board]]", "[[board]", "(text)", "[[board]]"),
    ("order", "[want]", "// wanted\n[want]", "(text)", "begins with #"),
    ("order", 'package = "rev-b"', r'package = "C:\gerbers"', "board[1].package", "single quotes"),
    ("order", 'houses = ["house.toml"]', 'houses = ["house.toml"', "sheets.houses", "not closed"),
    (
        "order",
        "planned = 3",
        "planned = 3\nplanned = 4",
        "revisions.planned",
        "line 26 and in line 27",
    ),
    ("order", "[power]", "[want]\n[power]", "want", "in line 8 and in line 40"),
    ("order", "planned = 3", "planned = 3\nplanned = 4]", "revisions.planned", "in line 27"),
    ("parts", "shipping = 5.00", "shipping = €5.00", "shop[1].shipping", "5.00, the number"),
    ("parts", "shipping = 5.00", "shipping = 1.234,50", "shop[1].shipping", "1234.50, with"),
    ("parts", "shipping = 5.00", "shipping = 1 000", "shop[1].shipping", "expected 1000"),
    ("house", "setup = 8.00 ", "setup = 8,00 ", "rates.setup", "8.00, with a point"),
]

TYPES = [
    # TOML, but of another type.
    (
        "order",
        "keyboards = 4\nspare",
        'keyboards = "4"\nspare',
        "want.keyboards",
        "4, without quotes",
    ),
    ("order", "keyboards = 4\nspare", "keyboards = 4.0\nspare", "want.keyboards", "such as 4"),
    (
        "order",
        "keyboards = 4\nspare",
        "keyboards = [4]\nspare",
        "want.keyboards",
        "without brackets: 4",
    ),
    (
        "order",
        "keyboards = 4\nspare",
        "keyboards = true\nspare",
        "want.keyboards",
        "a whole number",
    ),
    (
        "order",
        "vat_rate = 0.20",
        'vat_rate = "20 %"',
        "tax.vat_rate",
        "0.2, as a share and without",
    ),
    (
        "order",
        "vat_rate = 0.20",
        'vat_rate = "0,20"',
        "tax.vat_rate",
        "0.20, with a point and without",
    ),
    ("order", "lead_free = true", 'lead_free = "yes"', "options.lead_free", "true, without quotes"),
    ("order", "lead_free = true", "lead_free = 1", "options.lead_free", "expected true"),
    ("order", "date = 2025-01-20\nvat", 'date = "2025-01-20"\nvat', "tax.date", "without quotes"),
    ("order", "date = 2025-01-20\nvat", 'date = "20.01.2025"\nvat', "tax.date", "2025-01-20"),
    (
        "order",
        "date = 2025-01-20\nvat",
        "date = 2025-01-20T10:00:00\nvat",
        "tax.date",
        "without the",
    ),
    ("order", "date = 2025-01-20\nvat", "date = 2025\nvat", "tax.date", "a date such as"),
    ("order", 'colour = "black"', "colour = 5", "options.colour", 'in quotes: "5"'),
    ("order", "quantities = [5, 10]", "quantities = 5", "want.quantities", "in brackets: [5]"),
    ("order", "quantities = [5, 10]", 'quantities = ["5"]', "want.quantities[1]", "5, without"),
    (
        "order",
        'houses = ["house.toml"]',
        'houses = "house.toml"',
        "sheets.houses",
        '["house.toml"]',
    ),
    ("order", "[[board]]", "[board]", "board", "[[board]]"),
    ("order", "[want]", "[[want]]", "want", "[want]"),
    ("order", 'name = "Wheatear"', 'name = "W"\nmoney = 3', "money", "line 3 and in line 29"),
    ("order", 'package = "rev-b"', 'package = "C:\\rev"', "board[1].package", "single quotes"),
    (
        "parts",
        "breaks = [{ from = 10, each = 0.16 }]",
        "breaks = 0.16",
        "part[1].price[1].breaks",
        "",
    ),
]

KEYS = [
    # Keys that are unknown, missing, or stand in the wrong place.
    ("order", "keyboards = 4\nspare", "keybords = 4\nspare", "want.keybords", "'keyboards'"),
    ("order", "thickness_mm = 1.20", "thickness = 1.20", "options.thickness", "'thickness_mm'"),
    ("order", "thickness_mm = 1.20", "thickness_mil = 47", "options.thickness_mil", "0.0254"),
    ("order", 'colour = "black"', 'color = "black"', "options.color", "'colour'"),
    ("order", "vat_rate = 0.20", "vat = 0.20", "tax.vat", "'vat_rate'"),
    ("order", 'package = "rev-b"', 'zip = "rev-b"', "board[1].zip", "'package'"),
    ("order", 'is = "reversible"', 'side = "left"', "board[1].side", "'is'"),
    ("order", 'name = "Wheatear"', 'name = "W"\nkeyboards = 4', "keyboards", "under [want]"),
    (
        "order",
        'is = "reversible"',
        "thickness_mm = 1.2",
        "board[1].thickness_mm",
        "under [options]",
    ),
    ("order", "planned = 3", "planned = 3\ncurrency = 'EUR'", "revisions.currency", "[money]"),
    ("order", 'package = "rev-b"\n', "", "board[1].package", "missing"),
    ("order", 'name = "Wheatear"\n', "", "name", "text in quotes"),
    ("order", "format = 1\n", "", "format", "missing"),
    ("order", "format = 1", "format = 2", "format", "format = 1"),
    ("parts", 'lasts = "used_up"\n', "", "part[1].lasts", "one of used_up, carried_over"),
    ("parts", "each = 0.16", "price = 0.16", "part[1].price[1].breaks[1].price", "'each'"),
    ("house", "\ntrack_mm = 0.15 ", "\ntrack_mil = 6 ", "limits.standard.track_mil", "millimetres"),
    (
        "house",
        "hole_to_edge_mm",
        "hole_to_egde_mm",
        "limits.standard.hole_to_egde_mm",
        "to_edge_mm'",
    ),
]

WORDS = [
    # Words that are none of those known: the nearest that means the same.
    ("order", 'currency = "EUR"', 'currency = "Euro"', "money.currency", "'EUR'"),
    ("order", 'currency = "EUR"', 'currency = "€"', "money.currency", "'EUR'"),
    ("order", 'currency = "EUR"', 'currency = "eur"', "money.currency", "'EUR'"),
    ("order", 'from = "USD"', 'from = "dollar"', "money.exchange[1].from", "'USD'"),
    ("order", 'is = "reversible"', 'is = "Reversible"', "board[1].is", "'reversible'"),
    ("order", 'is = "reversible"', 'is = "switch plate"', "board[1].is", "'plate'"),
    ("order", 'is = "reversible"', 'edge = "panels"', "board[1].edge", "'panel'"),
    ("parts", 'lasts = "used_up"', 'lasts = "reused"', "part[1].lasts", "'carried_over'"),
    ("parts", 'lasts = "used_up"', 'lasts = "carried over"', "part[1].lasts", "'carried_over'"),
    ("parts", 'fitted = "soldered"', 'fitted = "solder"', "part[1].fitted", "'soldered'"),
    ("parts", 'shop = "North"', 'shop = "Nord"', "part[1].price[1].shop", "'North'"),
    ("parts", '["switch socket"]', '["socket switch"]', "part[1].kinds[1]", "one of"),
]

SIZES = [
    # Huge, tiny and silly: refused at once, with the reason.
    (
        "order",
        "keyboards = 4\nspare",
        "keyboards = 2000000000\nspare",
        "want.keyboards",
        "to 100000",
    ),
    ("order", "keyboards = 4\nspare", "keyboards = 0\nspare", "want.keyboards", "too small"),
    ("order", "keyboards = 4\nspare", "keyboards = -4\nspare", "want.keyboards", "negative"),
    (
        "order",
        "keyboards = 4\nspare",
        f"keyboards = {'9' * 3900}\nspare",
        "want.keyboards",
        "large",
    ),
    ("order", "keyboards = 4\nspare", f"keyboards = {'9' * 5000}\nspare", "keyboards", "4000 char"),
    (
        "order",
        "keyboards = 4\nspare",
        f"keyboards = 0x{'f' * 3900}\nspare",
        "want.keyboards",
        "large",
    ),
    ("order", "thickness_mm = 1.20", "thickness_mm = 1e15", "options.thickness_mm", "too large"),
    ("order", "thickness_mm = 1.20", "thickness_mm = 1e999999", "options.thickness_mm", "large"),
    (
        "order",
        "thickness_mm = 1.20",
        "thickness_mm = 1e99999999999999999999",
        "options.thickness_mm",
        "",
    ),
    ("order", "thickness_mm = 1.20", "thickness_mm = nan", "options.thickness_mm", "finite"),
    ("order", "date = 2025-01-20\nvat", "date = 2125-01-20\nvat", "tax.date", "the year 2125"),
    ("order", "vat_rate = 0.20", "vat_rate = 20", "tax.vat_rate", "from 0 to 1"),
    ("order", "planned = 3", "planned = 10000000", "revisions.planned", "to 1000"),
    ("order", 'is = "reversible"', "per_keyboard = 4000", "board[1].per_keyboard", "to 100"),
    (
        "house",
        "min_plated_mm = 0.3 ",
        "min_plated_mm = 12 ",
        "limits.standard.drill_min_plated_mm",
        "40 times",
    ),
    ("house", "\ntrack_mm = 0.15 ", "\ntrack_mm = 6 ", "limits.standard.track_mm", "1 mil ="),
    (
        "house",
        "\nboard_max_mm = 500",
        "\nboard_max_mm = 0.5",
        "limits.standard.board_max_mm",
        "times",
    ),
    ("parts", "from = 10", "from = 1000000000", "part[1].price[1].breaks[1].from", "to 1000000"),
]

MISTAKES = [*NO_TOML, *TYPES, *KEYS, *WORDS, *SIZES]


@pytest.mark.parametrize(("sheet", "old", "new", "key", "words"), MISTAKES)
def test_a_mistake_is_met_with_its_place_and_its_remedy(
    sheet: str, old: str, new: str, key: str, words: str
) -> None:
    """File, line and key of the mistake, and what would be right, in a second's work."""
    text, build = SHEETS[sheet]
    build(parse_sheet(text, file="sheet.toml"))
    assert text.count(old) >= 1
    at = text.index(old)
    began = time.process_time()
    with pytest.raises(SheetError) as caught:
        build(parse_sheet(text.replace(old, new, 1), file="sheet.toml"))
    error = caught.value

    assert time.process_time() - began < 1
    assert (error.file, error.key) == ("sheet.toml", key)
    assert error.expected
    assert words in str(error)
    # What is missing has no line of its own; of a key given twice the words name both.
    if "missing" not in error.message and "twice" not in error.message:
        first = text.count("\n", 0, at) + 1
        assert error.line is not None
        assert first <= error.line <= first + new.count("\n")


def device(path: str) -> Callable[[Path], Path]:
    """A sheet that is a device of the system."""
    return lambda _: Path(path)


def written(content: bytes) -> Callable[[Path], Path]:
    """A sheet with this content."""

    def write(folder: Path) -> Path:
        path = folder / "sheet.toml"
        path.write_bytes(content)
        return path

    return write


def pipe(folder: Path) -> Path:
    """A named pipe that nobody writes into."""
    os.mkfifo(folder / "sheet.toml")
    return folder / "sheet.toml"


def huge(folder: Path) -> Path:
    """A file of 3 GB, without its blocks."""
    path = folder / "sheet.toml"
    with path.open("wb") as stream:
        stream.truncate(3 * 10**9)
    return path


def folder_named_as_sheet(folder: Path) -> Path:
    """A folder where a sheet is expected."""
    (folder / "sheet.toml").mkdir()
    return folder / "sheet.toml"


NO_SHEETS: dict[str, tuple[Callable[[Path], Path], str]] = {
    "zeros without end": (device("/dev/zero"), "a device or a pipe"),
    "named pipe": (pipe, "a device or a pipe"),
    "3 GB": (huge, "too large"),
    "folder": (folder_named_as_sheet, "a folder"),
    "missing": (lambda folder: folder / "no.toml", "No such file"),
    "UTF-16": (written("format = 1\n".encode("utf-16")), "UTF-16"),
    "UTF-16 without mark": (written("format = 1\n".encode("utf-16-le")), "null bytes"),
    "Latin-1": (written('format = 1\nname = "Grün"\n'.encode("latin-1")), "sheet.toml:2"),
    "null bytes": (written(b"format = 1\nname = 'a\0b'\n"), "sheet.toml:2"),
    "deep": (written(b"a = " + b"[" * 3000 + b"]" * 900), "TOML"),
}


@pytest.fixture
def usual_depth() -> Iterator[None]:
    """Nest calls as deep as Python does by itself: libraries of other tests raise the limit."""
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(1000)
    yield
    sys.setrecursionlimit(before)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("name", NO_SHEETS)
@pytest.mark.parametrize("load", [load_order, load_house])
@pytest.mark.usefixtures("usual_depth")
def test_what_is_no_sheet_is_refused_at_once(
    load: Callable[[Path], object], name: str, tmp_path: Path
) -> None:
    """Devices, pipes, folders, bytes that are no text: what and what to do, in a second's work."""
    make, words = NO_SHEETS[name]
    path = make(tmp_path)
    began = time.process_time()
    with pytest.raises(UnreadableInput) as caught:
        load(path)

    assert time.process_time() - began < 1
    assert path.name in caught.value.message
    assert words in caught.value.message
    assert caught.value.hint
