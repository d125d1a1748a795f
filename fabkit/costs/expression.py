"""Arithmetic as text: one expression gives the amount, its explanation and the sheet's formula.

The little language has names, numbers, ``+ - * /``, ``max(a, b)``, ``min(a, b)``, ``ceil(a)`` and
``above(a, b)`` (1 when a > b, else 0).  Values are Decimal.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping
from decimal import ROUND_CEILING, Decimal
from functools import lru_cache

_SIGNS: dict[type[ast.operator], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
}


@lru_cache(maxsize=256)
def _tree(text: str) -> ast.expr:
    # Parsed and walked, never run: a name can be nothing but one of the inputs.
    return ast.parse(text, mode="eval").body


def evaluate(text: str, values: Mapping[str, Decimal]) -> Decimal:
    """Calculate the exact value of an expression.

    >>> evaluate("area * max(rate, 1)", {"area": Decimal("6.84"), "rate": Decimal("0.55")})
    Decimal('6.84')
    """

    def walk(node: ast.expr) -> Decimal:
        if isinstance(node, ast.Name):
            return values[node.id]
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            # By its text, because Decimal(0.1) has the digits of the binary fraction.
            return Decimal(str(node.value))
        if isinstance(node, ast.BinOp):
            left, right = walk(node.left), walk(node.right)
            match node.op:
                case ast.Add():
                    return left + right
                case ast.Sub():
                    return left - right
                case ast.Mult():
                    return left * right
                case ast.Div():
                    return left / right
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            arguments = [walk(a) for a in node.args]
            match node.func.id:
                case "max":
                    return max(arguments)
                case "min":
                    return min(arguments)
                case "ceil":
                    return arguments[0].to_integral_value(rounding=ROUND_CEILING)
                case "above":
                    return Decimal(int(arguments[0] > arguments[1]))
        raise ValueError(f"not an expression of ours: {text}")

    return walk(_tree(text))


def to_cells(text: str, cells: Mapping[str, str]) -> str:
    """Write the same expression as a spreadsheet formula, without the leading ``=``.

    >>> to_cells("ceil(q / 2) * rate", {"q": "B1", "rate": "B2"})
    'ROUNDUP((B1/2),0)*B2'
    """

    def walk(node: ast.expr, *, outer: bool = False) -> str:
        if isinstance(node, ast.Name):
            return cells[node.id]
        if isinstance(node, ast.Constant):
            return str(node.value)
        if isinstance(node, ast.BinOp):
            body = f"{walk(node.left)}{_SIGNS[type(node.op)]}{walk(node.right)}"
            # The tree keeps no brackets, so every inner operation gets its own.
            return body if outer else f"({body})"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            arguments = [walk(a) for a in node.args]
            match node.func.id:
                case "ceil":
                    return f"ROUNDUP({arguments[0]},0)"
                case "above":
                    return f"IF({arguments[0]}>{arguments[1]},1,0)"
                case name:
                    return f"{name.upper()}({','.join(arguments)})"
        raise ValueError(f"not an expression of ours: {text}")

    return walk(_tree(text), outer=True)
