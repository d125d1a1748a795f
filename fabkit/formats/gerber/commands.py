"""Everything but plain operations: commands between % signs, comments, words of unusual form.

Beside the apertures, blocks and poses they define, commands fill the attribute dictionary
(section 5) and may ask for changes of the whole image (section 8.1, deprecated).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from fabkit.base.findings import ProblemLog, Rule, Severity
from fabkit.base.limits import Limits
from fabkit.formats.gerber.apertures import APERTURE_WRONG, build_aperture
from fabkit.formats.gerber.macros import Macro, Note, parse_macro
from fabkit.formats.gerber.model import Aperture, Attributes, Pose
from fabkit.formats.gerber.standard import unescape
from fabkit.formats.gerber.state import Changes, Mark, Marker
from fabkit.formats.gerber.tokens import (
    COMMENT,
    END,
    NONE,
    NUMBER_WRONG,
    STRAY_TEXT,
    UNKNOWN_COMMAND,
    Chunk,
    Header,
    Rows,
    read_word,
)
from fabkit.rules import load_rule

TOO_LARGE: Final = load_rule("gerber/limit")
SEVERAL_COMMANDS: Final = load_rule("gerber/several-commands")
FORMAT_REPEATED: Final = load_rule("gerber/format-repeated")
UNIT_CONFLICT: Final = load_rule("gerber/unit-conflict")
UNIT_AFTER_SIZES: Final = load_rule("gerber/unit-after-sizes")
APERTURE_CODE: Final = load_rule("gerber/aperture-code")
APERTURE_REPEATED: Final = load_rule("gerber/aperture-repeated")
APERTURE_TWICE: Final = load_rule("gerber/aperture-twice")
OLD_TEXT: Final = load_rule("gerber/deprecated-name")
IMAGE_DEFAULT: Final = load_rule("gerber/image-default")
IMAGE_CHANGED: Final = load_rule("gerber/image-changed")
IMAGE_NEGATIVE: Final = load_rule("gerber/image-negative")
MACRO_TWICE: Final = load_rule("gerber/macro-twice")
LOAD_WRONG: Final = load_rule("gerber/load-wrong")
SCALE_WRONG: Final = load_rule("gerber/scale-wrong")
BLOCK_UNBALANCED: Final = load_rule("gerber/block-unbalanced")
REPEAT_UNBALANCED: Final = load_rule("gerber/repeat-unbalanced")
REPEAT_NESTED: Final = load_rule("gerber/repeat-nested")
REPEAT_WRONG: Final = load_rule("gerber/repeat-wrong")
ATTRIBUTE_NAME: Final = load_rule("gerber/attribute-name")
ATTRIBUTE_REPEATED: Final = load_rule("gerber/attribute-repeated")
ATTRIBUTE_KIND: Final = load_rule("gerber/attribute-kind")
ATTRIBUTE_ESCAPE: Final = load_rule("gerber/attribute-escape")
ATTRIBUTE_DELETE: Final = load_rule("gerber/attribute-delete")

_NAME = re.compile(r"[._$A-Za-z][._$A-Za-z0-9]{0,126}\Z", re.ASCII)
_STANDARD = re.compile(r"\.[_$A-Za-z]", re.ASCII)
_KINDS = {"F": "files", "A": "apertures", "O": "objects"}


_Key = tuple[tuple[str, tuple[str, ...]], ...]


class Dictionary:
    """Attributes in force, and the interned sets that objects point to.

    Attributes
    ----------
    file
        File attributes.
    object_sets, aperture_sets
        Distinct contents met so far; index 0 is the empty one.
    """

    def __init__(self) -> None:
        self.file: dict[str, tuple[str, ...]] = {}
        self.object_sets: list[Attributes] = [{}]
        self.aperture_sets: list[Attributes] = [{}]
        self.file_offsets: dict[str, int] = {}
        self._object: dict[str, tuple[str, ...]] = {}
        self._aperture: dict[str, tuple[str, ...]] = {}
        self._object_ids: dict[_Key, int] = {(): 0}
        self._aperture_ids: dict[_Key, int] = {(): 0}
        self._kinds: dict[str, str] = {}
        self._parsed: dict[str, tuple[str, tuple[str, ...]]] = {}

    def object_id(self) -> int:
        """Index of the present object attributes in :attr:`object_sets`."""
        return _number(self._object, self.object_sets, self._object_ids)

    def aperture_id(self) -> int:
        """Index of the present aperture attributes in :attr:`aperture_sets`."""
        return _number(self._aperture, self.aperture_sets, self._aperture_ids)

    def set(self, kind: str, text: str, offset: int, note: Note) -> None:
        """Obey TF, TA or TO (``kind`` is F, A or O) with ``name,field,...``."""
        parsed = self._parsed.get(text)
        if parsed is None:
            parsed = self._parse(text, note)
            # A file may state another text for each object: what is kept of them has a bound.
            if len(self._parsed) < 100_000:
                self._parsed[text] = parsed
        name, fields = parsed
        if self._kinds.setdefault(name, kind) != kind:
            note(
                ATTRIBUTE_KIND,
                f"{name} is used for {_KINDS[self._kinds[name]]} and for {_KINDS[kind]}",
            )
        if kind == "F":
            if name in self.file:
                same = "with the same value" if self.file[name] == fields else "with another value"
                note(ATTRIBUTE_REPEATED, f"{name} is given again {same}")
            else:
                self.file[name] = fields
                self.file_offsets[name] = offset
            return
        # Replacing moves the name to the end only if it was removed first; order is kept
        # so that equal contents reached the same way share one set.
        (self._aperture if kind == "A" else self._object)[name] = fields

    def _parse(self, text: str, note: Note) -> tuple[str, tuple[str, ...]]:
        name, *fields = text.split(",")
        name = name.strip()
        if not _NAME.match(name) or (name[:1] == "." and not _STANDARD.match(name)):
            note(ATTRIBUTE_NAME, f"'{name[:40]}' is no attribute name")
        if "\\" in text:
            for k, value in enumerate(fields):
                fields[k], whole = unescape(value)
                if not whole:
                    note(ATTRIBUTE_ESCAPE, f"broken escape in {name}")
        return name, tuple(fields)

    def delete(self, text: str, note: Note) -> None:
        """Obey TD: forget one name, or everything but file attributes."""
        name, *fields = text.strip().split(",")
        if fields:
            note(ATTRIBUTE_DELETE, f"TD of {name} has fields")
        if not name:
            self._object.clear()
            self._aperture.clear()
            return
        found = self._object.pop(name, None)
        if found is None and self._aperture.pop(name, None) is None:
            note(ATTRIBUTE_DELETE, f"{name} is deleted, but is not set")


def _number(present: Attributes, sets: list[Attributes], known: dict[_Key, int]) -> int:
    """Index of attributes among the distinct sets of them, to which new ones are added."""
    key = tuple(present.items())
    found = known.get(key)
    if found is None:
        found = known[key] = len(sets)
        sets.append(dict(key))
    return found


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


_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)\Z", re.ASCII)
_AD = re.compile(r"D(\d+)([^,]*)(?:,(.*))?\Z", re.DOTALL | re.ASCII)
_SR = re.compile(r"(?:X([^XYIJ]*))?(?:Y([^XYIJ]*))?(?:I([^XYIJ]*))?(?:J([^XYIJ]*))?\Z")
_WORD = re.compile(r"[GDMXYIJ][+-]?\d", re.ASCII)
_NEXT_COMMAND = re.compile(r"(?:ADD\d+\D|AM[A-Za-z_.$]|LP[DC]\Z|FSL|MO(?:MM|IN)\Z|T[FAO][.A-Za-z])")
_LARGEST_CODE: Final = 2**31 - 1
_MOST_REPEATS: Final = 10**9


class Interpreter:
    """Obeys commands in order and keeps what they build.

    Attributes
    ----------
    apertures
        In order of definition; blocks are not among them.
    blocks
        D numbers, attribute set and offset of block apertures in order of opening.
    poses
        Distinct poses; index 0 is the pose at rest.
    ended
        Offset behind the end command, or -1.
    """

    def __init__(self, data: bytes, header: Header, limits: Limits, log: ProblemLog) -> None:
        self.data = data
        self.header = header
        self.limits = limits
        self.log = log
        self.dictionary = Dictionary()
        self.apertures: list[Aperture] = []
        self.blocks: list[tuple[int, int]] = []
        self.poses: list[Pose] = [Pose()]
        self.image = ImageCommands()
        self.complete = True
        self.ended = -1
        self.changes = Changes()
        self._pose_ids: dict[Pose, int] = {Pose(): 0}
        self._mirror = "N"
        self._rotation = 0.0
        self._scale = 1.0
        self._macros: dict[str, Macro] = {}
        self._known: dict[int, int] = {}
        self._open_blocks: list[int] = []
        self._repeat_open = False
        self._attributes_row = -1
        self._header_texts: dict[str, tuple[str, int]] = {}
        self._row = 0
        self._offset = 0
        self._handlers: dict[str, Callable[[str], None]] = {
            "AD": self._aperture,
            "AB": self._block,
            "SR": self._repeat,
            "LP": self._polarity,
            "LM": self._load_mirror,
            "LR": lambda text: self._load_number("LR", text),
            "LS": lambda text: self._load_number("LS", text),
            "TF": lambda text: self.dictionary.set("F", text, self._offset, self._note),
            "TA": lambda text: self._attribute("A", text),
            "TO": lambda text: self._attribute("O", text),
            "TD": lambda text: self._attribute("D", text),
            "IN": lambda text: self._note(OLD_TEXT, f"IN names the image '{text[:40]}'"),
            "LN": lambda text: self._note(OLD_TEXT, f"LN names a part '{text[:40]}'"),
            "FS": lambda text: self._once("FS", text, FORMAT_REPEATED, "format"),
            "MO": lambda text: self._once("MO", text, UNIT_CONFLICT, "unit"),
        }

    def read(self, chunk: Chunk) -> Changes:
        """Obey the commands of a chunk; rows of unusual words are filled in."""
        self.changes = Changes()
        self._attributes_row = -1
        steps = sorted([(*c, True) for c in chunk.commands] + [(*w, False) for w in chunk.words])
        for start, end, row, extended in steps:
            if row != self._attributes_row:
                self._keep_attributes()
            self._row = row
            text = self._text(start, end)
            if extended:
                self._extended(text)
            elif start <= end and self._word(text, chunk.rows):
                break
        self._keep_attributes()
        return self.changes

    def _text(self, start: int, end: int) -> str:
        raw = self.data[start:end]
        self._offset = start if raw[:1] > b" " else start + len(raw) - len(raw.lstrip())
        # Line ends mean nothing, and may stand within a command (section 3.1).
        if b"\n" in raw or b"\r" in raw:
            raw = raw.replace(b"\r", b"").replace(b"\n", b"")
        return raw.decode("utf-8", "replace")

    def _note(self, rule: Rule, message: str) -> None:
        self.log.add(rule, message, offset=self._offset)

    # Words outside % signs

    def _word(self, text: str, rows: Rows) -> bool:
        """Obey one unusual word; True when it ends the file."""
        if text.startswith("G04 "):
            self._comment(text[4:])
            return False
        found = read_word(text, self.header, self._offset, self.log)
        if found.kind == COMMENT:
            self._comment(found.text)
            return False
        if found.kind == END:
            self.ended = self._row
            return True
        if found.text:
            self._command(found.text)
            return False
        for code in found.codes:
            self._g_code(code)
        row = self._row
        rows.offset[row] = self._offset
        rows.x[row], rows.y[row], rows.i[row], rows.j[row] = found.xyij
        rows.d[row], rows.g[row] = found.d, found.g
        return False

    def _comment(self, text: str) -> None:
        """Attributes of files for older readers ride in comments that start with #@!."""
        text = text.lstrip()
        if text.startswith("#@!"):
            command = text[3:].strip()
            if command[:2] in ("TF", "TA", "TO", "TD"):
                self._command(command)

    def _g_code(self, code: int) -> None:
        if code in (1, 2, 3):
            self.changes.mode.append((self._row, code))
        elif code in (36, 37):
            self.changes.region.append((self._row, code))
        elif code in (74, 75):
            self.changes.quadrant.append((self._row, code))
        elif code in (90, 91):
            self.changes.incremental.append((self._row, code))

    # Commands between % signs

    def _extended(self, text: str) -> None:
        # Nearly all hold one command, and only one that begins with A can be a macro.
        if text.find("*") == len(text) - 1 and text[:1] not in "A \t":
            self._command(text[:-1])
            return
        words = text.split("*")
        if words and not words[-1].strip():
            words.pop()
        if not words:
            self._note(STRAY_TEXT, "nothing between two % signs")
            return
        if words[0].lstrip().startswith("AM"):
            self._macro(words)
            return
        if len(words) > 1:
            self._note(SEVERAL_COMMANDS, f"{len(words)} commands between one pair of % signs")
        for k, word in enumerate(words):
            if word.lstrip().startswith("AM"):
                self._macro(words[k:])
                return
            self._command(word.strip())

    def _command(self, text: str) -> None:
        code = text[:2]
        handler = self._handlers.get(code)
        if handler is not None:
            # Attributes and names have blanks of their own; elsewhere they mean nothing.
            if code[0] != "T" and " " in text and code not in ("IN", "LN"):
                text = text.replace(" ", "")
            if code != "TF":
                self.changes.commands.append((self._row, self._offset))
            handler(text[2:])
        elif code in ("AS", "IR", "MI", "OF", "SF", "IP"):
            self.image.set(code, text[2:].replace(" ", ""), self._note)
        elif _WORD.match(text):
            found = read_word(text, self.header, self._offset, self.log)
            for g in (*found.codes, found.g):
                self._g_code(g)
            if found.d >= 0 or found.xyij != (NONE, NONE, NONE, NONE):
                self._note(UNKNOWN_COMMAND, "an operation (D01 to D03) between % signs")
        else:
            self._note(UNKNOWN_COMMAND, f"'{text[:20]}' is no command")

    def _once(self, code: str, text: str, rule: Rule, what: str) -> None:
        """Format and unit hold for the whole file; the header has read the first of each."""
        first = self._header_texts.setdefault(code, (text, self._offset))
        if first[1] == self._offset:
            if code == "MO" and (self.apertures or self._macros or self._repeat_open):
                self._note(
                    UNIT_AFTER_SIZES, "sizes stand in front of MO, the statement of the unit"
                )
            return
        same = first[0] == text
        self.log.add(
            rule,
            f"the {what} is given again" if same else f"a second, different {what} is given",
            offset=self._offset,
            assumed="the first one holds",
            severity=Severity.WARNING if same else Severity.ERROR,
        )

    def _numbers(self, texts: list[str], what: str) -> tuple[float, ...] | None:
        out = []
        for text in texts:
            if not _NUMBER.match(text):
                self._note(NUMBER_WRONG, f"{what}: '{text[:20]}' is no number")
                return None
            out.append(float(text))
        return tuple(out)

    def _macro(self, words: list[str]) -> None:
        name = words[0].strip()[2:]
        body = words[1:]
        for k, word in enumerate(body):
            if _NEXT_COMMAND.match(word.strip()):
                self._note(SEVERAL_COMMANDS, "commands behind a macro in one pair of % signs")
                for later in body[k:]:
                    self._command(later.strip())
                body = body[:k]
                break
        if name in self._macros:
            self._note(MACRO_TWICE, f"the macro {name[:40]} is defined again")
        self._macros[name] = parse_macro(name, body, limits=self.limits, note=self._note)

    def _aperture(self, text: str) -> None:
        match = _AD.match(text)
        if match is None or not match[2]:
            self._note(APERTURE_WRONG, f"'AD{text[:30]}' defines no aperture")
            return
        code = int(match[1][:12])
        if not 10 <= code <= _LARGEST_CODE:
            self._note(APERTURE_CODE, f"D{code} cannot be an aperture")
            return
        if len(self.apertures) >= self.limits.apertures:
            self.complete = False
            self._note(TOO_LARGE, f"more than {self.limits.apertures} apertures (limit apertures)")
            return
        texts = match[3].replace("x", "X").split("X") if match[3] else []
        if texts and not texts[-1]:
            texts.pop()
        parameters = self._numbers(texts, f"parameters of aperture D{code}")
        made = None
        if parameters is not None:
            attributes = self.dictionary.aperture_sets[self.dictionary.aperture_id()]
            made = build_aperture(
                code,
                match[2],
                parameters,
                macros=self._macros,
                unit_mm=self.header.unit_mm,
                attributes=attributes,
                offset=self._offset,
                note=self._note,
            )
        index = -1
        if made is not None:
            index = len(self.apertures)
            self.apertures.append(made)
        self._define(code, index)

    def _define(self, code: int, index: int) -> None:
        known = self._known.get(code, -1)
        if known >= 0 and index >= 0 and self._same(known, index):
            self._note(APERTURE_REPEATED, f"aperture D{code} is defined again with the same shape")
        elif code in self._known:
            self._note(APERTURE_TWICE, f"aperture D{code} is defined again")
        if code not in self.changes.apertures:
            self.changes.apertures[code] = [(-1, self._known.get(code, -1))]
        self._known[code] = index
        self.changes.apertures[code].append((self._row, index))

    def _same(self, one: int, other: int) -> bool:
        """Whether two apertures make the same image; a macro may have changed in between."""
        a, b = self.apertures[one], self.apertures[other]
        return (a.template, a.parameters) == (b.template, b.parameters) and a.template in "CROP"

    def definitions(self, code: int) -> list[tuple[int, int]]:
        """``(row, index)`` of what ``code`` means in this chunk, oldest first.

        An index of -1 is no usable aperture; ``-2 - k`` is block ``k``.
        """
        return self.changes.apertures.get(code) or [(-1, self._known.get(code, -1))]

    def _polarity(self, text: str) -> None:
        if text in ("D", "C"):
            self.changes.dark.append((self._row, int(text == "D")))
        else:
            self._note(LOAD_WRONG, f"'{text[:10]}' is no polarity (LP)")

    def _load_mirror(self, text: str) -> None:
        if text in ("N", "X", "Y", "XY"):
            self._mirror = text
            self._pose()
        else:
            self._note(LOAD_WRONG, f"'{text[:10]}' is no way to mirror an aperture (LM)")

    def _load_number(self, code: str, text: str) -> None:
        """Turn (LR) or scale (LS) the apertures that follow."""
        if not _NUMBER.match(text):
            what = "angle to turn an aperture by" if code == "LR" else "scale of an aperture"
            self._note(LOAD_WRONG, f"'{text[:10]}' is no {what} ({code})")
            return
        if code == "LR":
            self._rotation = float(text)
        elif 0 < float(text) < 1e6:
            self._scale = float(text)
        else:
            self._note(SCALE_WRONG, f"an aperture cannot be scaled by {text[:10]} (LS)")
            self._scale = 1.0
        self._pose()

    def _pose(self) -> None:
        # Mirroring in Y is mirroring in X and half a turn; in both it is half a turn.
        half = 180.0 if "Y" in self._mirror else 0.0
        mirrored = self._mirror in ("X", "Y")
        pose = Pose(mirrored, (self._rotation + half) % 360.0, self._scale)
        self.changes.pose.append((self._row, self.pose_id(pose)))

    def pose_id(self, pose: Pose) -> int:
        """Index of ``pose`` in :attr:`poses`."""
        found = self._pose_ids.get(pose)
        if found is None:
            found = self._pose_ids[pose] = len(self.poses)
            self.poses.append(pose)
        return found

    def _attribute(self, kind: str, text: str) -> None:
        self._attributes_row = self._row
        if kind == "D":
            self.dictionary.delete(text, self._note)
        else:
            self.dictionary.set(kind, text, self._offset, self._note)

    def _keep_attributes(self) -> None:
        """Intern the dictionary once per run of attribute commands without rows between."""
        if self._attributes_row < 0:
            return
        row, self._attributes_row = self._attributes_row, -1
        self.changes.objects.append((row, self.dictionary.object_id()))
        self.changes.regions.append((row, self.dictionary.aperture_id()))

    def _mark(self, kind: Mark, *, block: int = -1, grid: tuple[int, int, float, float]) -> None:
        marker = Marker(kind, 0, self._offset, block, grid)
        self.changes.markers.append((self._row, marker))

    def _block(self, text: str) -> None:
        one = (1, 1, 0.0, 0.0)
        if text:
            if not text.startswith("D") or not text[1:].isdecimal():
                self._note(BLOCK_UNBALANCED, f"'AB{text[:20]}' names no aperture")
                return
            code = int(text[1:][:12])
            if not 10 <= code <= _LARGEST_CODE:
                self._note(APERTURE_CODE, f"D{code} cannot be an aperture")
            if len(self._open_blocks) >= self.limits.block_depth:
                self.complete = False
                self._note(
                    TOO_LARGE,
                    f"more than {self.limits.block_depth} nested blocks (limit block_depth)",
                )
            self._open_blocks.append(len(self.blocks))
            self.blocks.append((code, self.dictionary.aperture_id()))
            self._mark(Mark.BLOCK_OPEN, block=self._open_blocks[-1], grid=one)
            return
        if not self._open_blocks:
            self._note(BLOCK_UNBALANCED, "a block is closed that is not open")
            return
        block = self._open_blocks.pop()
        self._mark(Mark.BLOCK_CLOSE, block=block, grid=one)
        self._define(self.blocks[block][0], -2 - block)
        self.changes.reset.append(self._row)

    def _repeat(self, text: str) -> None:
        match = _SR.match(text)
        values: tuple[float, ...] | None = None
        if match is not None:
            texts = [match[k] or ("1" if k < 3 else "0") for k in range(1, 5)]
            values = self._numbers(texts, "repeat")
        if values is None:
            self._note(REPEAT_WRONG, f"'SR{text[:30]}' cannot be read")
            return
        nx, ny, dx, dy = values
        if not (nx.is_integer() and ny.is_integer() and nx >= 1 and ny >= 1):
            self._note(REPEAT_WRONG, f"a repeat (SR) has counts of {nx:g} and {ny:g}")
            nx, ny = max(1.0, nx // 1), max(1.0, ny // 1)
        if dx < 0 or dy < 0:
            self._note(REPEAT_WRONG, f"a repeat (SR) has steps of {dx:g} and {dy:g}")
        grid = (
            int(min(nx, _MOST_REPEATS)),
            int(min(ny, _MOST_REPEATS)),
            dx * self.header.unit_mm,
            dy * self.header.unit_mm,
        )
        nothing = grid[0] * grid[1] == 1
        if self._repeat_open:
            if text:
                self._note(
                    REPEAT_UNBALANCED,
                    "a repeat is closed by X1Y1" if nothing else "a repeat opens inside another",
                )
            self._mark(Mark.REPEAT_CLOSE, grid=grid)
            self.changes.reset.append(self._row)
            self._repeat_open = False
        elif not text:
            self._note(REPEAT_UNBALANCED, "a repeat is closed that is not open")
        if text and not nothing:
            if self._open_blocks:
                self._note(REPEAT_NESTED, "a repeat stands inside a block")
            self._mark(Mark.REPEAT_OPEN, grid=grid)
            self._repeat_open = True

    def finish(self) -> tuple[int, bool]:
        """Give the number of blocks left open, and whether a repeat is."""
        return len(self._open_blocks), self._repeat_open
