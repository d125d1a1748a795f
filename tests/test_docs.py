"""Documents say what the code does: generated pages are current, commands in them run."""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from fabkit.cli.group import cli

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "fabkit" / "demo"
PAGES_WITH_COMMANDS = ["README.md", "docs/quick-start.md", "docs/report.md", "docs/commands.md"]


def read(name):
    """Text of a file of the project."""
    return (ROOT / name).read_text(encoding="utf-8")


def maker():
    """The script that writes the generated pages."""
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "docs/make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("page", ["commands.md", "checks.md", "conformance.md"])
def test_generated_pages_are_current(page):
    """What is committed is what `python docs/make_reference.py` writes."""
    assert read(f"docs/{page}") == maker().PAGES[page]()


def blocks(text):
    """Lines of every shell block."""
    found = re.findall(r"^```(?:sh)?\n(.*?)^```$", text, flags=re.DOTALL | re.MULTILINE)
    return [line for block in found for line in block.splitlines()]


def commands_of(name):
    """Every ``fabkit`` command a page shows, without what is to be filled in."""
    lines = (line.strip() for line in blocks(read(name)))
    return [
        line.partition(" # ")[0].strip()
        for line in lines
        if line.startswith("fabkit ") and not re.search(r"[A-Z]{4}", line)
    ]


@pytest.fixture
def workplace(tmp_path, monkeypatch):
    """A folder with the demo and its sheets under the names that documents use."""
    shutil.copytree(DEMO / "rev-b", tmp_path / "gerbers")
    shutil.make_archive(str(tmp_path / "gerbers"), "zip", DEMO / "rev-b")
    for revision in ("rev-a", "rev-b"):
        shutil.make_archive(str(tmp_path / revision), "zip", DEMO / revision)
    for half in ("left", "right"):
        shutil.copytree(ROOT / "fixtures/pair" / half, tmp_path / half)
        shutil.make_archive(str(tmp_path / half), "zip", tmp_path / half)
    shutil.make_archive(str(tmp_path / "plate"), "zip", ROOT / "fixtures/kinds/plate")
    for name, sheet in (("my-house", "house"), ("other-house", "house-b"), ("my-parts", "parts")):
        shutil.copy(ROOT / f"fabkit/demo/{sheet}.toml", tmp_path / f"{name}.toml")
    (tmp_path / "my-pins.csv").write_text("name,ref,pad\nGP4,J1,1\n", encoding="utf-8")
    # Six that leave nothing open: what fewer or more teach is tested where quotes are.
    prices = ((60, 40, 9.32, 10.64, 13.28), (100, 80, 12.4, 16.8, 25.6))  # 8 and 0.55 a dm2
    rows = [
        f"{long} x {short},{count},{price}\n"
        for long, short, *paid in prices
        for count, price in zip((10, 20, 40), paid, strict=True)
    ]
    (tmp_path / "quotes.csv").write_text("size_mm,quantity,boards\n" + "".join(rows))
    (tmp_path / "my-table.j2").write_text("{{ keys | length }}\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def stop(*_):
    """Stand in for a user who has seen enough."""
    raise KeyboardInterrupt


def small_revisions(folder):
    """Put a half of six keys, and a revision of it with a larger via drill, in the demo's place.

    Gives the folder of what is the bundled demonstration then.
    """
    shutil.rmtree(folder / "gerbers")
    for name, drill in (("gerbers", "T2C0.300"), ("rev-a", "T2C0.350"), ("rev-b", "T2C0.300")):
        shutil.copytree(ROOT / "fixtures/pair/left", folder / name)
        (holes,) = (folder / name).glob("*-drill-plated.*")
        holes.write_text(holes.read_text(encoding="utf-8").replace("T2C0.300", drill))
        shutil.make_archive(str(folder / name), "zip", folder / name)
    bundled = folder / "bundled"
    shutil.copytree(DEMO, bundled, ignore=shutil.ignore_patterns("rev-*", "*.py*"))
    shutil.copytree(folder / "rev-b", bundled / "rev-b")
    return bundled


def test_commands_in_documents_run(workplace, monkeypatch, read_once):
    """Every command shown runs, one after the other, on small boards under the names they use.

    The demonstration is one of them, too; itself it is ordered in other tests.
    """
    monkeypatch.setattr("fabkit.demo.FOLDER", small_revisions(workplace))
    monkeypatch.setattr("fabkit.outputs.watching.wait_for_change", stop)
    monkeypatch.setattr("fabkit.desk.serving.serve", lambda *_: None)
    pages = {page: commands_of(page) for page in PAGES_WITH_COMMANDS}

    assert all(pages.values())
    broken = {}
    for command in dict.fromkeys(command for commands in pages.values() for command in commands):
        arguments = shlex.split(command.partition(" > ")[0], comments=True)[1:]
        if "--out" in arguments or arguments[:2] == ["order", "new"]:
            arguments += ["--replace"]
        if "controller" in arguments:
            arguments[1] = str(DEMO / "rev-b")  # the half of six keys has none
        result = CliRunner().invoke(cli, arguments, prog_name="fabkit")
        if result.exit_code not in (0, 1):
            broken[command] = result.output
    assert broken == {}


def test_the_library_guide_runs(workplace):
    """Every line of the guide for Python gives what the guide says."""
    import doctest

    outcome = doctest.testfile(str(ROOT / "docs/library.md"), module_relative=False)

    assert outcome.attempted > 20
    assert outcome.failed == 0


def test_the_example_files_load(workplace):
    """The order, house and parts files of the documents are whole and load as they stand."""
    import fabkit
    from fabkit.parts.book import load_parts

    block = re.compile(r"^```toml\n# (\S+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
    texts = dict(block.findall(read("docs/files.md")))
    for name, text in texts.items():
        (workplace / name).write_text(text, encoding="utf-8")

    assert set(texts) == {"order.toml", "house.toml", "parts.toml"}
    assert fabkit.load_order("order.toml").silenced[0].rule == "package/no-legend"
    assert fabkit.load_house("house.toml").limit("track_mm").stated
    assert load_parts("parts.toml").name == "The drawer"


def test_every_page_is_reached_from_the_quick_start():
    """Pages of the guide are linked from the quick start, so nobody must guess their names."""
    linked = set(re.findall(r"\]\(([a-z-]+\.md)\)", read("docs/quick-start.md")))

    assert {"walk-through.md", "files.md", "shell.md", "library.md", "plugins.md"} <= linked
    assert {"design.md", "commands.md", "checks.md", "pictures.md"} <= linked


def test_the_readme_gives_two_set_up_commands():
    """One command sets up and does the job, one sets up and tests; the job comes first."""
    lines = [line for line in blocks(read("README.md")) if line.startswith("python3 -m venv")]

    assert len(lines) == 2
    assert "fabkit order demo --out build/wheatear" in lines[0]
    assert all(word in lines[1] for word in ("ruff check", "ruff format --check", "mypy", "pytest"))


def test_ci_runs_the_readmes_command():
    """The CI script runs the very line that the README gives for the tests."""
    tests = [line for line in blocks(read("README.md")) if line.startswith("python3 -m venv")][1]

    assert tests in read(".ci/run").splitlines()


def test_every_dependency_has_its_reason():
    """DEVELOPERS.md gives one line of reason for each runtime dependency, and for no other."""
    project = tomllib.loads(read("pyproject.toml"))["project"]
    wanted = {re.split(r"[<>=]", d)[0] for d in project["dependencies"]}
    section = read("DEVELOPERS.md").split("## Dependencies, and why")[1]
    told = dict(re.findall(r"^\| ([a-z0-9-]+) \| (.+) \|$", section, flags=re.MULTILINE))

    assert set(told) == wanted
    assert all(reason.strip() for reason in told.values())


def test_links_lead_somewhere():
    """Relative links of every page lead to files that are there."""
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")):
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).exists(), (page, target)
