"""Gerber job files, read and written; the older shape keeps everything under ``Overall``."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from fabkit.base import SOFTWARE
from fabkit.base.findings import ProblemLog
from fabkit.base.units import and_words, counted, format_mm
from fabkit.formats.sidecars.model import JobFile, JobFileEntry
from fabkit.rules import load_rule

JOB_NOT_JSON: Final = load_rule("job/not-json")
JOB_KEY_MISSING: Final = load_rule("job/key-missing")
JOB_KEY_TWICE: Final = load_rule("job/key-twice")
JOB_WRONG_TYPE: Final = load_rule("job/wrong-type")
JOB_DOUBLE_FUNCTION: Final = load_rule("job/double-function")
JOB_COPPER_COUNT: Final = load_rule("job/copper-count")
JOB_THICKNESS: Final = load_rule("job/thickness")
JOB_STACKUP_COPPER: Final = load_rule("job/stackup-copper")
JOB_STACKUP_SUM: Final = load_rule("job/stackup-sum")
JOB_PATH: Final = load_rule("job/path-outside")
JOB_FINISH: Final = load_rule("job/finish-unknown")

_MARKS: Final = (b'"FilesAttributes"', b'"GeneralSpecs"', b'"Overall"', b'"MaterialStackup"')
_FINISHES: Final = re.compile(
    r"^(|none|(lf |pb-?free )?(hal|hasl)\b.*|enig|enepig|.*immersion (gold|tin|silver|nickel)"
    r"( gold)?|hard gold|(ht_?)?osp|user defined)$"
)
_THICKNESS_MM: Final = (0.2, 6.4)
"""Boards outside this range are hardly made (common practice)."""
_SUM_SHARE: Final = 0.10
_SUM_MM: Final = 0.1
"""Thickness sums may be off by a tenth, or by this, whichever is more (our rule)."""


NONE: Final = "left out: what it states of thickness, layers and finish is not used"
"""What a job file that cannot be read costs."""


def looks_like_job(data: bytes) -> bool:
    """Check whether the bytes are JSON with at least one member only job files have."""
    head = data[:3].removeprefix(b"\xef\xbb\xbf") + data[3:4096]
    return head.lstrip().startswith(b"{") and any(mark in data for mark in _MARKS)


def read_job(data: bytes, *, name: str) -> JobFile:
    """Read a job file; never raises on content."""
    log = ProblemLog(name)
    raw = _parse(data, log)
    specs = _part(raw, "GeneralSpecs") or _part(raw, "Overall")
    reader = _Specs(specs, log)
    project, revision = _project(specs)
    size = _part(specs, "Size")
    width, height = _Specs(size, log).positive("X"), _Specs(size, log).positive("Y")
    count = reader.positive("LayerNumber")
    if count is not None and count != int(count):
        log.add(JOB_WRONG_TYPE, f"LayerNumber is {count}, not a whole number")
        count = None
    job = JobFile(
        name=name,
        project=project,
        revision=revision,
        size_mm=(width, height) if width is not None and height is not None else None,
        layers=int(count) if count is not None else None,
        thickness_mm=reader.positive("BoardThickness"),
        finish=reader.text("Finish"),
        files=_entries(raw, log),
        design_rules=_rows(raw, "DesignRules", log),
        stackup=_rows(raw, "MaterialStackup", log),
        raw=raw,
    )
    if raw:
        _check(job, log)
    return replace(job, problems=log.freeze(data))


def _parse(data: bytes, log: ProblemLog) -> Mapping[str, Any]:
    twice: list[str] = []

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) < len(pairs):
            twice.extend(key for key, times in Counter(k for k, _ in pairs).items() if times > 1)
        return made

    try:
        raw = json.loads(data.decode("utf-8-sig", errors="replace"), object_pairs_hook=unique)
    except (ValueError, RecursionError) as error:
        where = error.pos if isinstance(error, json.JSONDecodeError) else None
        said = error.msg[:80] if isinstance(error, json.JSONDecodeError) else "too deep"
        log.add(JOB_NOT_JSON, f"the job file is no valid JSON ({said})", offset=where, assumed=NONE)
        return {}
    for key in dict.fromkeys(twice):
        log.add(JOB_KEY_TWICE, f"{key[:40]!r} twice", assumed="the last one is taken")
    if not isinstance(raw, dict):
        kind = type(raw).__name__
        log.add(JOB_NOT_JSON, f"the root of the job file is a {kind}, not an object", assumed=NONE)
        return {}
    return raw


def _part(raw: Mapping[str, Any], key: str) -> dict[str, Any]:
    part = raw.get(key)
    return part if isinstance(part, dict) else {}


def _rows(raw: Mapping[str, Any], key: str, log: ProblemLog) -> tuple[Mapping[str, Any], ...]:
    rows = raw.get(key, [])
    if not isinstance(rows, list):
        log.add(JOB_WRONG_TYPE, f"{key} is not a list")
        return ()
    kept = tuple(row for row in rows if isinstance(row, dict))
    if len(kept) < len(rows):
        left = len(rows) - len(kept)
        log.add(JOB_WRONG_TYPE, f"an entry of {key} is not an object", count=left)
    return kept


def _project(specs: Mapping[str, Any]) -> tuple[str | None, str | None]:
    ident = specs.get("ProjectId", _part(specs, "Name").get("ProjectId"))
    if isinstance(ident, str):
        return ident or None, None
    if not isinstance(ident, dict):
        return None, None
    # Exporters that know no revision write "rev?", which is none.
    name, revision = ident.get("Name"), ident.get("Revision")
    return (
        name if isinstance(name, str) and name else None,
        revision if isinstance(revision, str) and revision not in ("", "rev?") else None,
    )


class _Specs:
    """Numbers and words of one member, with complaints about wrong ones."""

    def __init__(self, part: Mapping[str, Any], log: ProblemLog) -> None:
        self._part = part
        self._log = log

    def positive(self, key: str) -> float | None:
        value = self._part.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
            self._log.add(JOB_WRONG_TYPE, f"{key} is {str(value)[:40]!r}")
            return None
        return float(value)

    def text(self, key: str) -> str | None:
        value = self._part.get(key)
        if value is None or isinstance(value, str):
            return value
        self._log.add(JOB_WRONG_TYPE, f"{key} is {str(value)[:40]!r}")
        return None


def _entries(raw: Mapping[str, Any], log: ProblemLog) -> tuple[JobFileEntry, ...]:
    entries = []
    for row in _rows(raw, "FilesAttributes", log):
        path, function = row.get("Path"), row.get("FileFunction")
        polarity = _Specs(row, log).text("FilePolarity")
        if not isinstance(path, str) or not path:
            log.add(JOB_KEY_MISSING, "an entry of FilesAttributes has no Path")
            continue
        if not isinstance(function, str) or not function:
            log.add(JOB_KEY_MISSING, f"the entry of {path[:60]} has no FileFunction")
            function = ""
        path = path.replace("\\", "/")
        if path.startswith("/") or path[1:2] == ":" or ".." in path.split("/"):
            log.add(JOB_PATH, f"the path {path[:80]} leads out of the data set")
        fields = tuple(field.strip() for field in function.split(",")) if function else ()
        entries.append(JobFileEntry(path=path, function=fields, polarity=polarity))
    return tuple(entries)


def _check(job: JobFile, log: ProblemLog) -> None:
    missing = [key for key in ("Header", "GeneralSpecs", "FilesAttributes") if key not in job.raw]
    if missing:
        log.add(JOB_KEY_MISSING, f"{and_words(missing)} missing")
    lacking = [
        word
        for word, value in (
            ("board size", job.size_mm),
            ("layer number", job.layers),
            ("board thickness", job.thickness_mm),
        )
        if value is None
    ]
    if lacking:
        log.add(JOB_KEY_MISSING, f"no {and_words(lacking)} stated")
    functions = Counter(",".join(entry.function).lower() for entry in job.files if entry.function)
    for function, times in functions.items():
        if times > 1:
            log.add(JOB_DOUBLE_FUNCTION, f"{times} entries are {function}")
    _check_copper(job, log)
    low, high = _THICKNESS_MM
    if job.thickness_mm is not None and not low <= job.thickness_mm <= high:
        log.add(JOB_THICKNESS, f"the board is stated {format_mm(job.thickness_mm)} thick")
    if job.finish is not None and not _FINISHES.match(job.finish.strip().lower()):
        log.add(JOB_FINISH, f"the finish is {job.finish[:40]!r}")
    _check_stackup(job, log)


def _check_copper(job: JobFile, log: ProblemLog) -> None:
    numbers = [
        int(entry.function[1][1:])
        for entry in job.files
        if len(entry.function) > 1
        and entry.function[0].lower() == "copper"
        and re.fullmatch(r"[Ll]\d{1,4}", entry.function[1])
    ]
    if not numbers or job.layers is None:
        return
    if len(numbers) != job.layers:
        log.add(
            JOB_COPPER_COUNT,
            f"{counted(len(numbers), 'copper file')} listed for {counted(job.layers, 'layer')}",
        )
    elif sorted(numbers) != list(range(1, len(numbers) + 1)):
        listed = ", ".join(f"L{n}" for n in sorted(numbers))
        log.add(JOB_COPPER_COUNT, f"the copper files are numbered {listed}")


def _check_stackup(job: JobFile, log: ProblemLog) -> None:
    kinds = [str(row.get("Type", "")).lower() for row in job.stackup]
    copper = kinds.count("copper")
    if copper and job.layers is not None and copper != job.layers:
        log.add(JOB_STACKUP_COPPER, f"the stack-up has {copper} copper layers of {job.layers}")
    body = [
        row.get("Thickness")
        for row, kind in zip(job.stackup, kinds, strict=True)
        if kind in ("copper", "dielectric")
    ]
    heights = [h for h in body if isinstance(h, int | float) and not isinstance(h, bool)]
    if not body or len(heights) != len(body) or job.thickness_mm is None:
        return
    total = float(sum(heights))
    if abs(total - job.thickness_mm) > max(_SUM_SHARE * job.thickness_mm, _SUM_MM):
        log.add(
            JOB_STACKUP_SUM,
            f"the stack-up adds up to {format_mm(total)}, the board is "
            f"{format_mm(job.thickness_mm)}",
        )


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
    specs = dict(_part(job.raw, "Overall")) | dict(_part(job.raw, "GeneralSpecs"))
    specs.pop("Name", None)
    project = _part(specs, "ProjectId") | _stated(Name=job.project, Revision=job.revision)
    specs |= {"ProjectId": project} if project else {}
    specs |= _stated(
        Size=job.size_mm and dict(zip("XY", map(_plain, job.size_mm), strict=True)),
        LayerNumber=job.layers,
        BoardThickness=job.thickness_mm and _plain(job.thickness_mm),
        Finish=job.finish,
    )
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


def _stated(**values: object) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _plain(value: float) -> float | int:
    """Write 1.0 as 1 and no more digits than a nanometre needs."""
    rounded = round(value, 6)
    return int(rounded) if rounded == int(rounded) else rounded
