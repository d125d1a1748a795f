"""The desk in a real browser: the whole job from the drop to the zip, and what goes wrong on it."""

from __future__ import annotations

import base64
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import zipfile
from importlib.resources import files
from pathlib import Path

import pytest
from browsing import TWO_PICTURES, sized, until
from click.testing import CliRunner
from held import Hold

from fabkit.cli.group import cli

pytestmark = pytest.mark.browser

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fabkit/demo"
IDLE = "fabkitDesk.state && !fabkitDesk.state.running"
SETTLED = f"""{IDLE} && Object.keys(fabkitDesk.views.shown).length >= 7
  && Object.entries(fabkitDesk.state.views).every(([k, v]) => fabkitDesk.views.shown[k] === v)"""
"""Worked out, and all of it is shown as it is now."""

DROP = """
const transfer = new DataTransfer();
for (const [name, data] of arguments[0]) {
  transfer.items.add(new File([Uint8Array.from(atob(data), (c) => c.charCodeAt(0))], name));
}
for (const kind of ["dragenter", "dragover", "drop"]) {
  document.querySelector(arguments[1]).dispatchEvent(
    new DragEvent(kind, { bubbles: true, cancelable: true, dataTransfer: transfer }));
}"""

SET = """
const control = document.getElementById(arguments[0]);
control.focus();
control.value = arguments[1];
for (const kind of ["input", "change"]) {
  control.dispatchEvent(new Event(kind, { bubbles: true }));
}"""

FETCH = """
const done = arguments[1];
fetch(arguments[0]).then((a) => a.arrayBuffer()).then((bytes) => {
  let text = "";
  for (const byte of new Uint8Array(bytes)) text += String.fromCharCode(byte);
  done(btoa(text));
}, (error) => done("failed: " + error));"""

AXE = """
const done = arguments[0];
for (const body of document.querySelectorAll(".scroll tbody"))
  while (body.rows.length > 3) body.deleteRow(-1);
axe.run({exclude: [[".stage"]]}, {resultTypes: ["violations"]}).then(
  (found) => done(found.violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 200))])),
  (error) => done(String(error)));"""


def zipped(*paths, below=None):
    """Bytes of a zip of files."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for path in paths:
            archive.write(path, path.relative_to(below).as_posix())
    return made.getvalue()


def bomb():
    """A zip whose only file unpacks to a thousand times its size."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("board.gbr", bytes(8_000_000))
    return made.getvalue()


class Page:
    """The desk's page in a browser, and the process that serves it."""

    def __init__(self, browser, address, folder, server):
        self.browser, self.address, self.folder, self.server = browser, address, folder, server
        self.wheatear = ""
        self.hold = Hold(folder / "any.hold")

    def do(self, script, *given):
        """Run a script in the page."""
        return self.browser.execute_script(script, *given)

    def until(self, condition):
        """Wait until something holds in the page; give it."""
        try:
            return until(self.browser, condition)
        except AssertionError as never:
            state = self.do("return JSON.stringify(window.fabkitDesk && fabkitDesk.state)")
            raise AssertionError(f"{never}; {(state or '')[-600:]}") from None

    def text(self, selector):
        """Words of all elements of a selector."""
        script = "return [...document.querySelectorAll(arguments[0])].map((e) => e.innerText)"
        return " ".join(" ".join(self.do(script, selector)).split())

    def home(self):
        """Go to the list of orders."""
        self.browser.get(self.address)
        self.until("!document.getElementById('start').hidden")

    def drop(self, named, onto="#start .drop"):
        """Drop files; wait until the desk has an order for them."""
        self.do(DROP, [(name, base64.b64encode(data).decode()) for name, data in named], onto)
        self.until("fabkitDesk.state && !document.getElementById('order').hidden")

    def open(self, order):
        """Open an order that is worked out."""
        self.browser.get(f"{self.address}?order={order}")
        self.until(SETTLED)

    def take(self, href):
        """Give the bytes behind a link of the page."""
        found = self.browser.execute_async_script(FETCH, href)
        assert not found.startswith("failed"), found
        return base64.b64decode(found)

    def audit(self):
        """Name what axe-core finds, rules of WCAG 2 A and AA and good practice.

        Of each table three rows stand for all: cells are what takes time.  Pictures of the board
        are the report's, and audited there.
        """
        self.do(files("axe_core_python").joinpath("axe.min.js").read_text("utf-8"))
        return self.browser.execute_async_script(AXE)


@pytest.fixture(scope="module")
def page(shared_browser, tmp_path_factory):
    """A desk of its own, with the demonstration worked out on it."""
    pytest.importorskip("uvicorn")
    folder = tmp_path_factory.mktemp("desk")
    arguments = [sys.executable, "-c", "from held import serve; serve()"]
    arguments += ["desk", "--no-browser", "--folder", str(folder)]
    # Settings of this machine's user are not the test's.
    settings = tmp_path_factory.mktemp("settings")
    environment = {**os.environ, "XDG_CONFIG_HOME": str(settings), "PYTHONUNBUFFERED": "1"}
    environment["PYTHONPATH"] = str(ROOT / "tests")
    server = subprocess.Popen(
        arguments, stdout=subprocess.PIPE, text=True, env=environment, cwd=folder
    )
    try:
        opened = re.search(r"http://\S+?/#\S+", server.stdout.readline())
        address = opened[0].split("#")[0]
        shared_browser.get(opened[0])
        made = Page(shared_browser, address, folder, server)
        made.until("window.fabkitDesk && !document.getElementById('start').hidden")
        assert shared_browser.current_url == address, "the secret does not stay in the address"
        package = DEMO / "rev-b"
        board = zipped(*sorted(p for p in package.iterdir() if p.is_file()), below=package)
        sheets = [(name, (DEMO / name).read_bytes()) for name in ("house.toml", "parts.toml")]
        made.hold.at("checking")
        made.drop([("wheatear.zip", board), *sheets])
        made.until("document.querySelector('#boards .stage svg, #boards .stage img')")
        made.early = made.do("return [fabkitDesk.state.running, fabkitDesk.state.views.verdict]")
        made.hold.release()
        made.until(SETTLED)
        made.wheatear = shared_browser.current_url.rpartition("=")[2]
        yield made
    finally:
        # The next page of this browser starts without what this one said.
        shared_browser.get("about:blank")
        shared_browser.get_log("browser")
        server.send_signal(signal.SIGINT)
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        server.stdout.close()


@pytest.fixture
def order(page):
    """The demonstration's order, opened."""
    page.open(page.wheatear)
    return page


def quoted(path):
    """What ``fabkit quote`` says of an order file."""
    result = CliRunner().invoke(cli, ["quote", str(path), "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_the_whole_job(order, tmp_path):
    """Dropped, judged, changed, priced as by ``quote``, taken away as ``order`` writes it."""
    assert order.early == [True, None], "the picture is there before the checks have ended"
    assert "Fit to order" in order.text("#boards .verdict .word")
    before = order.text("#boards .money .sum")
    order.do(SET, "wish-want-keyboards", "4")
    order.do(SET, "wish-options-finish", "enig")
    wanted = "fabkitDesk.state.choices"
    order.until(f"{SETTLED} && {wanted}.keyboards === 4 && {wanted}.finish.value === 'enig'")
    assert order.text("#boards .money .sum") != before
    folder = order.folder / order.wheatear
    best = quoted(folder / "order.toml")["best"]
    assert best["total"] in order.text("#boards .money .sum")
    assert f"Order {best['boards']} boards" in order.text("#boards .money .sum")

    order.do("document.querySelector('#take .takes button').click()")
    link = "[...document.querySelectorAll('#downloads a')].find((a) => /-order.zip$/.test(a.href))"
    order.until(f"{IDLE} && {link}")
    links = order.do("return [...document.querySelectorAll('#downloads a')].map((a) => a.href)")
    taken = {link.rpartition("/")[2]: order.take(link) for link in links}
    assert taken["order.toml"] == (folder / "order.toml").read_bytes()
    whole = next(data for name, data in taken.items() if name.endswith("-order.zip"))
    # What is in the order's folder is all that the command needs.
    shutil.copytree(folder, tmp_path / "same", ignore=shutil.ignore_patterns("done"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path / "same")
        result = CliRunner().invoke(cli, ["order", "order.toml", "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        page = {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}
    made = {
        path.relative_to(tmp_path / "out").as_posix(): path.read_bytes()
        for path in (tmp_path / "out").rglob("*")
        if path.is_file()
    }
    assert sorted(page) == sorted(made)
    assert [name for name in made if made[name] != page[name]] == []
    uploads = [name for name in taken if name in made and name.endswith(".zip")]
    assert uploads
    assert all(taken[name] == made[name] for name in uploads)


def test_it_is_shown_again_after_a_reload(order):
    """The order is in the address, and nothing secret; what was unfolded is the reader's own."""
    order.browser.refresh()
    order.until(SETTLED)
    assert order.browser.current_url == f"{order.address}?order={order.wheatear}"
    assert "Fit to order" in order.text("#boards .verdict .word")
    order.do("document.getElementById('home').click()")
    order.until("document.querySelector('#recent a.title')")
    assert "Fit to order" in order.text("#recent li")
    order.browser.back()
    order.until(SETTLED)
    assert order.do("return document.getElementById('start').hidden")


LATE = """
const usual = window.fetch;
window.fetch = async (path, more) => {
  const answer = await usual(path, more);
  if (path === arguments[0]) {
    window.fetch = usual;
    await new Promise((go) => { window.letGo = go; });
  }
  return answer;
};"""
"""One answer comes when it is let go, whatever was asked for later."""


def test_who_goes_on_stays_there(order):
    """An answer that comes late does not bring back the page that it was asked for."""
    order.do(LATE, "/orders")
    order.do("fabkitDesk.go(null)")
    order.until("Boolean(window.letGo)")
    order.do("fabkitDesk.go(arguments[0])", order.wheatear)
    order.until(SETTLED)
    order.do("letGo(); letGo = null")
    order.browser.execute_async_script(TWO_PICTURES)
    assert order.do("return document.getElementById('start').hidden")
    order.do(LATE, f"/orders/{order.wheatear}")
    order.do("fabkitDesk.route()")
    order.until("Boolean(window.letGo)")
    order.do("fabkitDesk.go(null)")
    order.until("!document.getElementById('start').hidden")
    order.do("letGo()")
    order.browser.execute_async_script(TWO_PICTURES)
    assert order.do("return document.getElementById('order').hidden && !fabkitDesk.poll")


def test_everyone_can_use_it(order):
    """axe-core finds nothing in the order, in the form of a sheet, nor in the list of orders."""
    order.do("for (const fold of document.querySelectorAll('details')) fold.open = true")
    assert order.audit() == []
    order.do("document.getElementById('edit-house').click()")
    order.until("document.getElementById('sheet').open")
    assert order.audit() == []
    order.home()
    assert order.audit() == []


def test_it_is_as_wide_as_a_telephone(order):
    """Nothing scrolls sideways at 390 px: an order with all unfolded, a sheet, the list."""
    wide = "return document.scrollingElement.scrollWidth"
    with sized(order.browser, 390, 844):
        order.do("for (const fold of document.querySelectorAll('details')) fold.open = true")
        assert order.do(wide) == 390
        order.do("document.getElementById('edit-parts').click()")
        order.until("document.getElementById('sheet').open")
        box = "const s = document.getElementById('sheet'); return s.scrollWidth - s.clientWidth"
        assert order.do(box) == 0
        order.home()
        assert order.do(wide) == 390


def test_a_wrong_value_is_said_beside_its_field(order):
    """The desk judges as the command does; nothing is changed, and the message has its place."""
    order.do(SET, "wish-want-keyboards", "0")
    order.until("document.getElementById('wish-want-keyboards-wrong').textContent")
    assert "too small" in order.text("#wish-want-keyboards-wrong")
    assert order.do("return fabkitDesk.state.choices.keyboards") >= 1
    order.do("document.getElementById('edit-house').click()")
    order.until("document.getElementById('sheet').open")
    line = next(
        n
        for n, text in enumerate(order.do("return fabkitDesk.editor.text").splitlines())
        if text.startswith("track_mm")
    )
    order.do(SET, f"line-{line}", "wide")
    order.do("document.getElementById('sheet-save').click()")
    order.until(f"document.getElementById('line-{line}-wrong').textContent")
    assert f"Line {line + 1}" in order.text(f"#line-{line}-wrong")
    assert order.do("return document.activeElement.id") == f"line-{line}"
    order.do(SET, f"line-{line}", "0.16")
    order.do("document.getElementById('sheet-save').click()")
    order.until("!document.getElementById('sheet').open")
    house = (order.folder / order.wheatear / "sheets/house.toml").read_text("utf-8")
    changed = [
        (a, b)
        for a, b in zip(
            (DEMO / "house.toml").read_text("utf-8").splitlines(), house.splitlines(), strict=True
        )
        if a != b
    ]
    assert len(changed) == 1, "the form changes its line, and no other"
    assert changed[0][1].startswith("track_mm = 0.16")
    order.until(IDLE)


def test_two_tabs_on_one_order(order):
    """The tab that was slower is told, and shows what is wanted now."""
    browser = order.browser
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    try:
        order.open(order.wheatear)
        order.do("fabkitDesk.stopPolling()")
        second = browser.current_window_handle
        browser.switch_to.window(first)
        order.do(SET, "wish-want-spare_halves", "1")
        order.until("fabkitDesk.state.choices.spare_halves === 1")
        browser.switch_to.window(second)
        assert order.do("return fabkitDesk.state.choices.spare_halves") == 0
        order.do(SET, "wish-want-spare_halves", "2")
        order.until("document.querySelector('#notices [data-key=other]')")
        assert "newer state" in order.text("#notices")
        assert order.do("return document.getElementById('wish-want-spare_halves').value") == "1"
        browser.close()
    finally:
        browser.switch_to.window(first)


def test_a_bomb_and_a_text_file(page):
    """Both end with what, where and what to do; the desk goes on, and keeps no empty order."""
    page.home()
    count = page.do("return document.querySelectorAll('#recent li').length")
    for name, data, words in (
        ("bomb.zip", bomb(), "would unpack to"),
        ("notes.txt", b"Dear board house\n", "holds no Gerber or drill file"),
    ):
        page.drop([(name, data)])
        page.until(f"{IDLE} && document.querySelector('#notices .is-stop')")
        assert words in page.text("#notices")
        page.do("document.getElementById('home').click()")
        page.until("!document.getElementById('start').hidden")
    assert page.do("return document.querySelectorAll('#recent li').length") == count


def test_a_worker_that_is_killed(order):
    """The page says so, the desk goes on, and the same work succeeds when asked again."""
    order.hold.at("mending")
    order.do("fabkitDesk.deed('mend')")
    os.kill(order.hold.held(), signal.SIGKILL)
    order.hold.release()
    order.until(f"{IDLE} && (fabkitDesk.state.error || fabkitDesk.state.notes.length)")
    assert order.until("document.querySelector('#notices .notice')")
    order.do("document.querySelector('[data-run=run]').click()")
    order.until(f"{SETTLED} && !fabkitDesk.state.error")
    assert "Fit to order" in order.text("#boards .verdict .word")


def test_a_desk_that_does_not_answer(order):
    """The page asks whether it still runs, and goes on when it does."""
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    order.browser.execute_cdp_cmd("Network.enable", {})
    order.browser.execute_cdp_cmd("Network.emulateNetworkConditions", offline)
    order.do("fabkitDesk.startPolling()")
    order.until("!document.getElementById('lost').hidden")
    assert "is it still running" in order.text("#lost")
    online = {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    order.browser.execute_cdp_cmd("Network.emulateNetworkConditions", online)
    order.until("document.getElementById('lost').hidden")


def test_names_never_become_markup(order):
    """A name that is markup is shown as it is written."""
    name = "<b id=bold>Wheatear</b>"
    order.do(SET, "wish-name", name)
    order.until(f"{IDLE} && document.getElementById('name').textContent === {name!r}")
    order.until(f"{SETTLED}")
    assert order.do("return document.getElementById('bold')") is None


def test_the_keyboard_alone(order):
    """Tab leads through the page; a choice is made, a sheet is opened and closed by keys."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def press(*keys):
        ActionChains(order.browser).send_keys(*keys).perform()

    order.home()
    for _ in range(12):
        press(Keys.TAB)
        if order.do("return document.activeElement.dataset.choose") == "files":
            break
    assert order.do("return document.activeElement.textContent") == "Choose files"
    order.open(order.wheatear)
    order.do("document.getElementById('wish-options-colour').focus()")
    before = order.do("return fabkitDesk.state.choices.colour.value")
    press(Keys.ARROW_DOWN)
    order.until(f"fabkitDesk.state.choices.colour.value !== {before!r}")
    order.until(SETTLED)
    assert order.do("return document.activeElement.id") == "wish-options-colour"
    order.do("document.getElementById('edit-order').focus()")
    press(Keys.ENTER)
    order.until("document.getElementById('sheet').open")
    press(Keys.ESCAPE)
    order.until("!document.getElementById('sheet').open")
    assert order.do("return document.activeElement.id") == "edit-order"
