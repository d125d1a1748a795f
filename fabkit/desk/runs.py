"""What is being done for every order: which tasks wait, which run, and what is known so far.

A process of its own works on each order.  What it sends is JSON, never code: it has read files
that may be hostile.  When it dies, the step that killed it is known, as on the command line, and
the work begins again without it.
"""

from __future__ import annotations

import asyncio
import ctypes
import json
import os
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread
from typing import Any, Final

from fabkit.base.copies import processors
from fabkit.base.errors import FabkitError
from fabkit.base.steps import SIZE, Death, begin_bounded, read_death
from fabkit.base.streams import clean
from fabkit.base.tables import Record
from fabkit.desk.store import ORDER_FILE, VIEWS, OrderFolder
from fabkit.desk.wanted import choices_record, error_record, read_order, said
from fabkit.outputs.atomic import digest
from fabkit.outputs.pool import copying, end_with_parent, undisturbed
from fabkit.sheets.order import Order

_LOADED: Final = (
    "fabkit.desk.working",
    "fabkit.checks.catalogue",
    "fabkit.pictures.finished",
    "scipy.spatial",
    "scipy.optimize",
    "matplotlib.path",
    "jinja2",
)
"""What working loads: once, in the process that is copied."""

Hear = Callable[[Record], None]
Ended = Callable[[Death], None]


def warm_up() -> None:
    """Load everything in the process that is copied, so that the first order need not wait."""
    with undisturbed():
        copying(_LOADED).Process(target=_nothing, daemon=True).start()


def _nothing() -> None:
    """End at once: the process was only to be made."""


class OrderProcess:
    """A process that works on one order, task by task.

    Parameters
    ----------
    left_out
        Steps that killed the process before, each with how it died.
    hear, ended
        Called, in a thread of their own, with each message, and once with how it ended.
    """

    def __init__(
        self,
        folder: OrderFolder,
        left_out: Mapping[str, str],
        *,
        hear: Hear,
        ended: Ended,
    ) -> None:
        self._folder = folder
        self._left_out = dict(left_out)
        self._hear = hear
        self._ended = ended
        self._unwanted = False
        context = copying(_LOADED)
        self._pipe, self._theirs = context.Pipe()
        self._notice = context.RawArray(ctypes.c_char, SIZE)
        self._process: BaseProcess = context.Process(
            target=_work,
            args=(self._theirs, str(folder.path.absolute()), folder.id, self._notice, left_out),
            daemon=True,
        )
        Thread(target=self._listen, daemon=True).start()

    def give(self, task: Record) -> None:
        """Give it a task; it is done after those before it."""
        try:
            self._pipe.send_bytes(json.dumps(task).encode())
        except OSError:
            return  # it died, which is heard elsewhere

    def kill(self) -> None:
        """End it, whatever it does, even if it is only about to begin."""
        self._unwanted = True
        if self._process.pid is not None:
            self._process.kill()

    def _listen(self) -> None:
        with undisturbed():
            self._process.start()
        if self._unwanted:
            self._process.kill()
        self._theirs.close()
        try:
            while True:
                self._hear(json.loads(self._pipe.recv_bytes()))
        except (EOFError, OSError, ValueError):
            # It may have sent what is no message: it is not to be trusted any more.
            self._process.kill()
        self._process.join()
        notice = bytes(self._notice)
        self._pipe.close()
        self._ended(read_death(self._process.exitcode or 0, notice))


def _work(pipe: Connection, folder: str, name: str, notice: Any, left_out: dict[str, str]) -> None:
    """Work on an order until nobody gives tasks any more."""
    end_with_parent()
    begin_bounded(notice, left_out)
    os.chdir(folder)
    from fabkit.desk.working import Working

    working = Working(
        OrderFolder(name, Path()),
        say=lambda message: pipe.send_bytes(json.dumps(message).encode()),
        newer=pipe.poll,
    )
    while True:
        try:
            task = json.loads(pipe.recv_bytes())
        except EOFError:
            return
        working.do(task)
        pipe.send_bytes(json.dumps({"ended": task["number"]}).encode())


# Runs


WAITING: Final = "waiting for other orders"
CANCELLED: Final[Record] = said("the work was cancelled", "run it again when you want it")


class Conflict(FabkitError):
    """What was to be changed is no longer what the page showed."""


class Bench:
    """Room for so many orders to be worked on at once; the others wait in turn."""

    def __init__(self, places: int | None = None) -> None:
        # Two at least: a small order does not wait for a large one.
        self.places = places or max(2, processors())
        self._busy: set[Run] = set()
        self._waiting: deque[Run] = deque()
        self._warm: deque[Run] = deque()

    def ask(self, run: Run) -> bool:
        """Ask for a place; without one the run is called when its turn comes."""
        if run in self._busy or run in self._waiting:
            return run in self._busy
        if len(self._busy) < self.places:
            self._take(run)
            return True
        self._waiting.append(run)
        return False

    def leave(self, run: Run, *, warm: bool) -> None:
        """Give a place back; ``warm``: what was read stays in memory for the next change."""
        self._busy.discard(run)
        if run in self._waiting:
            self._waiting.remove(run)
        if run in self._warm:
            self._warm.remove(run)
        if warm:
            self._warm.append(run)
            if len(self._warm) > self.places:
                self._warm.popleft().cool()
        while self._waiting and len(self._busy) < self.places:
            following = self._waiting.popleft()
            self._take(following)
            following.begin()

    def _take(self, run: Run) -> None:
        self._busy.add(run)
        if run in self._warm:
            self._warm.remove(run)


class Run:
    """One order as the desk knows it: its state, its tasks, and the process that does them."""

    def __init__(self, folder: OrderFolder, bench: Bench) -> None:
        self.folder = folder
        self._bench = bench
        self._loop = asyncio.get_running_loop()
        self._process: OrderProcess | None = None
        self._left_out: dict[str, str] = {}
        self._tasks: list[Record] = []
        self._given = 0
        self._number = 0
        # Versions of a desk that is opened later are higher than those of one before.
        self.version = time.time_ns() // 1_000_000
        self._text_version = self.version
        self._text_digest = digest(folder.text())
        self._news = asyncio.Event()
        self._closed = False
        self.stage = ""
        self.share: float | None = 0.0
        self.error: Record | None = None
        self.notes: list[Record] = []
        self._labels: dict[str, str] = {}
        self._choices: tuple[str, Record] = ("", {})

    # State

    def look(self) -> None:
        """Notice an order file that was edited elsewhere: by hand, or by another desk."""
        now = digest(self.folder.text())
        if now != self._text_digest:
            self._text_digest = now
            self._changed(text=True)

    def state(self) -> Record:
        """Everything the page shows, but for the parts themselves."""
        data = self.folder.text()
        error, choices, name = self.error, {}, None
        try:
            order = read_order(data, self.folder.path) if data else None
        except FabkitError as wrong:
            error = error_record(wrong)
        else:
            if order is not None:
                choices, name = self._choices_of(order), order.name
        return {
            "id": self.folder.id,
            "version": self.version,
            "name": name,
            "toml": data.decode("utf-8", "replace"),
            "error": error,
            "notes": self.notes,
            "running": bool(self._tasks),
            "stage": self.stage,
            "share": self.share,
            "views": self._views(),
            "choices": choices,
            "files": self._files(),
            "downloads": self.downloads(),
        }

    def _choices_of(self, order: Order) -> Record:
        """Give what the controls show, made anew only where its inputs changed."""
        inputs = self.folder.inputs_digest() + self.folder.stamp("known.json")
        if self._choices[0] != inputs:
            self._choices = (inputs, choices_record(self.folder, order))
        return self._choices[1]

    def _views(self) -> dict[str, str]:
        found = {}
        for name in VIEWS:
            stamp = self.folder.stamp(f"{name}.html")
            if stamp:
                found[name] = stamp
        return found

    def _files(self) -> list[Record]:
        named = [("package", name) for name in self.folder.packages()]
        named += [("sheet", name) for name in self.folder.sheets()]
        rows = []
        for kind, name in named:
            with suppress(FileNotFoundError):  # it may go at any time
                size = (self.folder.path / name).stat().st_size
                rows.append({"name": name, "kind": kind, "bytes": size})
        return rows

    def downloads(self) -> list[Record]:
        """Files to download: those that were made of the order as it is now."""
        href = f"/orders/{self.folder.id}/downloads/"
        rows = [{"name": ORDER_FILE, "href": href + ORDER_FILE, "title": "The order file"}]
        inputs = self.folder.inputs_digest()
        for name, made in self.folder.record("made").items():
            if made.get("inputs") == inputs:
                rows.append({"name": name, "href": href + name, "title": made["title"]})
        return rows if self.folder.order_file.exists() else rows[1:]

    async def news(self, since: int, seconds: float) -> bool:
        """Wait for a state other than that of a version; whether there is one."""
        if self.version == since and not self._closed:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), seconds)
            self.look()
        return self.version != since or self._closed

    def _changed(self, *, text: bool = False) -> None:
        self.version += 1
        if text:
            self._text_version = self.version
        self._news.set()
        self._news = asyncio.Event()

    # Changes

    def refuse_older(self, version: int | None) -> None:
        """Refuse a change of an order that was changed since.

        Raises
        ------
        Conflict
            It was.
        """
        self.look()
        if version is not None and version < self._text_version:
            raise Conflict(
                "the order was changed in another place since",
                hint="look at it as it is now, and make your change again",
            )

    def write(self, data: bytes) -> None:
        """Write another order file, and work it out.

        Raises
        ------
        FabkitError
            It is wrong; nothing is changed.
        """
        read_order(data, self.folder.path)
        self.folder.write_order(data)
        self._text_digest = digest(data)
        self._changed(text=True)
        self.run()

    def take(self, package: str, label: str) -> None:
        """Work out the order with one more package, which its user calls ``label``."""
        self._labels[package] = label
        self.run([package])

    def run(self, new: Sequence[str] = ()) -> None:
        """Work out the order as it is now; ``new``: packages that no order file names yet."""
        pending = self._tasks[self._given :] if self._process is None else []
        for task in pending:
            if task["do"] == "run":
                task["new"] += [name for name in new if name not in task["new"]]
                return
        # A run that was given is superseded by this one: what it had to draft is taken over.
        unfinished = [n for task in self._tasks if task["do"] == "run" for n in task["new"]]
        self.add({"do": "run", "new": list(dict.fromkeys([*unfinished, *new]))})

    def add(self, task: Record) -> None:
        """Do a task after those before it."""
        if not self._tasks:
            self.notes, self.share = [], 0.0
            if self._left_out:
                # What was left out before is tried again.
                self._left_out = {}
                self.cool()
        self._number += 1
        self._tasks.append({**task, "number": self._number})
        self.error = None
        if self._bench.ask(self):
            self.begin()
        else:
            self.stage, self.share = WAITING, None
        self._changed()

    def begin(self) -> None:
        """Give the process all tasks that it does not have yet."""
        if self._process is None:
            self._given = 0
            self._process = self._new_process()
        for task in self._tasks[self._given :]:
            self._process.give(task)
        self._given = len(self._tasks)

    def cancel(self) -> None:
        """Drop all tasks."""
        if self._tasks:
            self.error = dict(CANCELLED)
        self._drop()
        self._changed()

    def close(self) -> None:
        """End all work, and let nobody wait any more."""
        self._closed = True
        self._drop()
        self._changed()

    def cool(self) -> None:
        """Let go of the process that waits for the next change."""
        if self._process is not None:
            self._process.kill()
        self._process = None

    def _drop(self) -> None:
        self._tasks, self._given = [], 0
        self.stage, self.share = "", 0.0
        self.cool()
        self._bench.leave(self, warm=False)

    # What the process says

    def _new_process(self) -> OrderProcess:
        made: OrderProcess

        def hear(message: Record) -> None:
            self._soon(self._heard, made, message)

        def ended(death: Death) -> None:
            self._soon(self._died, made, death)

        made = OrderProcess(self.folder, self._left_out, hear=hear, ended=ended)
        return made

    def _soon(self, what: Callable[..., None], *given: object) -> None:
        try:
            self._loop.call_soon_threadsafe(what, *given)
        except RuntimeError:
            return  # the desk is closed

    def _heard(self, process: OrderProcess, message: Record) -> None:
        if process is not self._process:
            return
        if "stage" in message:
            share = message["share"]
            # Later steps may count less: what was shown as done stays done.
            self.share = share if share is None else max(self.share or 0.0, share)
            self.stage = clean(message["stage"])[:200]
        if "error" in message:
            self.error = message["error"]
        if "refused" in message:
            self._refuse(message["refused"])
        if "draft" in message:
            try:
                self._take_draft(message["draft"].encode(), message["instead_of"])
            except FabkitError as error:  # it cannot be written
                self.error = error_record(error)
        if "ended" in message:
            self._tasks = [t for t in self._tasks if t["number"] != message["ended"]]
            self._given = min(self._given, len(self._tasks))
            if not self._tasks:
                self.stage, self.share = "", 1.0
                self._bench.leave(self, warm=True)
                if self.error is None and self.notes and not self.folder.text():
                    self.error = self.notes[0]
        self._changed()

    def _refuse(self, refused: Record) -> None:
        """Say why a package is not taken, under the name that its user knows."""
        package = refused["package"]
        label = clean(self._labels.get(package, Path(package).name))
        message = refused["message"].replace(package, label)
        self.notes.append(said(message, refused["hint"].replace(package, label)))
        self._forget(package)

    def _forget(self, package: str) -> None:
        for task in self._tasks:
            if package in task.get("new", ()):
                task["new"].remove(package)

    def _take_draft(self, data: bytes, instead_of: str) -> None:
        """Write a drafted order file, unless the one it is for was changed meanwhile."""
        drafted = [name for task in self._tasks[:1] for name in task.get("new", ())]
        if digest(self.folder.text()) != instead_of:
            self.add({"do": "run", "new": drafted})
            return
        for name in drafted:
            self._forget(name)
        self.folder.write_order(data)
        self.folder.keep_record("draft", {"sha256": digest(data)})
        self._text_digest = digest(data)
        self._changed(text=True)
        self.run()

    def _died(self, process: OrderProcess, death: Death) -> None:
        if process is not self._process:
            return
        self._process = None
        if not self._tasks:
            self._bench.leave(self, warm=False)
            return
        culprit = death.culprit
        if culprit is None or death.is_final(self._left_out):
            self._drop()
            self.error = said(death.message(), death.hint)
        else:
            self._left_out[culprit] = death.reason
            self.notes.append(said(f"{culprit}: {death.reason}", "the rest is done without it"))
            self._given = 0
            self.begin()
        self._changed()
