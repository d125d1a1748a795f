"""Settings of all tests."""

from __future__ import annotations

import gc
import os
import shlex
import socket
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# A machine that is busy is no failure: time is bounded where it is the subject of a test. Examples
# are drawn anew in each run, so fewer of them find the same in a few more runs.
settings.register_profile("fabkit", deadline=None, max_examples=50)
settings.register_profile("seams", deadline=None, max_examples=10)  # .ci/others.py
settings.load_profile("fabkit")

# Modules are kept compiled even where the system asks for the opposite: a start of fabkit, of which
# there are many here, takes half a second more when it has to compile itself.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """Tests of a room stay together, in whatever order rooms, files and tests were drawn.

    What a room builds for all of its files (boards, a report, a browser) is then built in one of
    the processes, not in both.
    """
    rooms: dict[Path, int] = {}
    for item in items:
        rooms.setdefault(item.path.parent, len(rooms))
    items.sort(key=lambda item: rooms[item.path.parent])


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Each process takes one half of the tests and, when it is done, of what the other has left."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getvalue("dist") == "load" else None


def pytest_collection_finish():
    """Tests live to the end, and boards that are shared, too: garbage is seldom looked for.

    Nearly all that a test leaves goes when nothing names it any more.
    """
    gc.freeze()
    gc.set_threshold(10_000, 20, 20)


@pytest.fixture
def read_once(monkeypatch):
    """Commands of this process read and build equal packages once (see ``boards.py``)."""
    import boards  # of much that most runs of few tests do not need

    boards.read_once(monkeypatch)


@pytest.fixture(scope="session")
def copied(tmp_path_factory):
    """Path of a ``fabkit`` that works in a process that has loaded already (``copied.py``)."""
    import apart
    import copied as module

    folder = tmp_path_factory.mktemp("copied")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(folder / "socket"))
        listener.listen()
        server, pipe = apart.begin(module.serve, listener)
    # Without site and variables of the user's, Python itself starts in ten milliseconds.
    words = shlex.join([sys.executable, "-IS", module.__file__, str(folder / "socket")])
    command = folder / "fabkit"
    command.write_text(f'#!/bin/sh\nexec {words} "$@"\n')
    command.chmod(0o755)
    yield command
    server.kill()
    server.join()
    pipe.close()


@pytest.fixture(autouse=True, scope="session")
def nobodys_settings(tmp_path_factory):
    """No test sees the settings of who runs it, neither file nor variables."""
    kept = {name: value for name, value in os.environ.items() if name.startswith("FABKIT_")}
    for name in kept:
        del os.environ[name]
    os.environ["FABKIT_SETTINGS"] = str(tmp_path_factory.mktemp("settings") / "none.toml")
    yield
    del os.environ["FABKIT_SETTINGS"]
    os.environ.update(kept)
