"""The verdict as Markdown, for a pull request or a project's notes."""

from __future__ import annotations

from typing import Any

from fabkit.base.findings import times
from fabkit.outputs.tables import markdown_text
from fabkit.outputs.terminal import board_counts

Record = dict[str, Any]


def verdict_markdown(check: Record) -> str:
    """Verdict, findings worst first with places and remedies, silenced ones, blind spots.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    """
    board = check["board"]
    size = f"{board['width_mm']:.2f} × {board['height_mm']:.2f} mm"
    lines = [
        f"# {markdown_text(board['name'])}: {markdown_text(check['verdict'])}",
        "",
        f"{size}, {board_counts(board)}.",
    ]
    for word in ("error", "warning", "note"):
        found = [f for f in check["findings"] if f["severity"] == word]
        if found:
            lines += ["", f"## {word.capitalize()}s", ""]
            for finding in found:
                lines += _item(finding)
    if check["silenced"]:
        lines += ["", "## Silenced", ""]
        lines += [
            f"- `{f['id']}`: {markdown_text(f['message'])}. Reason: {markdown_text(f['reason'])}"
            for f in check["silenced"]
        ]
    blind = [c for c in check["checks"] if c["state"] in ("not judged", "broken")]
    if blind:
        lines += ["", "## Not judged", ""]
        lines += [f"- `{c['id']}`, {c['state']}: {markdown_text(c['reason'])}" for c in blind]
    if check["house"]["notice"]:
        lines += ["", f"*{markdown_text(check['house']['notice'])}*"]
    return "\n".join(lines) + "\n"


def _item(finding: Record) -> list[str]:
    often = times(finding["message"], finding["count"])
    lines = [f"- **{markdown_text(finding['message'])}**{often} `{finding['id']}`"]
    if finding["places"]:
        shown = [markdown_text(place["text"]) for place in finding["places"][:3]]
        rest = finding["count"] - len(shown)
        lines.append(f"  - at {'; '.join(shown)}" + (f"; {rest} more" if rest > 0 else ""))
    if finding["assumed"]:
        lines.append(f"  - assumed: {markdown_text(finding['assumed'])}")
    lines.append(f"  - do: {markdown_text(finding['remedy'])}")
    return lines
