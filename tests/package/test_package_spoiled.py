"""A file that its name calls a layer, and that holds something else, is named."""

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
    "null bytes": bytes(4000),
    "a picture": b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "a PDF document": b"%PDF-1.7\n1 0 obj\n",
    "without Gerber or drill commands": b"See the file of this name in the other folder.\n",
}
ALSO = {"blank": "empty", "null bytes": "empty"}


@pytest.mark.parametrize("what", sorted(SPOILED))
def test_a_spoiled_drill_file_is_named(what: str) -> None:
    made = read_set(WHOLE | {"bare-npth.drl": SPOILED[what]})
    (found,) = [p for p in made.problems if p.id == "package/incomplete-file"]
    assert (ALSO.get(what, what) in found.message, found.places[0].file) == (
        True,
        "bare-npth.drl",
    )
    assert found.consequence is Consequence.STOP


def test_an_empty_legend_is_for_the_user_to_decide() -> None:
    made = read_set(WHOLE | {"legend-top.gbr": b""})
    (found,) = [p for p in made.problems if p.id == "package/incomplete-file"]
    assert found.consequence is Consequence.DECIDE


@pytest.mark.parametrize("data", [b"%PDF-1.7\n", b"%TF.Part,Single*%\n%TF.FileF"])
def test_a_layer_of_which_nothing_can_be_read_is_named(data: bytes) -> None:
    """Also one cut off within its first lines, and one whose name tells no layer."""
    for name, said in (("legend-top.gbr", "says legend"), ("board.gbr", "says layer")):
        made = read_set(WHOLE | {name: data})
        (found,) = [p for p in made.problems if p.id == "package/incomplete-file"]
        assert said in found.message
        assert found.consequence is Consequence.DECIDE


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("copper-top.pdf", b"%PDF-1.7\n"),
        ("copper-top.txt", b"Printed in three copies.\n"),
        ("fab-drawing.gbr", b"%PDF-1.7\n"),
        ("drill-plated.tap", bytes(range(256))),
    ],
)
def test_pictures_drawings_and_tapes_of_what_is_there_are_not(name: str, data: bytes) -> None:
    """A drawing makes no board, and a binary drill file lies beside the text that was read."""
    assert "package/incomplete-file" not in ids(read_set(WHOLE | {name: data}))


@pytest.mark.parametrize("name", ["notes.txt", "drill-report.txt", "board.txt"])
def test_an_empty_file_of_another_name_is_not(name: str) -> None:
    assert "package/incomplete-file" not in ids(read_set(WHOLE | {name: b""}))


def test_the_whole_set_has_no_spoiled_file() -> None:
    assert "package/incomplete-file" not in ids(read_set(WHOLE))


@pytest.mark.parametrize(
    ("name", "data", "rule"),
    [
        ("a-job.gbrjob", b'{"Header": {"GenerationSoftware"', "job/not-json"),
        ("a-job.gbrjob", b"", "job/not-json"),
        ("a.ipc", b"\0\1\2" * 50, "netlist/no-records"),
        ("a.d356", b"P  UNITS CUST 0\n999\n", "netlist/no-records"),
        ("Pick Place.csv", b"A,B,C\n1,2,3\n", "placement/no-table"),
        ("a-bom.csv", b"See the other folder.\n", "partslist/no-table"),
        ("St\xfcckliste.txt", b"", "partslist/no-table"),
        ("pos.csv", b"Ref,X,Y,Rot\n,,,\nend,,,\n", "placement/no-table"),
    ],
)
def test_what_lies_beside_the_layers_and_cannot_be_read_is_named(
    name: str, data: bytes, rule: str
) -> None:
    """It costs checks, so the user decides; the message says which."""
    made = read_set(WHOLE | {name: data})
    (found,) = [p for p in made.problems if p.id == rule]
    assert (found.places[0].file, found.consequence) == (name, Consequence.DECIDE)
    assert not found.assumed or "left out" in found.assumed


def test_what_only_bears_the_name_of_a_table_is_no_fault() -> None:
    made = read_set(WHOLE | {"bom.html": b"<html><b>BOM</b></html>", "parts.pdf": b"%PDF-1.7\n"})
    assert not [p for p in made.problems if p.id.startswith(("partslist/", "placement/"))]
