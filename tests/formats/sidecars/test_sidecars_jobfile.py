"""Job files: what is read and what is found wrong in the file alone."""

from __future__ import annotations

import json
from typing import Any

import pytest

from fabkit.formats.sidecars.jobfile import looks_like_job, read_job


def job(**changed: Any) -> dict[str, Any]:
    """An invented job file of a two-layer board; keys as in published job files."""
    made: dict[str, Any] = {
        "Header": {
            "GenerationSoftware": {"Vendor": "V", "Application": "A", "Version": "1"},
            "CreationDate": "2024-05-01T10:00:00+02:00",
        },
        "GeneralSpecs": {
            "ProjectId": {"Name": "sample", "GUID": "g", "Revision": "b"},
            "Size": {"X": 30.0, "Y": 20.0},
            "LayerNumber": 2,
            "BoardThickness": 1.6,
            "Finish": "ENIG",
        },
        "FilesAttributes": [
            {"Path": "t.gbr", "FileFunction": "Copper,L1,Top", "FilePolarity": "Positive"},
            {"Path": "b.gbr", "FileFunction": "Copper,L2,Bot", "FilePolarity": "Positive"},
            {"Path": "m.gbr", "FileFunction": "SolderMask,Top", "FilePolarity": "Negative"},
        ],
    }
    for path, value in changed.items():
        where = made
        *parents, last = path.split("__")
        for parent in parents:
            where = where[parent]
        where[last] = value
    return made


def read(made: Any) -> tuple[Any, list[str]]:
    """Read it; the result and the rule ids found."""
    result = read_job(json.dumps(made).encode(), name="x.gbrjob")
    return result, [problem.id for problem in result.problems]


def test_good_job_file_is_silent() -> None:
    """All values arrive, nothing is found wrong."""
    result, found = read(job())

    assert found == []
    assert (result.project, result.revision, result.finish) == ("sample", "b", "ENIG")
    assert (result.size_mm, result.layers, result.thickness_mm) == ((30.0, 20.0), 2, 1.6)
    assert result.files[1].function == ("Copper", "L2", "Bot")
    assert result.files[2].polarity == "Negative"


def test_older_shape_is_understood() -> None:
    """Sizes under Overall, with the project's name as plain text, are read; the lack is told."""
    result, found = read(
        {
            "Header": {},
            "Overall": {
                "BoardThickness": 1.57,
                "LayerNumber": 2,
                "Name": {"ProjectId": "sample"},
                "Size": {"X": 25.5, "Y": 10.25},
            },
        }
    )

    assert (result.project, result.size_mm) == ("sample", (25.5, 10.25))
    assert (result.layers, result.thickness_mm) == (2, 1.57)
    assert found == ["job/key-missing"]


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"GeneralSpecs__LayerNumber": 4}, "job/copper-count"),
        ({"GeneralSpecs__LayerNumber": -2}, "job/wrong-type"),
        ({"GeneralSpecs__LayerNumber": True}, "job/wrong-type"),
        ({"GeneralSpecs__BoardThickness": "1.6"}, "job/wrong-type"),
        ({"GeneralSpecs__BoardThickness": 63}, "job/thickness"),
        ({"GeneralSpecs__Size": {"X": 0, "Y": 1}}, "job/wrong-type"),
        ({"GeneralSpecs__Finish": "glitter"}, "job/finish-unknown"),
        ({"FilesAttributes": "none"}, "job/wrong-type"),
        (
            {"FilesAttributes": [{"Path": "/x/t.gbr", "FileFunction": "Copper,L1,Top"}]},
            "job/path-outside",
        ),
        (
            {"FilesAttributes": [{"Path": "../t.gbr", "FileFunction": "Copper,L1,Top"}]},
            "job/path-outside",
        ),
        (
            {"FilesAttributes": [{"Path": p, "FileFunction": "Legend,Top"} for p in "ab"]},
            "job/double-function",
        ),
        ({"MaterialStackup": [{"Type": "Copper"}] * 3}, "job/stackup-copper"),
        (
            {
                "MaterialStackup": [
                    {"Type": "Copper", "Thickness": 0.035},
                    {"Type": "Dielectric", "Thickness": 0.8},
                    {"Type": "Copper", "Thickness": 0.035},
                ]
            },
            "job/stackup-sum",
        ),
    ],
)
def test_each_rule_fires(changed: dict[str, Any], rule: str) -> None:
    """One planted fault, one rule."""
    _, found = read(job(**changed))

    assert rule in found


def test_stackup_that_adds_up_is_silent() -> None:
    """0.035 + 1.51 + 0.035 = 1.58 mm is within a tenth of 1.6 mm."""
    layers = [("Copper", 0.035), ("Dielectric", 1.51), ("Copper", 0.035)]
    _, found = read(job(MaterialStackup=[{"Type": t, "Thickness": h} for t, h in layers]))

    assert found == []


@pytest.mark.parametrize("data", [b"", b"{", b"[1]", b"\xff\xfe\x00", b"[" * 100_000, b"null"])
def test_what_is_no_job_file_is_told(data: bytes) -> None:
    """Anything else gives the one finding that it is no job file."""
    result = read_job(data, name="x")

    assert [problem.id for problem in result.problems] == ["job/not-json"]
    assert not looks_like_job(data)


def test_sniffing() -> None:
    """Job files are told by their members, with or without a byte-order mark."""
    data = json.dumps(job()).encode()

    assert looks_like_job(data)
    assert looks_like_job(b"\xef\xbb\xbf  " + data)
    assert not looks_like_job(b'{"name": "other"}')
