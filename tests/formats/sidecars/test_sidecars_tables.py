"""Placement and parts tables: the same rows in many ways of writing them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.findings import Severity
from fabkit.formats.sidecars.tables import (
    looks_like_parts,
    looks_like_placement,
    read_parts,
    read_placement,
    split_refs,
)

COMMA = """Designator,Val,Package,Mid X,Mid Y,Rotation,Layer
D1,1N,SOD,10.5,-4.25,90,top
SW2,,push,0.5,3,270,bottom
"""
QUOTED = """"Ref","Value","Footprint","PosX","PosY","Rot","Side"
"D1","1N","SOD","10.5mm","-4.25mm","90.000","F"
"SW2","","push","0.5mm","3mm","270","B"
"""
SEMICOLON = """# Units: mm
*RefDes;Comment;Pattern;Center-X (mm);Center-Y (mm);Angle;TB
D1;1N;SOD;10,5;-4,25;90;T
SW2;;push;0,5;3,0;270;B
"""
TABS = """Part|X|Y|Rot|Side|Value|Package
D1|10.5|-4.25|90|Top Layer|1N|SOD
SW2|0.5|3|270|Bottom Layer||push
""".replace("|", "\t")
COLUMNS = """### positions ###
## Unit = mm, Angle = deg.
# Ref     Val   Package       PosX       PosY       Rot  Side
D1        1N    SOD        10.5000    -4.2500   90.0000  top
SW2       x     push        0.5000     3.0000  270.0000  bottom
## End
"""
MILS = """Name;X (mil);Y (mil);Rotation;Side
D1;1000;-500;0;top
"""


@pytest.mark.parametrize("text", [COMMA, QUOTED, SEMICOLON, TABS, COLUMNS])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_one_table_written_in_many_ways(text: str, ends: str) -> None:
    """Separators, spellings, units in cells or headings, decimal commas: the same two parts."""
    data = text.replace("\n", ends).encode()
    result = read_placement(data, name="pos.csv")
    first, second = result.parts

    assert looks_like_placement(data)
    assert (first.ref, first.value, first.footprint, first.side) == ("D1", "1N", "SOD", "top")
    assert (first.x_mm, first.y_mm, first.rotation_deg) == (10.5, -4.25, 90)
    assert (second.ref, second.footprint, second.side) == ("SW2", "push", "bottom")
    assert (second.x_mm, second.y_mm, second.rotation_deg) == (0.5, 3.0, 270)


def test_unit_is_converted_or_said_to_be_missing() -> None:
    """Mils become millimetres (25.4/1000, exact); a table without unit says so."""
    mils = read_placement(MILS.encode(), name="x")
    bare = read_placement(COMMA.encode(), name="x")

    assert (mils.parts[0].x_mm, mils.parts[0].y_mm) == pytest.approx((25.4, -12.7))
    assert mils.unit_stated
    assert not bare.unit_stated
    assert [problem.id for problem in bare.problems] == ["placement/unit-assumed"]


def test_utf16_and_byte_order_marks() -> None:
    """Spreadsheet exports in UTF-16 or with a mark are read."""
    for data in (COMMA.encode("utf-16"), COMMA.encode("utf-8-sig")):
        assert [p.ref for p in read_placement(data, name="x").parts] == ["D1", "SW2"]


def test_side_from_the_file_name() -> None:
    """Without a side column the file's name tells; 0 and 1 are guesses and reported."""
    data = b"Ref,X,Y,Rot\nD1,1,2,0\n"
    numbers = b"Ref,X,Y,Rot,Side\nD1,1mm,2mm,0,0\nD2,1mm,3mm,0,1\n"

    assert read_placement(data, name="board-bottom.csv").parts[0].side == "bottom"
    guessed = read_placement(numbers, name="x.csv")
    assert [p.side for p in guessed.parts] == ["top", "bottom"]
    assert "placement/side-assumed" in [p.id for p in guessed.problems]


def test_a_side_that_is_neither_top_nor_bottom_is_left_open() -> None:
    """Left is no face: the word and its parts are named, and none of the two is taken."""
    data = b"Ref,X,Y,Rot,Side\nD1,1,2,0,Left\nD2,1,2,0,Left\nD3,1,2,0,Top\n"
    read = read_placement(data, name="x.csv")
    assert [p.side for p in read.parts] == [None, None, "top"]
    (found,) = [p for p in read.problems if p.id == "placement/side-unknown"]
    assert "'Left' of D1, D2 " in found.message


@pytest.mark.parametrize(
    ("heading", "sides"),
    [
        ("Bauteil;Wert;Bauform;X-Koordinate (mm);Y-Koordinate (mm);Drehung;Seite", "Oben Unten"),
        ("Repère;Valeur;Boîtier;Position X (mm);Position Y (mm);Angle;Côté", "Dessus Dessous"),
        ("Referencia;Valor;Huella;Centro X (mm);Centro Y (mm);Rotación;Cara", "Superior Inferior"),
        ("Riferimento;Valore;Contenitore;X (mm);Y (mm);Rotazione;Lato", "Sopra Sotto"),
        ("Referência;Valor;Encapsulado;Posição X(mm);Posição Y(mm);Ângulo;Lado", "Frente Verso"),
        ("Aanduiding;Waarde;Behuizing;X (mm);Y (mm);Rotatie;Zijde", "Boven Onder"),
        ("Oznaczenie;Wartość;Obudowa;Współrzędna X (mm);Współrzędna Y (mm);Obrót;Strona", "G D"),
        ("Обозначение;Номинал;Корпус;X (мм);Y (мм);Угол;Сторона", "Верх Низ"),
        ("位号;值;封装;中心X（毫米）;中心Y（毫米）;旋转角度;层", "顶层 底层"),
        ("部品記号;値;パッケージ;X座標(mm);Y座標(mm);回転;面", "表面 裏面"),
    ],
)
def test_headings_and_sides_in_other_languages(heading: str, sides: str) -> None:
    """The trade writes its tables in ten languages; see ``base/languages.py``."""
    top, bottom = sides.replace("G D", "Górna Dolna").split()
    text = f"{heading}\nD1;1N;SOD;1,5;2,5;90;{top}\nSW2;P;push;3,5;4,5;0;{bottom}\n"
    read = read_placement(text.encode(), name="x.csv")
    assert [(p.ref, p.value, p.footprint, p.x_mm, p.y_mm, p.side) for p in read.parts] == [
        ("D1", "1N", "SOD", 1.5, 2.5, "top"),
        ("SW2", "P", "push", 3.5, 4.5, "bottom"),
    ]
    assert not read.problems


@pytest.mark.parametrize(
    "heading",
    [
        "Bauteil;Anzahl;Wert;Bestückt",
        "Repère;Quantité;Valeur;Monté",
        "Обозначение;Количество;Номинал;Установлен",
        "位号;数量;参数;fitted",
    ],
)
def test_parts_tables_in_other_languages(heading: str) -> None:
    read = read_parts(f"{heading}\nD1 D2;2;1N;nein\n".encode(), name="x.csv")
    assert [(r.refs, r.value, r.fitted) for r in read.rows] == [(("D1", "D2"), "1N", False)]


@pytest.mark.parametrize(
    ("rows", "rule"),
    [
        ("D1,1,2,0,top\nD1,3,4,0,top", "placement/double-designator"),
        ("D1,1,x,0,top", "placement/bad-row"),
        (",1,2,0,top", "placement/bad-row"),
        ("D1,1,2,up,top", "placement/bad-row"),
    ],
)
def test_bad_rows_are_found(rows: str, rule: str) -> None:
    """Doubled designators and unreadable rows are found, with their line."""
    result = read_placement(f"Ref,X,Y,Rot,Side\n{rows}\n".encode(), name="x")
    problem = next(p for p in result.problems if p.id == rule)

    assert problem.places[0].line in (2, 3)


def test_parts_not_fitted() -> None:
    """A DNP or Populate column decides whether a part is fitted."""
    data = b"Ref,X,Y,Rot,Side,DNP\nD1,1,2,0,top,\nD2,1,2,0,top,yes\n"

    assert [p.fitted for p in read_placement(data, name="x").parts] == [True, False]


def test_parts_table() -> None:
    """Designators of a cell are counted; a wrong quantity and a double are found."""
    data = (
        b'Comment,Designator,Footprint,Qty,MPN\n10k,"R1,R2",0402,2,AB-1\n'
        b'100n,"C1-C3",0402,2,\n10k,R1,0603,1,\n'
    )
    result = read_parts(data, name="x")

    assert looks_like_parts(data)
    assert [row.refs for row in result.rows] == [("R1", "R2"), ("C1", "C2", "C3"), ("R1",)]
    assert [row.quantity for row in result.rows] == [2, 3, 1]
    assert result.rows[0].part_number == "AB-1"
    assert sorted(p.id for p in result.problems) == [
        "partslist/double-designator",
        "partslist/quantity",
    ]


def test_a_panels_table_gives_every_part_as_often() -> None:
    """Three parts on two boards: one note; a part that is given once more alone is doubled."""
    head = b"Ref,X (mm),Y (mm),Rotation,Side\n"
    rows = [
        f"{ref},{x + 30 * k},2,0,top\n" for k in (0, 1) for x, ref in enumerate(("D1", "R1", "U1"))
    ]
    panel = read_placement(head + "".join(rows).encode(), name="x").problems
    other = read_placement(head + "".join(rows[:4]).encode(), name="x").problems
    twice = b'Comment,Designator,Qty\n10k,"R1,R1",2\n1n,"C1,C1",2\nMCU,"U1,U1",2\n'
    listed = read_parts(twice, name="x")

    assert [p.message for p in panel] == ["all 3 references are placed 2 times, as for a panel"]
    assert [p.message for p in other] == ["D1 is placed more than once"]
    assert [p.message for p in listed.problems] == [
        "all 3 references are listed 2 times, as for a panel"
    ]
    assert {p.severity for p in (*panel, *listed.problems)} == {Severity.NOTE}


def test_ranges_are_bounded() -> None:
    """A range is written out only when it is one."""
    assert split_refs("R1-R3") == ("R1", "R2", "R3")
    assert split_refs("R3-R1") == ("R3-R1",)
    assert split_refs("R1-R99999") == ("R1-R99999",)
    assert split_refs("J1-2") == ("J1", "J2")


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_garbage_never_raises(data: bytes) -> None:
    """Any bytes give a result; without a heading there are no rows."""
    assert len(read_placement(data, name="x").parts) <= len(data.splitlines())
    assert read_parts(data, name="x").name == "x"
    assert looks_like_placement(data) in (True, False)


def test_text_is_no_table() -> None:
    """Prose, drill files and layers are neither placement nor parts tables."""
    for data in (
        b"The name of the part, its value and the side are in the drawing.\n",
        b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1Y1\nM30\n",
        b"%FSLAX36Y36*%\nX1Y1D03*\nM02*\n",
    ):
        assert not looks_like_placement(data)
        assert not looks_like_parts(data)


def test_headings_of_two_words_that_are_not_needed() -> None:
    """Columns like "Pad X" stay one column, so that those behind them keep theirs."""
    text = (
        "Designator Footprint    Mid X    Mid Y    Pad X    Pad Y TB  Rotation Comment\n\n"
        "U1         SOIC        81.5mm   40.5mm   79.2mm   37.5mm  B     90.00 long words\n"
        "CON7       HEADER        61mm      5mm   69.9mm    2.5mm  T    180.00 8x3 pins\n"
    )
    read = read_placement(text.encode(), name="a.txt")

    assert [(p.ref, p.x_mm, p.side, p.rotation_deg, p.value) for p in read.parts] == [
        ("U1", 81.5, "bottom", 90.0, "long words"),
        ("CON7", 61.0, "top", 180.0, "8x3 pins"),
    ]
    assert not read.problems


def test_lettering_placed_twice_is_no_error() -> None:
    """A designator without value and footprint is no part: common practice of some exporters."""
    head = "Ref,X (mm),Y (mm),Rotation,Side,Value,Package\n"
    rows = "TXT1,1,1,0,top,,\nTXT1,2,2,0,top,,\nR1,3,3,0,top,1k,\nR1,4,4,0,top,1k,\n"
    read = read_placement((head + rows).encode(), name="a.csv")

    assert [(p.severity, p.message.split()[0]) for p in read.problems] == [
        (Severity.NOTE, "TXT1"),
        (Severity.ERROR, "R1"),
    ]


def test_files_without_a_table_say_so() -> None:
    """placement/no-table and partslist/no-table: heading words are common practice."""
    text = b"These are notes, not a table.\n"
    ids = {p.id for p in read_placement(text, name="a.csv").problems}
    assert ids == {"placement/no-table"}
    ids = {p.id for p in read_parts(text, name="a.csv").problems}
    assert ids == {"partslist/no-table"}
    assert not read_placement(COMMA.replace("Mid X", "Mid X (mm)").encode(), name="a.csv").problems
    table = b"Designator,Quantity,Value\nR1,1,10k\n"
    assert not read_parts(table, name="a.csv").problems
