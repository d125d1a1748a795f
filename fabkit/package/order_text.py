"""What a text beside the layers asks for in plain words: how thick, which colour, how many.

Only what is stated beyond doubt is taken: a number with its unit beside the word it belongs to, or
a word of the trade.  A line is quoted wherever it is used.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from fabkit.base.languages import without_accents
from fabkit.base.units import INCH_MM, MIL_MM
from fabkit.formats.sidecars.tables import decode, split_lines

Asked = Literal["layers", "thickness", "copper", "colour", "finish", "quantity", "stack-up"]

_LONGEST: Final = 65_536
"""Texts that are longer are no notes on an order."""
_QUOTED: Final = 90
_FEW_WORDS: Final = 3
"""Words of a line that is a thickness and nothing else."""
_ABOUT_ELSE: Final = re.compile(r"(?i)licen[cs]e|copying|change(?:s|log)|history|\bnews\b")
_UNITS: Final = {"mm": 1.0, "in": INCH_MM, "inch": INCH_MM, '"': INCH_MM, "mil": MIL_MM}
_LENGTH: Final = r"(?P<n>\d*[.,]?\d+)\s*(?P<unit>mm|inch|in\b|mils?\b|\"|\u2033)"
_BOARD: Final = (
    r"(?:board|pcb|finished|total|overall|material|laminate|fr-?4|leiterplatten?|platinen?)"
)
_THICK: Final = r"(?:thickness|dicke|starke|epaisseur|espesor|spessore|espessura|dikte|grubosc)"
_THICKNESS: Final = (
    re.compile(rf"(?:^|\b{_BOARD})\W*{_THICK}\b[^\d]{{0,20}}{_LENGTH}", re.IGNORECASE),
    re.compile(rf"{_LENGTH}\s*(?:thick\b|(?:{_BOARD}\s+)?{_THICK}\b)", re.IGNORECASE),
)
_NO_BOARD: Final = re.compile(
    r"(?i)copper|\bcu\b|foil|prepreg|core|gold|nickel|mask|dielectric|acryl|wood|steel|foam|wire"
    r"|case\b|spacer|stencil"
)
_ALONE: Final = re.compile(rf"(?i){_LENGTH}")
_OUNCES: Final = re.compile(r"(?i)(?P<n>1/2|\d+[.,]?\d*)\s*(?:oz|ounces?)\b")
_MICRONS: Final = re.compile(
    r"(?i)(?P<n>\d{2,3})\s*(?:um|\u00b5m|\u03bcm|microns?)\s*(?:of\s+)?(?:copper|cu)\b"
    r"|(?:copper|cu)\b[^,;|\d]{0,20}(?P<m>\d{2,3})\s*(?:um|\u00b5m|\u03bcm|microns?)"
)
OUNCE_UM: Final = 34.8
"""Thickness of one ounce of copper on a square foot."""
_LAYERS: Final = re.compile(
    r"(?i)\b(?P<n>\d{1,2})[- ]?layers?\b|\blayers?(?: count)?\s*[:=]\s*(?P<m>\d{1,2})\b"
)
_FINISHES: Final = (
    ("hard gold", r"hard gold|gold fingers?"),
    ("enig", r"\benig\b|immersion gold|gold over nickel"),
    ("lead-free hasl", r"(?:lead[- ]?free|rohs|pb[- ]?free)\W+hasl|hasl\W+(?:lead|pb)[- ]?free"),
    ("hasl", r"\bhasl\b|hot air (?:solder )?level"),
    ("immersion silver", r"immersion silver"),
    ("immersion tin", r"immersion tin"),
    ("osp", r"\bosp\b"),
)
_COLOURS: Final = r"(?P<n>green|red|blue|black|white|yellow|purple|orange)"
_COLOUR: Final = (
    re.compile(rf"(?i)\b{_COLOURS}\s+(?:lpi\s+)?(?:solder\s*)?(?:mask|resist|pcb|board)s?\b"),
    re.compile(
        rf"(?i)\b(?:mask|resist|soldermask|pcb|board)(?:\s+colou?r)?\s*(?:[:=-]|is)\s*"
        rf"(?:matte?\s+)?{_COLOURS}\b"
    ),
    re.compile(rf"(?i)^\W*colou?r\s*[:=]\s*(?:matte?\s+)?{_COLOURS}\b"),
)
_QUANTITY: Final = re.compile(
    r"(?i)(?:^|[,;|])\W*(?:quantity|qty)\s*[:=]\s*(?P<n>\d{1,6})\b"
    r"|\border\s+(?P<m>\d{1,6})\s*(?:boards?|pcbs?|pcs|pieces)\b"
)
_STACK: Final = re.compile(r"(?i)\bstack-?\s?up\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderNote:
    """One thing that a text asks for.

    Parameters
    ----------
    file, line
        Where it stands; lines count from 1.
    text
        The line, shortened.
    what, value
        ``thickness`` in mm, ``copper`` in oz/ft2, ``layers`` and ``quantity`` as numbers; a word
        for ``colour``, ``finish`` and ``stack-up``.
    """

    file: str
    line: int
    text: str
    what: Asked
    value: float | str


def read_order_notes(data: bytes, *, name: str) -> tuple[OrderNote, ...]:
    """Read what a text for people asks for; nothing where it is about something else.

    >>> text = b"2 layers, 1.2 mm thick, black soldermask, ENIG"
    >>> [(n.what, n.value) for n in read_order_notes(text, name="order.txt")]
    [('layers', 2.0), ('thickness', 1.2), ('finish', 'enig'), ('colour', 'black')]
    """
    if len(data) > _LONGEST or _ABOUT_ELSE.search(name.rsplit("/", 1)[-1]):
        return ()
    notes: dict[tuple[Asked, float | str], OrderNote] = {}
    for number, line in enumerate(split_lines(decode(data)), start=1):
        text = " ".join(line.split())
        text = text if len(text) <= _QUOTED else f"{text[:_QUOTED]} ..."
        for what, value in _read_line(line):
            note = OrderNote(file=name, line=number, text=text, what=what, value=value)
            notes.setdefault((what, value), note)
    return tuple(notes.values())


def finish_of(text: str) -> str | None:
    """Give the finish that words name, as :class:`OrderNote` has it.

    >>> finish_of("HASL lead-free"), finish_of("ENIG GOLD"), finish_of("shiny")
    ('lead-free hasl', 'enig', None)
    """
    return next((key for key, words in _FINISHES if re.search(words, text, re.IGNORECASE)), None)


def _read_line(line: str) -> Iterator[tuple[Asked, float | str]]:
    found: list[tuple[Asked, float | str]] = []
    found += [("layers", float(m["n"] or m["m"])) for m in _LAYERS.finditer(line)]
    ounces = [(m["n"].replace("1/2", "0.5")) for m in _OUNCES.finditer(line)]
    found += [("copper", _number(ounce)) for ounce in ounces]
    found += [
        ("copper", round(float(m["n"] or m["m"]) / OUNCE_UM * 2) / 2)
        for m in _MICRONS.finditer(line)
    ]
    finish = finish_of(line)
    found += [("finish", finish)] if finish else []
    colours = (m["n"].lower() for sign in _COLOUR for m in sign.finditer(line))
    found += [("colour", colour) for colour in dict.fromkeys(colours)]
    found += [("quantity", float(m["n"] or m["m"])) for m in _QUANTITY.finditer(line)]
    found += [("stack-up", "stack-up")] if _STACK.search(line) else []
    thick = [mm for mm in _thicknesses(line, among=len(found)) if 0.1 < mm < 10]
    yield from found[:1] if found and found[0][0] == "layers" else ()
    yield from (("thickness", mm) for mm in dict.fromkeys(thick))
    yield from (one for one in found if one[0] != "layers")


def _thicknesses(line: str, *, among: int) -> Iterator[float]:
    """Thicknesses that a line states; a length alone in a list of other choices is one, too."""
    about = among or re.search(_BOARD, line, re.IGNORECASE) or len(line.split()) <= _FEW_WORDS
    for part in re.split(r"[;|]|,(?!\d)", without_accents(line)):
        if not about or _NO_BOARD.search(part):
            continue
        text = part.strip()
        signs = _THICKNESS if among < 2 or not _ALONE.fullmatch(text) else (_ALONE,)
        for sign in signs:
            for m in sign.finditer(text):
                unit = m["unit"].lower().rstrip("s").replace("\u2033", '"')
                yield round(_number(m["n"]) * _UNITS[unit], 3)


def _number(text: str) -> float:
    return float(text.replace(",", "."))
