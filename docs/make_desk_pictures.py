"""Photographs the desk with the invented demo on it, for README and docs.

Run ``python docs/make_desk_pictures.py`` after the look of the page changed.  It needs chromium and
chromedriver, and ``pip install -e '.[desk,test]'``.
"""

from __future__ import annotations

import io
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

from fabkit.outputs.atomic import write_file

OUT = Path(__file__).parent / "pictures"
SWITCHES = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars")
READY = (
    "return fabkitDesk.state && !fabkitDesk.state.running"
    " && Object.keys(fabkitDesk.views.shown).length >= 7"
)
COLOURS = 96
"""Enough for a page of few colours, and a third of the bytes."""


def main() -> None:
    """Write every picture."""
    with tempfile.TemporaryDirectory() as folder:
        desk = subprocess.Popen(  # noqa: S603 -- our own command
            [sys.executable, "-m", "fabkit", "desk", "--no-browser", "--folder", folder],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            line = desk.stdout.readline() if desk.stdout else ""
            _photograph(re.findall(r"http://\S+", line)[0])
        finally:
            desk.send_signal(signal.SIGINT)
            desk.wait()


def _photograph(address: str) -> None:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for switch in SWITCHES:
        options.add_argument(switch)
    driver = Service(shutil.which("chromedriver"))
    browser = webdriver.Chrome(options=options, service=driver)
    try:
        _look(browser, 1120, 380)
        browser.get(address)
        wait = WebDriverWait(browser, 60, poll_frequency=0.1)
        wait.until(lambda b: b.execute_script("return !document.getElementById('demo').hidden"))
        _keep(browser, "desk-drop")
        browser.execute_script("document.getElementById('demo').click()")
        _look(browser, 1280, 880)
        wait.until(lambda b: b.execute_script(READY))
        _keep(browser, "desk")
        browser.execute_script("document.getElementById('want').scrollIntoView()")
        _look(browser, 1120, 620)
        _keep(browser, "desk-wishes")
    finally:
        browser.quit()


def _look(browser: webdriver.Chrome, width: int, height: int) -> None:
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    calm = {"name": "prefers-reduced-motion", "value": "reduce"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [calm]})


def _keep(browser: webdriver.Chrome, name: str) -> None:
    # Two frames: the picture of the board settles in the first.
    browser.execute_async_script(
        "const done = arguments[0]; setTimeout(() => requestAnimationFrame(done), 400)"
    )
    image = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
    made = io.BytesIO()
    image.quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(
        made, "PNG", optimize=True
    )
    write_file(OUT / f"{name}.png", made.getvalue(), replace=True)


if __name__ == "__main__":
    main()
