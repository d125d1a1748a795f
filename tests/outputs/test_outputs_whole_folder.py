"""A folder of outputs takes the old one's place whole, and nothing of the user's is ever lost."""

from __future__ import annotations

import errno
import os
import signal
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from fabkit.base.errors import OutputRefused
from fabkit.outputs import whole_folder
from fabkit.outputs.formats import to_json
from fabkit.outputs.whole_folder import MAKER, MANIFEST, file_record, new_folder, settle_place


def fill(folder: Path, **files: str) -> None:
    """Outputs of ours, with their manifest."""
    for name, text in files.items():
        (folder / name).write_text(text)
    rows = [file_record(name, text.encode()) for name, text in files.items()]
    (folder / MANIFEST).write_text(to_json({"made_by": MAKER, "outputs": rows}))


def order(target: Path, *, replace: bool = False, **files: str) -> None:
    """Write a folder of ours as an order does."""
    settle_place(target, replace=replace)
    with new_folder(target, replace=replace) as part:
        fill(part, **files)


def texts(folder: Path) -> dict[str, str]:
    """Every file but the manifest."""
    found = (p for p in sorted(folder.rglob("*")) if p.is_file() and p.name != MANIFEST)
    return {p.relative_to(folder).as_posix(): p.read_text() for p in found}


def alone(target: Path) -> bool:
    """Whether nothing lies beside a folder."""
    return list(target.parent.iterdir()) == [target]


@pytest.fixture(params=["one call", "renames"])
def target(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An old order folder; exchanged in one system call, or by renaming where there is none."""
    if request.param == "renames":
        monkeypatch.setattr(whole_folder, "_swap_names", lambda _one, _other: False)
    out = tmp_path / "out"
    order(out, a="old", gone="old")
    return out


def test_a_folder_takes_the_place_of_the_old_one(target: Path) -> None:
    """Old outputs go; files and empty folders of the user stay, the same and in their modes."""
    (target / "sub" / "empty").mkdir(parents=True)
    mine = target / "mine"
    mine.write_text("mine")
    mine.chmod(0o600)
    (target / "link").symlink_to("nowhere")
    target.chmod(0o750)
    before = mine.stat()
    order(target, a="new")

    assert texts(target) == {"a": "new", "mine": "mine"}
    assert (target / "sub" / "empty").is_dir()
    assert (target / "link").is_symlink()
    after = mine.stat()
    assert (after.st_ino, after.st_mode) == (before.st_ino, before.st_mode)  # moved, not copied
    assert stat.S_IMODE(target.stat().st_mode) == 0o750
    assert alone(target)


def test_what_is_saved_while_an_order_runs_stays(target: Path) -> None:
    """A file saved after the folder was looked at is there when the order is done."""
    settle_place(target, replace=False)
    with new_folder(target) as part:
        fill(part, a="new")
        (target / "mine").write_text("mine")
        (target / "deep").mkdir()
        (target / "deep" / "mine").write_text("mine")
    assert texts(target) == {"a": "new", "mine": "mine", "deep/mine": "mine"}


def test_an_output_edited_while_an_order_runs_is_not_overwritten(target: Path) -> None:
    """Without ``replace`` it is refused and all is as it was; with it, the new one is there."""

    def edited(*, replace: bool) -> None:
        with new_folder(target, replace=replace) as part:
            fill(part, a="new")
            (target / "a").write_text("edited")

    with pytest.raises(OutputRefused, match="changed by hand"):
        edited(replace=False)
    assert texts(target) == {"a": "edited", "gone": "old"}
    assert alone(target)
    edited(replace=True)
    assert texts(target) == {"a": "new"}
    assert alone(target)


@pytest.mark.parametrize("name", ["a", "mine", "new"])
def test_what_is_saved_in_the_last_moment_stays(
    name: str, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file saved between the last look and the exchange is never lost: kept, or all put back."""
    exchange = whole_folder._exchange
    saved = []

    def late(new: Path, place: Path) -> Path:
        if not saved:
            saved.append((place / name).write_text("late"))
        return exchange(new, place)

    monkeypatch.setattr(whole_folder, "_exchange", late)
    try:
        order(target, a="new", new="new")
        assert name == "mine"
    except OutputRefused:
        assert name != "mine"
    assert texts(target)[name] == "late"
    assert alone(target)


def test_a_carried_file_never_hides_a_new_one(target: Path) -> None:
    """A stranger's file with the name of a new output is refused; nothing changes."""
    (target / "b").write_text("mine")

    with pytest.raises(OutputRefused, match="is not ours"):
        order(target, a="new", b="new")
    assert texts(target) == {"a": "old", "gone": "old", "b": "mine"}


def test_a_failed_folder_leaves_the_old_one(target: Path) -> None:
    """A failure while filling a folder leaves the old one untouched."""

    def fail_half_way() -> None:
        with new_folder(target) as part:
            (part / "a").write_text("new")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_half_way()
    assert texts(target) == {"a": "old", "gone": "old"}
    assert alone(target)


def test_a_failed_swap_brings_the_old_folder_back(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the new folder cannot take its name, the old one gets its own back."""
    rename = Path.rename
    monkeypatch.setattr(whole_folder, "_swap_names", lambda _one, _other: False)

    def failing(self: Path, to: Path) -> Path:
        if to == target and (self / "new").exists():
            raise OSError(errno.EACCES, "Permission denied")
        return rename(self, to)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(OutputRefused, match="permission denied"):
        order(target, new="new")
    assert texts(target) == {"a": "old", "gone": "old"}
    assert alone(target)


def order_killed(out: Path, moment: int, *, renames: bool) -> int:
    """Order in a process that is killed before its nth change of names; how it ended."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    left = iter(range(moment))

    def counted(function: Callable[..., object]) -> Callable[..., object]:
        def wrapped(*given: object, **more: object) -> object:
            if next(left, None) is None:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*given, **more)

        return wrapped

    for name in ("rename", "unlink", "rmdir"):
        setattr(Path, name, counted(getattr(Path, name)))
    swap = (lambda _one, _other: False) if renames else counted(whole_folder._swap_names)
    setattr(whole_folder, "_swap_names", swap)  # noqa: B010 -- of this process only
    order(out, a="new", b="new")
    os._exit(0)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes")
@pytest.mark.parametrize("renames", [False, True], ids=["one call", "renames"])
def test_a_kill_in_any_moment_is_healed(renames: bool, tmp_path: Path) -> None:
    """Killed before each change of names in turn: the next run has all, and nothing is left."""
    ended, moment = -signal.SIGKILL, 0
    while ended == -signal.SIGKILL:
        out = tmp_path / str(moment) / "out"
        out.parent.mkdir()
        order(out, a="old", gone="old")
        (out / "mine").write_text("mine")
        (out / "empty").mkdir()
        ended = order_killed(out, moment, renames=renames)
        _, notes = settle_place(out, replace=False)
        assert bool(notes) == (ended != 0)
        assert texts(out) in (
            {"a": "old", "gone": "old", "mine": "mine"},
            {"a": "new", "b": "new", "mine": "mine"},
        )
        order(out, a="newer")
        assert texts(out) == {"a": "newer", "mine": "mine"}
        assert (out / "empty").is_dir()
        assert alone(out)
        moment += 1
    assert ended == 0
    assert moment > 6


def test_a_folder_in_work_is_no_leftover(target: Path) -> None:
    """What a living run writes is left alone by another."""
    with new_folder(target) as part:
        fill(part, a="slow")
        order(target, a="quick")
        assert texts(part) == {"a": "slow"}
    assert texts(target) == {"a": "slow"}


def test_leftovers_with_changes_are_kept_and_named(target: Path) -> None:
    """An old folder whose outputs somebody changed is not cleaned, but named."""
    old = target.parent / ".out.01234567.old"
    old.mkdir()
    fill(old, a="older")
    (old / "a").write_text("edited")
    _, notes = settle_place(target, replace=False)

    assert (old / "a").read_text() == "edited"
    assert any(old.name in note and "kept" in note for note in notes)


def test_places_that_cannot_be_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The root, the working folder, long names, pipes, devices, dead links: refused at once."""
    here = tmp_path / "here" / "below"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "file").write_text("")
    (tmp_path / "dead").symlink_to("nowhere")
    (tmp_path / "round").symlink_to("round")
    cases = {
        "/": "root of the file system",
        ".": "folder you are in",
        "..": "folder you are in",
        "x" * 300: "too long",
        str(tmp_path / "pipe"): "device or a pipe",
        os.devnull: "device or a pipe",
        str(tmp_path / "file"): "is a file",
        str(tmp_path / "file" / "out"): "cannot write",
        str(tmp_path / "dead"): "no such file",
        str(tmp_path / "round"): "cannot write",
    }
    for name, words in cases.items():
        with pytest.raises(OutputRefused, match=words) as caught:
            settle_place(Path(name), replace=True)
        assert caught.value.hint


def test_a_link_to_a_folder_stays_a_link(target: Path) -> None:
    """The folder behind a link is replaced, the link is not."""
    link = target.parent / "link"
    link.symlink_to(target)
    order(link, a="new")

    assert link.is_symlink()
    assert texts(target) == {"a": "new"}
