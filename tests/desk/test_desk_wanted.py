"""The order file is changed in its text, by the rules and with the messages of the command."""

from __future__ import annotations

import tomllib

import pytest
from desks import begin
from hypothesis import given
from hypothesis import strategies as st

import fabkit
from fabkit.base.errors import FabkitError, SheetError, UsageError
from fabkit.desk.store import Store
from fabkit.desk.wanted import USES, changed, kind_of_sheet, parse_path, read_order
from fabkit.parts.book import parts_template
from fabkit.sheets.house import house_template
from fabkit.sheets.order import BOARD_USES
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.quotes import EXAMPLE_QUOTES
from fabkit.sheets.toml_text import parse_sheet

TEXT = order_template(name="wren", boards=[ProposedBoard(package="packages/a.zip")]).encode()


@pytest.fixture
def order(tmp_path):
    """An order with one package, and its file."""
    one = Store(tmp_path).begin()
    with one.new_package("a") as (part, _):
        part.write_bytes(b"PK")
    one.write_order(TEXT)
    return one


@pytest.mark.parametrize(
    ("path", "value", "line"),
    [
        ("want.keyboards", 3, "keyboards = 3"),
        ("want.quantities", [5, 10], "quantities = [5, 10]     # boards of each design to price"),
        ("options.thickness_mm", 1.2, "thickness_mm = 1.2               # default: as the job"),
        ("options.lead_free", False, "lead_free = false                 # refuse a finish"),
        ("board.0.is", "both", 'is = "both"'),
        ('board.0.roles."2.gbr"', "unused", '"2.gbr" = "unused"'),
        ('map."D*"', "nothing", '"D*" = "nothing"'),
        ("sheets.parts", "sheets/parts.toml", 'parts = "sheets/parts.toml"'),
    ],
)
def test_a_value_is_set_where_it_belongs(path, value, line):
    """In its table, in the place of the comment that shows its default; nothing else changes."""
    made = changed(TEXT, {path: value}).decode()
    data = tomllib.loads(made)
    for key in parse_path(path):
        data = data[key]

    assert data == value
    assert line in made
    kept = [row for row in TEXT.decode().splitlines() if row in made.splitlines()]
    assert len(kept) >= len(TEXT.decode().splitlines()) - 1


def test_set_again_and_taken_out():
    """The last word counts; taken out, the key is gone and the rest is as before."""
    made = changed(changed(TEXT, {"want.keyboards": 3}), {"want.keyboards": 7})
    silenced = changed(made, {"silence": [{"rule": "legend/off-board", "reason": "trimmed"}]})

    assert tomllib.loads(silenced.decode())["silence"][0]["reason"] == "trimmed"
    assert changed(made, {"want.keyboards": 1}) == TEXT
    assert "quantities" not in tomllib.loads(
        changed(changed(TEXT, {"want.quantities": [5]}), {"want.quantities": None}).decode()
    ).get("want", {})


@given(
    st.sampled_from(
        ["want.keyboards", "name", 'map."D*"', "board.0.name", "silence", "tax.source"]
    ),
    st.recursive(
        st.integers() | st.text() | st.booleans() | st.floats(allow_nan=False, width=32),
        lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(), inner, max_size=2),
        max_leaves=4,
    ),
)
def test_a_change_means_what_it_says_or_is_refused(path, value):
    """Whatever a page sends, the new text is TOML with this value, or there is no new text."""
    try:
        made = changed(TEXT, {path: value})
    except FabkitError:
        return
    data = tomllib.loads(made.decode())
    for key in parse_path(path):
        data = data[key]

    assert data == pytest.approx(value) if isinstance(value, float) else True
    assert {**data} == value if isinstance(value, dict) and not value else True


@pytest.mark.parametrize(
    "path", ["", ".", "want.", ".want", "0.want", 'map."D', "a..b", "board.9.is"]
)
def test_paths_that_lead_nowhere(path):
    """They are refused by name, and nothing breaks."""
    with pytest.raises(UsageError):
        changed(TEXT, {path: 1})


@pytest.mark.parametrize(
    "path",
    ["/etc/passwd", "../../../etc/passwd", "packages/../..", "demo", ".", "packages/link.zip"],
)
@pytest.mark.parametrize("key", ["board.0.package", "sheets.houses", "sheets.parts"])
def test_an_order_names_only_its_own_files(order, desk, path, key):
    """No text from a page makes the desk read elsewhere; a link inside counts as elsewhere."""
    (order.path / "packages" / "link.zip").symlink_to("/etc/passwd")
    value = [path] if key == "sheets.houses" else path

    with pytest.raises(SheetError, match=r"not in the folder|does not exist"):
        read_order(changed(TEXT, {key: value}), order.path)


@pytest.mark.parametrize(
    "change",
    [
        {"want.keyboards": -4},
        {"options.colour": 3},
        {"want.keybords": 1},
        {"options.thickness_mm": 1000},
        {"board.0.is": "round"},
    ],
    ids=str,
)
def test_page_and_command_refuse_alike(order, monkeypatch, change):
    """The message, its hint and its line are those of ``fabkit order`` in that folder."""
    made = changed(TEXT, change)
    order.write_order(made)
    monkeypatch.chdir(order.path)
    with pytest.raises(SheetError) as by_command:
        fabkit.load_order("order.toml")
    with pytest.raises(SheetError) as by_page:
        read_order(made, order.path)

    assert str(by_page.value) == str(by_command.value)
    assert by_page.value.line == by_command.value.line


def test_a_refused_change_changes_nothing(desk):
    """422 with message, hint and line; file, version and state stay."""
    order = begin(desk)["id"]
    address = f"/orders/{order}"
    desk.store.get(order).write_order(TEXT.replace(b"a.zip", b"small.zip"))
    before = desk.client.get(address).json()
    answer = desk.client.post(f"{address}/change", json={"set": {"want.keyboards": 0}})

    assert answer.status_code == 422
    assert answer.json() == {
        "message": "order.toml:21: want.keyboards: 0 is too small",
        "hint": "expected a whole number from 1 to 100000",
        "line": 21,
        "key": "want.keyboards",
    }
    assert desk.client.get(address).json()["toml"] == before["toml"]


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{", b'{"set": 1}', b"[" * 100_000, b"\xff", b'{"set": {"name": "\\ud800"}}'],
)
def test_what_is_no_change_is_said(desk, body):
    """Bodies that make no sense end with a message."""
    order = begin(desk)["id"]
    answer = desk.client.post(f"/orders/{order}/change", content=body)

    assert answer.status_code == 422
    assert answer.json()["message"]


def test_more_than_a_page_changes_is_refused_at_once():
    """A list takes time with the square of its length, and each change parses the whole text."""
    for values in (
        {"want.quantities": list(range(1, 20_000))},
        {f"map.R{n}": "nothing" for n in range(200)},
    ):
        with pytest.raises(UsageError, match="more than"):
            changed(TEXT, values)


def test_two_tabs_do_not_overwrite_each_other(desk):
    """Who changes what another tab has changed since is told, and must look again."""
    order = begin(desk)["id"]
    address = f"/orders/{order}"
    desk.store.get(order).write_order(TEXT.replace(b"a.zip", b"small.zip"))
    seen = {"if-match": str(desk.client.get(address).json()["version"])}

    first = desk.client.post(f"{address}/change", json={"set": {"name": "a"}}, headers=seen)
    second = desk.client.post(f"{address}/change", json={"set": {"name": "b"}}, headers=seen)
    text = desk.client.put(f"{address}/order.toml", content=TEXT, headers=seen)

    assert (first.status_code, second.status_code, text.status_code) == (200, 409, 409)
    assert 'name = "a"' in desk.client.get(f"{address}/order.toml").text


def test_an_edit_by_hand_is_noticed(desk):
    """The file in the folder counts: saved in an editor, it is what the page shows."""
    order = begin(desk)["id"]
    address = f"/orders/{order}"
    seen = desk.client.get(address).json()["version"]
    desk.store.get(order).write_order(TEXT.replace(b"a.zip", b"small.zip"))
    state = desk.client.get(address).json()
    late = {"if-match": str(seen)}

    assert state["name"] == "wren"
    assert state["version"] > seen
    answer = desk.client.post(f"{address}/change", json={"set": {"name": "x"}}, headers=late)
    assert answer.status_code == 409


@pytest.mark.parametrize(
    ("text", "kind"),
    [(house_template(), "house"), (parts_template(), "parts"), (TEXT.decode(), "order")],
)
def test_sheets_are_recognised_by_what_they_hold(text, kind):
    """By their keys, whatever they are called."""
    assert kind_of_sheet(parse_sheet(text, file="x.toml")) == kind


def test_a_sheet_is_judged_kept_and_ordered_by(desk):
    """A wrong one is refused with the message of the command; a right one is named by the order."""
    order = begin(desk)["id"]
    address = f"/orders/{order}"
    folder = desk.store.get(order)
    folder.write_order(TEXT.replace(b"a.zip", b"small.zip"))
    house = house_template("Ours")
    wrong = desk.client.put(f"{address}/sheets/house", content=house.replace("step = ", "step = -"))
    right = desk.client.put(f"{address}/files?name=any.toml", content=house)

    assert wrong.status_code == 422
    assert wrong.json()["message"].startswith("sheets/house.toml:")
    assert right.json()["choices"]["house"] == {
        "name": "Ours",
        "file": "sheets/house.toml",
        "invented": True,
    }
    assert desk.client.get(f"{address}/sheets/house").text == house
    assert (folder.path / "sheets/house.toml").read_text() == house
    assert read_order(folder.text(), folder.path).houses[0].as_posix() == "sheets/house.toml"


def test_prices_are_learned_from_a_table_of_quotes(desk):
    """The sheet is that of the command; a table of anything else is refused with its line."""
    order = begin(desk)["id"]
    address = f"/orders/{order}"
    desk.store.get(order).write_order(TEXT.replace(b"a.zip", b"small.zip"))
    example = desk.client.get("/quotes.csv").text
    wrong = desk.client.put(f"{address}/files?name=b.csv", content=b"Ref,Value\nR1,1k\n")
    desk.client.put(f"{address}/files?name=ours.csv", content=example.encode())

    assert wrong.status_code == 422
    assert wrong.json()["message"].startswith("b.csv:1:")
    assert example == EXAMPLE_QUOTES
    assert 'name = "Learned from ours"' in desk.client.get(f"{address}/sheets/house").text


def test_everything_a_board_can_be_is_offered():
    """Each use of the order file has words on the page."""
    assert tuple(USES) == BOARD_USES


def test_text_that_is_no_sheet_is_refused(desk):
    """A TOML file of something else ends with what to give instead."""
    order = begin(desk)["id"]
    answer = desk.client.put(f"/orders/{order}/files?name=x.toml", content=b"a = 1\n")

    assert answer.status_code == 422
    assert "neither a package nor a sheet" in answer.json()["message"]
