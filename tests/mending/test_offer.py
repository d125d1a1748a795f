"""What can be mended is offered with the command that does it."""

from __future__ import annotations

import pytest

from fabkit.base.errors import UsageError
from fabkit.desk.ordering import read_designs
from fabkit.mending.model import find_offer, mend_call
from fabkit.sheets.house import load_house
from fabkit.sheets.order import order_from
from fabkit.sheets.toml_text import read_sheet

CALL = "can be mended in the files: fabkit mend 'my board.zip' --out mended.zip"


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        (["net/short"], ""),
        (["hole/duplicate", "net/short"], f"1 of 2 causes (hole/duplicate) {CALL}"),
        (
            ["copper/acid-trap", "hole/duplicate"],
            f"2 of 2 causes (hole/duplicate, copper/acid-trap) {CALL} --with acid-traps",
        ),
    ],
)
def test_offer_names_the_command(rules: list[str], words: str) -> None:
    """Corrections on request stand in the command; none is offered for what none ends."""
    assert find_offer(rules, call=mend_call("my board.zip")) == words


def test_an_order_names_the_line_of_a_correction_that_there_is_not(tmp_path) -> None:
    """File and line come with the names of the corrections."""
    sheet = tmp_path / "order.toml"
    sheet.write_text(
        'format = 1\nname = "t"\nmend_with = ["polish"]\n[[board]]\npackage = "demo"\n'
    )
    order = order_from(read_sheet(sheet), base=tmp_path)
    assert order.mend
    with pytest.raises(UsageError, match=r"order\.toml:3: there is no correction \'polish\'"):
        read_designs(order, load_house(), tell=lambda _: None)
