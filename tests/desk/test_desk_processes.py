"""Work in processes of its own: whatever happens to one of them, the desk goes on."""

from __future__ import annotations

import os
import signal
from contextlib import contextmanager
from multiprocessing import Pipe, forkserver
from pathlib import Path
from threading import Event

import pytest
from apart import PATIENCE_S
from desks import begin, follow, hold_of
from held import until, work_held

from fabkit.base.steps import Death
from fabkit.desk import runs
from fabkit.desk.runs import Bench
from fabkit.desk.store import OrderFolder, Store


@pytest.fixture(autouse=True, scope="module")
def loaded_anew():
    """Processes are copies of one that has loaded the desk, not of one that earlier tests made."""
    forkserver._forkserver._stop()


@pytest.fixture(autouse=True)
def held_where_asked(monkeypatch):
    """A process that is to be killed or looked at in the middle of its work stands still there."""
    monkeypatch.setattr(runs, "_work", work_held)


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


@pytest.mark.parametrize("culprit", ["check hole/spacing of small", None])
def test_a_killed_process_is_said_and_run_goes_on(culprit, working):
    """The desk answers meanwhile; what killed it is left out and named; run does all of it.

    Where nothing can be left out, all is given up.
    """
    client = working.client
    state = begin(working, held_at=culprit or "pricing")
    address, hold = f"/orders/{state['id']}", hold_of(working, state["id"])
    os.kill(hold.held(), signal.SIGKILL)
    state = follow(client, client.get(address).json())
    said = state["notes"][0] if culprit else state["error"]

    assert "SIGKILL" in said["message"]
    assert (culprit or "pricing") in said["message"]
    assert (state["error"] is None) == bool(culprit)
    assert client.get("/orders").status_code == 200
    hold.release()
    state = follow(client, client.post(f"{address}/run").json())
    assert state["error"] is None
    assert state["notes"] == []
    assert "package" in state["views"]


def test_cancel_ends_it_at_once(working):
    """An order is stopped in the middle; another one is done meanwhile, and after."""
    client = working.client
    heavy = begin(working, held_at="drawing")
    pid = hold_of(working, heavy["id"]).held()
    light = follow(client, begin(working))
    assert light["error"] is None

    assert client.get(f"/orders/{heavy['id']}").json()["running"]
    state = client.post(f"/orders/{heavy['id']}/cancel").json()
    assert not state["running"]
    assert state["error"]["message"] == "the work was cancelled"
    until(lambda: not Path(f"/proc/{pid}").exists(), "ended")


def test_cancelled_before_it_begins_it_is_never_done(working, monkeypatch):
    """A process that is only about to begin when nobody wants its work any more ends, too."""
    asked, told = Event(), Event()
    said = []
    undisturbed = runs.undisturbed

    @contextmanager
    def late():
        assert asked.wait(PATIENCE_S)
        with undisturbed():
            yield

    def hear(_run, _process, what):
        said.append(what)
        told.set()

    monkeypatch.setattr(runs, "undisturbed", late)
    monkeypatch.setattr(runs.Run, "_died", hear)
    monkeypatch.setattr(runs.Run, "_heard", hear)
    state = begin(working)
    assert not working.client.post(f"/orders/{state['id']}/cancel").json()["running"]
    asked.set()

    assert told.wait(PATIENCE_S)
    assert [type(what) for what in said] == [Death]


def test_more_orders_than_places_wait_their_turn(open_desk):
    """With one place the second waits, says so, and is done; the first is read again if changed."""
    desk = open_desk(bench=Bench(1))
    first = begin(desk, held_at="reading")
    second = begin(desk)

    assert second["stage"] == "waiting for other orders"
    hold_of(desk, first["id"]).release()
    assert follow(desk.client, second)["error"] is None
    assert _pid(desk, first) is None
    address = f"/orders/{first['id']}"
    changed = desk.client.post(f"{address}/change", json={"set": {"want.keyboards": 9}})
    assert follow(desk.client, changed.json())["error"] is None


def test_a_killed_desk_loses_nothing(open_desk, tmp_path):
    """What was dropped and shown is there for the next desk; what was not done is done then."""
    before = open_desk(bench=Bench())
    done = follow(before.client, begin(before))
    half = begin(before, held_at="checking")
    hold = hold_of(before, half["id"])
    hold.held()
    before.client.__exit__(None, None, None)  # in the middle of its work
    hold.release()
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


def test_the_demo_opens_with_its_picture_early(working, monkeypatch):
    """The bundled demo is read, drawn and judged; its picture is there before the checks end."""
    client, new = working.client, Store.begin

    def held(store):
        folder = new(store)
        hold_of(working, folder.id).at("checking")
        return folder

    monkeypatch.setattr(Store, "begin", held)
    order = client.post("/orders", json={"demo": True}).json()["id"]
    early = client.get(f"/orders/{order}").json()
    early = follow(client, early, until=lambda s: "picture" in s["views"] or not s["running"])

    assert early["running"]
    assert "verdict" not in early["views"]
    assert early["choices"]["house"]["file"] == "sheets/house.toml"
    assert client.post(f"/orders/{order}/cancel").status_code == 200


def test_what_a_process_sends_is_no_code(tmp_path, monkeypatch):
    """A process taken over by a hostile file can send text, which is not run, and is ended."""
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
    runs.OrderProcess(
        OrderFolder("a", tmp_path), {}, hear=heard.append, ended=lambda death: ended.append(death)
    )

    assert heard == [{"stage": "reading", "share": 0}]
    assert ended[0].reason.endswith("(SIGKILL)")


def test_a_full_disk_is_said(working, monkeypatch):
    """An order file that cannot be written is an error of the order, and the desk goes on."""
    from fabkit.base.errors import OutputRefused

    def full(*_):
        raise OutputRefused("cannot write order.toml: no space left on device", hint="free some")

    monkeypatch.setattr(OrderFolder, "write_order", full)
    state = follow(working.client, begin(working))

    assert state["error"]["message"] == "cannot write order.toml: no space left on device"
    monkeypatch.undo()
    again = working.client.post(f"/orders/{state['id']}/run").json()
    assert follow(working.client, again)["error"] is None
