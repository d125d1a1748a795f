"""The documents as a site: whole, without requests to others, and found by words."""

from __future__ import annotations

import json
import re
import sys
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest
from browsing import sized, until

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "docs"))

import make_site  # noqa: E402 -- found by the line above

LOADS = {"img": "src", "script": "src", "link": "href", "iframe": "src", "source": "src"}


class Loaded(HTMLParser):
    """What a page makes the browser load."""

    def __init__(self):
        super().__init__()
        self.addresses = []

    def handle_starttag(self, tag, attrs):
        """Note it; links that a reader follows load nothing."""
        address = dict(attrs).get(LOADS.get(tag))
        if address:
            self.addresses.append(address)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The site, built as by `python docs/make_site.py`: strictly."""
    folder = tmp_path_factory.mktemp("site")
    make_site.make_site(folder)
    return folder


def test_every_document_is_a_page_and_can_be_found(site):
    """Each file of the documents is a page with sections in the index of the search."""
    pages = {p.stem for p in (ROOT / "docs").glob("*.md")} | {"index", "developers"}
    text = (site / "search/sections.js").read_text(encoding="utf-8")
    sections = json.loads(text[text.index("[") : text.rindex("]") + 1])

    assert {p.stem for p in site.glob("*.html")} == pages
    assert {s["location"].partition(".html")[0] for s in sections} == pages
    assert all((site / s["location"].partition("#")[0]).is_file() for s in sections)
    assert (site / "search/lunr.js").read_text(encoding="utf-8").startswith("/**")


def test_the_site_asks_nobody_else(site):
    """Pages, styles and scripts load files of the site alone."""
    for page in site.glob("*.html"):
        loaded = Loaded()
        loaded.feed(page.read_text(encoding="utf-8"))
        for address in loaded.addresses:
            assert address == "data:," or (site / address).is_file(), (page.name, address)
    own = "".join((site / name).read_text(encoding="utf-8") for name in ("site.css", "search.js"))
    assert not re.search(r"//\w|url\(|@import|fetch\(", own)


def test_a_link_that_leads_nowhere_ends_the_build(tmp_path, monkeypatch, caplog):
    """So do an anchor that is not there, and a page that is in no list."""
    from mkdocs.exceptions import Abort

    gather = make_site.gather

    def with_faults(folder):
        gather(folder)
        for page in folder.glob("*.md"):
            page.write_text(f"# {page.stem}\n", encoding="utf-8")
        (folder / "stray.md").write_text("# Stray\n")
        (folder / "panel.md").write_text("# P\n\n[a](gone.md) [b](mend.md#gone)\n")

    monkeypatch.setattr(make_site, "gather", with_faults)
    with pytest.raises(Abort, match="3 warnings"):
        make_site.make_site(tmp_path / "site")

    assert "gone.md" in caplog.text
    assert "mend.md#gone" in caplog.text
    assert "stray.md" in caplog.text


@pytest.mark.browser
def test_words_lead_to_their_section(site, shared_browser):
    """Opened from the disk: what is typed is found, Enter goes there, Escape clears."""
    browser = shared_browser
    browser.get((site / "index.html").as_uri())

    def found(words):
        field = browser.find_element("id", "query")
        field.clear()
        field.send_keys(words)
        browser.execute_async_script("prepare().then(() => show()).then(arguments[0])")
        return [a.get_attribute("href") for a in browser.find_elements("css selector", "#found a")]

    assert any("scale.html" in address for address in found("resume stopped run")[:3])
    assert any("glossary.html#annular-ring" in address for address in found("annular ring")[:3])
    assert "checks.html" in found("copper/edge-near")[0]
    assert found("xyzzyplugh") == []
    first = found("many packages")[0]
    browser.find_element("id", "query").send_keys("\n")
    until(browser, "location.href === arguments[0]", first)
    assert not [e for e in browser.get_log("browser") if e["level"] == "SEVERE"]


@pytest.fixture
def phone(shared_browser):
    """The browser with a window of 390 px."""
    with sized(shared_browser, 390, 800) as browser:
        yield browser


@pytest.mark.browser
def test_pages_are_accessible_and_fit_a_phone(site, phone):
    """axe-core (WCAG 2 A and AA) finds nothing serious; 390 px hold a page, its search too."""
    phone.get((site / "quick-start.html").as_uri())
    phone.find_element("id", "query").send_keys("panel")
    phone.execute_async_script("prepare().then(() => show()).then(arguments[0])")
    phone.execute_script(files("axe_core_python").joinpath("axe.min.js").read_text("utf-8"))
    result = phone.execute_async_script(
        "const done = arguments[0];"
        "axe.run({resultTypes: ['violations']}).then(done, e => done({failed: String(e)}));"
    )

    assert [v["id"] for v in result["violations"] if v["impact"] in ("serious", "critical")] == []
    assert phone.execute_script("return document.documentElement.scrollWidth") <= 390
