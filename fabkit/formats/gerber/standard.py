"""Standard attributes: which names exist, for what, and which fields they take (section 5.6).

And how fields are escaped in files (section 3.4.3).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Final

Fields = Sequence[str]
Check = Callable[[Fields], str]
"""Says what is wrong with the fields, or nothing."""

_DECIMAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)\Z", re.ASCII)
_DATE = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d(?::?\d\d)?)\Z", re.ASCII
)
_GUID = re.compile(
    r"[0-9A-Fa-f]{8}-[0-9A-Fa-f]{4}-([0-9A-Fa-f])[0-9A-Fa-f]{3}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{12}\Z"
)
_LAYER = re.compile(r"L[1-9]\d*\Z", re.ASCII)
_HEX32 = re.compile(r"[0-9A-Fa-f]{32}\Z")
_POSITIVE = re.compile(r"[1-9]\d*\Z", re.ASCII)

_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|)")
_ESCAPED: Final = re.compile(r"[\x00-\x1f\x7f%*,\\]")

SIDES: Final = frozenset({"Top", "Bot"})


def _count(fields: Fields, fewest: int, most: int | None) -> str:
    if len(fields) < fewest:
        return f"has {len(fields)} fields, needs {fewest}"
    if most is not None and len(fields) > most:
        return f"has {len(fields)} fields, takes at most {most}"
    return ""


def _any(fewest: int, most: int | None) -> Check:
    return lambda fields: _count(fields, fewest, most)


def _choice(values: frozenset[str], *, optional: bool = False) -> Check:
    def check(fields: Fields) -> str:
        wrong = _count(fields, 0 if optional else 1, 1)
        if wrong or not fields:
            return wrong
        if fields[0] in values:
            return ""
        near = [v for v in sorted(values) if v.lower() == fields[0].lower()]
        if near:
            return f"has '{fields[0]}', which is spelt {near[0]}"
        return f"has '{fields[0]}' instead of {', '.join(sorted(values))}"

    return check


def _text(fields: Fields) -> str:
    return _count(fields, 1, 1) or ("" if fields[0] else "needs a text")


def _decimals(count: int) -> Check:
    def check(fields: Fields) -> str:
        wrong = _count(fields, count, count)
        bad = [f for f in fields if not _DECIMAL.match(f)]
        return wrong or (f"has '{bad[0]}', which is no number" if bad else "")

    return check


def _sided(*, index: bool) -> Check:
    def check(fields: Fields) -> str:
        wrong = _count(fields, 1, 2 if index else 1) or _choice(SIDES)(fields[:1])
        if not wrong and len(fields) > 1 and not _POSITIVE.match(fields[1]):
            return f"has index '{fields[1]}'"
        return wrong

    return check


def _copper(fields: Fields) -> str:
    wrong = _count(fields, 2, 3)
    if wrong:
        return wrong
    if not _LAYER.match(fields[0]):
        return f"has layer '{fields[0]}' instead of L1, L2, ..."
    wrong = _choice(frozenset({"Top", "Inr", "Bot"}))(fields[1:2])
    if not wrong and fields[0] == "L1" and fields[1] != "Top":
        return "states that layer 1 is not the top"
    if not wrong and fields[0] != "L1" and fields[1] == "Top":
        return f"states that {fields[0]} is the top"
    kinds = frozenset({"Plane", "Signal", "Mixed", "Hatched"})
    return wrong or _choice(kinds, optional=True)(fields[2:])


def _holes(labels: frozenset[str]) -> Check:
    def check(fields: Fields) -> str:
        wrong = _count(fields, 3, 4)
        if wrong:
            return wrong
        if not (_POSITIVE.match(fields[0]) and _POSITIVE.match(fields[1])):
            return f"spans '{fields[0]}' to '{fields[1]}'"
        if fields[0] == fields[1]:
            return "spans one layer only"
        wrong = _choice(labels)(fields[2:3])
        return wrong or _choice(frozenset({"Drill", "Rout", "Mixed"}), optional=True)(fields[3:])

    return check


def _component(fields: Fields) -> str:
    wrong = _count(fields, 2, 2) or _choice(SIDES)(fields[1:])
    return wrong or ("" if _LAYER.match(fields[0]) else f"has layer '{fields[0]}'")


FILE_FUNCTIONS: Final[dict[str, Check]] = {
    "Copper": _copper,
    "Plated": _holes(frozenset({"PTH", "Blind", "Buried"})),
    "NonPlated": _holes(frozenset({"NPTH", "Blind", "Buried"})),
    "Profile": _choice(frozenset({"P", "NP"})),
    "Soldermask": _sided(index=True),
    "Legend": _sided(index=True),
    "Component": _component,
    "Paste": _sided(index=False),
    "Glue": _sided(index=False),
    "Carbonmask": _sided(index=True),
    "Goldmask": _sided(index=True),
    "Heatsinkmask": _sided(index=True),
    "Peelablemask": _sided(index=True),
    "Silvermask": _sided(index=True),
    "Tinmask": _sided(index=True),
    "Depthrout": _sided(index=False),
    "Vcut": _choice(SIDES, optional=True),
    "Viafill": _any(0, 0),
    "Drillmap": _any(0, 0),
    "FabricationDrawing": _any(0, 0),
    "Vcutmap": _any(0, 0),
    "ArrayDrawing": _any(0, 0),
    "AssemblyDrawing": _sided(index=False),
    "OtherDrawing": _text,
    "Pads": _sided(index=False),
    "Other": _text,
}
"""First field of ``.FileFunction`` and what may follow it."""

RENAMED_FUNCTIONS: Final = {
    "Keep-out": "Profile",
    "Gluemask": "Glue",
    "Drawing": "OtherDrawing",
    "Mechanical": "FabricationDrawing",
    "Assembly": "AssemblyDrawing",
}

_DEFINED = _choice(frozenset({"CuDef", "SMDef"}))
_VIA_PROTECTION = frozenset(
    ["Ia", "Ib", "IIa", "IIb", "IIIa", "IIIb", "IVa", "IVb", "V", "VI", "VII", "None"]
)

APERTURE_FUNCTIONS: Final[dict[str, Check]] = {
    "ViaDrill": _choice(_VIA_PROTECTION, optional=True),
    "ComponentDrill": _choice(frozenset({"PressFit"}), optional=True),
    "MechanicalDrill": _choice(
        frozenset({"Tooling", "Breakout", "BreakOut", "Other"}), optional=True
    ),
    "OtherDrill": _text,
    "SMDPad": _DEFINED,
    "BGAPad": _DEFINED,
    "FiducialPad": _choice(frozenset({"Local", "Global", "Panel"})),
    "OtherPad": _text,
    "OtherCopper": _text,
    "ComponentOutline": _choice(frozenset({"Body", "Lead2Lead", "Footprint", "Courtyard"})),
    "Other": _text,
    **dict.fromkeys(
        [
            "BackDrill",
            "CastellatedDrill",
            "ComponentPad",
            "ConnectorPad",
            "HeatsinkPad",
            "ViaPad",
            "TestPad",
            "CastellatedPad",
            "ThermalReliefPad",
            "WasherPad",
            "AntiPad",
            "Conductor",
            "EtchedComponent",
            "NonConductor",
            "CopperBalancing",
            "Border",
            "ComponentMain",
            "ComponentPin",
            "Profile",
            "NonMaterial",
            "Material",
            "CutOut",
            "Slot",
            "Cavity",
        ],
        _any(0, 0),
    ),
}
"""First field of ``.AperFunction`` and what may follow it."""

DRILL_FUNCTIONS: Final = frozenset(name for name in APERTURE_FUNCTIONS if name.endswith("Drill"))
OLD_APERTURE_FUNCTIONS: Final = frozenset({"CutOut", "Slot", "Cavity"})
PAD_FUNCTIONS: Final = frozenset(
    [
        "ComponentPad",
        "SMDPad",
        "BGAPad",
        "ConnectorPad",
        "HeatsinkPad",
        "ViaPad",
        "TestPad",
        "CastellatedPad",
        "FiducialPad",
        "WasherPad",
        "OtherPad",
    ]
)


def _function(table: dict[str, Check]) -> Check:
    def check(fields: Fields) -> str:
        if not fields:
            return "has no value"
        found = table.get(fields[0])
        if found is not None:
            wrong = found(fields[1:])
            return f"{fields[0]} {wrong}" if wrong else ""
        near = [v for v in sorted(table) if v.lower() == fields[0].lower()]
        if near:
            return f"has '{fields[0]}', which is spelt {near[0]}"
        if table is FILE_FUNCTIONS and fields[0] in RENAMED_FUNCTIONS:
            return f"has '{fields[0]}', now called {RENAMED_FUNCTIONS[fields[0]]}"
        return f"has the unknown value '{fields[0]}'"

    return check


def _part(fields: Fields) -> str:
    if fields and fields[0] == "Other":
        return _text(fields[1:])
    return _choice(frozenset({"Single", "Array", "FabricationPanel", "Coupon", "Other"}))(fields)


def _date(fields: Fields) -> str:
    wrong = _count(fields, 1, 1)
    return wrong or ("" if _DATE.match(fields[0]) else "is no full ISO 8601 date, time and zone")


def _project(fields: Fields) -> str:
    wrong = _count(fields, 3, 3)
    if wrong:
        return wrong
    guid = _GUID.match(fields[1])
    if guid is None:
        return "has no GUID as second field"
    return "" if guid[1] in "14" else "has a GUID that is neither version 1 nor 4"


def _checksum(fields: Fields) -> str:
    wrong = _count(fields, 1, 1)
    return wrong or ("" if _HEX32.match(fields[0]) else "is no 32-digit checksum")


def _flash_text(fields: Fields) -> str:
    wrong = _count(fields, 2, 6)
    if not wrong and fields[1] not in ("B", "C"):
        wrong = f"has '{fields[1]}' instead of B or C"
    if not wrong and len(fields) > 2 and fields[2] not in ("R", "M", ""):
        wrong = f"has '{fields[2]}' instead of R or M"
    return wrong


def _pin(fields: Fields) -> str:
    return _count(fields, 2, 3) or ("" if fields[0] else "has no part name")


def _suppliers(fields: Fields) -> str:
    return _count(fields, 2, None) or ("" if len(fields) % 2 == 0 else "needs pairs of fields")


STANDARD: Final[dict[str, tuple[str, Check]]] = {
    ".Part": ("F", _part),
    ".FileFunction": ("F", _function(FILE_FUNCTIONS)),
    ".FilePolarity": ("F", _choice(frozenset({"Positive", "Negative"}))),
    ".SameCoordinates": ("F", _any(0, 1)),
    ".CreationDate": ("F", _date),
    ".GenerationSoftware": ("F", _any(2, 3)),
    ".ProjectId": ("F", _project),
    ".MD5": ("F", _checksum),
    ".AperFunction": ("A", _function(APERTURE_FUNCTIONS)),
    ".DrillTolerance": ("A", _decimals(2)),
    ".FlashText": ("A", _flash_text),
    ".N": ("O", _any(1, None)),
    ".P": ("O", _pin),
    ".C": ("O", _text),
    ".CRot": ("O", _decimals(1)),
    ".CMnt": ("O", _choice(frozenset({"TH", "SMD", "Fiducial", "Other"}))),
    ".CHgt": ("O", _decimals(1)),
    ".CSup": ("O", _suppliers),
    **{
        name: ("O", _any(1, 1))
        for name in (".CMfr", ".CMPN", ".CVal", ".CFtp", ".CPgN", ".CPgD", ".CLbN", ".CLbD")
    },
}
"""Standard attributes: kind (F, A or O) and a check of their fields."""


def find_fault(kind: str, name: str, fields: Fields) -> str:
    """Say what is wrong with a standard attribute; empty when nothing is.

    >>> find_fault("A", ".AperFunction", ("SMDPad",))
    'SMDPad has 0 fields, needs 1'
    """
    known = STANDARD.get(name)
    if known is None:
        near = [n for n in STANDARD if n.lower() == name.lower()]
        return f"is spelt {near[0]}" if near else "is no standard attribute"
    if known[0] != kind:
        return f"is set by T{kind} instead of T{known[0]}"
    return known[1](fields)


def unescape(text: str) -> tuple[str, bool]:
    r"""Replace ``\uXXXX`` and ``\UXXXXXXXX`` (section 3.4.3); False when one is broken.

    >>> unescape(r"10\u00B5F\u002C X7R")
    ('10µF, X7R', True)
    """
    whole = True

    def put(match: re.Match[str]) -> str:
        nonlocal whole
        digits = match[1] or match[2]
        value = int(digits, 16) if digits else -1
        if not 0 <= value <= 0x10FFFF or 0xD800 <= value < 0xE000:
            whole = False
            return match[0]
        return chr(value)

    return _ESCAPE.sub(put, text), whole


def escape(text: str) -> str:
    r"""Write a field so that no character of it ends it (section 3.4.3).

    >>> escape("10µF, 50%")
    '10µF\\u002C 50\\u0025'
    """
    return _ESCAPED.sub(lambda found: f"\\u{ord(found[0]):04X}", text)
