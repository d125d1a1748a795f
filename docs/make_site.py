"""Builds the documents as a searchable site of plain files (needs the extra ``docs``).

    python docs/make_site.py [FOLDER]

FOLDER (default ``build/site``) is replaced; open its ``index.html``.  Pages, their order and what
is checked stand in ``docs/site/mkdocs.yml``; a link or an anchor that leads nowhere ends the build.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
import tempfile
from importlib.resources import files
from pathlib import Path

from mkdocs.commands.build import build
from mkdocs.config import load_config
from mkdocs.exceptions import Abort

HERE = Path(__file__).parent
HOME = {"README.md": "index.md", "DEVELOPERS.md": "developers.md"}
"""Pages beside the folder of documents, and what they are called on the site."""


def gather(folder: Path) -> None:
    """Lay all pages into one folder, as the generator wants them, with their links."""
    for source in (*HERE.glob("*.md"), *(HERE.parent / name for name in HOME)):
        text = source.read_text(encoding="utf-8")
        text = re.sub(r"\]\((?:\.\./|docs/)(?=[\w./#-]+\))", "](", text)
        for name, page in HOME.items():
            text = text.replace(f"]({name}", f"]({page}")
        (folder / HOME.get(source.name, source.name)).write_text(text, encoding="utf-8")
    for part in ("pictures", "ci"):
        shutil.copytree(HERE / part, folder / part)
    for example in HERE.glob("example_*"):
        shutil.copy(example, folder)


def write_search(site: Path, titles: dict[str, str]) -> None:
    """Put the library for searching beside its index, as scripts: pages read no files."""
    folder = site / "search"
    made = folder / "search_index.json"
    sections = json.loads(made.read_text(encoding="utf-8"))["docs"]
    for section in sections:
        section["page"] = titles[section["location"].partition("#")[0]]
    listed = json.dumps(sections, ensure_ascii=False, separators=(",", ":"))
    (folder / "sections.js").write_text(f"window.fabkitSections = {listed};\n", encoding="utf-8")
    made.unlink()
    # It would name addresses, which nobody knows before the site is put somewhere.
    for left in site.glob("sitemap.xml*"):
        left.unlink()
    library = files("mkdocs.contrib.search") / "templates/search/lunr.js"
    (folder / "lunr.js").write_bytes(library.read_bytes())


def make_site(site: Path) -> None:
    """Build the site.

    Raises
    ------
    mkdocs.exceptions.Abort
        A link or an anchor leads nowhere, or a page is in no list.
    """
    with tempfile.TemporaryDirectory() as name:
        gather(Path(name))
        config = load_config(
            str(HERE / "site/mkdocs.yml"), docs_dir=name, site_dir=str(site), strict=True
        )
        build(config)
        titles = {
            page.removesuffix(".md") + ".html": title
            for chapter in config.nav
            for pages in chapter.values()
            for entry in pages
            for title, page in entry.items()
        }
    write_search(site, titles)


def main() -> None:
    """Build it where it is wanted, and say where."""
    site = Path(sys.argv[1] if len(sys.argv) > 1 else HERE.parent / "build/site").absolute()
    if site.exists() and not (site / "search/sections.js").exists():
        sys.exit(f"{site} is no site of ours and was left as it is")
    try:
        make_site(site)
    except Abort as error:
        sys.exit(str(error))
    print(f"open {site / 'index.html'}")


if __name__ == "__main__":
    main()
