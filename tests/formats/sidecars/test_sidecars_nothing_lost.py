"""Nothing is lost without a word: each row of data is read, or told with its line.

Quoting rules: RFC 4180, section 2.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.findings import Finding, Severity
from fabkit.formats.sidecars.jobfile import read_job
from fabkit.formats.sidecars.netlist import read_netlist
from fabkit.formats.sidecars.tables import read_parts, read_placement

WORDS = st.sampled_from(
    [
        "",
        "10k",
        "1.5",
        "-2",
        "top",
        '"',
        '"10k',
        '10k"',
        '"a,b"',
        '0.1"',
        '""',
        "x y",
        "\x85",
        "1e9",
    ]
)


def told(problems: tuple[Finding, ...]) -> set[int | None]:
    """Lines that problems point at."""
    return {place.line for problem in problems for place in problem.places}


@given(st.lists(st.lists(WORDS, min_size=1, max_size=9), min_size=1, max_size=15))
def test_placement_rows_are_read_or_told(cells: list[list[str]]) -> None:
    """A designator of each line is among the parts, or its line among the problems."""
    lines = [",".join([f"REF{n}X", *row]) for n, row in enumerate(cells)]
    data = "\n".join(["Ref,X,Y,Rot,Side,Value", *lines]).encode()
    read = read_placement(data, name="a.csv")
    lost = [
        n
        for n in range(len(lines))
        if f"REF{n}X" not in str(read.parts) and n + 2 not in told(read.problems)
    ]
    assert not lost


@given(st.lists(st.lists(WORDS, min_size=1, max_size=6), min_size=1, max_size=15))
def test_parts_rows_are_read_or_told(cells: list[list[str]]) -> None:
    """The same for parts tables."""
    lines = [",".join([f"REF{n}X", *row]) for n, row in enumerate(cells)]
    data = "\n".join(["Reference,Value,Footprint,Quantity", *lines]).encode()
    read = read_parts(data, name="a.csv")
    lost = [
        n
        for n in range(len(lines))
        if f"REF{n}X" not in str(read.rows) and n + 2 not in told(read.problems)
    ]
    assert not lost


@given(
    st.lists(
        st.one_of(
            st.text("0123456789 NXYAPDR+-", max_size=60),
            st.from_regex(
                rb"[03][126]7NET[0-9]{0,3} {8,12}X\+[0-9]{6}Y\+[0-9]{6}", fullmatch=True
            ).map(bytes.decode),
            st.just("999"),
        ),
        max_size=15,
    )
)
def test_netlist_records_are_read_or_told(records: list[str]) -> None:
    """Each record that is no comment, parameter or silent record is a point or a problem."""
    data = "\n".join(["P  UNITS CUST 1", *records]).encode()
    read = read_netlist(data, name="a.ipc")
    known = {point.line for point in read.points} | told(read.problems)
    points = ("317", "327", "367", "307", "017", "027")
    end = next((n for n, record in enumerate(records) if record[:3] == "999"), len(records))
    for number, record in enumerate(records):
        if record.startswith(points) or (number > end and record.strip()):
            assert number + 2 in known, record


def test_an_open_quote_swallows_no_row() -> None:
    """The row of the open quote and all that follow are read, and its line is told."""
    data = b'Ref,Value,X,Y,Rot,Side\nR1,"10k,1,2,0,top\nR2,4k7,3,4,0,top\nR3,"1,5",5,6,0,top\n'
    read = read_placement(data, name="a.csv")

    assert [(p.ref, p.value, p.x_mm, p.line) for p in read.parts] == [
        ("R1", "10k", 1.0, 2),
        ("R2", "4k7", 3.0, 3),
        ("R3", "1,5", 5.0, 4),
    ]
    assert [(p.id, p.places[0].line) for p in read.problems if "cells" in p.id] == [
        ("placement/cells", 2)
    ]


def test_an_open_quote_that_a_later_one_closes_swallows_no_row() -> None:
    """Two slips in two rows look like one cell of two lines, but each line is a whole row."""
    data = b'Ref,Value,X,Y,Side\nR1,"10k,1,2,top\nR2,4k7",3,4,top\n'
    read = read_placement(data, name="a.csv")
    assert [p.ref for p in read.parts] == ["R1", "R2"]
    assert told(tuple(p for p in read.problems if p.id == "placement/cells")) == {2}


def test_cells_of_several_lines_are_one_cell() -> None:
    """RFC 4180, section 2, rule 6: a quoted cell may hold line ends and separators."""
    data = b'Reference,Value,Footprint,Quantity\n"R1,R2,\nR3",10k,0603,3\nC1,1u,0805,1\n'
    read = read_parts(data, name="a.csv")
    assert [row.refs for row in read.rows] == [("R1", "R2", "R3"), ("C1",)]
    assert [(p.severity, p.places[0].line) for p in read.problems] == [(Severity.NOTE, 3)]


def test_more_cells_than_headings_are_told() -> None:
    """An unquoted separator moves all cells behind it."""
    data = b"Ref,Value,X,Y,Side\nR1,10k,5%,1,2,top\nR2,4k7,3,4,top,\n"
    read = read_placement(data, name="a.csv")
    assert {(p.id, p.places[0].line) for p in read.problems} >= {
        ("placement/cells", 2),
        ("placement/bad-row", 2),
    }
    assert told(tuple(p for p in read.problems if p.id == "placement/cells")) == {2}


def test_a_thousand_designators_in_one_cell() -> None:
    """Lights come in hundreds; none of their designators is cut off."""
    refs = ", ".join(f"LED{n}" for n in range(1, 2001))
    data = f'Reference,Value,Quantity\n"{refs}",light,2000\n'.encode()
    read = read_parts(data, name="a.csv")
    assert len(read.rows[0].refs) == 2000
    assert not read.problems


def test_members_of_a_job_file_given_twice_are_told() -> None:
    """RFC 8259, section 4: names within an object should be unique."""
    data = b'{"Header":{},"GeneralSpecs":{"LayerNumber":2,"LayerNumber":4},"FilesAttributes":[3]}'
    read = read_job(data, name="a.gbrjob")
    assert read.layers == 4
    assert {"job/key-twice", "job/wrong-type"} <= {p.id for p in read.problems}
