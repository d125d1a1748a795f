"""What the page sends: counted while it comes in, and kept only when it is whole."""

from __future__ import annotations

import shutil
import zipfile
from asyncio import Lock
from collections.abc import AsyncIterator
from contextlib import ExitStack, suppress
from tempfile import TemporaryFile
from typing import IO, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from fabkit.base.errors import UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.desk.errors import TooLarge
from fabkit.desk.store import OrderFolder, safe_name
from fabkit.package.naming import safe_names
from fabkit.package.opening import is_zip
from fabkit.sheets.toml_text import SHEET_BYTES

_DAY: Final = (1980, 1, 1, 0, 0, 0)
"""The first that a zip can hold: the same files give the same bytes."""


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
    with archive.open(zipfile.ZipInfo(name, _DAY), "w", force_zip64=True) as member:
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
