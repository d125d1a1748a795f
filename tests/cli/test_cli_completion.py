"""Completion as it is in bash, zsh and fish: each shell itself is asked.

The scripts that connect a shell with the command are click's; what is offered is ours.
"""

from __future__ import annotations

import os
import re
import select
import shlex
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

ASKED = [
    ("fabkit pre", "preview"),
    ("fabkit check {package} --thick", "--thickness"),
    ("fabkit check {package} --only hole/ring-b", "hole/ring-broken"),
    ("fabkit check {package} --fail-on w", "warning"),
    ("fabkit preview {package} --colour bla", "black"),
    ("fabkit sheet dril", "drills"),
    ("fabkit checks package/missing-p", "package/missing-profile"),
]


@pytest.fixture
def home(tmp_path, small):
    """A folder with the command on its path; gives environment and package."""
    script = tmp_path / "bin" / "fabkit"
    script.parent.mkdir()
    script.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m fabkit "$@"\n')
    script.chmod(0o755)
    path = f"{script.parent}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "HOME": str(tmp_path), "TERM": "xterm"}


def need(shell):
    """Skip, and say so, where a shell is not installed."""
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed here")


def in_bash(line, env, cwd):
    """What bash would offer for a line: the function that `complete` registered is called."""
    need("bash")
    words = line.split(" ")
    script = (
        'eval "$(_FABKIT_COMPLETE=bash_source fabkit)"\n'
        f"COMP_WORDS=({shlex.join(words)})\nCOMP_CWORD={len(words) - 1}\n"
        "$(complete -p fabkit | sed 's/.*-F \\([^ ]*\\).*/\\1/') fabkit\n"
        'printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(
        ["bash", "--norc", "-c", script],
        env=env,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.stdout.splitlines()


def in_fish(line, env, cwd):
    """What fish offers for a line, by its own `complete --do-complete`."""
    need("fish")
    script = f"_FABKIT_COMPLETE=fish_source fabkit | source; complete -C {shlex.quote(line)}"
    done = subprocess.run(
        ["fish", "--no-config", "-c", script],
        env=env,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return [row.split("\t")[0] for row in done.stdout.splitlines()]


def in_zsh(line, env, cwd):
    """The line as zsh completes it when Tab is pressed at a terminal of its own."""
    import pty

    need("zsh")
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(cwd)
        os.execvpe("zsh", ["zsh", "-f", "-i"], env)  # noqa: S606
    try:
        start = (
            "unsetopt zle_bracketed_paste; PS1=; autoload -U compinit; compinit -u -D;"
            ' eval "$(_FABKIT_COMPLETE=zsh_source fabkit)"; echo re""ady\n'
        )
        os.write(terminal, start.encode())
        read_until(terminal, "ready")
        os.write(terminal, f"{line}\t".encode())
        shown = read_until(terminal, None)
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)
        os.close(terminal)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|[\x07\x08\r]", "", shown)
    return re.split(r"\s+", plain)


def read_until(terminal, mark):
    """What the terminal shows until ``mark`` comes, or until it stands still for a while."""
    shown, end = "", time.monotonic() + 60
    quiet = 30 if mark else 6
    while time.monotonic() < end and select.select([terminal], [], [], quiet)[0]:
        shown += os.read(terminal, 65536).decode(errors="replace")
        if mark and mark in shown:
            break
    return shown


def offers(shell, line, home, tmp_path):
    """What a shell offers for a line, without the kind that bash's function may keep."""
    return {"bash": in_bash, "fish": in_fish, "zsh": in_zsh}[shell](line, home, tmp_path)


@pytest.mark.skipif(os.name != "posix", reason="shells of POSIX")
@pytest.mark.parametrize("shell", ["bash", "fish"])
@pytest.mark.parametrize(("line", "wanted"), ASKED)
def test_words_are_completed(shell, line, wanted, home, tmp_path):
    """Commands, options, ids, choices and colours are offered by the shell itself."""
    assert wanted in offers(shell, line.format(package="small"), home, tmp_path)


@pytest.mark.skipif(os.name != "posix", reason="shells of POSIX")
def test_words_are_completed_in_zsh(home, tmp_path):
    """One id typed at a terminal becomes whole."""
    line = "fabkit check small --only hole/ring-b"
    assert "hole/ring-broken" in offers("zsh", line, home, tmp_path)


@pytest.mark.skipif(os.name != "posix", reason="shells of POSIX")
@pytest.mark.parametrize("shell", ["bash", "fish", "zsh"])
def test_layers_and_files_are_completed(shell, home, tmp_path):
    """Layers are those of the package on the line; a package is a file or folder."""
    (tmp_path / "my-house.toml").write_text("")
    layers = offers(shell, "fabkit sheet layer small --layer bottom", home, tmp_path)
    assert any(row.startswith("bottom") for row in layers)
    if shell != "bash":  # bash itself adds files, after the function has asked it to
        assert "my-house.toml" in offers(shell, "fabkit house my-ho", home, tmp_path)


def test_nets_are_completed():
    """Nets are those of the package on the line, as its copper attributes name them."""
    from click.shell_completion import ShellComplete

    from fabkit.cli.group import cli

    linnet = ROOT / "fixtures" / "linnet" / "rev-1"
    texts = (path.read_text(encoding="utf-8") for path in linnet.glob("*copper*"))
    nets = {net for text in texts for net in re.findall(r"%TO\.N,(G[^*,]*)\*%", text)}
    words = ["sheet", "net", str(linnet), "--net"]
    offered = ShellComplete(cli, {}, "fabkit", "_X").get_completions(words, "g")

    assert nets
    assert {item.value for item in offered} == nets
