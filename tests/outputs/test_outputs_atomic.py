"""Outputs are whole or not there, and what was there before stays."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from fabkit.base.errors import OutputRefused
from fabkit.outputs import atomic
from fabkit.outputs.atomic import new_file, refuse_existing, write_file


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

    with pytest.raises(OutputRefused, match="is not a folder"):
        write_file(tmp_path / "file" / "b.txt", b"x")


def test_a_stopped_write_is_cleaned_by_the_next(tmp_path):
    """A part whose process is gone is removed; one that is being written stays."""
    (tmp_path / ".a.txt.0123abcd.part").write_bytes(b"half")
    (tmp_path / ".a.txt.mine.part").write_bytes(b"not a name of ours")

    with new_file(tmp_path / "a.txt", replace=True) as part:
        part.write_bytes(b"one")
        write_file(tmp_path / "a.txt", b"two")
        assert part.read_bytes() == b"one"
    assert names(tmp_path) == [".a.txt.mine.part", "a.txt"]


def test_devices_and_pipes_are_no_files(tmp_path):
    """Not even ``replace`` puts a file in the place of a device or a pipe."""
    os.mkfifo(tmp_path / "pipe")
    for target in (tmp_path / "pipe", Path(os.devnull)):
        with pytest.raises(OutputRefused, match="device or a pipe"):
            write_file(target, b"x", replace=True)


def test_a_name_too_long_is_told_before_any_work(tmp_path):
    """File systems hold 255 bytes (NAME_MAX in limits.h of common systems)."""
    with pytest.raises(OutputRefused, match="too long"):
        refuse_existing(tmp_path / ("x" * 300), replace=False)


def test_a_system_refusal_is_said_in_words(tmp_path):
    """The message of a system error names the file and what to do."""
    said = atomic.refused(tmp_path / "x", OSError(errno.ENOSPC, "No space left on device"))

    assert "no space left on device" in said.message
    assert said.hint
