"""A desk in this process, without the browser; processes of its own only where a test asks."""

from __future__ import annotations

import warnings
from types import SimpleNamespace

import pytest
from desks import HERE, Crowded

from fabkit.desk.app import Desk, build_app
from fabkit.desk.guard import Door
from fabkit.desk.store import Store

with warnings.catch_warnings():
    # Newer releases prefer another client library; both do here.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


def _open(folder, *, bench, password):
    store, door = Store(folder), Door(password)
    store.open()
    desk = Desk(store, door, cookie="desk", bench=bench)
    app = build_app(
        desk,
        door=door,
        hosts=frozenset({HERE.removeprefix("http://")}),
        cookie="desk",
    )
    client = TestClient(app, base_url=HERE, raise_server_exceptions=False)
    client.headers["origin"] = HERE
    return SimpleNamespace(store=store, door=door, client=client, folder=folder, desk=desk)


@pytest.fixture
def open_desk(tmp_path):
    """Open a desk, let in; ``bench``: who may work."""
    entered = []

    def opened(folder=tmp_path / "orders", *, bench=None, password=None, enter=True):
        desk = _open(folder, bench=bench or Crowded(), password=password)
        entered.append(desk.client.__enter__())
        if enter:
            assert desk.client.post("/enter", json={"token": desk.door.token}).status_code == 204
        return desk

    yield opened
    for client in entered:
        client.__exit__(None, None, None)


@pytest.fixture
def desk(open_desk):
    """A desk that is let in and works on nothing."""
    return open_desk()
