"""From options to the keys of an order file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click


def ask(given: dict[str, Any]) -> dict[str, Any]:
    """Ask for the choices an order turns on, unless they were given."""
    questions: tuple[tuple[str, str, Any], ...] = (
        ("keyboards", "Whole keyboards", 1),
        ("thickness_mm", "Finished thickness, mm", 1.6),
        ("colour", "Mask colour", "green"),
        ("finish", "Surface finish", "hasl-lead-free"),
    )
    asked = {k: click.prompt(words, default=usual) for k, words, usual in questions if not given[k]}
    return given | asked


def file_keys(given: dict[str, Any], beside: Callable[[Path], str]) -> dict[str, object]:
    """Keys of an order file for what was given; ``beside`` makes a path relative to the file."""
    houses, parts = given["house_files"], given["parts_file"]
    keys = {
        "houses": [beside(house) for house in houses] or None,
        "parts": beside(parts) if parts else None,
        "quantities": list(given["quantities"]) or None,
        **{k: given[k] for k in ("spare_halves", "thickness_mm", "colour", "finish", "currency")},
    }
    return {key: value for key, value in keys.items() if value is not None}
