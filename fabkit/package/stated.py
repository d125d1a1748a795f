"""Roles the user states for files that do not say themselves what they are."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.package.functions import read_function
from fabkit.package.model import Role, RoleKind, Side

_K = RoleKind
_SIDED: Final[dict[str, RoleKind]] = {
    "copper": _K.COPPER,
    "mask": _K.MASK,
    "legend": _K.LEGEND,
    "paste": _K.PASTE,
    "glue": _K.GLUE,
}
_SIDES: Final[tuple[Side, Side]] = ("top", "bottom")
UNUSED: Final = Role(kind=RoleKind.UNKNOWN)
"""Stated of a file that is to be left out."""
STATED_ROLES: Final[dict[str, Role]] = {
    **{f"{s} {word}": Role(kind=k, side=s) for word, k in _SIDED.items() for s in _SIDES},
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
    names
        Member names.
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
