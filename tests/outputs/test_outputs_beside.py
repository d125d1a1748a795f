"""Work in a copy of the process: done, refused, broken, stopped, and left when nobody waits."""

from __future__ import annotations

import os
import sys
import time

import pytest

from fabkit.outputs.beside import beside

needs_copies = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="two processors of Linux"
)


@needs_copies
def test_the_copy_works_and_writes(tmp_path):
    """What it writes is there once it is done, and it was another process."""
    file = tmp_path / "made"

    def work():
        file.write_text(str(os.getpid()))
        return True

    with beside(work) as is_done:
        assert is_done()
    assert int(file.read_text()) != os.getpid()


@pytest.mark.parametrize("work", [lambda: False, lambda: 1 // 0, lambda: os.kill(os.getpid(), 9)])
def test_what_a_copy_cannot_do_is_left_to_the_caller(work, capfd):
    """Refused, broken and killed are all not done, without a word."""
    with beside(work) as is_done:
        assert not is_done()
    assert capfd.readouterr() == ("", "")


def test_without_a_copy_nothing_is_done(monkeypatch):
    """Where one process is wanted, the caller works."""
    monkeypatch.setenv("FABKIT_DEBUG", "1")
    with beside(lambda: True) as is_done:
        assert not is_done()


@needs_copies
def test_a_copy_ends_when_the_block_fails(tmp_path):
    """It does not go on to write into a folder that is gone."""
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt), beside(lambda: time.sleep(60) is None):
        raise KeyboardInterrupt
    assert time.monotonic() - begun < 10
