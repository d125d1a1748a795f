"""IPC-D-356A netlists: records built column by column from the published layout."""

from __future__ import annotations

import pytest

from fabkit.base.units import INCH_MM
from fabkit.formats.sidecars.netlist import looks_like_netlist, read_netlist


def record(code: str, **columns: str) -> str:
    """A record with texts put at columns counted from 1: ``c21="SW1"``."""
    line = [" "] * 80
    line[:3] = code
    for key, text in columns.items():
        start = int(key[1:]) - 1
        line[start : start + len(text)] = text
    return "".join(line).rstrip()


def netlist(*records: str, units: str = "SI") -> bytes:
    """A whole file around some records."""
    head = ["C  invented", f"P  UNITS {units}"] if units else ["C  invented"]
    return "\r\n".join([*head, *records, "999"]).encode() + b"\r\n"


SWITCH = record(
    "317",
    c4="COL1",
    c21="SW1",
    c27="-1",
    c33="D1500PA00X+019050Y+038100X2500Y0000R000",
    c73="S0",
)
DIODE = record("327", c4="ROW2", c21="D12", c27="-K", c39="A02X+025400Y-012700X1200Y0900R090")
TOOLING = record("367", c33="D3200UA00X+003500Y+003500")


def test_fields_of_each_record() -> None:
    """Every column of the layout arrives in its field (IPC-D-356A record layout)."""
    result = read_netlist(netlist(SWITCH, DIODE, TOOLING), name="x")
    switch, diode, tooling = result.points

    assert result.problems == ()
    assert (switch.net, switch.ref, switch.pin, switch.kind) == ("COL1", "SW1", "1", "through")
    assert (switch.x_mm, switch.y_mm) == pytest.approx((19.05, 38.1))
    assert (switch.hole_mm, switch.plated, switch.access, switch.mask) == (1.5, True, 0, 0)
    assert switch.size_mm == pytest.approx((2.5, 2.5))
    assert (diode.net, diode.pin, diode.kind, diode.access) == ("ROW2", "K", "surface", 2)
    assert (diode.x_mm, diode.y_mm, diode.rotation_deg) == pytest.approx((25.4, -12.7, 90))
    assert diode.size_mm == pytest.approx((1.2, 0.9))
    assert (tooling.kind, tooling.plated, tooling.hole_mm) == ("tooling", False, 3.2)


@pytest.mark.parametrize(
    ("units", "step"),
    [("SI", 0.001), ("CUST 1", 0.001), ("CUST 0", INCH_MM / 1e4), ("CUST", INCH_MM / 1e4)],
)
def test_units(units: str, step: float) -> None:
    """Positions are 0.001 mm or 0.0001 inch, as the UNITS record says."""
    point = read_netlist(netlist(SWITCH, units=units), name="x").points[0]

    assert point.x_mm == pytest.approx(19050 * step)
    assert point.hole_mm == pytest.approx(1500 * step)


def test_blank_zeros_and_shifted_groups() -> None:
    """Leading zeros may be blank, and writers shift the groups by a column."""
    blank = record("327", c4="A", c39="A01X+   500Y-    20")
    shifted = record("317", c4="GND", c21="VIA", c33="MD0300PA00X+050000Y+030000X0600", c66="S3")

    points = read_netlist(netlist(blank, shifted), name="x").points

    assert (points[0].x_mm, points[0].y_mm) == pytest.approx((0.5, -0.02))
    assert (points[1].x_mm, points[1].hole_mm, points[1].mask) == pytest.approx((50, 0.3, 3))


def test_points_on_an_axis_are_kept() -> None:
    """Zero is a place: keys that stand on the origin's axes are on their nets, too."""
    records = (
        record("327", c4="A", c39=f"A01X{x}Y{y}") for x, y in (("+000000", "+000500"), (0, 0))
    )
    points = read_netlist(netlist(*records), name="x").points

    assert [(p.x_mm, p.y_mm) for p in points] == [(0.0, pytest.approx(0.5)), (0.0, 0.0)]


@pytest.mark.parametrize("alias", ["NNAME1", "1"])
def test_long_names(alias: str) -> None:
    """Both spellings of an alias are replaced by the long name."""
    head = record("P  ", c4="NNAME", c9="1", c15="A_VERY_LONG_NET_NAME")
    point = read_netlist(netlist(head, record("327", c4=alias, c39="A01X+1Y+1")), name="x")

    assert point.points[0].net == "A_VERY_LONG_NET_NAME"


def test_continuation_takes_the_net_of_its_parent() -> None:
    """017 and 027 go on with the record before."""
    parent = record("327", c4="NETA", c21="J1", c27="-1", c39="A01X+1000Y+1000")
    more = record("017", c33="D0500PA00X+001000Y+002000")

    second = read_netlist(netlist(parent, more), name="x").points[1]

    assert (second.net, second.ref, second.kind, second.hole_mm) == ("NETA", "J1", "through", 0.5)


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (netlist(SWITCH, units=""), "netlist/units"),
        (netlist(SWITCH, "P  UNITS CUST 0"), "netlist/units"),
        (netlist(SWITCH, units="FEET"), "netlist/units"),
        (netlist(record("555", c4="A")), "netlist/unknown-code"),
        (netlist(record("017", c33="D0500PA00X+001000Y+002000")), "netlist/orphan-continuation"),
        (netlist(record("327", c4="A B", c39="A01X+1Y+1")), "netlist/long-name"),
        (netlist(record("327", c4="A" * 14, c39="A01X+1Y+1")), "netlist/long-name"),
        (netlist(SWITCH.ljust(81, "x")), "netlist/line-length"),
        (netlist("327NETA"), "netlist/line-length"),
        (netlist(SWITCH)[:-5], "netlist/no-end"),
    ],
)
def test_each_rule_fires(data: bytes, rule: str) -> None:
    """One planted fault, one rule."""
    found = [problem.id for problem in read_netlist(data, name="x").problems]

    assert rule in found


def test_every_code_of_the_layout_is_tolerated() -> None:
    """Codes without points are skipped in silence."""
    tens = [f"{a}{b}" for a in "03" for b in ("70", "78", "79", "80", "89", "90")]
    codes = [*tens, "309", "099", "088"]
    result = read_netlist(netlist(SWITCH, *(record(c, c4="X") for c in codes)), name="x")

    assert len(result.points) == 1
    assert result.problems == ()


@pytest.mark.parametrize("data", [b"", b"\0\1\2", b"317", b"P", b"\xff" * 300, b"327" * 50])
def test_garbage_never_raises(data: bytes) -> None:
    """Garbage gives findings, no points and no exception."""
    result = read_netlist(data, name="x")

    assert result.points == ()
    assert result.problems


def test_sniffing() -> None:
    """Netlists are told by their records, drill files and layers are not netlists."""
    assert looks_like_netlist(netlist(SWITCH, DIODE))
    assert not looks_like_netlist(b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1Y1\nM30\n")
    assert not looks_like_netlist(b"%FSLAX36Y36*%\nX1Y1D03*\nM02*\n")
    assert not looks_like_netlist(b"")
