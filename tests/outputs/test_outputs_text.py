"""Text outputs: escaped for their format, the same every time, rendered from one record."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import unicodedata
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from fabkit.base.errors import OutputRefused
from fabkit.base.findings import Severity
from fabkit.base.streams import clean
from fabkit.base.tables import FORMULA_SIGNS, Column, Table, columns_of, to_html
from fabkit.outputs.formats import (
    markdown_text,
    plain,
    to_csv,
    to_json,
    to_markdown,
    to_xlsx,
)
from fabkit.outputs.terminal import Terminal, print_cause, print_finding
from fabkit.outputs.verdict import causes_of, print_check
from fabkit.outputs.whole_folder import MAKER, MANIFEST, file_record, look_at
from fabkit.outputs.zip_papers import fit_job
from fabkit.package.naming import file_stem

HOSTILE = st.text(max_size=30)
SIGNS = st.text("![](){}<>&|`*_~#-+.=:/\\1a \n\t\u202e\x1b", max_size=12)
"""Short texts made of what Markdown, HTML and terminals take for markup."""


def table_of(keys, rows):
    """A table with a column for each letter."""
    return Table(columns_of(*keys), tuple(map(tuple, rows)), title="")


@given(st.lists(st.lists(HOSTILE, min_size=2, max_size=2), max_size=6))
def test_csv_reads_back(rows):
    """Any text comes back from the CSV (RFC 4180), but for the mark before a formula sign."""
    text = to_csv(table_of("ab", rows))
    back = list(csv.reader(io.StringIO(text, newline="")))

    assert back[0] == ["a", "b"]
    for row, read in zip(rows, back[1:], strict=True):
        for cell, got in zip(row, read, strict=True):
            marked = any(sign in unicodedata.normalize("NFKC", cell) for sign in FORMULA_SIGNS)
            assert got == cell or (marked and got == "'" + cell)


@given(st.text(max_size=20), st.sampled_from(FORMULA_SIGNS))
def test_csv_never_starts_a_formula(text, sign):
    """No text cell starts with a sign that a spreadsheet takes for a formula."""
    (_, row) = list(csv.reader(io.StringIO(to_csv(table_of("a", [[sign + text]])), newline="")))

    assert not row[0].startswith(FORMULA_SIGNS)


def test_a_workbook_keeps_numbers_and_no_formulas():
    """A library that did not write it reads numbers, texts and notes; the same bytes each time."""
    from openpyxl import load_workbook

    table = Table(columns_of("part", "cost"), (("=1+1", Decimal("12.40")), ("Ω\x07", None)))
    made = to_xlsx({"Parts": table}, notes=["made up"])
    (sheet,) = load_workbook(io.BytesIO(made)).worksheets

    assert sheet.title == "Parts"
    assert [[cell.value for cell in row] for row in sheet.iter_rows()] == [
        ["part", "cost"],
        ["'=1+1", 12.4],
        ["Ω·", None],
        ["Note: made up", None],
    ]
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    assert made == to_xlsx({"Parts": table}, notes=["made up"])


def test_csv_leaves_numbers_alone():
    """A negative amount is a number, not a text to be marked."""
    assert to_csv(table_of("ab", [(Decimal("-1.20"), -3)])) == "a,b\r\n-1.20,-3\r\n"


@given(st.lists(st.lists(HOSTILE, min_size=2, max_size=2), max_size=6))
def test_markdown_keeps_its_shape(rows):
    """Whatever the cells hold, the table has its rows and no cell breaks out of its bars."""
    lines = to_markdown(table_of("ab", rows)).split("\n")

    assert len([line for line in lines if line]) == len(rows) + 2
    for line in lines[2:-1]:
        assert line.replace("\\\\", "").replace("\\|", "").count("|") == 3


@given(st.lists(st.lists(SIGNS, min_size=2, max_size=2), min_size=1, max_size=4))
def test_markdown_cells_are_text(rows):
    """An independent reader of Markdown finds one table of plain text (markdown-it, GFM tables)."""
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tokens = reader.parse(to_markdown(table_of("ab", rows)))

    assert sum(t.type == "td_open" for t in tokens) == 2 * len(rows)
    inner = [t for token in tokens for t in token.children or ()]
    assert {t.type for t in inner} <= {"text", "text_special"}
    shown = ["".join(t.content for t in x.children) for x in tokens if x.type == "inline"]
    assert shown[2:] == [clean(cell).strip() for row in rows for cell in row]


@given(SIGNS)
@pytest.mark.parametrize("lead", ["# ", "- ", "> ", "   - [ ] ", "1. "])
def test_markdown_lines_are_text(lead, text):
    """Text behind a heading's, item's or quote's mark is one paragraph of plain text."""
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tokens = reader.parse(
        f"before\n\n{lead}a{markdown_text(text)}\n\n{lead}{markdown_text(text)}\n"
    )

    inner = [t for token in tokens for t in token.children or ()]
    assert {t.type for t in inner} <= {"text", "text_special"}
    blocks = [t.type for t in tokens if t.type.endswith("_open")]
    again = [
        t.type
        for t in reader.parse(f"before\n\n{lead}a\n\n{lead}{'b' if clean(text).strip() else ''}\n")
        if t.type.endswith("_open")
    ]
    assert blocks == again


class Tags(HTMLParser):
    """Collects tags and text."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.tags, self.text = [], ""

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        assert attrs in ([], [("scope", "col")], [("scope", "row")])

    def handle_data(self, data):
        self.text += data


@given(st.text(max_size=20), st.text(max_size=20))
def test_html_of_a_table_is_text(title, cell):
    """The standard library's reader finds our tags alone, and every text as it was."""
    page = Tags()
    page.feed(to_html(replace(table_of("a", [[cell]]), title=title)))
    page.close()

    head = ["caption"] if title else []
    assert page.tags == ["table", *head, "thead", "tr", "th", "tbody", "tr", "th"]
    assert page.text.replace("\n", "") == f"{title}a{cell}".replace("\n", "")


@given(HOSTILE, SIGNS)
def test_terminal_tables_have_no_controls(text, signs):
    """Neither cells, headings nor titles bring an escape sequence to a terminal."""
    out = io.StringIO()
    table = Table((Column("a", heading=signs),), ((text,), (signs,)), title=text)
    Terminal(out).table(table)

    assert out.getvalue().replace("\n", "").isprintable()


@given(HOSTILE)
def test_terminal_text_has_no_controls(text):
    """Nothing unprintable reaches a terminal, and nothing printable is lost."""
    shown = clean(text)

    assert shown.isprintable()
    assert len(shown) == len(text)
    assert all(b == a for a, b in zip(text, shown, strict=True) if a.isprintable())


def finding(**changes):
    """A finding's record."""
    record = {
        "id": "test/x",
        "severity": "error",
        "consequence": "stop",
        "message": "a hole is [bold]too[/bold] small",
        "count": 3,
        "assumed": None,
        "remedy": "drill larger",
        "places": [
            {"text": "a.drl:3:1", "file": "a.drl", "line": 3, "excerpt": "X1Y1", "caret": 2}
        ],
    }
    return {**record, **changes}


def printed(one):
    """What is printed of a finding when there is no terminal."""
    out = io.StringIO()
    print_finding(Terminal(out), one)
    return out.getvalue()


def cause(*group, echoes=(), brief=False):
    """What is printed of a cause when there is no terminal."""
    out = io.StringIO()
    print_cause(Terminal(out), group, echoes, brief=brief)
    return out.getvalue()


def test_a_finding_is_printed_with_all_it_knows():
    """What, how often, which rule, where with a caret under the byte, what to do; no markup."""
    text = printed(finding())

    assert "a hole is [bold]too[/bold] small (×3)  [test/x]" in text
    assert "in a.drl:3:1, and 2 more here" in text
    lines = text.splitlines()
    assert lines[2].index("|") + 4 == lines[3].index("^")
    assert "do: drill larger" in text


def test_alike_findings_are_counted_over_files():
    """Further findings of a rule add to the count and name how many files have them."""
    other = finding(places=[{"text": "b.drl", "file": "b.drl"}], count=4)
    text = cause(finding(), other)

    assert "(×7)" in text
    assert "and in 1 other file" in text


def test_a_cause_is_two_lines_with_its_way_out():
    """A cause is two lines: what, then where, what to do, how to set aside."""
    lines = cause(finding(consequence="decide")).splitlines()

    assert len(lines) == 2
    assert lines[0].startswith("decide  a hole is")
    assert lines[1].endswith("do: drill larger; or --silence test/x=REASON")


def test_a_cause_names_what_follows_and_what_one_choice_settles():
    """Echoes are counted and named, at most three; so are limits that the fine class keeps."""
    ids = ["hole/a", "hole/a", "hole/b", "hole/c", "hole/d"]
    assert "5 findings follow from it (hole/a, hole/b, hole/c, ...)" in cause(finding(), echoes=ids)
    other = finding(id="copper/gap-small", choice="fine class")
    text = cause(finding(choice="fine class"), other)
    assert "(×3)" in text
    assert "the fine class settles copper/gap-small, too" in text


def test_a_choice_settles_no_rule_that_more_is_beyond():
    """Gaps of which some are beyond the fine class are one decision of their own."""
    gap = {"id": "copper/gap-small", "consequence": "decide"}
    found = [
        finding(choice="fine class", consequence="decide"),
        finding(**gap),
        finding(**gap, choice="fine class"),
    ]

    ((alone, gaps),) = causes_of(found).values()
    assert alone == found[:1]
    assert gaps == found[1:]


def test_a_brief_cause_is_one_line():
    """Where many are shown, a cause is what and where."""
    (line,) = cause(finding(), brief=True).splitlines()
    assert "in a.drl:3:1" in line
    assert "do:" not in line


def verdict(*findings, full=False):
    """What is printed of a whole verdict."""
    record = {
        "board": {
            "name": "b", "thickness_mm": 1.6, "width_mm": 30.0, "height_mm": 20.0,
            "copper_layers": 2, "holes": 2, "slots": 0, "panel": "",
        },
        "boards": [{"name": "b", "is": "none", "headline": "no keyboard", "contradiction": ""}],
        "findings": findings,
        "silenced": [],
        "checks": [
            {"id": f"a/{n}", "state": "not judged", "reason": "needs slots"} for n in range(3)
        ],
        "house": {"notice": None},
        "verdict": "decide before ordering: 1 decision",
        "counts": {"stop": 0, "decide": 1, "broken": 0},
    }  # fmt: skip
    out = io.StringIO()
    print_check(Terminal(out), record, mend="fabkit mend x.zip", full=full)
    return out.getvalue()


def test_a_verdict_is_short_and_all_is_full():
    """The verdict first, then two lines a cause and one for the rest; ``--all`` has everything."""
    findings = (
        finding(id="hole/x"),
        finding(consequence="decide", id="hole/x", message="nearly too small"),
        finding(consequence="decide", id="hole/y", assumed="mm"),
        *(finding(consequence="form", id=f"gerber/{n}", message=f"form {n}") for n in "abc"),
        finding(consequence="know", id="mask/z", message="worth knowing"),
    )
    short, full = verdict(*findings), verdict(*findings, full=True)

    assert short.startswith("decide before ordering: 1 decision\nstop    a hole is")
    assert "b: 30 × 20 mm" in short
    assert short.count("do: drill larger") == 3
    assert short.count("X1Y1") == 0
    assert "in a.drl:3:1, and 2 more here; assumed: mm; do: drill larger" in short
    folded = "1 to know; 3 remarks on the form of the files; 3 checks skipped (needs slots)"
    assert f"folded: {folded}; --all shows everything" in short
    assert full.count("do: drill larger") == full.count("X1Y1") == len(findings)
    assert "form a (×3)  [gerber/a]" in full
    assert "skipped, needs slots: a/0, a/1, a/2" in full


@pytest.mark.parametrize(("causes", "in_full"), [(4, 4), (6, 2), (8, 2)])
def test_at_most_eight_lines_are_causes(causes, in_full):
    """Two lines for each cause, one where there are many, stops first; the rest is named."""
    text = verdict(
        *(finding(consequence="decide", id=f"mask/{n}") for n in range(causes - 1)),
        finding(id="hole/x"),
    )

    assert len(text.splitlines()) <= 12
    assert text.count("do: drill larger") == in_full
    assert text.splitlines()[1].startswith("stop")
    assert ("2 more to decide (mask/5, mask/6)" in text) is (causes == 8)


def test_the_offer_to_mend_is_one_of_the_lines():
    """Where a cause can be mended in the files the offer takes the place of a remedy."""
    others = [finding(consequence="decide", id=f"mask/{n}") for n in range(5)]
    text = verdict(*others, finding(id="copper/outline-drawn"))

    assert " can be mended in the files: fabkit mend x.zip" in text
    assert len(text.splitlines()) <= 12
    assert text.count("do: drill larger") == 1


def test_a_number_that_is_said_is_not_repeated():
    """A message that begins with the count does not end with it."""
    assert "(×3)" not in printed(finding(message="3 holes are too small"))


def test_json_is_plain_and_exact():
    """Decimals are exact texts, NaN is null, enums are values, order is kept."""
    record = {"b": Decimal("1.10"), "a": math.nan, "s": Severity.ERROR, "t": (1, 2.0000001)}

    assert json.loads(to_json(record)) == {"b": "1.10", "a": None, "s": 3, "t": [1, 2.0]}
    assert to_json(record).index('"b"') < to_json(record).index('"a"')
    with pytest.raises(TypeError):
        plain(object())


def test_the_job_files_list_is_cut_to_what_is_packed():
    """Files that are not packed leave the list, moved ones get their new name, the rest stays."""
    job = {
        "Header": {"Comment": "invented"},
        "FilesAttributes": [
            {"Path": "out/top.gbr", "FileFunction": "Copper,L1,Top"},
            {"Path": "out\\bottom.gbr", "FileFunction": "Copper,L2,Bot"},
            {"Path": "components.gbr", "FileFunction": "Component,L1,Top"},
        ],
    }
    packed = {"out/top.gbr": "top.gbr", "out/bottom.gbr": "bottom.gbr"}
    made = json.loads(fit_job(json.dumps(job).encode(), packed))

    assert [e["Path"] for e in made["FilesAttributes"]] == ["top.gbr", "bottom.gbr"]
    assert made["FilesAttributes"][0]["FileFunction"] == "Copper,L1,Top"
    assert made["Header"] == job["Header"]


@pytest.mark.parametrize(
    "data",
    [
        b'{ "FilesAttributes" : [ {"Path": "a.gbr"} ] }',
        b'{"FilesAttributes": 3}',
        b"[1]",
        b"not json",
        b"\xff\xfe",
        b"",
        b"[" * 100_000,
    ],
)
def test_a_job_file_that_needs_no_change_stays(data):
    """Byte for byte the same when nothing is to be cut, or nothing can be understood."""
    assert fit_job(data, {"a.gbr": "a.gbr"}) == data


def folder_with_manifest(folder, **files):
    """An order folder as we write it."""
    folder.mkdir()
    rows = []
    for name, text in files.items():
        (folder / name).write_text(text)
        rows.append(file_record(name, text.encode()))
    (folder / MANIFEST).write_text(to_json({"made_by": MAKER, "outputs": rows}))
    return folder


def test_an_order_folder_is_known_again(tmp_path):
    """Unchanged outputs are ours; added files are strangers; changed ones are told by name."""
    folder = folder_with_manifest(tmp_path / "o", a="1", b="2")
    (folder / "b").write_text("changed")
    (folder / "mine").write_text("3")
    standing = look_at(folder)

    assert (standing.strangers, standing.changed) == (("mine",), ("b",))


@pytest.mark.parametrize(
    "manifest",
    [
        "",
        "{}",
        "[]",
        "null",
        '{"made_by": "other", "outputs": []}',
        "[" * 100_000,
        '{"made_by": "fabkit order", "outputs": 3}',
        '{"made_by": "fabkit order", "outputs": [3]}',
    ],
)
def test_a_manifest_that_is_not_ours_protects_the_folder(tmp_path, manifest):
    """Whatever a manifest holds that we did not write, the folder is refused."""
    folder = tmp_path / "o"
    folder.mkdir()
    (folder / MANIFEST).write_text(manifest)

    with pytest.raises(OutputRefused, match="did not write"):
        look_at(folder)


def test_new_and_empty_folders_are_free(tmp_path):
    """A folder that is not there, or is empty, may be taken; a file may not."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("")

    assert look_at(tmp_path / "new").strangers == ()
    assert look_at(tmp_path / "empty").strangers == ()
    with pytest.raises(OutputRefused, match="is a file"):
        look_at(tmp_path / "file")


@given(st.text(max_size=40))
def test_file_stems_are_safe(name):
    """A stem is never empty, never leaves its folder, never is a reserved device name."""
    stem = file_stem(name)

    assert stem
    assert not set(stem) & set('/\\:*?"<>|\0')
    assert stem not in (".", "..")
    assert stem.split(".")[0].casefold() not in {"con", "prn", "aux", "nul", "com1", "lpt9"}


@pytest.mark.parametrize("before", ["", " ", "\u00a0", "\ufeff", "\u200b", "\n", "\t"])
@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20"])
def test_no_cell_is_a_formula(before, sign):
    """A sign that begins a formula is guarded behind blanks and marks, and in full width."""
    (row,) = list(csv.reader(io.StringIO(to_csv(table_of("a", [[f"{before}{sign}1"]])))))[1:]
    assert row == [f"'{before}{sign}1"]
    assert list(csv.reader(io.StringIO(to_csv(table_of("a", [["R1 = 2"]])))))[1] == ["R1 = 2"]


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def narrow(monkeypatch):
    """A terminal of 80 columns without colours (as POSIX and the NO_COLOR convention name them)."""
    for name, value in (("COLUMNS", "80"), ("NO_COLOR", "1"), ("TERM", "dumb")):
        monkeypatch.setenv(name, value)
    return Screen()


def wide_table(cells):
    """Twelve columns, as the widest table of the wiring has."""
    heads = ("no", "key", "row", "column", "seen_x", "seen_y", "angle")
    tail = ("row_net", "row_pin", "column_net", "column_pin", "diode")
    return Table(columns_of(*heads, *tail, numbers=heads), cells)


def test_tables_fit_eighty_columns(narrow):
    """On a usual terminal no line is longer, and no number and no word of a heading is broken."""
    row = (17, 3, 1, 4, "107.75", "102.83", "-20.5", "ROW0", "P5 (J1.4)", "COL0", "P2 (J1.1)", "D1")
    Terminal(narrow).table(wide_table((row,) * 3))
    lines = narrow.getvalue().splitlines()

    assert max(map(len, lines)) <= 80
    words = " ".join(lines).split()
    assert {"column", "angle", "diode", "107.75", "102.83", "-20.5", "ROW0", "(J1.4)"} <= set(words)
    assert words.count("107.75") == 3


def test_what_follows_a_label_is_indented_as_it_is(narrow):
    """The words of a finding stand behind its label, however many lines they take."""
    Terminal(narrow).print("decide  ", "thinnest web " * 12, hang=8)
    first, *rest = narrow.getvalue().splitlines()

    assert first.startswith("decide  thinnest")
    assert rest
    assert all(line[:8] == " " * 8 != line[1:9] for line in rest)
    assert max(map(len, (first, *rest))) <= 80


@pytest.mark.parametrize("columns", ["80", "50"])
def test_words_of_names_are_not_broken(narrow, monkeypatch, columns):
    """Eight numbers beside a name leave it room for its words, or stand in lines below it."""
    monkeypatch.setenv("COLUMNS", columns)
    monkeypatch.setenv("TERM", "xterm")  # a dumb one has 80 columns
    heads = ("in_old_boards", "lost", "in_the_drawer", "with_spares", "moves_over")
    heads += ("from_the_drawer", "buy", "left_in_the_drawer")
    columns_ = columns_of("part", *heads, numbers=heads)
    Terminal(narrow).table(Table(columns_, [("Low-profile switch socket", *range(100, 108))]))
    words = re.sub(r"\x1b\[\d*m|,", "", narrow.getvalue())

    assert max(map(len, words.splitlines())) <= int(columns)
    assert {"Low-profile", "100", "107"} <= set(words.split())
    assert words.startswith("Low-profile switch socket\n") is (columns == "50")


def test_headings_fold_before_names():
    """A heading over two lines costs one line, a name over two lines one in each of its rows."""
    heads = [f"left_in_drawer_{n}" for n in range(6)]
    out = io.StringIO()
    rows = [("Low-profile switch, soldered", *range(6))]
    Terminal(out).table(Table(columns_of("part", *heads, numbers=heads), rows))

    assert "Low-profile switch, soldered" in out.getvalue()


@given(st.lists(st.lists(st.text("ab12 ", max_size=40), min_size=12, max_size=12), max_size=3))
def test_no_table_is_wider_than_the_terminal(rows):
    """Whatever the cells hold."""
    screen = Screen()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        patch.setenv("NO_COLOR", "1")
        patch.setenv("TERM", "dumb")
        Terminal(screen).table(table_of("abcdefghijkl", rows))

    assert max(map(len, screen.getvalue().splitlines()), default=0) <= 80


def test_without_a_terminal_tables_do_not_ask_its_width(monkeypatch):
    """The same text everywhere, without colours."""
    texts = []
    for columns in ("40", "80", "300"):
        monkeypatch.setenv("COLUMNS", columns)
        out = io.StringIO()
        Terminal(out).table(wide_table(((1,) * 12,)))
        texts.append(out.getvalue())

    assert len(set(texts)) == 1
    assert "\x1b" not in texts[0]


@given(SIGNS)
def test_a_line_of_the_terminal_is_one_line(text):
    """Text from files cannot begin a line of its own, nor change colours."""
    out = io.StringIO()
    Terminal(out).print("\n", f"a{text}", (text, "bold"), style="dim")

    assert out.getvalue() == f"\na{clean(text * 2)}\n"
