"""Work in a copy of the process: done, refused, broken, stopped, and left when nobody waits."""

from __future__ import annotations

import os
import sys
import time

import numpy as np
import pytest
from held import Meeting

from fabkit.base import copies
from fabkit.base.copies import read_side_by_side, side_by_side
from fabkit.base.once import once_per
from fabkit.base.steps import listening

needs_copies = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="two processors of Linux"
)


@pytest.fixture
def ours(monkeypatch):
    """Let this process be one that may be copied."""
    monkeypatch.setattr(copies, "is_bounded", lambda: True)


@pytest.fixture
def shared():
    """Make a work one that both processes get some of: in the first, each waits for the other."""
    both = Meeting()

    def sharing(give):
        def work():
            both.wait()
            return give()

        return work

    return sharing


@needs_copies
@pytest.mark.usefixtures("ours")
def test_works_are_shared_out_and_given_in_order(shared):
    """Both processes take some, and each result stands where its work stood."""
    done = side_by_side([shared(lambda n=n: (n, os.getpid())) for n in range(20)], "works")
    assert [n for n, _ in done] == list(range(20))
    assert len({pid for _, pid in done}) == 2


def test_a_process_of_the_users_own_is_not_copied():
    """It may hold threads and locks that no copy outlives."""
    done = side_by_side([os.getpid] * 6, "works")
    assert set(done) == {os.getpid()}


@pytest.mark.usefixtures("ours")
def test_one_of_several_packages_is_judged_by_one_process(monkeypatch):
    """The processors are busy with the others."""
    monkeypatch.setattr(copies, "_alone", [])
    copies.stay_alone()
    assert set(side_by_side([os.getpid] * 6, "works")) == {os.getpid()}


@pytest.mark.usefixtures("ours")
def test_one_process_is_enough_where_it_is_asked_for(monkeypatch):
    """Whoever looks for a fault wants all of it in one place."""
    monkeypatch.setenv("FABKIT_DEBUG", "1")
    assert set(side_by_side([os.getpid] * 6, "works")) == {os.getpid()}


@pytest.mark.usefixtures("ours")
def test_other_systems_work_in_one_process(monkeypatch):
    """What only Linux has is not even asked for."""
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.delattr(os, "memfd_create", raising=False)
    assert set(side_by_side([os.getpid] * 6, "works")) == {os.getpid()}


@needs_copies
@pytest.mark.usefixtures("ours")
@pytest.mark.parametrize(
    "fail", [lambda: 1 // 0, lambda: os._exit(7), lambda: os.kill(os.getpid(), 9)]
)
def test_what_fails_in_the_copy_is_done_here(fail, shared, capfd):
    """Broken and killed: nothing is lost, and nobody hears of it."""
    here = os.getpid()

    def work():
        return 5 if os.getpid() == here else fail()

    assert side_by_side([shared(work)] * 8, "works") == [5] * 8
    assert capfd.readouterr() == ("", "")


@needs_copies
@pytest.mark.usefixtures("ours")
def test_what_cannot_be_sent_is_done_here(shared):
    """A function of a function has no name to send."""
    done = side_by_side([shared(lambda: lambda: 5)] * 8, "works")
    assert [give() for give in done] == [5] * 8


@needs_copies
@pytest.mark.usefixtures("ours")
def test_a_copy_ends_when_the_work_is_stopped(tmp_path):
    """It does not go on to write into a folder that is gone."""
    both, late = Meeting(), tmp_path / "late"

    def work():
        if both.wait():
            time.sleep(60)
            late.touch()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        side_by_side([work] * 3, "works")
    # The copy was waited for: whatever it did is done.
    assert not late.exists()


@needs_copies
@pytest.mark.usefixtures("ours")
def test_a_work_that_fails_in_both_raises(shared):
    """As it would in one process; the copy ends."""
    with pytest.raises(ZeroDivisionError):
        side_by_side([shared(lambda: 1 // 0)] * 4, "works")


@needs_copies
def test_a_copy_makes_no_copies(shared, monkeypatch):
    """It works alone: two processors are all that is asked for."""
    here, copied = os.getpid(), []
    copy = copies._copy
    monkeypatch.setattr("fabkit.base.steps._bounded", [here])
    monkeypatch.setattr(copies, "_copy", lambda *given: copied.append(1) or copy(*given))

    def nested():
        before = len(copied)
        inner = side_by_side([os.getpid] * 4, "inner")
        return os.getpid(), set(inner), len(copied) - before

    done = side_by_side([shared(nested)] * 6, "outer")
    for pid, pids, made in done:
        assert made == (pid == here)
        assert pid == here or pids == {pid}
    assert {pid == here for pid, _, _ in done} == {True, False}


@needs_copies
@pytest.mark.usefixtures("ours")
def test_progress_ends_with_all_of_them(shared):
    """Whoever listens hears of works, and in the end of all."""
    heard = []
    with listening(lambda *said: heard.append(said)):
        side_by_side([shared(lambda: 0)] * 9, "works")
    assert heard[0] == (0, 9, "works")
    assert heard[-1] == (9, 9, "works")


class Subject:
    """Keeps what is read of it."""

    def __init__(self, both):
        self._both = both

    @once_per
    def square(self):
        """Give an array, and who made it."""
        self._both.wait()
        return np.arange(3) ** 2, os.getpid()


@needs_copies
@pytest.mark.usefixtures("ours")
def test_readings_are_kept_whoever_read():
    """What the copy's subject keeps, ours keeps; it is not found again."""
    both = Meeting()
    subjects = [Subject(both) for _ in range(12)]
    given = read_side_by_side(subjects, lambda s: s.square()[1], "subjects")
    kept = [subject.square() for subject in subjects]
    assert [pid for _, pid in kept] == given
    assert len(set(given)) == 2
    assert all(array.tolist() == [0, 1, 4] for array, _ in kept)
