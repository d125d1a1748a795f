"""The glossary: current, pictured, and reached from what is found."""

from __future__ import annotations

import importlib.util
import io
import re
import sys
from pathlib import Path

import pytest
from boards import board_at
from PIL import Image

import fabkit
from fabkit.checks.catalogue import all_rules
from fabkit.outputs.records import finding_record, words_of
from fabkit.rules import glossary, terms_in

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "glossary.md"
PICTURES = ROOT / "docs" / "pictures" / "glossary"


@pytest.fixture(scope="module")
def maker():
    """The script that writes the glossary."""
    spec = importlib.util.spec_from_file_location("make_glossary", ROOT / "docs/make_glossary.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look there
    spec.loader.exec_module(module)
    return module


def test_the_page_is_current(maker):
    """What is committed is what `python docs/make_glossary.py` writes."""
    assert PAGE.read_text(encoding="utf-8") == maker.page()


def test_every_term_has_its_picture_and_no_other_lies_there():
    """One small PNG a term."""
    assert {p.stem for p in PICTURES.iterdir()} == {term.slug for term in glossary()}
    for term in glossary():
        with Image.open(PICTURES / f"{term.slug}.png") as image:
            assert image.format == "PNG"
            assert image.width <= 600
            # Something is drawn: not one flat colour.
            assert any(low != high for low, high in image.convert("RGB").getextrema())


def test_pictures_are_drawn_from_the_demo(maker):
    """One of them, drawn again, is the committed one pixel by pixel."""
    board = board_at(ROOT / "fabkit" / "demo" / "rev-b")
    term = next(t for t in glossary() if t.term == "annular ring")
    drawn = Image.open(io.BytesIO(maker.picture(board, term))).convert("RGB")
    with Image.open(PICTURES / "annular-ring.png") as kept:
        assert drawn.tobytes() == kept.convert("RGB").tobytes()


def test_terms_are_in_order_and_words_lead_to_one_term():
    """The alphabet, and no word that means two things."""
    names = [term.term for term in glossary()]
    words = [word for term in glossary() for word in term.words]
    assert names == sorted(names)
    assert len(words) == len(set(words))


def test_words_are_found_whole_and_longest_first():
    """`mask opening` is one term, and no word is found inside another."""
    assert [t.term for t in terms_in("The mask opening is small")] == ["mask opening"]
    assert [t.term for t in terms_in("Rings of vias")] == ["annular ring", "via"]
    assert terms_in("during previous gaping") == ()


def test_every_term_is_used_by_a_rule():
    """The glossary explains what fabkit says; what it never says needs no entry."""
    used = {word for rule in all_rules() for word in words_of(rule)}
    assert {term.term for term in glossary()} == used


def test_findings_and_rules_lead_to_the_glossary():
    """A finding names its terms; the page of rules links each to its entry."""
    board = board_at(ROOT / "fixtures/defects/gap-small")
    found = {f.id: finding_record(f) for f in fabkit.check(board)}
    assert "gap" in found["copper/gap-small"]["words"]
    anchors = {term.slug for term in glossary()}
    linked = re.findall(r"\(glossary\.md#([a-z-]+)\)", (ROOT / "docs/checks.md").read_text("utf-8"))
    assert set(linked) == anchors
    headings = re.findall(r"^## (.+)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert {h.replace(" ", "-") for h in headings} == anchors
