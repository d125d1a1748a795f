"""Writes the seed corpus: small whole files of every kind, made from the fixtures.

Usage: ``python tests/fuzz/make_seeds.py``.  Seeds are ``seed-*``; what fuzzing adds beside them
has other names and is left alone.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE.parent))

from fuzz.targets import TARGETS, zipped  # noqa: E402
from fuzz.tiny_board import FILES, layer  # noqa: E402

from fabkit.parts.book import EXAMPLE as PARTS  # noqa: E402
from fabkit.sheets.house import EXAMPLE as HOUSE  # noqa: E402

FIXTURES = ROOT / "fixtures"
DEMO = ROOT / "fabkit" / "demo"
MOST_LINES = 60
MACROS: dict[str, bytes] = {
    "circle": b"1,1,$1,0,0,0#1.5",
    "expression": b"$3=($1-2x$2)/2*1,1,$3,$1+-$2,0*20,1,0.2,-1,0,1,0,45#3X0.5",
    "outline": b"4,1,3,0,0,1,0,1,1,0,0,$1*5,1,6,0,0,2,0#30",
    "thermal": b"7,0,0,2,1,0.2,45*21,1,1,0.5,0,0,0*6,0,0,3,0.1,0.2,2,0.05,3,0#1",
}
GERBERS: dict[str, bytes] = {
    "arcs": layer(
        "Copper,L1,Top",
        "%ADD10C,0.2*%\nD10*\nG75*\nX1000000Y0D02*\nG03*\nX0Y1000000I-1000000J0D01*\n"
        "G02*\nX1000000Y0I0J-1000000D01*\nG36*\nG01*\nX5000000Y0D02*\nX6000000Y0D01*\n"
        "G03*\nX5000000Y0I-500000J0D01*\nG37*\n",
    ),
    "blocks": layer(
        "Copper,L1,Top",
        "%ADD10C,0.2*%\n%ABD12*%\nD10*\nX0Y0D03*\n%LPC*%\nX500000Y0D03*\n%ABD13*%\n"
        "X0Y0D03*\n%AB*%\n%LPD*%\nD13*\nX1000000Y0D03*\n%AB*%\nD12*\n%LMXY*%\n%LR30*%\n"
        "%LS1.5*%\n%SRX2Y3I5.0J4.0*%\nX0Y0D03*\n%SR*%\n",
    ),
    "classic": (
        b"%ASAXBY*%%OFA0B0*%%MIA0B0*%%SFA1.0B1.0*%%IPPOS*%%INx*%%LNy*%\r\n%FSLAX24Y24*%\r\n"
        b"%MOIN*%%IR0*%\r\nG70*G90*G74*\r\n%ADD10R,0.06X0.04X0.02*%\r\n%ADD11O,0.1X0.05*%\r\n"
        b"%ADD12P,0.1X6X30*%\r\nG54D10*X0100Y0100D03*\r\nX0200D03*G54D11*X0300D03*\r\n"
        b"D12*X0400D03*G01X0500Y0500D01*X0600D01*\r\nG04 end*\r\nM00*M02*\r\n"
    ),
    "attributes": layer(
        "Copper,L1,Top",
        "%TA.AperFunction,ComponentPad*%\n%ADD10C,1*%\n%TD*%\n%TO.P,U1,1,VIN*%\n%TO.N,V+*%\n"
        "%TO.C,U1*%\nD10*\nX0Y0D03*\n%TD.N*%\nX2000000Y0D03*\nG04 #@! TF.Part,Single*\n",
    ),
}


def shortened(data: bytes) -> bytes:
    """First and last lines of a file."""
    lines = data.splitlines(keepends=True)
    if len(lines) <= MOST_LINES:
        return data
    return b"".join(lines[: MOST_LINES - 10] + lines[-10:])


def bare(sheet: bytes) -> bytes:
    """A sheet without its comments."""
    return re.sub(rb"(?m)^\s*#.*\n|\s+#[^\"\n]*$", b"", sheet)


def seeds() -> dict[str, dict[str, bytes]]:
    """Target to seed name to bytes."""
    card, dialects = FIXTURES / "card", FIXTURES / "dialects"
    made: dict[str, dict[str, bytes]] = {name: {} for name in TARGETS}
    made["gerber"] = dict(GERBERS)
    for path in (
        card / "dunnock-copper-top.gbr",
        dialects / "macros-and-repeat" / "wheatear-copper-top.gbr",
        dialects / "comment-attributes" / "wheatear-profile.gbr",
        dialects / "inch-2-4" / "wheatear.gko",
    ):
        made["gerber"][path.parent.name] = shortened(path.read_bytes())
    made["macro"] = MACROS
    for path in (
        card / "dunnock-drill-plated.xnc",
        dialects / "headerless-drill" / "plated_holes.drl",
        dialects / "inch-2-4" / "wheatear.txt",
        dialects / "comment-attributes" / "wheatear-drill-nonplated.drl",
    ):
        made["drill"][path.parent.name] = shortened(path.read_bytes())
    made["drill"]["routing"] = (
        b"M48\nMETRIC,LZ,000.000\nT1C1.0\nT2C0.8\n%\nG05\nT1\nX001Y001\nR3X0025\n"
        b"X01Y01G85X02Y01\nG00X01Y01\nM15\nG01X02Y01\nG03X02Y02A0005\nG02X03Y02I0005J0\nM16\n"
        b"T2\nM25\nX01Y01\nM01\nM02X05Y05\nM08\nG90\nM30\n"
    )
    made["drill-format"] = {n: d for n, d in made["drill"].items() if n != "comment-attributes"}
    made["job"]["card"] = (card / "dunnock-job.gbrjob").read_bytes()
    made["job"]["tiny"] = FILES["tiny-job.gbrjob"]
    made["netlist"]["card"] = shortened((card / "dunnock-netlist.ipc").read_bytes())
    made["netlist"]["tiny"] = FILES["tiny-netlist.ipc"]
    made["placement"]["card"] = shortened((card / "dunnock-placement.csv").read_bytes())
    made["placement"]["semicolons"] = b"Ref;X (mm);Y (mm);Rotation;Side\nR1;1,5;2,5;90;bottom\n"
    made["placement"]["columns"] = (
        b"### Units: mm\n# Ref   Val   Package  PosX   PosY   Rot  Side\n"
        b"R1      1k    0603     1.5    2.5    90   top\n"
    )
    made["parts-table"]["card"] = shortened((card / "dunnock-parts.csv").read_bytes())
    made["parts-table"]["ranges"] = b'Reference,Value,Quantity\n"D1-D4,R1, R2",x,6\n'
    made["archive"]["tiny"] = zipped(FILES)
    made["archive"]["folder"] = zipped({f"a/b/{n}": d for n, d in list(FILES.items())[:3]})
    made["archive"]["nested"] = zipped({"in.zip": zipped(FILES), "readme.txt": b"read me"})
    made["house"]["example"] = bare(HOUSE.read_bytes())
    made["parts-book"]["example"] = bare(PARTS.read_bytes())
    made["order"]["demo"] = bare((DEMO / "order.toml").read_bytes())
    for name, content in FILES.items():
        made["chain"][name] = name.encode() + b"\n" + content
    for name, content in GERBERS.items():
        made["chain"][name] = b"tiny-copper-top.gbr\n" + content
    made["judged"] = {
        n: made["chain"][n] for n in ("tiny-profile.gbr", "tiny-plated.drl", "blocks")
    }
    return made


def main() -> None:
    """Write them all."""
    for target, files in seeds().items():
        folder = HERE / "corpus" / target
        folder.mkdir(parents=True, exist_ok=True)
        for old in folder.glob("seed-*"):
            old.unlink()
        for name, data in files.items():
            (folder / f"seed-{name}").write_bytes(data)


if __name__ == "__main__":
    main()
