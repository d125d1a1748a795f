"""Packing with names by rule, with a job file, and several packages at once."""

from __future__ import annotations

import json
import shutil
import zipfile

import pytest
from small_package import DEMO, SMALL

import fabkit


def members(path):
    """Name to bytes of a zip; every member's checksum is tested (zip APPNOTE 4.4.7)."""
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def test_names_by_rule(run, small, tmp_path):
    """--rename names files by what they are; bytes stay, and the readme says what they were."""
    out = tmp_path / "up.zip"
    run("pack", small, "--out", out, "--rename")
    packed = members(out)

    assert sorted(packed) == [
        "readme.txt",
        "small-bottom-copper-layer-2.gbr",
        "small-bottom-solder-mask.gbr",
        "small-plated-drill.drl",
        "small-profile.gbr",
        "small-top-copper-layer-1.gbr",
        "small-top-solder-mask.gbr",
    ]
    assert packed["small-profile.gbr"].decode() == SMALL["small-profile.gbr"]
    assert "(exported as small-plated.drl)" in packed["readme.txt"].decode()


def test_names_that_other_systems_refuse(run, small, tmp_path):
    """They are changed in the zip; readme, record and terminal state the old ones."""
    for name, was in {"con.gbr": "small-copper-top.gbr", "plated: 1. ": "small-plated.drl"}.items():
        (small / was).rename(small / name)
    out = tmp_path / "up.zip"
    told = run("pack", small, "--out", out, "--json")
    packed = members(out)

    (record,) = json.loads(told.stdout)["zips"]
    new = {row["exported_as"]: row["name"] for row in record["renamed"]}
    assert new["con.gbr"] == "file-con.gbr"
    assert new["plated: 1. "] == "plated- 1"
    assert packed["file-con.gbr"].decode() == SMALL["small-copper-top.gbr"]
    assert "(exported as con.gbr)" in packed["readme.txt"].decode()


def test_two_files_of_a_kind_are_numbered():
    """Names by rule never collide."""
    from fabkit.package.model import PackageFile, Role, RoleKind
    from fabkit.package.naming import names_by_rule

    role = Role(kind=RoleKind.DRILL, plated=True)
    files = {
        name: PackageFile(name=name, data=b"", role=role, confidence=1, reason="", content=None)
        for name in ("a", "b")
    }

    assert list(names_by_rule(files, "x")) == ["x-plated-drill-2.drl", "x-plated-drill.drl"]


def test_the_job_file_follows_new_names(run, tmp_path):
    """The demo's own job file lists the renamed files, exactly those of the zip."""
    out = tmp_path / "up.zip"
    run("pack", DEMO, "--out", out, "--rename")
    packed = members(out)
    job = json.loads(packed["Wheatear-job.gbrjob"])

    listed = {entry["Path"] for entry in job["FilesAttributes"]}
    assert listed == set(packed) - {"readme.txt", "Wheatear-job.gbrjob"}


def test_a_job_file_is_written(run, small, tmp_path):
    """--job writes the members the published format asks for, true to board and choices."""
    out = tmp_path / "up.zip"
    run("pack", small, "--out", out, "--job", "--thickness", "1.2", "--finish", "enig")
    packed = members(out)
    job = json.loads(packed["small-job.gbrjob"])

    assert {"Header", "GeneralSpecs", "FilesAttributes"} <= set(job)
    specs = job["GeneralSpecs"]
    assert specs["Size"] == {"X": 30.0, "Y": 20.0}
    assert (specs["LayerNumber"], specs["BoardThickness"], specs["Finish"]) == (2, 1.2, "ENIG")
    functions = {e["Path"]: (e["FileFunction"], e["FilePolarity"]) for e in job["FilesAttributes"]}
    assert functions["small-copper-bottom.gbr"] == ("Copper,L2,Bot", "Positive")
    assert functions["small-mask-top.gbr"] == ("Soldermask,Top", "Negative")
    assert functions["small-plated.drl"] == ("Plated,1,2,PTH", "Positive")
    assert set(functions) == set(packed) - {"readme.txt", "small-job.gbrjob"}


def test_a_written_job_file_reads_without_complaint(run, small, tmp_path):
    """Our own reader finds nothing to say about the job file, and takes the thickness from it."""
    out = tmp_path / "up.zip"
    run("pack", small, "--out", out, "--job", "--thickness", "1.2")
    board = fabkit.build_board(fabkit.open_package(out))
    record = json.loads(run("check", out, "--json").output)

    assert board.thickness_mm == 1.2
    assert not [f["id"] for f in record["findings"] if f["id"].startswith("job/")]


def test_a_written_job_file_is_dated_by_the_files(run, small, tmp_path):
    """The youngest file dates it (mandatory CreationDate, job format); without any it states so."""
    out = tmp_path / "up.zip"
    run("pack", small, "--out", out, "--job")
    header = json.loads(members(out)["small-job.gbrjob"])["Header"]
    assert "CreationDate" not in header
    assert "no file states" in header["Comment"]

    # The second is later, though its text sorts before: zones differ (ISO 8601).
    dates = ("2025-01-15T10:00:00+09:00", "2025-01-15T09:00:00+01:00")
    for layer, date in zip(sorted(small.glob("*copper*")), dates, strict=True):
        layer.write_text(f"%TF.CreationDate,{date}*%\n" + layer.read_text())
    run("pack", small, "--out", out, "--job", "--replace")
    header = json.loads(members(out)["small-job.gbrjob"])["Header"]
    assert header["CreationDate"] == dates[1]
    assert "Comment" not in header


def test_a_job_file_keeps_what_it_says(run, tmp_path):
    """Completing changes thickness and finish as chosen, nothing else of what is there."""
    out = tmp_path / "up.zip"
    run("pack", DEMO, "--out", out, "--job", "--thickness", "1.6")
    before = json.loads((DEMO / "wheatear-job.gbrjob").read_text(encoding="utf-8"))
    after = json.loads(members(out)["wheatear-job.gbrjob"])

    assert after["Header"] == before["Header"]
    assert after["GeneralSpecs"] == {**before["GeneralSpecs"], "BoardThickness": 1.6}


@pytest.fixture
def pair(small, tmp_path):
    """Two packages of different names."""
    return small, shutil.copytree(small, tmp_path / "other")


def test_only_rules_that_exist_can_be_accepted(run, small, tmp_path):
    """A misspelt id after --silence is refused with the nearest rule, and nothing is written."""
    out = tmp_path / "up.zip"
    told = run("pack", small, "--out", out, "--silence", "hole/ring-broke=cut away", status=2)
    assert "hole/ring-broken" in told.output
    assert not out.exists()


def test_several_packages_get_a_zip_each(run, pair, tmp_path):
    """Each package has its own zip in the folder, the same as packed alone."""
    out = tmp_path / "zips"
    record = json.loads(run("pack", *pair, "--out", out, "--json").output)
    run("pack", pair[0], "--out", tmp_path / "alone.zip")

    assert sorted(p.name for p in out.iterdir()) == ["other.zip", "small.zip"]
    assert [z["path"] for z in record["zips"]] == [
        (out / name).as_posix() for name in ("small.zip", "other.zip")
    ]
    assert (out / "small.zip").read_bytes() == (tmp_path / "alone.zip").read_bytes()


def test_several_packages_are_all_or_none(run, pair, tmp_path):
    """When one package has errors, none is packed."""
    drill = pair[1] / "small-plated.drl"
    drill.write_text(drill.read_text().replace("X25.0Y15.0", "X45.0Y15.0"))
    out = tmp_path / "zips"

    assert "not packed" in run("pack", *pair, "--out", out, status=1).output
    assert not out.exists()


def test_several_packages_need_a_folder_and_names(run, pair, small, tmp_path):
    """One zip for two packages, or two packages of one name, are refused in words."""
    text = run("pack", *pair, "--out", tmp_path / "up.zip", status=2).output
    assert "its own zip" in text

    twice = run("pack", small, small, "--out", tmp_path / "zips", status=2).output
    assert "two packages are called small" in twice


def test_a_parts_book_is_written_and_used(run, tmp_path):
    """`parts new` writes a book that loads as it is; an existing file is kept."""
    book = tmp_path / "mine.toml"
    run("parts", "new", "--out", book, "--name", "The drawer")

    assert "The drawer" in run("parts", DEMO, "--parts", book).output
    assert "exists already" in run("parts", "new", "--out", book, status=2).output
