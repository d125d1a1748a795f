"""What an order folder holds, for one design and for two."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile

import pytest
from click.testing import CliRunner
from small_package import ROOT

from fabkit.cli.group import cli

PER_BOARD = {
    "findings.txt",
    "findings.json",
    "findings.sarif",
    "findings.pdf",
    "drill-map.pdf",
    "front.png",
    "back.png",
    "front.svg",
    "back.svg",
}
PER_ORDER = {
    "report.html",
    "paper.pdf",
    "parts.csv",
    "parts.md",
    "parts.json",
    "shopping.csv",
    "costs.csv",
    "cost-lines.csv",
    "costs.md",
    "costs.json",
    "costs.xlsx",
    "cost-per-half.png",
    "cost-per-half.svg",
    "wiring.csv",
    "wiring.json",
    "wiring.png",
    "wiring.svg",
    "manifest.json",
}
PANEL = {"panel.zip", "panel.png", "panel.json"}


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Order folder of the left and right design, which are put on one panel as well."""
    out = tmp_path_factory.mktemp("pair") / "out"
    order = out.with_name("order.toml")
    text = (ROOT / "fixtures/pair/order.toml").read_text(encoding="utf-8")
    for package in ("left", "right"):
        there = (ROOT / "fixtures/pair" / package).as_posix()
        text = text.replace(f'package = "{package}"', f'package = "{there}"')
    text = text.replace("../../fabkit", (ROOT / "fabkit").as_posix())
    order.write_text(f"{text}\n[panel]\nrails = true\n", encoding="utf-8")
    result = CliRunner().invoke(cli, ["order", str(order), "--out", str(out)], prog_name="fabkit")
    assert result.exit_code == 0, result.output
    return out


def test_two_designs_share_one_folder(pair):
    """Every design has its own pictures, findings and zip; parts, costs and paper are shared."""
    stems = ("siskin-left", "siskin-right")
    own = {f"{stem}-{name}" for stem in stems for name in PER_BOARD}

    assert {p.name for p in pair.iterdir()} == own | PER_ORDER | PANEL | {f"{s}.zip" for s in stems}


def test_two_designs_make_whole_keyboards(pair):
    """Five of each design make five keyboards (one left and one right each), none left over."""
    offers = json.loads((pair / "costs.json").read_text(encoding="utf-8"))["offers"]

    assert [(o["quantity"], o["keyboards_possible"]) for o in offers] == [(5, "5"), (10, "10")]


def test_zips_are_sound(pair):
    """Every member of every zip has its checksum (zip APPNOTE 4.4.7, as ``unzip -t`` tests it)."""
    for path in pair.glob("*.zip"):
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            assert "readme.txt" in archive.namelist()


def test_paper_shows_both_designs(pair):
    """The template has a page for each design, each named for its hand."""
    import pypdf

    assert len(pypdf.PdfReader(io.BytesIO((pair / "paper.pdf").read_bytes())).pages) == 2


def test_findings_carry_the_thickness_table(pair):
    """Findings judge every thickness of the sheet, in JSON and in text."""
    record = json.loads((pair / "siskin-left-findings.json").read_text(encoding="utf-8"))
    text = (pair / "siskin-left-findings.txt").read_text(encoding="utf-8")

    assert 1.6 in [row["thickness_mm"] for row in record["thicknesses"]]
    assert "thickness : drill" in text


def test_the_workbook_has_the_parts(pair):
    """The workbook, read by an independent program, has pages of parts beside those of cost."""
    import openpyxl

    names = openpyxl.load_workbook(pair / "costs.xlsx").sheetnames

    assert names == ["Quote", "House", "Parts", "Compared"]


def test_sarif_of_the_folder_is_of_version_2_1_0(pair):
    """The findings for editors and code hosts say which standard they follow (OASIS SARIF)."""
    log = json.loads((pair / "siskin-left-findings.sarif").read_text(encoding="utf-8"))

    assert log["version"] == "2.1.0"


def test_the_manifest_names_both_zips(pair):
    """The manifest gives both designs with digests that are those of the files."""
    manifest = json.loads((pair / "manifest.json").read_text(encoding="utf-8"))
    digests = {row["name"]: row["sha256"] for row in manifest["outputs"]}

    assert [b["is"] for b in manifest["boards"]] == ["left", "right"]
    for board in manifest["boards"]:
        data = (pair / board["zip"]["path"]).read_bytes()
        assert digests[board["zip"]["path"]] == hashlib.sha256(data).hexdigest()


def test_an_order_makes_its_panel(pair):
    """The panel that ``[panel]`` asks for is in the manifest, the page, and has its rails."""
    panel = json.loads((pair / "manifest.json").read_text(encoding="utf-8"))["panel"]
    record = json.loads((pair / "panel.json").read_text(encoding="utf-8"))
    page = (pair / "report.html").read_text(encoding="utf-8")

    data = (pair / panel["zip"]).read_bytes()
    assert panel["sha256"] == record["sha256"] == hashlib.sha256(data).hexdigest()
    assert panel["boards"] == len(record["boards"]) == 2
    assert len(record["tooling_holes"]) == 4
    assert panel["words"] in page


def test_a_panel_that_cannot_be_made_is_named_with_its_reason(run, small, tmp_path):
    """The rest of the order is there, and the status shows that something was refused."""
    order = tmp_path / "order.toml"
    board = f'name = "small"\n[[board]]\npackage = "{small.as_posix()}"\nis = "whole"'
    order.write_text(f"format = 1\n{board}\n[panel]\nscore = true\n", encoding="utf-8")
    result = run("order", order, "--out", tmp_path / "out", status=1)

    assert "no panel: " in result.stdout
    assert (tmp_path / "out" / "small.zip").exists()


def test_houses_of_an_order_are_compared(run, tmp_path):
    """Two houses: the findings tell which can make the board, the last lines what to do next.

    Two lines at the end name the page and the zip; the manifest lists all files.
    """
    out = tmp_path / "out"
    said = run("order", "demo", "--out", out).output
    last = said.splitlines()[-2:]

    assert last[0].startswith("open first: ")
    assert f"{out}/report.html" in last[0]
    assert last[1].split() == ["upload:", f"{out}/wheatear.zip"]
    assert "costs.csv" not in said
    record = json.loads((out / "findings.json").read_text(encoding="utf-8"))

    assert [h["name"] for h in record["houses"]] == ["Pied Board Works", "Whinchat Circuits"]
    shares = {"sharing.csv", "share-First-builder.txt", "share-Second-builder.txt"}
    assert {p.name for p in out.iterdir()} == PER_BOARD | PER_ORDER | shares | {"wheatear.zip"}


def test_the_edge_of_an_order_file_holds_for_the_whole_order(run, tmp_path):
    """One board of a panel is priced by its own area (TRUTH.toml: 66 x 24 mm); its zip is whole."""
    order = tmp_path / "order.toml"
    package = ROOT / "fixtures/kinds/panel-scored"
    order.write_text(
        f"format = 1\nname = 'One'\n[[board]]\npackage = '{package}'\n"
        "is = 'whole'\nedge = 'board'\n"
    )
    run("order", order, "--out", tmp_path / "out")
    lines = (tmp_path / "out/cost-lines.csv").read_text(encoding="utf-8")

    assert "width_mm = 66 mm" in lines
    assert "height_mm = 24 mm" in lines
    assert "132 mm" not in lines
    with zipfile.ZipFile(tmp_path / "out/One.zip") as packed:
        assert packed.testzip() is None
