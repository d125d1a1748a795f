"""The report as a file: nothing from elsewhere, nothing hostile alive, always the same."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pytest

import fabkit
from fabkit.base.tables import Table, columns_of
from fabkit.outputs.report.page import _check_text
from fabkit.outputs.report.shell import render_part

EVIL = '"><img src=x onerror=alert(1)></script><script>alert(2)</script>{{ 7*7 }}'
"""Breaks out of an attribute, of a text, of a script, of a template."""

HOSTILE_NET = EVIL.replace("*", "").replace("%", "").replace("{{ 77 }}", "")


def layer(function, body, polarity="Positive"):
    """A layer file in mm with 6 decimals."""
    return (
        f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,{polarity}*%\n"
        "%FSLAX46Y46*%\n%MOMM*%\nG01*\n" + body + "M02*\n"
    )


def pads(diameter, attributes=""):
    """Two round pads at (5, 5) and (25, 15)."""
    place = "X5000000Y5000000D03*\nX25000000Y15000000D03*\n"
    return f"%ADD10C,{diameter}*%\n{attributes}D10*\n{place}"


NET = HOSTILE_NET.replace(",", "\\u002C")
PIN = f"%TO.P,{NET},1*%\n%TO.N,{NET}*%\n"
OUTLINE = (
    "%ADD10C,0.1*%\nD10*\nX0Y0D02*\nX30000000Y0D01*\nX30000000Y20000000D01*\n"
    "X0Y20000000D01*\nX0Y0D01*\n"
)
FILES = {
    "copper-top.gbr": layer("Copper,L1,Top", pads(2, PIN)),
    "copper-bottom.gbr": layer("Copper,L2,Bot", pads(2)),
    "mask-top.gbr": layer("Soldermask,Top", pads(2.1), "Negative"),
    "mask-bottom.gbr": layer("Soldermask,Bot", pads(2.1), "Negative"),
    "profile.gbr": layer("Profile,NP", OUTLINE),
    "plated.drl": (
        "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C1.000\n%\nG05\nT1\n"
        "X5.0Y5.0\nX25.0Y15.0\nM30\n"
    ),
    "note <b onclick=alert(3)>.txt": "not a layer",
}


class Seen(HTMLParser):
    """Every element with its attributes, and every text."""

    def __init__(self, page):
        super().__init__()
        self.elements = []
        self.texts = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        """Remember an element."""
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data):
        """Remember a text."""
        self.texts.append(data)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """An order whose every name wants to run something, written twice."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "board").mkdir()
    for name, text in FILES.items():
        (folder / "board" / name).write_text(text)
    order = folder / "order.toml"
    order.write_text(
        f"format = 1\nname = {json.dumps(EVIL)}\n"
        f'[[board]]\npackage = "board"\nname = {json.dumps(EVIL)}\n'
        "[want]\nkeyboards = 2\n"
    )
    pages = []
    for k in range(2):
        fabkit.order(order, folder / f"out{k}")
        pages.append((folder / f"out{k}" / "report.html").read_text("utf-8"))
    return pages


def test_texts_from_files_stay_texts(hostile):
    """Hostile names make no element, no attribute and no script, and are shown as written."""
    seen = Seen(hostile[0])
    scripts = [attrs for tag, attrs in seen.elements if tag == "script"]

    assert scripts == [{"type": "application/json", "id": "data"}, {}]
    assert [tag for tag, _ in seen.elements if tag in ("iframe", "object", "embed", "link")] == []
    assert [a for _, attrs in seen.elements for a in attrs if a.startswith("on")] == []
    assert all(
        attrs["src"].startswith("data:image/png") for t, attrs in seen.elements if t == "img"
    )
    assert any(EVIL in text for text in seen.texts)
    assert any("note <b onclick=alert(3)>.txt" in text for text in seen.texts)
    assert "alert(2)" in hostile[0]


def test_a_board_without_keys_is_not_asked_about_keys(hostile):
    """Neither what it is not, nor a section on wiring, nor a parts list for keyboards."""
    seen = Seen(hostile[0])
    ids = {attrs.get("id") for _, attrs in seen.elements}
    assert {"parts", "thickness"} <= ids
    assert "wiring" not in ids
    assert "For 2 boards" in hostile[0]
    assert "No keyboard" not in hostile[0]
    assert "under a key" not in hostile[0]


def test_data_for_the_script_cannot_end_it(hostile):
    """The data block is JSON without a less-than sign, and still says the net's name."""
    block = re.search(
        r'<script type="application/json" id="data">(.*?)</script>', hostile[0], re.DOTALL
    )
    data = json.loads(block[1])

    assert "<" not in block[1]
    assert HOSTILE_NET in data["boards"][0]["targets"]["words"]


def test_nothing_comes_from_elsewhere(hostile):
    """No address of another place is in the page but names of namespaces; the policy says so."""
    seen = Seen(hostile[0])
    links = [
        attrs[name]
        for _, attrs in seen.elements
        for name in ("href", "src", "xlink:href", "action")
        if name in attrs
    ]
    policy = next(
        a["content"] for _, a in seen.elements if a.get("http-equiv") == "Content-Security-Policy"
    )

    assert all(link.startswith(("#", "data:")) for link in links)
    assert set(re.findall(r"https?://[^\s\"'<)]+", hostile[0])) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in policy
    assert "script-src 'sha256-" in policy
    assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]


def test_checks_are_counted_in_a_sentence():
    """Several checks "do not apply", one "does not"; what was found is something."""
    states = ["passed", "found", "does not apply", "does not apply"]
    assert _check_text([{"state": s} for s in states]) == (
        "1 passed, 1 found something, 2 do not apply"
    )
    assert _check_text([{"state": "does not apply"}]) == "1 does not apply"


def test_the_same_order_gives_the_same_page(hostile):
    """Two runs agree to the byte."""
    assert hostile[0] == hostile[1]


def test_ids_are_unique_and_references_lead_somewhere(hostile):
    """Every id is there once; every link, label and drawing reference has its goal."""
    seen = Seen(hostile[0])
    ids = [attrs["id"] for _, attrs in seen.elements if "id" in attrs]
    wanted = [
        attrs[name].removeprefix("#")
        for _, attrs in seen.elements
        for name in ("href", "for", "aria-labelledby", "data-told")
        if name in attrs
    ]
    wanted += re.findall(r'="url\(#([^)]+)\)"', hostile[0])

    assert len(ids) == len(set(ids))
    assert set(wanted) <= set(ids)


def test_what_a_shop_charges_is_no_part() -> None:
    """Shipping stands in the list, so that its costs add up, and is not counted."""
    parts = Table(columns_of("part"), (("Diode",),))
    rows = (("Diode", "Shop", 4, 10), ("shipping", "Shop", None, None))
    shopping = Table(columns_of("part", "shop", "needed", "bought"), rows)
    plan = {"purchases": [1], "total": "5.00", "method": ""}
    empty = dict.fromkeys(("spare_halves", "findings", "left_out", "assembly"), ())
    bill = {**empty, "keyboards": 1, "plan": plan, "currency": "cu"}
    page = render_part(
        "sections/parts.html.j2", bill=bill, parts=parts, shopping=shopping, unit="keyboard"
    )
    assert "Parts list: 1 part<" in page
    assert "To buy: 1 part, 5.00" in page
