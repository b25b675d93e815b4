"""Who may do what: passphrase, session cookie, request tokens, host names, policies.

The session is a signed cookie, without rows on the server. The token that every change carries is
derived from it, so another site, which cannot read our pages, cannot make one.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import time
from collections import deque
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from repcount.errors import RepcountError
from repcount.library.store import Library
from repcount.web.settings import Settings

PASSPHRASE, KEY = "passphrase", "key"
SHORTEST_PASSPHRASE = 8
SESSION_S = 30 * 86_400
# RFC 7914's interactive setting (N = 2^14) doubled twice, as machines have become faster
_SCRYPT = {"n": 2**16, "r": 8, "p": 1, "maxmem": 128 * 2**20}
_SAFE = {"GET", "HEAD", "OPTIONS"}
_OPEN = ("/login", "/static/", "/s/")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def set_passphrase(library: Library, passphrase: str) -> None:
    """Keep the hash of a passphrase; every session ends. RepcountError if it is too short."""
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise RepcountError(
            f"the passphrase has fewer than {SHORTEST_PASSPHRASE} characters; choose a longer one."
        )
    salt = secrets.token_bytes(16)
    digest = hashlib.scrypt(passphrase.encode(), salt=salt, **_SCRYPT)
    library.set_setting(PASSPHRASE, f"{salt.hex()}:{digest.hex()}")
    library.set_setting(KEY, secrets.token_hex(32))


def is_passphrase(library: Library, given: str) -> bool:
    """Whether it is the one that was set."""
    kept = library.setting(PASSPHRASE)
    if kept is None:
        return False
    salt, digest = map(bytes.fromhex, kept.split(":"))
    made = hashlib.scrypt(given.encode("utf-8", "replace"), salt=salt, **_SCRYPT)
    return hmac.compare_digest(made, digest)


class Sessions:
    """Signed cookies and the tokens that go with them."""

    def __init__(self, library: Library, secure: bool) -> None:
        self.name = "__Host-repcount" if secure else "repcount"
        self.secure = secure
        if library.setting(KEY) is None:
            library.set_setting(KEY, secrets.token_hex(32))
        self._key = bytes.fromhex(library.setting(KEY) or "")

    def _mac(self, text: str) -> str:
        return hmac.new(self._key, text.encode(), hashlib.sha256).hexdigest()

    def new(self, *, known: bool) -> str:
        """A cookie's value; `known`: the passphrase was given."""
        body = f"{secrets.token_hex(16)}.{int(time.time()) + SESSION_S}.{int(known)}"
        return f"{body}.{self._mac(body)}"

    def read(self, value: str | None) -> tuple[str, bool] | None:
        """(the session's text, whether the passphrase was given), None if it is not valid."""
        body, _, mac = (value or "").rpartition(".")
        if not hmac.compare_digest(self._mac(body).encode(), mac.encode("utf-8", "replace")):
            return None
        _, ends, known = body.split(".")
        if int(ends) < time.time():
            return None
        return body, known == "1"

    def token(self, session: str) -> str:
        """What a change must carry in this session."""
        return self._mac("token " + session)

    def put(self, response: Response, value: str) -> None:
        """Set the cookie."""
        response.set_cookie(
            self.name, value, max_age=SESSION_S, path="/", secure=self.secure, httponly=True,
            samesite="strict",
        )  # fmt: skip


class Attempts:
    """How often a wrong passphrase came: five in five minutes from one address, fifty from all."""

    WINDOW_S, FROM_ONE, FROM_ALL = 300.0, 5, 50

    def __init__(self) -> None:
        self._wrong: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str) -> int:
        """Seconds until the next try is heard; 0 if now."""
        now = time.monotonic()
        while self._wrong and self._wrong[0][0] < now - self.WINDOW_S:
            self._wrong.popleft()
        mine = [at for at, who in self._wrong if who == address]
        for seen, most in ((mine, self.FROM_ONE), ([at for at, _ in self._wrong], self.FROM_ALL)):
            if len(seen) >= most:
                return max(1, int(seen[-most] + self.WINDOW_S - now) + 1)
        return 0

    def note(self, address: str) -> None:
        """A try came."""
        self._wrong.append((time.monotonic(), address))

    def forget(self, address: str) -> None:
        """The right one came from there."""
        self._wrong = deque(one for one in self._wrong if one[1] != address)


class Gate:
    """In front of every page: host name, session, token, login, headers."""

    def __init__(self, app: ASGIApp, settings: Settings, sessions: Sessions) -> None:
        self.app, self.settings, self.sessions = app, settings, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        found = self.sessions.read(request.cookies.get(self.sessions.name))
        fresh = "" if found else self.sessions.new(known=False)
        session, known = found or (fresh.rpartition(".")[0], False)
        scope.setdefault("state", {})
        scope["state"] |= {"session": session, "token": self.sessions.token(session)}
        is_static = request.url.path.startswith("/static/")
        refusal = self._refusal(request, session, known or not self.settings.login)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", POLICY)
                headers["X-Content-Type-Options"] = "nosniff"
                headers["Referrer-Policy"] = "no-referrer"
                headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
                headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
                headers.setdefault("Cache-Control", "no-cache" if is_static else "no-store")
                if self.settings.secure:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
                if fresh and request.method == "GET" and "set-cookie" not in headers:
                    carrier = Response()
                    self.sessions.put(carrier, fresh)
                    headers.append("Set-Cookie", carrier.headers["set-cookie"])
            await send(message)

        await (refusal or self.app)(scope, receive, with_headers)

    def _refusal(self, request: Request, session: str, let_in: bool) -> Response | None:
        path = request.url.path
        try:
            if not self._ours(urlsplit("//" + request.headers.get("host", "")).hostname or ""):
                return PlainTextResponse("This server is not known by that name.", 400)
        except ValueError:
            return PlainTextResponse("The request names no host.", 400)
        if request.method not in _SAFE:
            origin = request.headers.get("origin")
            foreign = origin is not None and origin.partition("//")[2] != request.headers["host"]
            if foreign or request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
                return PlainTextResponse("The request came from another site.", 403)
            given = request.headers.get("x-token", "")
            if path != "/login" and not hmac.compare_digest(
                self.sessions.token(session).encode(), given.encode("utf-8", "replace")
            ):
                return PlainTextResponse("The page is too old; load it again.", 403)
        if let_in or path.startswith(_OPEN):
            return None
        if request.method == "GET" and not path.startswith("/api/"):
            return RedirectResponse("/login", 303)
        return PlainTextResponse("Give the passphrase first.", 401)

    def _ours(self, host: str) -> bool:
        if host in self.settings.hosts:
            return True
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return self.settings.any_address
