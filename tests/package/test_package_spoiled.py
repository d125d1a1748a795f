"""A file that its name calls a layer, and that is empty, a web page or in UTF-16, is named."""

from __future__ import annotations

import pytest
from tiny_files import FRAME, PADS, drill, gerber, ids, read_set

from fabkit.base.findings import Consequence

WHOLE = {
    "bare-npth.drl": drill(((2, 2), (18, 2)), size_mm=2.0),
    "drill-plated.drl": drill(),
    "copper-top.gbr": gerber(pads=PADS),
    "copper-bottom.gbr": gerber(pads=PADS),
    "outline.gbr": gerber(lines=[FRAME]),
}
SPOILED = {
    "empty": b"",
    "blank": b"\r\n  \n",
    "a web page": b"\n<!DOCTYPE html>\n<html><body>Sign in</body></html>",
    "UTF-16": WHOLE["bare-npth.drl"].decode().encode("utf-16"),
}


@pytest.mark.parametrize("what", sorted(SPOILED))
def test_a_spoiled_drill_file_is_named(what: str) -> None:
    made = read_set(WHOLE | {"bare-npth.drl": SPOILED[what]})
    (found,) = [p for p in made.problems if p.id == "package/incomplete-file"]
    assert (what.replace("blank", "empty") in found.message, found.places[0].file) == (
        True,
        "bare-npth.drl",
    )
    assert found.consequence is Consequence.STOP


def test_an_empty_legend_is_for_the_user_to_decide() -> None:
    made = read_set(WHOLE | {"legend-top.gbr": b""})
    (found,) = [p for p in made.problems if p.id == "package/incomplete-file"]
    assert found.consequence is Consequence.DECIDE


@pytest.mark.parametrize("name", ["notes.txt", "drill-report.txt", "board.txt"])
def test_an_empty_file_of_another_name_is_not(name: str) -> None:
    assert "package/incomplete-file" not in ids(read_set(WHOLE | {name: b""}))


def test_the_whole_set_has_no_spoiled_file() -> None:
    assert "package/incomplete-file" not in ids(read_set(WHOLE))
