"""Sheets and paper from the command line: each kind is drawn, each slip is answered."""

from __future__ import annotations

import io
import json
from typing import get_args

import pytest
from boards import board_at
from small_package import DEMO, ROOT

from fabkit.cli.drawing import KINDS
from fabkit.outputs.drawings import SheetKind

MORE = {"layer": ["--layer", "top copper"], "net": ["--net", "GND"]}


def test_the_command_knows_every_sheet():
    """The words of the command are those of the library."""
    assert get_args(SheetKind) == KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_every_sheet_is_drawn(run, tmp_path, kind, read_once):
    """Each sheet becomes a picture that an independent program opens, wider than nothing."""
    from PIL import Image

    out = tmp_path / "sheet.png"
    text = run("sheet", kind, DEMO, "--out", out, "--scale", "2", *MORE.get(kind, [])).stdout

    assert text.strip() == out.as_posix()
    with Image.open(out) as picture:
        picture.load()
        assert min(picture.size) > 50
        assert len(picture.convert("RGB").getcolors(1 << 20) or ()) > 1


@pytest.mark.parametrize(
    ("ending", "begin"), [("svg", b"<?xml"), ("pdf", b"%PDF"), ("PNG", b"\x89P")]
)
def test_the_ending_says_how(run, small, tmp_path, ending, begin):
    """The file's ending chooses the format, whatever its case."""
    out = tmp_path / f"drills.{ending}"
    run("sheet", "drills", small, "--out", out)

    assert out.read_bytes().startswith(begin)


def test_a_net_lights_its_own_copper_only(run, tmp_path, read_once):
    """The lit tone of a net covers the area of its islands on both faces, within 2 %.

    The tone is the blue of Okabe and Ito (2008), 0 114 178; holes are open in the picture.
    """
    import numpy as np
    import shapely
    from PIL import Image

    from fabkit.board.copper import trace_copper

    out = tmp_path / "net.png"
    run("sheet", "net", DEMO, "--net", "gnd", "--out", out, "--scale", "20")
    copper = trace_copper(board_at(DEMO))
    net = copper.nets.index("GND")
    islands = copper.island_nets[copper.island_nets[:, 1] == net, 0]
    mine = copper.pieces.polygons[np.isin(copper.pieces.island, islands)]
    area = float(shapely.area(shapely.difference(mine, copper.board.opening)).sum())
    with Image.open(out) as picture:
        lit = (np.asarray(picture.convert("RGB")) == (0, 114, 178)).all(axis=2).sum()

    assert lit / 20**2 == pytest.approx(area, rel=0.02)


def test_copper_at_a_point(run, small, tmp_path):
    """Where nets have no names, a point tells which copper; beside copper there is none."""
    out = tmp_path / "net.svg"
    run("sheet", "net", small, "--at", "5,5", "--out", out)

    assert "copper without a net name at 5, 5 mm" in out.read_text(encoding="utf-8")
    assert (
        "no copper at 1, 1"
        in run("sheet", "net", small, "--at", "1,1", "--out", tmp_path / "b.svg", status=2).output
    )


def test_the_netlist_names_nets_where_copper_files_do_not(run, small, tmp_path):
    """A net of the IPC-D-356A netlist can be asked for, and a point tells its net and layer."""
    # Columns of the record layout: code 1, net 4, part 21, pin 27, hole 33, access 39, place 42.
    points = [("GND", "J1", "X+005000Y+005000"), ("VCC", "J2", "X+025000Y+015000")]
    lines = [f"317{net:<17}{part:<6}-1    D1000PA00{at}X2000Y0000" for net, part, at in points]
    (small / "small.ipc").write_text("\n".join(["P  UNITS SI", *lines, "999", ""]))
    named, pointed = tmp_path / "named.svg", tmp_path / "pointed.svg"
    run("sheet", "net", small, "--net", "gnd", "--out", named)
    bottom = ["--at", "25,15", "--layer", "bottom copper"]
    run("sheet", "net", small, *bottom, "--out", pointed)
    no_copper = ["--at", "25,15", "--layer", "top solder mask"]
    slip = run("sheet", "net", small, *no_copper, "--out", tmp_path / "c.svg", status=2)

    unknown = {
        name: run(
            "sheet", "net", small, "--net", name, "--out", tmp_path / "d.svg", status=2
        ).output
        for name in ("x", "VC")
    }

    # Every net is named, so nothing says that there are more.
    assert "there are GND, VCC\n" in unknown["x"]
    assert "close to it: VCC\n" in unknown["VC"]
    assert "net GND" in named.read_text(encoding="utf-8")
    assert "net VCC at 25, 15 mm on bottom copper" in pointed.read_text(encoding="utf-8")
    assert "top solder mask is no copper" in slip.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["net"], "--net NAME"),
        (["net", "--net", "GND"], "--at X,Y"),
        (["net", "--at", "five"], "such as 12.5,30"),
        (["layer"], "--layer"),
        (["layer", "--layer", "copper"], "top copper"),
        (["layer", "--layer", "varnish"], "top copper"),
    ],
)
def test_slips_are_answered(run, small, tmp_path, arguments, words):
    """What is missing or not there is told with what could be said instead; nothing is written."""
    kind, *more = arguments
    text = run("sheet", kind, small, *more, "--out", tmp_path / "s.png", status=2).output

    assert words in text
    assert not (tmp_path / "s.png").exists()


def test_an_unknown_ending_is_refused(run, small, tmp_path):
    """A name that is no picture's is refused before any work."""
    assert (
        ".png, .svg or .pdf"
        in run("sheet", "drills", small, "--out", tmp_path / "drills.bmp", status=2).output
    )


def test_an_existing_sheet_is_kept(run, small, tmp_path):
    """What is there stays unless --replace is said."""
    out = tmp_path / "d.png"
    out.write_bytes(b"mine")

    assert "exists already" in run("sheet", "drills", small, "--out", out, status=2).output
    assert out.read_bytes() == b"mine"


def pages(data):
    """Sizes of a PDF's pages in mm, by an independent reader (ISO 32000-1: 72 units an inch)."""
    import pypdf

    boxes = [page.mediabox for page in pypdf.PdfReader(io.BytesIO(data)).pages]
    return [
        (round(float(b.width) * 25.4 / 72, 1), round(float(b.height) * 25.4 / 72, 1)) for b in boxes
    ]


def test_paper_has_a_page_for_each_hand(run, small, tmp_path):
    """A reversible board gives two pages of the paper asked for (ISO 216; ANSI/ASME Y14.1)."""
    as_is = ("--board", "reversible")
    run("paper", small, "--out", tmp_path / "a.pdf", *as_is)
    run("paper", small, "--out", tmp_path / "b.pdf", "--size", "letter", *as_is)

    assert pages((tmp_path / "a.pdf").read_bytes()) == [(210.0, 297.0)] * 2
    assert pages((tmp_path / "b.pdf").read_bytes()) == [(215.9, 279.4)] * 2


def test_paper_tells_of_holes_off_the_board(run, small, tmp_path):
    """A drill file with another origin leaves an empty outline; page and command say why."""
    import pypdf

    drill = small / "small-plated.drl"
    drill.write_text(drill.read_text().replace("X5.0Y5.0", "X500.0Y5.0").replace("X25.0", "X525.0"))
    told = run("paper", small, "--out", tmp_path / "a.pdf")
    as_json = run("paper", small, "--out", tmp_path / "b.pdf", "--json")

    assert told.stdout.strip() == (tmp_path / "a.pdf").as_posix()
    assert (
        told.stderr
        == "30 × 20 mm, 2 copper layers; no keyboard\nnote: small: all 2 holes lie off the board\n"
    )
    assert json.loads(as_json.stdout)["notes"] == ["small: all 2 holes lie off the board"]
    assert len(pypdf.PdfReader(tmp_path / "a.pdf").pages) == 1


def test_paper_of_a_whole_keyboard_is_one_drawing(run, small, tmp_path):
    """A board that holds both halves is drawn once."""
    run("paper", small, "--out", tmp_path / "a.pdf", "--board", "both")

    assert len(pages((tmp_path / "a.pdf").read_bytes())) == 1


def test_paper_of_an_order_with_two_designs(run, tmp_path):
    """Left and right design give a page each, in the order of the order file."""
    out = tmp_path / "pair.pdf"
    record = json.loads(
        run("paper", ROOT / "fixtures/pair/order.toml", "--out", out, "--json").output
    )

    assert (record["files"], record["notes"]) == ([out.as_posix()], [])
    assert [said["is"] for said in record["boards"]] == ["left", "right"]
    assert len(pages(out.read_bytes())) == 2


def test_open_shows_what_was_written(run, small, tmp_path, monkeypatch):
    """--open hands the finished file to the desktop; where there is none, that is said."""
    import webbrowser

    asked = []
    monkeypatch.setattr(webbrowser, "open", lambda uri: asked.append(uri) or False)
    out = tmp_path / "drills.svg"
    result = run("sheet", "drills", small, "--out", out, "--open")

    assert asked == [out.resolve().as_uri()]
    assert "nothing here can show it" in result.output
