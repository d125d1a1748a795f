"""The demonstration's report, opened in a real browser."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from apart import PATIENCE_S

import fabkit
from fabkit.base.findings import Finding, Place, Rule, Severity, Source
from fabkit.desk import ordering
from fabkit.outputs.model import OrderContents

ROOT = Path(__file__).parents[2]
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


def pytest_collection_modifyitems(items):
    """A machine without the browser skips these tests, unless it is the one that decides."""
    if (BROWSER and DRIVER) or os.environ.get("CI"):
        return
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.skip(reason="chromium and chromedriver are not installed"))


PLANTED = Finding.of(
    Rule(
        id="planted/on-the-back",
        title="Planted",
        why="To have a finding with places on either face, whatever the demonstration has.",
        source=Source("common practice"),
        severity=Severity.WARNING,
        advice="Nothing.",
    ),
    'planted at SW17 <b>& "elsewhere"</b>',
    Place(side="bottom", x_mm=88.75, y_mm=19.0),
    Place(side="top", x_mm=30.0, y_mm=60.0),
)
"""A finding of our own."""


@dataclass(frozen=True)
class Report:
    """The page of the demonstration order, and what it was made from."""

    path: Path
    contents: OrderContents

    @property
    def address(self):
        """Where a browser finds it on disk."""
        return self.path.as_uri()


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    """The demonstration order, written by the way every user takes."""
    seen = []
    write = ordering.write_order

    def spy(contents, *arguments, **named):
        judged = contents.boards[0]
        result = replace(judged.result, findings=(*judged.result.findings, PLANTED))
        contents = replace(contents, boards=(replace(judged, result=result),))
        seen.append(contents)
        return write(contents, *arguments, **named)

    folder = tmp_path_factory.mktemp("order") / "wheatear"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ordering, "write_order", spy)
        fabkit.order(ROOT / "fabkit/demo/order.toml", folder)
    return Report(folder / "report.html", seen[0])


@pytest.fixture(scope="session")
def start(tmp_path_factory):
    """Start a browser with an empty profile: ``with start(script=False) as browser``."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    @contextmanager
    def started(*, width=1280, height=900, dark=False, script=True):
        options = webdriver.ChromeOptions()
        options.binary_location = BROWSER
        profile = tmp_path_factory.mktemp("profile")
        for switch in (*SWITCHES, f"--user-data-dir={profile}", f"--window-size={width},{height}"):
            options.add_argument(switch)
        if not script:
            setting = {"profile.managed_default_content_settings.javascript": 2}
            options.add_experimental_option("prefs", setting)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        browser = webdriver.Chrome(options=options, service=Service(DRIVER))
        try:
            browser.set_script_timeout(PATIENCE_S)
            size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
            yield browser
        finally:
            browser.quit()

    return started


@pytest.fixture(scope="session")
def shared_browser(start):
    """One browser for all tests that need nothing special."""
    with start() as browser:
        yield browser


@pytest.fixture(scope="session")
def scriptless(start):
    """One browser that runs no scripts."""
    with start(script=False) as browser:
        yield browser


@pytest.fixture
def page(shared_browser, report):
    """The report, freshly opened."""
    shared_browser.get(report.address)
    return shared_browser
