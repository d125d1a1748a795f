"""What a ``.FileFunction`` says: fields to role.

Gerber Layer Format Specification 2021.02, section 5.6.3, with the spellings that job files use
(``SolderMask``, ``SolderPaste``) and the values of earlier revisions (section 11).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from fabkit.package.model import Role, RoleKind, Side

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
