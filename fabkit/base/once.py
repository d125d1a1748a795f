"""A reading of a subject that is found once and kept as long as the subject lives."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar

Subject = TypeVar("Subject")
Reading = TypeVar("Reading")


def once_per(find: Callable[[Subject], Reading]) -> Callable[[Subject], Reading]:
    """Keep what ``find`` gives for a subject.

    In place of a cached property where the subject's room must not know the room that reads it.
    Two threads that ask at once may both find it; neither waits for a reading of another subject,
    as they would for a cached property of Python 3.11, which has one lock for all instances.

    The reading is kept in the subject: it often holds the subject, and a table of ours beside it
    would then keep both for ever.
    """
    name = f"{find.__module__}.{find.__qualname__}"

    @wraps(find)
    def keep(subject: Subject) -> Reading:
        kept: dict[str, Reading] = vars(subject)
        if name not in kept:
            kept[name] = find(subject)
        return kept[name]

    return keep


def is_kept(subject: object, name: str) -> bool:
    """Whether a reading that the class of a subject gives under a name was found already."""
    cls = type(subject)
    return f"{cls.__module__}.{cls.__qualname__}.{name}" in vars(subject)
