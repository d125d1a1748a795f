"""Results as Python people expect them: one line, plain rows, notebooks, pickles, types."""

from __future__ import annotations

import csv
import doctest
import io
import pickle
import re
from html.parser import HTMLParser
from pathlib import Path

import apart
import pytest
from boards import board_at

import fabkit
from fabkit.base.tables import Result

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "fabkit" / "demo" / "rev-b"


@pytest.fixture(scope="module")
def results():
    """One of every result, from the demo."""
    board = board_at(DEMO)
    old = board_at(DEMO.parent / "rev-a")
    checked = fabkit.check(board)
    bill = fabkit.list_parts(board)
    return {
        "package": board.package,
        "board": board,
        "result": checked,
        "finding": checked[0],
        "bill": bill,
        "quote": fabkit.quote(board, bill=bill),
        "wiring": fabkit.list_wiring(board),
        "comparison": fabkit.compare_boards(old, board),
        "gerber": fabkit.read_gerber(DEMO / "wheatear-copper-top.gbr"),
        "drill": fabkit.read_drill(DEMO / "wheatear-drill-plated.xnc"),
        "house": fabkit.load_house(),
        "order": fabkit.load_order(ROOT / "fabkit/demo/order.toml"),
        "thicknesses": fabkit.judge_thicknesses(board),
        "holes": board.holes,
    }


TABLES = ("package", "board", "result", "bill", "quote", "wiring", "comparison")


def test_repr_is_one_line(results):
    """What a prompt prints of a result is one line that can be read."""
    for name, result in results.items():
        if name != "thicknesses":
            assert "\n" not in repr(result), name
            assert len(repr(result)) < 300, name
    assert (
        repr(results["board"])
        == "<Board Wheatear rev-b: 121.64 x 90.08 mm, 2 copper layers, 181 holes>"
    )


def test_results_pickle(results):
    """A copy through pickle says the same."""
    for name, result in results.items():
        again = pickle.loads(pickle.dumps(result))  # noqa: S301 -- our own
        assert repr(again) == repr(result), name
        if isinstance(result, Result):
            assert again.rows() == result.rows(), name


def judge(path):
    """Work for another process: board in, verdict out."""
    board = fabkit.build_board(fabkit.open_package(path))
    return board, fabkit.check(board, fabkit.load_house())


def test_results_pass_from_process_to_process():
    """From one that shares nothing with this one, they arrive as they were."""
    path = ROOT / "fixtures" / "defects" / "gap-small"
    board, result = apart.run_apart(judge, path).result
    mine, own = judge(path)
    assert (board.area_mm2, board.rows()) == (mine.area_mm2, mine.rows())
    assert result.rows() == own.rows()
    assert [o.check for o in result.outcomes] == [o.check for o in own.outcomes]


@pytest.mark.parametrize("name", TABLES)
def test_rows_are_plain(results, name):
    """Every row has the same columns; the standard library's csv takes them as they are."""
    rows = results[name].rows()
    assert rows
    assert all(list(row) == list(rows[0]) for row in rows)
    kinds = {type(value).__name__ for row in rows for value in row.values()}
    assert kinds <= {"str", "int", "float", "bool", "Decimal", "NoneType"}
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    assert len(list(csv.reader(io.StringIO(out.getvalue())))) == len(rows) + 1


@pytest.mark.parametrize("name", TABLES)
def test_a_data_frame_library_takes_the_rows(results, name):
    """pandas makes a frame with as many rows and the same columns."""
    pandas = pytest.importorskip("pandas")
    rows = results[name].rows()
    frame = pandas.DataFrame(rows)
    assert (len(frame), list(frame.columns)) == (len(rows), list(rows[0]))
    holes = results["holes"].by_name()
    assert len(pandas.DataFrame(holes)) == len(results["holes"])


class Cells(HTMLParser):
    """Counts tags and keeps the text."""

    def __init__(self):
        super().__init__()
        self.tags, self.text = [], []

    def handle_starttag(self, tag, attrs):  # noqa: ARG002 -- its signature
        self.tags.append(tag)

    def handle_data(self, data):
        self.text.append(data)


@pytest.mark.parametrize("name", TABLES)
def test_results_show_themselves_as_tables(results, name):
    """A caption and one table row for each row, at most two hundred."""
    page = Cells()
    page.feed(results[name]._repr_html_())
    shown = min(len(results[name].rows()), 200)
    assert page.tags.count("tr") == shown + 1
    columns = page.tags.count("th") - shown
    assert columns == len(results[name].rows()[0])
    assert page.tags.count("td") == shown * (columns - 1)
    assert results[name].brief in page.text


def test_text_from_files_is_no_markup(results):
    """Names and messages from files are escaped."""
    from dataclasses import replace

    result = results["result"]
    bad = replace(result.findings[0], message="<script>alert(1)</script>")
    html = replace(result, findings=(bad,))._repr_html_()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_a_board_shows_itself_as_a_picture(results):
    """A PNG of both faces, nine hundred pixels wide (read with Pillow)."""
    from PIL import Image

    image = Image.open(io.BytesIO(results["board"]._repr_png_()))
    assert image.format == "PNG"
    assert abs(image.width - 900) <= 4
    assert image.getextrema()[0][1] > 0


def examples():
    """Python code of the pages: what prompts show, and whole blocks."""
    for page in ("README.md", "docs/library.md", "docs/plugins.md"):
        text = (ROOT / page).read_text(encoding="utf-8")
        prompts = "\n".join(re.findall(r"^```pycon\n(.*?)^```$", text, re.DOTALL | re.MULTILINE))
        if prompts:
            yield f"{page}-prompts", doctest.script_from_examples(prompts)
        for number, block in enumerate(
            re.findall(r"^```python\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
        ):
            yield f"{page}-{number}", block
    yield "example_plugin", (ROOT / "docs/example_plugin.py").read_text(encoding="utf-8")


def test_examples_in_documents_are_typed(tmp_path):
    """mypy --strict has nothing against any example."""
    from mypy import api

    files = []
    for name, code in examples():
        file = tmp_path / (re.sub(r"\W", "_", name) + ".py")
        file.write_text(code + "\n", encoding="utf-8")
        files.append(str(file))
    assert len(files) >= 4
    told, complaint, status = api.run(
        [
            "--strict",
            *("--config-file", str(ROOT / "pyproject.toml")),
            *("--cache-dir", str(ROOT / ".mypy_cache")),  # what a check of the tree has learnt
            *files,
        ]
    )
    assert status == 0, told + complaint


def test_the_statement_of_what_is_stable_names_all():
    """The guide says what is stable, and `fabkit.__all__` is the list it means."""
    text = (ROOT / "docs/library.md").read_text(encoding="utf-8")
    assert "## What is stable" in text
    assert "fabkit.__all__" in text
    assert len(set(fabkit.__all__)) == len(fabkit.__all__)
