"""Tolerance: what is wrong or deprecated is read as stated, and reported.

Every case names its section of the layer format specification 2021.02.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from gerber_layers import counts, expect, ids, layer, path, read_layer, xy

from fabkit.base.errors import UnreadableInput
from fabkit.base.findings import Severity
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.formats.gerber.reader import looks_like_gerber, read

C1 = "%ADD10C,1*%D10*"
HEAD = b"%FSLAX46Y46*%%MOMM*%G75*G01*"


@pytest.mark.parametrize(
    ("body", "rules", "kinds"),
    [
        pytest.param(C1 + "X0Y0D03*", set(), {"F": 1}, id="nothing wrong"),
        pytest.param("D10*X0Y0D03*", {"aperture-undefined", "operation-undefined"}, {}, id="2.6"),
        pytest.param(C1 + "D03*", {"point-undefined"}, {"F": 1}, id="2.6 point"),
        pytest.param(C1 + "XY5D03*", {"coordinate-empty"}, {"F": 1}, id="3.4.1"),
        pytest.param(C1 + "X1.5Y2D03*", {"coordinate-decimal"}, {"F": 1}, id="3.4.1 point"),
        pytest.param(
            C1 + "X0Y0D02*X5Y5D01*X9Y9*X8Y8*", {"modal-operation"}, {"D": 3}, id="8.3.2"
        ),
        pytest.param(C1 + "X0Y0D03*X5Y5*", {"bare-coordinates"}, {"F": 1}, id="8.3.2 after D03"),
        pytest.param(
            C1 + "X0Y0D02*X5Y5*X9Y5D01*", {"modal-operation"}, {"D": 1}, id="8.3.2 after D02"
        ),
        pytest.param("%ADD10C,2*%" + C1 + "X0Y0D03*", {"aperture-twice"}, {"F": 1}, id="4.3.1"),
        pytest.param("D05*" + C1 + "X0Y0D03*", {"aperture-code"}, {"F": 1}, id="4.6"),
        pytest.param("%ADD10NONE*%", {"macro-unknown"}, {}, id="4.5"),
        pytest.param("%AMA*1,1,1,0,0*%%AMA*1,1,2,0,0*%", {"macro-twice"}, {}, id="4.5 twice"),
        pytest.param(
            "%AMA*$1=2*1,1,$1,0,0*%%ADD10A,1*%", {"macro-variable"}, {}, id="4.5.4.3"
        ),
        pytest.param(
            "%AMA*1,1,$2,0,0*%%ADD10A,1*%",
            {"macro-variable-unset", "size-zero"}, {}, id="4.5.4.3 unset",
        ),
        pytest.param("%AMA*1,1,1/0,0,0*%%ADD10A*%", {"macro-expression"}, {}, id="4.5.4.2 zero"),
        pytest.param("%AMA*1,1,2X2,0,0*%%ADD10A*%", {"macro-multiply"}, {}, id="4.5.4.2 X"),
        pytest.param("%AMA*1,1,1,0*%%ADD10A*%", {"macro-primitive"}, {}, id="4.5.1 count"),
        pytest.param("%AMA*1,2,1,0,0*%%ADD10A*%", {"macro-primitive"}, {}, id="4.5.2 exposure"),
        pytest.param(
            "%AMA*4,1,3,0,0,1,0,1,1,0,1,0*%%ADD10A*%", {"macro-outline"}, {}, id="4.5.1.6 open"
        ),
        pytest.param("%AMA*9,1*%%ADD10A*%", {"macro-primitive"}, {}, id="4.5.1 unknown"),
        pytest.param("%ADD10R,1*%", {"parameter-count"}, {}, id="4.4.3"),
        pytest.param("%ADD10R,0X1*%", {"size-zero"}, {}, id="4.3.2"),
        pytest.param("%ADD10C,0*%", set(), {}, id="4.3.2 circle"),
        pytest.param("%ADD10P,1X2*%", {"vertices"}, {}, id="4.4.5"),
        pytest.param("%ADD10C,1X1*%", {"hole-outside"}, {}, id="4.4.6"),
        pytest.param("%ADD10C,1X0*%", {"hole-zero"}, {}, id="4.4.6 zero"),
        pytest.param("%ADD10C,1X0.5*%D10*X0Y0D02*X5Y0D01*", {"stroke-tool"}, {"D": 1}, id="2.4"),
        pytest.param(C1 + "X0Y0D02*G02*X5Y5D01*", {"arc-no-centre"}, {"D": 1}, id="4.8.2"),
        pytest.param(
            C1 + "X0Y0D02*G02*X4000000Y0I2000000D01*", {"arc-half-centre"}, {"A": 1}, id="4.8.1"
        ),
        pytest.param(
            C1 + "X0Y0D02*G02*X4000000Y0I-1000000J0D01*", {"arc-straight"}, {"D": 1}, id="4.7.2.2"
        ),
        pytest.param(
            C1 + "X0Y0D02*G03*X4000000Y0I2000000J1D01*X8000000Y0I2000100J0D01*",
            {"arc-deviation"}, {"A": 2}, id="4.7.2.2 deviation",
        ),
        pytest.param(
            C1 + "X0Y0D02*G03*X4000000Y0I2500000J0D01*", {"arc-broken"}, {"A": 1}, id="4.7.2.2 far"
        ),
        pytest.param(C1 + "X0Y0D02*X5Y5I3J3D01*", {"offset-unused"}, {"D": 1}, id="4.8.2 I in G01"),
        pytest.param(
            "G36*X0Y0D02*X5Y0D01*X5Y5D01*G37*", {"contour-open"}, {"R": 1}, id="4.10.3 open"
        ),
        pytest.param("G36*X0Y0D02*G37*", {"region-empty"}, {}, id="4.10.2"),
        pytest.param("G37*", {"region-unbalanced"}, {}, id="4.10"),
        pytest.param(
            C1 + "G36*X0Y0D02*X5Y0D01*X5Y5D01*X0Y0D01*X9Y9D03*G37*",
            {"region-command"}, {"R": 1, "F": 1}, id="4.10.1 flash",
        ),
        pytest.param(
            "G36*X0Y0D02*X5Y0D01*%LPC*%X5Y5D01*X0Y0D01*G37*",
            {"region-command"}, {"R": 1}, id="4.10.1 command",
        ),
        pytest.param("%LPX*%", {"load-wrong"}, {}, id="4.9.2"),
        pytest.param("%LS0*%", {"scale-wrong"}, {}, id="4.9.5"),
        pytest.param("%AB*%", {"block-unbalanced"}, {}, id="4.11"),
        pytest.param("%SR*%", {"repeat-unbalanced"}, {}, id="8.3.4"),
        pytest.param("%SRX1Y1I0J0*%" + C1 + "X0Y0D03*", set(), {"F": 1}, id="8.3.4 header"),
        pytest.param(
            C1 + "%SRX2Y1I5J0*%X0Y0D03*%SRX1Y1I0J0*%", {"repeat-unbalanced"}, {"F": 2},
            id="8.3.4 closed by X1Y1",
        ),
        pytest.param(
            C1 + "%SRX2Y1I5J0*%X0Y0D03*%SRX3Y1I5J0*%X0Y0D03*%SR*%", {"repeat-unbalanced"},
            {"F": 5}, id="8.3.4 opened again",
        ),
        pytest.param(
            C1 + "%SRX2Y1I5J0*%X0Y0D03*", {"repeat-unbalanced", "end-inside"}, {"F": 2},
            id="8.3.4 left open",
        ),
        pytest.param(C1 + "%SRX2Y1I-5J0*%X0Y0D03*%SR*%", {"repeat-wrong"}, {"F": 2}, id="4.12"),
        pytest.param("%XX1*%", {"unknown-command"}, {}, id="2.14"),
        pytest.param("G99*", {"unknown-command"}, {}, id="2.14 G"),
        pytest.param("%LPD*LMN*%", {"several-commands"}, {}, id="3.5"),
        pytest.param(C1 + "X 5 Y5 D03*", {"stray-space"}, {"F": 1}, id="3.1 spaces"),
        pytest.param(C1 + "x5y5d03*", {"code-spelling"}, {"F": 1}, id="8.3.3 lower case"),
        pytest.param(C1 + "X5Y5D3*G1*", {"code-spelling"}, {"F": 1}, id="8.3.3 short"),
        pytest.param(C1 + "Y5X5D03*", {"word-order"}, {"F": 1}, id="3.5 order"),
        pytest.param(C1 + "X0Y0D02*G01X5Y5D01*", {"combined-word"}, {"D": 1}, id="8.3.1"),
        pytest.param(C1 + "X0Y0D03**", {"stray-text"}, {"F": 1}, id="3.3 empty word"),
        pytest.param("G54D10*" + C1, {"deprecated-code", "aperture-undefined"}, {}, id="8.1.1 G54"),
        pytest.param(C1 + "G55X0Y0D03*", {"deprecated-code", "combined-word"} - {"combined-word"},
                     {"F": 1}, id="8.1.1 G55"),
        pytest.param("%INboard*%%LNpart*%", {"deprecated-name"}, {}, id="8.1.3"),
        pytest.param("%IPPOS*%%ASAXBY*%%IR0*%%MIA0B0*%%OFA0B0*%%SFA1B1*%", {"image-default"}, {},
                     id="8.1 defaults"),
        pytest.param("%IPNEG*%", {"image-negative"}, {}, id="8.1.4"),
        pytest.param("M01*" + C1 + "X0Y0D03*", {"old-end"}, {"F": 1}, id="8.1.1 M01"),
        pytest.param("G74*" + C1 + "X0Y0D02*G02*X1000000Y-1000000I0J1000000D01*",
                     {"arc-single-quadrant"}, {"A": 1}, id="8.1.10"),
        pytest.param(C1 + "X99999999999Y5D03*", {"number-width", "number-range"}, {"F": 1},
                     id="4.2.2 width"),
        pytest.param("%TA1bad,x*%", {"attribute-name"}, {}, id="3.4.5"),
        pytest.param("%TOa,\\q*%", {"attribute-escape"}, {}, id="3.4.3"),
        pytest.param("%TDnever*%", {"attribute-delete"}, {}, id="5.5"),
        pytest.param(C1 + "MOMM*X0Y0D03*", {"unbalanced-percent", "unit-conflict"}, {"F": 1},
                     id="3.3 lost %"),
    ],
)  # fmt: skip
def test_tolerance(body: str, rules: set[str], kinds: dict[str, int]) -> None:
    """What breaks a rule is reported under it, and what can be drawn is drawn."""
    file = read_layer(body)
    assert ids(file) == {f"gerber/{rule}" for rule in rules}
    assert counts(file) == kinds


@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("IPPOS", "polarity of the image: positive"),
        ("ASAXBY", "swap of the axes: none"),
        ("IR0", "rotation of the image: none"),
        ("MIA0B0", "mirroring of the image: none"),
        ("OFA0B0", "offset of the image: none"),
        ("SFA1B1", "scaling of the image: none"),
    ],
)
def test_deprecated_commands_say_what_they_are(command: str, said: str) -> None:
    """Section 8.1: a command without effect is named with its meaning, and what to do."""
    (problem,) = read_layer(f"%{command}*%").problems
    assert problem.message == f"{command} ({said}) changes nothing"
    assert problem.remedy.startswith("Nothing to do; ")


def test_unknown_image_polarity_is_told() -> None:
    """Section 8.1.4 knows POS and NEG alone: anything else cannot be a command without effect."""
    (problem,) = read_layer("%IPGREY*%").problems
    assert problem.id == "gerber/number-wrong"
    assert "IPGREY" in problem.message


@pytest.mark.parametrize(
    ("data", "rules"),
    [
        (b"D10*X0Y0D02*X5Y5D01*M02*", {"no-apertures"}),
        (b"hello world", {"not-a-layer"}),
        (b"", {"not-a-layer"}),
        (b"%FSLAX26Y26*%%ADD10C,1*%D10*X0Y0D03*M02*", {"unit-missing"}),
        (b"%MOMM*%%ADD10C,1*%D10*X0Y0D03*M02*", {"format-missing"}),
    ],
)
def test_what_is_refused(data: bytes, rules: set[str]) -> None:
    """Sections 8.5 and 4.2: nothing is drawn when nobody can know its size."""
    file = read(data, name="refused.gbr")
    assert ids(file) == {f"gerber/{rule}" for rule in rules}
    assert not file.complete
    assert not len(file.objects)
    with pytest.raises(UnreadableInput):
        file.raise_for(Severity.ERROR)


@pytest.mark.parametrize(
    ("data", "rules"),
    [
        (HEAD + b"%ADD10C,1*%D10*X0Y0D03*", {"no-end"}),
        (HEAD + b"%ADD10C,1*%D10*X0Y0D03*M02*X9Y9D03*", {"text-after-end"}),
        (HEAD + b"%ADD10C,1*%D10*X0Y0D03*M00*", {"old-end"}),
        (HEAD + b"%ADD10C,1*%D10*X0Y0D03*M02*\r\n\x1a", set()),
        (b"\xef\xbb\xbf" + HEAD + b"%ADD10C,1*%D10*X0Y0D03*M02*", {"byte-order-mark"}),
        (b"%FSLAX46Y46*%G71*G75*G01*%ADD10C,1*%D10*X0Y0D03*M02*", {"unit-by-g-code"}),
        (HEAD + b"%MOIN*%%ADD10C,1*%D10*X0Y0D03*M02*", {"unit-conflict"}),
        (HEAD + b"%FSLAX25Y25*%%ADD10C,1*%D10*X0Y0D03*M02*", {"format-repeated"}),
        (b"%FSLAX46Y45*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*M02*", {"axes-differ"}),
        (b"%FSLAX34Y34*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*M02*", {"low-resolution"}),
        (b"%FSDAX46Y46*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*M02*", {"format-wrong"}),
        (b"%FSLAX46Y46*%%MOIN*%%ADD10C,1*%D10*X0Y0D03*M02*", {"inch-unit"}),
        (HEAD + b"%ADD10C,1*\n%ADD11C,1*%\nD10*X0Y0D03*M02*", {"unbalanced-percent"}),
        (HEAD + b"%ADD10C,1*%D10*X0Y0D03*%LPC*", {"unbalanced-percent", "no-end"}),
        (HEAD + b"%ADD10C,1*%D10*G04 100%*X0Y0D03*M02*", {"unbalanced-percent"}),
        (HEAD + b"%ADD10C,1%D10*X0Y0D03*M02*", set()),
    ],
)
def test_whole_files(data: bytes, rules: set[str]) -> None:
    """Header, end and % signs: reported, and one flash is drawn all the same."""
    file = read(data, name="whole.gbr")
    assert ids(file) == {f"gerber/{rule}" for rule in rules}
    assert counts(file) == {"F": 1}
    assert file.complete


def test_trailing_zeros() -> None:
    """Section 8.2.1.1 (deprecated): numbers are padded at the right to the full width."""
    data = b"%FSTAX26Y26*%%MOMM*%G01*%ADD10C,1*%D10*X01Y-0025D03*M02*"
    file = read(data, name="t.gbr")
    assert (file.objects.x0[0], file.objects.y0[0]) == (1.0, -0.25)
    assert ids(file) == {"gerber/trailing-zeros"}


@pytest.mark.parametrize("how", ["format", "code"])
def test_incremental(how: str) -> None:
    """Sections 8.1.1 and 8.2.1.2 (deprecated): each point counts from the one before."""
    mode = "I" if how == "format" else "A"
    switch = "" if how == "format" else "G91*"
    data = (
        f"%FSL{mode}X26Y26*%%MOMM*%G01*%ADD10C,1*%D10*{switch}"
        "X1000000Y2000000D02*X1000000D01*Y-500000D01*G90*X0Y0D01*M02*"
    ).encode()
    o = read(data, name="i.gbr").objects
    assert list(zip(o.x1.tolist(), o.y1.tolist(), strict=True)) == [(2, 2), (2, 1.5), (0, 0)]


def test_image_commands() -> None:
    """Section 8.1 (deprecated): MI, SF and OF move coordinates; IR and AS turn the image."""
    flash = f"%ADD10R,4X2*%D10*{xy(10, 0)}D03*"
    expect(read_layer("%SFA2B1*%%OFA1B0*%" + flash), box=(19, -1, 23, 1))
    expect(read_layer("%MIA1B0*%" + flash), box=(-12, -1, -8, 1))
    expect(read_layer("%IR90*%" + flash), box=(-1, 8, 1, 12))
    expect(read_layer("%ASAYBX*%" + flash), box=(-1, 8, 1, 12))
    assert ids(read_layer("%IR90*%" + flash)) == {"gerber/image-changed"}


def test_line_ends_and_breaks_do_not_matter() -> None:
    """Section 3.1: CR and LF may stand anywhere, even inside a word."""
    body = C1 + path([(0, 0), (5, 0), (5, 5)])
    plain = read(layer(body), name="a").objects
    for end in ("", "\n", "\r", "\r\n", "\n\n"):
        text = layer(body).replace(b"\n", b"").replace(b"*", b"*" + end.encode())
        other = read(text, name="a")
        assert other.objects.x1.tolist() == plain.x1.tolist()
        assert not other.problems
    broken = read(layer(body).replace(b"Y5000000D01", b"Y5\n0000\r\n00D01"), name="a")
    assert broken.objects.y1.tolist() == plain.y1.tolist()


def test_unit_and_format_hold_from_the_start() -> None:
    """Section 4.2: sizes in front of MO are read in its unit, and that is said."""
    data = b"%FSLAX26Y26*%%ADD10C,1*%%MOIN*%G01*D10*X1000000Y0D03*M02*"
    file = read(data, name="late.gbr")
    assert file.bounds == pytest.approx((12.7, -12.7, 38.1, 12.7))
    assert "gerber/unit-after-sizes" in ids(file)


@pytest.mark.parametrize(
    "body",
    [
        C1 + "%SRX99999Y99999I1J1*%X0Y0D03*%SR*%",
        C1
        + "%ABD20*%D10*" + "X0Y0D03*" * 10 + "%AB*%"
        + "".join(f"%ABD{k + 1}*%D{k}*" + "X0Y0D03*" * 10 + "%AB*%" for k in range(20, 30))
        + "D30*X0Y0D03*",
        C1 + "X0Y0D03*" * 2000,
    ],
    ids=["repeat", "blocks", "plain"],
)  # fmt: skip
def test_objects_are_limited(body: str) -> None:
    """Repeats and blocks are counted before they are made; what is left out is said."""
    limits = replace(DEFAULT_LIMITS, objects=1000)
    file = read(layer(body), name="bomb.gbr", limits=limits)
    assert "gerber/limit" in ids(file)
    assert not file.complete
    assert len(file.objects) <= 2000


def test_limits_are_not_reached_by_exactly_as_many() -> None:
    """A file with exactly the allowed number of objects is complete."""
    limits = replace(DEFAULT_LIMITS, objects=6, block_depth=1, apertures=1, file_bytes=200)
    body = C1 + "%SRX2Y3I5J5*%X0Y0D03*%SR*%"
    file = read(layer(body), name="just.gbr", limits=limits)
    assert len(file.objects) == 6
    assert file.complete
    for tighter in (
        replace(limits, objects=5),
        replace(limits, apertures=0),
        replace(limits, file_bytes=20),
    ):
        assert not read(layer(body), name="over.gbr", limits=tighter).complete


def test_macro_nesting_is_limited() -> None:
    """Parentheses nested more deeply than the limit make the macro unusable, nothing else."""
    deep = "(" * 100 + "1" + ")" * 100
    file = read_layer(f"%AMA*1,1,{deep},0,0*%%ADD10A*%{C1.replace('10', '11')}X0Y0D03*")
    assert "gerber/macro-expression" in ids(file)
    assert counts(file) == {"F": 1}


def test_places_point_into_the_file() -> None:
    """A problem names line and column of its command."""
    file = read(b"%FSLAX46Y46*%\n%MOMM*%\nG01*\n  \nG99*\nM02*\n", name="p.gbr")
    place = next(p for p in file.problems if p.id == "gerber/unknown-command").places[0]
    assert (place.file, place.line) == ("p.gbr", 5)
    assert place.excerpt == "G99*"


def test_looks_like_gerber() -> None:
    """Layers score high, plotter data without apertures low, other things nothing."""
    assert looks_like_gerber(layer(C1 + "X0Y0D03*")) > 0.7
    assert 0 < looks_like_gerber(b"G01*X0Y0D02*X5Y5D01*M02*") < 0.5
    assert looks_like_gerber(b"M48\nMETRIC,TZ\nT1C0.3\n%\nT1\nX1Y1\nM30\n") == 0
    assert looks_like_gerber(b"PK\x03\x04" + bytes(100)) == 0
    assert looks_like_gerber(b"") == 0


def test_bare_coordinates_behind_a_move_move_the_pen() -> None:
    """The line behind them starts where they say: what the writer of repeated moves means."""
    body = C1 + xy(0, 0) + "D02*" + xy(5, 5) + "*" + xy(9, 5) + "D01*"
    objects = read_layer(body).objects

    assert (objects.x0[0], objects.x1[0]) == (5.0, 9.0)
