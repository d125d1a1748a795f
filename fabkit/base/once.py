"""A reading of a subject that is found once and kept as long as the subject lives."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar
from weakref import WeakKeyDictionary

Subject = TypeVar("Subject")
Reading = TypeVar("Reading")


def once_per(find: Callable[[Subject], Reading]) -> Callable[[Subject], Reading]:
    """Keep what ``find`` gives for a subject.

    In place of a cached property where the subject's room must not know the room that reads it.
    Two threads that ask at once may both find it; neither waits for a reading of another subject,
    as they would for a cached property of Python 3.11, which has one lock for all instances.
    """
    kept: WeakKeyDictionary[Subject, Reading] = WeakKeyDictionary()

    @wraps(find)
    def keep(subject: Subject) -> Reading:
        if subject not in kept:
            kept[subject] = find(subject)
        return kept[subject]

    return keep
