"""The smallest package that breaks each rule on sets, sidecars and boards, and one that keeps it.

A case is what is changed in a sound, invented package of 30 x 20 mm: name to text, None takes a
file out.  The second part is the change that keeps the rule; where it is left out, the sound
package itself keeps it.
"""

from __future__ import annotations

import json
from typing import Any

Files = dict[str, str | None]

HEAD = "%FSLAX46Y46*%\n%MOMM*%\nG75*\nG01*\n%ADD10C,{pen}*%\nD10*\n"


def layer(function: str, body: str, *, polarity: str = "Positive", pen: float = 2.0) -> str:
    """A layer file in mm with 6 decimals."""
    stated = f"%TF.FileFunction,{function}*%\n" if function else ""
    stated += f"%TF.FilePolarity,{polarity}*%\n" if polarity else ""
    return stated + HEAD.format(pen=pen) + body + "M02*\n"


def xy(x: float, y: float) -> str:
    """A point in file units."""
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def dots(*points: tuple[float, float]) -> str:
    """Flashes."""
    return "".join(f"{xy(*p)}D03*\n" for p in points)


def line(*points: tuple[float, float]) -> str:
    """A polyline."""
    return "".join(f"{xy(*p)}D0{1 if n else 2}*\n" for n, p in enumerate(points))


def frame(width: float, height: float, x: float = 0, y: float = 0) -> str:
    """A closed rectangle."""
    return line((x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y))


def drill(
    *holes: tuple[float, float],
    size: float = 1.0,
    function: str = "Plated,1,2,PTH",
    body: str = "",
    unit: str = "METRIC",
) -> str:
    """A drill file with one tool and decimal points."""
    hits = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes)
    stated = f"; #@! TF.FileFunction,{function}\n" if function else ""
    return f"M48\n{stated}{unit}\nT1C{size:.3f}\n%\nG05\nT1\n{hits}{body}M30\n"


PADS = ((5, 5), (25, 15))
SOUND: dict[str, str] = {
    "top.gbr": layer("Copper,L1,Top", dots(*PADS)),
    "bottom.gbr": layer("Copper,L2,Bot", dots(*PADS)),
    "mask-top.gbr": layer("Soldermask,Top", dots(*PADS), polarity="Negative", pen=2.1),
    "mask-bottom.gbr": layer("Soldermask,Bot", dots(*PADS), polarity="Negative", pen=2.1),
    "legend.gbr": layer("Legend,Top", line((10, 10), (14, 10)), pen=0.2),
    "profile.gbr": layer("Profile,NP", frame(30, 20), pen=0.1),
    "holes.drl": drill(*PADS),
}


def job(**changed: Any) -> str:
    """An invented job file that fits the sound package; ``a__b`` changes ``a`` -> ``b``."""
    functions = {
        "top.gbr": "Copper,L1,Top",
        "bottom.gbr": "Copper,L2,Bot",
        "mask-top.gbr": "Soldermask,Top",
        "mask-bottom.gbr": "Soldermask,Bot",
        "legend.gbr": "Legend,Top",
        "profile.gbr": "Profile,NP",
        "holes.drl": "Plated,1,2,PTH",
    }
    made: dict[str, Any] = {
        "Header": {
            "GenerationSoftware": {"Vendor": "V", "Application": "A", "Version": "1"},
            "CreationDate": "2024-05-01T10:00:00+02:00",
        },
        "GeneralSpecs": {
            "ProjectId": {
                "Name": "sample",
                "GUID": "68753a44-4d6f-4226-9c60-0050e4c00067",
                "Revision": "b",
            },
            "Size": {"X": 30.0, "Y": 20.0},
            "LayerNumber": 2,
            "BoardThickness": 1.6,
            "Finish": "ENIG",
        },
        "FilesAttributes": [
            {
                "Path": path,
                "FileFunction": function,
                "FilePolarity": "Negative" if "mask" in path else "Positive",
            }
            for path, function in functions.items()
        ],
    }
    for path, value in changed.items():
        where = made
        *parents, last = path.split("__")
        for parent in parents:
            where = where[parent]
        where[last] = value
    return json.dumps(made, indent=1)


def jobbed(**changed: Any) -> Files:
    """The sound package with a job file."""
    return {"x.gbrjob": job(**changed)}


def entries(**changed: Any) -> list[dict[str, str]]:
    """The job file's list of files; a keyword changes one entry, None takes it out."""
    rows = json.loads(job())["FilesAttributes"]
    out = []
    for row in rows:
        key = row["Path"].partition(".")[0].replace("-", "_")
        change = changed.get(key, {})
        if change is not None:
            out.append({**row, **change})
    return out


def record(code: str, **columns: str) -> str:
    """A netlist record with texts put at columns counted from 1."""
    row = [" "] * 80
    row[:3] = code
    for key, text in columns.items():
        start = int(key[1:]) - 1
        row[start : start + len(text)] = text
    return "".join(row).rstrip()


def points(*spots: tuple[float, float]) -> tuple[str, ...]:
    """Records of drilled points, each on a net of its own: A, B, ..."""
    return tuple(
        record(
            "317",
            c4=chr(64 + n),
            c21="J1",
            c27=f"-{n}",
            c33=f"D1000PA00X+{round(1000 * x):06d}Y+{round(1000 * y):06d}X2000Y0000R000",
        )
        for n, (x, y) in enumerate(spots, 1)
    )


POINTS = points(*PADS)

LINK = ((14, 10), (17, 10))
LINKED = tuple(
    record("327", c4=net, c21="R1", c27=f"-{pin}", c39=f"A01X+{round(1000 * x):06d}Y+010000")
    for pin, net, x in ((1, "A", 14), (2, "B", 17))
)


def netlist(*records: str, units: str = "P  UNITS SI", end: str = "999") -> Files:
    """The sound package with a netlist."""
    rows = ["C  invented", units, *(records or POINTS), end]
    return {"board.ipc": "\r\n".join(row for row in rows if row) + "\r\n"}


def placement(*rows: str, head: str = "Ref,X (mm),Y (mm),Rotation,Side") -> Files:
    """The sound package with a placement table."""
    return {"positions.csv": "\n".join((head, *rows)) + "\n"}


def parts(*rows: str, head: str = "Designator,Quantity,Value") -> Files:
    """The sound package with a parts table."""
    return {"bom.csv": "\n".join((head, *rows)) + "\n"}


PLACED = ("J1,5,5,0,top", "J2,25,15,90,top", "J3,15,10,0,top")
WITHOUT: Files = {}


def attributed(text: str, *names: str) -> Files:
    """The sound package with an attribute in front of some layers."""
    return {name: f"%TF.{text}*%\n{SOUND[name]}" for name in names}


def painted_by(step: float) -> str:
    """Top copper with twenty parallel strokes of 0.2 mm."""
    strokes = "".join(line((8, 3 + n * step), (20, 3 + n * step)) for n in range(20))
    return layer("Copper,L1,Top", strokes, pen=0.2)


SCATTER = ((4, 4), (9, 5), (13.5, 3.5), (19, 6), (26, 4), (5, 14), (12, 16.5), (25, 15))
ELSEWHERE = ((3, 9.5), (7.3, 11), (11.6, 9.2), (16, 12.1), (21.4, 10), (27, 9.7), (18, 17))
SPREAD: Files = {
    "top.gbr": layer("Copper,L1,Top", dots(*SCATTER)),
    "bottom.gbr": layer("Copper,L2,Bot", dots(*SCATTER)),
    "holes.drl": drill(*SCATTER),
}
SCATTERED: Files = {
    "top.gbr": layer("Copper,L1,Top", dots(*SCATTER)),
    "bottom.gbr": layer("Copper,L2,Bot", dots(*SCATTER)),
    "holes.drl": drill(*SCATTER),
}


def hairpin(apart: float) -> str:
    """A track out and back, so far apart."""
    return line((8, 3), (20, 3), (20, 3 + apart), (8, 3 + apart))


def bone(neck: float) -> str:
    """A filled contour: two squares joined by a strip."""
    low, high = 10 - neck / 2, 10 + neck / 2
    return (
        "G36*\n"
        + line(
            *((8, 8), (12, 8), (12, low), (16, low), (16, 8), (20, 8)),
            *((20, 12), (16, 12), (16, high), (12, high), (12, 12), (8, 12), (8, 8)),
        )
        + "G37*\n"
    )


def attached(*nets: str) -> str:
    """The two pads as pads for parts, each on a net when one is named."""
    body = "%TA.AperFunction,ComponentPad*%\n%ADD11C,2.0*%\n%TD*%\nD11*\n"
    for net, at in zip(nets, PADS, strict=True):
        body += (f"%TO.N,{net}*%\n" if net else "%TD*%\n") + dots(at)
    return body


GUID = "68753a44-4d6f-4226-9c60-0050e4c00067"
NPTH = "NonPlated,1,2,NPTH"

CASES: dict[str, tuple[Files, Files]] = {
    # ------------------------------------------------------------------ the set
    "package/no-copper": ({"top.gbr": None, "bottom.gbr": None}, WITHOUT),
    "package/missing-copper": ({"bottom.gbr": None}, WITHOUT),
    "package/empty-layer": (
        {"top.gbr": layer("Copper,L1,Top", "%LPC*%\n" + dots(*PADS))},
        {},
    ),
    "package/missing-mask": ({"mask-top.gbr": None}, WITHOUT),
    "package/missing-profile": ({"profile.gbr": None}, WITHOUT),
    "package/missing-drill": ({"holes.drl": None}, WITHOUT),
    "package/no-legend": ({"legend.gbr": None}, WITHOUT),
    "package/doubled-role": (
        {"copy.gbr": layer("Copper,L1,Top", dots((5, 5)))},
        WITHOUT,
    ),
    "package/doubled-same": ({"copy.gbr": SOUND["top.gbr"]}, WITHOUT),
    "package/incomplete-file": ({"legend.gbr": "D10*X0Y0D02*X5Y5D01*M02*\n"}, WITHOUT),
    "package/name-disagrees": (
        {"bottom-copper.gbr": SOUND["top.gbr"], "top.gbr": None},
        {"top-copper.gbr": SOUND["top.gbr"], "top.gbr": None},
    ),
    "package/function-in-part": (
        {"legend-top.gbr": layer("", line((10, 10), (14, 10)), pen=0.2), "legend.gbr": None},
        WITHOUT,
    ),
    "gerber/file-function-missing": (
        {
            name: text.replace("%TF.FileFunction", "G04 ").replace("*%\n%TF.FileP", "*\n%TF.FileP")
            for name, text in SOUND.items()
            if name.endswith(".gbr")
        },
        WITHOUT,
    ),
    "package/polarity-missing": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS), polarity="")},
        WITHOUT,
    ),
    "package/same-coordinates-differ": (
        attributed("SameCoordinates,one", "top.gbr")
        | attributed("SameCoordinates,two", "bottom.gbr"),
        attributed("SameCoordinates,one", "top.gbr", "bottom.gbr"),
    ),
    "package/project-differs": (
        attributed(f"ProjectId,sample,{GUID},a", "top.gbr") | jobbed(),
        attributed(f"ProjectId,sample,{GUID},b", "top.gbr") | jobbed(),
    ),
    "package/dates-apart": (
        attributed("CreationDate,2024-04-01T10:00:00+02:00", "top.gbr") | jobbed(),
        attributed("CreationDate,2024-05-01T12:00:00+02:00", "top.gbr") | jobbed(),
    ),
    "package/copper-numbers": ({"bottom.gbr": layer("Copper,L4,Bot", dots(*PADS))}, WITHOUT),
    "package/drill-span": (
        {"holes.drl": drill(*PADS, function="Plated,1,4,PTH")},
        WITHOUT,
    ),
    "package/no-nets": (WITHOUT, netlist()),
    "package/drill-formats-differ": (
        {"bare.drl": drill((0.6, 0.4), size=0.04, function=NPTH, unit="INCH")},
        {"bare.drl": drill((15, 10), function=NPTH)},
    ),
    "package/layers-not-offered": (
        {f"inner-{n}.gbr": layer(f"Copper,L{n},Inr", dots(*PADS)) for n in (2, 3, 4, 5, 6, 7, 8)}
        | {"bottom.gbr": layer("Copper,L9,Bot", dots(*PADS))},
        WITHOUT,
    ),
    "package/file-out-of-place": (
        {"legend.gbr": layer("Legend,Top", line((210, 10), (214, 10)), pen=0.2)},
        WITHOUT,
    ),
    "package/file-much-larger": (
        {"legend.gbr": layer("Legend,Top", line((-90, 10), (120, 10)), pen=0.2)},
        WITHOUT,
    ),
    # ------------------------------------------------------------------ the job file
    "job/not-json": ({"x.gbrjob": job()[:-40]}, jobbed()),
    "job/key-missing": (jobbed(Header=None) | {"x.gbrjob": '{"GeneralSpecs": {}}'}, jobbed()),
    "job/key-twice": (
        {"x.gbrjob": job().replace('"LayerNumber": 2', '"LayerNumber": 2, "LayerNumber": 2')},
        jobbed(),
    ),
    "job/wrong-type": (jobbed(GeneralSpecs__LayerNumber="two"), jobbed()),
    "job/double-function": (
        jobbed(FilesAttributes=entries(legend={"FileFunction": "Copper,L1,Top"})),
        jobbed(),
    ),
    "job/copper-count": (jobbed(FilesAttributes=entries(bottom=None)), jobbed()),
    "job/thickness": (jobbed(GeneralSpecs__BoardThickness=16.0), jobbed()),
    "job/stackup-copper": (
        jobbed(MaterialStackup=[{"Type": "Copper"}]),
        jobbed(MaterialStackup=[{"Type": "Copper"}, {"Type": "Copper"}]),
    ),
    "job/stackup-sum": (
        jobbed(MaterialStackup=[{"Type": "Dielectric", "Thickness": 0.8}]),
        jobbed(MaterialStackup=[{"Type": "Dielectric", "Thickness": 1.55}]),
    ),
    "job/path-outside": (
        jobbed(FilesAttributes=entries(legend={"Path": "../legend.gbr"})),
        jobbed(),
    ),
    "job/finish-unknown": (jobbed(GeneralSpecs__Finish="stardust"), jobbed()),
    "job/finish-none": (jobbed(GeneralSpecs__Finish="None"), jobbed()),
    "job/file-missing": (
        jobbed(FilesAttributes=[*entries(), {"Path": "gone.gbr", "FileFunction": "Paste,Top"}]),
        jobbed(),
    ),
    "job/file-unlisted": (jobbed(FilesAttributes=entries(legend=None)), jobbed()),
    "job/function-differs": (
        jobbed(FilesAttributes=entries(legend={"FileFunction": "Legend,Bot"})),
        jobbed(),
    ),
    "job/polarity-differs": (
        jobbed(FilesAttributes=entries(mask_top={"FilePolarity": "Positive"})),
        jobbed(),
    ),
    "job/layer-count": (jobbed(GeneralSpecs__LayerNumber=4), jobbed()),
    "job/size-differs": (
        jobbed(GeneralSpecs__Size={"X": 31.0, "Y": 20.0}),
        # The pen of the outline may be included.
        jobbed(GeneralSpecs__Size={"X": 30.1, "Y": 20.1}),
    ),
    "job/rule-larger": (
        jobbed(DesignRules=[{"Layers": "Outer", "MinLineWidth": 0.5}])
        | {"top.gbr": layer("Copper,L1,Top", line((10, 10), (14, 10)), pen=0.4)},
        jobbed(DesignRules=[{"Layers": "Outer", "MinLineWidth": 0.4}])
        | {"top.gbr": layer("Copper,L1,Top", line((10, 10), (14, 10)), pen=0.4)},
    ),
    "job/castellated-differs": (
        jobbed(GeneralSpecs__Castellated=True),
        jobbed(GeneralSpecs__Castellated=False),
    ),
    "thickness/not-offered": (jobbed(GeneralSpecs__BoardThickness=3.7), jobbed()),
    # ------------------------------------------------------------------ the netlist
    "netlist/line-length": (netlist(POINTS[0].ljust(81, "x"), POINTS[1]), netlist()),
    "netlist/units": (netlist(units=""), netlist()),
    "netlist/unknown-code": (netlist(*POINTS, record("555", c4="A")), netlist()),
    "netlist/orphan-continuation": (
        netlist(record("017", c33="D1000PA00X+005000Y+005000"), *POINTS),
        netlist(),
    ),
    "netlist/long-name": (netlist(POINTS[0].replace("317A  ", "317A B"), POINTS[1]), netlist()),
    "netlist/no-end": (netlist(end=""), netlist()),
    "netlist/no-records": ({"board.ipc": "P  UNITS CUST 0\r\n999\r\n"}, netlist()),
    "netlist/after-end": (netlist(end="999\r\n" + POINTS[0]), netlist()),
    "netlist/layer-beyond": (
        netlist(*POINTS, record("327", c4="A", c21="J2", c27="-1", c39="A04X+005000Y+005000")),
        netlist(*POINTS, record("327", c4="A", c21="J2", c27="-1", c39="A02X+005000Y+005000")),
    ),
    "copper/pour-painted": (
        {"top.gbr": painted_by(0.18)},
        {"top.gbr": painted_by(0.4)},
    ),
    "net/netlist-part": (
        {**SPREAD, **netlist(*points(*SCATTER[:3], SCATTER[-1]))},
        {**SPREAD, **netlist(*points(*SCATTER))},
    ),
    "copper/pad-without-size": (
        {"bottom.gbr": layer("Copper,L2,Bot", dots(*PADS), pen=0)},
        # What only marks a bare hole needs no size.
        {
            "bottom.gbr": layer("Copper,L2,Bot", dots((15, 10)), pen=0),
            "bare.drl": drill((15, 10), function="NonPlated,1,2,NPTH"),
        },
    ),
    "net/netlist-point-lost": (
        netlist(*POINTS, record("327", c4="C", c21="J2", c27="-1", c39="A01X+015000Y+010000")),
        netlist(),
    ),
    "net/closed-jumper": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, *LINK) + line(*LINK))}
        | netlist(*POINTS, *LINKED),
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, *LINK))} | netlist(*POINTS, *LINKED),
    ),
    "net/netlist-hole": (netlist(POINTS[0].replace("D1000", "D0500"), POINTS[1]), netlist()),
    # ------------------------------------------------------------------ the tables
    "placement/bad-row": (placement("J1,5,x,0,top", *PLACED[1:]), placement(*PLACED)),
    "placement/cells": (placement('"J1,5,5,0,top', *PLACED[1:]), placement(*PLACED)),
    "placement/double-designator": (placement(*PLACED, "J1,6,6,0,top"), placement(*PLACED)),
    "placement/unit-assumed": (
        placement(*PLACED, head="Ref,X,Y,Rotation,Side"),
        placement(*PLACED),
    ),
    "placement/side-assumed": (
        placement(*(row.replace("top", "0") for row in PLACED)),
        placement(*PLACED),
    ),
    "placement/side-unknown": (
        placement(*(row.replace("top", "left") for row in PLACED)),
        placement(*PLACED),
    ),
    "board/placement-outside": (placement(*PLACED, "J9,500,500,0,top"), placement(*PLACED)),
    "partslist/cells": (parts("R1,1,10k,5%"), parts('R1,1,"10k,5%"')),
    "partslist/quantity": (parts('"R1,R2",3,10k'), parts('"R1,R2",2,10k')),
    "partslist/double-designator": (parts("R1,1,10k", "R1,1,22k"), parts("R1,1,10k")),
    "partslist/bad-row": (parts("R1,1,10k", ",,22k"), parts("R1,1,10k")),
    # ------------------------------------------------------------------ the outline
    "profile/gap": (
        {
            "profile.gbr": layer(
                "Profile,NP", line((0, 0), (30, 0), (30, 20), (0, 20), (0, 0.4)), pen=0.1
            )
        },
        WITHOUT,
    ),
    "profile/ends-apart": (
        {
            "profile.gbr": layer(
                "Profile,NP", line((0, 0), (30, 0), (30, 20), (0, 20), (0, 0.02)), pen=0.1
            )
        },
        WITHOUT,
    ),
    "profile/crossing": (
        {
            "profile.gbr": layer(
                "Profile,NP", line((0, 0), (30, 0), (30, 20), (5, -3), (0, 20), (0, 0)), pen=0.1
            )
        },
        WITHOUT,
    ),
    "profile/stray-lines": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + line((10, 10), (15, 12)), pen=0.1)},
        WITHOUT,
    ),
    "profile/doubled-lines": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) * 2, pen=0.1)},
        WITHOUT,
    ),
    "profile/flashes": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + dots((15, 10)), pen=0.1)},
        WITHOUT,
    ),
    "profile/not-closed": (
        {"profile.gbr": layer("Profile,NP", line((0, 0), (30, 0), (30, 20)), pen=0.1)},
        WITHOUT,
    ),
    "profile/several-boards": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(20, 20, x=40), pen=0.1)},
        WITHOUT,
    ),
    "profile/board-size": (
        {"profile.gbr": layer("Profile,NP", frame(900, 20), pen=0.1)},
        WITHOUT,
    ),
    "profile/routed-cut-out": (
        {
            "rout.drl": drill(
                function=NPTH,
                body="G00X13.0Y8.0\nM15\nG01X17.0\nG01Y12.0\nG01X13.0\nG01Y8.0\nM16\n",
            )
        },
        WITHOUT,
    ),
    # ------------------------------------------------------------------ the holes
    "board/holes-given-twice": ({"again.drl": SOUND["holes.drl"]}, WITHOUT),
    "board/plated-and-not": ({"bare.drl": drill((5, 5), function=NPTH)}, WITHOUT),
    "board/hole-size-unknown": (
        {"holes.drl": SOUND["holes.drl"].replace("T1C1.000", "T1")},
        WITHOUT,
    ),
    "board/plating-inferred": ({"holes.drl": drill(*PADS, function="")}, WITHOUT),
    "drill/plating-from-name": (
        {"plated.drl": drill(*PADS, function=""), "holes.drl": None},
        WITHOUT,
    ),
    "hole/outside-board": ({"holes.drl": drill(*PADS, (45, 10))}, WITHOUT),
    "hole/plated-too-small": ({"holes.drl": drill(*PADS, size=0.05)}, WITHOUT),
    "hole/non-plated-too-small": ({"bare.drl": drill((15, 10), size=0.05, function=NPTH)}, WITHOUT),
    "hole/too-large": ({"bare.drl": drill((15, 10), size=9.0, function=NPTH)}, WITHOUT),
    "hole/odd-size": ({"holes.drl": drill(*PADS, size=1.03)}, WITHOUT),
    "hole/missing": ({"holes.drl": drill(PADS[0])}, WITHOUT),
    "hole/ring-thin": ({"holes.drl": drill(*PADS, size=1.9)}, WITHOUT),
    "hole/ring-broken": ({"holes.drl": drill((5.7, 5), (25, 15))}, WITHOUT),
    "hole/plated-without-copper": ({"holes.drl": drill(*PADS, (15, 10))}, WITHOUT),
    "hole/wall-thin": (
        {"bare.drl": drill((15, 10), (16.1, 10), function=NPTH)},
        {"bare.drl": drill((15, 10), (17, 10), function=NPTH)},
    ),
    "hole/duplicate": ({"holes.drl": drill(*PADS, (5, 5))}, WITHOUT),
    "hole/edge-near": (
        {"bare.drl": drill((0.6, 10), function=NPTH)},
        {"bare.drl": drill((5, 10), function=NPTH)},
    ),
    "hole/crosses-edge": (
        {"bare.drl": drill((0.1, 10), function=NPTH)},
        {"bare.drl": drill((5, 10), function=NPTH)},
    ),
    "hole/copper-near-bare": (
        {"bare.drl": drill((6.55, 5), function=NPTH)},
        {"bare.drl": drill((10, 5), function=NPTH)},
    ),
    "hole/slot-too-short": (
        {"slot.drl": drill(function=NPTH, body="X15.0Y10.0G85X15.5Y10.0\n")},
        {"slot.drl": drill(function=NPTH, body="X15.0Y10.0G85X17.5Y10.0\n")},
    ),
    "hole/slot-too-narrow": (
        {"slot.drl": drill(function=NPTH, size=0.2, body="X15.0Y10.0G85X17.5Y10.0\n")},
        {"slot.drl": drill(function=NPTH, body="X15.0Y10.0G85X17.5Y10.0\n")},
    ),
    # ------------------------------------------------------------------ copper, mask, legend
    "copper/track-narrow": (
        {"top.gbr": layer("Copper,L1,Top", line((5, 5), (25, 15)), pen=0.05)},
        {"top.gbr": layer("Copper,L1,Top", line((5, 5), (25, 15)), pen=0.3)},
    ),
    "copper/gap-small": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (7.05, 5)))},
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (7.5, 5)))},
    ),
    "copper/edge-near": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (15, 1.17)))},
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (15, 1.5)))},
    ),
    "copper/edge-cut": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (15, 0.5)))},
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS, (15, 1.5)))},
    ),
    "mask/opening-missing": (
        {"mask-top.gbr": layer("Soldermask,Top", dots((5, 5)), polarity="Negative", pen=2.1)},
        WITHOUT,
    ),
    "mask/opening-small": (
        {"mask-top.gbr": layer("Soldermask,Top", dots(*PADS), polarity="Negative", pen=1.5)},
        WITHOUT,
    ),
    "mask/paste-off-pad": (
        {"paste.gbr": layer("Paste,Top", dots((15, 10)))},
        {"paste.gbr": layer("Paste,Top", dots((5, 5)))},
    ),
    "legend/line-thin": (
        {"legend.gbr": layer("Legend,Top", line((10, 10), (14, 10)), pen=0.05)},
        WITHOUT,
    ),
    "legend/off-board": (
        {"legend.gbr": layer("Legend,Top", line((28, 10), (34, 10)), pen=0.2)},
        WITHOUT,
    ),
    "legend/on-copper": (
        {"legend.gbr": layer("Legend,Top", line((3, 5), (7, 5)), pen=0.2)},
        WITHOUT,
    ),
    "net/open": (
        {
            "top.gbr": layer(
                "Copper,L1,Top",
                "%TO.N,A*%\n%TO.P,J1,1*%\n" + dots((5, 5)) + "%TO.P,J1,2*%\n" + dots((25, 15)),
            ),
        },
        {
            "top.gbr": layer(
                "Copper,L1,Top",
                "%TO.N,A*%\n%TO.P,J1,1*%\n"
                + dots((5, 5))
                + "%TO.P,J1,2*%\n"
                + dots((25, 15))
                + line(*PADS),
            ),
        },
    ),
    "net/short": (
        {
            "top.gbr": layer(
                "Copper,L1,Top",
                "%TO.N,A*%\n%TO.P,J1,1*%\n"
                + dots((5, 5))
                + "%TO.N,B*%\n%TO.P,J1,2*%\n"
                + dots((25, 15))
                + "%TD*%\n"
                + line(*PADS),
            ),
        },
        {
            "top.gbr": layer(
                "Copper,L1,Top",
                "%TO.N,A*%\n%TO.P,J1,1*%\n"
                + dots((5, 5))
                + "%TO.N,B*%\n%TO.P,J1,2*%\n"
                + dots((25, 15)),
            ),
        },
    ),
    # ------------------------------------------------------------------ more of the board
    "package/unknown-role": (
        {"zzz.gbr": layer("", line((3, 3), (4, 9), (14, 2)), polarity="")},
        WITHOUT,
    ),
    "profile/cut-too-narrow": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(5, 0.5, 12, 8), pen=0.1)},
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(5, 3.0, 12, 8), pen=0.1)},
    ),
    "profile/strip-thin": (
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(5, 5, 12, 0.6), pen=0.1)},
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(5, 5, 12, 8), pen=0.1)},
    ),
    "profile/price-tier": (
        {"profile.gbr": layer("Profile,NP", frame(101, 20), pen=0.1)},
        WITHOUT,
    ),
    "hole/many-tools": (
        {
            f"bare-{n}.drl": drill(
                (10 + n % 10 * 1.5, 2 + n // 10 * 3), size=0.5 + n / 20, function=NPTH
            )
            for n in range(40)
        },
        WITHOUT,
    ),
    "hole/pad-missing": ({"top.gbr": layer("Copper,L1,Top", dots((5, 5)))}, WITHOUT),
    "hole/overlap": (
        {"holes.drl": drill(*PADS, (5.6, 5))},
        WITHOUT,
    ),
    "hole/joined": (
        {"bare.drl": drill((15, 10), (15.6, 10), function=NPTH)},
        {"bare.drl": drill((15, 10), (18, 10), function=NPTH)},
    ),
    "copper/outside": ({"top.gbr": layer("Copper,L1,Top", dots(*PADS, (35, 10)))}, WITHOUT),
    "copper/lonely-pad": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS) + line((5, 5), (15, 5)))},
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS) + line(*PADS))},
    ),
    "mask/opening-tight": (
        {"mask-top.gbr": layer("Soldermask,Top", dots(*PADS), polarity="Negative", pen=2.01)},
        WITHOUT,
    ),
    "mask/paste-on-hole": (
        {"paste.gbr": layer("Paste,Top", dots((5, 5)))},
        WITHOUT,
    ),
    "net/netlist-open": (netlist(POINTS[0], POINTS[1].replace("317B", "317A")), netlist()),
    "thickness/differs-from-job": (jobbed(GeneralSpecs__BoardThickness=0.8), jobbed()),
    # ------------------------------------------------------------------ what needs its own board
    "package/copper-order-unknown": (
        {f"inner-{n}.gbr": layer("", dots(*PADS)) for n in ("power", "signal")}
        | {"bottom.gbr": layer("Copper,L4,Bot", dots(*PADS))},
        {f"inner-copper-{n}.gbr": layer(f"Copper,L{n},Inr", dots(*PADS)) for n in (2, 3)}
        | {"bottom.gbr": layer("Copper,L4,Bot", dots(*PADS))},
    ),
    "profile/lettering": (
        {
            "profile.gbr": layer(
                "Profile,NP",
                frame(30, 20)
                + frame(1, 1.5, 14, 10)
                + "".join(line((16 + n, 10), (16.5 + n, 11.5)) for n in range(6)),
                pen=0.1,
            )
        },
        {"profile.gbr": layer("Profile,NP", frame(30, 20) + frame(1, 1.5, 14, 10), pen=0.1)},
    ),
    "register/no-fit": (
        SCATTERED | {"holes.drl": drill(*ELSEWHERE)},
        SCATTERED,
    ),
    "register/off-profile": (
        {"top.gbr": layer("Copper,L1,Top", dots((105, 5), (125, 15)))},
        WITHOUT,
    ),
    "copper/gap-within-net": (
        {"top.gbr": layer("Copper,L1,Top", hairpin(0.25), pen=0.2)},
        {"top.gbr": layer("Copper,L1,Top", hairpin(1.2), pen=0.2)},
    ),
    "copper/neck-narrow": (
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS) + bone(0.11))},
        {"top.gbr": layer("Copper,L1,Top", dots(*PADS) + bone(0.3))},
    ),
    "copper/current": (
        {"top.gbr": layer("Copper,L1,Top", "%TO.N,VBUS*%\n" + line(*PADS), pen=0.1)},
        {"top.gbr": layer("Copper,L1,Top", "%TO.N,VBUS*%\n" + line(*PADS), pen=0.3)},
    ),
    "net/pad-without-net": (
        {"top.gbr": layer("Copper,L1,Top", attached("A", ""))},
        {"top.gbr": layer("Copper,L1,Top", attached("A", "B"))},
    ),
    "net/netlist-shifted": (
        SCATTERED | netlist(*points(*((x, y + 40) for x, y in SCATTER))),
        SCATTERED | netlist(*points(*SCATTER)),
    ),
}

OPTIONS: dict[str, dict[str, float]] = {"thickness/differs-from-job": {"thickness_mm": 1.6}}
"""What was chosen for the order, where that is what the rule is about."""
