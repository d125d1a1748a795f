"""What words say of a file's role: its name, its comments, its file function, and the user."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import lru_cache
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.base.languages import LATIN_WORDS, in_english, list_in_english, without_accents
from fabkit.package.model import Role, RoleKind, Side

_K = RoleKind

KIND_WORDS: Final[dict[str, RoleKind]] = {
    **dict.fromkeys(("copper", "cu", "conductor", "tracks", "artwork", "art", "etch"), _K.COPPER),
    **dict.fromkeys(
        ("signal", "sig", "plane", "layer", "lyr", "ly", "inner", "internal"), _K.COPPER
    ),
    **dict.fromkeys(("inr", "gnd", "ground", "power", "pwr", "vcc", "vdd", "mid"), _K.COPPER),
    **dict.fromkeys(("mask", "soldermask", "resist", "solderresist", "stopmask"), _K.MASK),
    **dict.fromkeys(("solder", "sm", "smask", "stop", "solderstop"), _K.MASK),
    **dict.fromkeys(("paste", "stencil", "cream", "solderpaste", "spaste", "smd", "sp"), _K.PASTE),
    **dict.fromkeys(("silk", "silkscreen", "legend", "overlay"), _K.LEGEND),
    **dict.fromkeys(("nomenclature", "ident", "screen", "marking", "ss"), _K.LEGEND),
    **dict.fromkeys(("outline", "profile", "edge", "edges", "contour", "border"), _K.PROFILE),
    **dict.fromkeys(("boundary", "perimeter", "cutout", "cutouts", "cuts"), _K.PROFILE),
    **dict.fromkeys(("milling", "mill", "rout", "route", "routing"), _K.PROFILE),
    **dict.fromkeys(("drill", "drills", "drl", "hole", "holes", "npth", "pth"), _K.DRILL),
    **dict.fromkeys(("plated", "nonplated", "unplated", "via", "vias", "excellon"), _K.DRILL),
    **dict.fromkeys(("slot", "slots", "ncdrill", "through"), _K.DRILL),
    **dict.fromkeys(("vscore", "vcut", "score", "scoring", "vgroove"), _K.SCORE),
    **dict.fromkeys(("glue", "adhesive"), _K.GLUE),
    **dict.fromkeys(("drawing", "drawings", "draw", "fab", "map"), _K.DRAWING),
    **dict.fromkeys(("fabrication", "assembly", "notes", "note", "doc", "symbols"), _K.DRAWING),
    **dict.fromkeys(("document", "documentation", "comment", "comments"), _K.DRAWING),
    **dict.fromkeys(("courtyard", "margin", "checkplot", "check"), _K.DRAWING),
    **dict.fromkeys(("placement", "centers", "centres", "centroid", "guide"), _K.DRAWING),
    **dict.fromkeys(("mechanical", "mech", "keepout", "title", "frame", "user"), _K.DRAWING),
    **dict.fromkeys(("dimension", "dimensions", "info", "report", "readme"), _K.DRAWING),
    **dict.fromkeys(("peelable", "carbon", "heatsink", "viafill", "plugging"), _K.OTHER_LAYER),
}
_FIRST: Final = (
    *(_K.DRAWING, _K.SCORE, _K.OTHER_LAYER, _K.GLUE, _K.PASTE, _K.MASK, _K.LEGEND),
    *(_K.PROFILE, _K.DRILL, _K.COPPER),
)
"""Which kind a name with words of several kinds means: 'drill drawing' is a drawing."""
_WEAK: Final = frozenset(
    (
        *("solder", "stop", "smd", "sm", "sp", "ss", "layer", "lyr", "ly", "art", "artwork", "mid"),
        *("gnd", "ground", "power", "pwr", "vcc", "vdd", "signal", "sig", "ident", "screen"),
        *("user", "info", "mill", "milling", "rout", "route", "routing", "dimension", "frame"),
        *("check", "through"),
    )
)
"""Words that mean the kind often, not always."""
_VAGUE: Final = frozenset(("mechanical", "mech", "user", "info"))
"""Words for drawings that hold the outline as often: the content decides."""
_WHOLE: Final = frozenset(("plate",))
"""Words of their own that look like a shortened one: a plate is not plated."""
_INNER: Final = frozenset(
    (
        *("in", "inner", "internal", "inr", "mid", "plane"),
        *("gnd", "ground", "power", "pwr", "vcc", "vdd"),
    )
)
_NUMBERED: Final = _INNER | {
    *("l", "layer", "lyr", "ly", "copper", "cu", "art", "artwork", "signal", "sig"),
    *("sm", "smd", "sp", "ss", "mask", "paste", "silk"),
}
SIDE_WORDS: Final[dict[str, Side]] = {
    **dict.fromkeys(("top", "front", "primary", "upper", "componentside", "comp"), "top"),
    **dict.fromkeys(("bottom", "bot", "back", "btm", "secondary", "lower", "solderside"), "bottom"),
}
_SHORT_SIDES: Final[dict[str, Side]] = {"f": "top", "t": "top", "b": "bottom"}
_SHORT_KINDS: Final[dict[str, RoleKind]] = {
    **dict.fromkeys(("sm", "st"), _K.MASK),  # solder mask, solder stop
    **dict.fromkeys(("ss", "sk", "pl"), _K.LEGEND),  # silk screen, silk, place
    **dict.fromkeys(("sp", "cr"), _K.PASTE),  # solder paste, cream
    "as": _K.DRAWING,  # assembly
}
_SHORT_ENDS: Final[dict[str, Side]] = {
    **dict.fromkeys(("t", "top", "c"), "top"),  # c and s: component side and solder side
    **dict.fromkeys(("b", "bot", "s"), "bottom"),
}
_SHORT_WORD: Final = re.compile(r"(?P<kind>sm|ss|sp|as)(?P<side>t|b|top|bot)|(t|b)(sm|ss|sk|sp)")
_SHORT_EXTENSION: Final = re.compile(
    r"(?P<kind>sm|st|ss|sk|pl|sp|cr|as)(?P<side>[tbcs])|([tb])(sm|ss|sk|sp|as)"
)
_LETTER_KINDS: Final[dict[str, RoleKind]] = {
    "l": _K.COPPER,
    "s": _K.MASK,
    "o": _K.LEGEND,
    "p": _K.PASTE,
    "a": _K.DRAWING,
}
"""Layer, solder mask, overlay, paste, assembly: behind g and the letter of the side."""
_EXTENSIONS: Final[dict[str, tuple[RoleKind, Side | None]]] = {
    **{f"g{s}{k}": (_LETTER_KINDS[k], _SHORT_SIDES[s]) for s in "tb" for k in _LETTER_KINDS},
    **dict.fromkeys(("cmp", "comp", "top", "tl"), (_K.COPPER, "top")),
    **dict.fromkeys(("sol", "bot", "bl"), (_K.COPPER, "bottom")),
    **dict.fromkeys(("gko", "gm1", "gml", "oln", "outline", "dim", "bor"), (_K.PROFILE, None)),
    **dict.fromkeys(("exc", "drl", "ncd", "nc", "cnc", "tap", "drill"), (_K.DRILL, None)),
    "vcut": (_K.SCORE, None),
}
_INNER_EXTENSION: Final = re.compile(r"^(?:g|gl|gp|in|ly|l|inner|g0|gi)(\d{1,2})l?$")
_DRAWING_EXTENSION: Final = re.compile(r"^(?:fab|g[dg]\d{1,2}|gd[dl]|gp[tb])$")
"""Fabrication drawing, drill drawing and guide, pads alone."""
_MECHANICAL_EXTENSION: Final = re.compile(r"^gm\d{1,2}$")


@dataclass(frozen=True, slots=True, kw_only=True)
class NameSays:
    """What a name says; ``confidence`` from 0 to 1, 0 when it says nothing."""

    kind: RoleKind | None = None
    side: Side | None = None
    number: int | None = None
    """A layer number in the name; whether it counts all or inner layers is open."""
    counts_all: bool = False
    """The number counts every copper layer from the top ('layer 2', 'L02')."""
    inner: bool = False
    plated: bool | None = None
    confidence: float = 0.0
    reason: str = ""
    is_side_alone: bool = False
    """Nothing but a side was found, which mostly means its copper."""
    rest: tuple[str, ...] = ()
    """Words that did not speak of the role: the name of the design."""

    @property
    def role(self) -> Role:
        """The role it names; an unknown one where it says nothing."""
        kind = self.kind or RoleKind.UNKNOWN
        return Role(kind=kind, side=self.side, inner=self.inner, plated=self.plated)


def shared_words(names: Sequence[str]) -> Counter[str]:
    """Words of the board's own name, and how often each stands in it.

    That is what all of three or more names hold, and what most of them begin with.
    """
    if len(names) < 3:
        return Counter()
    said = [_words(_stem(name)[0]) for name in names]
    shared = Counter(said[0])
    for words in said[1:]:
        shared &= Counter(words)
    shared |= Counter(_common_beginning(said))
    if _told(names, shared) >= _told(names, Counter()):
        return shared
    # Without these words names say less: they are no board's name but the layers' own.
    trade = SIDE_WORDS.keys() | KIND_WORDS.keys() | _NUMBERED
    return Counter({word: n for word, n in shared.items() if word not in trade})


def _common_beginning(said: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """Longest run of words that more than half of the names begin with, and at least three."""
    most = max(len(said) // 2 + 1, 3)
    beginning: tuple[str, ...] = ()
    while True:
        at = len(beginning)
        longer = Counter(w[: at + 1] for w in said if len(w) > at and w[:at] == beginning)
        if not longer:
            return beginning
        words, count = longer.most_common(1)[0]
        if count < most:
            return beginning
        beginning = words


def _told(names: Sequence[str], shared: Counter[str]) -> tuple[int, float]:
    """How many layers names tell apart, and how surely: the board's own name does not part them.

    Copper, mask, paste and legend without a face or a number name no layer.
    """
    said = [read_name(name, shared) for name in names]
    layers = {
        (says.kind, says.side, says.number, says.plated)
        for says in said
        if says.kind and (says.kind not in _SIDED.values() or says.side or says.number)
    }
    return len(layers), sum(says.confidence for says in said if not says.is_side_alone)


def read_name(name: str, shared: Counter[str] | None = None) -> NameSays:
    """Read the role a name speaks of.

    Parameters
    ----------
    name
        Member name; folders above the file are only looked at by the caller.
    shared
        Words to skip, see :func:`shared_words`.
    """
    stem, extension = _stem(name)
    skip = Counter(shared or ())
    words = []
    for word in _words(stem):
        if skip[word] > 0:
            skip[word] -= 1
        else:
            words.append(word)
    by_words = _read_words(words)
    if not all(word in stem.lower() for word in words):  # they are put into English
        by_words = replace(by_words, reason=by_words.reason.replace("in its", "meant by its"))
    by_extension = _read_extension(extension)
    said = _combine(by_words, by_extension)
    if by_words.kind is None or by_words.is_side_alone:
        return replace(said, rest=tuple(words))
    speaking = SIDE_WORDS.keys() | _SHORT_SIDES.keys()
    rest = (w for w in words if w not in speaking and kind_of_word(w) is None)
    return replace(said, rest=tuple(w for w in rest if not _SHORT_WORD.fullmatch(w)))


@lru_cache(maxsize=4096)
def kind_of_word(word: str) -> RoleKind | None:
    """Give what a word of the trade means, whole or shortened as anyone would shorten it.

    Shortened is a word cut off behind its fifth letter or later, or one without its vowels and
    with the better part of its consonants, the first and the last among them.

    >>> kind_of_word("fabric"), kind_of_word("msk"), kind_of_word("plt")
    (<RoleKind.DRAWING: 'drawing'>, <RoleKind.MASK: 'solder mask'>, None)
    """
    if word in KIND_WORDS or len(word) < 3 or word in _WHOLE:
        return KIND_WORDS.get(word)
    if len(word) >= 5:
        whole = next((known for known in KIND_WORDS if known.startswith(word)), None)
        if whole is not None:
            return KIND_WORDS[whole]
    if re.search(r"[aeiou0-9]", word[1:]):
        return None
    fits = [
        (len(word) / len(bones), known)
        for known, bones in _CONSONANTS.items()
        if 2 * len(word) > len(bones) and _is_shortened(word, bones)
    ]
    return KIND_WORDS[max(fits)[1]] if fits else None


_CONSONANTS: Final = {
    word: word[0] + re.sub("[aeiou]", "", word[1:]) for word in KIND_WORDS if len(word) > 3
}


def _is_shortened(word: str, bones: str) -> bool:
    letters = iter(bones)
    return word[0] == bones[0] and word[-1] == bones[-1] and all(c in letters for c in word)


def read_text(text: str, source: str, skip: Collection[str] = ()) -> NameSays:
    """Read the role that a line of text speaks of, such as a layer's name in a comment.

    Parameters
    ----------
    text
        The text alone, without what introduces it.
    source
        Where it stands, for the reason: ``its comment``.
    skip
        Words of the board's own name.
    """
    words = [word for word in _words(text) if word not in skip]
    says = _read_words(words)
    return replace(says, reason=f"{source} '{text}'") if says.kind else says


def _stem(name: str) -> tuple[str, str]:
    base = name.rsplit("/", 1)[-1]
    stem, dot, extension = base.rpartition(".")
    return (stem, extension.lower()) if dot else (base, "")


@lru_cache(maxsize=4096)
def _words(stem: str) -> tuple[str, ...]:
    words: list[str] = []
    for chunk in re.split(r"[^0-9A-Za-z]+", without_accents(stem)):
        pieces = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", chunk)
        letters = re.sub(r"\d+$", "", chunk).lower()
        if len(pieces) > 1 and (kind_of_word(letters) or _SHORT_WORD.fullmatch(letters)):
            digits = chunk[len(letters) :]
            pieces = [letters, digits] if digits else [letters]
        for piece in pieces:
            words += map(in_english, _segment(piece.lower()))
    return tuple(words)


def _segment(word: str) -> tuple[str, ...]:
    """Split 'bottommask' into words we know; a word that does not split stays whole."""
    known = KIND_WORDS.keys() | SIDE_WORDS.keys() | _NUMBERED | LATIN_WORDS | {"board"}
    if word in known or len(word) < 6:
        return (word,)
    ways: list[tuple[str, ...] | None] = [()] + [None] * len(word)
    for end in range(1, len(word) + 1):
        for start in range(max(0, end - 14), end - 2):
            before = ways[start]
            if before is not None and word[start:end] in known:
                way = (*before, word[start:end])
                if ways[end] is None or len(way) < len(ways[end] or ()):
                    ways[end] = way
    return ways[len(word)] or (word,)


def _with_sides_joined(words: Sequence[str]) -> list[str]:
    """Make one word of 'component side' and of 'solder side', as the faces are called."""
    out: list[str] = []
    for word in words:
        if word == "side" and out and out[-1] + word in SIDE_WORDS:
            out[-1] += word
        else:
            out.append(word)
    return out


def _read_words(words: Sequence[str]) -> NameSays:
    words = _with_sides_joined(words)
    for word in words:
        found = _SHORT_WORD.fullmatch(word)
        if found:
            return replace(_put_together(found), reason=f"the word '{word}' in its name")
    spoken = {word: kind for word in words if (kind := kind_of_word(word)) is not None}
    number, counts_all, inner = _read_number(words)
    sides = {SIDE_WORDS[word] for word in words if word in SIDE_WORDS}
    if not sides and (spoken or inner):
        sides = {_SHORT_SIDES[word] for word in words if word in _SHORT_SIDES}
    side: Side | None = sides.pop() if len(sides) == 1 else None
    # 'ss', 'sp' and 'solder' also stand for a board or a side: a word that is sure decides.
    sure = {kind for word, kind in spoken.items() if word not in _WEAK} or {*spoken.values()}
    kind = next((k for k in _FIRST if k in sure), None)
    explained = None
    if kind is _K.LEGEND and side is None and _K.DRILL in sure:
        kind, explained = _K.DRAWING, kind  # a drill legend explains the symbols of the holes
    said = [word for word in spoken if spoken[word] in (kind, explained)]
    if kind is None:
        if number is not None and (inner or counts_all):
            kind, said = _K.COPPER, []
        elif side is not None:
            word = next(w for w in words if w in SIDE_WORDS)
            return NameSays(
                kind=_K.COPPER,
                side=side,
                confidence=0.65,
                reason=f"only the side '{word}' in its name, as copper is mostly named",
                is_side_alone=True,
            )
        else:
            return NameSays()
    weak = bool(said) and all(word in _WEAK for word in said)
    confidence = 0.65 if weak else 0.85
    if said and all(word in _VAGUE for word in said):
        confidence = 0.45
    needs_side = kind in (_K.MASK, _K.LEGEND, _K.PASTE)
    if (needs_side and side is None) or (kind is _K.COPPER and side is None and number is None):
        confidence -= 0.25
    is_copper = kind is _K.COPPER
    shown = " ".join(_words_shown(words, said, side))
    return NameSays(
        kind=kind,
        side=side,
        number=number,
        counts_all=counts_all and is_copper,
        inner=is_copper and inner and side is None,
        plated=_read_plating(words) if kind is _K.DRILL else None,
        confidence=confidence,
        reason=f"the words '{shown}' in its name",
    )


def _put_together(found: re.Match[str]) -> NameSays:
    """Kind and side in one short word, in either order: smt and tsm are top solder masks."""
    kind, side = found["kind"] or found[4], found["side"] or found[3]
    return NameSays(kind=_SHORT_KINDS[kind], side=_SHORT_ENDS[side], confidence=0.7)


def _words_shown(words: Sequence[str], said: Sequence[str], side: Side | None) -> list[str]:
    """Give the words of a name that were understood, in their order."""
    speak = set(said)
    shown = []
    for word in words:
        is_side = side is not None and SIDE_WORDS.get(word, _SHORT_SIDES.get(word)) == side
        if word in speak or is_side or word.isdigit() or word in _NUMBERED:
            shown.append(word)
    return shown


def _read_number(words: Sequence[str]) -> tuple[int | None, bool, bool]:
    """Layer number, whether it counts all layers, and whether an inner layer is meant."""
    inner = any(word in _INNER for word in words)
    for word, after in pairwise([*words, ""]):
        if word in _NUMBERED and after.isdigit() and len(after) <= 4:
            digits = after[:2] if len(after) == 4 else after
            if 0 < int(digits) <= 99:
                return int(digits), word not in _INNER - {"gnd", "pwr", "vcc", "vdd"}, inner
    return None, False, inner


def _read_plating(words: Sequence[str]) -> bool | None:
    text = "".join(words)
    if re.search(r"npth|nonplated|unplated|notplated", text):
        return False
    return True if re.search(r"pth|plated", text) else None


def _read_extension(extension: str) -> NameSays:
    reason = f"the extension .{extension}"
    if extension in _EXTENSIONS:
        kind, side = _EXTENSIONS[extension]
        return NameSays(kind=kind, side=side, confidence=0.8, reason=reason)
    found = _SHORT_EXTENSION.fullmatch(extension)
    if found:
        return replace(_put_together(found), confidence=0.8, reason=reason)
    if _DRAWING_EXTENSION.match(extension):
        return NameSays(kind=_K.DRAWING, confidence=0.8, reason=reason)
    found = _INNER_EXTENSION.match(extension)
    if found:
        return NameSays(
            kind=_K.COPPER, number=int(found[1]), inner=True, confidence=0.75, reason=reason
        )
    if _MECHANICAL_EXTENSION.match(extension):
        return NameSays(kind=_K.DRAWING, confidence=0.4, reason=reason)
    return NameSays()


_DATA_EXTENSIONS: Final = frozenset(("ger", "gbx", "pho", "art", "xnc", "xln"))
"""Of layer and drill files of any kind, beside those that begin with g."""


def is_data_name(name: str) -> bool:
    """Whether a name ends as layer and drill files alone do, in any set.

    >>> is_data_name("board.gtl"), is_data_name("top copper.pdf"), is_data_name("drill.txt")
    (True, False, False)
    """
    extension = _stem(name)[1]
    kind = _read_extension(extension).kind
    if kind is None:
        return extension == "gbr" or extension in _DATA_EXTENSIONS
    return extension.startswith("g") or kind is RoleKind.DRILL


_BESIDE_ENDINGS: Final = {
    "gbrjob": _K.JOB,
    **dict.fromkeys(("ipc", "d356", "356", "ipc356", "d356a"), _K.NETLIST),
    **dict.fromkeys(("pos", "xy", "cpl"), _K.PLACEMENT),
    "bom": _K.PARTS,
}
_TABLE_ENDINGS: Final = frozenset(("csv", "tsv", "txt", "xls", "xlsx", "xlsm", "ods"))
_PLACEMENT_NAME: Final = re.compile(
    r"\bpick ?(?:and |n )?place\b|\bplacements?\b|\bcentroids?\b|\b(?:pnp|cpl|pos|xy)\b"
)
_PARTS_NAME: Final = re.compile(r"\bbom\b|\bparts? ?(?:list|table)?\b|\bbill of materials?\b")


def read_beside(name: str) -> RoleKind | None:
    """Give what a name calls a file that is no layer: job file, netlist, or a table of parts.

    >>> [str(read_beside(n)) for n in ("a.gbrjob", "Pick Place.csv", "Stückliste.xlsx", "bom.pdf")]
    ['job file', 'placement table', 'parts table', 'None']
    """
    stem, extension = _stem(name)
    if extension in _BESIDE_ENDINGS:
        return _BESIDE_ENDINGS[extension]
    if extension not in _TABLE_ENDINGS:
        return None
    said = " ".join((*_words(stem), list_in_english(stem)))
    if _PLACEMENT_NAME.search(said):
        return _K.PLACEMENT
    return _K.PARTS if _PARTS_NAME.search(said) else None


def _combine(words: NameSays, extension: NameSays) -> NameSays:
    if words.kind is None or (extension.kind is not None and words.is_side_alone):
        return extension
    if extension.kind is None:
        return words
    if words.kind is not extension.kind:
        # A layer extension on a drawing word (or the reverse) leaves doubt.
        winner = words if words.confidence >= extension.confidence else extension
        loser = extension if winner is words else words
        return replace(
            winner,
            confidence=max(winner.confidence - 0.25, 0.3),
            reason=f"{winner.reason}, against {loser.reason}",
        )
    if words.side and extension.side and words.side != extension.side:
        return NameSays(
            kind=words.kind,
            side=extension.side,
            confidence=0.5,
            reason=f"{extension.reason}, against {words.reason}",
        )
    return NameSays(
        kind=words.kind,
        side=words.side or extension.side,
        number=words.number if words.number is not None else extension.number,
        counts_all=words.counts_all,
        inner=(words.inner or extension.inner) and not (words.side or extension.side),
        plated=words.plated,
        confidence=0.9,
        reason=f"{words.reason} and {extension.reason}",
    )


_SIDES: Final[dict[str, Side]] = {"top": "top", "bot": "bottom", "bottom": "bottom"}
_KINDS: Final = {
    "soldermask": RoleKind.MASK,
    "legend": RoleKind.LEGEND,
    "paste": RoleKind.PASTE,
    "solderpaste": RoleKind.PASTE,
    "profile": RoleKind.PROFILE,
    "vcut": RoleKind.SCORE,
    "glue": RoleKind.GLUE,
    "gluemask": RoleKind.GLUE,
    "component": RoleKind.COMPONENTS,
    **dict.fromkeys(
        ("carbonmask", "goldmask", "heatsinkmask", "peelablemask", "silvermask", "tinmask"),
        RoleKind.OTHER_LAYER,
    ),
    **dict.fromkeys(("depthrout", "viafill"), RoleKind.OTHER_LAYER),
    **dict.fromkeys(
        (
            *("drillmap", "fabricationdrawing", "vcutmap", "arraydrawing", "assemblydrawing"),
            *("otherdrawing", "drawing", "mechanical", "assembly", "pads", "keep-out", "keepout"),
        ),
        RoleKind.DRAWING,
    ),
}


def read_function(fields: Sequence[str]) -> Role | None:
    """Role of a file function; None when it names none (``Other``) or is not known.

    >>> str(read_function(("Copper", "L2", "Inr", "Plane")))
    'inner copper (layer 2)'
    """
    if not fields:
        return None
    words = [field.strip().lower() for field in fields]
    if words[0] == "copper":
        return _read_copper(words)
    if words[0] in ("plated", "nonplated"):
        return Role(kind=RoleKind.DRILL, plated=words[0] == "plated")
    kind = _KINDS.get(words[0])
    if kind is None:
        return None
    side = next((_SIDES[word] for word in words[1:] if word in _SIDES), None)
    return Role(kind=kind, side=side)


def _read_copper(words: Sequence[str]) -> Role:
    number = next((int(w[1:]) for w in words[1:] if re.fullmatch(r"l\d{1,4}", w)), None)
    side = next((_SIDES[word] for word in words[1:] if word in _SIDES), None)
    inner = "inr" in words[1:]
    return Role(kind=RoleKind.COPPER, side=side, layer=number, inner=inner and side is None)


_HEAD: Final = 12_000
"""Comments on the whole file stand within its first bytes."""
_NAMED: Final = re.compile(
    r"(?i)G0?4\s*(?:layer|layer name|film|film name|layer type|image|image name|artwork|plot)"
    r"\s*[:=]\s*([^*]{1,80}?)\s*\*"
)
_OLD_NAME: Final = re.compile(r"%\s*(?:LN|IN)\s*\"?([^*%\"]{1,80}?)\"?\s*\*")
"""Layer name and image name, deprecated (Gerber Layer Format Specification, section 8.1)."""
_BARE: Final = re.compile(r"G0?4\s+([A-Za-z][\w .-]{1,30}?)\s*\*")
_ORDER: Final = re.compile(r"(?i)G0?4\s*layer[ _]physical[ _]order\s*[=:]\s*(\d{1,2})\s*\*")
_ATTRIBUTE: Final = re.compile(r"#@!")
_UNITS: Final = re.compile(r"(?i)\b(?:in|inch|inches|mm|mils?|milli?met(?:er|re)s?|units?)\b")
"""A bare comment with one of these says how numbers are written: 'Dimensions in millimeters'."""


def image_names(data: bytes) -> tuple[str, ...]:
    """Read the deprecated names of a layer and its image from a file's first bytes."""
    return tuple(m[1].strip() for m in _OLD_NAME.finditer(data[:_HEAD].decode("latin-1")))


def read_comments(data: Mapping[int, bytes], skip: Collection[str]) -> dict[int, NameSays]:
    """Read what comments say of each file; a text that several files have says nothing.

    Parameters
    ----------
    data
        Bytes of the layer files, by any index.
    skip
        Words of the board's own name.

    Returns
    -------
    What is said, for the files whose comments say something.
    """
    texts = {i: _texts(content[:_HEAD].decode("latin-1")) for i, content in data.items()}
    common = Counter(text.lower() for found in texts.values() for text in set(found))
    said: dict[int, NameSays] = {}
    for i, found in texts.items():
        own = [text for text in found if common[text.lower()] == 1 or len(data) == 1]
        says = _settle([read_text(text, "its comment", skip) for text in own])
        if says is not None:
            said[i] = says
            continue
        order = _ORDER.search(data[i][:_HEAD].decode("latin-1"))
        if order is not None:
            said[i] = NameSays(
                kind=RoleKind.COPPER,
                number=int(order[1]),
                counts_all=True,
                confidence=0.7,
                reason=f"its comment, physical layer {order[1]}",
            )
    return said


def _texts(head: str) -> list[str]:
    bare = [t for t in _BARE.findall(head) if not _ATTRIBUTE.search(t) and not _UNITS.search(t)]
    return [*_NAMED.findall(head), *_OLD_NAME.findall(head), *bare]


def _settle(said: Sequence[NameSays]) -> NameSays | None:
    """Give what texts agree on; None when they say nothing or contradict each other."""
    telling = [s for s in said if s.kind is not None and s.confidence >= 0.6]
    whole = [s for s in telling if not s.is_side_alone]
    # A film holds the outline besides its own layer.
    own = [s for s in whole if s.kind is not RoleKind.PROFILE] or whole or telling
    if len({(s.kind, s.side, s.number) for s in own}) != 1:
        return None
    return own[0]


_SIDED: Final[dict[str, RoleKind]] = {
    "copper": _K.COPPER,
    "mask": _K.MASK,
    "legend": _K.LEGEND,
    "paste": _K.PASTE,
    "glue": _K.GLUE,
}
_BOTH_SIDES: Final[tuple[Side, Side]] = ("top", "bottom")
UNUSED: Final = Role(kind=RoleKind.UNKNOWN)
"""Stated of a file that is to be left out."""
STATED_ROLES: Final[dict[str, Role]] = {
    **{f"{s} {word}": Role(kind=k, side=s) for word, k in _SIDED.items() for s in _BOTH_SIDES},
    "profile": Role(kind=_K.PROFILE),
    "score lines": Role(kind=_K.SCORE),
    "drill": Role(kind=_K.DRILL),
    "plated drill": Role(kind=_K.DRILL, plated=True),
    "non-plated drill": Role(kind=_K.DRILL, plated=False),
    "drawing": Role(kind=_K.DRAWING),
    "unused": UNUSED,
}
"""What can be stated in words; besides ``inner copper N``, N counted from the top."""


def read_role(text: str) -> Role:
    """Read a role in our words (``bottom mask``) or as a standard file function.

    Raises
    ------
    UsageError
        It is neither; names what can be said.

    >>> str(read_role("Inner copper 2"))
    'inner copper (layer 2)'
    >>> str(read_role("Soldermask,Bot"))
    'bottom solder mask'
    """
    if "," in text:
        role = read_function(text.split(","))
        if role is not None:
            return role
    words = " ".join(text.lower().replace("_", " ").split())
    inner = re.fullmatch(r"inner copper (\d{1,2})", words)
    if inner and int(inner[1]) > 1:
        return Role(kind=RoleKind.COPPER, inner=True, layer=int(inner[1]))
    if words in STATED_ROLES:
        return STATED_ROLES[words]
    near = difflib.get_close_matches(words, STATED_ROLES, 1)
    raise UsageError(
        f"{text!r} is no role" + (f"; did you mean '{near[0]}'?" if near else ""),
        hint=f"say one of: {', '.join(STATED_ROLES)}, inner copper N (2 and up);"
        " or a standard file function such as Copper,L1,Top",
    )


def match_roles(names: Sequence[str], stated: Mapping[str, str]) -> dict[int, Role]:
    """Find the files that roles were stated for.

    Parameters
    ----------
    stated
        Role by file name: the whole member name, its last part, or a pattern with ``*``; case
        does not matter.

    Returns
    -------
    dict
        Role by index into ``names``.

    Raises
    ------
    UsageError
        A name fits no file, a file is named with two roles, or a role is not known.
    """
    found: dict[int, Role] = {}
    for pattern, text in stated.items():
        role, wanted = read_role(text), pattern.lower()
        rows = [
            i
            for i, name in enumerate(names)
            if fnmatchcase(name.lower(), wanted)
            or fnmatchcase(PurePosixPath(name).name.lower(), wanted)
        ]
        if not rows:
            near = difflib.get_close_matches(pattern, names, 1)
            raise UsageError(
                f"a role is stated for '{pattern}', but no file is called so",
                hint=f"did you mean '{near[0]}'?" if near else f"the files: {', '.join(names)}",
            )
        for i in rows:
            if found.setdefault(i, role) != role:
                raise UsageError(
                    f"two roles are stated for {names[i]}: {found[i]} and {role}",
                    hint="state one role a file",
                )
    return found
