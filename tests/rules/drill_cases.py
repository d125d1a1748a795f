"""The smallest drill file that breaks each rule, next to the smallest that keeps it.

Rules of the two published command sets and of common practice; see each rule's source.
"""

from __future__ import annotations

TOOLS = "T1C0.3\nT2C1.0\n"


def program(body: str, head: str = "", *, tools: str = TOOLS) -> bytes:
    """A whole file in millimetres with trailing zeros, three decimals."""
    return f"M48\nMETRIC,TZ,000.000\n{head}{tools}%\n{body}M30\n".encode()


HITS = "T1\nX1000Y2000\nT2\nX5000Y9000\n"
SOUND = program(HITS)
ROUTE = "T2\nG00X0Y0\nM15\n{}G01X5000Y0\nM16\n"
ROUTED = program(ROUTE.format("G01X0Y9000\n"))
FUNCTION = "; #@! TF.FileFunction,{}\n"


def header(*lines: str) -> bytes:
    """A file whose header holds these lines."""
    return ("\n".join(["M48", *lines, "%", "T1", "X1000Y1000", "M30"]) + "\n").encode()


MM = "METRIC,TZ,000.000"
BY_COMMENT = (
    b";   Holesize 1. = 8.000000 Tolerance = +0.0/-0.0 PLATED MILS Quantity = 2\n"
    b"%\nG90\nX0105Y0205\nX0305Y0405\nM30\n"
)

CASES: dict[str, tuple[bytes, bytes]] = {
    "no-header": (f"{MM}\nT1C0.3\n%\nT1\nX1000Y1000\nM30\n".encode(), header(MM, "T1C0.3")),
    "header-not-closed": (
        f"M48\n{MM}\nT1C0.3\nG05\nT1\nX1000Y1000\nM30\n".encode(),
        header(MM, "T1C0.3"),
    ),
    "unit-missing": (header("T1C0.03"), header(MM, "T1C0.3")),
    "zeros-missing": (header("METRIC", "T1C0.3"), header(MM, "T1C0.3")),
    "digits-missing": (header("METRIC,TZ", "T1C0.3"), header(MM, "T1C0.3")),
    "too-many-digits": (program("T1\nX1000000Y1\n"), program("T1\nX100000Y1\n")),
    "mixed-points": (program("T1\nX1000Y1.5\n"), program("T1\nX1000Y1500\n")),
    "bad-number": (program("T1\nX1.2.3Y1\n"), program("T1\nX1.2Y1\n")),
    "unit-after-size": (header("T1C0.3", MM), header(MM, "T1C0.3")),
    "unit-switched": (program("T1\nX1000Y1\nM72\nX1Y1\n"), SOUND),
    "unit-conflict": (header(MM, "INCH", "T1C0.3"), header(MM, "T1C0.3")),
    "tool-undefined": (program("T7\nX1000Y1\n"), SOUND),
    "tool-without-diameter": (header(MM, "T1"), header(MM, "T1C0.3")),
    "tool-defined-twice": (header(MM, "T1C0.3", "T1C0.4"), header(MM, "T1C0.3", "T1C0.3")),
    "tool-unused": (program("T1\nX1000Y1\n"), SOUND),
    "hit-without-tool": (program("X1000Y1\n"), SOUND),
    "diameter-out-of-range": (header(MM, "T1C9.3"), header(MM, "T1C6.3")),
    "diameter-other-unit": (header(MM, "T1C0.04"), header(MM, "T1C0.4")),
    "diameter-repeated": (
        program("T1\nX1Y1\nT3\nX9000Y1\n", "T3C0.3\n"),
        program("T1\nX1Y1\nT3\nX9000Y1\n", "T3C0.4\n"),
    ),
    "all-one-size": (
        program("T1\nX1Y1\nT3\nX9000Y1\n", "T3C0.3\n"),
        program("T1\nX1Y1\nT2\nX5000Y1\nT3\nX9000Y1\n", "T3C0.3\n"),
    ),
    "unknown-command": (program(HITS + "Q17\n"), SOUND),
    "not-exchange-data": (program(HITS + "M97,ABC\nX1.Y1.\n"), SOUND),
    "lower-case": (program(HITS.lower()), SOUND),
    "strange-bytes": (program(HITS + "\u00e9\n"), SOUND),
    "gerber-content": (program(HITS + "X5Y5D03*\n"), SOUND),
    "end-missing": (SOUND.removesuffix(b"M30\n"), SOUND),
    "data-after-end": (SOUND + b"T2\nX5Y5\n", SOUND),
    "no-holes": (program(""), SOUND),
    "bad-span": (
        program(HITS, FUNCTION.format("Plated,2,2,PTH")),
        program(HITS, FUNCTION.format("Plated,1,2,PTH")),
    ),
    "file-attribute-misplaced": (
        program(HITS + "; #@! TF.Part,Single\n"),
        program(HITS, "; #@! TF.Part,Single\n"),
    ),
    "unknown-attribute": (
        program(HITS, FUNCTION.format("Copper,L1")),
        program(HITS, FUNCTION.format("Plated,1,2,PTH")),
    ),
    "plating-conflict": (
        program(
            HITS,
            FUNCTION.format("Plated,1,2,PTH")
            + "; #@! TA.AperFunction,NonPlated,NPTH,ComponentDrill\nT3C0.5\n; #@! TD\n",
        ),
        program(
            HITS,
            FUNCTION.format("Plated,1,2,PTH")
            + "; #@! TA.AperFunction,Plated,PTH,ComponentDrill\nT3C0.5\n; #@! TD\n",
        ),
    ),
    "tool-mixed-use": (
        program(
            "T5\nX1000Y1000\n; #@! TO.P,J1,2\nX5000Y1000\n",
            "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT5C0.4\n",
        ),
        program(
            "T5\nX1000Y1000\n; #@! TO.N,A\nX5000Y1000\n",
            "; #@! TA.AperFunction,Plated,PTH,ViaDrill\nT5C0.4\n",
        ),
    ),
    "comment-conflict": (
        program(HITS, ";FILE_FORMAT=2:5\n"),
        program(HITS, ";FILE_FORMAT=3:3\n"),
    ),
    "tools-from-comment": (BY_COMMENT, SOUND),
    "zero-length-slot": (program("T2\nX0Y0G85X0Y0\n"), program("T2\nX0Y0G85X5000Y0\n")),
    "rout-without-target": (program("T2\nG00\nM15\nG01X5000Y0\nM16\n"), ROUTED),
    "plunge-order": (program("T2\nG00X0Y0\nG01X5000Y0\nM16\n"), ROUTED),
    "arc-without-centre": (program("T2\nG00X0Y0\nM15\nG02X5000Y0\nM16\n"), ROUTED),
    "arc-radius-too-small": (
        program("T2\nG00X0Y0\nM15\nG02X5000Y0A2000\nM16\n"),
        program("T2\nG00X0Y0\nM15\nG02X5000Y0A2500\nM16\n"),
    ),
    "arc-ends-differ": (
        program("T2\nG00X0Y0\nM15\nG02X5000Y0I2000J0\nM16\n"),
        program("T2\nG00X0Y0\nM15\nG02X5000Y0I2500J0\nM16\n"),
    ),
    "compensation-while-cutting": (program(ROUTE.format("G41\n")), ROUTED),
    "compensation-used": (program("T2\nG00X0Y0\nG41\nM15\nG01X5000Y0\nM16\n"), ROUTED),
    "machine-setting": (program(HITS, "ATC,ON\n"), SOUND),
    "stored-pattern": (program(HITS + "M99,NAME\nX1.Y1.\n"), SOUND),
    "repeats": (program("T1\nX1Y1\nR3X5000\n"), SOUND),
    "repeat-order": (program("M25\n" + HITS), SOUND),
    "m02-as-end": (SOUND.replace(b"M30", b"M02"), SOUND),
    "g81-depends": (program("G81\n" + HITS), SOUND),
    "incremental": (program("G91\n" + HITS), program("G90\n" + HITS)),
    "work-zero-moved": (program("G93X5000Y0\n" + HITS), program("G93X0Y0\n" + HITS)),
    "axis-version": (program(HITS, "VER,3\n"), program(HITS, "VER,1\n")),
    "block-delete": (program(HITS + "/X9000Y1\n"), SOUND),
}
"""Judged from the file alone, under a name that says nothing."""
