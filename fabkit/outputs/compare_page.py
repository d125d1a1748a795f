"""A comparison as Markdown, for a pull request or a project's notes."""

from __future__ import annotations

from typing import Any

from fabkit.outputs.compare_text import (
    closing,
    cost_lines,
    finding_lines,
    layer_table,
    sections,
)
from fabkit.outputs.json import to_document
from fabkit.outputs.tables import markdown_text, to_markdown

Record = dict[str, Any]


def render_comparison(record: Record, form: str) -> str:
    """Render a comparison as ``json`` or ``markdown``."""
    return comparison_markdown(record) if form == "markdown" else to_document("compare", record)


def comparison_markdown(record: Record) -> str:
    """Verdict, changes by kind, areas by layer, findings, price."""
    old, new = record["old"]["name"], record["new"]["name"]
    lines = [
        f"# {markdown_text(old)} to {markdown_text(new)}: {markdown_text(closing(record))}",
        "",
        f"{markdown_text(record['alignment']['text'])}.",
    ]
    lines += [
        f"\nNot compared: {markdown_text(what)}, because {markdown_text(why)}."
        for what, why in record["not_compared"].items()
    ]
    plain = [c for c in record["changes"] if "added_mm2" not in c]
    if plain:
        lines += ["", "## Changes"]
        for title, told in sections(plain, full=False):
            lines += ["", f"### {markdown_text(title.capitalize())}", ""]
            lines += [f"- {markdown_text(line)}" for line in told]
    layers = layer_table(record)
    if layers.rows:
        lines += ["", "## Areas", "", to_markdown(layers).rstrip()]
    if record["findings"] is not None:
        lines += ["", "## Verdict", ""]
        lines += [f"- {markdown_text(line)}" for line in finding_lines(record["findings"])]
    if record["costs"] is not None:
        lines += ["", "## Price of one half", ""]
        lines += [f"- {markdown_text(line)}" for line in cost_lines(record["costs"])]
    said = record["expectations"]
    if said is not None and said["findings"]:
        lines += ["", "## Against what was expected", ""]
        lines += [f"- {markdown_text(f['message'])} `{f['id']}`" for f in said["findings"]]
    return "\n".join(lines) + "\n"
