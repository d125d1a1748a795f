"""The smallest whole package: an invented board of 30 x 20 mm with two plated holes."""

from __future__ import annotations


def layer(function: str, body: str, polarity: str = "Positive") -> bytes:
    """A layer file in millimetres with six decimals."""
    text = (
        f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,{polarity}*%\n"
        f"%FSLAX46Y46*%\n%MOMM*%\nG01*\n{body}M02*\n"
    )
    return text.encode()


def pads(diameter: float, net: str = "") -> str:
    """Two round pads at (5, 5) and (25, 15), each on a net when one is named."""
    first, second = (f"%TO.N,{net}{i}*%\n" if net else "" for i in (1, 2))
    return (
        f"%ADD10C,{diameter}*%\nD10*\n{first}X5000000Y5000000D03*\n{second}X25000000Y15000000D03*\n"
    )


TRACK = "%ADD11C,0.3*%\nD11*\nX5000000Y5000000D02*\nX5000000Y15000000D01*\n"
OUTLINE = (
    "%ADD10C,0.1*%\nD10*\nX0Y0D02*\nX30000000Y0D01*\nX30000000Y20000000D01*\n"
    "X0Y20000000D01*\nX0Y0D01*\n"
)
FILES: dict[str, bytes] = {
    "tiny-copper-top.gbr": layer("Copper,L1,Top", pads(2, "N") + TRACK),
    "tiny-copper-bottom.gbr": layer("Copper,L2,Bot", pads(2, "N")),
    "tiny-mask-top.gbr": layer("Soldermask,Top", pads(2.1), "Negative"),
    "tiny-mask-bottom.gbr": layer("Soldermask,Bot", pads(2.1), "Negative"),
    "tiny-legend-top.gbr": layer("Legend,Top", TRACK.replace("X5", "X15")),
    "tiny-profile.gbr": layer("Profile,NP", OUTLINE),
    "tiny-plated.drl": (
        b"M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C1.000\n%\nG05\nT1\n"
        b"X5.0Y5.0\nX25.0Y15.0\nM30\n"
    ),
    "tiny-netlist.ipc": (
        b"C  tiny\nP  UNITS CUST 1\n"
        b"317N1               J1    -1    D1000PA00X+005000Y+005000X2000Y0000R000S0\n"
        b"317N2               J1    -2    D1000PA00X+025000Y+015000X2000Y0000R000S0\n999\n"
    ),
    "tiny-placement.csv": b"Ref,Value,Package,PosX,PosY,Rot,Side\nJ1,two pins,header,5,5,0,top\n",
    "tiny-job.gbrjob": (
        b'{"Header":{"GenerationSoftware":{"Vendor":"none","Application":"by hand"}},'
        b'"GeneralSpecs":{"Size":{"X":30,"Y":20},"LayerNumber":2,"BoardThickness":1.6},'
        b'"FilesAttributes":[{"Path":"tiny-copper-top.gbr","FileFunction":"Copper,L1,Top"}]}'
    ),
}
"""Member name to content; nothing here is damaged."""
