"""What the plain comments of a layer file say about its role: its layer's name, mostly."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Final

from fabkit.package.model import RoleKind
from fabkit.package.words import NameSays, read_text

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
    bare = [text for text in _BARE.findall(head) if not _ATTRIBUTE.search(text)]
    return [*_NAMED.findall(head), *_OLD_NAME.findall(head), *bare]


def _settle(said: Sequence[NameSays]) -> NameSays | None:
    """The one thing that texts say together; None when they say nothing or contradict."""
    telling = [s for s in said if s.kind is not None and s.confidence >= 0.6]
    whole = [s for s in telling if not s.is_side_alone]
    # A film holds the outline besides its own layer.
    own = [s for s in whole if s.kind is not RoleKind.PROFILE] or whole or telling
    if len({(s.kind, s.side, s.number) for s in own}) != 1:
        return None
    return own[0]
