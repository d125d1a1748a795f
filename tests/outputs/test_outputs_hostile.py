"""Results full of hostile text, through every writer: text stays text.

Read back with independent readers: markdown-it (CommonMark with tables), the standard library's csv
and html.parser.
"""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import openpyxl
import pytest
from markdown_it import MarkdownIt

import fabkit
from fabkit.base.findings import Finding, Place
from fabkit.base.tables import FORMULA_SIGNS, to_html
from fabkit.costs.workbook import write_workbook
from fabkit.outputs.money import cost_files, parts_files, print_bill, print_costs
from fabkit.outputs.records import check_record
from fabkit.outputs.terminal import Terminal
from fabkit.outputs.verdict import render_verdict
from fabkit.rules import load_rule

CLEAN = Path(__file__).parents[2] / "fixtures" / "defects" / "clean"

MARKUP = "![x](http://a.example/y.png) <img src=x onerror=alert(1)> `c` | *b* [l](u)"
FORMULA = "\ufeff\u00a0\uff1d1+1"
ESCAPE = "\x1b[31mred\x1b[0m\r\nfit to order\u202e"
HOSTILE = f"{MARKUP} {ESCAPE}"


@pytest.fixture(scope="module")
def board():
    """A small board with a hostile name."""
    return replace(fabkit.build_board(fabkit.open_package(CLEAN)), name=HOSTILE)


@pytest.fixture(scope="module")
def bill(board):
    """Its parts list, with hostile titles, notices, steps and reasons."""
    made = fabkit.list_parts(board)
    line = replace(made.lines[0], title=HOSTILE, reason=FORMULA)
    step = replace(made.assembly[0], title=HOSTILE, parts=(HOSTILE, "# h"), cautions=(HOSTILE,))
    return replace(
        made,
        name=HOSTILE,
        lines=(line, replace(line, title=FORMULA, priced=False)),
        assembly=(step,),
        notices=(HOSTILE,),
        left_out=((HOSTILE, HOSTILE),),
        plan=replace(made.plan, method=HOSTILE),
    )


@pytest.fixture(scope="module")
def costs(board, bill):
    """Its quote."""
    made = fabkit.quote(board, bill=bill)
    return replace(made, name=HOSTILE, notices=(HOSTILE,), terms={HOSTILE: HOSTILE, "a": FORMULA})


@pytest.fixture(scope="module")
def verdict(board):
    """The record of its verdict, with a hostile finding that is silenced, too."""
    result = fabkit.check(board)
    bad = replace(
        fabkit.check(fabkit.build_board(fabkit.open_package(CLEAN.parent / "gap-small")))[0]
    )
    bad = replace(bad, message=HOSTILE, assumed=HOSTILE)
    result = replace(result, findings=(bad,), silenced=((bad, HOSTILE),))
    return check_record(board, result, fabkit.load_house())


def tokens(page):
    """Every token of a Markdown page."""
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    found = reader.parse(page)
    return found + [inner for token in found for inner in token.children or ()]


def pages(bill, costs, verdict):
    """Markdown pages by name."""
    return {
        "parts": parts_files(bill)["parts.md"].decode(),
        "costs": cost_files(costs)["costs.md"].decode(),
        "verdict": render_verdict(verdict, "markdown"),
    }


@pytest.mark.parametrize("name", ["parts", "costs", "verdict"])
def test_markdown_pages_hold_no_foreign_markup(bill, costs, verdict, name):
    """No image, link, tag or code block comes from a file; headings are ours."""
    page = pages(bill, costs, verdict)[name]
    found = tokens(page)

    kinds = {t.type for t in found}
    assert not kinds & {"image", "link_open", "html_inline", "html_block", "fence", "code_block"}
    assert "\x1b" not in page
    assert "onerror" in page
    heads = [found[n + 1].content for n, t in enumerate(found) if t.type == "heading_open"]
    assert not any(head.strip() == "h" for head in heads)


def test_csv_files_start_no_formula(bill, costs):
    """No text cell of any CSV is a formula, in full width and behind unseen marks neither."""
    files = {**parts_files(bill), **cost_files(costs)}
    seen = 0
    for name in ("parts.csv", "shopping.csv", "costs.csv", "cost-lines.csv"):
        for row in csv.reader(io.StringIO(files[name].decode(), newline="")):
            seen += sum(cell == f"'{FORMULA}" for cell in row)
            assert FORMULA not in row
            assert not any(cell.startswith(FORMULA_SIGNS) and not _number(cell) for cell in row)
    assert seen


def test_workbooks_start_no_formula(bill, costs):
    """Sheets of plain values, read back with openpyxl, hold no formula and every text."""
    book = openpyxl.load_workbook(io.BytesIO(write_workbook(costs, bill)))
    cells = [cell for row in book["Compared"].iter_rows() for cell in row]

    assert cells
    assert not any(cell.data_type == "f" for cell in cells)
    assert f"'{FORMULA}" in {cell.value for cell in cells}


def _number(text):
    try:
        float(text)
    except ValueError:
        return False
    return True


class Tags(HTMLParser):
    """Collects tags."""

    def __init__(self):
        super().__init__()
        self.tags = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        assert {key for key, _ in attrs} <= {"scope", "class"}


def test_notebooks_show_no_foreign_tags(bill, costs):
    """Tables in notebooks have our tags alone."""
    for table in (bill.parts_table(), bill.shopping_table(), *costs.comparisons(), costs.table()):
        page = Tags()
        page.feed(to_html(table))
        assert page.tags <= {"table", "caption", "thead", "tbody", "tr", "th", "td"}
    page = Tags()
    page.feed(bill._repr_html_() + costs._repr_html_())
    assert "img" not in page.tags


def test_the_list_names_tables_that_cannot_be_read(bill):
    """Parts that a spoiled table names are not in the list; whoever reads it alone is told."""
    found = Finding.of(load_rule("partslist/no-table"), "it is no table", Place(file="bom.csv"))
    board = SimpleNamespace(package=SimpleNamespace(problems=(found,)))
    out = io.StringIO()
    print_bill(Terminal(out), bill, [board])
    assert "in bom.csv" in out.getvalue()


def test_terminals_are_not_commanded(bill, costs):
    """No escape sequence and no false line reaches a terminal."""
    out = io.StringIO()
    print_bill(Terminal(out), bill)
    print_costs(Terminal(out), costs, why=True)

    text = out.getvalue()
    assert text.replace("\n", "").isprintable()
    assert not any(line.startswith("fit to order") for line in text.split("\n"))
