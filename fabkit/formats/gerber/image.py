"""Deprecated commands that act on the whole image: MI, SF, OF, IR, AS, IP (section 8.1)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from fabkit.formats.gerber.macros import Note
from fabkit.formats.gerber.model import Pose
from fabkit.formats.gerber.problems import (
    IMAGE_CHANGED,
    IMAGE_DEFAULT,
    IMAGE_NEGATIVE,
    NUMBER_WRONG,
)

_AB = re.compile(r"(?:A([+-]?[\d.]+))?(?:B([+-]?[\d.]+))?\Z", re.ASCII)

_MEANS = {
    "IP": "polarity of the image",
    "MI": "mirroring of the image",
    "SF": "scaling of the image",
    "OF": "offset of the image",
    "IR": "rotation of the image",
    "AS": "swap of the axes",
}


@dataclass(slots=True)
class ImageCommands:
    """What they ask for; they act in the fixed order MI, SF, OF, IR, AS.

    Mirror, scale and offset act on coordinates only, never on apertures or repeat steps;
    rotation and axis swap turn the finished image.
    """

    mirror: tuple[bool, bool] = (False, False)
    scale: tuple[float, float] = (1.0, 1.0)
    offset: tuple[float, float] = (0.0, 0.0)
    """In the file's unit."""
    rotation: int = 0
    swapped: bool = False
    negative: bool = False
    changed: list[str] = field(default_factory=list)

    def set(self, code: str, text: str, note: Note) -> None:
        """Obey one of the commands."""
        if code == "IP":
            if text == "NEG":
                self.negative = True
                note(IMAGE_NEGATIVE, "IPNEG asks for a negative image")
            elif text == "POS":
                note(IMAGE_DEFAULT, f"IPPOS ({_MEANS[code]}: positive) changes nothing")
            else:
                note(NUMBER_WRONG, f"'IP{text[:20]}' cannot be read")
            return
        if code == "AS":
            if text in ("AXBY", "AYBX"):
                self.swapped = text == "AYBX"
                self._say(code, text, self.swapped, note)
                return
        elif code == "IR":
            if text.isdecimal() and len(text) < 5 and int(text) % 90 == 0:
                self.rotation = int(text) % 360
                self._say(code, text, self.rotation != 0, note)
                return
        else:
            match = _AB.match(text)
            if match is not None and self._pair(code, match[1], match[2], note):
                return
        note(NUMBER_WRONG, f"'{code}{text[:20]}' cannot be read")

    def _pair(self, code: str, first: str | None, second: str | None, note: Note) -> bool:
        default = 1.0 if code == "SF" else 0.0
        try:
            a = float(first) if first else default
            b = float(second) if second else default
        except ValueError:
            return False
        if max(abs(a), abs(b)) > 1e6 or (code == "SF" and min(a, b) <= 0):
            return False
        if code == "MI":
            self.mirror = (a != 0, b != 0)
        elif code == "SF":
            self.scale = (a, b)
        else:
            self.offset = (a, b)
        self._say(code, f"A{a:g}B{b:g}", (a, b) != (default, default), note)
        return True

    def _say(self, code: str, text: str, effective: bool, note: Note) -> None:
        if effective:
            self.changed.append(code)
            note(IMAGE_CHANGED, f"{code}{text} ({_MEANS[code]}) was applied to the whole layer")
        else:
            note(IMAGE_DEFAULT, f"{code}{text} ({_MEANS[code]}: none) changes nothing")

    @property
    def on_coordinates(self) -> tuple[np.ndarray, np.ndarray]:
        """Factor and offset (file unit) of X and Y."""
        sign = np.array([-1.0 if m else 1.0 for m in self.mirror])
        return sign * np.array(self.scale), np.array(self.offset)

    def turned(self, pose: Pose) -> Pose:
        """Pose of an aperture after the whole image was turned and its axes swapped."""
        out = Pose(pose.mirror_x, (pose.rotation_deg + self.rotation) % 360.0, pose.scale)
        if not self.swapped:
            return out
        # Swapping the axes is mirroring in X and turning by -90 degrees.
        return Pose(not out.mirror_x, (-out.rotation_deg - 90.0) % 360.0, out.scale)
