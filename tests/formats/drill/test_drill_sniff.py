"""Drill files are known by their lines; what only talks about drilling is not one."""

from __future__ import annotations

import pytest

from fabkit.formats.drill.reader import looks_like_drill

DRILL = {
    "with header": "M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y1.0\nM30\n",
    "header and no hit": "M48\n; comment\nFMAT,2\nINCH\n%\nG90\nG05\nT0\nM30\n",
    "percent before the header": "%\nM48\nM72\nT01C0.0150\n%\nT01\nX10956Y9038\nM30\n",
    "no header": "%\nT1C.04F139S55\nX003611Y0014\nX003611Y0192\nM30\n",
    "no header, no tool": ";LEADER: 12\n%\nG90\nX1830000Y1506250\nR3X002540\nM00\nX1Y1\nM30\n",
    "machine program": "M48\r\nINCH,LZ\r\nVER,1\r\nT1C.04\r\n%\r\nT1\r\nX01Y01\r\nM30\r\n",
    "no header, no hole": "%\nM30\n",
    "no header, no hole, set up": "%\r\nG90\r\nT1C0.8\r\nM30\r\n",
    "rout": "G81\nM48\nINCH\nT1C000.02500\n%\nT001\nG00X0Y0\nM15\nG01X1Y1\nM17\nM30\n",
}

OTHER = {
    "empty": "",
    "gerber": "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1*%\nD10*\nX0Y0D03*\nM02*\n",
    "gerber drill layer": "%TF.FileFunction,Plated,1,2,PTH,Drill*%\nG04 x*\nX1Y1D03*\nM02*\n",
    "placement": "Designator,X,Y,Rotation\nR1,10.0,20.0,90\nR2,11.0,20.0,90\n",
    "log": "NC DRILL Log\nFORMAT 2.5\nTool 1: 0.3 mm, 112 holes\nM48 written\n",
    "report": 'Drill report\nT1 0.30mm 0.0118" (120 holes)\nT2 1.00mm (33 holes)\nTotal 153\n',
    "readme": "# Board\nSend M48 files and METRIC drills to the house.\n%\n",
    "percent sign": "%\n",
    "end of a program": "M30\n",
    "tool list": "T1 0.3\nT2 0.5\n",
    "milling program": "G21\nG90\nG0 Z5.000\nG0 X10.0 Y10.0\nG1 Z-1.0 F100\nG1 X20 F300\nM5\nM30\n",
    "binary": "\x00\x05\x16\x07\x00\x02\x00\x00Mac OS X\x00\x00M48\n\x00\x00",
}


@pytest.mark.parametrize("kind", sorted(DRILL))
def test_drill_files(kind: str) -> None:
    """Drill files of every style are recognised."""
    assert looks_like_drill(DRILL[kind].encode()) > 0.8


@pytest.mark.parametrize("kind", sorted(OTHER))
def test_other_files(kind: str) -> None:
    """Everything else is not."""
    assert looks_like_drill(OTHER[kind].encode()) < 0.2
