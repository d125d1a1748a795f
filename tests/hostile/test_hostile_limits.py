"""Every limit, with an input just under it and one just over it."""

from __future__ import annotations

import importlib.util
import io
import zipfile
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import pytest
from apart import run_apart
from click.testing import CliRunner, Result
from fuzz.tiny_board import FILES
from hypothesis import given
from hypothesis import strategies as st
from ordeals import memory_to_check, time_of_steps

import fabkit
from fabkit.base.errors import LimitExceeded
from fabkit.base.findings import ProblemLog
from fabkit.base.limits import DEFAULT_LIMITS, Limits, changed_limits
from fabkit.cli.group import cli
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.formats.gerber.tokens import UNKNOWN_COMMAND
from fabkit.package.opening import open_input
from fabkit.sheets.order import order_for

ROOT = Path(__file__).parents[2]
HEAD = "%FSLAX36Y36*%%MOMM*%%ADD10C,0.1*%D10*"
DRILL = "M48\nMETRIC\nT1C1.0\n%\nT1\nX1.0Y1.0\n"


def layer_is_whole(body: str, limits: Limits) -> bool:
    """Whether a layer is read completely; when it is not, a finding says so."""
    file = read_gerber((HEAD + body + "M02*").encode(), name="x.gbr", limits=limits)
    told = {p.id for p in file.problems} & {"gerber/limit", "gerber/macro-expression"}
    assert file.complete == ("gerber/limit" not in told)
    return not told


def drill_is_whole(body: str, limits: Limits) -> bool:
    """Whether a drill file is read completely; when it is not, a finding says so."""
    file = read_drill((DRILL + body + "M30\n").encode(), name="x.drl", limits=limits)
    told = {p.id for p in file.problems} & {"drill/too-many-objects"}
    assert file.complete == (not told)
    return file.complete


def opens(members: dict[str, bytes], limits: Limits, folder: Path, *, as_zip: bool) -> bool:
    """Whether a package opens; when it does not, the limit is what is said."""
    target = folder / "set"
    if as_zip:
        made = io.BytesIO()
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in members.items():
                archive.writestr(name, data)
        target.write_bytes(made.getvalue())
    else:
        for name, data in members.items():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            (target / name).write_bytes(data)
    try:
        open_input(target, limits=limits)
    except LimitExceeded:
        return False
    return True


def blocks(depth: int) -> str:
    """Blocks nested so deep."""
    numbers = range(20, 20 + depth)
    return "".join(f"%ABD{n}*%" for n in numbers) + "D10*X0Y0D03*" + "%AB*%" * depth


def macro(body: str) -> str:
    """A macro that is flashed."""
    return f"%AMM*{body}*%%ADD11M,1*%D11*X0Y0D03*"


REGION = "G36*X0Y0D02*G01*X9Y0D01*X9Y9D01*X0Y0D01*G37*"
ZIGZAG = (
    "G36*X0Y1D02*G01*X6D01*Y2D01*X0D01*Y3D01*X6D01*Y5D01*"
    "X5D01*Y0D01*X3D01*Y5D01*X1D01*Y0D01*X0Y1D01*G37*"
)
"""Three lines across and three upright ones: nine crossings."""
PRIMITIVE = "1,1,1,0,0"
LAYERS: dict[str, tuple[str, Limits]] = {
    "objects plain": ("X0Y0D03*" * 50, replace(DEFAULT_LIMITS, objects=50)),
    "objects repeated": (
        "%SRX5Y10I1J1*%X0Y0D03*%SR*%",
        replace(DEFAULT_LIMITS, objects=50),
    ),
    "copies repeat": ("%SRX5Y10I1J1*%X0Y0D03*%SR*%", replace(DEFAULT_LIMITS, copies=49)),
    "copies blocks": (
        "%ABD20*%X0Y0D03*X1Y0D03*%AB*%" + "D20*X0Y0D03*X5Y5D03*D10*X0Y0D03*",
        replace(DEFAULT_LIMITS, copies=4),
    ),
    "segments plain": (REGION * 7, replace(DEFAULT_LIMITS, segments=21)),
    "segments repeated": (
        "%SRX7Y1I1J1*%" + REGION + "%SR*%",
        replace(DEFAULT_LIMITS, segments=21),
    ),
    "corners flashes": (
        "%ADD11R,1X1*%D11*" + "X0Y0D03*" * 7,
        replace(DEFAULT_LIMITS, corners=35),  # a closed ring of four corners has five
    ),
    "corners regions": (REGION * 7, replace(DEFAULT_LIMITS, corners=21)),
    "crossings": (ZIGZAG, replace(DEFAULT_LIMITS, crossings=9)),
    "stroke_crossings": (
        "".join(f"X0Y{n}D02*X9D01*X{n}Y0D02*Y9D01*" for n in (2, 4, 6)),
        replace(DEFAULT_LIMITS, stroke_crossings=9),
    ),
    "block_depth": (blocks(6), replace(DEFAULT_LIMITS, block_depth=6)),
    "macro_primitives": (
        macro("*".join([PRIMITIVE] * 30)),
        replace(DEFAULT_LIMITS, macro_primitives=30),
    ),
    "macro_depth": (
        macro("1,1," + "(" * 20 + "$1" + ")" * 20 + ",0,0"),
        replace(DEFAULT_LIMITS, macro_depth=20),
    ),
    "apertures": (
        "".join(f"%ADD{n}C,0.1*%" for n in range(11, 20)),
        replace(DEFAULT_LIMITS, apertures=10),
    ),
}
DRILLS: dict[str, tuple[str, Limits]] = {
    "objects plain": ("X1.0Y1.0\n" * 49, replace(DEFAULT_LIMITS, objects=50)),
    "objects repeated": ("R49X1.0\n", replace(DEFAULT_LIMITS, objects=50)),
    "copies hole": ("R49X1.0\n", replace(DEFAULT_LIMITS, copies=49)),
    "copies pattern": (
        "M25\nX1.0Y1.0\nX2.0Y2.0\nM01\nR9M02X5.0Y0.0\nM08\n",
        replace(DEFAULT_LIMITS, copies=18),
    ),
}
PACKAGES: dict[str, tuple[dict[str, bytes], Limits]] = {
    "members": (dict(FILES), replace(DEFAULT_LIMITS, members=len(FILES))),
    "path_depth": ({"a/b/c/x.gbr": b"x"}, replace(DEFAULT_LIMITS, path_depth=3)),
    "package_bytes": (
        {f"{n}.gbr": b"0123456789" * 100 for n in range(5)},
        replace(DEFAULT_LIMITS, package_bytes=5000),
    ),
    "file_bytes": ({"x.gbr": b"0123456789" * 100}, replace(DEFAULT_LIMITS, file_bytes=1000)),
}


def tighter(limits: Limits) -> Limits:
    """One less of what was set."""
    (name,) = [f.name for f in fields(limits) if getattr(limits, f.name) != f.default]
    return replace(limits, **{name: getattr(limits, name) - 1})


@pytest.mark.parametrize("case", LAYERS)
def test_layers_at_a_limit(case: str) -> None:
    """A layer that asks for exactly the limit is whole; one that asks for more says so."""
    body, limits = LAYERS[case]

    assert layer_is_whole(body, limits)
    assert not layer_is_whole(body, tighter(limits))


@pytest.mark.parametrize("case", DRILLS)
def test_drill_files_at_a_limit(case: str) -> None:
    """A drill file that asks for exactly the limit is whole; one that asks for more says so."""
    body, limits = DRILLS[case]

    assert drill_is_whole(body, limits)
    assert not drill_is_whole(body, tighter(limits))


@pytest.mark.parametrize("as_zip", [False, True], ids=["folder", "zip"])
@pytest.mark.parametrize("case", PACKAGES)
def test_packages_at_a_limit(case: str, as_zip: bool, tmp_path: Path) -> None:
    """A package of exactly the limit opens; a larger one is refused."""
    members, limits = PACKAGES[case]

    assert opens(members, limits, tmp_path, as_zip=as_zip)
    assert not opens(members, tighter(limits), tmp_path, as_zip=as_zip)


def test_archive_ratio_at_its_limit(tmp_path: Path) -> None:
    """A member that unpacks to just the allowed multiple opens; the next multiple is refused."""
    data = bytes(3 * 2**20)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x.gbr", b"G04*" + data)
        packed = archive.getinfo("x.gbr")
    (tmp_path / "x.zip").write_bytes(made.getvalue())
    ratio = -(-packed.file_size // packed.compress_size)

    assert open_input(tmp_path / "x.zip", limits=replace(DEFAULT_LIMITS, archive_ratio=ratio))
    with pytest.raises(LimitExceeded, match="times its size"):
        open_input(tmp_path / "x.zip", limits=replace(DEFAULT_LIMITS, archive_ratio=ratio - 1))


@given(st.integers(0, 30), st.integers(1, 10))
def test_places_are_kept_up_to_their_limit(count: int, keep: int) -> None:
    """All are counted, the first ones are kept with their places."""
    log = ProblemLog("x.gbr", keep=keep)
    for offset in range(count):
        log.add(UNKNOWN_COMMAND, "what is this", offset=offset)
    found = log.freeze(bytes(40))

    assert sum(f.count for f in found) == count
    assert sum(len(f.places) for f in found) == min(count, keep)


def test_layers_with_too_many_corners_are_not_drawn() -> None:
    """A part of it would be nothing that can be judged."""
    body, limits = LAYERS["corners flashes"]
    file = read_gerber((HEAD + body + "M02*").encode(), name="x", limits=tighter(limits))
    assert not len(file.objects)
    assert [p.message for p in file.problems if p.id == "gerber/limit"] == [
        "the shapes have 35 corners, more than 34 (limit corners)"
    ]


def test_every_limit_is_tried() -> None:
    """No limit is without a file on both sides of it."""
    cases = " ".join([*LAYERS, *DRILLS, *PACKAGES])

    for field in fields(Limits):
        elsewhere = ("archive_ratio", "problem_places", "memory_bytes", "seconds")
        assert field.name in cases or field.name in elsewhere


def test_small_packages_take_little_memory(tmp_path: Path) -> None:
    """Up to 10 MB a gigabyte, for 100 MB three, and what is stated; a check is bounded so."""
    libraries = 100 * 2**20
    assert DEFAULT_LIMITS.memory_to_check(10_000_000) + libraries < 1_050_000_000
    assert DEFAULT_LIMITS.memory_to_check(100_000_000) + libraries < 3_050_000_000
    assert DEFAULT_LIMITS.memory_to_check(10**9) == DEFAULT_LIMITS.memory_bytes
    for name, data in FILES.items():
        (tmp_path / name).write_bytes(data)
    assert run_apart(memory_to_check, tmp_path, None).result < 10**9
    assert run_apart(memory_to_check, tmp_path, 2 * 2**30).result == 2 * 2**30


def test_only_who_reads_a_package_is_bounded_in_time() -> None:
    """A desk serves its page for hours; the time begins with the first package."""
    before, after = run_apart(time_of_steps).result
    assert before == 0
    assert 49 < after < 51  # of the clock of the system


@pytest.mark.parametrize(
    "call", [fabkit.open_package, fabkit.read_gerber, fabkit.read_drill], ids=lambda c: c.__name__
)
def test_limits_can_be_changed(call: Callable[..., object], tmp_path: Path) -> None:
    """Whoever calls from Python may set every limit."""
    (tmp_path / "x.gbr").write_bytes(FILES["tiny-copper-top.gbr"])

    assert call(tmp_path / "x.gbr", limits=DEFAULT_LIMITS)
    with pytest.raises(LimitExceeded):
        call(tmp_path / "x.gbr", limits=replace(DEFAULT_LIMITS, file_bytes=10))


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    """Folder with the tiny package."""
    (tmp_path / "tiny").mkdir()
    for name, data in FILES.items():
        (tmp_path / "tiny" / name).write_bytes(data)
    return tmp_path / "tiny"


def test_commands_take_limits(tiny: Path) -> None:
    """A refusal names the limit and how to raise it; raised as it says, the command goes on."""

    def run(*words: str) -> Result:
        return CliRunner().invoke(cli, ["check", str(tiny), "--fail-on", "never", *words])

    refused = run("--limit", "members=5")
    assert refused.exit_code == 2
    assert "holds more than 5 files" in refused.output
    assert "--limit members=" in refused.output
    assert run("--limit", f"members={len(FILES)}").exit_code == 0
    assert run("--limit", "members = 1_0", "--limit", "file_bytes=1GiB").exit_code == 0
    assert "--limit" in run("--limit", "file_bytes=10").output


def test_a_layer_beyond_a_limit_names_it(tiny: Path) -> None:
    """What a file asks for inside is an error with the limit's name and the option."""
    done = CliRunner().invoke(cli, ["check", str(tiny), "--limit", "objects=1"])

    assert done.exit_code == 1
    words = " ".join(done.output.split())
    assert "over 1 objects" in words
    assert "--limit" in words


@pytest.mark.parametrize("words", ["members", "members=", "members=-1", "=3", "members=0", "x=3"])
def test_limits_that_make_no_sense(words: str, tiny: Path) -> None:
    """Status 2 and words; an unknown name lists the known ones."""
    done = CliRunner().invoke(cli, ["check", str(tiny), "--limit", words])

    assert done.exit_code == 2
    assert "Traceback" not in done.output


def test_packing_and_ordering_read_back_under_the_same_limits(tiny: Path, tmp_path: Path) -> None:
    """A board read under tight limits is read back under them, and an order takes limits."""
    tight = changed_limits({"members": len(FILES)})
    board = fabkit.build_board(fabkit.open_package(tiny, limits=tight))
    assert board.package.limits == tight
    with pytest.raises(LimitExceeded, match="more than 3 files"):
        fabkit.order(order_for(tiny), tmp_path / "out", limits=changed_limits({"members": 3}))


def test_the_page_of_limits_is_current() -> None:
    """What is committed is what ``python docs/make_reference.py`` writes."""
    spec = importlib.util.spec_from_file_location("reference", ROOT / "docs/make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    page = module.PAGES["limits.md"]()

    assert (ROOT / "docs" / "limits.md").read_text(encoding="utf-8") == page
    for field in fields(Limits):
        assert f"`{field.name}`" in page
