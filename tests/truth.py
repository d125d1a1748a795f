"""What the boards of the fixtures are by their plans, for tests to compare with what is found."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1] / "fixtures"


@dataclass(frozen=True)
class Truth:
    """One entry of fixtures/TRUTH.toml; the head of that file says what each field means."""

    path: str
    board: str
    keys: int
    size_mm: tuple[float, float]
    same: tuple[str, ...] = ()
    left: int = 0
    right: int = 0
    keyboard_boards: int = 0
    family: str = ""
    held: str = ""
    controllers: int = 0
    headers: int = 0
    diodes: int = 0
    screws: int = 0
    wide: int = 0
    panel: dict[str, Any] = field(default_factory=dict)
    drill_shift_mm: tuple[float, float] = (0.0, 0.0)
    drill_mirrored: bool = False
    roles: dict[str, str] = field(default_factory=dict)
    aside: tuple[str, ...] = ()
    odd: tuple[str, ...] = ()

    @property
    def folder(self) -> Path:
        """Where its files lie."""
        return ROOT / self.path


def load_truths() -> tuple[Truth, ...]:
    """Every entry, in the order of the file."""
    table = tomllib.loads((ROOT / "TRUTH.toml").read_text(encoding="utf-8"))
    return tuple(
        Truth(**{k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()})
        for entry in table["package"]
    )
