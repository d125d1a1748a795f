"""Work in processes of its own: whatever happens to one of them, the desk goes on."""

from __future__ import annotations

import os
import signal
import time
from multiprocessing import forkserver
from pathlib import Path

import pytest
from desks import begin, follow, zip_of
from small_package import SMALL

from fabkit.desk.runs import Bench

HUGE = {
    **SMALL,
    "small-copper-top.gbr": SMALL["small-copper-top.gbr"].replace(
        "M02*", "%SRX200Y200I0.1J0.1*%\nX1000000Y1000000D03*\n%SR*%\nM02*"
    ),
}
"""A disc repeated 40,000 times: minutes of work."""


@pytest.fixture(autouse=True, scope="module")
def loaded_anew():
    """Processes are copies of one that has loaded the desk, not of one that earlier tests made."""
    forkserver._forkserver._stop()


@pytest.fixture
def working(open_desk):
    """A desk that works."""
    return open_desk(bench=Bench())


def _pid(desk, state):
    """Number of the process that works on an order."""
    process = desk.desk._runs[state["id"]]._process
    return None if process is None else process._process.pid


def test_one_order_from_drop_to_zip(working):
    """Dropped, shown part by part, changed, mended, downloaded; nothing out of date is offered."""
    client = working.client
    state = begin(working)
    address = f"/orders/{state['id']}"
    state = follow(client, state)
    page = {name: client.get(f"{address}/views/{name}") for name in state["views"]}

    assert state["error"] is None
    assert set(page) == {"picture", "verdict", "cost", "parts", "thickness", "wiring", "package"}
    assert all(view.status_code == 200 for view in page.values())
    assert "<svg" in page["picture"].text
    assert "default-src 'none'" in page["picture"].headers["content-security-policy"]

    changed = client.post(f"{address}/change", json={"set": {"want.keyboards": 9}}).json()
    state = follow(client, changed)
    assert state["choices"]["keyboards"] == 9
    assert state["views"]["picture"] == changed["views"]["picture"]
    assert state["views"]["cost"] != changed["views"]["cost"]

    state = follow(client, client.post(f"{address}/mend").json())
    names = [row["name"] for row in state["downloads"]]
    assert names == ["order.toml", "small-mended.zip", "small-mended.html"]
    assert client.get(state["downloads"][1]["href"]).content.startswith(b"PK")
    stale = client.post(f"{address}/change", json={"set": {"name": "other"}}).json()
    assert [row["name"] for row in stale["downloads"]] == ["order.toml"]


def test_a_killed_process_is_said_and_run_goes_on(working):
    """The desk answers meanwhile; what killed it is left out and named; run does all of it."""
    client = working.client
    state = begin(working)
    address = f"/orders/{state['id']}"
    state = follow(client, state, until=lambda s: "checking" in s["stage"] or not s["running"])
    os.kill(_pid(working, state), signal.SIGKILL)
    state = follow(client, client.get(address).json())
    said = state["notes"] or [state["error"]]

    assert "SIGKILL" in said[0]["message"]
    assert client.get("/orders").status_code == 200
    state = follow(client, client.post(f"{address}/run").json())
    assert state["error"] is None
    assert state["notes"] == []
    assert "package" in state["views"]


def test_cancel_ends_it_at_once(working):
    """A heavy package is stopped in the middle; another one is done meanwhile, and after."""
    client = working.client
    heavy = begin(working, zip_of(HUGE), "heavy.zip")
    heavy = follow(client, heavy, until=lambda s: bool(s["stage"]))
    light = follow(client, begin(working))
    assert light["error"] is None

    pid = _pid(working, heavy)
    began = time.monotonic()
    state = client.post(f"/orders/{heavy['id']}/cancel").json()
    assert not state["running"]
    assert state["error"]["message"] == "the work was cancelled"
    while Path(f"/proc/{pid}").exists():
        assert time.monotonic() - began < 60  # of minutes
        time.sleep(0.02)


def test_more_orders_than_places_wait_their_turn(open_desk):
    """With one place the second waits, says so, and is done; the first is read again if changed."""
    desk = open_desk(bench=Bench(1))
    first, second = begin(desk), begin(desk)

    assert second["stage"] == "waiting for other orders"
    assert follow(desk.client, second)["error"] is None
    assert _pid(desk, first) is None
    address = f"/orders/{first['id']}"
    changed = desk.client.post(f"{address}/change", json={"set": {"want.keyboards": 9}})
    assert follow(desk.client, changed.json())["error"] is None


def test_a_killed_desk_loses_nothing(open_desk, tmp_path):
    """What was dropped and shown is there for the next desk; what was not done is done then."""
    before = open_desk(bench=Bench())
    done = follow(before.client, begin(before))
    half = begin(before)
    before.client.__exit__(None, None, None)  # in the middle of its work
    after = open_desk(bench=Bench())
    shown = after.client.get(f"/orders/{done['id']}").json()
    half = after.client.get(f"/orders/{half['id']}").json()

    assert shown["views"] == done["views"]
    assert shown["toml"] == done["toml"]
    assert [file["name"] for file in half["files"]] == ["packages/small.zip"]
    half = follow(after.client, after.client.post(f"/orders/{half['id']}/run").json())
    assert half["error"] is None
    assert half["views"].keys() == done["views"].keys()
    before.client.__enter__()


def test_two_desks_on_one_folder(open_desk):
    """Both show the same; a change in one is seen in the other, and an older one is refused."""
    one, other = open_desk(), open_desk()
    order = begin(one)["id"]
    one.store.get(order).write_order(
        b'format = 1\nname = "a"\n[[board]]\npackage = "packages/small.zip"'
    )
    address = f"/orders/{order}"
    seen = other.client.get(address).json()
    changed = one.client.post(f"{address}/change", json={"set": {"name": "b"}})
    late = other.client.post(
        f"{address}/change",
        json={"set": {"name": "c"}},
        headers={"if-match": str(seen["version"])},
    )

    assert (changed.status_code, late.status_code) == (200, 409)
    assert other.client.get(address).json()["name"] == "b"
    assert one.client.delete(address).status_code == 204
    assert other.client.get(address).status_code == 404


def test_the_demo_opens_with_its_picture_early(working):
    """The bundled demo is read, drawn and judged; its picture is there before the checks end."""
    client = working.client
    order = client.post("/orders", json={"demo": True}).json()["id"]
    early = follow(
        client,
        client.get(f"/orders/{order}").json(),
        until=lambda s: "picture" in s["views"] or not s["running"],
    )

    assert "verdict" not in early["views"]
    assert early["choices"]["house"]["file"] == "sheets/house.toml"
    assert client.post(f"/orders/{order}/cancel").status_code == 200


def test_what_a_process_sends_is_no_code(tmp_path, monkeypatch):
    """A process taken over by a hostile file can send text, which is not run, and is ended."""
    from multiprocessing import Pipe

    from fabkit.desk import runs

    ours, theirs = Pipe()
    ended, heard = [], []

    class Context:
        def Pipe(self):  # noqa: N802 -- as the library calls it
            return ours, theirs

        def RawArray(self, *_):  # noqa: N802
            return b"\0\0"

        def Process(self, **_):  # noqa: N802
            class One:
                pid, exitcode = 1, -9
                start = join = kill = lambda _: None

            return One()

    theirs.send_bytes(b'{"stage": "reading", "share": 0}')
    theirs.send_bytes(b"\x80\x04cposix\nsystem\n.")
    monkeypatch.setattr(theirs, "close", lambda: None)
    monkeypatch.setattr(runs, "copying", lambda _: Context())
    monkeypatch.setattr(runs.Thread, "start", lambda self: self.run())
    from fabkit.desk.store import OrderFolder

    runs.OrderProcess(
        OrderFolder("a", tmp_path), {}, hear=heard.append, ended=lambda death: ended.append(death)
    )

    assert heard == [{"stage": "reading", "share": 0}]
    assert ended[0].reason.endswith("(SIGKILL)")


def test_a_full_disk_is_said(working, monkeypatch):
    """An order file that cannot be written is an error of the order, and the desk goes on."""
    from fabkit.base.errors import OutputRefused
    from fabkit.desk.store import OrderFolder

    def full(*_):
        raise OutputRefused("cannot write order.toml: no space left on device", hint="free some")

    monkeypatch.setattr(OrderFolder, "write_order", full)
    state = follow(working.client, begin(working))

    assert state["error"]["message"] == "cannot write order.toml: no space left on device"
    monkeypatch.undo()
    again = working.client.post(f"/orders/{state['id']}/run").json()
    assert follow(working.client, again)["error"] is None
