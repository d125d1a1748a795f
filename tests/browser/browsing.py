"""What the tests in a browser share: waiting for what a page becomes, windows of other sizes."""

from __future__ import annotations

from contextlib import contextmanager

import held

TWO_PICTURES = """const done = arguments[arguments.length - 1];
requestAnimationFrame(() => requestAnimationFrame(done));"""
"""What watches the size of an element hears of it before the first is drawn."""


def until(browser, condition, *given):
    """Wait until something holds in the page; give it."""
    script = f"return {condition}"
    return held.until(lambda: browser.execute_script(script, *given), condition)


@contextmanager
def sized(browser, width, height):
    """The browser with a window of another size; its page is laid out and drawn in it."""

    def become(width, height):
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        until(browser, "innerWidth === arguments[0] && innerHeight === arguments[1]", width, height)
        browser.execute_async_script(TWO_PICTURES)

    become(width, height)
    try:
        yield browser
    finally:
        become(1280, 900)
