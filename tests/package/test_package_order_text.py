"""Plain words on how to order a board are read, and what only sounds like them is not."""

from __future__ import annotations

import pytest

from fabkit.package.order_text import read_order_notes


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        (
            '4 layers, 0.062", FR4, 2oz, 4.05" x 4.10"',
            {"layers": 4, "thickness": 1.575, "copper": 2},
        ),
        ("PCB thickness: 0.8mm", {"thickness": 0.8}),
        ("Leiterplatte: Dicke 1,6 mm", {"thickness": 1.6}),
        ("Board is 0.6 mm thick\nColor: matte black", {"thickness": 0.6, "colour": "black"}),
        ("Solder mask: red; HASL (lead free)", {"colour": "red", "finish": "lead-free hasl"}),
        ("Copper thickness 35um, qty: 10", {"copper": 1, "quantity": 10}),
        ("Stack-up: see the drawing", {"stack-up": "stack-up"}),
        ("Wire 1.5 mm thick\nThe case is 2 mm thick acrylic", {}),
        ("Gold thickness 0.05 um, mask web 0.1 mm, board 100 x 80 mm", {}),
        ("Please refer to the page of your house.", {}),
    ],
)
def test_what_a_text_asks_for(text: str, asked: dict[str, object]) -> None:
    notes = read_order_notes(text.encode(), name="order.txt")
    assert {note.what: note.value for note in notes} == asked


def test_a_list_of_changes_asks_for_nothing() -> None:
    assert not read_order_notes(b"board thickness 1.2 mm", name="CHANGELOG.txt")
