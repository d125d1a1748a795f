"""Nobody but the user's own page talks to the desk.

What a browser sends and other sites cannot change: Fetch Metadata (W3C), the Origin header
(RFC 6454), cookies with SameSite (RFC 6265bis).
"""

from __future__ import annotations

import re

import pytest
from desks import HERE

from fabkit.desk import guard
from fabkit.desk.guard import Door, new_password

CHANGES = [
    ("POST", "/orders"),
    ("DELETE", "/orders/{id}"),
    ("PUT", "/orders/{id}/files?name=a.zip"),
    ("POST", "/orders/{id}/sets/a"),
    ("POST", "/orders/{id}/change"),
    ("PUT", "/orders/{id}/order.toml"),
    ("PUT", "/orders/{id}/sheets/house"),
    ("POST", "/orders/{id}/cancel"),
    ("POST", "/orders/{id}/run"),
    ("POST", "/orders/{id}/deliver"),
    ("POST", "/orders/{id}/revision"),
]
READS = ["/orders", "/orders/{id}", "/orders/{id}/order.toml", "/orders/{id}/views/cost"]


@pytest.fixture
def order(desk):
    return desk.client.post("/orders", json={}).json()["id"]


@pytest.mark.parametrize(("method", "path"), [*CHANGES, *(("GET", path) for path in READS)])
def test_without_the_secret_nothing_is_told(desk, order, method, path):
    """No address but the page and the entrance answers a browser that was not let in."""
    desk.client.cookies.clear()
    answer = desk.client.request(method, path.format(id=order))

    assert answer.status_code == 401
    assert order not in answer.text


@pytest.mark.parametrize(("method", "path"), [*CHANGES, ("POST", "/enter")])
@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8001"},
        {"origin": "https://127.0.0.1:8000"},
        {"origin": ""},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
    ids=lambda headers: "=".join(*headers.items()),
)
def test_other_sites_change_nothing(desk, order, method, path, headers):
    """With the right cookie, too: a form or script of another site, port or scheme is refused."""
    answer = desk.client.request(method, path.format(id=order), headers=headers)

    assert answer.status_code == 403
    assert desk.store.get(order) is not None


@pytest.mark.parametrize("path", READS)
@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_other_sites_read_nothing(desk, order, path, site):
    """Not by scripts and pictures that another site includes either."""
    headers = {"sec-fetch-site": site}

    assert desk.client.get(path.format(id=order), headers=headers).status_code == 403


@pytest.mark.parametrize("host", ["evil.example:8000", "127.0.0.1", "127.0.0.1:8001", "", "[::1]"])
@pytest.mark.parametrize("path", ["/", "/page/desk.css", "/orders"])
def test_a_name_pointed_here_is_refused(desk, host, path):
    """DNS rebinding: another name for this address gets not even the page."""
    answer = desk.client.get(path, headers={"host": host})

    assert answer.status_code == 421


def test_the_cookie_is_for_this_page_alone(open_desk):
    """It cannot be read by scripts nor sent from other sites; it is not the token."""
    desk = open_desk(enter=False)
    answer = desk.client.post("/enter", json={"token": desk.door.token})
    cookie = answer.headers["set-cookie"]

    assert {"httponly", "samesite=strict", "path=/"} <= {
        part.strip().lower() for part in cookie.split(";")
    }
    assert desk.door.token not in cookie


@pytest.mark.parametrize("path", ["/", "/orders", "/nothing", "/orders/../../etc/passwd"])
def test_every_answer_forbids_what_it_does_not_need(desk, path):
    """Content policy, no guessing of types, no framing, nothing said to other sites."""
    headers = desk.client.get(path).headers
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )

    assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert policy["script-src"] == policy["connect-src"] == "'self'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"
    assert "access-control-allow-origin" not in headers


def test_a_token_for_once_opens_once(open_desk):
    """What stands in the command line of a browser is of no use afterwards."""
    desk = open_desk(enter=False)
    once = desk.door.token_for_once()

    said = [desk.client.post("/enter", json={"token": once}).status_code for _ in range(2)]
    assert said == [204, 403]


def test_passwords_cannot_be_tried(open_desk, monkeypatch):
    """After a few wrong ones each further one has to wait; a token opens at any time."""
    clock = [1000.0]
    monkeypatch.setattr(guard.time, "monotonic", lambda: clock[0])
    word = new_password()
    desk = open_desk(enter=False, password=word)

    def tried(key, text):
        return desk.client.post("/enter", json={key: text}).status_code

    assert [tried("password", str(n)) for n in range(guard.TRIES)] == [403] * guard.TRIES
    assert tried("password", word) == 429
    for _ in range(20):
        clock[0] += guard.PATIENCE_SECONDS + 1
        assert tried("password", "x") == 403
        assert tried("password", word) == 429
    assert [tried("token", text) for text in ("x", desk.door.token)] == [403, 204]
    # A token does not take back what was tried.
    assert tried("password", word) == 429
    clock[0] += guard.PATIENCE_SECONDS + 1
    assert tried("password", word.upper().replace("-", " ")) == 204


def test_without_phone_there_is_no_password(open_desk):
    """An empty or missing password opens nothing."""
    desk = open_desk(enter=False)

    for words in ({}, {"password": ""}, {"password": "None"}, {"token": ""}, {"password": None}):
        assert desk.client.post("/enter", json=words).status_code == 403


def test_secrets_are_long_and_new():
    """59 bits to type, 256 in an address; no two alike."""
    passwords = {new_password() for _ in range(50)}

    assert len(passwords) == 50
    assert all(re.fullmatch(r"(?:[a-z2-9]{4}-?){3}", word) for word in passwords)
    assert len({Door().token for _ in range(50)}) == 50
    assert len(Door().token) >= 43


def test_the_page_holds_no_secret(open_desk):
    """Whoever can only open the page learns nothing."""
    desk = open_desk(enter=False)
    desk.client.headers.pop("origin")

    for name in ("", "page/report.css", "page/price.js"):
        text = desk.client.get(f"/{name}").text
        assert desk.door.token not in text
        assert HERE not in text


@pytest.mark.parametrize(
    "name",
    [
        "..%2f..%2fapp.py",
        "%2e%2e/app.py",
        "../app.py",
        "desk.css%00.js",
        "start.js",
        "__init__.py",
        "page",
    ],
)
def test_only_the_files_of_the_page_are_given(desk, name):
    """Names are compared with those of the page, never joined to a path."""
    answer = desk.client.get(f"/page/{name}")

    assert answer.status_code == 404 or name == "start.js"
    assert "import" not in answer.text
