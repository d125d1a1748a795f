"""Starting the desk: a socket that only this machine reaches, the server, and the browser."""

from __future__ import annotations

import socket
import sys
import webbrowser
from dataclasses import dataclass
from pathlib import Path
from threading import Thread, Timer
from typing import Final

import uvicorn
from starlette.types import ASGIApp

from fabkit.base.errors import UsageError
from fabkit.desk.app import Desk, build_app
from fabkit.desk.guard import Door, new_password
from fabkit.desk.runs import warm_up
from fabkit.desk.store import Store

LOOPBACK: Final = "127.0.0.1"
MOST_CONNECTIONS: Final = 200
"""Open at once; a page has a handful."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """How the desk is started.

    Parameters
    ----------
    folder
        Where orders lie.
    port
        0 takes a free one.
    browser
        Whether the page is opened.
    phone
        Whether other devices of the network are let in, by a password.
    """

    folder: Path
    port: int = 0
    browser: bool = True
    phone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A desk that can be served: where it listens, under which names, and what its user is told."""

    sockets: tuple[socket.socket, ...]
    hosts: frozenset[str]
    door: Door
    desk: Desk
    app: ASGIApp
    address: str
    lines: tuple[str, ...]


def prepare(asked: Serving) -> Prepared:
    """Open the folder and the sockets.

    Raises
    ------
    UsageError
        The port is taken, or there is no network for a phone.
    UnreadableInput
        The folder cannot be used.
    """
    store = Store(asked.folder)
    store.open()
    door = Door(new_password() if asked.phone else None)
    network = _network_address() if asked.phone else ""
    sockets = [_listen(LOOPBACK, asked.port)]
    port = sockets[0].getsockname()[1]
    hosts = {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
    address = f"http://{LOOPBACK}:{port}/"
    lines = [f"The desk is open: {address}#{door.token}", f"Orders lie in {asked.folder}"]
    if network:
        sockets.append(_listen(network, port))
        hosts.add(f"{network}:{port}")
        lines.append(f"On a phone in this network: http://{network}:{port}/")
        lines.append(f"  with the password {door.password} (not encrypted: trust the network)")
    lines.append("Close it with Ctrl-C.")
    # Cookies of one machine are shared by its ports.
    cookie = f"fabkit-desk-{port}"
    desk = Desk(store, door, cookie=cookie)
    return Prepared(
        sockets=tuple(sockets),
        hosts=frozenset(hosts),
        door=door,
        desk=desk,
        app=build_app(desk, door=door, hosts=frozenset(hosts), cookie=cookie),
        address=address,
        lines=tuple(lines),
    )


def serve(asked: Serving) -> None:
    """Serve the page until the user ends it; raises as :func:`prepare`."""
    ready = prepare(asked)
    server = uvicorn.Server(
        uvicorn.Config(
            ready.app,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            limit_concurrency=MOST_CONNECTIONS,
            timeout_graceful_shutdown=5,
        )
    )
    ready.desk.leaving = lambda: server.should_exit
    sys.stdout.write("\n".join(ready.lines) + "\n")
    sys.stdout.flush()
    Thread(target=warm_up, daemon=True).start()
    if asked.browser:
        # The command line of a browser can be read by other users of this machine.
        link = f"{ready.address}#{ready.door.token_for_once()}"
        Timer(0.3, webbrowser.open, [link]).start()
    try:
        server.run(sockets=list(ready.sockets))
    except KeyboardInterrupt:
        sys.stdout.write("The desk is closed.\n")


def _listen(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
        # From now on who calls waits: the address is printed before the server has begun.
        made.listen()
    except (OSError, OverflowError) as error:
        made.close()
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(
            f"port {port} of {address}: {reason.lower()}",
            hint="choose another one with --port, or leave it out for a free one",
        ) from error
    return made


def _network_address() -> str:
    """Find the address of this machine in its network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # An address for documentation (RFC 5737): a datagram socket only chooses its own side.
            probe.connect(("192.0.2.1", 9))
            found = str(probe.getsockname()[0])
        except OSError:
            found = ""
    if not found or found.startswith("127."):
        raise UsageError(
            "this machine is in no network that a phone could be in",
            hint="join a network, or leave --phone out",
        )
    return found
