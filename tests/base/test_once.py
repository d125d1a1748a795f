"""A reading is found once a subject, and forgotten with it."""

from __future__ import annotations

import gc
from weakref import ref

from fabkit.base.once import is_kept, once_per


class Subject:
    """Anything that can be referred to weakly."""


def test_found_once_for_each_subject():
    """A second question is answered from what was kept; another subject is asked anew."""
    asked: list[Subject] = []

    @once_per
    def reading(subject: Subject) -> int:
        asked.append(subject)
        return len(asked)

    first, second = Subject(), Subject()

    assert [reading(first), reading(first), reading(second), reading(first)] == [1, 1, 2, 1]


def test_known_to_be_kept():
    """Whoever asks learns whether a reading costs anything, and asking finds none."""

    class Asked:
        @property
        @once_per
        def answer(self) -> int:
            return 42

    asked, other = Asked(), Asked()

    assert not is_kept(asked, "answer")
    assert asked.answer == 42
    assert is_kept(asked, "answer")
    assert not is_kept(other, "answer")


def test_kept_no_longer_than_the_subject():
    """What was found goes when nobody holds the subject."""
    gone: list[str] = []

    class Found:
        def __del__(self) -> None:
            gone.append("found")

    @once_per
    def reading(subject: Subject) -> Found:
        return Found()

    subject = Subject()
    reading(subject)
    del subject
    gc.collect()

    assert gone == ["found"]


def test_a_reading_that_holds_its_subject_does_not_keep_it():
    """A keyboard holds its board, so what is kept must not hold the keyboard for ever."""

    @once_per
    def reading(subject: Subject) -> tuple[Subject, str]:
        return subject, "found"

    subject = Subject()
    reading(subject)
    seen = ref(subject)
    del subject
    gc.collect()

    assert seen() is None
