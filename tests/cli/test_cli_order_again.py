"""Order files by flags or by asking, and orders that run again when files change."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from watchfiles.main import RustNotify

from fabkit.cli.group import cli
from fabkit.outputs import watching
from fabkit.outputs.watching import OrderState, read_state, tell_changes
from fabkit.sheets.order import load_order


def test_flags_become_the_order_file(run, small, tmp_path):
    """What is given stands in the file, the rest stays as comment, and the file loads."""
    out = tmp_path / "order.toml"
    given = ["--name", 'My "own"', "--keyboards", "2", "--spare-halves", "1", "--thickness", "1.2"]
    given += ["--colour", "black", "--finish", "enig", "--currency", "EUR"]
    run("order", "new", small, "--out", out, *given, "--quantity", "5", "--quantity", "10")
    order = load_order(out)

    assert (order.name, order.keyboards, order.spare_halves) == ('My "own"', 2, 1)
    assert (float(order.choice.thickness_mm), order.choice.colour) == (1.2, "black")
    assert (order.choice.finish, order.currency) == ("enig", "EUR")
    assert order.quantities == (5, 10)
    assert "# lead_time" in out.read_text(encoding="utf-8")


def test_two_packages_become_two_designs(run, small, tmp_path):
    """--right makes the first package the left half."""
    right = tmp_path / "right"
    shutil.copytree(small, right)
    out = tmp_path / "order.toml"
    run("order", "new", small, "--right", right, "--out", out)

    assert [(b.package.name, b.use) for b in load_order(out).boards] == [
        ("small", "left"),
        ("right", "right"),
    ]


def test_asking_fills_what_was_not_given(small, tmp_path):
    """--ask asks only for what no flag says; an empty answer takes what is offered."""
    out = tmp_path / "order.toml"
    arguments = ["order", "new", str(small), "--out", str(out), "--ask", "--colour", "black"]
    result = CliRunner().invoke(cli, arguments, input="Mine\n3\n\nenig\n", prog_name="fabkit")
    order = load_order(out)

    assert result.exit_code == 0, result.output
    assert "Mask colour" not in result.output
    assert (order.name, order.keyboards) == ("Mine", 3)
    assert float(order.choice.thickness_mm) == 1.6
    assert (order.choice.colour, order.choice.finish) == ("black", "enig")


@pytest.mark.parametrize("is_told", [True, False])
def test_a_change_is_noticed(is_told, small, monkeypatch):
    """Waiting ends when a file gets other bytes, and gives the new state.

    One that comes before the system watches, though after the files were looked at, is not told.
    """
    seen = watching.fingerprint([small])
    target = small / "small-profile.gbr"
    text = target.read_text()
    rounds = []

    class Notify:
        """What watches: here the change comes just before it begins, or just before it waits."""

        def __init__(self, *given):
            if not is_told:
                target.write_text(text + "\n")
            self.real = RustNotify(*given)

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self.real.close()

        def watch(self, debounce, step, _timeout, stop):
            assert len(rounds) < 5, "nobody looked"
            rounds.append(1)
            if not is_told:
                return "timeout"
            target.write_text(text + "\n")
            return self.real.watch(debounce, step, 0, stop)

    monkeypatch.setattr("watchfiles.main.RustNotify", Notify)
    monkeypatch.setattr(watching, "SETTLE_S", 0.05)
    now = watching.wait_for_change([small], seen)

    assert now != seen
    assert now == watching.fingerprint([small])


def test_a_change_while_working_is_not_lost(small):
    """What changed before the waiting began ends it at once."""
    seen = watching.fingerprint([small / "small-profile.gbr"])
    (small / "small-profile.gbr").write_text("M02*\n")

    assert watching.wait_for_change([small / "small-profile.gbr"], seen) != seen


@pytest.fixture
def changes(monkeypatch):
    """Stand in for the user: do these changes one after the other, then press Ctrl-C."""

    def script(*steps):
        waiting = iter(steps)

        def wait(paths, _seen):
            step = next(waiting, None)
            if step is None:
                raise KeyboardInterrupt
            step()
            return watching.fingerprint(paths)

        monkeypatch.setattr(watching, "wait_for_change", wait)

    return script


def test_watching_tells_what_changed(run, small, tmp_path, changes):
    """Each run is followed by what is new and what is gone; the status is that of the last."""
    drill = small / "small-plated.drl"
    text = drill.read_text()
    changes(
        lambda: drill.write_text(text.replace("X25.0Y15.0", "X25.0Y15.0\nX45.0Y15.0")),
        lambda: drill.write_text(text),
        lambda: None,
    )
    out = tmp_path / "out"
    output = run("order", small, "--out", out, "--watch").output

    assert "is 'do not order" in output
    assert "new: error, small:" in output
    assert "[hole/outside-board]" in output
    assert "gone: error, small:" in output
    assert "nothing changed in verdict and cost" in output


def test_watching_survives_a_broken_export(run, small, tmp_path, changes):
    """A package that cannot be read is told, and the old folder stays for the next try."""
    away = tmp_path / "away"
    changes(lambda: small.rename(away))
    out = tmp_path / "out"
    output = run("order", small, "--out", out, "--watch", status=2).output

    assert "does not exist" in output
    assert (out / "manifest.json").exists()


def test_a_change_of_cost_is_told():
    """Another price is told with the one before."""
    old = OrderState(verdicts={"a": "fit"}, cost="5 boards, 10 cu")
    new = OrderState(verdicts={"a": "fit"}, cost="5 boards, 11 cu")

    assert tell_changes(old, new) == ["cost: was 5 boards, 10 cu; is 5 boards, 11 cu"]


def test_a_folder_that_says_nothing_is_empty(tmp_path):
    """Missing or foreign folders have no state, so nothing is compared with them."""
    (tmp_path / "manifest.json").write_text("[]")

    assert read_state(tmp_path) == read_state(tmp_path / "none") == OrderState()


def test_a_folder_of_halves_and_plate_becomes_one_order(run, tmp_path):
    """Halves are named after the keyboard; the page says what each board is."""
    fixtures = Path(__file__).parents[2] / "fixtures"
    folder = tmp_path / "siskin"
    shutil.copytree(fixtures / "pair" / "right", folder / "a")
    shutil.copytree(fixtures / "pair" / "left", folder / "b")
    shutil.copytree(fixtures / "kinds" / "plate", folder / "c")
    refused = run("quote", folder, status=2)
    assert f"fabkit order new {folder}" in refused.output

    file, out = tmp_path / "order.toml", tmp_path / "out"
    run("order", "new", folder, "--out", file)
    said = run("order", file, "--out", out).output

    assert {p.name for p in out.glob("*.zip")} == {
        "siskin-left.zip",
        "siskin-right.zip",
        "siskin-plate.zip",
    }
    assert "siskin-left: left half, 6 keys" in said
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Left half, 6 keys." in page
    assert "Plate for 22 keys." in page
