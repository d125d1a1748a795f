"""Arithmetic of aperture macros (section 4.5.4.2)."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

_TOKEN = re.compile(r"\$\d+|\d+\.?\d*|\.\d+|[-+xX/()]")

Report = Callable[[str, str], None]
"""Called with ``"spelling"`` or ``"unset"`` and a sentence."""

Node = float | int | tuple[str, "Node", "Node"]
"""A number, a variable (int), or an operator with two operands."""

_LONGEST: Final = 100_000


class ExpressionError(ValueError):
    """The text is no expression, or its value does not exist."""


@dataclass(slots=True)
class _Parser:
    text: str
    depth_limit: int
    report: Report
    tokens: list[str] = field(default_factory=list)
    at: int = 0

    def parse(self) -> Node:
        if len(self.text) > _LONGEST:
            raise ExpressionError("the expression is too long")
        self.tokens = _TOKEN.findall(self.text)
        if "".join(self.tokens) != self.text or not self.tokens:
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        node = self._sum(0)
        if self.at != len(self.tokens):
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        return node

    def _peek(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def _sum(self, depth: int) -> Node:
        if depth > self.depth_limit:
            raise ExpressionError(f"more than {self.depth_limit} nested parentheses")
        node: Node
        if self._peek() in ("+", "-"):
            sign = self._take()
            node = self._product(depth)
            if sign == "-":
                node = -node if isinstance(node, float) else ("-", 0.0, node)
        else:
            node = self._product(depth)
        while self._peek() in ("+", "-"):
            operator = self._take()
            node = (operator, node, self._product(depth))
        return node

    def _product(self, depth: int) -> Node:
        node = self._operand(depth)
        while self._peek() in ("x", "X", "/"):
            operator = self._take()
            if operator == "X":
                self.report("multiply", "upper-case X as multiplication sign")
                operator = "x"
            node = (operator, node, self._operand(depth))
        return node

    def _operand(self, depth: int) -> Node:
        part = self._take()
        sign = 1.0
        while part in ("+", "-"):
            self.report("spelling", "a sign behind an operator")
            sign = -sign if part == "-" else sign
            part = self._take()
        node: Node
        if part == "(":
            node = self._sum(depth + 1)
            if self._take() != ")":
                raise ExpressionError(f"'{self.text[:40]}' lacks a closing parenthesis")
        elif part.startswith("$"):
            if part.startswith("$0"):
                self.report("spelling", "a variable number with leading zeros")
            node = int(part[1:][:9])
        elif part and part[0] in ".0123456789":
            node = float(part)
        else:
            raise ExpressionError(f"'{self.text[:40]}' is no expression")
        if sign > 0:
            return node
        return -node if isinstance(node, float) else ("-", 0.0, node)

    def _take(self) -> str:
        token = self._peek()
        self.at += 1
        return token


def parse_expression(text: str, *, depth_limit: int, report: Report) -> Node:
    """Turn text into a tree.

    Raises
    ------
    ExpressionError
        When it is no expression, or nested more deeply than ``depth_limit``.
    """
    try:
        return (
            float(text)
            if text.replace(".", "", 1).isdecimal()
            else _Parser(text, depth_limit, report).parse()
        )
    except ValueError as error:
        raise ExpressionError(str(error)) from error


def evaluate(node: Node, variables: Mapping[int, float], report: Report) -> float:
    """Value of a tree.

    Raises
    ------
    ExpressionError
        On division by zero or overflow.
    """
    # Long sums nest to the left without parentheses, so the tree is walked with a stack.
    todo: list[Node | str] = [node]
    values: list[float] = []
    while todo:
        item = todo.pop()
        if isinstance(item, tuple):
            todo += (item[0], item[2], item[1])
        elif isinstance(item, str):
            right, left = values.pop(), values.pop()
            values.append(_apply(item, left, right))
        elif isinstance(item, float):
            values.append(item)
        else:
            if item not in variables:
                report("unset", f"${item} has no value")
            values.append(variables.get(item, 0.0))
    if not abs(values[0]) < 1e15:
        raise ExpressionError("the value is too large")
    return values[0]


def _apply(operator: str, left: float, right: float) -> float:
    if operator == "+":
        return left + right
    if operator == "-":
        return left - right
    if operator == "x":
        return left * right
    if right == 0:
        raise ExpressionError("division by zero")
    return left / right
