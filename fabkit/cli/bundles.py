"""A command takes one object: a frozen dataclass whose fields are its arguments and options.

So a command is a translation from that object into a call, every value has a type, and options
that go together are declared once, as a bundle that other bundles hold or extend::

    @dataclass(frozen=True, kw_only=True)
    class Asked:
        package: Path = argument("PACKAGE", type=FILE)
        fine: bool = option("--fine", is_flag=True, help="Judge by the fine class.")
        choice: Choice = bundle(Choice)

    @command("check", Asked)
    def command(asked: Asked) -> None: ...
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import Field, field, fields
from functools import wraps
from typing import Any, TypeVar

import click

from fabkit.cli.grouping import Command

T = TypeVar("T")
Declared = Any
"""A field that is declared here: it takes the type that it stands by."""

_DECLARED = "declared"
"""Key of a field's metadata: what makes its parameter, or the bundle it holds."""


def option(*names: str, **about: Any) -> Declared:
    """Declare a field that is an option; ``names`` and ``about`` as for :class:`click.Option`."""
    return field(metadata={_DECLARED: lambda name: click.Option([*names, name], **about)})


def argument(metavar: str, **about: Any) -> Declared:
    """Declare a field that is an argument; ``about`` as for :class:`click.Argument`."""
    return field(
        metadata={_DECLARED: lambda name: click.Argument([name], metavar=metavar, **about)}
    )


def bundle(held: type[T], **instead: Declared) -> T:
    """Declare a field that holds a bundle; ``instead`` stand in for fields of it."""
    made: T = field(metadata={_DECLARED: held, **instead})
    return made


def command(name: str, asked: type[T]) -> Callable[[Callable[[T], None]], click.Command]:
    """Make a command of a function that takes one bundle; its docstring is the help."""

    def made(function: Callable[[T], None]) -> click.Command:
        @wraps(function)
        def call(**values: object) -> None:
            function(_filled(asked, values))

        return click.command(name, cls=Command, params=list(_parameters(asked, {})))(call)

    return made


Fields = Mapping[str, object]
"""Fields of a held bundle, by name, that stand in for its own."""


def _declarations(asked: type, instead: Fields) -> Iterator[tuple[str, Declared, Fields]]:
    """Fields of a bundle: name, what was declared, and what stands in for fields of a held one."""
    for one in fields(asked):
        declared = instead.get(one.name, one)
        assert isinstance(declared, Field)  # noqa: S101 -- narrows for the type checker
        rest = dict(declared.metadata)
        yield one.name, rest.pop(_DECLARED), rest


def _parameters(asked: type, instead: Fields) -> Iterator[click.Parameter]:
    for name, declared, rest in _declarations(asked, instead):
        if isinstance(declared, type):
            yield from _parameters(declared, rest)
        else:
            yield declared(name)


def _filled(asked: type[T], values: Mapping[str, object]) -> T:
    made = {
        name: _filled(declared, values) if isinstance(declared, type) else values[name]
        for name, declared, _ in _declarations(asked, {})
    }
    return asked(**made)
