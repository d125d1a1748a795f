"""The page of a comparison in a real browser: the wipe, with and without scripts, for everyone."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from boards import board_at

import fabkit
from fabkit.outputs.comparison import compare_record
from fabkit.outputs.report.board_view import render_comparison_page

pytestmark = pytest.mark.browser

WHEATEAR = Path(__file__).parents[2] / "fabkit" / "demo"
PLACES = """
const box = (name) => {
  const b = document.querySelector('.wipe ' + name + ' img').getBoundingClientRect();
  return [b.left, b.top, b.width, b.height].map(Math.round);
};
return {before: box('.before'), after: box('.after')};
"""
CLIP = "return getComputedStyle(document.querySelector('.wipe .after img')).clipPath;"
AUDIT = """
const done = arguments[arguments.length - 1];
axe.run({resultTypes: ['violations']}).then(done, error => done({failed: String(error)}));"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Where a browser finds the page of the demonstration's two revisions."""
    old, new = (board_at(WHEATEAR / name) for name in ("rev-a", "rev-b"))
    comparison = fabkit.compare_boards(old, new)
    path = tmp_path_factory.mktemp("compare") / "changes.html"
    html = render_comparison_page(comparison, compare_record(comparison))
    path.write_text(html, encoding="utf-8")
    return path.as_uri()


def test_the_wipe_moves_by_keyboard(shared_browser, address):
    """Both boards lie on each other; arrow keys move the edge between them."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    shared_browser.get(address)
    places = shared_browser.execute_script(PLACES)
    assert places["before"] == places["after"]
    assert "50%" in shared_browser.execute_script(CLIP)
    slider = shared_browser.find_element(By.CSS_SELECTOR, ".wipe input[type=range]")
    slider.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert "53%" in shared_browser.execute_script(CLIP)
    slider.send_keys(Keys.HOME)
    assert "0%" in shared_browser.execute_script(CLIP)
    assert [e for e in shared_browser.get_log("browser") if e["level"] == "SEVERE"] == []


def test_without_scripts_both_stand_side_by_side(scriptless, address):
    """No script: no slider, and the boards are beside each other, each whole."""
    from selenium.webdriver.common.by import By

    scriptless.get(address)
    images = scriptless.find_elements(By.CSS_SELECTOR, ".wipe:first-of-type img")[:2]
    sliders = scriptless.find_elements(By.CSS_SELECTOR, ".wipe input[type=range]")
    rects = [image.rect for image in images]

    assert not any(slider.is_displayed() for slider in sliders)
    assert rects[0]["x"] + rects[0]["width"] <= rects[1]["x"] + 1
    assert rects[0]["y"] == pytest.approx(rects[1]["y"], abs=1)


def test_an_accessibility_audit_finds_nothing_serious(shared_browser, address):
    """axe-core, rules of WCAG 2 A and AA and good practice: nothing serious or critical."""
    shared_browser.get(address)
    audit = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
    shared_browser.execute_script(audit)
    found = shared_browser.execute_async_script(AUDIT)

    assert "failed" not in found
    assert len(found["passes"]) > 15
    assert [
        (v["id"], [n["target"] for n in v["nodes"]][:3])
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ] == []
