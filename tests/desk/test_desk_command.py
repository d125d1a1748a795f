"""``fabkit desk``: what it says, where it listens, how it ends."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from apart import PATIENCE_S
from click.testing import CliRunner
from held import until

from fabkit.base.errors import UsageError
from fabkit.cli.group import cli
from fabkit.desk import command, serving
from fabkit.desk.serving import Serving, prepare


@pytest.mark.parametrize("name", command.NEEDED)
def test_without_the_extra_it_says_what_to_install(monkeypatch, name):
    """One line with the command that installs it, whichever library is missing."""
    found = command.find_spec
    monkeypatch.setattr(command, "find_spec", lambda n: None if n == name else found(n))
    done = CliRunner().invoke(cli, ["desk"])

    assert done.exit_code == 2
    assert done.stderr == (
        f"error: the desk needs {name}\n  hint: install it: pip install 'fabkit[desk]'\n"
    )


def test_a_taken_port_is_said(tmp_path):
    """With what to do instead."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(UsageError, match=f"port {port} of 127.0.0.1: ") as refused:
            prepare(Serving(folder=tmp_path, port=port))

    assert "--port" in refused.value.hint


@pytest.mark.parametrize("phone", [False, True])
def test_the_network_is_let_in_only_when_asked(tmp_path, monkeypatch, phone):
    """By default loopback alone; with --phone the network's address, and a password is printed."""
    # Another address of the loopback network stands for that of the network.
    monkeypatch.setattr(serving, "_network_address", lambda: "127.0.0.2")
    ready = prepare(Serving(folder=tmp_path, phone=phone))
    places = [one.getsockname()[0] for one in ready.sockets]
    for one in ready.sockets:
        one.close()
    text = "\n".join(ready.lines)

    assert places == ["127.0.0.1", "127.0.0.2"][: 1 + phone]
    assert (ready.door.password is not None) is phone
    assert ("password" in text) is phone
    assert not phone or ready.door.password in text
    assert {host.rpartition(":")[0] for host in ready.hosts} == {
        "127.0.0.1",
        "localhost",
        *(["127.0.0.2"] if phone else []),
    }


def test_without_a_network_there_is_no_phone(tmp_path, monkeypatch):
    """It is said, and nothing listens."""

    class Alone(socket.socket):
        def connect(self, _):
            raise OSError

    monkeypatch.setattr(serving.socket, "socket", Alone)
    with pytest.raises(UsageError, match="in no network"):
        prepare(Serving(folder=tmp_path, phone=True))


def _children(pid):
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _all_below(pid):
    below = _children(pid)
    return below + [one for child in below for one in _all_below(child)]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="processes are read from /proc")
def test_from_start_to_end(tmp_path):
    """It prints its address, serves this machine alone, and Ctrl-C ends all of its processes."""
    started = subprocess.Popen(
        [sys.executable, "-m", "fabkit", "desk", "--no-browser", "--folder", tmp_path / "orders"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell lets what it starts in the background ignore Ctrl-C, and so do these tests then.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        first, second, third = (started.stdout.readline() for _ in range(3))
        found = re.fullmatch(r"The desk is open: http://127\.0\.0\.1:(\d+)/#(\S+)\n", first)
        assert found, (first, second, third)
        port, token = int(found[1]), found[2]
        address = f"http://127.0.0.1:{port}"
        with httpx.Client(
            base_url=address, headers={"origin": address}, timeout=PATIENCE_S
        ) as client:
            page = client.get("/")
            assert client.get("/orders").status_code == 401
            assert client.post("/enter", json={"token": token}).status_code == 204
            assert client.get("/orders").json()["folder"] == str(tmp_path / "orders")
            order = client.post("/orders", json={}).json()["id"]
            version = client.get(f"/orders/{order}").json()["version"]
            # An open page waits for news.  What the desk is asked later it answers later.
            page_open = socket.create_connection(("127.0.0.1", port))
            cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
            page_open.sendall(
                f"GET /orders/{order}?since={version} HTTP/1.1\r\n"
                f"Host: 127.0.0.1:{port}\r\nCookie: {cookies}\r\n\r\n".encode()
            )
            for _ in range(2):
                with httpx.Client(cookies=client.cookies, timeout=PATIENCE_S) as later:
                    assert later.get(f"{address}/orders/{order}").status_code == 200
        assert page.status_code == 200
        assert "server" not in page.headers
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.2", port), timeout=5)
        below = until(lambda: _all_below(started.pid), "a process below it")
        started.send_signal(signal.SIGINT)
        out, err = started.communicate(timeout=PATIENCE_S)
        with page_open:
            answer = page_open.recv(20)
    finally:
        started.kill()
        started.stdout.close()
        started.stderr.close()

    assert second == f"Orders lie in {tmp_path / 'orders'}\n"
    assert third == "Close it with Ctrl-C.\n"
    # A page that it had to wait for is cut off after seconds, and that is an error on `err`: so it
    # closes at once, however long a busy machine takes.
    assert (started.returncode, out, err) == (0, "The desk is closed.\n", "")
    assert answer.startswith(b"HTTP/1.1 200")
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in below), f"{below} ended")
