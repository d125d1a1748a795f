"""Outputs are whole or not there, and what was there before stays."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time

import pytest

from fabkit.errors import OutputRefused
from fabkit.outputs import atomic
from fabkit.outputs.atomic import new_file, new_folder, write_file


def names(folder):
    """Names in a folder, hidden ones too."""
    return sorted(p.name for p in folder.iterdir())


def test_a_file_is_written_whole(tmp_path):
    """The bytes arrive, folders are made, nothing else is left behind."""
    write_file(tmp_path / "a" / "b.txt", b"whole")

    assert (tmp_path / "a" / "b.txt").read_bytes() == b"whole"
    assert names(tmp_path / "a") == ["b.txt"]


def test_an_existing_file_is_left_alone(tmp_path):
    """Without ``replace`` an existing file is refused and keeps its bytes; with it, it goes."""
    target = tmp_path / "a.txt"
    target.write_bytes(b"old")

    with pytest.raises(OutputRefused, match="exists already"):
        write_file(target, b"new")
    assert target.read_bytes() == b"old"
    write_file(target, b"new", replace=True)
    assert target.read_bytes() == b"new"


def test_a_dangling_link_is_not_written_through(tmp_path):
    """A symbolic link to nowhere counts as existing."""
    link = tmp_path / "link.txt"
    link.symlink_to(tmp_path / "elsewhere.txt")

    with pytest.raises(OutputRefused):
        write_file(link, b"new")
    assert not (tmp_path / "elsewhere.txt").exists()


def test_a_folder_is_no_file(tmp_path):
    """A folder cannot be replaced by a file, even with ``replace``."""
    with pytest.raises(OutputRefused, match="is a folder"):
        write_file(tmp_path, b"x", replace=True)


@pytest.mark.parametrize("error", [RuntimeError("broke"), OSError(errno.ENOSPC, "no space left")])
def test_a_failure_while_writing_keeps_the_old_file(tmp_path, error):
    """Whatever fails inside, the old file stays and no part is left."""
    target = tmp_path / "a.txt"
    target.write_bytes(b"old")

    def fail_half_way():
        with new_file(target, replace=True) as part:
            part.write_bytes(b"half")
            raise error

    with pytest.raises((RuntimeError, OutputRefused)):
        fail_half_way()
    assert target.read_bytes() == b"old"
    assert names(tmp_path) == ["a.txt"]


def test_a_parent_that_is_a_file_is_told(tmp_path):
    """A path through a file is refused in words."""
    (tmp_path / "file").write_bytes(b"")

    with pytest.raises(OutputRefused, match="cannot write"):
        write_file(tmp_path / "file" / "b.txt", b"x")


def test_a_folder_takes_the_place_of_the_old_one(tmp_path):
    """A new folder replaces the old one whole; files to carry over come along."""
    target = tmp_path / "out"
    (target / "sub").mkdir(parents=True)
    (target / "old.txt").write_bytes(b"old")
    (target / "sub" / "mine.txt").write_bytes(b"mine")

    with new_folder(target, carry=("sub/mine.txt",)) as part:
        (part / "new.txt").write_bytes(b"new")

    assert names(target) == ["new.txt", "sub"]
    assert (target / "sub" / "mine.txt").read_bytes() == b"mine"
    assert names(tmp_path) == ["out"]


def test_a_failed_folder_leaves_the_old_one(tmp_path):
    """A failure while filling a folder leaves the old one untouched."""
    target = tmp_path / "out"
    target.mkdir()
    (target / "old.txt").write_bytes(b"old")

    def fail_half_way():
        with new_folder(target) as part:
            (part / "new.txt").write_bytes(b"new")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_half_way()
    assert names(target) == ["old.txt"]
    assert names(tmp_path) == ["out"]


def test_a_failed_swap_brings_the_old_folder_back(tmp_path, monkeypatch):
    """When the new folder cannot take its name, the old one gets its own back."""
    target = tmp_path / "out"
    target.mkdir()
    (target / "old.txt").write_bytes(b"old")
    rename = type(target).rename

    def failing(self, to):
        if self.name.endswith(".part"):
            raise OSError(errno.EACCES, "Permission denied")
        return rename(self, to)

    monkeypatch.setattr(type(target), "rename", failing)
    with pytest.raises(OutputRefused, match="permission denied"), new_folder(target) as part:
        (part / "new.txt").write_bytes(b"new")
    assert names(target) == ["old.txt"]


def test_a_carried_file_never_hides_a_new_one(tmp_path):
    """A stranger's file with the name of a new output is refused; nothing changes."""
    target = tmp_path / "out"
    target.mkdir()
    (target / "a.txt").write_bytes(b"mine")

    with (
        pytest.raises(OutputRefused, match="is not ours"),
        new_folder(target, carry=("a.txt",)) as part,
    ):
        (part / "a.txt").write_bytes(b"new")
    assert (target / "a.txt").read_bytes() == b"mine"


def test_a_kill_leaves_the_old_folder(tmp_path):
    """A process killed while it fills a folder leaves the old one whole."""
    target = tmp_path / "out"
    target.mkdir()
    (target / "old.txt").write_bytes(b"old")
    code = (
        "import sys, time, pathlib\n"
        "from fabkit.outputs.atomic import new_folder\n"
        "with new_folder(pathlib.Path(sys.argv[1])) as part:\n"
        "    (part / 'new.txt').write_bytes(b'new')\n"
        "    print('ready', flush=True)\n"
        "    time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(target)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        process.send_signal(signal.SIGKILL if os.name == "posix" else signal.SIGTERM)
        deadline = time.monotonic() + 10
        while process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.01)
    assert names(target) == ["old.txt"]


def test_a_system_refusal_is_said_in_words(tmp_path):
    """The message of a system error names the file and what to do."""
    said = atomic.refused(tmp_path / "x", OSError(errno.ENOSPC, "No space left on device"))

    assert "no space left on device" in said.message
    assert said.hint
