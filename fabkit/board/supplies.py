"""Words of the trade for nets and pins that carry supply and ground."""

from __future__ import annotations

import re
from typing import Final

POSITIVE: Final = re.compile(
    r"(?:^|[^A-Z])V?BAT(?:T|TERY)?(?:$|[^A-Z])|^B\+$|BAT\+|^BAT_?P(?:OS)?$", re.IGNORECASE
)
"""The plus side of a cell."""

NEGATIVE: Final = re.compile(
    r"(?:^|[^A-Z])GND(?:$|[^A-Z])|^B-$|BAT-|^BAT_?N(?:EG)?$|^0V$|^VSS$", re.IGNORECASE
)
"""The minus side of a cell, and ground."""

GROUND: Final = re.compile(
    r"(?:^|[^A-Z])[AD]?GND(?:[A-Z]|_?[0-9]*$|[^A-Z])|^0V$|^VSS$|GROUND", re.IGNORECASE
)
"""Ground, also that of one half (``GNDR``)."""

SUPPLY: Final = re.compile(
    r"(?:^|[^A-Z])(?:V(?:CC|DD|IN|BUS|SYS|OUT|RAW|USB)|RAW|\+?\d+V\d*)(?:$|[^A-Z]|[LR]$)",
    re.IGNORECASE,
)
"""Supplies other than the cell itself."""


def is_ground(name: str) -> bool:
    """Whether a net or pin is ground by its name."""
    return bool(GROUND.search(name) or NEGATIVE.search(name))


def is_battery(name: str) -> bool:
    """Whether a net or pin is the plus side of a cell by its name."""
    return bool(POSITIVE.search(name))


def is_supply(name: str) -> bool:
    """Whether a net or pin is a supply, the cell's plus side among them."""
    return is_battery(name) or bool(SUPPLY.search(name))
