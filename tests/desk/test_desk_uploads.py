"""What comes in is counted first, kept whole or not at all, and never names a path."""

from __future__ import annotations

import zipfile

import pytest
from desks import SMALL_ZIP, begin

from fabkit.base.limits import Limits
from fabkit.desk import app
from fabkit.desk.app import SHEET_BYTES


@pytest.fixture
def address(desk):
    """Address of a new order."""
    return f"/orders/{desk.client.post('/orders', json={}).json()['id']}"


@pytest.fixture
def small_limits(monkeypatch):
    """Limits that a test can exceed."""
    limits = Limits(file_bytes=1000, package_bytes=1500, members=3)
    monkeypatch.setattr(app, "DEFAULT_LIMITS", limits)
    monkeypatch.setattr(app.DroppedFolder.__init__, "__defaults__", (limits,))
    return limits


def _files(desk):
    return sorted(p.relative_to(desk.folder).as_posix() for p in desk.folder.rglob("*.*"))


@pytest.mark.parametrize("chunked", [False, True], ids=["announced", "chunked"])
@pytest.mark.parametrize(
    ("method", "path", "most"),
    [
        ("PUT", "files?name=a.zip", 1000),
        ("PUT", "files?name=a.gbr&set=a", 1000),
        ("PUT", "files?name=a.toml", SHEET_BYTES),
        ("PUT", "order.toml", SHEET_BYTES),
        ("PUT", "sheets/house", SHEET_BYTES),
        ("POST", "change", SHEET_BYTES),
        ("POST", "revision", 4096),
    ],
)
def test_too_much_is_refused_while_it_comes(
    desk, address, small_limits, method, path, most, chunked
):
    """413, with or without a length that says so before; nothing is kept."""
    sent = []

    def body():
        for _ in range(100):
            sent.append(1)
            yield b"x" * (most // 4 + 1)

    content = body() if chunked else b"x" * (most + 1)
    answer = desk.client.request(method, f"{address}/{path}", content=content)

    assert answer.status_code == 413
    assert answer.json()["hint"]
    assert _files(desk) == []


@pytest.mark.parametrize("length", ["-1", "1e9", "99999999999999999999", "0x10", "१"])
def test_lengths_that_lie_are_refused(desk, address, length):
    """A length that is none, or far too large, ends before anything is read."""
    headers = {"content-length": length.encode()}
    answer = desk.client.put(f"{address}/files?name=a.zip", content=b"PK", headers=headers)

    assert answer.status_code in (400, 413)


def test_nothing_is_left_of_an_empty_file(desk, address):
    """It is said, and no package is there."""
    answer = desk.client.put(f"{address}/files?name=a.zip", content=b"")

    assert answer.status_code == 422
    assert "empty" in answer.json()["message"]
    assert _files(desk) == []


@pytest.mark.parametrize(
    "name", ["../../../evil.zip", "/etc/x.zip", "C:\\x.zip", "a/../b", "", "."]
)
def test_a_name_is_only_a_label(desk, address, name):
    """Wherever a name seems to lead, the package lies in its order under a plain name."""
    answer = desk.client.put(f"{address}/files", params={"name": name}, content=SMALL_ZIP)
    (file,) = answer.json()["files"]

    assert answer.status_code == 200
    assert _files(desk) == [f"{address.rsplit('/')[-1]}/{file['name']}"]
    assert file["name"].count("/") == 1


def test_a_folder_comes_file_by_file(desk, address):
    """Its files become one zip of the desk's own, under names that lead nowhere."""
    names = [
        "gerbers/top.gbr",
        "../../up.gbr",
        "/etc/root.gbr",
        "gerbers\\b.gbr",
        "gerbers/top.gbr",
    ]
    for name in names:
        put = desk.client.put(
            f"{address}/files", params={"name": name, "set": "my boards"}, content=name.encode()
        )
        assert put.status_code == 200
    assert put.json()["files"] == []
    state = desk.client.post(f"{address}/sets/my boards").json()
    (file,) = state["files"]
    with zipfile.ZipFile(desk.folder / state["id"] / file["name"]) as archive:
        held = {info.filename: archive.read(info).decode() for info in archive.infolist()}

    assert file["name"] == "packages/my-boards.zip"
    assert held == dict(
        zip(
            ["gerbers/top.gbr", "up.gbr", "etc/root.gbr", "gerbers/b.gbr", "gerbers/top-2.gbr"],
            names,
            strict=True,
        )
    )


def test_a_folder_is_counted_as_a_whole(desk, address, small_limits):
    """Files and bytes of all of it are bounded; with one refused there is no package."""

    def put(size, name="a"):
        return desk.client.put(
            f"{address}/files", params={"name": name, "set": "s"}, content=b"x" * size
        ).status_code

    assert [put(900), put(600), put(1)] == [200, 200, 413]
    end = desk.client.post(f"{address}/sets/s")
    assert end.status_code == 422
    assert "did not come whole" in end.json()["message"]
    assert [put(1), put(1), put(1), put(1)] == [200, 200, 200, 413]
    assert [put(1), desk.client.post(f"{address}/sets/s").status_code] == [422, 422]
    assert _files(desk) == []


def test_folders_without_end(desk, address):
    """A set that nobody began ends with 404; too many begun at once are refused."""
    codes = [
        desk.client.put(
            f"{address}/files", params={"name": "a", "set": str(n)}, content=b"x"
        ).status_code
        for n in range(12)
    ]

    assert desk.client.post(f"{address}/sets/never").status_code == 404
    assert codes == [200] * 8 + [422] * 4


def test_halves_go_with_the_desk(open_desk, tmp_path):
    """What was not ended when the desk closes is removed."""
    desk = open_desk()
    order = desk.client.post("/orders", json={}).json()["id"]
    desk.client.put(f"/orders/{order}/files?name=a&set=s", content=b"x")
    before = [p for p in desk.folder.rglob("*") if p.is_file()]
    desk.client.__exit__(None, None, None)
    after = [p for p in desk.folder.rglob("*") if p.is_file()]
    desk.client.__enter__()

    assert len(before) == 1
    assert after == []


def test_downloads_are_only_what_was_made(desk):
    """Names are looked up in a list; a path is none of them, and files are attachments."""
    order = begin(desk)["id"]
    folder = desk.store.get(order)
    folder.write_order(b"x")
    folder.keep_record("made", {"../order.toml": {"path": "../x", "title": "", "inputs": "other"}})

    good = desk.client.get(f"/orders/{order}/downloads/order.toml")
    bad = [
        desk.client.get(f"/orders/{order}/downloads/{name}").status_code
        for name in ("..%2forder.toml", "made.json", "small.zip", "%2e%2e")
    ]
    assert good.headers["content-disposition"] == 'attachment; filename="order.toml"'
    assert good.headers["content-type"] == "application/octet-stream"
    assert good.content == b"x"
    assert set(bad) == {404}
