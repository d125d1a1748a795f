"""House sheets learned from their own quotes, against tariffs written as plain formulas."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from itertools import product
from pathlib import Path

import pytest

from fabkit.base.errors import SheetError, UnreadableInput
from fabkit.costs.fitting import roundest
from fabkit.costs.invoice import Job, board_elements, rates_of, weigh_parcel
from fabkit.costs.learning import LearnedHouse, choice_of, facts_of, learn_house
from fabkit.costs.model import BoardFacts
from fabkit.costs.quote import quote
from fabkit.sheets.house import EXAMPLE, House, house_from, load_house
from fabkit.sheets.order import order_for
from fabkit.sheets.quotes import EXAMPLE_QUOTES, Asked, PastQuote, load_quotes
from fabkit.sheets.toml_text import parse_sheet

D = Decimal
QUANTITIES = (5, 10, 20, 30, 50, 100)
SIZES = ((60, 40), (95, 72), (100, 80), (101, 90), (130, 90), (180, 120))


@dataclass(frozen=True)
class Tariff:
    """A house as a formula: boards and shipping, invented; what may be asked; quotes it takes."""

    boards: Callable[[Asked], float]
    shipping: Callable[[float], float] = lambda _grams: 12.0
    colours: tuple[str, ...] = ("green",)
    finishes: tuple[str, ...] = ("hasl-lead-free",)
    thicknesses: tuple[str, ...] = ("1.6",)
    layers: tuple[int, ...] = (2,)
    quotes: int = 20


def area(a: Asked) -> float:
    return a.quantity * float(a.long_mm * a.short_mm) / 10_000


def tiered(a: Asked) -> float:
    rate = 0.55 if a.quantity < 20 else 0.47 if a.quantity < 100 else 0.40
    return 8 + (3 if a.long_mm <= 100 else 9) + rate * area(a)


def surcharged(a: Asked) -> float:
    more = {"green": 0, "black": 2, "white": 3.5}[a.colour]
    more += {"hasl-lead-free": 0, "enig": 9, "osp": 1}[a.finish]
    return 6 + 0.6 * area(a) + more + (4 if a.thickness_mm < D("0.8") else 0)


def bands(grams: float) -> float:
    return 12.0 if grams <= 500 else 18.0 if grams <= 1000 else 27.0 if grams <= 2000 else 40.0


TARIFFS = {
    "flat": Tariff(lambda a: 8 + 0.55 * area(a), quotes=10),
    "tiered": Tariff(tiered, quotes=24),
    "surcharges": Tariff(
        surcharged,
        colours=("green", "black", "white"),
        finishes=("hasl-lead-free", "enig", "osp"),
        thicknesses=("1.6", "0.6"),
        quotes=30,
    ),
    "bands": Tariff(lambda a: 5 + 0.5 * area(a), shipping=bands, quotes=30),
    "by the kilogram": Tariff(
        lambda a: 5 + 0.5 * area(a), shipping=lambda g: 6 + 2.5 * math.ceil(g / 500), quotes=30
    ),
    "least price": Tariff(
        lambda a: max(15.0, 4 + 0.8 * area(a) + (2 if a.colour == "black" else 0)),
        colours=("green", "black"),
        quotes=24,
    ),
    "layers": Tariff(
        lambda a: 8 + (0.55 if a.quantity < 30 else 0.47) * area(a) * (2.4 if a.layers == 4 else 1),
        layers=(2, 4),
        quotes=30,
    ),
    "by quantity": Tariff(lambda a: 2 + (3 if a.quantity >= 10 else 0) + 0.3 * area(a), quotes=24),
}


def grams(a: Asked) -> float:
    """Weight of a parcel: laminate of 1.85 g/cm3 (handbook), 5 % and 150 g for packing."""
    return 150 + 1.05 * a.quantity * float(a.long_mm * a.short_mm * a.thickness_mm) * 1.85e-3


def draw(tariff: Tariff, dice: random.Random, sizes: tuple[tuple[int, int], ...] = ()) -> Asked:
    long, short = dice.choice(sizes) if sizes else sorted(dice.sample(range(40, 180), 2))[::-1]
    return Asked(
        long_mm=D(long),
        short_mm=D(short),
        quantity=dice.choice(QUANTITIES),
        layers=dice.choice(tariff.layers),
        colour=dice.choice(tariff.colours),
        finish=dice.choice(tariff.finishes),
        thickness_mm=D(dice.choice(tariff.thicknesses)),
    )


def cents(value: float) -> Decimal:
    return D(f"{value:.6f}").quantize(D("0.01"), rounding=ROUND_HALF_UP)


def quotes_of(tariff: Tariff, dice: random.Random, noise: float) -> list[PastQuote]:
    made = []
    for line in range(2, 2 + tariff.quotes):
        asked = draw(tariff, dice, SIZES)
        price = tariff.boards(asked) * (1 + dice.uniform(-noise, noise))
        parcel = grams(asked)
        made.append(
            PastQuote(
                line=line,
                asked=asked,
                boards=cents(price),
                shipping=cents(tariff.shipping(parcel) * (1 + dice.uniform(-noise, noise))),
                weight_g=D(round(parcel)),
                currency="cu",
            )
        )
    return made


def shipping_price(house: House, asked: Asked) -> float:
    """Shipping price of a request by a sheet."""
    rates = rates_of(house)
    order = replace(order_for("quoted board"), choice=choice_of(asked))
    parcel = weigh_parcel(
        [Job(facts=facts_of(asked), quantity=asked.quantity)], house, rates, order
    )
    return float(rates.currency.round(parcel.element.value))


@cache
def learned_from(name: str, noise: float = 0.0) -> LearnedHouse:
    """A tariff learned from its own quotes, once."""
    return learn_house(quotes_of(TARIFFS[name], random.Random(7), noise))


def boards_price(house: House, asked: Asked) -> float:
    job = Job(facts=facts_of(asked), quantity=asked.quantity)
    return float(sum(e.value for e in board_elements(job, house, choice_of(asked))))


def in_a_gap(learned: LearnedHouse, asked: Asked) -> bool:
    """Whether the sheet itself says that a step may lie on either side of this order."""
    known = learned.house.learned
    assert known is not None
    measures = {
        "area": float(asked.quantity),
        "base": float(asked.long_mm),
        "shipping": grams(asked),
    }
    beyond = known.up_to_g is not None and grams(asked) > float(known.up_to_g)
    return beyond or any(
        u.between is not None and float(u.between[0]) < measures[u.rule] < float(u.between[1])
        for u in known.unsure
    )


@pytest.mark.parametrize("noise", [0.0, 0.01])
@pytest.mark.parametrize("name", TARIFFS)
def test_a_tariff_is_recovered_from_its_own_quotes(name: str, noise: float) -> None:
    """Fifty unseen orders cost within 2 % of the formula; without noise rules are exact."""
    tariff, dice, learned = TARIFFS[name], random.Random(7), learned_from(name, noise)
    quotes_of(tariff, dice, noise)  # unseen orders are drawn after the quotes
    if not noise:
        assert learned.noise == 0
        assert all(q.fitted == q.paid for q in learned.quotes)
        assert not learned.problems
    unseen: list[Asked] = []
    while len(unseen) < 50:
        asked = draw(tariff, dice)
        if not in_a_gap(learned, asked):
            unseen.append(asked)
    for asked in unseen:
        right = tariff.boards(asked)
        assert boards_price(learned.house, asked) == pytest.approx(right, rel=0.02), asked
        parcel = shipping_price(learned.house, asked)
        assert parcel == pytest.approx(tariff.shipping(grams(asked)), rel=0.02), asked


def test_round_tariffs_are_met_exactly() -> None:
    """Rules of a tiered house come out as its own round figures, each with its lines."""
    learned = learned_from("tiered")
    rates = learned.house.rates
    assert rates is not None
    assert rates.setup == 11
    assert [(t.up_to_mm[0], t.price) for t in rates.tiers] == [(100, 0), (500, 6)]
    assert [(r.from_quantity, r.per_dm2) for r in rates.area.rates] == [
        (1, D("0.55")),
        (20, D("0.47")),
        (100, D("0.40")),
    ]
    larger = next(r for r in learned.rules if r.title == "larger than 100 mm")
    asked = {q.line: q.asked for q in learned.quotes}
    assert set(larger.lines) == {n for n, a in asked.items() if a.long_mm > 100}


def test_more_quotes_make_it_better() -> None:
    """The mean error of unseen orders falls with the number of noisy quotes."""
    tariff, dice = TARIFFS["flat"], random.Random(3)
    quotes = quotes_of(Tariff(tariff.boards, quotes=40), dice, 0.03)
    unseen = [draw(tariff, dice) for _ in range(50)]

    def error(count: int) -> float:
        house = learn_house(quotes[:count]).house
        return sum(abs(boards_price(house, a) / tariff.boards(a) - 1) for a in unseen) / 50

    assert error(40) < error(5)


def test_contradictory_quotes_are_reported_with_lines() -> None:
    """A price that no rule of the others gives is named by its line, and left out."""
    quotes = quotes_of(TARIFFS["tiered"], random.Random(7), 0.0)
    wrong = [*quotes[:5], with_boards(quotes[5], quotes[5].boards, 1.4), *quotes[6:]]
    learned = learn_house(wrong)
    assert any(p.startswith(f"line {quotes[5].line} contradicts") for p in learned.problems)
    right = learned_from("tiered").house
    for asked in (q.asked for q in quotes):
        assert boards_price(learned.house, asked) == pytest.approx(boards_price(right, asked))


def with_boards(quoted: PastQuote, boards: Decimal | None, times: float) -> PastQuote:
    assert boards is not None
    changed = cents(float(boards) * times)
    return PastQuote(line=quoted.line, asked=quoted.asked, boards=changed, currency="cu")


def test_one_request_with_two_prices(tmp_path: Path) -> None:
    """The newer one is used; without dates both lines are named."""
    table = "size_mm,quantity,boards,currency,date\n" + "".join(
        f"{row}\n"
        for row in (
            "95 x 72,5,10.00,cu,2024-01-10",
            "95 x 72,10,12.00,cu,2024-01-10",
            "95 x 72,20,16.00,cu,2024-01-10",
            "95 x 72,5,11.50,cu,2025-01-10",
            "95 x 72,10,13.00,cu,",
        )
    )
    path = tmp_path / "quotes.csv"
    path.write_text(table)
    problems = "\n".join(learn_house(load_quotes(path)).problems)
    assert "lines 2 and 5 ask for the same and cost 10.00 and 11.50; line 5 is used" in problems
    assert "lines 3 and 6 ask for the same" in problems


def test_too_few_quotes() -> None:
    """Two quotes are refused; as many rules as quotes are reported, with what to ask."""
    quotes = quotes_of(TARIFFS["tiered"], random.Random(7), 0.0)
    with pytest.raises(UnreadableInput, match="fewer than 3"):
        learn_house(quotes[:2])
    learned = learn_house(quotes[:3])
    assert any(p.startswith("too few quotes") for p in learned.problems)
    assert learned.questions


def test_a_lighter_parcel_that_costs_more() -> None:
    """Both lines are named."""
    quotes = quotes_of(TARIFFS["bands"], random.Random(7), 0.0)
    light = min(quotes, key=lambda q: q.weight_g or 0)
    heavy = max(quotes, key=lambda q: q.weight_g or 0)
    swapped = [
        PastQuote(
            line=q.line,
            asked=q.asked,
            boards=q.boards,
            weight_g=q.weight_g,
            shipping=D(60) if q is light else q.shipping,
            currency="cu",
        )
        for q in quotes
    ]
    said = "\n".join(learn_house(swapped).problems)
    assert f"line {light.line} pays more shipping than line {heavy.line}" in said


@cache
def learned_from_four() -> LearnedHouse:
    """The tiered house, learned from four prices of four rules: two sizes, 5 and 100 boards."""
    sizes, quantities = ((95, 72), (130, 90)), (5, 100)
    return learn_house(
        [
            PastQuote(
                line=n,
                asked=(a := Asked(long_mm=D(w), short_mm=D(h), quantity=q)),
                boards=cents(TARIFFS["tiered"].boards(a)),
                currency="cu",
            )
            for n, ((w, h), q) in enumerate(product(sizes, quantities), 2)
        ]
    )


def test_questions_settle_what_is_open() -> None:
    """Answered, the questions leave no question of the same kind."""
    first = learned_from_four()
    # The rate changes somewhere between 5 and 100 boards: one of the quantities between is asked.
    asked = " ".join(words.partition(" boards")[0] for words in first.questions).split()
    assert set(asked) & {"10", "20", "30", "50"}
    assert first.questions[0].startswith("ask for ")


def test_rules_without_a_test_are_uncertain() -> None:
    """Four prices of four rules leave nothing to test them: each may be off by far more."""
    few, many = learned_from_four(), learned_from("tiered")
    assert few.noise == many.noise == 0
    assert few.rules[0].off > 10 * many.rules[0].off


def test_only_what_was_quoted_is_offered() -> None:
    """Options that no quote names have no price, and the sheet does not offer them."""
    learned = learned_from("flat")
    assert list(learned.house.options.colours) == ["green"]
    assert learned.house.options.layers == (2,)
    assert any("colour: others have no price" in u for u in learned.untold)


def test_quote_gives_a_range_where_the_sheet_is_unsure(tmp_path: Path) -> None:
    """Noisy rules give a range around the total that holds the formula's; exact ones give none."""
    facts = BoardFacts(
        name="half", width_mm=D(95), height_mm=D(72), area_mm2=6840.0, layers=2, holes=0
    )
    ranges = {}
    for noise in (0.0, 0.01):
        learned = learned_from("flat", noise)
        path = tmp_path / f"house-{noise}.toml"
        path.write_text(learned.sheet, encoding="utf-8")
        costs = quote(facts, None, load_house(path), order_for("half", keyboards=5))
        assert costs.best is not None
        ranges[noise] = costs.best
        assert any("are learned from 10 quotes" in n for n in costs.notices)
    assert ranges[0.0].spread <= D("0.05")
    noisy = ranges[0.01]
    right = 8 + 0.55 * 0.684 * 10 + 12
    assert noisy.spread > D("0.05")
    assert abs(float(noisy.total) - right) <= float(noisy.spread)


def test_the_example_teaches_its_own_rules(tmp_path: Path) -> None:
    """The table that is printed loads, and every price in it comes out as quoted."""
    path = tmp_path / "quotes.csv"
    path.write_text(EXAMPLE_QUOTES, encoding="utf-8")
    assert "nvented" in EXAMPLE_QUOTES.splitlines()[0]
    learned = learn_house(load_quotes(path))
    assert learned.noise == 0
    assert learned.problems == ()
    assert any("tax is 20%" in u for u in learned.untold)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            "size_mm,quantity,boards\n95 x 72,ten,1.00\n",
            "quotes.csv:2: quantity: 'ten' is not",
        ),
        ("size_mm,quantity,boards\n95,5,1.00\n", "quotes.csv:2: size_mm: '95' is no size"),
        ("size_mm,quantity,boards\n\n95 x 72,5,\n", "quotes.csv:3: boards: neither boards nor"),
        ("size_mm,quantity,flavour\n95 x 72,5,1\n", "quotes.csv:1: (headings): 'flavour' is no"),
        ("size_mm,quantity\n95 x 72,5\n", "there is no column 'boards'"),
        (
            "size_mm;quantity;boards;date\n9x7;5;1,20;20.01.2025\n",
            "quotes.csv:2: date: '20.01",
        ),
        ("size_mm,quantity,boards\n95 x 72,5,1,20\n", "quotes.csv:2: (row): 4 cells below 3"),
    ],
)
def test_wrong_tables(tmp_path: Path, table: str, said: str) -> None:
    """File, line, column and what would be right."""
    path = tmp_path / "quotes.csv"
    path.write_text(table, encoding="utf-8")
    with pytest.raises((SheetError, UnreadableInput)) as caught:
        load_quotes(path)
    assert said in caught.value.message
    assert caught.value.hint


def test_two_currencies_are_refused(tmp_path: Path) -> None:
    """Both lines are named."""
    path = tmp_path / "quotes.csv"
    rows = ("95x72,5,9.00,EUR", "95x72,10,10.00,USD", "60x40,5,8.00,EUR")
    path.write_text("size_mm,quantity,boards,currency\n" + "\n".join(rows))
    with pytest.raises(UnreadableInput, match=r"quotes\.csv:3: USD, but line 2 is in EUR"):
        learn_house(load_quotes(path), file="quotes.csv")


@pytest.mark.parametrize(
    ("low", "high", "right"),
    [(430, 610, "500"), (95, 101, "100"), (0.532, 0.561, "0.55"), (12.2, 12.8, "12.5")],
)
def test_roundest(low: float, high: float, right: str) -> None:
    """The number of a span with the fewest digits that matter, worked out by hand."""
    assert roundest(low, high)[0] == D(right)


def test_headings_as_people_write_them(tmp_path: Path) -> None:
    """Units in brackets, blanks, a decimal comma; without a currency prices are in cu, said so."""
    path = tmp_path / "quotes.csv"
    rows = ("95x72 mm;5;1,6 mm;12,88;12", "95x72;10;1.6;14,76;12", "60 x 40;5;1,6;11,66;12")
    path.write_text(
        "Size;Quantity;Thickness;Boards price (EUR);Shipping\n" + "\n".join(rows), encoding="utf-8"
    )
    quotes = load_quotes(path)
    assert [q.boards for q in quotes] == [D("12.88"), D("14.76"), D("11.66")]
    assert {q.asked.thickness_mm for q in quotes} == {D("1.6")}
    learned = learn_house(quotes)
    assert learned.currency == "cu"
    assert any("no currency is stated" in u for u in learned.untold)


def test_a_least_price_holds() -> None:
    """Below it every order costs 20; a dearer set-up changes nothing there (by definition)."""
    text = EXAMPLE.read_text(encoding="utf-8").replace("setup = 8.00", "setup = 8.00\nminimum = 20")
    house = house_from(parse_sheet(text, file="h.toml"))
    small = Asked(long_mm=D(95), short_mm=D(72), quantity=5)
    assert boards_price(house, small) == 20
    large = replace(small, quantity=50)
    assert boards_price(house, large) == pytest.approx(8 + 3 + 34.2 * 0.47)
    facts = BoardFacts(
        name="half", width_mm=D(95), height_mm=D(72), area_mm2=6840.0, layers=2, holes=0
    )
    costs = quote(facts, None, house, order_for("half", keyboards=2))
    assert not any(e.title.endswith("set-up") for e in costs.effects)
    assert any("minimum" in e.title for e in costs.effects)
