"""Everything but plain operations: commands between % signs, comments, words of unusual form."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from fabkit.base.findings import ProblemLog, Rule, Severity
from fabkit.base.limits import Limits
from fabkit.formats.gerber.apertures import build_aperture
from fabkit.formats.gerber.attributes import Dictionary
from fabkit.formats.gerber.header import Header
from fabkit.formats.gerber.image import ImageCommands
from fabkit.formats.gerber.macros import Macro, parse_macro
from fabkit.formats.gerber.model import Aperture, Pose
from fabkit.formats.gerber.problems import (
    APERTURE_CODE,
    APERTURE_REPEATED,
    APERTURE_TWICE,
    APERTURE_WRONG,
    BLOCK_UNBALANCED,
    FORMAT_REPEATED,
    LOAD_WRONG,
    MACRO_TWICE,
    NUMBER_WRONG,
    OLD_TEXT,
    REPEAT_NESTED,
    REPEAT_UNBALANCED,
    REPEAT_WRONG,
    SCALE_WRONG,
    SEVERAL_COMMANDS,
    STRAY_TEXT,
    TOO_LARGE,
    UNIT_AFTER_SIZES,
    UNIT_CONFLICT,
    UNKNOWN_COMMAND,
)
from fabkit.formats.gerber.state import Changes, Mark, Marker
from fabkit.formats.gerber.tokens import NONE, Chunk, Rows
from fabkit.formats.gerber.words import COMMENT, END, read_word

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
            "LR": self._load_rotation,
            "LS": self._load_scale,
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
        if not chunk.words:
            steps = [(*c, True) for c in chunk.commands]
        elif not chunk.commands:
            steps = [(*w, False) for w in chunk.words]
        else:
            steps = sorted(
                [(*c, True) for c in chunk.commands] + [(*w, False) for w in chunk.words]
            )
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

    def _load_rotation(self, text: str) -> None:
        if not _NUMBER.match(text):
            self._note(LOAD_WRONG, f"'{text[:10]}' is no angle to turn an aperture by (LR)")
            return
        self._rotation = float(text)
        self._pose()

    def _load_scale(self, text: str) -> None:
        if not _NUMBER.match(text):
            self._note(LOAD_WRONG, f"'{text[:10]}' is no scale of an aperture (LS)")
            return
        self._scale = float(text)
        if not 0 < self._scale < 1e6:
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
        """Number of blocks left open, and whether a repeat is."""
        return len(self._open_blocks), self._repeat_open
