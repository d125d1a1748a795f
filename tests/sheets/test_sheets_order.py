"""Order files: what is read, and how a mistake is told."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from fabkit.base.errors import SheetError
from fabkit.sheets.house import house_from
from fabkit.sheets.order import Order, design_name, load_order, order_for, order_from
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.toml_text import parse_sheet

DEMO = Path(__file__).parents[2] / "fabkit" / "demo" / "order.toml"
PLAIN = order_template(name="Board", boards=[ProposedBoard(package="rev-b")], keyboards=2)


def load_text(text: str) -> Order:
    """An order from a text."""
    return order_from(parse_sheet(text, file="order.toml"), base=Path("/base"))


def test_template_is_a_valid_order() -> None:
    """What `order new` writes can be used at once, with its defaults."""
    order = load_text(PLAIN)

    assert order.boards[0].package == Path("/base/rev-b")
    assert order.reversible
    assert order.halves_wanted == 4
    assert order.choice == order_for("rev-b").choice


def test_every_commented_key_is_a_key() -> None:
    """What the template comments out is accepted when the comment sign is taken away."""
    lines = []
    for line in PLAIN.splitlines():
        bare = line.removeprefix("# ")
        is_key = line.startswith("# ") and (" = " in bare or bare.startswith("["))
        lines.append(bare if is_key and not bare.startswith("with ") else line)
    text = (
        "\n".join(lines)
        .replace("rate = 0.00 ", "rate = 1.00 ")
        .replace("keyboards = 1\n", "keyboards = 2\n")
    )
    text = text.replace("One design that", "# One design that")
    order = load_text(text)

    assert order.spares["switch"].least == 2
    assert order.exchange[0].from_currency == "USD"
    assert order.silenced[0].rule == "group/rule-id"
    assert order.charge_current_a == pytest.approx(0.1)


def test_header_of_the_panel_alone_asks_for_one() -> None:
    """``[panel]`` without keys is a panel by the usual measures; without it there is none."""
    assert load_text(PLAIN).panel is None
    panel = load_text(PLAIN + "[panel]\n").panel
    assert panel is not None
    assert (panel.copies, panel.gap_mm, panel.rails, panel.score) == (None, None, False, False)


def test_demonstration_order() -> None:
    """The bundled order resolves its paths against itself."""
    order = load_order(DEMO)

    assert order.invented
    assert order.halves_wanted == 9
    assert all(p.resolve().is_file() for p in order.houses)
    assert order.tax.vat_rate == Decimal("0.20")


PAIR = PLAIN.replace(
    'is = "reversible"', 'is = "left"\n\n[[board]]\npackage = "right"\nis = "right"'
)


WITH_PLATES = """
format = 1
name = "Wheatear"
[[board]]
package = "plates/top.zip"
is = "plate"
[[board]]
package = "left"
is = "left"
[[board]]
package = "right"
is = "right"
[[board]]
package = "plates/wheatear-bottom.v2"
is = "plate"
per_keyboard = 4
"""


def test_left_and_right_pair() -> None:
    """Two designs are one left and one right, one of each a keyboard."""
    order = load_text(PAIR)

    assert [b.use for b in order.boards] == ["left", "right"]
    assert not order.reversible


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (PLAIN.replace('is = "reversible"', 'is = "lefty"'), "board[1].is", "not known"),
        (PLAIN.replace('is = "reversible"', 'is = "left"'), "board[1].is", "other half"),
        (
            PAIR.replace('is = "right"', 'is = "left"'),
            "board[2].is",
            "one left and one right",
        ),
        (WITH_PLATES.replace('is = "right"', 'is = "plate"'), "board[2].is", "other half"),
        (WITH_PLATES.replace('is = "right"', 'is = "none"'), "board[2].is", "other half"),
        (PLAIN.replace("keyboards = 2", "keyboards = 0", 1), "want.keyboards", "too small"),
        (PLAIN.replace("# halves = 1", "halves = 3"), "board[1].per_keyboard", "6 halves"),
        (
            PLAIN.replace(
                "[options]", '[[want.builder]]\nname = "A"\nkeyboards = 5\n\n[options]', 1
            ),
            "want.keyboards",
            "the builders take 5",
        ),
        (PLAIN + '[[silence]]\nrule = "a/b"\nreason = " "\n', "silence[1].reason", "empty"),
        (PLAIN + "[tax]\nvat_rate = 0.2\n", "tax.date", "missing"),
        (PLAIN + "[panel]\nscore = true\ngap_mm = 2.0\n", "panel.gap_mm", "no gap between"),
        (PLAIN + "[panel]\ncopies = 61\n", "panel.copies", "too large"),
        (PLAIN + "[tax]\nvat_rate = 20\n", "tax.vat_rate", "too large"),
        (PLAIN.replace("[want]", "[wants]"), "wants", "unknown key"),
    ],
)
def test_mistakes_are_pointed_at(text: str, key: str, words: str) -> None:
    """File, line, key and what would be right."""
    with pytest.raises(SheetError) as caught:
        load_text(text)

    assert caught.value.key == key
    assert words in caught.value.message
    assert caught.value.line is not None
    assert caught.value.expected


def test_plates_go_with_the_boards_that_give_the_halves() -> None:
    """Any number of plates may stand beside a pair; they give no halves of their own."""
    order = load_text(WITH_PLATES)

    assert [one.use for one in order.leads] == ["left", "right"]
    assert order.boards[3].per_keyboard == 4


def test_designs_are_named_after_the_keyboard() -> None:
    """A zip called left.zip tells a board house nothing."""
    names = [one.name for one in load_text(WITH_PLATES).boards]

    assert names == ["Wheatear-top", "Wheatear-left", "Wheatear-right", "wheatear-bottom.v2"]


def test_a_design_is_not_called_none() -> None:
    """A lone board without keys is named after its file; "none" says nothing."""
    assert design_name("siskin", Path("bottom plate.zip"), "none") == "siskin-bottom plate"
    assert design_name("siskin", Path("top.zip"), "plate") == "siskin-plate"


def test_a_version_keeps_its_dots() -> None:
    """v2.2 is not v2."""
    assert order_for("boards/v2.2").name == "v2.2"
    assert order_for("boards/v2.2.zip").boards[0].name == "v2.2"


def test_what_files_must_tell_is_counted_later() -> None:
    """Without `is` the counts cannot be wrong before the files are read."""
    order = load_text(WITH_PLATES.replace('is = "right"', "").replace('is = "plate"', ""))

    assert [one.stated for one in order.boards] == [None, "left", None, None]


@pytest.mark.parametrize(
    ("line", "key", "words"),
    [
        ('package = "nope"', "board[1].package", "nope does not exist"),
        ('houses = ["nope.toml"]', "sheets.houses[1]", "nope.toml does not exist"),
        ('parts = "nope.toml"', "sheets.parts", "nope.toml does not exist"),
    ],
)
def test_files_that_are_not_there_are_named_with_their_key(
    tmp_path: Path, line: str, key: str, words: str
) -> None:
    """Line and key of the order file that names a package or a sheet that does not exist."""
    (tmp_path / "gerbers").mkdir()
    text = 'format = 1\nname = "x"\n[[board]]\npackage = "gerbers"\n[sheets]\n'
    text = text.replace('package = "gerbers"', line) if "package" in line else text + line + "\n"
    (tmp_path / "order.toml").write_text(text)
    with pytest.raises(SheetError, match=words) as caught:
        load_order(tmp_path / "order.toml")

    assert caught.value.key == key
    assert caught.value.line == (4 if "package" in line else 6)


def test_a_sheet_of_another_kind_is_named() -> None:
    """A parts book or a house sheet given as the order file, and the other way round."""
    shop = 'format = 1\nname = "x"\ncurrency = "cu"\n[[shop]]\nname = "s"\n'
    with pytest.raises(SheetError, match="this is the parts book, not the order file"):
        load_text(shop)
    with pytest.raises(SheetError, match="this is the order file, not the house sheet"):
        house_from(parse_sheet(PLAIN, file="house.toml"))
