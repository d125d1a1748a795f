"""Damaged sheets: an error of ours with its place, never anything else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fabkit.base.errors import FabkitError, SheetError
from fabkit.parts.book import EXAMPLE as PARTS
from fabkit.parts.book import book_from
from fabkit.sheets.house import EXAMPLE, house_from
from fabkit.sheets.order import order_from
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.toml_text import SheetText, key_lines, parse_sheet

ORDER = order_template(name="x", boards=[ProposedBoard(package="y")])
CASES: dict[str, tuple[str, Callable[[SheetText], object]]] = {
    "house": (EXAMPLE.read_text(encoding="utf-8"), house_from),
    "parts": (PARTS.read_text(encoding="utf-8"), book_from),
    "order": (ORDER.replace("\n# ", "\n"), lambda t: order_from(t, base=Path())),
}


def refusal(act: Callable[[], object]) -> FabkitError | None:
    """The error of ours an act ends in, or None; anything else fails the test."""
    try:
        act()
    except FabkitError as error:
        return error
    return None


@pytest.mark.parametrize("kind", CASES)
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_damage_gives_our_error_or_a_sheet(kind: str, data: st.DataObject) -> None:
    """Any piece cut out, doubled or overwritten: read, or refused with file and line."""
    text, build = CASES[kind]
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 60)))
    filler = data.draw(
        st.sampled_from(
            ["", "=", "[", "]]", "'", '"', "{", "-1", "nan", "inf", "1e400", "\n", "x."]
        )
        | st.text(max_size=6)
    )
    damaged = text[:start] + filler + text[end:]
    error = refusal(lambda: build(parse_sheet(damaged, file="sheet.toml")))

    if isinstance(error, SheetError):
        assert error.file == "sheet.toml"
        assert error.message
    elif error is not None:
        assert error.hint


@given(st.text(max_size=60))
@settings(max_examples=100, deadline=None)
def test_any_text_is_read_or_refused(text: str) -> None:
    """Text that is not ours is refused without a traceback."""
    error = refusal(lambda: parse_sheet(text, file="a.toml"))

    assert error is None or error.hint


@pytest.mark.parametrize(
    "text",
    [
        "a = '''\n''''",
        'a = """x\\""""',
        "a = [\n# c ]\n1, # d\n]\nb = 2",
        "a.b = { c = [], d = {} }",
        '"" = 1\n[""]\n"" = 2',
        "a = 1979-05-27T07:32:00Z\nb = 07:32:00",
        "a = [[1, 2], [3, [4]]]",
        "[[a]]\n[[a.b]]\n[[a.b]]\nc = 1\n[[a]]\n[[a.b]]\nc = 2",
    ],
)
def test_unusual_but_valid_toml_has_lines(text: str) -> None:
    """Corners of TOML 1.0: multi-line strings ending in quotes, empty keys, nested arrays."""
    assert key_lines(text)


def test_lines_in_nested_lists_of_tables() -> None:
    """The second item's first child is counted anew."""
    lines = key_lines("[[a]]\n[[a.b]]\n[[a.b]]\nc = 1\n[[a]]\n[[a.b]]\nc = 2")

    assert lines["a", 0, "b", 1, "c"] == 4
    assert lines["a", 1, "b", 0, "c"] == 7
