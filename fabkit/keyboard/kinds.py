"""Kinds of parts, recognised by the letters, words, pins and nets that the files name."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from fabkit.keyboard.model import PartKind

LETTERS: Final[dict[str, PartKind]] = {
    "BT": "lithium connector",
    "BAT": "lithium connector",
    "C": "capacitor",
    "D": "diode",
    "CR": "diode",
    "ZD": "diode",
    "DS": "light",
    "LED": "light",
    "F": "fuse",
    "FB": "inductor",
    "J": "connector",
    "P": "connector",
    "X": "connector",
    "CN": "connector",
    "CON": "connector",
    "L": "inductor",
    "LS": "sounder",
    "BZ": "sounder",
    "OLED": "display",
    "LCD": "display",
    "DISP": "display",
    "ENC": "encoder",
    "RE": "encoder",
    "MCU": "controller",
    "Q": "transistor",
    "R": "resistor",
    "RN": "resistor",
    "RST": "reset",
    "RSW": "reset",
    "STAB": "stabiliser",
    "S": "button",
    "SW": "button",
    "KEY": "button",
    "U": "circuit",
    "IC": "circuit",
    "Y": "crystal",
    "XTAL": "crystal",
}
"""Reference letters: classes of IEEE 315-1975 clause 22.4, and others in common use."""

WORDS: Final[tuple[tuple[str, PartKind], ...]] = (
    (r"stabili[sz]er", "stabiliser"),
    (r"\bjack\b|\btrrs\b|\btrs\b|\baudio\b|\bphone socket\b", "audio jack"),
    (r"\bencoder\b|\brotary\b|\bknob\b", "encoder"),
    (r"\bo?led display\b|\boled\b|\bdisplay\b|\blcd\b|\be ?paper\b", "display"),
    (r"\breset\b|\brst\b", "reset"),
    (r"\bpower\b.*\b(?:switch|sw)\b|\bon off\b|\bslide\b|\bslider\b|\bspdt\b", "power switch"),
    (r"\blithium\b|\blipo\b|\bli ion\b|\bbattery\b|\baccumulator\b", "lithium connector"),
    (r"\bcontroller\b|\bmcu\b|\bmicrocontroller\b|\bdev(?:elopment)? board\b", "controller"),
    (r"\bpin ?header\b|\bpin ?socket\b|\bheader\b|\b(?:socket|pin) row\b|\brow \d+x\d+", "header"),
    (r"\busb\b|\btype c\b|\bconn(?:ector)?\b|\bplug\b", "connector"),
    (r"\bleds?(?:\d{4})?\b|\blight\b|\blamp\b|\bbacklight\b", "light"),
    (
        r"\bdiode\b|\bsod\b|\bsod ?\d|\bdo \d\d|\bmelf\b|\b1n\d{3,4}|\bd (?:\d{4}|sm[abc])\b",
        "diode",
    ),
    (r"\bcrystal\b|\bresonator\b", "crystal"),
    (r"\bfuse\b", "fuse"),
    (r"\bsounder\b|\bbuzzer\b|\bspeaker\b", "sounder"),
    (r"\bresistor\b", "resistor"),
    (r"\bcapacitor\b", "capacitor"),
    (r"\bbutton\b|\btact(?:ile)?\b|\bpush\b", "button"),
    (r"\bspacer\b|\bstandoff\b", "spacer"),
    (r"\bfoot\b|\bfeet\b|\bbumper\b", "foot"),
)
"""Words of the trade in values and footprints; the first that fits counts."""

NOT_PARTS: Final[tuple[tuple[str, str], ...]] = (
    (r"fiducial|^fid\d", "fiducial"),
    (r"mounting ?hole|screw ?hole|^mh ?\d|^h\d+$", "mounting hole"),
    (r"test ?(?:point|pad)|^tp ?\d", "test point"),
    (r"tooling", "tooling hole"),
    (r"mouse ?bites?|break ?(?:off|away)", "break-off holes"),
    (r"\blogo\b|\bgraphic\b|\btext\b|\bsymbol\b|^te?xt ?\d*$", "drawing or text"),
    (r"\bnet ?tie\b|^nt ?\d", "net tie"),
    (
        r"\b(?:solder ?)?jumper\b|\bsolder ?bridge\b|^s?jp ?\d|^sb ?\d",
        "jumper: bridged with solder where it is needed",
    ),
)
"""What is on a board but not bought: words of the trade in references, values and footprints."""

_DRAWING: Final = re.compile(r"^(?:REF|G|[A-Z]{1,3})?\*+$", re.IGNORECASE)
"""A reference that was never given a number: drawings, texts and bare holes."""

_HAND: Final = re.compile(r"^[rl](?=[A-Z])|(?<=\d)_?[RrLl]$")
"""A letter for the hand before or after a reference."""

_RESET_NET: Final = re.compile(r"(?:^|[^a-z])(?:n?reset|n?rst|run)(?:[^a-z]|$)", re.IGNORECASE)
_CELL_NET: Final = re.compile(r"(?:^|[^a-z])(?:v?bat|bt|lipo|cell)", re.IGNORECASE)
_JACK_PINS: Final = (frozenset("TRS"), frozenset(("T", "R1", "R2", "S")), frozenset("ABCD"))
_ENCODER_PINS: Final = frozenset("ABC")

_FEWEST_CONTROLLER_PINS: Final = 14
"""Integrated circuits with fewer pins scan no keys (common practice)."""


def plain(text: str) -> str:
    """Words of a text in lower case, with blanks between them.

    >>> plain("MountingHole_2.2mm")
    'mounting hole 2.2mm'
    """
    return re.sub(r"[^a-z0-9.+]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()).strip()


def stem(ref: str) -> str:
    """Cut hand and number off a reference: ``rSW12`` gives ``SW``."""
    return re.sub(r"[_-]?\d.*$", "", _HAND.sub("", ref)).strip().upper()


def why_no_part(ref: str, fields: Mapping[str, str]) -> str:
    """Why what a reference names is not bought; empty when it is a part.

    Parameters
    ----------
    fields
        ``value``, ``footprint`` and ``mount`` of the component; ``joined`` is ``no`` when none of
        its pins leads anywhere.
    """
    if fields.get("mount") == "Fiducial":
        return "fiducial"
    texts = (
        plain(_HAND.sub("", ref)),
        plain(fields.get("value", "")),
        plain(fields.get("footprint", "")),
    )
    for pattern, reason in NOT_PARTS:
        if any(re.search(pattern, text) for text in texts):
            return reason
    if _DRAWING.match(ref):
        return "drawing or text"
    if fields.get("pins") == "1" and not (fields.get("value") or fields.get("footprint")):
        return "a single pad: for a wire"
    if fields.get("joined") == "no":
        return "its pads lead nowhere"
    if fields.get("mount") == "Other" and fields.get("pins") in ("", "0", None):
        return "no pins and not mounted"
    return ""


def is_joined(pins: Sequence[tuple[str, str]], uses: Mapping[str, int]) -> bool:
    """Whether a part of two pins is on a net with another pin.

    Parameters
    ----------
    pins
        Pin and net names.
    uses
        Number of pins on each net of the board.
    """
    return len(pins) != 2 or any(not net or uses[net] > 1 for _, net in pins)


def kind_of(ref: str, value: str, footprint: str, pins: Sequence[tuple[str, str]] = ()) -> PartKind:
    """Recognise what kind of part a reference is; ``other`` when nothing shows it.

    Words count before letters; names of pins and nets decide what words leave open.

    Parameters
    ----------
    pins
        Pin and net names.
    """
    letters = stem(ref)
    words = f"{plain(ref)} {plain(value)} {plain(footprint)}"
    kind = next((k for p, k in WORDS if re.search(p, words)), None)
    if kind == "header" and letters in ("BT", "BAT"):
        kind = "lithium connector"
    kind = kind or LETTERS.get(letters) or _ending(letters)
    if ref.rstrip() in ("B+", "B-", "BAT+", "BAT-"):
        return "lithium connector"
    names = {pin.upper() for pin, _ in pins}
    nets = [net for _, net in pins]
    if kind in ("connector", "other", "button") and len(pins) > 2:
        if kind != "button" and any(names == j for j in _JACK_PINS):
            return "audio jack"
        if names >= _ENCODER_PINS and kind == "button":
            return "encoder"
    if kind == "button":
        if any(_RESET_NET.search(n) for n in nets):
            return "reset"
        if len(pins) > 2 and any(_CELL_NET.search(n) for n in nets):
            return "power switch"
    return kind


def _ending(letters: str) -> PartKind:
    """Letters with others before them, as in EXLED and SMDSW."""
    for known in ("LED", "SW", "ENC", "MCU"):
        if letters.endswith(known):
            return LETTERS[known]
    return "other"


def may_control(kind: PartKind, pins: int) -> bool:
    """Whether a circuit has pins enough to scan keys."""
    return kind == "circuit" and pins >= _FEWEST_CONTROLLER_PINS
