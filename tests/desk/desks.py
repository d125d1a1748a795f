"""What the tests of the desk share: where it is asked for, packages, and waiting for its work."""

from __future__ import annotations

import io
import sys
import time
import zipfile
from pathlib import Path

from apart import PATIENCE_S
from held import Hold

from fabkit.desk.runs import Bench

sys.path.append(str(Path(__file__).parents[1] / "cli"))
from small_package import SMALL

HERE = "http://127.0.0.1:8000"


class Crowded(Bench):
    """A bench that never has room: nothing is worked on."""

    def ask(self, run):
        """Let everybody wait."""
        assert run
        return False


def zip_of(members):
    """Bytes of a zip of names and contents."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name), data)
    return made.getvalue()


SMALL_ZIP = zip_of(SMALL)


def follow(client, state, *, until=lambda state: not state["running"]):
    """Wait for the end of the work; give the last state."""
    end = time.monotonic() + PATIENCE_S
    while not until(state):
        assert time.monotonic() < end, state["stage"]
        answer = client.get(f"/orders/{state['id']}", params={"since": state["version"]})
        assert answer.status_code == 200, answer.text
        state = answer.json()
    return state


def hold_of(desk, order):
    """What holds the process that works on an order, where it is one that can be held."""
    return Hold(desk.folder / f"{order}.hold")


def begin(desk, data=SMALL_ZIP, name="small.zip", *, held_at=None):
    """Begin an order of a package; give its state right after."""
    order = desk.client.post("/orders", json={}).json()["id"]
    if held_at:
        hold_of(desk, order).at(held_at)
    answer = desk.client.put(f"/orders/{order}/files", params={"name": name}, content=data)
    assert answer.status_code == 200, answer.text
    return answer.json()
