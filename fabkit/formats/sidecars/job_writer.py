"""Write Gerber job files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

from fabkit.base.version import SOFTWARE
from fabkit.formats.sidecars.model import JobFile

GENERATED_BY: Final = dict(zip(("Vendor", "Application", "Version"), SOFTWARE, strict=True))
"""What wrote a job file, as its header states it."""


def write_job(job: JobFile) -> bytes:
    """Write a job file: what ``raw`` holds, with the other fields put over it.

    Parameters
    ----------
    job
        As read, or as made; a field of None states nothing and takes nothing away.  Members that
        the older shape keeps under ``Overall`` are written under ``GeneralSpecs``.

    Returns
    -------
    UTF-8 JSON with lengths in mm.  The same fields give the same bytes.
    """
    raw = {key: value for key, value in job.raw.items() if key != "Overall"}
    specs = dict(_member(job.raw, "Overall")) | dict(_member(job.raw, "GeneralSpecs"))
    specs.pop("Name", None)
    project = _project(job, specs)
    if project:
        specs["ProjectId"] = project
    if job.size_mm is not None:
        specs["Size"] = {"X": _plain(job.size_mm[0]), "Y": _plain(job.size_mm[1])}
    if job.layers is not None:
        specs["LayerNumber"] = job.layers
    if job.thickness_mm is not None:
        specs["BoardThickness"] = _plain(job.thickness_mm)
    if job.finish is not None:
        specs["Finish"] = job.finish
    out: dict[str, Any] = {"Header": raw.pop("Header", {}), "GeneralSpecs": specs}
    rows = {"DesignRules": job.design_rules, "MaterialStackup": job.stackup}
    out["FilesAttributes"] = [
        {"Path": entry.path, "FileFunction": ",".join(entry.function)}
        | ({"FilePolarity": entry.polarity} if entry.polarity else {})
        for entry in job.files
    ]
    out |= {key: [dict(row) for row in value] for key, value in rows.items() if value}
    out |= {key: value for key, value in raw.items() if key not in out and key not in rows}
    return (json.dumps(out, indent=1, ensure_ascii=False) + "\n").encode()


def _member(raw: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    part = raw.get(key)
    return part if isinstance(part, dict) else {}


def _project(job: JobFile, specs: Mapping[str, Any]) -> dict[str, Any]:
    project = dict(_member(specs, "ProjectId"))
    if job.project is not None:
        project["Name"] = job.project
    if job.revision is not None:
        project["Revision"] = job.revision
    return project


def _plain(value: float) -> float | int:
    """Write 1.0 as 1 and no more digits than a nanometre needs."""
    rounded = round(value, 6)
    return int(rounded) if rounded == int(rounded) else rounded
