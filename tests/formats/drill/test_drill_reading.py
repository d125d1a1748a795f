"""Headers, tools, comments, plating, routing order, damage: what is read and what is told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fabkit.base.findings import Severity
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.formats.drill.model import DrillFile, NumberFormat
from fabkit.formats.drill.reader import read

GOOD = "M48\nMETRIC,TZ,000.000\n{head}T1C0.3\nT2C1.0\n%\n{body}M30\n"


def make(body: str = "", head: str = "", name: str = "board-pth.drl") -> DrillFile:
    return read(GOOD.format(head=head, body=body).encode(), name=name)


def told(file: DrillFile) -> dict[str, Severity]:
    return {p.id.removeprefix("drill/"): p.severity for p in file.problems}


def raw(text: str, name: str = "a-pth.drl") -> DrillFile:
    return read(text.encode(), name=name)


def test_plain_file_has_no_problem() -> None:
    """A plain complete file gives no finding but that plating rests on the name."""
    file = make("T1\nX1000Y2000\nX3000\nT2\nX5000Y9000\n")
    assert told(file) == {"plating-from-name": Severity.NOTE}
    assert file.hits.x.tolist() == [1, 3, 5]
    assert file.hits.y.tolist() == [2, 2, 9]
    assert file.hits.tool.tolist() == [0, 0, 1]
    assert file.complete


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    """Unix, DOS and old line ends read alike, runs of points and single blocks."""
    points = "".join(f"X{i}000Y{i}500\n" for i in range(1, 30))
    text = GOOD.format(head="", body="T1\n" + points + "T2\nX1000Y1000\n").replace("\n", end)
    file = raw(text)
    assert len(file.hits) == 30
    assert file.hits.y[28] == 29.5
    data = text.encode()
    for at, x in zip(file.hits.offset.tolist(), file.hits.x.tolist(), strict=True):
        assert data[at:].startswith(f"X{x:.0f}000Y".encode())


def test_bom_numbers_blanks_and_lower_case() -> None:
    """A byte order mark, sequence numbers, blanks and lower case are read, and told."""
    text = "\ufeffM48\nMETRIC,TZ,000.000\nT1C0.3\n%\nN10T1\nN20 x1000 y2000\nN30M30\n"
    file = read(text.encode(), name="pth")
    assert file.hits.x.tolist() == [1.0]
    assert {"lower-case", "strange-bytes"} <= set(told(file))
    assert "unknown-command" not in told(file)


@pytest.mark.parametrize(
    ("line", "unit", "zeros", "digits"),
    [
        ("METRIC,TZ,0000.00", "mm", "trailing", (4, 2)),
        ("METRIC,000.00,LZ", "mm", "leading", (3, 2)),
        ("INCH,LZ,00.0000", "inch", "leading", (2, 4)),
        ("INCH,TZ", "inch", "trailing", (2, 4)),
        ("METRIC,LZ", "mm", "leading", (3, 3)),
        ("INCH,TZ,2.5", "inch", "trailing", (2, 5)),
        (";FILE_FORMAT=4:4\nMETRIC,TZ", "mm", "trailing", (4, 4)),
        (
            "; FORMAT={3:4/ absolute / metric / suppress trailing zeros}\nMETRIC",
            "mm",
            "leading",
            (3, 4),
        ),
        (";FORMAT: 2.5\nINCH,LZ", "inch", "leading", (2, 5)),
    ],
)
def test_stated_formats(line: str, unit: str, zeros: str, digits: tuple[int, int]) -> None:
    """Unit lines in any order, and comments where the command is silent, set the format."""
    file = raw(f"M48\n{line}\nT1C0.5\n%\nT1\nX0105Y02\nM30\n")
    fmt = file.format
    assert (fmt.unit, fmt.zeros, (fmt.integers, fmt.decimals)) == (unit, zeros, digits)


def test_point_comment_does_not_fight_trailing_zeros() -> None:
    """A comment of decimal points beside TZ is no conflict: points overrule both."""
    file = raw(
        "M48\n;FORMAT={-:-/ absolute / inch / decimal}\nINCH,TZ\nT1C0.02\n%\nT1\nX1.5Y2.25\nM30\n"
    )
    assert "comment-conflict" not in told(file)
    assert file.hits.x[0] == pytest.approx(38.1)


def test_comment_against_command() -> None:
    """On conflict the command wins and the comment is reported."""
    file = raw("M48\n;FILE_FORMAT=2:5\nMETRIC,TZ,000.000\nT1C0.5\n%\nT1\nX1000Y1\nM30\n")
    assert file.hits.x[0] == 1.0
    assert "comment-conflict" in told(file)


def test_format_can_be_given() -> None:
    """A format told by the caller overrules the file and is mentioned."""
    fmt = NumberFormat(unit="inch", zeros="trailing", integers=2, decimals=4)
    file = read(GOOD.format(head="", body="T1\nX10000Y0\n").encode(), name="pth", number_format=fmt)
    assert file.hits.x[0] == pytest.approx(25.4)
    assert "format-given" in told(file)
    assert not file.needs_format


def test_tool_without_point_follows_the_format() -> None:
    """A diameter without a point obeys digits and zeros (Excellon CNC-7: 00125 is 0.125 in)."""
    file = raw("M48\nINCH,LZ\nT01C00125Z-00001\nT02C0009\n%\nT01\nX01Y01\nT02\nX02Y02\nM30\n")
    sizes = [t.diameter_mm for t in file.tools]
    assert sizes == [pytest.approx(0.125 * 25.4), pytest.approx(0.09 * 25.4)]


@pytest.mark.parametrize(("select", "number"), [("T0102", 1), ("T0200", 2), ("T001", 1)])
def test_long_tool_numbers(select: str, number: int) -> None:
    """Four digits are tool and index unless defined as they stand; three are plain."""
    file = make(f"{select}\nX1000Y1000\n")
    assert file.tools[int(file.hits.tool[0])].number == number


def test_four_digit_tool_defined() -> None:
    """A four-digit number that the header defines is that tool."""
    file = make("T0102\nX1000Y1000\n", head="T0102C0.7\n")
    assert file.tools[int(file.hits.tool[0])].diameter_mm == 0.7


def test_tools_in_the_body() -> None:
    """Without a header a tool line defines and selects."""
    file = raw("%\nT1C.04F139S55\nX003611Y0014\nX003611Y0192\nT2C.043F139S55\nX002Y009\nM30\n")
    assert [t.diameter_mm for t in file.tools] == [pytest.approx(1.016), pytest.approx(1.0922)]
    assert file.hits.tool.tolist() == [0, 0, 1]
    assert file.needs_format
    assert {"no-header", "unit-missing"} <= set(told(file))


@pytest.mark.parametrize("text", ["%\nM30\n", "M48\n%\nM30\n", "M48\nT1C0.8\n%\nM30\n"])
def test_a_program_without_holes_needs_no_unit(text: str) -> None:
    """Nothing in it is measured, so that it is an empty file and no faulty one."""
    file = raw(text)
    assert "no-holes" in told(file)
    assert "unit-missing" not in told(file)


def test_tools_from_a_table_of_comments() -> None:
    """A tool table in comments with its own unit gives diameters and plating; M00 changes tools."""
    text = (
        ";   Holesize 1. = 8.000000 Tolerance = +0.0/-0.0 PLATED MILS Quantity = 2\n"
        ";   Holesize 2. = 40.000000 Tolerance = +0.0/-0.0 NON_PLATED MILS Quantity = 1\n"
        "%\nG90\nX0105Y0205\nX0305Y0405\nM00\nX0505Y0605\nM30\n"
    )
    file = raw(text, name="x")
    assert file.hits.tool.tolist() == [0, 0, 1]
    assert [t.diameter_mm for t in file.tools] == [pytest.approx(0.2032), pytest.approx(1.016)]
    assert [t.plated for t in file.tools] == [True, False]
    assert file.plated is None
    assert file.plating_evidence == "comments"


@pytest.mark.parametrize(
    ("text", "unit"), [("MM", 1.0), ("MILS", 0.0254), ("INCH", 25.4), ("", 1.0)]
)
def test_comment_table_against_tools(text: str, unit: float) -> None:
    """A table that agrees with the commands in its own unit is silent; else it is reported."""
    row = ";T01 Holesize 1. = {:.6f} Tolerance = +0/-0 PLATED {} Quantity = 4\n"
    agrees = make("T1\nX1000Y1000\n", head=row.format(0.3 / unit, text), name="x")
    differs = make("T1\nX1000Y1000\n", head=row.format(0.5 / unit, text), name="x")
    assert "comment-conflict" not in told(agrees)
    assert "comment-conflict" in told(differs)
    assert differs.tools[0].diameter_mm == 0.3


def test_a_size_lost_from_commands_is_asked_about() -> None:
    """A size in a comment alone is a note, but a warning where the other tools have commands."""
    row = ";T03 Holesize 3. = 2.200000 Tolerance = +0/-0 MM Quantity = 1\n"
    whole = make("T3\nX9000Y9000\n", head=row + "T3C2.2\n", name="x")
    lost = make("T3\nX9000Y9000\n", head=row + "T3\n", name="x")
    assert "tools-from-comment" not in told(whole)
    assert told(lost)["tools-from-comment"] is Severity.WARNING
    assert 2.2 in [t.diameter_mm for t in lost.tools]


def test_type_comments_tell_plating() -> None:
    """Comment groups before tool lines say which are plated (common practice)."""
    file = raw(
        "M48\nMETRIC,TZ,000.000\n;TYPE=PLATED\nT1C0.3\n;TYPE=NON_PLATED\nT2C2.2\n%\n"
        "T1\nX1000Y1000\nT2\nX9000Y9000\nM30\n",
        name="board.txt",
    )
    assert [t.plated for t in file.tools] == [True, False]
    assert file.plated is None


@pytest.mark.parametrize(
    ("name", "plated"),
    [
        ("board-NPTH.drl", False),
        ("board-PTH.drl", True),
        ("Drill (Unplated).drl", False),
        ("non-plated.txt", False),
        ("plated-drill.cnc", True),
        ("PTH and NPTH.drl", None),
        ("through.drl", None),
        ("npth/through.drl", None),
    ],
)
def test_plating_from_the_name(name: str, plated: bool | None) -> None:
    """The words of the file name are the last evidence; folders do not count."""
    file = make("T1\nX1000Y1000\n", name=name)
    assert file.plated is plated


def test_attributes_rank_above_the_name() -> None:
    """A file attribute beats the name; a tool attribute beats both and is reported."""
    head = "; #@! TF.FileFunction,NonPlated,1,2,NPTH\n; #@! TA.AperFunction,Plated,PTH,ViaDrill\n"
    file = make("T1\nX1000Y1000\n", head=head, name="pth.drl")
    assert file.tools[0].plated is True
    assert "plating-conflict" in told(file)
    alone = make("T1\nX1000Y1000\n", head="; #@! TF.FileFunction,NonPlated,4,1,NPTH\n")
    assert (alone.plated, alone.span) == (False, (1, 4))


def test_object_attributes_follow_the_holes() -> None:
    """TO holds for the holes after it until TD (Gerber Layer Format Specification, 5.4)."""
    body = (
        "T1\nX1000Y1000\n; #@! TO.N,GND\n; #@! TO.C,R\\u0031\nX2000Y1000\n"
        "; #@! TD.N\nX3000Y1000\n; #@! TD\nX4000Y1000\n"
    )
    file = make(body)
    sets = [dict(file.attribute_sets[i]) for i in file.hits.attributes.tolist()]
    assert sets == [{}, {".N": ("GND",), ".C": ("R1",)}, {".C": ("R1",)}, {}]


def test_tool_attributes_hold_until_td() -> None:
    """TA holds for tools defined after it until TD."""
    head = "; #@! TA.AperFunction,Plated,PTH,ViaDrill\n; #@! TA.DrillTolerance,0.1,0.05\nT8C0.4\n"
    file = make("T8\nX1000Y1000\nT1\nX2000Y1000\n", head=head + "; #@! TD\n")
    by_number = {t.number: t for t in file.tools}
    assert by_number[8].function == ("ViaDrill",)
    assert by_number[8].attributes[".DrillTolerance"] == ("0.1", "0.05")
    assert by_number[1].function == ()


@pytest.mark.parametrize(
    ("line", "rules"),
    [
        ("X1.5E1Y2.0", {"drill/bad-number"}),
        ("XNANY2.0", {"drill/bad-number"}),
        ("X1.5Y2.0Q7", {"drill/unknown-command"}),
        ("N4X1.5Y2.0F200", set()),
    ],
)
def test_what_is_no_part_of_a_coordinate_is_reported(line, rules):
    """An exponent or a word: the digits in front of it are another place."""
    found = read(f"M48\nMETRIC\nT1C0.3\n%\nT1\n{line}\nX3.0Y4.0\nM30\n".encode(), name="a.drl")
    said = {p.id for p in found.problems}
    assert said & {"drill/bad-number", "drill/unknown-command"} == rules


BROKEN = {
    "no-header": "METRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000Y1000\nM30\n",
    "header-not-closed": "M48\nMETRIC,TZ,000.000\nT1C0.3\nG05\nT1\nX1000Y1000\nM30\n",
    "unit-missing": "M48\nT1C0.03\n%\nT1\nX010000Y020000\nM30\n",
    "zeros-missing": "M48\nMETRIC\nT1C0.3\n%\nT1\nX1000Y20001\nM30\n",
    "digits-missing": "M48\nMETRIC,TZ\nT1C0.3\n%\nT1\nX1000Y20001\nM30\n",
    "too-many-digits": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000000Y1\nM30\n",
    "mixed-points": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000Y1.5\nM30\n",
    "bad-number": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1.2.3Y1\nM30\n",
    "unit-after-size": "M48\nT1C0.3\nMETRIC,TZ,000.000\n%\nT1\nX1000Y1\nM30\n",
    "unit-switched": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000Y1\nM72\nX1Y1\nM30\n",
    "unit-conflict": "M48\nMETRIC,TZ,000.000\nINCH\nT1C0.3\n%\nT1\nX1000Y1\nM30\n",
    "tool-undefined": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT7\nX1000Y1\nM30\n",
    "tool-without-diameter": "M48\nMETRIC,TZ,000.000\nT1\n%\nT1\nX1000Y1\nM30\n",
    "tool-defined-twice": "M48\nMETRIC,TZ,000.000\nT1C0.3\nT1C0.4\n%\nT1\nX1000Y1\nM30\n",
    "tool-unused": GOOD.format(head="", body="T1\nX1000Y1\n"),
    "hit-without-tool": GOOD.format(head="", body="X1000Y1\n"),
    "diameter-out-of-range": "M48\nMETRIC,TZ,000.000\nT1C9.3\n%\nT1\nX1000Y1\nM30\n",
    "diameter-other-unit": "M48\nMETRIC,TZ,000.000\nT1C0.04\n%\nT1\nX1000Y1\nM30\n",
    "diameter-repeated": GOOD.format(head="T3C0.3\n", body="T1\nX1Y1\nT3\nX9000Y1\n"),
    "unknown-command": GOOD.format(head="", body="T1\nX1Y1\nQ17\n"),
    "lower-case": GOOD.format(head="", body="t1\nX1Y1\n"),
    "strange-bytes": GOOD.format(head="", body="T1\nX1Y1\n\u00e9\u00e9\n"),
    "gerber-content": GOOD.format(head="", body="T1\nX1Y1\nX5Y5D03*\n"),
    "end-missing": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000Y1\n",
    "data-after-end": GOOD.format(head="", body="T1\nX1Y1\n") + "T2\nX5Y5\n",
    "no-holes": GOOD.format(head="", body=""),
    "bad-span": GOOD.format(head="; #@! TF.FileFunction,Plated,2,2,PTH\n", body="T1\nX1Y1\n"),
    "file-attribute-misplaced": GOOD.format(head="", body="T1\nX1Y1\n; #@! TF.Part,Single\n"),
    "unknown-attribute": GOOD.format(head="; #@! TF.FileFunction,Copper,L1\n", body="T1\nX1Y1\n"),
    "zero-length-slot": GOOD.format(head="", body="T2\nX0Y0G85X0Y0\n"),
    "rout-without-target": GOOD.format(head="", body="T2\nG00\nM15\nG01X5000Y0\nM16\n"),
    "plunge-order": GOOD.format(head="", body="T2\nG00X0Y0\nG01X5000Y0\nM16\n"),
    "arc-without-centre": GOOD.format(head="", body="T2\nG00X0Y0\nM15\nG02X5000Y0\nM16\n"),
    "arc-ends-differ": GOOD.format(head="", body="T2\nG00X0Y0\nM15\nG02X5000Y0I2000J0\nM16\n"),
    "compensation-while-cutting": GOOD.format(
        head="", body="T2\nG00X0Y0\nM15\nG41\nG01X5000Y0\nM16\n"
    ),
    "compensation-used": GOOD.format(head="", body="T2\nG00X0Y0\nG41\nM15\nG01X5000Y0\nM16\n"),
    "machine-setting": GOOD.format(head="ATC,ON\n", body="T1\nX1Y1\n"),
    "repeats": GOOD.format(head="", body="T1\nX1Y1\nR3X5000\n"),
    "repeat-order": GOOD.format(head="", body="M25\nT1\nX1Y1\n"),
    "m02-as-end": "M48\nMETRIC,TZ,000.000\nT1C0.3\n%\nT1\nX1000Y1\nM02\n",
    "g81-depends": GOOD.format(head="", body="G81\nT1\nX1Y1\n"),
    "incremental": GOOD.format(head="", body="G91\nT1\nX1Y1\n"),
    "work-zero-moved": GOOD.format(head="", body="G93X5000Y0\nT1\nX1Y1\n"),
    "axis-version": GOOD.format(head="VER,3\n", body="T1\nX1Y1\n"),
    "block-delete": GOOD.format(head="", body="T1\nX1Y1\n/X9000Y1\n"),
}


@pytest.mark.parametrize("rule", sorted(BROKEN))
def test_each_fault_is_told(rule: str) -> None:
    """A file with one fault gets that finding, and the sound file does not."""
    assert rule in told(raw(BROKEN[rule]))
    sound = make("T1\nX1000Y2000\nT2\nX5000Y9000\n")
    assert rule not in told(sound)


def test_via_tool_with_pins() -> None:
    """A via tool whose hole carries a pin attribute is told (Gerber format, 5.6.10)."""
    head = "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT5C0.4\n"
    body = "T5\nX1000Y1000\n; #@! TO.P,J1,2\nX5000Y1000\n"
    assert "tool-mixed-use" in told(make(body, head=head))
    assert "tool-mixed-use" not in told(make(body.replace("TO.P,J1,2", "TO.N,A"), head=head))


@pytest.mark.parametrize(
    "body",
    [
        "%" * 5000 + "X1Y1\n",
        "X" * 100_000 + "\n",
        "X" + "9" * 5000 + "Y1\n",
        "X" + "9" * 400 + ".Y1\n",
        "X999999999999999.Y1\n" * 20,
        "R70000X99999999999.\n",
        "M00\n" * 2000 + "X1Y1\n",
    ],
    ids=lambda body: f"{body[:8]!r} x {len(body)}",
)
def test_absurd_input_is_harmless(body: str) -> None:
    """Endless blocks, numbers and stops are read without harm."""
    file = make("T1\n" + body)
    assert file.complete


def test_header_without_end_keeps_its_tool() -> None:
    """When motion ends the header, the last bare tool line in it was the choice."""
    file = raw(BROKEN["header-not-closed"])
    assert file.tools[int(file.hits.tool[0])].diameter_mm == 0.3
    assert "hit-without-tool" not in told(file)


def test_g05_in_the_header_is_harmless() -> None:
    """Modes set before the header ends do not end it."""
    file = make("T1\nX1000Y1000\n", head="G90\nG05\n")
    assert told(file).keys() <= {"plating-from-name", "tool-unused"}


def test_every_finding_has_a_line() -> None:
    """Places of findings carry line and column, counted from 1."""
    file = raw(BROKEN["unknown-command"])
    place = next(p for p in file.problems if p.id == "drill/unknown-command").places[0]
    assert (place.line, place.column, place.excerpt) == (8, 1, "Q17")


def test_routed_path() -> None:
    """A rout in the trade's usual form is one path of its segments, with modal G01."""
    file = make(
        "T2\nG00X0Y0\nM15\nG01X5000Y0\nY5000\nX0\nM17\nG00X9000Y9000\nM15\nX9500\nM16\nG05\n"
    )
    assert file.slots.path.tolist() == [0, 0, 0, 1]
    assert file.slots.x1.tolist() == [5, 5, 0, 9.5]
    assert file.slots.routed.all()
    assert len(file.hits) == 0
    assert told(file).keys() == {"plating-from-name", "tool-unused"}


def test_slot_keeps_missing_axes() -> None:
    """A slot block may leave out coordinates that do not change."""
    s = make("T2\nX1000Y2000\nX3000G85X7000\n").slots
    assert (s.x0[0], s.y0[0], s.x1[0], s.y1[0]) == (3, 2, 7, 2)


def test_m71_as_header_says_is_silent() -> None:
    """M71 in the body of a metric file repeats the header: no finding."""
    file = make("G90\nM71\nT1\nX1000Y1000\n")
    assert told(file).keys() <= {"plating-from-name", "tool-unused"}


def test_repeats_are_counted_before_they_are_made() -> None:
    """A repeat beyond the limit ends the reading with a finding; what was read stays."""
    limits = dataclasses.replace(DEFAULT_LIMITS, objects=1000)
    body = "T1\nX1000Y1000\nR9999X1000\nX5000Y5000\n"
    file = read(GOOD.format(head="", body=body).encode(), name="pth", limits=limits)
    assert (len(file.hits), file.complete) == (1, False)
    assert told(file)["too-many-objects"] is Severity.ERROR


@pytest.mark.parametrize("block", ["R999999999M02X1", "P999999999X1", "R999999999X1"])
def test_huge_repeats_cost_nothing(block: str) -> None:
    """A billion copies are refused at once."""
    body = f"T1\nM25\nX1000Y1000\nM01\n{block}\nM08\n"
    file = read(GOOD.format(head="", body=body).encode(), name="pth")
    assert not file.complete


def test_tools_beyond_their_limit() -> None:
    """More tools than the limit end the reading with a finding."""
    limits = dataclasses.replace(DEFAULT_LIMITS, apertures=5)
    head = "".join(f"T{i}C0.{i}\n" for i in range(3, 10))
    file = read(GOOD.format(head=head, body="").encode(), name="pth", limits=limits)
    assert (len(file.tools), file.complete) == (5, False)


def test_file_beyond_its_limit() -> None:
    """A file larger than the limit is not read, and that is told."""
    limits = dataclasses.replace(DEFAULT_LIMITS, file_bytes=10)
    file = read(GOOD.encode(), name="pth", limits=limits)
    assert (file.complete, len(file.hits), file.size_bytes) == (False, 0, len(GOOD))
    assert "file-too-large" in told(file)


def test_data_after_the_end_is_not_drilled() -> None:
    """Holes behind M30 are told, not made."""
    assert len(raw(BROKEN["data-after-end"]).hits) == 1


def test_long_numbers_in_a_run_are_told() -> None:
    """Numbers too long for the format are counted in fast runs as in single blocks."""
    body = "T1\nX1Y1\n" + "X1234567Y1\n" * 20
    file = make(body)
    finding = next(p for p in file.problems if p.id == "drill/too-many-digits")
    assert finding.count == 20


def test_modal_axes_in_a_run() -> None:
    """Missing axes keep their value inside fast runs, also at the start of one."""
    body = "T1\nX5000Y7000\n" + "".join(f"X{i}000\n" for i in range(1, 10)) + "Y1000\n" * 2
    file = make(body)
    assert file.hits.y.tolist() == [7.0] * 10 + [1.0] * 2
    assert file.hits.x[-1] == 9.0


def test_long_runs_are_seamless() -> None:
    """Runs longer than one portion keep order, modal axes and places."""
    count = 120_001
    body = "T1\nX0Y5000\n" + "".join(f"X{i % 90000}\n" for i in range(count))
    file = make(body)
    assert len(file.hits) == count + 1
    assert np.array_equal(file.hits.x[1:], np.arange(count) % 90000 / 1000)
    assert set(file.hits.y.tolist()) == {5.0}
    data = GOOD.format(head="", body=body).encode()
    at = int(file.hits.offset[-1])
    assert data[at:].startswith(f"X{(count - 1) % 90000}\n".encode())


def test_columns_are_equal_and_inside() -> None:
    """All columns have one length and point into their tables."""
    file = make("T1\nX1000Y1000\nT2\nX0Y0G85X5000Y0\n")
    for table in (file.hits, file.slots):
        names = table.DTYPES
        assert {len(getattr(table, n)) for n in names} == {len(table)}
    assert np.all(file.hits.tool < len(file.tools))
