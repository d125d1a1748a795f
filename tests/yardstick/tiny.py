"""A tiny invented board, written out by hand so that every kind has something to plant in."""

from __future__ import annotations

import json

from yardstick.parcel import Parcel

HEAD = (
    "%TF.CreationDate,2031-01-02T03:04:05+00:00*%\n"
    "%TF.ProjectId,Tiny,11111111-2222-4333-8444-555555555555,1*%\n"
)
KEYS = [(8.0 + 6 * n, 35.0) for n in range(8)]
"""Middle holes of keys, bare, 3 mm wide, opened on both faces."""
ROW = [(5.0, 8 + 2.54 * n, f"N{n + 1}") for n in range(4)]
"""A row of plated holes, J1."""
VIAS = [(20.0, 8.0, "N1"), (30.0, 8.0, "N1")]
SURFACE = [
    *[(f"SW{n + 1}", "1", 8.0 + 6 * n, 28.0, f"N{n % 4 + 1}") for n in range(6)],
    ("D1", "1", 20.0, 18.0, "N2"),
    ("D1", "2", 23.0, 18.0, "N3"),
    ("BT1", "1", 52.0, 24.0, "BATT"),
    ("BT1", "2", 56.0, 24.0, "GND"),
]
"""Surface pads of both faces: part, pin, x, y, net."""


def _at(x: float, y: float, code: str) -> str:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}{code}*\n"


def _film(function: str, body: str) -> str:
    return (
        f"{HEAD}%TF.FileFunction,{function}*%\n%FSLAX46Y46*%\n%MOMM*%\n%LPD*%\nG75*\nG01*\n"
        f"{body}M02*\n"
    )


def _line(*points: tuple[float, float]) -> str:
    return "".join(_at(x, y, "D01" if n else "D02") for n, (x, y) in enumerate(points))


def _pads() -> str:
    """Pads of one outer face."""
    body = "%ADD10C,1.7*%\n%ADD11C,0.6*%\n%ADD12R,1.5X1.2*%\n%ADD13C,0.25*%\n%ADD14O,3.5X2.0*%\n"
    body += "D10*\n"
    for n, (x, y, net) in enumerate(ROW):
        body += f"%TO.P,J1,{n + 1}*%\n%TO.N,{net}*%\n" + _at(x, y, "D03")
    body += "%TD.P*%\nD11*\n" + "".join(f"%TO.N,{net}*%\n" + _at(x, y, "D03") for x, y, net in VIAS)
    body += "D12*\n"
    for part, pin, x, y, net in SURFACE:
        body += f"%TO.P,{part},{pin}*%\n%TO.N,{net}*%\n" + _at(x, y, "D03")
    return body + "%TD.P*%\n%TO.N,GND*%\nD14*\n" + _at(46, 20, "D03")


def _top() -> str:
    tracks = _line((5, 8), (20, 8)) + _line((20, 18), (12, 18), (5, 10.54))
    return _pads() + "%TO.N,N1*%\nD13*\n" + tracks + "%TD*%\n"


def _bottom() -> str:
    pour = "G36*\n" + _line((40, 2), (58, 2), (58, 14), (40, 14), (40, 2)) + "G37*\n"
    foreign = "D11*\n%TO.N,N4*%\n" + _at(38.5, 8, "D03")
    track = "%TO.N,N1*%\nD13*\n" + _line((20, 8), (30, 8))
    return _pads() + "%TO.N,GND*%\n" + pour + foreign + track + "%TD*%\n"


def _inner(x: float) -> str:
    return "%ADD10C,0.3*%\nD10*\n" + _line((x, 5), (x, 15))


def _mask(shift: float) -> str:
    body = "%ADD10C,1.8*%\n%ADD12R,1.6X1.3*%\n%ADD14C,3.2*%\n%ADD15O,3.6X2.1*%\n"
    body += "D10*\n" + "".join(_at(x, y, "D03") for x, y, _ in ROW)
    body += "D12*\n" + "".join(_at(x, y, "D03") for _, _, x, y, _ in SURFACE)
    body += "D14*\n" + "".join(_at(x, y, "D03") for x, y in KEYS)
    return body + "D15*\n" + _at(46, 20, "D03") + _at(35 + shift, 12, "D03")


def _paste(shift: float) -> str:
    body = "%ADD12R,1.4X1.1*%\nD12*\n" + "".join(_at(x, y, "D03") for _, _, x, y, _ in SURFACE)
    return body + _at(35 + shift, 12, "D03")


def _legend(x: float) -> str:
    letter = _line((x, 20), (x, 23), (x + 2, 23), (x + 2, 21.5), (x, 21.5))
    return "%ADD10C,0.15*%\nD10*\n" + letter


def _drill(kind: str, tools: list[float], hits: list[tuple[int, str]]) -> str:
    table = "".join(f"T{n + 1}C{size:.3f}\n" for n, size in enumerate(tools))
    body = ""
    for n in range(len(tools)):
        body += f"T{n + 1}\n" + "".join(f"{text}\n" for tool, text in hits if tool == n + 1)
    return f"M48\n; #@! TF.FileFunction,{kind}\nMETRIC\n{table}%\nG05\n{body}M30\n"


def _spot(x: float, y: float) -> str:
    return f"X{x:.3f}Y{y:.3f}"


def _netlist() -> str:
    lines = ["P  UNITS CUST 1"]
    for n, (x, y, net) in enumerate(ROW):
        lines.append(_record("317", net, "J1", str(n + 1), x, y))
    for part, pin, x, y, net in SURFACE:
        lines.append(_record("327", net, part, pin, x, y))
    return "\n".join([*lines, "999"]) + "\n"


def _record(code: str, net: str, part: str, pin: str, x: float, y: float) -> str:
    place = f"X{round(x * 1000):+07d}Y{round(y * 1000):+07d}"
    return f"{code}{net:<14}   {part:<6}-{pin:<4} D1000PA00{place}X0000Y0000R000S0"


def tiny() -> Parcel:
    """The package."""
    edge = "%ADD10C,0.1*%\nD10*\n" + _line((0, 0), (60, 0), (60, 40), (3, 40), (0, 37), (0, 0))
    layers = {
        "tiny-top.gbr": ("Copper,L1,Top", _top()),
        "tiny-inner-1.gbr": ("Copper,L2,Inr", _inner(33)),
        "tiny-inner-2.gbr": ("Copper,L3,Inr", _inner(36)),
        "tiny-bottom.gbr": ("Copper,L4,Bot", _bottom()),
        "tiny-mask-top.gbr": ("Soldermask,Top", _mask(0)),
        "tiny-mask-bottom.gbr": ("Soldermask,Bot", _mask(2)),
        "tiny-paste-top.gbr": ("Paste,Top", _paste(0)),
        "tiny-paste-bottom.gbr": ("Paste,Bot", _paste(2)),
        "tiny-legend-top.gbr": ("Legend,Top", _legend(12)),
        "tiny-legend-bottom.gbr": ("Legend,Bot", _legend(40)),
        "tiny-profile.gbr": ("Profile,NP", edge),
    }
    files = {name: _film(*layer).encode() for name, layer in layers.items()}
    plated = [(1, _spot(x, y)) for x, y, _ in ROW] + [(2, _spot(x, y)) for x, y, _ in VIAS]
    plated += [(3, f"{_spot(45, 20)}G85{_spot(47, 20)}")]
    files["tiny-plated.drl"] = _drill("Plated,1,4,PTH", [1.0, 0.3, 1.1], plated).encode()
    bare = [(1, _spot(x, y)) for x, y in KEYS]
    files["tiny-bare.drl"] = _drill("NonPlated,1,4,NPTH", [3.0], bare).encode()
    files["tiny.ipc"] = _netlist().encode()
    job = {
        "GeneralSpecs": {"Size": {"X": 60, "Y": 40}, "LayerNumber": 4, "BoardThickness": 1.6},
        "FilesAttributes": [
            {"Path": name, "FileFunction": function} for name, (function, _) in layers.items()
        ],
    }
    files["tiny-job.gbrjob"] = json.dumps(job).encode()
    rows = [f"{p}{n},{x:.3f},{y:.3f},0.0,top" for n, (p, _, x, y, _) in enumerate(SURFACE)]
    files["tiny-places.csv"] = "\n".join(["Part,X,Y,Rotation,Side", *rows, ""]).encode()
    return Parcel("tiny", files)
