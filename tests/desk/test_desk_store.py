"""Orders lie in a folder that their user sees, and are all that is remembered."""

from __future__ import annotations

import string

import pytest
from desks import begin
from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.errors import UnreadableInput, UsageError
from fabkit.desk import store as store_module
from fabkit.desk.store import Store, safe_name


@given(st.text(max_size=200), st.sampled_from(["", ".zip"]))
def test_a_label_never_is_a_path(label, ending):
    """Whatever a page calls a file, its name is one plain name that every system takes."""
    name = safe_name(label, ending=ending)

    assert name.endswith(ending)
    assert 0 < len(name.encode()) <= 4 * 80 + 16
    assert not set(name) & set('/\\:*?"<>|\0\n\r\t')
    assert not name.startswith(".")
    assert name.removesuffix(ending).casefold() not in {"con", "nul", "..", "."}


def test_orders_are_listed_by_age_with_revision(tmp_path):
    """Orders of one name are revisions of one another, counted from the first; empty ones none."""
    store = Store(tmp_path)
    for name in ("wren", "wren", "robin", "wren"):
        one = store.begin()
        one.write_order(b"")
        one.keep_record("summary", {"name": name, "verdict": "fit to order", "total": "1.00 cu"})
    store.begin()
    rows = store.listing()

    assert [(row["name"], row["revision"]) for row in rows] == [
        ("wren", 3),
        ("robin", 1),
        ("wren", 2),
        ("wren", 1),
    ]
    assert {row["total"] for row in rows} == {"1.00 cu"}


def test_names_of_orders_are_their_own(tmp_path):
    """16 hex digits, never two alike, and later ones sort behind earlier ones."""
    store = Store(tmp_path)
    names = [store.begin().id for _ in range(20)]

    assert len(set(names)) == 20
    assert all(len(name) == 16 and set(name) <= set(string.hexdigits) for name in names)
    assert [name[:11] for name in names] == sorted(name[:11] for name in names)


@pytest.mark.parametrize("name", ["..", ".", "", "0123456789abcdeg", "/etc", "0" * 16, "0" * 15])
def test_only_orders_are_found(tmp_path, name):
    """Nothing else in the folder, nor outside of it, is taken for an order."""
    (tmp_path / ("0" * 15)).mkdir()

    assert Store(tmp_path).get(name) is None


def test_a_link_is_no_order(tmp_path):
    """A link in the folder leads nowhere, also when an order is deleted."""
    outside = tmp_path / "outside"
    outside.mkdir()
    store = Store(tmp_path / "orders")
    store.open()
    (store.folder / ("a" * 16)).symlink_to(outside)

    assert store.get("a" * 16) is None
    assert store.orders() == []


def test_a_killed_desk_leaves_no_halves(tmp_path):
    """What came in half is removed when the next desk opens; all else stays."""
    store = Store(tmp_path)
    one = store.begin()
    with one.new_package("whole") as (part, whole):
        part.write_bytes(b"PK")
    half = one.path / "packages" / ".half.zip.0123abcd.part"
    half.write_bytes(b"PK")
    gone = tmp_path / f".{'b' * 16}.gone"
    gone.mkdir()
    store.open()

    assert not half.exists()
    assert not gone.exists()
    assert one.packages() == [whole]


def test_the_folder_is_its_users_alone(tmp_path):
    """Others of this machine read no orders."""
    store = Store(tmp_path / "new")
    store.open()

    assert store.folder.stat().st_mode & 0o077 == 0
    assert store.begin().path.stat().st_mode & 0o077 == 0


def test_a_folder_that_cannot_be_is_said(tmp_path):
    """Where a file stands in the way, a message says what to do."""
    (tmp_path / "file").write_text("")

    with pytest.raises(UnreadableInput, match="file"):
        Store(tmp_path / "file").open()


def test_packages_of_one_name_both_stay(tmp_path, monkeypatch):
    """The second gets a number; more than an order may have are refused."""
    monkeypatch.setattr(store_module, "MOST_PACKAGES", 2)
    one = Store(tmp_path).begin()
    for _ in range(2):
        with one.new_package("Left.zip") as (part, _):
            part.write_bytes(b"PK")

    assert one.packages() == ["packages/Left-2.zip", "packages/Left.zip"]
    with pytest.raises(UsageError, match="at most 2 packages"), one.new_package("third"):
        pass


def test_deleted_is_deleted(desk):
    """An order goes with all that is in it, and is not found any more."""
    order = begin(desk)["id"]

    assert desk.client.delete(f"/orders/{order}").status_code == 204
    assert desk.client.get(f"/orders/{order}").status_code == 404
    assert list(desk.folder.iterdir()) == []
