"""Files that do not say what they are: the user says it, and the zip then says it to the house."""

from __future__ import annotations

import re
import zipfile

from small_package import SMALL

ROLES = {
    "1.gbr": "top copper",
    "2.gbr": "bottom copper",
    "3.gbr": "top mask",
    "4.gbr": "bottom mask",
    "5.gbr": "profile",
    "6.drl": "plated drill",
}
FLAGS = [word for name, role in ROLES.items() for word in ("--role", f"{name}={role}")]


def nameless(folder):
    """The small package without attributes and with numbers for names."""
    folder.mkdir()
    for name, text in zip(ROLES, SMALL.values(), strict=True):
        bare = re.sub(r"%TF[^%]*%\n|; #@![^\n]*\n", "", text)
        (folder / name).write_text(bare)
    return folder


def test_roles_on_the_command_line(run, tmp_path):
    """Without roles there is no copper; with them the board is whole."""
    folder = nameless(tmp_path / "export")
    assert "no file is a copper layer" in run("check", folder).output
    told = run("check", folder, *FLAGS, "--files").output
    assert "2 copper layers" in told
    assert told.count("you say so") == len(ROLES)
    assert "package/unknown-role" not in told


def test_the_zip_needs_no_word_of_the_user(run, tmp_path):
    """Packed names tell the stated roles; the zip is read back without them."""
    folder = nameless(tmp_path / "wren")
    run("pack", folder, *FLAGS, "--out", tmp_path / "up.zip")
    with zipfile.ZipFile(tmp_path / "up.zip") as archive:
        names = archive.namelist()
    assert "Circuit-board-top-copper-layer-1.gbr" in names
    assert "2 copper layers" in run("check", tmp_path / "up.zip").output


def test_roles_in_the_order_file(run, tmp_path):
    """`order new` writes the roles down; `parts` then reads the board by them."""
    folder, order = nameless(tmp_path / "export"), tmp_path / "order.toml"
    run("order new", folder, *FLAGS, "--out", order)
    assert '"1.gbr" = "top copper"' in order.read_text()
    run("parts", order)
    assert "[board.roles]" in run("parts", order, "--role", "1.gbr=unused", status=2).stderr
