"""Roles stated by the user, for files that do not say themselves what they are."""

from __future__ import annotations

import pytest
from tiny_files import FRAME, PADS, drill, gerber

from fabkit.base.errors import UsageError
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, Package, Role, RoleKind
from fabkit.package.words import STATED_ROLES, match_roles, read_role

NAMELESS = {
    "1.gbr": gerber(pads=PADS, lines=[PADS]),
    "2.gbr": gerber(pads=PADS, lines=[PADS[::-1]]),
    "7.gbr": gerber(lines=[FRAME]),
    "8.drl": drill(),
    "old/9.gbr": gerber(pads=PADS),
}


def stated(roles: dict[str, str], files: dict[str, bytes] = NAMELESS) -> Package:
    """The set of nameless files with roles stated."""
    members = tuple(Member(name=name, data=data) for name, data in files.items())
    return read_package(Intake(name="set", source="set", members=members, left_out=()), roles=roles)


def test_stated_roles_win() -> None:
    """Files are what the user says, with full confidence, and are not reported as unknown."""
    package = stated(
        {
            "1.gbr": "bottom copper",
            "2.GBR": "Copper,L1,Top",
            "8.drl": "plated drill",
            "*9.gbr": "unused",
        }
    )
    found = {file.name: str(file.role) for file in package.files}
    assert found["1.gbr"] == "bottom copper (layer 2)"
    assert found["2.gbr"] == "top copper (layer 1)"
    assert found["8.drl"] == "plated drill"
    assert {file.confidence for file in package.files if file.name != "7.gbr"} == {1.0}
    assert [(out.name, out.reason) for out in package.left_out] == [
        ("old/9.gbr", "stated to be unused")
    ]
    assert package.stated == ("1.gbr", "2.gbr", "8.drl")
    assert "package/unknown-role" not in {p.rule.id for p in package.problems}


def test_a_stated_role_wins_over_the_file_function() -> None:
    """An attribute that the user knows to be wrong is overruled."""
    files = {**NAMELESS, "1.gbr": gerber(pads=PADS, function="Soldermask,Top")}
    package = stated({"1.gbr": "top copper", "2.gbr": "bottom copper"}, files)
    assert package.of(RoleKind.COPPER, "top")[0].name == "1.gbr"


def test_plating_stays_where_it_is_not_stated() -> None:
    """'drill' keeps what the file itself says of plating."""
    marked = drill().replace(b"M48\n", b"M48\n; #@! TF.FileFunction,NonPlated,1,2,NPTH\n", 1)
    package = stated({"8.drl": "drill"}, {**NAMELESS, "8.drl": marked})
    assert package.of(RoleKind.DRILL)[0].role.plated is False


@pytest.mark.parametrize("text", [*STATED_ROLES, "inner copper 2", "Copper,L3,Inr,Plane"])
def test_what_is_said_is_read_back(text: str) -> None:
    """Every role of the list is understood, in any case and spacing."""
    assert read_role(f"  {text.upper()} ") == read_role(text)


def test_words_of_a_role() -> None:
    """Sides, plating and inner layers are told apart."""
    assert read_role("bottom mask") == Role(kind=RoleKind.MASK, side="bottom")
    assert read_role("non-plated drill") == Role(kind=RoleKind.DRILL, plated=False)
    assert read_role("inner copper 3") == Role(kind=RoleKind.COPPER, inner=True, layer=3)


@pytest.mark.parametrize(
    ("roles", "told"),
    [
        ({"1.gbr": "top coper"}, "did you mean 'top copper'"),
        ({"1.gbr": "inner copper 1"}, "is no role"),
        ({"1.gbr": "copper"}, "is no role"),
        ({"11.gbr": "top copper"}, "no file is called so"),
        ({"1.gbr": "top copper", "1.*": "bottom copper"}, "two roles are stated for 1.gbr"),
        ({"8.drl": "top copper"}, "holds drill commands"),
    ],
)
def test_what_cannot_be_is_refused(roles: dict[str, str], told: str) -> None:
    """A wrong word, a file that is not there, two words and drill commands as copper."""
    with pytest.raises(UsageError, match=told):
        stated(roles)


def test_a_table_is_no_layer() -> None:
    """Only layers and drill files can be given a role."""
    with pytest.raises(UsageError, match="holds no layer or drill data"):
        stated({"note.txt": "profile"}, {**NAMELESS, "note.txt": b"for people\n"})


def test_one_pattern_may_fit_many_files() -> None:
    """Patterns fit whole member names and their last part."""
    names = ["a/x.art", "a/y.art", "z.gbr"]
    assert sorted(match_roles(names, {"*.art": "unused"})) == [0, 1]
    assert sorted(match_roles(names, {"A/X.art": "unused"})) == [0]
