"""House sheets: what is read, and how a mistake is told."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from fabkit.base.errors import SheetError, UnreadableInput, UsageError
from fabkit.sheets.house import EXAMPLE, LIMIT_KINDS, House, house_from, house_template, load_house
from fabkit.sheets.toml_text import parse_sheet

TEXT = EXAMPLE.read_text(encoding="utf-8")
SHEETS = Path(__file__).parents[2] / "fabkit" / "demo"


def load_text(text: str, name: str = "house.toml") -> House:
    """A house from a text."""
    return house_from(parse_sheet(text, file=name))


def line_of(text: str, needle: str) -> int:
    """Line number of the first line, not a comment, that holds a text."""
    lines = enumerate(text.splitlines(), start=1)
    return next(i for i, a in lines if needle in a and not a.startswith("#"))


def fails(text: str) -> SheetError:
    """The error a text gives."""
    with pytest.raises(SheetError) as caught:
        load_text(text)
    return caught.value


def test_bundled_sheet_lists_every_limit() -> None:
    """The template names each limit there is, so that a user sees all of them."""
    house = load_house()

    assert set(house.stated["standard"]) == set(LIMIT_KINDS)
    for key, kind in LIMIT_KINDS.items():
        assert house.limit(key).value == pytest.approx(kind.standard)
        assert house.limit(key, "fine").value == pytest.approx(kind.fine)


def test_bundled_sheet_says_it_is_invented() -> None:
    """Nobody takes the example's prices for real ones."""
    house = load_house()

    assert house.invented
    assert "invented" in house.notice


def test_limit_knows_its_place() -> None:
    """A stated limit cites its line, a default its source."""
    house = load_text(TEXT)
    lonely = load_text('format = 1\nname = "x"\n')

    assert f":{line_of(TEXT, 'annular_ring_mm')} " in house.limit("annular_ring_mm").source
    assert lonely.limit("annular_ring_mm").source.startswith("default: ")
    assert lonely.limit("annular_ring_mm").stated is False
    assert lonely.options.thickness_mm == (0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.2)
    assert lonely.rates is None


def test_fine_class_falls_back_on_the_stated_standard() -> None:
    """A house that states only a standard limit offers nothing finer."""
    house = load_text('format = 1\nname = "x"\n[limits.standard]\ntrack_mm = 0.2\n')

    assert house.limit("track_mm", "fine").value == pytest.approx(0.2)


def test_limit_with_source_note() -> None:
    """A limit may carry where the user read it."""
    house = load_text(
        'format = 1\nname = "x"\n[limits.standard]\ngap_mm = { value = 0.2, source = "page 3" }\n'
    )

    assert "page 3" in house.limit("gap_mm").source


def test_limit_allows_at_the_limit() -> None:
    """The limit itself is kept; a hair beyond is not."""
    house = load_house()

    assert house.limit("track_mm").allows(0.15)
    assert not house.limit("track_mm").allows(0.1499)
    assert house.limit("aspect_ratio").allows(8.0)
    assert not house.limit("aspect_ratio").allows(8.001)


def test_unknown_limit_names_the_nearest() -> None:
    """Asking for a limit that does not exist is a usage error with a proposal."""
    with pytest.raises(UsageError, match="annular_ring_mm"):
        load_house().limit("anular_ring_mm")


@pytest.mark.parametrize(
    ("old", "new", "needle", "key", "words"),
    [
        ("setup = 8.00", "setup = -8.00", "setup = -8.00", "rates.setup", "negative"),
        ("setup = 8.00", "", "[rates]", "rates.setup", "missing"),
        ('currency = "cu"', 'currency = "EURO"', "EURO", "rates.currency", "not known"),
        ("per_dm2 = 0.55", 'per_dm2 = "0.55"', '"0.55"', "rates.area.rate[1].per_dm2", "number"),
        (
            "from_quantity = 11\n",
            "from_quantity = 16\n",
            "from_quantity = 16",
            "rates.area.rate[2].from_quantity",
            "gap: an order of 15",
        ),
        (
            "from_quantity = 11\n",
            "from_quantity = 10\n",
            "from_quantity = 10",
            "rates.area.rate[2].from_quantity",
            "two prices",
        ),
        (
            "up_to_g = 1000",
            "up_to_g = 400",
            "up_to_g = 400",
            "rates.shipping.band[2].up_to_g",
            "not above",
        ),
        ("setup = 8.00", "setpu = 8.00", "setpu", "rates.setpu", "unknown key"),
        (
            "drill_step_mm = 0.05",
            "drill_step_mm = 0",
            "drill_step_mm = 0",
            "options.drill_step_mm",
            "too small",
        ),
        (
            "rohs = true\nflat",
            "rohs = 1\nflat",
            "rohs = 1",
            "options.finishes.enig.rohs",
            "true or false",
        ),
        ('"4" = 2.4\n', "", "[rates.layer_factor]", "rates.layer_factor", "no factor for 4"),
        (
            "\ntrack_mm = 0.15 ",
            "\ntrack_mil = 6 ",
            "track_mil",
            "limits.standard.track_mil",
            "millimetres",
        ),
        (
            'surcharge = "fine-class"',
            'surcharge = "fine-clas"',
            'fine-clas"',
            "limits.fine.surcharge",
            "no price",
        ),
        ("format = 1", "format = 9", "format = 9", "format", "version 9"),
        ("date = 2025-01-15", 'date = "2025-01-15"', 'date = "2025', "rates.date", "not a date"),
        (
            "below_mm = 0.20\n",
            "below_mm = 0.20\nabove_mm = 9\n",
            "[[rates.small_drill]]",
            "rates.small_drill[1]",
            "needs one of",
        ),
    ],
)
def test_mistakes_name_file_line_key_and_remedy(
    old: str, new: str, needle: str, key: str, words: str
) -> None:
    """A wrong price, unit, type, gap or key is pointed at where it stands."""
    assert old in TEXT
    text = TEXT.replace(old, new, 1)
    error = fails(text)

    assert error.file == "house.toml"
    assert error.key == key
    assert error.line == line_of(text, needle)
    assert words in error.message
    assert error.hint


def test_typing_slip_proposes_the_key() -> None:
    """The nearest valid key is named."""
    error = fails(TEXT.replace("hole_to_edge_mm", "hole_to_egde_mm", 1))

    assert error.nearest == "hole_to_edge_mm"


def test_contradictory_prices_are_refused() -> None:
    """Two prices for one limit contradict each other."""
    text = TEXT + "\n[[rates.fine_track]]\nbelow_mm = 0.125\nprice = 13.00\n"
    error = fails(text)

    assert "contradicts" in error.message
    assert error.line == line_of(text, "price = 13.00")


def test_fine_class_must_not_be_coarser() -> None:
    """A fine limit above the standard one is a mix-up."""
    text = TEXT.replace("\ntrack_mm = 0.1\n", "\ntrack_mm = 0.25\n", 1)
    error = fails(text)

    assert error.key == "limits.fine.track_mm"
    assert "coarser" in error.message


def test_not_toml_names_the_line() -> None:
    """A syntax error is told with its line."""
    error = fails('format = 1\nname = "x\n')

    assert error.line == 2


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00", b""])
def test_unreadable_files(tmp_path: Path, content: bytes | None) -> None:
    """Missing, binary and empty files give a clear error."""
    path = tmp_path / "house.toml"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(UnreadableInput):
        load_house(path)


def test_template_loads_under_its_name() -> None:
    """What `house new` writes can be used at once."""
    assert load_text(house_template('My "own" house')).name == 'My "own" house'


def test_colours_have_their_own_mask_web() -> None:
    """Green keeps the finest web, other colours their own limit (common practice)."""
    house = load_house(SHEETS / "house.toml")

    assert house.mask_web("green").value == pytest.approx(0.10)
    assert house.mask_web("black").value == pytest.approx(0.13)
    assert house.mask_web("purple").value == pytest.approx(0.15)


def test_copper_weight_picks_the_limit() -> None:
    """Heavier copper needs wider tracks."""
    house = load_house()

    assert [house.copper_limit("track", oz).value for oz in (0.5, 1, 2, 3)] == [
        pytest.approx(v) for v in (0.15, 0.15, 0.20, 0.25)
    ]


def test_quantities_of_the_house() -> None:
    """Minimum and step: 5, 10, 15 ..."""
    house = load_house()

    assert [house.next_quantity(n) for n in (1, 5, 6, 11)] == [5, 5, 10, 15]
    assert not house.allowed(7)
    assert house.rates is not None
    assert house.rates.setup == Decimal("8.00")
