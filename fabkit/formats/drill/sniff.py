"""Is this a drill file?  By its lines, not by its name."""

from __future__ import annotations

import re
from typing import Final

_LOOK_AT: Final = 200_000
_LINES: Final = 3_000

_GERBER: Final = re.compile(rb"%(?:FS|MO|AD|AM|LP|TF|TA|TO|SR|AB|IP|LN)[^\r\n]*\*|D0?[123]\*")
_HEADER: Final = re.compile(rb"(?m)^[ \t]*M48[ \t]*\r?$")
_POINT: Final = re.compile(
    rb"(?:N\d+)?(?:G0?[0-3])?(?=[XY])(?:X[+-]?[\d.]*)?(?:Y[+-]?[\d.]*)?(?:[AIJ][+-]?[\d.]+)*"
    rb"(?:G8[57](?:X[+-]?[\d.]*)?(?:Y[+-]?[\d.]*)?(?:Z[+-]?[\d.]*)?(?:U[\d.]*)?|G84X[\d.]+)?\Z"
)
_TOOL: Final = re.compile(rb"T\d{1,4}(?:[CFSBHZ][+-]?[\d.]*)*\Z")
_COMMAND: Final = re.compile(
    rb"(?:M48|M95|%|(?:INCH|METRIC)(?:,[LT]Z|,0+\.0+)*|M7[12](?:,[LT]Z)?|FMAT,[12]|VER,\d|ICI,O\w+"
    rb"|[GM]\d{1,3}|[RP]\d+(?:M02)?(?:[XY][+-]?[\d.]*)*|M02(?:[XY][+-]?[\d.]*)*(?:M[789]0)*"
    rb"|M(?:00|30|06|08M30)(?:[XY][+-]?[\d.]*)*|G(?:93|82)(?:[XY][+-]?[\d.]*)*"
    rb"|(?:DETECT|ATC|BLKD|OM48|TCST|PCKPARAM|SBK|AFS|CP|ZC|ZS|Z[+-]?[\d.]+)(?:,[\w.]*)*)\Z"
)


def looks_like_drill(data: bytes) -> float:
    """How sure it is that these bytes are an NC drill or rout file, 0 to 1.

    A header counts most; without one nearly all lines must be drill commands, and some of them
    must be what only drill files have: a tool, a program end or a start sign.
    """
    head = data[:_LOOK_AT].removeprefix(b"\xef\xbb\xbf")
    if not head.strip() or head.count(0) > len(head) // 100:
        return 0.0
    if _GERBER.search(head):
        return 0.0
    points = tools = commands = strange = comments = 0
    for raw in re.split(rb"[\r\n]+", head)[:_LINES]:
        text, mark, _ = raw.partition(b";")
        line = b"".join(text.upper().split())
        if not line:
            comments += bool(mark)
        elif _POINT.match(line):
            points += 1
        elif _TOOL.match(line):
            tools += 1
        elif _COMMAND.match(line):
            commands += 1
        else:
            strange += 1
    known = points + tools + commands
    share = known / (known + strange) if known else 0.0
    if _HEADER.search(head.upper()) and share >= 0.5:
        return 0.7 + 0.3 * share
    marked = tools + (re.search(rb"(?m)^\s*(?:%|M30|M00)\s*$", head) is not None)
    if points and marked and share >= 0.9:
        return 0.6 + 0.3 * share
    return 0.0
