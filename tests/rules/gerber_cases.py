"""The smallest layer file that breaks each rule, next to the smallest that keeps it.

Sections are of the Gerber Layer Format Specification 2021.02; see each rule's source.
"""

from __future__ import annotations

HEAD = "%FSLAX46Y46*%\n%MOMM*%\nG75*\nG01*\n"
C1 = "%ADD10C,1*%\nD10*\n"
FLASH = "X0Y0D03*\n"
LINE = "X0Y0D02*\nX9000000Y0D01*\n"
SQUARE = "X0Y0D02*\nX1000000Y0D01*\nX1000000Y1000000D01*\nX0Y1000000D01*\nX0Y0D01*\n"


def layer(body: str, *, head: str = HEAD, end: str = "M02*\n") -> bytes:
    """A whole file around ``body``."""
    return (head + body + end).encode()


SOUND = layer(C1 + FLASH)


def macro(body: str, call: str = "A") -> bytes:
    """A file with one macro, called once."""
    return layer(f"%AMA*{body}*%\n%ADD10{call}*%\nD10*\n{FLASH}")


def stated(text: str, body: str = C1 + FLASH) -> bytes:
    """A file with an attribute in front of its objects."""
    return layer(f"%{text}*%\n{body}")


def region(*commands: str) -> bytes:
    """A file with one region."""
    return layer("G36*\n" + "".join(commands) + "G37*\n")


def arc(words: str, mode: str = "G03") -> bytes:
    """A file with one arc from the origin."""
    return layer(f"{C1}X0Y0D02*\n{mode}*\n{words}D01*\n")


def pad(function: str, objects: str, more: str = "") -> bytes:
    """A file whose tool has a function."""
    return layer(f"%TA.AperFunction,{function}*%\n{C1}{more}{objects}")


def function(text: str, body: str = C1 + FLASH, polarity: str = "Positive") -> bytes:
    """A file that says which layer it is."""
    return layer(f"%TF.FileFunction,{text}*%\n%TF.FilePolarity,{polarity}*%\n{body}")


HALF = "X4000000Y0I2000000J0"
PIN = "%TO.P,U1,1*%\n"

CASES: dict[str, tuple[bytes, bytes]] = {
    "no-apertures": (b"D10*X0Y0D02*X5Y5D01*M02*", SOUND),
    "not-a-layer": (b"hello world", SOUND),
    "byte-order-mark": (b"\xef\xbb\xbf" + SOUND, SOUND),
    "stray-text": (layer(C1 + FLASH + "*\n"), SOUND),
    "stray-space": (layer(C1 + "X0 Y0D03*\n"), SOUND),
    "stray-character": (layer(C1 + "X0Y0\x01D03*\n"), SOUND),
    "unbalanced-percent": (layer("%ADD10C,1*\n%ADD11C,1*%\nD10*\n" + FLASH), SOUND),
    "unknown-command": (layer("%XX1*%\n" + C1 + FLASH), SOUND),
    "several-commands": (layer("%LPD*LMN*%\n"), layer("%LPD*%\n%LMN*%\n")),
    "code-spelling": (layer(C1 + "X0Y0D3*\n"), SOUND),
    "word-order": (layer(C1 + "Y0X0D03*\n"), SOUND),
    "combined-word": (layer(C1 + "X0Y0D02*\nG01X9Y0D01*\n"), layer(C1 + "X0Y0D02*\nX9Y0D01*\n")),
    "no-end": (layer(C1 + FLASH, end=""), SOUND),
    "text-after-end": (SOUND + b"X9Y9D03*\n", SOUND + b"\n"),
    "old-end": (layer(C1 + FLASH, end="M00*\n"), SOUND),
    "end-inside": (
        layer(C1 + "%SRX2Y1I5J0*%\n" + FLASH),
        layer(C1 + "%SRX2Y1I5J0*%\n" + FLASH + "%SR*%\n"),
    ),
    "format-missing": (layer(C1 + FLASH, head="%MOMM*%\n"), SOUND),
    "format-wrong": (layer(C1 + FLASH, head=HEAD.replace("FSLA", "FSDA")), SOUND),
    "format-repeated": (layer("%FSLAX25Y25*%\n" + C1 + FLASH), SOUND),
    "format-late": (
        layer(C1 + FLASH + "%FSLAX46Y46*%\n%MOMM*%\n", head="G75*\nG01*\n"),
        SOUND,
    ),
    "trailing-zeros": (layer(C1 + FLASH, head=HEAD.replace("FSLA", "FSTA")), SOUND),
    "incremental": (layer(C1 + FLASH, head=HEAD.replace("FSLA", "FSLI")), SOUND),
    "low-resolution": (
        layer(C1 + FLASH, head=HEAD.replace("46", "43")),
        layer(C1 + FLASH, head=HEAD.replace("46", "45")),
    ),
    "unit-missing": (layer(C1 + FLASH, head="%FSLAX46Y46*%\n"), SOUND),
    "unit-by-g-code": (layer(C1 + FLASH, head=HEAD.replace("%MOMM*%", "G71*")), SOUND),
    "unit-conflict": (layer("%MOIN*%\n" + C1 + FLASH), SOUND),
    "unit-after-sizes": (
        layer("D10*\n" + FLASH, head="%FSLAX46Y46*%\n%ADD10C,1*%\n%MOMM*%\nG01*\n"),
        SOUND,
    ),
    "inch-unit": (layer(C1 + FLASH, head=HEAD.replace("MOMM", "MOIN")), SOUND),
    "number-width": (
        layer(C1 + "X99999999999Y0D03*\n"),
        layer(C1 + "X9999999999Y0D03*\n"),
    ),
    "number-range": (layer(C1 + "X99999999999Y0D03*\n"), layer(C1 + "X2147483647Y0D03*\n")),
    "number-wrong": (layer("%ADD10C,1.2.3*%\n"), layer("%ADD10C,1.2*%\n")),
    "coordinate-empty": (layer(C1 + "XY0D03*\n"), SOUND),
    "coordinate-decimal": (layer(C1 + "X1.5Y0D03*\n"), SOUND),
    "axes-differ": (layer(C1 + FLASH, head=HEAD.replace("Y46", "Y45")), SOUND),
    "operation-undefined": (layer(FLASH), SOUND),
    "point-undefined": (layer(C1 + "D03*\n"), SOUND),
    "mode-undefined": (layer(C1 + LINE, head=HEAD.replace("G01*\n", "")), layer(C1 + LINE)),
    "modal-operation": (layer(C1 + LINE + "X0Y9*\n"), layer(C1 + LINE + "X0Y9D01*\n")),
    "bare-coordinates": (layer(C1 + FLASH + "X5Y5*\n"), layer(C1 + FLASH + "X5Y5D03*\n")),
    "aperture-undefined": (layer("D10*\n" + FLASH), SOUND),
    "aperture-code": (layer("D05*\n" + C1 + FLASH), SOUND),
    "aperture-twice": (layer("%ADD10C,2*%\n" + C1 + FLASH), layer("%ADD11C,2*%\n" + C1 + FLASH)),
    "aperture-repeated": (
        layer("%ADD10C,1*%\n" + C1 + FLASH),
        layer("%ADD11C,1*%\n" + C1 + FLASH),
    ),
    "deprecated-code": (
        layer("%ADD10C,1*%\nG54D10*\n" + FLASH),
        SOUND,
    ),
    "deprecated-name": (layer("%INboard*%\n" + C1 + FLASH), SOUND),
    "image-default": (layer("%IPPOS*%\n" + C1 + FLASH), SOUND),
    "image-changed": (layer("%IR90*%\n" + C1 + FLASH), layer("%IR0*%\n" + C1 + FLASH)),
    "image-negative": (layer("%IPNEG*%\n" + C1 + FLASH), layer("%IPPOS*%\n" + C1 + FLASH)),
    "aperture-wrong": (layer("%ADD10*%\n"), SOUND),
    "parameter-count": (layer("%ADD10R,1*%\n"), layer("%ADD10R,1X1*%\n")),
    "size-zero": (layer("%ADD10R,0X1*%\n"), layer("%ADD10C,0*%\n")),
    "hole-outside": (layer("%ADD10C,1X1*%\n"), layer("%ADD10C,1X0.9*%\n")),
    "hole-zero": (layer("%ADD10C,1X0*%\n"), layer("%ADD10C,1X0.1*%\n")),
    "hole-rectangular": (layer("%ADD10C,1X0.2X0.3*%\n"), layer("%ADD10C,1X0.2*%\n")),
    "vertices": (layer("%ADD10P,1X2*%\n"), layer("%ADD10P,1X3*%\n")),
    "macro-unknown": (layer("%ADD10NONE*%\n"), macro("1,1,1,0,0")),
    "macro-twice": (
        layer("%AMA*1,1,1,0,0*%\n%AMA*1,1,2,0,0*%\n"),
        layer("%AMA*1,1,1,0,0*%\n%AMB*1,1,2,0,0*%\n"),
    ),
    "macro-empty": (layer("%AMA*%\n%ADD10A*%\n"), macro("1,1,1,0,0")),
    "macro-primitive": (macro("1,2,1,0,0"), macro("1,1,1,0,0")),
    "macro-expression": (macro("1,1,1/0,0,0"), macro("1,1,1/2,0,0")),
    "macro-spelling": (macro("1, 1,1,0,0,"), macro("1,1,1,0,0")),
    "macro-multiply": (macro("1,1,2X2,0,0"), macro("1,1,2x2,0,0")),
    "macro-variable": (macro("$1=2*1,1,$1,0,0", "A,1"), macro("$2=2*1,1,$2,0,0", "A,1")),
    "macro-variable-unset": (macro("1,1,$2,0,0", "A,1"), macro("1,1,$1,0,0", "A,1")),
    "macro-deprecated": (
        macro("2,1,0.1,0,0,1,0,0"),
        macro("20,1,0.1,0,0,1,0,0"),
    ),
    "macro-outline": (
        macro("4,1,3,0,0,1,0,1,1,0,1,0"),
        macro("4,1,3,0,0,1,0,1,1,0,0,0"),
    ),
    "stroke-tool": (layer("%ADD10P,1X6*%\nD10*\n" + LINE), layer(C1 + LINE)),
    "stroke-rectangle": (layer("%ADD10R,1X1*%\nD10*\n" + LINE), layer(C1 + LINE)),
    "stroke-point": (layer(C1 + "X0Y0D02*\nX0Y0D01*\n"), layer(C1 + LINE)),
    "arc-without-g75": (
        layer(f"{C1}X0Y0D02*\nG03*\n{HALF}D01*\n", head=HEAD.replace("G75*\n", "")),
        arc(HALF),
    ),
    "arc-single-quadrant": (
        layer(f"G74*\n{C1}X0Y0D02*\nG02*\nX1000000Y-1000000I0J1000000D01*\n"),
        arc("X1000000Y-1000000I0J-1000000", "G02"),
    ),
    "arc-no-centre": (arc("X4000000Y0"), arc(HALF)),
    "arc-half-centre": (arc("X4000000Y0I2000000"), arc(HALF)),
    "arc-deviation": (arc("X4000000Y0I2000100J0"), arc(HALF)),
    "arc-broken": (arc("X4000000Y0I2500000J0"), arc(HALF)),
    "arc-straight": (arc("X4000000Y0I-1000000J0"), arc(HALF)),
    "arc-point": (arc("X0Y0I0J0"), arc("X0Y0I1000000J0")),
    "arc-tiny": (arc("X1Y1000I-9000000J0"), arc(HALF)),
    "offset-unused": (layer(C1 + "X0Y0D02*\nX9Y0I3J3D01*\n"), layer(C1 + LINE)),
    "load-wrong": (layer("%LPX*%\n"), layer("%LPC*%\n")),
    "scale-wrong": (layer("%LS0*%\n"), layer("%LS0.5*%\n")),
    "block-unbalanced": (layer("%AB*%\n"), layer("%ABD10*%\n%AB*%\n")),
    "repeat-unbalanced": (layer("%SR*%\n"), layer("%SRX2Y1I5J0*%\n%SR*%\n")),
    "repeat-nested": (
        layer(C1 + "%ABD20*%\n%SRX2Y1I5J0*%\n" + FLASH + "%SR*%\n%AB*%\n"),
        layer(C1 + "%ABD20*%\n" + FLASH + "%AB*%\n%SRX2Y1I5J0*%\nD20*\n" + FLASH + "%SR*%\n"),
    ),
    "repeat-wrong": (
        layer(C1 + "%SRX2Y1I-5J0*%\n" + FLASH + "%SR*%\n"),
        layer(C1 + "%SRX2Y1I5J0*%\n" + FLASH + "%SR*%\n"),
    ),
    "region-unbalanced": (layer("G37*\n"), region(SQUARE)),
    "region-command": (region(C1, SQUARE), region(SQUARE)),
    "region-no-start": (
        layer("X0Y0D02*\nG36*\n" + SQUARE.partition("\n")[2] + "G37*\n"),
        region(SQUARE),
    ),
    "region-empty": (region("X0Y0D02*\n"), region(SQUARE)),
    "contour-open": (region(SQUARE.rpartition("X0Y0")[0]), region(SQUARE)),
    "contour-invalid": (
        region("X0Y0D02*\nX2000Y2000D01*\nX2000Y0D01*\nX0Y2000D01*\nX0Y0D01*\n"),
        region(SQUARE),
    ),
    "contour-point": (region(SQUARE, "X0Y0D01*\n"), region(SQUARE)),
    "attribute-name": (stated("TA1bad,x"), stated("TAgood,x")),
    "attribute-repeated": (
        stated("TF.Part,Single*%\n%TF.Part,Array"),
        stated("TF.Part,Single"),
    ),
    "attribute-kind": (stated("TFmine,1*%\n%TAmine,1"), stated("TFmine,1*%\n%TAyours,1")),
    "attribute-escape": (stated("TOa,\\q"), stated("TOa,\\u00B5")),
    "attribute-delete": (stated("TDnever"), stated("TAmine,1*%\n%TDmine")),
    "file-function": (stated("TF.FileFunction,Copper"), function("Copper,L1,Top")),
    "file-polarity": (stated("TF.FilePolarity,Dark"), stated("TF.FilePolarity,Positive")),
    "standard-attribute": (stated("TA.DrillTolerance,a,b"), stated("TA.DrillTolerance,0.1,0.1")),
    "unknown-attribute": (stated("TF.Mine,1"), stated("TFMine,1")),
    "attribute-place": (layer(C1 + FLASH + "%TF.Part,Single*%\n"), stated("TF.Part,Single")),
    "deprecated-function": (
        stated("TA.AperFunction,CutOut"),
        stated("TA.AperFunction,Conductor"),
    ),
    "checksum": (
        layer(C1 + FLASH + "%TF.MD5,00000000000000000000000000000000*%\n"),
        # Computed by an independent tool over the bytes in front, line ends left out (5.6.9).
        b"%FSLAX26Y26*%%MOMM*%%ADD10C,1*%D10*X0Y0D03*%TF.MD5,34f66cbdddf464b9a4bdeac36cdbb11d*%M02*",
    ),
    "pin-not-flashed": (layer(C1 + PIN + LINE), layer(C1 + PIN + FLASH)),
    "pin-on-via": (pad("ViaPad", FLASH, PIN), pad("ComponentPad", FLASH, PIN)),
    "pad-painted": (pad("ViaPad", LINE), pad("ViaPad", FLASH)),
    "pad-region": (
        layer("%TA.AperFunction,SMDPad,CuDef*%\nG36*\n" + SQUARE + "G37*\n"),
        layer("%TA.AperFunction,Conductor*%\nG36*\n" + SQUARE + "G37*\n"),
    ),
    "drawing-in-data": (
        function("Copper,L1,Top", "%TA.AperFunction,NonMaterial*%\n" + C1 + LINE),
        function("Copper,L1,Top", "%TA.AperFunction,Conductor*%\n" + C1 + LINE),
    ),
    "negative-copper": (
        function("Copper,L1,Top", polarity="Negative"),
        function("Copper,L1,Top"),
    ),
    "positive-mask": (
        function("Soldermask,Top"),
        function("Soldermask,Top", polarity="Negative"),
    ),
    "negative-drill": (
        function("NonPlated,1,2,NPTH", polarity="Negative"),
        function("NonPlated,1,2,NPTH"),
    ),
    "drill-shape": (
        function("Plated,1,2,PTH", "%ADD10R,1X1*%\nD10*\n" + FLASH),
        function("Plated,1,2,PTH"),
    ),
    "drill-clear": (
        function("Plated,1,2,PTH", C1 + FLASH + "%LPC*%\n" + FLASH),
        function("Plated,1,2,PTH"),
    ),
    "profile-content": (function("Profile,NP"), function("Profile,NP", C1 + LINE)),
    "component-aperture": (
        layer("%TA.AperFunction,ComponentMain*%\n%ADD10C,0.5*%\n"),
        layer("%TA.AperFunction,ComponentMain*%\n%ADD10C,0.3*%\n"),
    ),
    "component-data": (
        layer("%TA.AperFunction,ComponentMain*%\n%ADD10C,0.3*%\nD10*\n" + FLASH),
        layer("%TA.AperFunction,ComponentMain*%\n%ADD10C,0.3*%\n%TO.C,R1*%\nD10*\n" + FLASH),
    ),
    "net-missing": (
        function("Copper,L1,Top", C1 + FLASH + "%TO.N,A*%\n" + FLASH),
        function("Copper,L1,Top", C1 + "%TO.N,A*%\n" + FLASH),
    ),
    "several-nets": (
        function("Copper,L1,Top", C1 + "%TO.N,A,B*%\n" + FLASH),
        function("Copper,L1,Top", C1 + "%TO.N,A*%\n" + FLASH + "%TO.N,B*%\n" + FLASH),
    ),
}
