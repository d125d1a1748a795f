"""What exporters write beside the layers: reports, logs, aperture lists, rules, parameters.

None of it is needed to make a board.  What it says of number formats, layers and plating is read,
as it helps where the layer and drill files leave something open.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from fabkit.formats.drill.comments import FormatHint
from fabkit.formats.drill.model import Unit, Zeros

NO_HINT: Final = FormatHint()
_READ_BYTES: Final = 200_000
"""Longer texts are read to here: what they state stands at their beginning."""
_KINDS: Final = (
    (r"AMPARAMS|%AM\w", "an aperture library of the exporter"),
    (r"(?m)^\W*RuleKind=|design rules?\b.*(?:export|report)", "design rules of the exporter"),
    (r"(?i)layer pairs?\b.*(?:export|report)|DrillLayers=", "a list of drilled layer pairs"),
    (r"(?i)drill(?:ing)? (?:file )?(?:report|listing)|drill sizes? report", "a drill report"),
    (r"(?i)(?:file )?extension report", "a list of layer files"),
    (r"(?i)aperture(?:s|\s+\w+)? (?:report|list|table)", "an aperture list"),
    (r"(?m)^\s*(?:D\d{2,4}\b.{0,120}(?:\n|\Z)){3}", "an aperture list"),
    (r"(?m)^(?:[A-Z].{0,60}\bD\d{2,4}\s*(?:\n|\Z)){3}", "an aperture list"),
    (r"(?i)\A\W*\[preview\]", "a preview picture of the exporter"),
    (r"(?im)^\W*(?:output-units|decimal-places|suppress-\w+)\b", "export settings"),
    (r"(?i)\blog\b(?: file)?|\b0 errors\b|no errors detected", "a log of the exporter"),
    (r"(?im)^\s*generating\s*:", "a report of the exporter"),
)
_UNITS: Final[tuple[tuple[str, Unit], ...]] = (
    (r"mm|metric|millimet\w+", "mm"),
    (r"in|inch\w*|english|imperial", "inch"),
)
_UNIT: Final = re.compile(
    r"(?im)^(?!\W*input)[^\n]{0,30}\bunits?\b[\s:=]+(mm|metric|millimet\w+|in|inch\w*|english|imperial)\b"
)
_FORMAT: Final = re.compile(r"(?im)\bformat\b[\s:=]+(?:is\s+)?(\d)\s*[.:]\s*(\d)\b(?!\s*[.:]\s*\d)")
_PLACES: Final = re.compile(r"(?im)\b(integer|decimal)[- ]places\b[\s:=]+(\d)\b")
_SUPPRESS: Final = re.compile(
    r"(?im)\bsuppress[- ](lead|trail)\w*[- ]zero\w*\b[\s:=]+(yes|no|on|off)\b"
)
_OMITTED: Final = re.compile(
    r"(?i)\b(leading|trailing)\s+zero\w*\s+(?:are\s+)?(?:omitted|suppress\w+|removed)"
    r"|\b(?:suppress(?:ion|ed|ing)?|omit)\W+(leading|trailing)\b"
    r"|\b(leading|trailing)\W+(?:zero\W+)?suppression"
)
_KEPT: Final = re.compile(
    r"(?i)\bkeep\W+(leading|trailing)\s+zero|\b(leading|trailing) zeros? kept"
)
_OF_DRILLS: Final = re.compile(r"(?i)drill|\bnc\b|\btools?\b|header\s+none|repeat-codes")
_OF_LAYERS: Final = re.compile(r"(?i)gerber|photoplot|artwork|aperture|film|undef-apt")
_PLATING: Final = re.compile(r"(?i)\b(un|non[- ]?|not )?plated\b")
_EXTENSION: Final = re.compile(r"(?m)^\s*\.(\w{1,8})[ \t]{2,}(\S.{0,60}?)\s*$")
_GENERATED: Final = re.compile(
    r"(?im)^\s*(?:generating|layer|plotting)\s*:\s*(\S.{0,60}?)\s*\n"
    r"\s*(?:output )?file(?:name)?\s*:\s*(\S.{0,120}?)\s*$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ByProduct:
    """A text beside the layers, and what it says.

    Parameters
    ----------
    drills
        How drill files write numbers, as it states.
    layers
        Layer name by file name or extension (``.gtl``), in lower case.
    plated
        Whether a drill file's holes are plated, by file name in lower case.
    """

    name: str
    what: str
    drills: FormatHint = NO_HINT
    layers: Mapping[str, str] = field(default_factory=dict)
    plated: Mapping[str, bool] = field(default_factory=dict)

    @property
    def reason(self) -> str:
        """Why it is set aside, and what was read from it."""
        stated = [
            word
            for word, says in (
                ("a drill format", self.drills != NO_HINT),
                ("names of layers", self.layers),
                ("plating", self.plated),
            )
            if says
        ]
        more = f"; it states {' and '.join(stated)}" if stated else ""
        return f"{self.what}, not needed to make the board{more}"


def read_byproduct(data: bytes, name: str, others: Sequence[str]) -> ByProduct | None:
    """Read a text that is no layer, drill file or table; None when it is not known as one.

    Parameters
    ----------
    others
        Member names of layer and drill files, which it may speak of.
    """
    text = data[:_READ_BYTES].decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
    what = next((what for sign, what in _KINDS if re.search(sign, text[:20_000])), None)
    plated = dict(_plating(text, others))
    layers = {f".{ext.lower()}": layer for ext, layer in _EXTENSION.findall(text)}
    for layer, file in _GENERATED.findall(text):
        layers[re.split(r"[\\/]", file)[-1].lower()] = layer
    drills = read_settings(text) if _is_of_drills(text) else NO_HINT
    if what is None:
        if name.lower().endswith(".log"):
            what = "a log of the exporter"
        elif plated or drills != NO_HINT:
            what = "a text of the exporter"
        else:
            return None
    return ByProduct(name=name, what=what, drills=drills, layers=layers, plated=plated)


def _is_of_drills(text: str) -> bool:
    """Whether settings are those of drill files: what is spoken of first."""
    drills, layers = _OF_DRILLS.search(text), _OF_LAYERS.search(text)
    return drills is not None and (layers is None or drills.start() < layers.start())


def read_settings(text: str) -> FormatHint:
    r"""How numbers are written, as a text states it in words.

    >>> read_settings("OUTPUT-UNITS ENGLISH\nFORMAT 2.5\nSUPPRESS-LEAD-ZEROES YES")
    FormatHint(unit='inch', zeros='trailing', digits=(2, 5))
    """
    unit: Unit | None = None
    found = _UNIT.search(text)
    if found is not None:
        unit = next(u for sign, u in _UNITS if re.fullmatch(sign, found[1].lower()))
    digits = None
    places = {word.lower(): int(n) for word, n in _PLACES.findall(text)}
    if len(places) == 2:
        digits = places["integer"], places["decimal"]
    elif (stated := _FORMAT.search(text)) is not None:
        digits = int(stated[1]), int(stated[2])
    return FormatHint(unit=unit, zeros=_zeros(text), digits=digits)


def _zeros(text: str) -> Zeros | None:
    """Zeros that are written: the others than those left out."""
    left_out = {end.lower() for end, yes in _SUPPRESS.findall(text) if yes.lower() in ("yes", "on")}
    if not left_out:
        left_out = {"".join(ends).lower()[:5].rstrip("i") for ends in _OMITTED.findall(text)}
        kept = {"".join(ends).lower() for ends in _KEPT.findall(text)}
        if len(kept) == 1 and not left_out:
            return "leading" if "leading" in kept else "trailing"
    if len(left_out) != 1:
        return None
    return "trailing" if left_out.pop().startswith("lead") else "leading"


def _plating(text: str, others: Sequence[str]) -> Iterator[tuple[str, bool]]:
    """Files whose name is followed within two lines by one word on plating."""
    folded = text.lower()
    for name in others:
        last = name.rsplit("/", 1)[-1].lower()
        at = folded.find(last)
        if at < 0 or len(last) < 5:
            continue
        after = "\n".join(text[at + len(last) :].split("\n")[:2])
        words = {bool(not_) for not_ in _PLATING.findall(after)}
        if len(words) == 1:
            yield last, not words.pop()
