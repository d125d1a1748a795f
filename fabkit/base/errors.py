"""Everything fabkit may raise on purpose, with the exit status each carries.

Exit statuses of the command line, one table for all commands:

====== ==========================================================================
status meaning
====== ==========================================================================
0      done; nothing at or above the level asked for by ``--fail-on``
1      done; findings at or above that level, or an output refused because of them
2      wrong usage, input that cannot be used, or an output that cannot be written
3      a check or fabkit itself broke: our fault, please report it
====== ==========================================================================
"""

from __future__ import annotations

from typing import ClassVar


class FabkitError(Exception):
    """Base of all errors a user can cause or meet.

    Parameters
    ----------
    message
        What is wrong and where, in one sentence.
    hint
        What to do about it, in one sentence; may be empty.
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}\n{self.hint}" if self.hint else self.message


class UsageError(FabkitError):
    """The call itself makes no sense: wrong option, wrong combination."""


class UnreadableInput(FabkitError):
    """An input cannot be opened or is not what it should be."""


class SeveralPackages(UnreadableInput):
    """What should be one package holds several.

    Parameters
    ----------
    names
        Paths of the packages inside, relative to what was opened; ``.`` is its own folder.
    """

    def __init__(self, message: str, *, names: tuple[str, ...], hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.names = names


class LimitExceeded(UnreadableInput):
    """An input asks for more than the stated limits allow."""


class TooHeavy(UnreadableInput):
    """A step asks for more than this machine can do.

    Parameters
    ----------
    step
        What is done to what.
    reason
        Why it cannot be done.
    """

    def __init__(self, step: str, reason: str) -> None:
        super().__init__(
            f"too heavy: {step}: {reason}",
            hint="take out what is drawn many times over, or allow more with "
            "--limit memory_bytes=NUMBER or seconds=NUMBER",
        )
        self.step = step
        self.reason = reason


class WorkerDied(UnreadableInput):
    """The process that worked ended without a word, and its work could not be left out."""


class RunStopped(FabkitError):
    """The user stopped a work on many packages; what is done is kept."""

    exit_code: ClassVar[int] = 130


class SheetError(UnreadableInput):
    """One of our own TOML files is wrong at a given key.

    Parameters
    ----------
    file, line
        Where; ``line`` counts from 1 and may be None when the key is absent.
    key
        Dotted path of the key.
    expected
        What would be right.
    nearest
        The nearest valid key, when the key is unknown.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str,
        line: int | None,
        key: str,
        expected: str = "",
        nearest: str = "",
    ) -> None:
        self.file = file
        self.line = line
        self.key = key
        self.expected = expected
        self.nearest = nearest
        where = f"{file}:{line}" if line is not None else file
        parts = [f"expected {expected}"] if expected else []
        if nearest:
            parts.append(f"did you mean '{nearest}'?")
        super().__init__(f"{where}: {key}: {message}", hint="; ".join(parts))


class OutputRefused(FabkitError):
    """An output would overwrite or lose something, or cannot be written."""


class FindingsRefused(OutputRefused):
    """An output was not made because the package has findings that forbid it."""

    exit_code: ClassVar[int] = 1


def explain(error: Exception) -> tuple[str, str, int]:
    """Message, hint (may be empty) and exit status of any error that ends a work."""
    if isinstance(error, FabkitError):
        return error.message, error.hint, error.exit_code
    if is_out_of_memory(error):
        hint = "close other programs, or take out what is drawn many times over"
        return "the memory of this machine does not suffice for the input", hint, 2
    hint = "run again with FABKIT_DEBUG=1 in the environment, and report what it prints"
    return f"fabkit itself broke: {type(error).__name__}: {error}", hint, 3


def is_out_of_memory(error: Exception) -> bool:
    """Whether an error means that memory did not suffice; native code says so in words only."""
    words = str(error)
    signs = ("bad_alloc", "could not allocate", "Cannot allocate memory", "can't start new thread")
    return isinstance(error, MemoryError) or (
        not isinstance(error, FabkitError) and any(sign in words for sign in signs)
    )
