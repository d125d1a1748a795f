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

from fabkit.base.errors import UsageError
from fabkit.desk.app import Desk, build_app
from fabkit.desk.guard import Door, new_password
from fabkit.desk.processes import warm_up
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


def serve(asked: Serving) -> None:
    """Serve the page until the user ends it.

    Raises
    ------
    UsageError
        The port is taken.
    UnreadableInput
        The folder cannot be used.
    """
    store = Store(asked.folder)
    store.open()
    door = Door(new_password() if asked.phone else None)
    listening = [_listen(LOOPBACK, asked.port)]
    port = listening[0].getsockname()[1]
    hosts = {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
    lines = [f"The desk is open: http://{LOOPBACK}:{port}/#{door.token}"]
    lines.append(f"Orders lie in {asked.folder}")
    if asked.phone:
        address = _network_address()
        listening.append(_listen(address, port))
        hosts.add(f"{address}:{port}")
        lines.append(f"On a phone in this network: http://{address}:{port}/")
        lines.append(f"  with the password {door.password} (not encrypted: trust the network)")
    lines.append("Close it with Ctrl-C.")
    cookie = f"fabkit-desk-{port}"
    app = build_app(
        Desk(store, door, cookie=cookie), door=door, hosts=frozenset(hosts), cookie=cookie
    )
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            limit_concurrency=MOST_CONNECTIONS,
            timeout_graceful_shutdown=1,
        )
    )
    sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
    Thread(target=warm_up, daemon=True).start()
    if asked.browser:
        Timer(0.3, webbrowser.open, [f"http://{LOOPBACK}:{port}/#{door.token_for_once()}"]).start()
    try:
        server.run(sockets=listening)
    except KeyboardInterrupt:
        sys.stdout.write("The desk is closed.\n")


def _listen(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
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
