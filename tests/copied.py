"""The command in a process of its own that starts at once.

``python -m fabkit`` loads for half a second to a second of processor time. The small program that
this file is when it is run loads nothing: it hands its arguments, folder, environment and streams
to a process that has loaded the libraries (``apart.py``), which makes a copy of itself for them,
and ends with the status of that copy. For tests of what a command does with streams, terminals and
shells; not for signals, which the small program would get, nor for the start itself.
"""

from __future__ import annotations

import os
import socket
import sys


def hand_over(address: str) -> int:
    """Let the server run the command with our streams; give its status."""
    with socket.socket(socket.AF_UNIX) as server:
        server.connect(address)
        words = [os.getcwd(), *sys.argv[2:], "", *(f"{k}={v}" for k, v in os.environ.items())]  # noqa: PTH109 -- pathlib takes longer to load than all else
        data = "\0".join(words).encode("utf-8", "surrogateescape")
        socket.send_fds(server, [len(data).to_bytes(4, "big")], [0, 1, 2])
        server.sendall(data)
        answer = server.recv(1)
    return answer[0] if answer else 255


def serve(listener: socket.socket) -> None:
    """Make a copy of this process for each who calls; to be begun by ``apart.begin``."""
    import signal
    from importlib import import_module
    from multiprocessing import forkserver

    from apart import LOADED

    # Held, it keeps alive the process that this one is a copy of; tests of the desk end that.
    origin = forkserver._forkserver
    os.close(origin._forkserver_alive_fd)
    origin._forkserver_alive_fd = None

    for name in LOADED:  # where tests of the desk began the process that this one is a copy of
        import_module(name)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the copies
    while True:
        caller, _ = listener.accept()
        if not os.fork():
            listener.close()
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            _carry_out(caller)
        caller.close()


def _carry_out(caller: socket.socket) -> None:
    status = 255
    try:
        head, streams, _, _ = socket.recv_fds(caller, 4, 3)
        size, data = int.from_bytes(head, "big"), b""
        while len(data) < size:
            data += caller.recv(size - len(data))
        folder, *words = data.decode("utf-8", "surrogateescape").split("\0")
        end = words.index("")
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
            os.close(stream)
        os.chdir(folder)
        os.environ.clear()
        os.environ.update(word.split("=", 1) for word in words[end + 1 :])
        sys.argv = ["fabkit", *words[:end]]
        encoding = os.environ.get("PYTHONIOENCODING", "utf-8")
        sys.stdin, sys.stdout, sys.stderr = (
            open(number, mode, 1, encoding=encoding, closefd=False)  # noqa: SIM115 -- streams
            for number, mode in ((0, "r"), (1, "w"), (2, "w"))
        )
        from fabkit.__main__ import main

        main()
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:  # noqa: BLE001 -- the last words of a process that ends at once
        status = 1
        sys.excepthook(*sys.exc_info())
    finally:
        caller.sendall(bytes([status & 255]))
        os._exit(0)


if __name__ == "__main__":
    sys.exit(hand_over(sys.argv[1]))
