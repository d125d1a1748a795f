"""Every command does its job, says so in text and JSON, and ends with the promised status."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import zipfile

import pytest
from click.testing import CliRunner
from small_package import DEMO, SMALL

from fabkit.cli.group import COMMANDS, cli


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_for_a_newcomer(run, name):
    """``--help`` of each command says what it does and shows an example."""
    text = run(*name.split(), "--help").output

    assert f"Usage: fabkit {name}" in text
    assert "Example" in text
    assert COMMANDS[name].split(",")[0].rstrip(".").split(" ")[0] in text


def test_the_table_of_commands_says_what_the_commands_say(run):
    """The one-line help of the group is the first line of each command's own help."""
    import click

    context = click.Context(cli)
    for name, words in COMMANDS.items():
        command = cli.get_command(context, name)
        assert command is not None
        assert (command.help or "").split("\n")[0] == words


def test_help_in_a_fresh_process(start):
    """The console entry lists the commands, and the first command to try."""
    text = start("--help", fresh=True).stdout

    assert all(name in text for name in COMMANDS)
    assert "fabkit order demo --out wheatear" in text


def test_version(run):
    """``--version`` prints the version."""
    import fabkit

    assert run("--version").output == f"fabkit, version {fabkit.__version__}\n"


def test_a_slip_of_the_pen_is_answered(run):
    """An unknown command gets the nearest one, and status 2."""
    assert "did you mean 'check'?" in run("chekc", status=2).output


def test_check_says_fit(run, small):
    """A clean package has its verdict first, then what it is, and status 0."""
    lines = run("check", small, "--thickness", "1.6").output.splitlines()

    assert lines[0] == "fit to order"
    said = "small: 30 × 20 mm, 2 copper layers, 2 holes"
    assert any(line.startswith(said) and line.endswith("; no keyboard") for line in lines)


def test_check_json_holds_everything(run, small):
    """JSON holds files with digests, board, counts, findings and every check's outcome."""
    record = json.loads(run("check", small, "--json").output)

    assert {f["name"] for f in record["package"]["files"]} == {p.name for p in small.iterdir()}
    for file in record["package"]["files"]:
        data = (small / file["name"]).read_bytes()
        assert file["sha256"] == hashlib.sha256(data).hexdigest()
    assert (record["board"]["width_mm"], record["board"]["height_mm"]) == (30, 20)
    assert record["board"]["area_mm2"] == 600
    assert record["board"]["drills"] == [
        {"diameter_mm": 1.0, "plating": "plated", "holes": 2, "slots": 0}
    ]
    assert record["counts"]["error"] == 0
    assert record["house"]["invented"] is True
    states = {c["state"] for c in record["checks"]}
    assert states <= {"passed", "found", "not judged", "does not apply"}
    assert record["opening"] == record["verdict"] == "fit to order"


@pytest.mark.parametrize(
    ("level", "status"), [("note", 1), ("warning", 0), ("error", 0), ("never", 0)]
)
def test_fail_on_sets_the_status(run, small, level, status):
    """Status 1 comes with findings at or above the level asked for, and only then.

    The small package has no legend, which is a note.
    """
    run("check", small, "--thickness", "1.6", "--fail-on", level, status=status)


def test_check_names_place_limit_and_remedy(run, small):
    """A finding says what, where, against which limit and what to do."""
    text = run("check", small, "--thickness", "1.5", status=1).output

    assert "1.5 mm is not offered" in text
    assert "[thickness/not-offered]" in text
    assert "do: The nearest offered thickness is 1.6 mm; or" in text
    assert text.splitlines()[0] == "do not order: 1 stop"
    assert "or --silence thickness/not-offered=REASON" in text


def test_only_and_without_select(run, small):
    """``--only`` runs one check, ``--without`` leaves one out."""
    only = json.loads(run("check", small, "--only", "package/legend", "--json").output)
    without = json.loads(run("check", small, "--without", "package/no-legend", "--json").output)

    assert [c["id"] for c in only["checks"]] == ["package/legend"]
    assert [f["id"] for f in only["findings"]] == ["package/no-legend"]
    assert "package/no-legend" not in [f["id"] for f in without["findings"]]


def test_check_files_shows_roles_and_reasons(run, small):
    """``--files`` shows every file with its role and why."""
    text = run("check", small, "--files").output

    assert "top copper" in text
    assert "its file function is" in text


def test_piped_output_is_plain(start, small):
    """Without a terminal there is no colour, no progress, no trailing blank."""
    done = start("check", small, "--files")

    assert "\x1b" not in done.stdout
    assert done.stderr == ""
    assert all(line == line.rstrip() for line in done.stdout.splitlines())


def test_preview_writes_two_pictures(run, small, tmp_path):
    """front.png and back.png are pictures of the board's size at the scale asked for."""
    from PIL import Image

    out = tmp_path / "pictures"
    result = run("preview", small, "--out", out, "--scale", "10", "--as", "png")

    assert result.stdout.split() == [(out / n).as_posix() for n in ("front.png", "back.png")]
    with Image.open(out / "front.png") as front, Image.open(out / "back.png") as back:
        assert front.size == back.size
        # 30 x 20 mm and a margin of 1 mm around, ten pixels a mm.
        assert front.size == pytest.approx((320, 220), abs=2)


@pytest.mark.parametrize(("legend", "told"), [("white", True), ("black", False), ("auto", False)])
def test_legend_of_the_masks_colour_is_told(run, small, tmp_path, legend, told):
    """White on white is drawn as asked, and said to be unreadable."""
    looks = ["--colour", "white", "--legend", legend, "--scale", "2"]

    output = run("preview", small, "--out", tmp_path, *looks).output

    assert ("white legend on white mask" in output) is told
    assert (tmp_path / "front.png").exists()


def test_preview_asks_before_overwriting(run, small, tmp_path):
    """Existing pictures stay unless ``--replace`` is said."""
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "back.png").write_bytes(b"mine")

    assert "exists already" in run("preview", small, "--out", tmp_path / "p", status=2).output
    assert [p.name for p in (tmp_path / "p").iterdir()] == ["back.png"]
    run("preview", small, "--out", tmp_path / "p", "--replace", "--scale", "5")
    assert (tmp_path / "p" / "back.png").read_bytes() != b"mine"


def test_pack_writes_what_the_house_needs(run, small, tmp_path):
    """The zip holds the layers and a readme with the choices, and reads back as the same board."""
    (small / "notes.txt").write_text("for me")
    out = tmp_path / "up.zip"
    result = run("pack", small, "--out", out, "--thickness", "1.2", "--count", "5", "--json")
    (record,) = json.loads(result.output)["zips"]
    with zipfile.ZipFile(out) as archive:
        names = archive.namelist()
        readme = archive.read("readme.txt").decode()
        assert all(archive.read(n) == (small / n).read_bytes() for n in names if n != "readme.txt")

    assert names == sorted([*(n.name for n in small.iterdir() if n.suffix != ".txt"), "readme.txt"])
    assert "1.2 mm" in readme
    assert "Quantity:           5" in readme
    assert "notes.txt" in {row["name"] for row in record["left_out"]}
    assert record["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()


def test_pack_twice_in_two_processes_is_the_same(run, start, small, tmp_path):
    """Two runs in two processes, of other hashes and another time zone, give the same bytes."""
    run("pack", small, "--out", tmp_path / "a.zip")
    other = {"PYTHONHASHSEED": "5", "TZ": "Asia/Tokyo"}
    start("pack", small, "--out", tmp_path / "b.zip", fresh=True, **other)

    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_pack_refuses_errors_unless_a_reason_is_given(run, small, tmp_path):
    """Errors forbid packing (status 1) until each is accepted with a reason, which is recorded."""
    out = tmp_path / "up.zip"
    arguments = ("pack", small, "--out", out, "--thickness", "1.5")

    refused = run(*arguments, status=1)
    assert "thickness/not-offered" in refused.output
    assert not out.exists()
    assert "your reason" in run(*arguments, "--silence", "thickness/not-offered", status=2).output
    run(*arguments, "--silence", "thickness/not-offered=they said yes by mail")
    with zipfile.ZipFile(out) as archive:
        assert "they said yes by mail" in archive.read("readme.txt").decode()


def test_pack_keeps_an_existing_zip(run, small, tmp_path):
    """An existing file is refused before any work, and kept."""
    out = tmp_path / "up.zip"
    out.write_bytes(b"old")

    assert "exists already" in run("pack", small, "--out", out, status=2).output
    assert out.read_bytes() == b"old"


def test_parts_lists_what_to_buy(run, read_once):
    """The demo's parts come with counts for two halves, in text and JSON."""
    text = run("parts", DEMO, "--keyboards", "2").output
    record = json.loads(run("parts", DEMO, "--keyboards", "2", "--json").output)

    assert "to buy" in text
    assert record["keyboards"] == 2
    assert record["keys_per_half"] == {"left": 18, "right": 18}
    for line in record["lines"]:
        assert line["needed"] == 2 * line["per_keyboard"]


def test_quote_prices_a_half(run, read_once):
    """Five reversible boards are two and a half keyboards (common practice), and sums add up."""
    from decimal import Decimal

    record = json.loads(run("quote", DEMO, "--quantity", "5", "--quantity", "10", "--json").output)

    assert [o["quantity"] for o in record["offers"]] == [5, 10]
    assert record["offers"][0]["keyboards_possible"] == "2.5"
    for offer in record["offers"]:
        assert sum(Decimal(line["amount"]) for line in offer["lines"]) == Decimal(offer["total"])


def test_quote_says_that_prices_are_invented(run, read_once):
    """Every quote by the bundled sheets says so, in text and in JSON."""
    text = run("quote", DEMO).output
    record = json.loads(run("quote", DEMO, "--json").output)

    assert "invented" in text
    assert any("invented" in notice for notice in record["notices"])


def test_quote_explains_each_line(run, read_once):
    """``--why`` shows formula, numbers and the place of each price."""
    text = run("quote", DEMO, "--quantity", "5", "--why").output

    assert "rates.setup" in text
    assert "per_dm2" in text


def test_order_new_then_order(run, small, tmp_path):
    """An order file written by ``order new`` runs as it is; the folder holds everything."""
    order = tmp_path / "orders" / "order.toml"
    run("order", "new", small, "--out", order, "--keyboards", "3")
    out = tmp_path / "out"
    run("order", order, "--out", out)

    names = {p.name for p in out.iterdir()}
    assert {
        "findings.txt",
        "findings.json",
        "front.png",
        "back.png",
        "parts.csv",
        "costs.csv",
        "small.zip",
        "manifest.json",
    } <= names
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["options"]["keyboards"] == 3
    assert {row["name"] for row in manifest["outputs"]} == names - {"manifest.json"}
    for row in manifest["outputs"]:
        assert row["sha256"] == hashlib.sha256((out / row["name"]).read_bytes()).hexdigest()
    assert {row["name"] for row in manifest["inputs"]} >= {
        "order.toml",
        *(f"small/{p.name}" for p in small.iterdir()),
    }


@pytest.fixture(scope="module")
def ordered_once(tmp_path_factory):
    """An order folder of the small package."""
    folder = tmp_path_factory.mktemp("ordered")
    (folder / "small").mkdir()
    for name, text in SMALL.items():
        (folder / "small" / name).write_text(text)
    words = ["order", str(folder / "small"), "--out", str(folder / "out")]
    result = CliRunner().invoke(cli, words, prog_name="fabkit")
    assert result.exit_code == 0, result.output
    return folder / "out"


@pytest.fixture
def ordered(ordered_once, tmp_path):
    """A copy of it."""
    return shutil.copytree(ordered_once, tmp_path / "out")


def bytes_of(folder):
    """Name to bytes of every file."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.*")}


def test_ordering_again_gives_the_same_bytes(run, small, ordered):
    """The same package on the same day gives the same folder."""
    before = bytes_of(ordered)
    run("order", small, "--out", ordered)

    assert bytes_of(ordered) == before


def test_every_output_says_the_prices_are_invented(ordered):
    """Each sheet of the folder repeats the notice."""
    for name in (
        "findings.txt",
        "parts.csv",
        "shopping.csv",
        "parts.md",
        "parts.json",
        "costs.csv",
        "cost-lines.csv",
        "costs.md",
        "costs.json",
        "manifest.json",
    ):
        assert "invented" in (ordered / name).read_text(encoding="utf-8"), name


def test_the_users_own_files_are_kept(run, small, ordered):
    """A file the user put into the folder is there after the next run."""
    (ordered / "my notes.txt").write_text("remember")
    run("order", small, "--out", ordered)

    assert (ordered / "my notes.txt").read_text() == "remember"


def test_files_changed_by_hand_are_not_overwritten(run, small, ordered):
    """An output changed by hand is refused by name, until ``--replace``."""
    (ordered / "parts.md").write_text("ticked off")
    before = bytes_of(ordered)

    assert "parts.md" in run("order", small, "--out", ordered, status=2).output
    assert bytes_of(ordered) == before
    run("order", small, "--out", ordered, "--replace")
    assert (ordered / "parts.md").read_text() != "ticked off"


def test_a_foreign_folder_is_left_alone(run, small, tmp_path):
    """A folder with files of another origin is refused and keeps them."""
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "a.jpg").write_bytes(b"mine")
    (folder / "manifest.json").write_text('{"made_by": "someone else"}')

    assert "did not write" in run("order", small, "--out", folder, status=2).output
    assert sorted(p.name for p in folder.iterdir()) == ["a.jpg", "manifest.json"]


def test_an_order_with_errors_writes_findings_but_no_zip(run, small, tmp_path):
    """With errors the folder tells them, there is no zip, and the status is 1."""
    out = tmp_path / "out"
    result = run("order", small, "--out", out, "--thickness", "1.5", status=1)

    assert "not packed" in result.output
    assert not list(out.glob("*.zip"))
    assert "thickness/not-offered" in (out / "findings.txt").read_text(encoding="utf-8")


def test_a_failing_order_keeps_the_old_folder(run, small, ordered, monkeypatch):
    """When an output fails half way, the old folder is as it was, and fabkit takes the blame."""
    from fabkit.outputs import money

    before = bytes_of(ordered)
    monkeypatch.setattr(money, "cost_files", lambda _: 1 / 0)

    assert "fabkit itself broke" in run("order", small, "--out", ordered, status=3).output
    assert bytes_of(ordered) == before
    assert not list(ordered.parent.glob(".*"))


def test_two_designs_in_one_order(run, small, tmp_path):
    """A left and a right design give files of their own names, one bill and one cost sheet."""
    order = tmp_path / "order.toml"
    order.write_text(
        'format = 1\nname = "pair"\n'
        '[[board]]\npackage = "small"\nis = "left"\n'
        '[[board]]\npackage = "small"\nis = "right"\n'
    )
    out = tmp_path / "out"
    run("order", order, "--out", out)

    names = {p.name for p in out.iterdir()}
    assert {"pair-left.zip", "pair-right.zip", "pair-left-front.png", "costs.csv"} <= names


def test_costs_csv_reads_back(ordered):
    """The CSV is a table any program reads: one header, equal rows (RFC 4180)."""
    text = (ordered / "costs.csv").read_bytes().decode()
    rows = list(csv.reader(io.StringIO(text, newline="")))

    assert len({len(row) for row in rows}) == 1
    assert text.count("\r\n") == len(rows)


def test_house_shows_and_writes_sheets(run, tmp_path):
    """The bundled sheet is shown as invented; a new one is written, loads, is not overwritten."""
    assert "invented" in run("house").output
    sheet = tmp_path / "mine.toml"
    run("house", "new", "--out", sheet, "--name", "The corner shop")
    record = json.loads(run("house", sheet, "--json").output)

    assert record["name"] == "The corner shop"
    assert {row["key"] for row in record["limits"]} >= {"track_mm", "annular_ring_mm"}
    run("house", "new", "--out", sheet, status=2)


def test_checks_lists_and_explains(run):
    """The catalogue is listed, a group is a part of it, one entry is told in full."""
    everything = json.loads(run("checks", "--json").output)["rules"]
    group = json.loads(run("checks", "package/", "--json").output)["rules"]
    one = run("checks", "package/no-legend").output

    assert [r for r in everything if r["id"].startswith("package/")] == group
    assert "why:" in one
    assert "did you mean" in run("checks", "package/no-legnd", status=2).output


def test_an_order_in_a_fresh_process(start, small, tmp_path):
    """A package is fit to order and its folder is complete, from the shell."""
    done = start("order", small, "--out", tmp_path / "out", fresh=True)

    assert "fit to order" in done.stdout
    assert done.stderr == ""
    assert (tmp_path / "out" / "small.zip").exists()


def test_a_bare_package_is_priced_at_its_own_thickness(run, small):
    """The job file's thickness is taken and named, unless another is chosen."""
    job = {"GeneralSpecs": {"BoardThickness": 0.8}, "Header": {}, "FilesAttributes": []}
    (small / "small-job.gbrjob").write_text(json.dumps(job))

    terms = json.loads(run("quote", small, "--json").output)["terms"]
    assert terms["thickness"] == "0.8 mm (as the job file states)"
    terms = json.loads(run("quote", small, "--thickness", "1.2", "--json").output)["terms"]
    assert terms["thickness"] == "1.2 mm"
