"""Lines of an invoice that explain themselves: terms, each an expression over named inputs.

Arithmetic is text, so that one expression gives the amount, its explanation and the sheet's
formula.
The little language has names, numbers, ``+ - * /``, comparisons and ``and`` (1 or 0),
``max(...)``, ``min(...)``, ``ceil(a)``, ``floor(a)``, ``above(a, b)`` (1 when a > b, else 0),
``choose(test, value, test, value, ..., otherwise)`` and ``tidy(a)`` (the same; a spreadsheet drops
its binary dust).  Values are Decimal; names may stand for texts, which are compared only.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from enum import StrEnum
from functools import cached_property, lru_cache

from fabkit.parts.model import Lasting
from fabkit.sheets.prices import Currency


class Group(StrEnum):
    """What a line is paid for."""

    BOARDS = "boards"
    SHIPPING = "shipping of the boards"
    DUTY = "duty"
    TAX = "tax"
    HANDLING = "handling"
    PARTS = "parts"
    PARTS_SHIPPING = "shipping of the parts"


PARTS_GROUPS = (Group.PARTS, Group.PARTS_SHIPPING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One number of a formula.

    ``origin`` states where it comes from: the place in a sheet, ``measured`` or the order.  When
    ``lines`` is not empty it is the sum of those lines' amounts.
    """

    name: str
    value: Decimal
    unit: str = ""
    origin: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One term of a line, unrounded.

    ``expression`` is the formula over the inputs' names, in the language of this module.
    """

    key: str
    title: str
    rule: str
    expression: str
    inputs: tuple[Input, ...]

    @property
    def value(self) -> Decimal:
        """The exact amount, in the currency of the invoice."""
        return evaluate(self.expression, {i.name: i.value for i in self.inputs})

    @property
    def why(self) -> str:
        """Formula with its numbers and their origins, one line."""
        numbers = ", ".join(
            f"{i.name} = {figure(i.value)}{' ' + i.unit if i.unit else ''}"
            + (f" [{i.origin}]" if i.origin else "")
            for i in self.inputs
        )
        return f"{self.expression} where {numbers}"


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of an invoice: its terms are added, then rounded once.

    Parameters
    ----------
    invoice
        Currency of the invoice.
    target, exchange
        Currency of the cost sheet and the rate between the two (None: the same).
    whole_units
        Rounded down to whole units, as some authorities do.
    lasting
        Parts: what becomes of them.
    """

    key: str
    title: str
    group: Group
    elements: tuple[Element, ...]
    invoice: Currency
    target: Currency
    exchange: Input | None = None
    whole_units: bool = False
    lasting: Lasting | None = None

    @cached_property
    def exact(self) -> Decimal:
        """Sum of the terms, unrounded, in the currency of the invoice."""
        return sum((e.value for e in self.elements), Decimal(0))

    @property
    def invoiced(self) -> Decimal:
        """Rounded, in the currency of the invoice."""
        if self.whole_units:
            return self.exact.to_integral_value(rounding=ROUND_FLOOR).quantize(self.invoice.step)
        return self.invoice.round(self.exact)

    @cached_property
    def amount(self) -> Decimal:
        """Rounded, in the currency of the sheet."""
        if self.exchange is None:
            return self.invoiced
        return self.target.round(self.invoiced * self.exchange.value)


def figure(value: Decimal, digits: int = 0) -> str:
    """Write a number without superfluous zeros or exponent, with at least so many decimals.

    >>> figure(Decimal("6.8400")), figure(Decimal("1E+1")), figure(Decimal("6.8"), 2)
    ('6.84', '10', '6.80')
    """
    whole, _, rest = f"{value:f}".partition(".")
    rest = rest.rstrip("0").ljust(digits, "0")
    return f"{whole}.{rest}" if rest else whole


# The little language


Value = Decimal | str

_SIGNS: dict[type[ast.operator], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
}
_TESTS: dict[type[ast.cmpop], str] = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "=",
}


@lru_cache(maxsize=1024)
def _tree(text: str) -> ast.expr:
    # Parsed and walked, never run: a name can be nothing but one of the inputs.
    return ast.parse(text, mode="eval").body


def _whole(rounding: str) -> Callable[[Decimal], Decimal]:
    return lambda value: value.to_integral_value(rounding=rounding)


_FUNCTIONS: Mapping[str, Callable[..., Decimal]] = {
    "max": max,
    "min": min,
    "ceil": _whole(ROUND_CEILING),
    "floor": _whole(ROUND_FLOOR),
    "tidy": lambda a: a,
    "above": lambda a, b: Decimal(int(a > b)),
}


def evaluate(text: str, values: Mapping[str, Value]) -> Decimal:
    """Calculate the exact value of an expression.

    >>> evaluate("area * max(rate, 1)", {"area": Decimal("6.84"), "rate": Decimal("0.55")})
    Decimal('6.84')
    >>> evaluate("choose(q <= 10, 5, q <= 50, 4, 3)", {"q": Decimal(11)})
    Decimal('4')
    """

    def any_value(node: ast.expr) -> Value:
        return values[node.id] if isinstance(node, ast.Name) else walk(node)

    def walk(node: ast.expr) -> Decimal:
        match node:
            case ast.Name():
                value = values[node.id]
                if isinstance(value, Decimal):
                    return value
            case ast.Constant(value=int() | float()):
                # By its text, because Decimal(0.1) has the digits of the binary fraction.
                return Decimal(str(node.value))
            case ast.BinOp():
                return _combined(node.op, walk(node.left), walk(node.right))
            case ast.Compare(ops=[test], comparators=[right]):
                return Decimal(int(_met(test, any_value(node.left), any_value(right))))
            case ast.BoolOp(op=ast.And()):
                return Decimal(int(all(walk(part) for part in node.values)))
            case ast.Call(func=ast.Name(id="choose")):
                # Only what is chosen is worked out: another branch may divide by nothing.
                *pairs, otherwise = node.args
                tests = zip(pairs[::2], pairs[1::2], strict=True)
                return walk(next((value for test, value in tests if walk(test)), otherwise))
            case ast.Call(func=ast.Name(id=name)) if name in _FUNCTIONS:
                return _FUNCTIONS[name](*map(walk, node.args))
        raise ValueError(f"not an expression of ours: {text}")

    return walk(_tree(text))


def _combined(sign: ast.operator, left: Decimal, right: Decimal) -> Decimal:
    match sign:
        case ast.Add():
            return left + right
        case ast.Sub():
            return left - right
        case ast.Mult():
            return left * right
        case ast.Div():
            return left / right
    raise ValueError("not an operation of ours")


def _met(test: ast.cmpop, left: Value, right: Value) -> bool:
    if isinstance(left, Decimal) and isinstance(right, Decimal):
        order = left.compare(right)
        match test:
            case ast.Lt():
                return order < 0
            case ast.LtE():
                return order <= 0
            case ast.Gt():
                return order > 0
            case ast.GtE():
                return order >= 0
    if isinstance(test, ast.Eq):
        return left == right
    raise ValueError("not a comparison of ours")


def to_cells(text: str, cells: Mapping[str, str]) -> str:
    """Write the same expression as a spreadsheet formula, without the leading ``=``.

    What is rounded up or down is rounded to nine decimals before: a spreadsheet counts in binary,
    where 0.1 * 3 is a hair above 0.3.

    >>> to_cells("ceil(q / 2) * rate", {"q": "B1", "rate": "B2"})
    'ROUNDUP(ROUND((B1/2),9),0)*B2'
    """

    def walk(node: ast.expr, *, outer: bool = False) -> str:
        match node:
            case ast.Name():
                return cells[node.id]
            case ast.Constant():
                return str(node.value)
            case ast.BinOp():
                body = f"{walk(node.left)}{_SIGNS[type(node.op)]}{walk(node.right)}"
                # The tree keeps no brackets, so every inner operation gets its own.
                return body if outer else f"({body})"
            case ast.Compare(ops=[test], comparators=[right]):
                return f"({walk(node.left)}{_TESTS[type(test)]}{walk(right)})"
            case ast.BoolOp(op=ast.And()):
                return f"AND({','.join(map(walk, node.values))})"
            case ast.Call(func=ast.Name(id=name)):
                arguments = [walk(a) for a in node.args]
                match name:
                    case "ceil":
                        return f"ROUNDUP(ROUND({arguments[0]},9),0)"
                    case "floor":
                        return f"ROUNDDOWN(ROUND({arguments[0]},9),0)"
                    case "tidy":
                        return f"ROUND({arguments[0]},9)"
                    case "above":
                        return f"IF({arguments[0]}>{arguments[1]},1,0)"
                    case "choose":
                        *pairs, otherwise = arguments
                        for n in range(len(pairs) - 2, -1, -2):
                            otherwise = f"IF({pairs[n]},{pairs[n + 1]},{otherwise})"
                        return otherwise
                return f"{name.upper()}({','.join(arguments)})"
        raise ValueError(f"not an expression of ours: {text}")

    return walk(_tree(text), outer=True)
