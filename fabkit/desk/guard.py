"""Who may talk to the desk, and what its answers may do in a browser.

The desk serves one user of this machine.  Other machines do not reach it; other users and programs
lack its secret; other sites, open in the same browser, fail by host (a name that was pointed at
this machine), by origin (a form or script that posts here) and by their cookies (not sent).
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Collection
from http.cookies import CookieError, SimpleCookie
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'"
)
"""Nothing from elsewhere (W3C Content Security Policy 3); styles of our own drawings are inline."""

HEADERS: Final = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}

TRIES: Final = 5
"""Wrong passwords in a row before each further try has to wait."""
PATIENCE_SECONDS: Final = 60.0
"""Longest wait between two tries."""

_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
"""For passwords: none that is mistaken for another."""


def new_password() -> str:
    """Make a password to type: twelve letters of 31, which is 59 bits."""
    letters = "".join(secrets.choice(_LETTERS) for _ in range(12))
    return "-".join(letters[n : n + 4] for n in (0, 4, 8))


class Door:
    """The secrets of one desk, and how often somebody may try.

    Parameters
    ----------
    password
        What may be typed on another device; None where no other device is let in.
    """

    def __init__(self, password: str | None = None) -> None:
        self.token = secrets.token_urlsafe(32)
        self.password = password
        self._session = secrets.token_urlsafe(32)
        self._once = secrets.token_urlsafe(32)
        self._wrong = 0
        self._next = 0.0

    def token_for_once(self) -> str:
        """Give a token that works once: command lines of browsers can be read by other users."""
        return self._once

    def wait_seconds(self) -> float:
        """How long no password may be tried."""
        return max(0.0, self._next - time.monotonic())

    def admit(self, *, token: str = "", password: str = "") -> str | None:
        """Give the session's secret to who knows a token or the password; None to others.

        Tokens are too long to be tried.  Passwords are not, so that wrong ones cost time; whoever
        tries them in the network keeps nobody with a token out.
        """
        if _same(token, self.token) or self._use_once(token):
            return self._session
        if self.password is None or not password or self.wait_seconds():
            return None
        if _same(_plain(password), _plain(self.password)):
            self._wrong = 0
            return self._session
        self._wrong += 1
        if self._wrong >= TRIES:
            wait = min(PATIENCE_SECONDS, 2.0 ** (self._wrong - TRIES))
            self._next = time.monotonic() + wait
        return None

    def _use_once(self, token: str) -> bool:
        if not self._once or not _same(token, self._once):
            return False
        self._once = ""
        return True

    def knows(self, session: str) -> bool:
        """Whether this is the session's secret."""
        return _same(session, self._session)


def _same(given: str, secret: str) -> bool:
    return bool(given) and hmac.compare_digest(given.encode(), secret.encode())


def _plain(password: str) -> str:
    return "".join(password.casefold().replace("-", "").split())


class Guard:
    """Refuses who must not talk to the desk, before anything of a request is read.

    Parameters
    ----------
    hosts
        Names with port under which the desk is asked for.
    cookie
        Name of the cookie: cookies of one machine are shared by its ports.
    """

    def __init__(self, app: ASGIApp, *, door: Door, hosts: Collection[str], cookie: str) -> None:
        self._app = app
        self._door = door
        self._hosts = frozenset(hosts)
        self._cookie = cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or let the desk answer."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refused = self._refused(scope["method"], scope["path"], Headers(scope=scope))
        if refused is None:
            await self._app(scope, receive, send_guarded)
            return
        status, message, hint = refused
        answer = JSONResponse({"message": message, "hint": hint}, status)
        await answer(scope, receive, send_guarded)

    def _refused(self, method: str, path: str, headers: Headers) -> tuple[int, str, str] | None:
        """Status, message and hint for who is refused; None for others."""
        host = headers.get("host", "").lower()
        if len(headers.getlist("host")) != 1 or host not in self._hosts:
            hint = "open the address that fabkit desk printed"
            return 421, "the desk is not asked for under this name", hint
        site = headers.get("sec-fetch-site", "same-origin")
        is_page = path == "/" or path.startswith("/page/")
        if method not in ("GET", "HEAD"):
            if headers.get("origin", "").lower() != f"http://{host}" or site != "same-origin":
                return 403, "only the desk's own page may change anything", ""
        elif site not in ("same-origin", "none") and path != "/":
            return 403, "other sites may not read the desk", ""
        if is_page or path == "/enter":
            return None
        if not self._door.knows(_cookie_of(headers, self._cookie)):
            hint = "open the whole address that fabkit desk printed"
            return 401, "this browser was not let in", hint
        return None


def _cookie_of(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found is not None else ""
