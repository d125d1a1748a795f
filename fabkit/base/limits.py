"""Bounds on what an input may ask of the machine, each counted before it is spent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Final

from fabkit.base.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Upper bounds; the defaults fit any real board with a wide margin.

    Change them with ``dataclasses.replace``, or by name with :func:`changed_limits`.
    """

    file_bytes: int = 256 * 2**20
    """Size of one input file."""
    package_bytes: int = 1024 * 2**20
    """Size of all files of one package after unpacking."""
    members: int = 2_000
    """Files in one folder or archive."""
    archive_ratio: int = 200
    """Unpacked size over packed size of one archive member (beyond the first MiB)."""
    path_depth: int = 12
    """Folders in one member name."""
    objects: int = 5_000_000
    """Graphic objects (or holes and slots) of one file after every repeat is expanded."""
    copies: int = 75_000
    """Objects of one file that its repeats, blocks and patterns make: a few bytes can ask for any
    number, and each costs about 10 kB once it is checked."""
    segments: int = 4_000_000
    """Contour segments of one file after every repeat is expanded."""
    corners: int = 15_000_000
    """Corners of all shapes of one layer, curves cut into chords: what drawing it takes.  Of a
    layer with more nothing is drawn."""
    crossings: int = 20_000
    """Crossings of one contour with itself: each makes a face to fill, and they grow with the
    square of its segments."""
    stroke_crossings: int = 3_000_000
    """Crossings of the strokes of one layer with each other, as a thousand of them show: twenty
    thousand strokes as long as the board have sixty million.  Of a layer with more nothing is
    drawn."""
    memory_bytes: int = 4 * 2**30
    """Memory that the process may take which reads, checks and draws.  Unless it is stated,
    `check` takes at most 1 GB for files of up to 10 MB, and 22 bytes for each further byte."""
    seconds: int = 60
    """Processor time of one step, which is reading a file, drawing a layer or one check; one more
    for each megabyte of the package.  Real boards take seconds; what takes longer is left out."""
    block_depth: int = 32
    """Nested block apertures."""
    macro_primitives: int = 10_000
    """Primitives of one evaluated aperture macro."""
    macro_depth: int = 64
    """Nested parentheses of one macro expression."""
    apertures: int = 200_000
    """Aperture definitions of one file."""
    problem_places: int = 20
    """Places kept for one kind of problem; all are counted."""

    def memory_to_check(self, size: int) -> int:
        """Memory that checking files of so many bytes in all may take.

        Real boards take less than three quarters of it, up to fourteen layers.
        """
        if self.memory_bytes != DEFAULT_LIMITS.memory_bytes:
            return self.memory_bytes
        return min(self.memory_bytes, _SMALL_MEMORY + 22 * max(0, size - _SMALL_PACKAGE))

    def seconds_to_work(self, size: int) -> int:
        """Processor time that a step may take of a package of so many bytes."""
        return self.seconds + size // 1_000_000


_SMALL_PACKAGE: Final = 10_000_000
_SMALL_MEMORY: Final = 900 * 2**20
"""A gigabyte less what libraries take that are mapped from their files."""

DEFAULT_LIMITS = Limits()


def changed_limits(stated: Mapping[str, int]) -> Limits:
    """Change some of the default limits by name.

    Raises
    ------
    UsageError
        A name is unknown, or a bound is below 1.

    >>> changed_limits({"members": 5_000}).members
    5000
    """
    known = [field.name for field in fields(Limits)]
    for name, bound in stated.items():
        if name not in known:
            raise UsageError(f"there is no limit {name!r}", hint=f"There are: {', '.join(known)}.")
        if bound < 1:
            raise UsageError(f"the limit {name} cannot be {bound}", hint="Give 1 or more.")
    return replace(DEFAULT_LIMITS, **stated)


def how_to_raise(name: str, wanted: int | None = None) -> str:
    """Words for a hint: how more than the limit can be allowed."""
    return f"If it is meant so, allow more with --limit {name}={wanted or 'NUMBER'}."
