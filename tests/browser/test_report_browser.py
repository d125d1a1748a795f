"""The report in a real browser: it opens, moves, reckons, prints, and everyone can use it."""

from __future__ import annotations

import base64
import io
import re
from importlib.resources import files

import pypdf
import pytest
from browsing import sized, until

pytestmark = pytest.mark.browser

CENTRE = "arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})"
VIEW = "const v = window.fabkit.viewers[0]; return {...v.view, side: v.side};"


def by_css(browser, selector):
    """The first element of a selector."""
    from selenium.webdriver.common.by import By

    return browser.find_element(By.CSS_SELECTOR, selector)


def all_by_css(browser, selector):
    """All elements of a selector."""
    from selenium.webdriver.common.by import By

    return browser.find_elements(By.CSS_SELECTOR, selector)


def view(browser):
    """Scale, offset and side of the first board once nothing flies any more."""
    until(browser, "!window.fabkit.viewers[0].flight")
    return browser.execute_script(VIEW)


def unfold(browser):
    """Open everything that is folded."""
    browser.execute_script("for (const f of document.querySelectorAll('details')) f.open = true")


def press(browser, selector):
    """Click an element by its script handler's event, where it is on the page."""
    element = by_css(browser, selector)
    browser.execute_script(
        """for (let f = arguments[0]; f; f = f.parentElement)
            if (f.matches('details')) f.open = true""",
        element,
    )
    browser.execute_script(CENTRE, element)
    element.click()


def test_it_opens_without_a_complaint(page):
    """The page loads from disk; the console stays empty and nothing is fetched."""
    loaded = page.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")

    assert page.get_log("browser") == []
    assert [name for name in loaded if not name.startswith("data:")] == []
    assert page.execute_script("return document.documentElement.classList.contains('live')")


def test_it_is_light(report):
    """The demonstration's page is under 3 MB (it is about a tenth of that)."""
    assert report.path.stat().st_size < 3_000_000


def test_the_verdict_comes_first(page, report):
    """The first thing said, and the title, is whether to order."""
    verdict = report.contents.boards[0].result.verdict

    assert verdict in page.title
    assert by_css(page, ".verdict .word").text.lower() == verdict
    assert by_css(page, ".verdict").location["y"] < by_css(page, ".stage").location["y"]
    assert by_css(page, ".verdict").location["y"] < 300


@pytest.mark.parametrize(("width", "height", "screens"), [(1440, 900, 4), (390, 844, 8)])
def test_it_is_short_until_something_is_opened(shared_browser, report, width, height, screens):
    """Verdict, causes, picture and cost come on the first screen of a desk; all fits a few."""
    bottom = "return arguments[0].getBoundingClientRect().bottom"
    with sized(shared_browser, width, height) as browser:
        browser.get(report.address)
        tall = browser.execute_script("return document.documentElement.scrollHeight")
        seen = [
            browser.execute_script(bottom, by_css(browser, where))
            for where in (".verdict", ".finding", ".money", ".stage")
        ]

    assert tall <= screens * height
    if width > 1000:
        assert max(seen) <= height


def test_a_cause_shows_its_place(page):
    """Beside a cause is a picture of its place with a name, fetched only when it comes in sight."""
    shot = by_css(page, ".finding .shot img")
    page.execute_script(CENTRE, shot)

    assert until(page, "arguments[0].naturalWidth", shot) == 264
    assert shot.get_attribute("loading") == "lazy"
    assert (
        by_css(page, ".finding .shot").get_attribute("aria-label").startswith("Show on the board")
    )


def test_what_is_only_to_know_is_marked_when_asked(page):
    """Marks of stops and decisions are on from the start, those of the rest by a switch."""
    shown = """return [...document.querySelectorAll('.pin')].filter(
        p => getComputedStyle(p).visibility === 'visible' && !p.hidden).map(p => p.classList[1])"""
    before = set(page.execute_script(shown))
    press(page, "input[data-layer='known']")
    after = set(page.execute_script(shown))
    press(page, "input[data-layer='known']")
    press(page, "input[data-layer='findings']")

    assert before == {"decide"}
    assert after - before <= {"know", "form"}
    assert page.execute_script(shown) == []


def test_buttons_zoom_and_fit(page):
    """Plus and minus change the scale by one factor; 'whole board' shows all of it again."""
    first = view(page)
    press(page, "[data-do=in]")
    closer = view(page)
    press(page, "[data-do=out]")
    back = view(page)
    press(page, "[data-do=in]")
    press(page, "[data-do=fit]")

    assert closer["s"] == pytest.approx(1.6 * first["s"])
    assert back["s"] == pytest.approx(first["s"])
    assert view(page) == pytest.approx(first)


def test_the_wheel_zooms_about_the_pointer(page):
    """After a click on the board the wheel zooms, and the point under the pointer stays."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    stage = by_css(page, ".stage")
    page.execute_script(CENTRE, stage)
    stage.click()
    where = """const v = window.fabkit.viewers[0];
        return v.toBoard(v.stage.clientWidth / 2 + 100, v.stage.clientHeight / 2 + 50)"""
    before, point = view(page), page.execute_script(where)
    origin = ScrollOrigin.from_element(stage, 100, 50)
    ActionChains(page).scroll_from_origin(origin, 0, -300).perform()

    assert view(page)["s"] > 1.5 * before["s"]
    assert page.execute_script(where) == pytest.approx(point, abs=0.2)


def test_dragging_moves_the_board(page):
    """The board follows the pointer, pixel by pixel."""
    from selenium.webdriver.common.action_chains import ActionChains

    press(page, "[data-do=in]")
    before = view(page)
    stage = by_css(page, ".stage")
    ActionChains(page).drag_and_drop_by_offset(stage, -70, 40).perform()
    after = view(page)

    assert (after["x"] - before["x"], after["y"] - before["y"]) == pytest.approx((-70, 40), abs=1)


def test_keys_do_all_that_the_pointer_does(page):
    """Arrows move, plus and minus zoom, t turns over, 0 shows the whole board."""
    from selenium.webdriver.common.keys import Keys

    first = view(page)
    stage = by_css(page, ".stage")
    stage.send_keys("+")
    closer = view(page)
    stage.send_keys(Keys.ARROW_RIGHT)
    moved = view(page)
    stage.send_keys("t")
    turned = view(page)
    stage.send_keys("t0")

    assert closer["s"] > first["s"]
    assert moved["x"] < closer["x"]
    assert turned["side"] == "bottom"
    assert view(page) == pytest.approx(first)


def test_turning_over_shows_the_other_face(page):
    """One face is seen at a time; what lay in the middle stays there."""
    visible = """return [...document.querySelectorAll('.face')].filter(
        f => getComputedStyle(f).visibility === 'visible').map(f => f.dataset.side)"""
    middle = """const v = window.fabkit.viewers[0];
        return v.toBoard(v.stage.clientWidth / 2, v.stage.clientHeight / 2)"""
    press(page, "[data-do=in]")
    page.execute_script("window.fabkit.viewers[0].pan(-80, 30)")
    front, point = page.execute_script(visible), page.execute_script(middle)
    press(page, "[data-do=turn]")

    assert front == ["top"]
    assert page.execute_script(visible) == ["bottom"]
    assert page.execute_script(middle) == pytest.approx(point)
    assert by_css(page, ".seen").text == "Back"


def test_a_cause_is_flown_to_and_back(page, report):
    """A click on its picture puts the place in the middle, on its face; 'back' goes back."""
    found = report.contents.boards[0].result
    place = next(f for f in found if f.id == "planted/on-the-back").places[0]
    before = view(page)
    press(page, ".finding.decide .shot")
    there = view(page)
    middle = page.execute_script(
        """const v = window.fabkit.viewers[0];
        return v.toBoard(v.stage.clientWidth / 2, v.stage.clientHeight / 2)"""
    )
    press(page, "[data-do=back]")

    assert there["side"] == "bottom"
    assert there["s"] > 2 * before["s"]
    assert middle == pytest.approx([place.x_mm, place.y_mm], abs=1e-3)
    assert view(page) == pytest.approx(before)


def test_pointing_names_hole_net_and_pin(page, report):
    """Over a pad with a net the page says diameter, pin and net as the files have them."""
    from selenium.webdriver.common.action_chains import ActionChains

    part = next(c for c in report.contents.boards[0].board.components if c.ref == "J2")
    row = page.execute_script(
        """const t = window.fabkit.viewers[0].data.targets;
        return t.rows.find(r => r[0] === 't' && t.words[r[5]] === 'J2 pin 2')"""
    )
    x, y = page.execute_script(
        "return window.fabkit.viewers[0].toStage(arguments[0] / 1000, arguments[1] / 1000)",
        row[1],
        row[2],
    )
    stage = by_css(page, ".stage")
    page.execute_script(CENTRE, stage)
    size = stage.size
    ActionChains(page).move_to_element_with_offset(
        stage, round(x - size["width"] / 2), round(y - size["height"] / 2)
    ).perform()
    text = until(page, "document.querySelector('.tip').innerText")

    assert f"net {dict(part.pins)['2']}" in text
    assert "J2 pin 2" in text
    assert re.search(r"\d\.\d\d mm, plated hole", text)


def test_layers_can_be_switched(page):
    """Unticking the legend hides exactly the legend; ticking it shows it again."""
    shown = """return [...document.querySelectorAll("#board-1 [data-layer='legend']")].filter(
        e => e.tagName === 'g').map(e => getComputedStyle(e).display)"""
    before = page.execute_script(shown)
    press(page, "input[data-layer='legend']")
    hidden = page.execute_script(shown)
    press(page, "input[data-layer='legend']")

    assert len(before) == 2
    assert set(before) == {"inline"}
    assert set(hidden) == {"none"}
    assert page.execute_script(shown) == before


def test_ticks_survive_and_filters_filter(page, report):
    """A tick is there again after opening the page anew; a search leaves the rows that fit."""
    press(page, "#part-rows input")
    page.get(report.address)
    unfold(page)
    kept = by_css(page, "#part-rows input").is_selected()
    by_css(page, "#find-part").send_keys("sw12")
    rows = [r.text for r in all_by_css(page, "#part-rows tr") if r.is_displayed()]
    page.execute_script("localStorage.clear()")

    assert kept
    assert rows
    assert all("SW12" in row for row in rows)


def test_the_theme_can_be_chosen(page):
    """The switch turns the page dark and light, whatever the system says."""
    paper = "return getComputedStyle(document.body).backgroundColor"
    light = page.execute_script(paper)
    press(page, "[data-do=theme]")
    dark = page.execute_script(paper)
    press(page, "[data-do=theme]")
    page.execute_script("localStorage.clear()")

    assert sum(map(int, re.findall(r"\d+", light))) > 600
    assert sum(map(int, re.findall(r"\d+", dark))) < 150


def test_everything_is_read_without_script(scriptless, report):
    """Without script both faces, causes, parts, costs and files are there; no dead controls."""
    scriptless.get(report.address)
    for summary in all_by_css(scriptless, "summary"):
        if summary.is_displayed():
            scriptless.execute_script(CENTRE, summary)
            summary.click()
    text = by_css(scriptless, "body").text
    faces = [f.is_displayed() for f in all_by_css(scriptless, ".face")]
    controls = [b for b in all_by_css(scriptless, "button, input[type=range]") if b.is_displayed()]
    hidden = all_by_css(scriptless, ".off")

    assert not any(layer.is_displayed() for layer in hidden)
    contents = report.contents

    assert faces == [True, True]
    assert controls == []
    for finding in contents.boards[0].result:
        assert finding.message[1:] in text
    for line in contents.bill.lines:
        assert line.title in text
    for offer in contents.costs.offers:
        assert str(offer.total) in text
    for file in contents.boards[0].board.package.files:
        assert file.name in text


def test_it_prints_on_a4_at_true_size(page, report):
    """The PDF has A4 pages with all sections, and the board in its own size, controls left out."""
    press(page, "[data-do=in]")
    page.execute_script("window.fabkit.viewers[0].turn()")
    made = page.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True}
    )
    pdf = pypdf.PdfReader(io.BytesIO(base64.b64decode(made["data"])))
    sizes = {(round(float(p.mediabox.width)), round(float(p.mediabox.height))) for p in pdf.pages}
    text = " ".join(" ".join(p.extract_text() for p in pdf.pages).split())
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    wide = page.execute_script(
        """return [...document.querySelectorAll('.picture')].map(
            p => p.getBoundingClientRect().width)"""
    )
    light = [{"name": "prefers-color-scheme", "value": "light"}]
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": light})
    x0, _, x1, _ = report.contents.boards[0].board.bounds

    # ISO 216: A4 is 210 x 297 mm, at 72 points an inch.
    assert sizes == {(595, 842)}
    assert 6 <= len(pdf.pages) <= 25
    for word in ("Thickness", "Working order", "What it costs", "Wiring", "Cautions"):
        assert word in text
    assert "Turn over" not in text
    # CSS Values 4, section 6.2: 96 px are an inch; the picture has a margin of 1 mm all around.
    assert [w / 96 * 25.4 for w in wide] == pytest.approx([x1 - x0 + 2] * 2, abs=0.1)


AUDIT = """const [options, done] = arguments;
for (const part of document.querySelectorAll('details')) part.open = true;
for (const table of document.querySelectorAll('table')) {
  const seen = {};
  for (const row of table.querySelectorAll('tbody tr')) {
    const like = [row, ...row.querySelectorAll('*')]
      .map((e) => [e.tagName, e.getAttribute('class'), e.getAttributeNames()]).join();
    seen[like] = (seen[like] || 0) + 1;
    if (seen[like] > 3) row.remove();
  }
}
axe.run({resultTypes: ['violations'], ...options})
  .then(done, error => done({failed: String(error)}));"""
"""Of rows that are marked up alike, three are looked at: each takes milliseconds."""
COLOURS = {"runOnly": {"type": "tag", "values": ["cat.color"]}}


@pytest.mark.parametrize(("scheme", "rules", "least"), [("light", {}, 30), ("dark", COLOURS, 0)])
def test_an_accessibility_audit_finds_nothing_serious(page, scheme, rules, least):
    """axe-core, rules of WCAG 2 A and AA and good practice: nothing serious or critical.

    In the dark only the colours are others.
    """
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
    page.execute_script(files("axe_core_python").joinpath("axe.min.js").read_text("utf-8"))
    found = page.execute_async_script(AUDIT, rules)
    media["features"][0]["value"] = "light"
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", media)

    # A silent audit must be one that looked.
    assert "failed" not in found
    assert "color-contrast" in [rule["id"] for rule in found["passes"]]
    assert len(found["passes"]) > least
    grave = [
        (v["id"], v["impact"], [n["target"] for n in v["nodes"]][:5])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert grave == []


def test_a_phone_shows_it_without_sideways_scrolling(shared_browser, report):
    """At 360 px nothing sticks out, and controls are large enough to touch."""
    with sized(shared_browser, 360, 740) as browser:
        browser.get(report.address)
        width = browser.execute_script("return document.documentElement.scrollWidth")
        small = browser.execute_script(
            """return [...document.querySelectorAll('button:not(.pin), select')].filter(b => {
                const box = b.getBoundingClientRect();
                return box.width && (box.height < 24 || box.width < 24);
            }).map(b => b.textContent)"""
        )

    assert width == 360
    # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels.
    assert small == []


def test_the_prices_are_not_cut_off(shared_browser, report):
    """On a page 1200 px wide, the row of each quantity ends on it, with its remark."""
    with sized(shared_browser, 1200, 900) as browser:
        browser.get(report.address)
        cut = browser.execute_script(
            """return [...document.querySelectorAll('#cost .scroll')]
                .filter(box => box.scrollWidth > box.clientWidth).map(box => box.textContent)"""
        )
        shown = browser.execute_script(
            "return document.querySelector('#cost .scroll tr.chosen').clientHeight"
        )

    assert cut == []
    assert shown > 0
