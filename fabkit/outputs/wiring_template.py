"""The wiring through a template of the user's own."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fabkit.base.errors import UnreadableInput, UsageError
from fabkit.base.streams import clean

if TYPE_CHECKING:
    from jinja2.sandbox import ImmutableSandboxedEnvironment

Record = dict[str, Any]

TEMPLATE_BYTES = 2**20
"""Larger than any template written by a person."""

RENDERED_CHARACTERS = 5_000_000
"""A loop that writes more than this is a mistake."""


def load_template(path: Path) -> str:
    """Text of a template.

    Raises
    ------
    UnreadableInput
        It is missing, too large or not text.
    """
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise UnreadableInput(
            f"{path}: {error.strerror or error}", hint="give the path of a readable template"
        ) from error
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"{path}: not UTF-8 text (byte {error.start})", hint="save the file as UTF-8 text"
        ) from error
    if len(data) > TEMPLATE_BYTES:
        raise UnreadableInput(
            f"{path}: {len(data)} bytes is too large for a template",
            hint=f"a template has at most {TEMPLATE_BYTES} bytes",
        )
    return text


KNOWN = frozenset({"name", "source", "rule", "first", "halves", "findings", "keys"})
"""Names a template knows."""


def check_template(text: str, *, name: str = "template") -> None:
    """Refuse a template that is wrong, before there is anything to fill it with.

    Raises
    ------
    UsageError
        Its syntax is wrong, or it asks for a name that there is not; names the line.
    """
    from jinja2 import TemplateError, meta

    try:
        tree = _room().parse(text)
        unknown = sorted(meta.find_undeclared_variables(tree) - KNOWN)
    except TemplateError as error:
        raise UsageError(
            f"{name}{_line_of(error)}: {error.message or type(error).__name__}", hint=HINT
        ) from error
    if unknown:
        line = next((k for k, t in enumerate(text.splitlines(), 1) if unknown[0] in t), 1)
        near = get_close_matches(unknown[0], KNOWN, n=1)
        raise UsageError(
            f"{name}, line {line}: '{unknown[0]}' is undefined",
            hint=f"did you mean '{near[0]}'?" if near else HINT,
        )


HINT = "a template knows the names that --json prints"


def _room() -> ImmutableSandboxedEnvironment:
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    class Room(ImmutableSandboxedEnvironment):
        """Names of the record come before those of Python: ``half.keys`` are its keys."""

        def getattr(self, obj: Any, attribute: str) -> Any:
            if isinstance(obj, dict) and attribute in obj:
                return obj[attribute]
            return super().getattr(obj, attribute)

    return Room(
        undefined=StrictUndefined,
        autoescape=False,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render_template(text: str, record: Record, *, name: str = "template") -> str:
    """Fill a jinja2 template with a wiring record.

    It knows ``name``, ``source``, ``rule``, ``first``, ``halves``, ``findings`` as the JSON has
    them, and ``keys``: all keys in the order of their numbers.  It runs in a sandbox, reads no
    other file, and a name it does not know is an error.

    Raises
    ------
    UsageError
        The template is wrong; names the line.
    """
    from jinja2 import TemplateError

    check_template(text, name=name)
    clean_record = _cleaned(record)
    room = _room()
    keys = [k for half in clean_record["halves"] for k in half["keys"]]
    keys.sort(key=lambda k: k["index"])
    pieces: list[str] = []
    written = 0
    try:
        for piece in room.from_string(text).generate(**{**clean_record, "keys": keys}):
            pieces.append(piece)
            written += len(piece)
            if written > RENDERED_CHARACTERS:
                raise UsageError(
                    f"{name}: it writes more than {RENDERED_CHARACTERS} characters",
                    hint="see whether one of its loops is meant to be that long",
                )
    except TemplateError as error:
        raise UsageError(
            f"{name}{_line_of(error)}: {error.message or type(error).__name__}",
            hint=HINT,
        ) from error
    except (ArithmeticError, LookupError, TypeError, ValueError, RecursionError) as error:
        raise UsageError(
            f"{name}{_line_of(error)}: {error}",
            hint=HINT,
        ) from error
    return "".join(pieces)


def _line_of(error: Exception) -> str:
    """Line of the template, from the error or from where it was raised."""
    line = getattr(error, "lineno", None)
    step = error.__traceback__
    while line is None and step is not None:
        if step.tb_frame.f_code.co_filename == "<template>":
            line = step.tb_lineno
        step = step.tb_next
    return "" if line is None else f", line {line}"


def _cleaned(value: Any) -> Any:
    """The record without control characters: its names come from files others wrote."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {k: _cleaned(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_cleaned(v) for v in value]
    return value
