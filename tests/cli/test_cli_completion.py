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
import time
from pathlib import Path

import pytest
from apart import PATIENCE_S

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
def home(copied, tmp_path, small):
    """A folder with the command on its path; gives environment and package."""
    path = f"{copied.parent}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "HOME": str(tmp_path), "TERM": "xterm"}


def need(shell):
    """Skip, and say so, where a shell is not installed."""
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed here")


def asked(shell, script, env, cwd):
    """What a script prints for each line that was asked, behind a mark of its own."""
    need(shell)
    quiet = {"bash": "--norc", "fish": "--no-config"}[shell]
    done = subprocess.run(
        [shell, quiet, "-c", script],
        env=env,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    return [part.splitlines() for part in done.stdout.split("NEXT\n")[1:]]


def in_bash(lines, env, cwd):
    """What bash would offer for lines: the function that `complete` registered is called."""
    script = (
        'eval "$(_FABKIT_COMPLETE=bash_source fabkit)"\n'
        "call=$(complete -p fabkit | sed 's/.*-F \\([^ ]*\\).*/\\1/')\n"
    )
    for line in lines:
        words = line.split(" ")
        script += (
            f"COMP_WORDS=({shlex.join(words)})\nCOMP_CWORD={len(words) - 1}\n"
            'echo NEXT\n$call fabkit\nprintf "%s\\n" "${COMPREPLY[@]}"\n'
        )
    return asked("bash", script, env, cwd)


def in_fish(lines, env, cwd):
    """What fish offers for lines, by its own `complete --do-complete`."""
    script = "_FABKIT_COMPLETE=fish_source fabkit | source\n"
    script += "".join(f"echo NEXT; complete -C {shlex.quote(line)}\n" for line in lines)
    return [[row.split("\t")[0] for row in part] for part in asked("fish", script, env, cwd)]


def in_zsh(lines, env, cwd):
    """The words of lines as zsh completes them when Tab is pressed at a terminal of its own."""
    import pty

    need("zsh")
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(cwd)
        os.execvpe("zsh", ["zsh", "-f", "-i"], env)  # noqa: S606
    try:
        # What is typed ahead is not always shown, so a key of its own prints the line as it became.
        start = (
            "unsetopt zle_bracketed_paste; PS1=; autoload -U compinit; compinit -u -D;"
            ' eval "$(_FABKIT_COMPLETE=zsh_source fabkit)";'
            ' became() { print -r -- "<<$BUFFER>>"; BUFFER=; }; zle -N became;'
            ' bindkey "^G" became; echo re""ady\n'
        )
        os.write(terminal, start.encode())
        read_until(terminal, "ready")
        became = []
        for line in lines:
            os.write(terminal, f"{line}\t\x07".encode())
            became.append(read_until(terminal, ">>").partition("<<")[2].partition(">>")[0])
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)
        os.close(terminal)
    return [line.split() for line in became]


def read_until(terminal, mark):
    """What the terminal shows until ``mark`` comes."""
    shown, end = "", time.monotonic() + PATIENCE_S
    while mark not in shown and time.monotonic() < end:
        if select.select([terminal], [], [], 30)[0]:
            shown += os.read(terminal, 65536).decode(errors="replace")
    return shown


def offers(shell, lines, home, tmp_path):
    """What a shell offers for each line, without the kind that bash's function may keep."""
    return {"bash": in_bash, "fish": in_fish, "zsh": in_zsh}[shell](lines, home, tmp_path)


@pytest.mark.skipif(os.name != "posix", reason="shells of POSIX")
@pytest.mark.parametrize("shell", ["bash", "fish"])
def test_words_are_completed(shell, home, tmp_path):
    """Commands, options, ids, choices and colours are offered by the shell itself."""
    lines = [line.format(package="small") for line, _ in ASKED]
    offered = offers(shell, lines, home, tmp_path)
    for (line, wanted), found in zip(ASKED, offered, strict=True):
        assert wanted in found, line


@pytest.mark.skipif(os.name != "posix", reason="shells of POSIX")
@pytest.mark.parametrize("shell", ["bash", "fish", "zsh"])
def test_layers_and_files_are_completed(shell, home, tmp_path):
    """Layers are those of the package on the line; a package is a file or folder; ids are rules."""
    (tmp_path / "my-house.toml").write_text("")
    lines = ["fabkit sheet layer small --layer bot", "fabkit house my-ho"]
    if shell == "zsh":
        lines.append("fabkit check small --only hole/ring-b")
    layers, files, *ids = offers(shell, lines, home, tmp_path)
    assert any(row.startswith("bottom") for row in layers)
    if shell != "bash":  # bash itself adds files, after the function has asked it to
        assert "my-house.toml" in files
    assert all("hole/ring-broken" in rules for rules in ids)


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
