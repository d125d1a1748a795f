"""Written job files and netlists come back as they were."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from fabkit.base.errors import UnreadableInput
from fabkit.demo import FOLDER
from fabkit.formats.sidecars.jobfile import read_job, write_job
from fabkit.formats.sidecars.model import JobFileEntry, Netlist, NetPoint
from fabkit.formats.sidecars.netlist import read_netlist, write_netlist


def test_job_file() -> None:
    """All fields and members come back; what is replaced is written."""
    job = read_job((FOLDER / "rev-b" / "wheatear-job.gbrjob").read_bytes(), name="a")
    again = read_job(write_job(job), name="a")
    assert again == job
    entry = JobFileEntry(path="x.gbr", function=("Profile", "NP"), polarity="Positive")
    other = replace(job, size_mm=(20.0, 10.25), layers=4, files=(entry,), stackup=())
    made = read_job(write_job(other), name="a")
    assert (made.size_mm, made.layers, made.files) == ((20.0, 10.25), 4, (entry,))


def test_older_job_file() -> None:
    """What stands under Overall is written under GeneralSpecs."""
    old = b'{"Overall": {"Size": {"X": 1, "Y": 2}, "Name": {"ProjectId": {"Name": "Wren"}}}}'
    made = read_job(write_job(read_job(old, name="a")), name="a")
    assert (made.project, made.size_mm) == ("Wren", (1.0, 2.0))
    assert set(made.raw) == {"Header", "GeneralSpecs", "FilesAttributes"}


def points(netlist: Netlist) -> list[NetPoint]:
    """Points without the lines they stood in."""
    return [replace(point, line=0) for point in netlist.points]


def test_netlist_of_the_demo() -> None:
    """The fixtures' writer, which knows nothing of fabkit, and this one say the same."""
    data = (FOLDER / "rev-b" / "wheatear-netlist.ipc").read_bytes()
    netlist = read_netlist(data, name="a")
    written = write_netlist(netlist)
    again = read_netlist(written, name="a")
    assert points(again) == points(netlist)
    assert again.problems == ()
    # Whether a side is stated twice only tells squares from discs, which is not kept.
    lines = [re.sub(r"(X(\d{4}))Y\2R000", r"\1         ", text.decode()).splitlines()
             for text in (written, data)]  # fmt: skip
    ours, theirs = ([line for line in some if line[0] == "3"] for some in lines)
    assert ours == theirs


# Columns by the fact sheet's record layout of IPC-D-356A, worked out by hand.
INCH = """P  UNITS CUST 0
317COL1             SW1   -1    D0591PA00X+007500Y-015000X0984     R000 S0
327A_NAME_OF_14__   D12   -K          A02X+010000Y-005000X0472Y0354R090 S0
999
"""


def test_inches_and_long_names() -> None:
    """Positions in steps of 0.0001 inch stay exact; a name of 20 letters gets an alias."""
    netlist = read_netlist(INCH.encode(), name="a")
    long = tuple(replace(p, net="N" * 20 if p.ref == "D12" else p.net) for p in netlist.points)
    written = write_netlist(replace(netlist, points=long))
    assert b"P  UNITS CUST 0\n" in written
    assert b"P  NNAME1     NNNNNNNNNNNNNNNNNNNN\n" in written
    again = read_netlist(written, name="a")
    assert [p.net for p in again.points] == ["COL1", "N" * 20]
    assert points(again) == [replace(p, line=0) for p in long]
    assert max(map(len, written.decode().splitlines())) <= 80


def test_positions_beyond_the_columns() -> None:
    """Six digits of a micrometre reach 999.999 mm."""
    point = read_netlist(INCH.encode(), name="a").points[0]
    with pytest.raises(UnreadableInput, match="does not fit"):
        write_netlist(Netlist(name="a", points=(replace(point, x_mm=3000.0),)))
