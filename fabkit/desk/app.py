"""What the desk answers: the page, the state of each order, and what changes it.

What the page sends is counted while it comes in, and kept only when it is whole.
"""

from __future__ import annotations

import json
import shutil
import time
import zipfile
from asyncio import Lock
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import ExitStack, asynccontextmanager, suppress
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any, Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from fabkit.base import ZIP_DATE
from fabkit.base.errors import FabkitError, UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.tables import Record
from fabkit.costs.learning import learn_house
from fabkit.desk.guard import Door, Guard
from fabkit.desk.runs import Bench, Conflict, Run
from fabkit.desk.store import ORDER_FILE, VIEWS, OrderFolder, Store, safe_name
from fabkit.desk.wanted import (
    changed,
    error_record,
    judge_sheet,
    kind_of_sheet,
    new_sheet_path,
    read_order,
    sheet_text,
)
from fabkit.outputs.atomic import write_file
from fabkit.outputs.report.shell import page_script, page_style
from fabkit.package.naming import safe_names
from fabkit.package.opening import is_zip
from fabkit.sheets.order import Order
from fabkit.sheets.quotes import EXAMPLE_QUOTES, read_quotes
from fabkit.sheets.toml_text import SHEET_BYTES, read_sheet_bytes

POLL_SECONDS: Final = 20.0
"""Longest wait for news."""
ENTER_BYTES: Final = 4096
"""Of a request that names things only; sheets and packages have their own bounds."""
MOST_SETS: Final = 8
"""Folders of one order that come in at once."""


class TooLarge(FabkitError):
    """More bytes than are taken."""


_KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
}
_STATUSES: Final[Mapping[type[FabkitError], int]] = {
    Conflict: 409,
    TooLarge: 413,
    FabkitError: 422,
}


class Desk:
    """All orders of one user, and what is being done for them."""

    def __init__(
        self, store: Store, door: Door, *, cookie: str, bench: Bench | None = None
    ) -> None:
        self._store = store
        self._door = door
        self._cookie = cookie
        self._bench = bench or Bench()
        self._runs: dict[str, Run] = {}
        self._sets: dict[tuple[str, str], DroppedFolder] = {}
        self.leaving: Callable[[], bool] = lambda: False

    def routes(self) -> list[Route]:
        """Every address, with who answers it."""
        order = "/orders/{id}"
        table: list[tuple[str, str, Callable[..., Any]]] = [
            ("GET", "/", self.page),
            ("GET", "/page/{name}", self.page),
            ("POST", "/enter", self.enter),
            ("GET", "/orders", self.orders),
            ("POST", "/orders", self.begin),
            ("GET", order, self.state),
            ("DELETE", order, self.remove),
            ("PUT", f"{order}/files", self.put_file),
            ("POST", f"{order}/sets/{{set}}", self.end_set),
            ("GET", f"{order}/views/{{name}}", self.view),
            ("POST", f"{order}/change", self.change),
            ("GET", f"{order}/order.toml", self.order_text),
            ("PUT", f"{order}/order.toml", self.put_order),
            ("GET", f"{order}/sheets/{{kind}}", self.sheet),
            ("PUT", f"{order}/sheets/{{kind}}", self.put_sheet),
            ("GET", "/quotes.csv", self.example_quotes),
            ("POST", f"{order}/cancel", self.cancel),
            ("POST", f"{order}/revision", self.revision),
            ("POST", f"{order}/{{deed}}", self.do),
            ("GET", f"{order}/downloads/{{name}}", self.download),
        ]
        return [Route(path, answer, methods=[method]) for method, path, answer in table]

    def close(self) -> None:
        """End all work, and drop what came in half."""
        for run in self._runs.values():
            run.close()
        for dropped in self._sets.values():
            dropped.drop()
        self._runs, self._sets = {}, {}

    # The page

    async def page(self, request: Request) -> Response:
        """Give a file of the page, or style and scripts that it shares with the report."""
        name = request.path_params.get("name", "index.html")
        kind = _KINDS.get(Path(name).suffix)
        if kind is None:
            raise HTTPException(404)
        if name == "report.css":
            return Response(page_style(), media_type=kind)
        shared = page_script(name)
        if shared is not None:
            return Response(shared, media_type=kind)
        folder = files("fabkit.desk").joinpath("page")
        # Names are compared, never joined: no path of a request reaches the file system.
        for file in folder.iterdir() if folder.is_dir() else ():
            if file.name == name:
                return Response(file.read_bytes(), media_type=kind)
        raise HTTPException(404)

    async def enter(self, request: Request) -> Response:
        """Let a browser in that knows the token of the address, or the password."""
        asked = _json(await read_body(request, ENTER_BYTES))
        wait = self._door.wait_seconds()
        if wait and not asked.get("token"):
            body = {"message": "too many wrong tries", "hint": f"wait {wait:.0f} s, then try again"}
            return JSONResponse(body, 429, {"retry-after": f"{wait + 1:.0f}"})
        session = self._door.admit(
            token=str(asked.get("token") or ""), password=str(asked.get("password") or "")
        )
        if session is None:
            hint = "open the address that fabkit desk printed, or type its password"
            return JSONResponse({"message": "that is not right", "hint": hint}, 403)
        answer = Response(status_code=204)
        answer.set_cookie(self._cookie, session, httponly=True, samesite="strict", path="/")
        return answer

    # Orders

    async def orders(self, request: Request) -> Response:
        """List all orders."""
        del request
        rows = await run_in_threadpool(self._store.listing)
        return JSONResponse({"folder": str(self._store.folder), "orders": rows, "demo": True})

    async def begin(self, request: Request) -> Response:
        """Begin an order; with ``demo`` that of the bundled demo."""
        asked = _json(await read_body(request, ENTER_BYTES))
        folder = self._store.begin()
        if asked.get("demo") is True:
            folder.add_demo()
            self._runs[folder.id] = Run(folder, self._bench)
            self._runs[folder.id].run()
        return JSONResponse({"id": folder.id})

    async def remove(self, request: Request) -> Response:
        """Delete an order."""
        run = self._run(request)
        run.close()
        self._runs.pop(run.folder.id, None)
        for key in [key for key in self._sets if key[0] == run.folder.id]:
            self._sets.pop(key).drop()
        await run_in_threadpool(self._store.remove, run.folder)
        return Response(status_code=204)

    async def state(self, request: Request) -> Response:
        """Give the state of an order; with ``since``, as soon as it is another one."""
        run = self._run(request)
        run.look()
        since = request.query_params.get("since", "")
        if since.isascii() and since.isdigit() and len(since) < 20:
            end = time.monotonic() + POLL_SECONDS
            # Short waits: an order file that is edited by hand sends no news, nor does Ctrl-C.
            while not await run.news(int(since), 0.5):
                if time.monotonic() > end or self.leaving():
                    break
        self._run(request)
        return self._state(run)

    def _state(self, run: Run) -> Response:
        return JSONResponse(run.state())

    async def view(self, request: Request) -> Response:
        """Give a part of the page."""
        run, name = self._run(request), request.path_params["name"]
        path = run.folder.view(name) if name in VIEWS else None
        if path is None or not path.is_file():
            raise HTTPException(404)
        return Response(path.read_bytes(), media_type="text/html; charset=utf-8")

    # What comes in

    async def put_file(self, request: Request) -> Response:
        """Take a package, a file of a dropped folder, or a sheet."""
        run = self._run(request)
        label = request.query_params.get("name", "")
        named = request.query_params.get("set")
        if named is not None:
            await self._set(run, named).add(request, label)
            return self._state(run)
        is_sheet = Path(label).suffix.lower() == ".toml"
        if is_sheet:
            self._take_sheet(run, await read_body(request), label)
            return self._state(run)
        if Path(label).suffix.lower() in (".csv", ".tsv"):
            text = (await read_body(request)).decode("utf-8-sig", "replace")
            learned = await run_in_threadpool(learn, text, label)
            self._write_sheet(run, learned.encode(), "house")
            return self._state(run)
        run.take(await take_package(request, run.folder, label), label)
        return self._state(run)

    def _set(self, run: Run, label: str) -> DroppedFolder:
        key = (run.folder.id, label)
        if key not in self._sets:
            if sum(one == run.folder.id for one, _ in self._sets) >= MOST_SETS:
                raise UsageError("too many folders at once", hint="drop fewer at a time")
            self._sets[key] = DroppedFolder(run.folder, label)
        return self._sets[key]

    async def end_set(self, request: Request) -> Response:
        """Make a package of the files of a dropped folder."""
        run = self._run(request)
        dropped = self._sets.pop((run.folder.id, request.path_params["set"]), None)
        if dropped is None:
            raise HTTPException(404)
        run.take(dropped.end(), request.path_params["set"])
        return self._state(run)

    def _take_sheet(self, run: Run, data: bytes, label: str) -> None:
        """Take one of our own files, whichever it is."""
        text = read_sheet_bytes(data, file=label)
        kind = kind_of_sheet(text)
        if kind == "order":
            run.write(data)
            return
        self._write_sheet(run, data, kind)

    def _write_sheet(self, run: Run, data: bytes, kind: str) -> None:
        """Keep a house sheet or parts book, and order by it."""
        order = _order(run.folder)
        path = new_sheet_path(run.folder, order, kind)
        judge_sheet(read_sheet_bytes(data, file=path), kind)
        write_file(run.folder.path / path, data, replace=True)
        if order is None:
            run.run()
            return
        if kind == "parts":
            value: dict[str, Any] = {"sheets.parts": path}
        else:
            houses = [path, *(house.as_posix() for house in order.houses[1:])]
            value = {"sheets.houses": houses}
        run.write(changed(run.folder.text(), value))

    # Changes

    async def change(self, request: Request) -> Response:
        """Change values of the order file."""
        run = self._run(request)
        asked = _json(await read_body(request))
        values = asked.get("set")
        if not isinstance(values, dict):
            raise UsageError("nothing to change was named", hint='send {"set": {"KEY": VALUE}}')
        run.refuse_older(_version(request))
        run.write(changed(run.folder.text(), values))
        return self._state(run)

    async def order_text(self, request: Request) -> Response:
        """Give the order file."""
        return Response(self._run(request).folder.text(), media_type=TEXT)

    async def put_order(self, request: Request) -> Response:
        """Take another text of the order file."""
        run = self._run(request)
        data = await read_body(request)
        run.refuse_older(_version(request))
        run.write(data)
        return self._state(run)

    async def sheet(self, request: Request) -> Response:
        """Give the house sheet or parts book in use."""
        run = self._run(request)
        return Response(
            sheet_text(run.folder, _order(run.folder), _sheet_kind(request)), media_type=TEXT
        )

    async def example_quotes(self, request: Request) -> Response:
        """Give an invented table of quotes to fill in."""
        del request
        return Response(EXAMPLE_QUOTES, media_type=TEXT)

    async def put_sheet(self, request: Request) -> Response:
        """Take another text of the house sheet or parts book."""
        run, kind = self._run(request), _sheet_kind(request)
        data = await read_body(request)
        run.refuse_older(_version(request))
        self._write_sheet(run, data, kind)
        return self._state(run)

    # Deeds

    async def cancel(self, request: Request) -> Response:
        """End what is being done for an order."""
        run = self._run(request)
        run.cancel()
        return self._state(run)

    async def do(self, request: Request) -> Response:
        """Work the order out again, write its folder, mend its files, or lay its panel."""
        run, deed = self._run(request), request.path_params["deed"]
        if deed not in ("run", "deliver", "mend", "panel"):
            raise HTTPException(404)
        await read_body(request, ENTER_BYTES)
        if deed == "run":
            run.run([] if run.folder.text() else run.folder.packages())
        else:
            run.add({"do": deed})
        return self._state(run)

    async def revision(self, request: Request) -> Response:
        """Compare with the package of another order."""
        run = self._run(request)
        asked = _json(await read_body(request, ENTER_BYTES))
        other = self._store.get(str(asked.get("from", "")))
        before = None if other is None else _order(other)
        if other is None or before is None or other.id == run.folder.id:
            raise UsageError("there is no such order to compare with")
        first = before.boards[0]
        package = (other.path / first.package).resolve()
        run.add({"do": "compare", "package": str(package), "roles": dict(first.roles)})
        return self._state(run)

    async def download(self, request: Request) -> Response:
        """Give a file that was made."""
        run, name = self._run(request), request.path_params["name"]
        if name not in {row["name"] for row in run.downloads()}:
            raise HTTPException(404)
        path = run.folder.order_file
        if name != ORDER_FILE:
            done = run.folder.done.resolve()
            path = (done / run.folder.record("made")[name]["path"]).resolve()
            if done not in path.parents or not path.is_file():
                raise HTTPException(404)
        return FileResponse(path, filename=name, media_type="application/octet-stream")

    def _run(self, request: Request) -> Run:
        """Find the order of an address."""
        folder = self._store.get(request.path_params["id"])
        if folder is None:
            self._runs.pop(request.path_params["id"], None)
            raise HTTPException(404)
        if folder.id not in self._runs:
            self._runs[folder.id] = Run(folder, self._bench)
        return self._runs[folder.id]


TEXT: Final = "text/plain; charset=utf-8"


def _sheet_kind(request: Request) -> str:
    kind = request.path_params["kind"]
    if kind not in ("house", "parts"):
        raise HTTPException(404)
    return str(kind)


def _order(folder: OrderFolder) -> Order | None:
    data = folder.text()
    return read_order(data, folder.path) if data else None


def _version(request: Request) -> int | None:
    stated = request.headers.get("if-match", "").strip('"')
    return int(stated) if stated.isascii() and stated.isdigit() and len(stated) < 20 else None


def _json(data: bytes) -> Record:
    try:
        found = json.loads(data or b"{}")
        json.dumps(found, ensure_ascii=False).encode()  # half a sign is no text
    except (ValueError, RecursionError):
        raise UsageError("that is no JSON") from None
    if not isinstance(found, dict):
        raise UsageError("that is no JSON object")
    return found


# Errors


async def _say_error(_: Request, error: Exception) -> Response:
    status = next((s for kind, s in _STATUSES.items() if isinstance(error, kind)), 500)
    return JSONResponse(error_record(error), status)


async def _say_status(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "there is no such thing here", 405: "that cannot be done here"}
    return JSONResponse(
        {"message": words.get(status, "this was not understood"), "hint": ""}, status
    )


async def _say_gone(_: Request, __: Exception) -> Response:
    return JSONResponse({"message": "the upload was broken off", "hint": "send it again"}, 400)


def build_app(desk: Desk, *, door: Door, hosts: frozenset[str], cookie: str) -> ASGIApp:
    """Put the desk behind its guard."""

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        desk.close()

    inner = Starlette(
        routes=desk.routes(),
        lifespan=lifespan,
        exception_handlers={
            FabkitError: _say_error,
            HTTPException: _say_status,
            ClientDisconnect: _say_gone,
            Exception: _say_error,
        },
    )
    return Guard(inner, door=door, hosts=hosts, cookie=cookie)


# What comes in


async def chunks(request: Request, most: int) -> AsyncIterator[bytes]:
    """Give the body of a request piece by piece, and not more than so many bytes.

    Raises
    ------
    TooLarge
        It is announced or found to be larger.
    """
    stated = request.headers.get("content-length", "")
    if stated and (not stated.isascii() or not stated.isdigit() or int(stated) > most):
        raise _too_large(most)
    count = 0
    async for piece in request.stream():
        count += len(piece)
        if count > most:
            raise _too_large(most)
        yield piece


def _too_large(most: int) -> TooLarge:
    size = f"{most // 2**20} MiB" if most >= 2**20 else f"{most} bytes"
    return TooLarge(f"more than {size}", hint="send fewer or smaller files")


async def read_body(request: Request, most: int = SHEET_BYTES) -> bytes:
    """Read a short body whole."""
    return b"".join([piece async for piece in chunks(request, most)])


async def receive(request: Request, into: IO[bytes], most: int) -> int:
    """Write a body into a file; give its size."""
    size = 0
    async for piece in chunks(request, most):
        into.write(piece)
        size += len(piece)
    return size


async def take_package(request: Request, order: OrderFolder, label: str) -> str:
    """Keep a zip, or a zip of a single file that is none; give its path in the order.

    Raises
    ------
    FabkitError
        It is empty or too large, or the order has too many packages.
    """
    with TemporaryFile(dir=order.path) as spooled:
        if not await receive(request, spooled, DEFAULT_LIMITS.file_bytes):
            raise UsageError(f"{safe_name(label)} is empty", hint="export the files again")
        return await run_in_threadpool(_keep, order, spooled, label)


def _keep(order: OrderFolder, spooled: IO[bytes], label: str) -> str:
    spooled.seek(0)
    alone = not is_zip(spooled.read(4))
    spooled.seek(0)
    with order.new_package(label) as (part, name):
        if alone:
            with zipfile.ZipFile(part, "w") as archive:
                _put(archive, spooled, safe_name(label))
        else:
            with part.open("wb") as stream:
                shutil.copyfileobj(spooled, stream)
    return name


def _put(archive: zipfile.ZipFile, spooled: IO[bytes], name: str) -> None:
    spooled.seek(0)
    with archive.open(zipfile.ZipInfo(name, ZIP_DATE), "w", force_zip64=True) as member:
        shutil.copyfileobj(spooled, member)


class DroppedFolder:
    """Files of a folder that come one by one, and become one zip.

    Parameters
    ----------
    label
        What the folder is called.
    """

    def __init__(self, order: OrderFolder, label: str, limits: Limits = DEFAULT_LIMITS) -> None:
        self._limits = limits
        self._stack = ExitStack()
        self._part, self.package = self._stack.enter_context(order.new_package(label))
        self._zip = self._stack.enter_context(zipfile.ZipFile(self._part, "w"))
        self._names: list[str] = []
        self._bytes = 0
        self._spoilt = False
        self._turn = Lock()

    async def add(self, request: Request, label: str) -> None:
        """Take one more file.

        Raises
        ------
        TooLarge
            The files are too many or too large.
        UsageError
            An earlier file of the folder was refused.
        """
        if self._spoilt:
            raise _not_whole()
        try:
            await self._add(request, label)
        except BaseException:
            # A package with a layer missing would be worse than none.
            self.drop()
            raise

    async def _add(self, request: Request, label: str) -> None:
        limits = self._limits
        if len(self._names) >= limits.members:
            raise TooLarge(f"more than {limits.members} files", hint="drop a smaller folder")
        most = min(limits.file_bytes, limits.package_bytes - self._bytes)
        with TemporaryFile(dir=self._part.parent) as spooled:
            self._bytes += await receive(request, spooled, most)
            if self._spoilt:
                raise _not_whole()
            # A zip takes files one by one.
            async with self._turn:
                await run_in_threadpool(_put, self._zip, spooled, self._new_name(label))

    def _new_name(self, label: str) -> str:
        wanted = label.replace("\\", "/").strip("/").encode(errors="replace").decode()[-1000:]
        parts = [part for part in wanted.split("/") if part not in ("", ".", "..")]
        *_, name = safe_names([*self._names, "/".join(parts) or "file"], but="")
        self._names.append(name)
        return name

    def end(self) -> str:
        """Keep the zip; give its path in the order.

        Raises
        ------
        UsageError
            No file came, or not all of them.
        """
        if self._spoilt:
            raise _not_whole()
        if not self._names:
            self.drop()
            raise UsageError("the folder holds no files")
        self._stack.close()
        return self.package

    def drop(self) -> None:
        """Keep nothing."""
        if not self._spoilt:
            self._spoilt = True
            error = _not_whole()
            with suppress(UsageError):
                self._stack.__exit__(type(error), error, None)


def _not_whole() -> UsageError:
    return UsageError("the folder did not come whole", hint="drop it again")


def learn(text: str, label: str) -> str:
    """Learn a house sheet from a table of quotes, as ``fabkit house learn`` does."""
    quotes = read_quotes(text, path=Path(label))
    return learn_house(quotes, name=f"Learned from {Path(label).stem}", file=label).sheet
