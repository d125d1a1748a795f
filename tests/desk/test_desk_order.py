"""What the page shows and delivers is what the commands say of the same folder.

The work of an order's process is done in this one here; the command runs in the order's folder.
"""

from __future__ import annotations

import json
import os
import re
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from desks import SMALL_ZIP, zip_of
from small_package import SMALL

from fabkit.cli.group import cli
from fabkit.desk import working as working_module
from fabkit.desk.store import OrderFolder, Store
from fabkit.desk.wanted import changed, choices_record, read_order
from fabkit.desk.working import Working
from fabkit.sheets.house import house_template


def _command(*arguments):
    done = CliRunner().invoke(cli, [str(a) for a in arguments], prog_name="fabkit")
    assert done.exit_code in (0, 1), done.output
    return done.stdout


def _begin(folder, packages):
    """An order of packages in a folder that is the working one, as its process sees it."""
    one = Store(folder).begin()
    for name, data in packages.items():
        with one.new_package(name) as (part, _):
            part.write_bytes(data)
    heard = []
    order = OrderFolder(one.id, one.path)
    work = Working(order, say=heard.append, newer=lambda: False)
    return SimpleNamespace(folder=order, work=work, heard=heard)


def _do(order, deed="run", **more):
    """Do a task in the order's folder; give what was said."""
    order.heard.clear()
    before = os.getcwd()  # noqa: PTH109 -- gone back to, whatever it is
    os.chdir(order.folder.path)
    try:
        order.work.do({"do": deed, "number": 1, **more})
        drafted = [m for m in order.heard if "draft" in m]
        if drafted:
            data = drafted[0]["draft"].encode()
            order.folder.write_order(data)
            order.work.do({"do": "run", "number": 2})
    finally:
        os.chdir(before)
    return list(order.heard)


def _errors(heard):
    return [m["error"] for m in heard if m.get("error")]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """An order of the small package with a house sheet of its own, worked out and delivered."""
    order = _begin(tmp_path_factory.mktemp("orders"), {"small": SMALL_ZIP})
    sheets = order.folder.path / "sheets"
    sheets.mkdir()
    (sheets / "house.toml").write_text(house_template("Ours"))
    order.first = _do(order)
    text = changed(order.folder.text(), {"want.keyboards": 3, "options.colour": "black"})
    order.folder.write_order(text)
    order.second = _do(order)
    order.third = _do(order, "deliver")
    return order


@pytest.fixture
def inside(done, monkeypatch):
    """The folder of the order, which is the working one."""
    monkeypatch.chdir(done.folder.path)
    return done.folder


def test_the_delivered_folder_is_that_of_the_command(done, inside, tmp_path):
    """Byte for byte, every file, and the same names."""
    _command("order", "order.toml", "--out", tmp_path / "out")
    ours, theirs = (
        {p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file()}
        for root in (inside.done / "order", tmp_path / "out")
    )

    assert not _errors(done.third)
    assert sorted(ours) == sorted(theirs)
    assert [name for name in ours if ours[name] != theirs[name]] == []
    with zipfile.ZipFile(inside.done / "small-order.zip") as archive:
        assert {n.split("/", 1)[1]: archive.read(n) for n in archive.namelist()} == theirs


def test_prices_are_those_of_the_quote(done, inside):
    """Total of the list and of the page, to the last digit."""
    quote = json.loads(_command("quote", "order.toml", "--json"))
    best = quote["best"]
    total = inside.record("summary")["total"]

    assert re.sub(r"[^\d.]", "", total) == str(best["total"])
    assert inside.record("summary")["best"] == {
        "quantity": best["quantity"],
        "boards": best["boards"],
    }
    assert total in inside.view("cost").read_text()


def test_the_verdict_is_that_of_the_check(done, inside):
    """The same sentence, and the same findings are named."""
    checked = json.loads(_command("check", "packages/small.zip", "--json", "--fail-on", "never"))
    order = json.loads((inside.done / "order" / "findings.json").read_text())
    page = inside.view("verdict").read_text()

    assert order["verdict"] == inside.record("summary")["verdict"]
    assert checked["opening"] in page.lower()
    known = {f["id"] for f in inside.record("known")["findings"]}
    assert known == {f["id"] for f in order["findings"]}


def test_the_order_file_is_that_of_order_new(done, tmp_path, monkeypatch):
    """What is drafted is what ``order new`` writes for the package; the sheet is named."""
    (tmp_path / "packages").mkdir()
    (tmp_path / "packages" / "small.zip").write_bytes(SMALL_ZIP)
    monkeypatch.chdir(tmp_path)
    _command("order", "new", "packages/small.zip")
    drafted = next(m["draft"] for m in done.first if "draft" in m)

    named = drafted.replace('houses = ["sheets/house.toml"]', '# houses = ["house.toml"]')
    assert named == (tmp_path / "order.toml").read_text()


def test_the_picture_comes_first(done):
    """Before any check; then the verdict, before prices; the package last."""
    views = [m["view"] for m in done.first if "view" in m]
    first_check = next(
        n for n, m in enumerate(done.first) if str(m.get("stage", "")).startswith("checking")
    )

    assert done.first.index({"view": "picture"}) < first_check
    assert views[:3] == ["picture", "verdict", "cost"]
    assert views[-1] == "package"


def test_a_price_change_checks_nothing_again(done, monkeypatch):
    """Another number of keyboards reads, draws and judges nothing anew."""
    for name in ("read_designs", "judge_designs", "picture_view"):
        monkeypatch.setattr(working_module, name, lambda *_, **__: pytest.fail("done again"))
    before = done.folder.record("summary")["total"]
    text = done.folder.text()
    done.folder.write_order(changed(text, {"want.keyboards": 40}))
    heard = _do(done)
    after = done.folder.record("summary")["total"]
    done.folder.write_order(text)
    _do(done)

    assert not _errors(heard)
    assert before != after
    assert done.folder.record("summary")["total"] == before


def test_setting_aside_checks_nothing_again(done, monkeypatch):
    """A rule set aside with a reason changes the verdict as a check with it would, at once."""
    text = done.folder.text()
    rule = done.folder.record("known")["findings"][0]["id"]
    silence = [{"rule": rule, "reason": "<because>"}]
    done.folder.write_order(changed(text, {"silence": silence}))
    with monkeypatch.context() as patch:
        patch.setattr(working_module, "judge_designs", lambda *_, **__: pytest.fail("done again"))
        heard = _do(done)
    at_once = done.folder.view("verdict").read_text()
    fresh = Working(done.folder, say=done.heard.append, newer=lambda: False)
    kept, done.work = done.work, fresh
    monkeypatch.setattr(working_module, "set_aside", lambda *_: pytest.fail("not needed"))
    monkeypatch.setattr(working_module, "_set_aside", lambda judged, *_: tuple(judged))
    real = working_module.judge_designs

    def with_silence(order, *given, **more):
        stated = done.folder.text()
        return real(working_module.read_order(stated, done.folder.path), *given, **more)

    monkeypatch.setattr(working_module, "judge_designs", with_silence)
    _do(done)
    done.work = kept
    monkeypatch.undo()
    checked = done.folder.view("verdict").read_text()
    done.folder.write_order(text)
    _do(done)

    assert not _errors(heard)
    assert "&lt;because&gt;" in at_once
    assert at_once == checked
    assert "&lt;because&gt;" not in done.folder.view("verdict").read_text()


def test_something_newer_ends_a_run_and_loses_nothing(tmp_path):
    """When another task waits, the run ends after a step, and the next one goes on behind it."""
    order = _begin(tmp_path, {"small": SMALL_ZIP})
    order.work._newer = lambda: True
    first = _do(order)
    again = [_do(order) for _ in range(8)]

    assert not [m for m in first if "view" in m]
    assert {"view": "package"} in again[-1]
    assert not any(map(_errors, again))


def test_halves_dropped_together_are_one_keyboard(tmp_path, monkeypatch):
    """Left and right half become two designs of one order, named by what they share."""
    root = Path(__file__).parents[2] / "fixtures" / "pair"
    packages = {
        f"wren-{hand}": zip_of({p.name: p.read_bytes() for p in (root / hand).iterdir()})
        for hand in ("left", "right")
    }
    order = _begin(tmp_path, packages)
    monkeypatch.chdir(order.folder.path)
    order.work._run({"new": ()})
    drafted = next(m["draft"] for m in order.heard if "draft" in m)
    order.folder.write_order(drafted.encode())

    assert 'name = "wren"' in drafted
    assert drafted.count("\n[[board]]") == 2
    assert drafted.index('is = "left"') < drafted.index('is = "right"')
    assert not _errors(_do(order, "deliver"))
    assert (order.folder.done / "wren-order.zip").is_file()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (zip_of({"x.gbr": bytes(2 * 2**20)}), "holds no|unpacks|compress"),
        (zip_of({"notes.txt": b"remember the milk"}), "no Gerber"),
        (b"PK\x03\x04 and nothing more", "zip"),
        (zip_of({}), "no files|holds"),
    ],
    ids=["zeros", "text", "damaged", "empty"],
)
def test_what_is_no_board_is_refused_by_name(tmp_path, data, words):
    """It is said, and it is not kept."""
    order = _begin(tmp_path, {"bad": data})
    heard = _do(order)
    refused = [m["refused"] for m in heard if "refused" in m]

    assert [r["package"] for r in refused] == ["packages/bad.zip"]
    assert re.search(words, refused[0]["message"])
    assert order.folder.packages() == []
    assert order.folder.text() == b""


def test_a_broken_order_says_so_and_goes_on(done):
    """An order file that cannot be worked out is an error; mended, all is well."""
    text = done.folder.text()
    done.folder.write_order(changed(text, {"board.0.is": "left"}))
    (wrong,) = _errors(_do(done))
    done.folder.write_order(text)

    assert "other half is missing" in wrong["message"]
    assert wrong["line"]
    assert not _errors(_do(done))


def test_mend_panel_and_compare(done, tmp_path):
    """Each does what its command does; what is downloaded is named."""
    other = _begin(tmp_path, {"before": SMALL_ZIP})
    heard = [
        *_do(done, "mend"),
        *_do(done, "compare", package=str(other.folder.path / "packages/before.zip")),
    ]
    made = done.folder.record("made")

    assert not _errors(heard)
    assert {"small-mended.zip", "small-mended.html", "small.zip", "small-order.zip"} <= set(made)
    assert len({entry["inputs"] for entry in made.values()}) == 1
    shown = done.folder.view("changed").read_text()
    assert "changes-title" in shown

    # What is compared once is compared again after each change, as long as it is there.
    text = done.folder.text()
    done.folder.write_order(changed(text, {"want.keyboards": 50}))
    assert not _errors(_do(done))
    assert done.folder.view("changed").read_text() != shown
    (other.folder.path / "packages/before.zip").unlink()
    assert not _errors(_do(done))
    assert not done.folder.view("changed").exists()
    done.folder.write_order(text)
    assert not _errors(_do(done))


def test_what_a_file_is_can_be_stated(done):
    """The page has every layer with its role, and what the order states of it."""
    text = done.folder.text()
    (board,) = choices_record(done.folder, read_order(text, done.folder.path))["boards"]
    name = next(f["name"] for f in board["files"] if "copper" in f["role"])
    stated = changed(text, {f'board.0.roles."{name}"': "unused"})
    record = choices_record(done.folder, read_order(stated, done.folder.path))

    assert board["roles"] == {}
    assert record["boards"][0]["roles"] == {name: "unused"}
    assert {"top copper", "unused", "inner copper 2"} <= set(record["role_offers"])
    back = changed(stated, {f'board.0.roles."{name}"': None})
    assert not read_order(back, done.folder.path).boards[0].roles


def test_corrections_on_request(done, monkeypatch):
    """What the order asks to be mended besides is mended on the page, and can be chosen."""
    asked = []

    def mend(board, house, *, options, tell):
        asked.append(options.asked)
        return mended(board, house, options=options, tell=tell)

    mended = working_module.mend
    monkeypatch.setattr(working_module, "mend", mend)
    text = done.folder.text()
    done.folder.write_order(changed(text, {"mend_with": ["teardrops"]}))
    heard = _do(done, "mend")
    wishes = choices_record(done.folder, read_order(done.folder.text(), done.folder.path))
    done.folder.write_order(text)
    _do(done)

    assert not _errors(heard)
    assert asked == [("teardrops",)]
    assert wishes["mend_with"]["value"] == ["teardrops"]
    assert "teardrops" in [offer["value"] for offer in wishes["mend_with"]["offers"]]


def test_settings_count_as_for_the_command(done, inside, monkeypatch):
    """What the user's settings add to an order is added on the page, too, and not written."""
    text = inside.text()
    monkeypatch.setenv("FABKIT_KEYBOARDS", "11")
    monkeypatch.setenv("FABKIT_FINISH", "enig")
    heard = _do(done)
    quote = json.loads(_command("quote", "order.toml", "--json"))
    total = inside.record("summary")["total"]
    monkeypatch.undo()
    _do(done)

    assert not _errors(heard)
    assert re.sub(r"[^\d.]", "", total) == str(quote["best"]["total"])
    assert total != inside.record("summary")["total"]
    assert inside.text() == text


def test_hostile_names_stay_text(tmp_path):
    """Names of files, orders and rules with tags in them are shown, never run."""
    evil = "<img src=x onerror=alert(1)>"
    order = _begin(tmp_path, {"small": zip_of({**SMALL, f"{evil}.txt": b"x"})})
    _do(order)
    text = changed(order.folder.text(), {"name": f"</script>{evil}", "board.0.name": evil})
    order.folder.write_order(text)
    heard = _do(order)
    page = "".join(order.folder.view(m["view"]).read_text() for m in heard if "view" in m)

    assert not _errors(heard)
    assert "<img src=x" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    assert "</script><img" not in page.replace("\\u003c", "<")
    assert [p.name for p in order.folder.done.glob("*")] == [
        p.name for p in order.folder.done.glob("[a-z]*.*")
    ]
