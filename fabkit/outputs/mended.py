"""Mended sets: the zip, its record, what the terminal prints, and the page with the proof."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from fabkit.base.tables import Record
from fabkit.base.units import counted, format_number
from fabkit.compare.boards import compare_boards
from fabkit.mending.model import LayerProof, Mended, load_corrections
from fabkit.outputs.atomic import write_archive
from fabkit.outputs.comparison import compare_record
from fabkit.outputs.formats import to_document
from fabkit.outputs.pack import refuse_difference
from fabkit.outputs.records import board_record, finding_record
from fabkit.outputs.report.board_view import compare_section
from fabkit.outputs.report.shell import render_page
from fabkit.outputs.terminal import Terminal

CAUTION: Final = (
    "A mended file is still to be looked at by its designer: mend the layout, too, or the next"
    " export has the same faults."
)


def write_mended(mended: Mended, target: Path | str, *, replace: bool = False) -> None:
    """Write the mended set as a zip, read it back, and only then give it its name.

    Raises
    ------
    OutputRefused
        It exists, cannot be written, or does not read back as the same board.
    """

    def verify(part: Path) -> None:
        refuse_difference(mended.after, part, hint="Nothing was kept; please report this.")

    write_archive(Path(target), mended.files, verify=verify, replace=replace)


def mended_record(mended: Mended) -> Record:
    """Record what was done, what was not, and what is proved."""
    known = load_corrections()
    return {
        "board": board_record(mended.after),
        "summary": summary(mended),
        "caution": CAUTION,
        "corrections": [
            {
                "id": deed.correction,
                "title": known[deed.correction].title,
                "why_safe": known[deed.correction].safe,
                "proof": known[deed.correction].proof,
                "file": deed.file or None,
                "text": deed.words,
                "count": deed.count,
                "places_mm": [list(place) for place in deed.places],
            }
            for deed in mended.deeds
        ],
        "not_made": [
            {
                "id": left.correction,
                "title": known[left.correction].title,
                "file": left.file or None,
                "reason": left.reason,
            }
            for left in mended.left
        ],
        "nothing_to_do": list(mended.idle),
        "files": [
            {"before": before, "after": after} for before, after in sorted(mended.names.items())
        ],
        "proof": {
            "layers": [_layer(layer) for layer in mended.layers],
            "holes": len(mended.after.holes),
            "slots": len(mended.after.hole_shapes) - len(mended.after.holes),
            "pads_joined_as_before": mended.pads,
            "findings_gone": [finding_record(f) for f in mended.ended],
            "findings_same": mended.findings.same,
            "now_judged": list(mended.now_judged),
        },
    }


def _layer(layer: LayerProof) -> Record:
    return {
        "name": layer.layer,
        "before": layer.before,
        "after": layer.after,
        "added_mm2": layer.added_mm2,
        "removed_mm2": layer.removed_mm2,
        "elsewhere_mm2": layer.elsewhere_mm2,
        "boxes_mm": [list(box) for box in layer.places()],
    }


def summary(mended: Mended) -> str:
    """Say in a sentence what became of the set."""
    gone = len({f.id for f in mended.ended})
    made = counted(len({d.correction for d in mended.deeds}), "correction")
    if not gone:
        return f"{made}; the findings are the same as before"
    return f"{made}; {counted(gone, 'kind')} of finding {'is' if gone == 1 else 'are'} gone"


def _grouped(entries: Sequence[Record], key: str) -> list[Record]:
    """Entries by correction, with what each file has of it."""
    groups: dict[str, Record] = {}
    for entry in entries:
        group = groups.setdefault(entry["id"], {**entry, "lines": []})
        group["lines"].append(f"{entry['file']}: {entry[key]}" if entry["file"] else entry[key])
    return list(groups.values())


def _shortly(lines: Sequence[str]) -> str:
    rest = len(lines) - 1
    return lines[0] + (f"; and {rest} more of the kind" if rest else "")


def print_mended(console: Terminal, record: Record) -> None:
    """Print what was done, what was not, and what is proved."""
    for made in _grouped(record["corrections"], "text"):
        console.print(f"- {made['title']}: {_shortly(made['lines'])} [{made['id']}]")
    for left in _grouped(record["not_made"], "reason"):
        words = f"{left['title'].lower()}: {_shortly(left['lines'])}"
        console.print(f"- not made: {words} [{left['id']}]", style="yellow")
    for name in record["nothing_to_do"]:
        title = load_corrections()[name].title.lower()
        console.print(f"- nothing to correct: {title} [{name}]", style="dim")
    console.print("\nproved", style="bold")
    for line in proof_lines(record["proof"]):
        console.print(f"  {line}")
    console.print(f"\n{record['summary']}", style="bold")
    console.print(record["caution"], style="dim")


def proof_lines(proof: Record) -> list[str]:
    """Say what was compared and found to be the same, or different where it was meant."""
    lines = []
    for layer in proof["layers"]:
        if layer["added_mm2"] or layer["removed_mm2"]:
            parts = [
                f"{format_number(area, digits=2 if area >= 1 else 4)} mm² {word}"
                for area, word in (
                    (layer["added_mm2"], "added"),
                    (layer["removed_mm2"], "taken away"),
                )
                if area
            ]
            lines.append(f"{layer['name']}: {', '.join(parts)}, nothing elsewhere")
    same = sum(not (layer["added_mm2"] or layer["removed_mm2"]) for layer in proof["layers"])
    lines.append(f"{counted(same, 'layer')} with the same image")
    cuts = f"{counted(proof['holes'], 'hole')} and {counted(proof['slots'], 'slot')}"
    lines.append(f"{cuts} with place, size and plating as before")
    lines.append(f"{counted(proof['pads_joined_as_before'], 'pad')} joined as before")
    gone = sorted({finding["id"] for finding in proof["findings_gone"]})
    if gone:
        lines.append(f"no longer found: {', '.join(gone)}")
    lines.append("no new finding")
    if proof["now_judged"]:
        rules = ", ".join(proof["now_judged"])
        lines[-1] += f", but now that files state what they are, what they draw shows: {rules}"
    return lines


def deed_lines(mended: Mended) -> tuple[str, ...]:
    """Say what was done in each file, one line each, for the readme of a zip."""
    return tuple(
        f"{mended.names.get(deed.file, deed.file) or 'all files'}: {deed.words}"
        for deed in mended.deeds
    )


def mended_files(mended: Mended) -> dict[str, bytes]:
    """Files about what was mended: name to bytes."""
    return {
        "mended.json": to_document("mend", mended_record(mended)).encode(),
        "mended.html": render_mended_page(mended).encode(),
    }


def render_mended_page(mended: Mended) -> str:
    """Write what was done, and before, after and difference of each face, as one HTML page."""
    comparison = compare_boards(mended.before, mended.after)
    record = mended_record(mended)
    return render_page(
        "mended.html.j2",
        ("wipe.js", "compare.js"),
        mended=record,
        corrections=_grouped(record["corrections"], "text"),
        left=_grouped(record["not_made"], "reason"),
        idle=[(name, load_corrections()[name].title) for name in mended.idle],
        proof=proof_lines(record["proof"]),
        compared={
            **compare_section(comparison, compare_record(comparison)),
            "old": "as given",
            "new": "mended",
        },
    )
