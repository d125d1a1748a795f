"""The job file as it goes into the zip: its list names the files that are there, no others."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any


def fit_job(data: bytes, packed: Mapping[str, str]) -> bytes:
    """Shorten a job file's list of files to those that are packed, under their packed names.

    A board house's software that reads the job file would otherwise miss the files that are not
    for it (component layers, netlist).  A job file that needs no change, or is no JSON object with
    a list of files, stays as it is, byte for byte.

    Parameters
    ----------
    data
        The job file.
    packed
        Name in the package, relative to the job file, to name in the archive.
    """
    try:
        job: Any = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return data
    listed = job.get("FilesAttributes") if isinstance(job, dict) else None
    if not isinstance(listed, list):
        return data
    kept = []
    for entry in listed:
        path = entry.get("Path") if isinstance(entry, dict) else None
        if not isinstance(path, str):
            continue
        name = packed.get(PurePosixPath(path.replace("\\", "/")).as_posix())
        if name is not None:
            kept.append({**entry, "Path": name})
    if kept == listed:
        return data
    return (json.dumps({**job, "FilesAttributes": kept}, indent=1) + "\n").encode()
