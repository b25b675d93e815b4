"""Who comes in: passphrases, sessions, request tokens, host names, policies. What somebody who is
inside may see and do stands in `repcount.web.roles`.

A session is a row: it ends when somebody logs out, when its time is over, when its person sets a
new passphrase or is removed, and with every other when the library's passphrase is set. The cookie
is a random number, of which the row keeps the digest alone. The token that every change carries is
derived from the cookie, so another site, which can neither read our pages nor the cookie, cannot
make one. Where no passphrase is set there are no sessions, and the token is derived from the
library's key.

Whether a change comes from our own pages, browsers say in `Sec-Fetch-Site`, which no script can
set (Fetch Metadata Request Headers, W3C; the Fetch standard forbids scripts names with "Sec-").
`Origin: null` alone says nothing: a page without referrers sends it for its own form, and so does
a sandboxed frame of anybody. It passes only beside `Sec-Fetch-Site: same-origin`, which no such
frame has. Browsers from before that header send their `Origin`, since pages have the referrer
policy `same-origin`, which tells other sites as little as none. A program that sends neither is
no browser that somebody could have led here; it needs token or passphrase like everyone.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import secrets
import time
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from sqlalchemy import delete
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from repcount.errors import RepcountError
from repcount.library.people import COACH
from repcount.library.rows import KEY, PASSPHRASE, PersonRow, SessionRow, Setting, now
from repcount.library.store import Library
from repcount.web.settings import LOOPBACK, Settings

SHORTEST_PASSPHRASE, LONGEST_PASSPHRASE = 8, 1000
SESSION_S = 30 * 86_400
# What a form with a passphrase of 1000 characters and a name of 100 may take: four bytes each,
# three signs a byte.
MOST_LOGIN_BYTES = 14_000
LOGIN_S = 10.0  # in which it has to have come
PASSPHRASE_BODY = "That is too much for a passphrase."
# RFC 7914's interactive setting (N = 2^14) doubled twice, as machines have become faster
_SCRYPT = {"n": 2**16, "r": 8, "p": 1, "maxmem": 128 * 2**20}
_SAFE = {"GET", "HEAD", "OPTIONS"}
LOGIN, STATIC, LINKS, JOIN = "/login", "/static/", "/s/", "/join/"
# Of what the OWASP Secure Headers Project lists, all that no page needs: a video may be shown full
# screen or beside other windows, and a link may be put on the clipboard.
_NOT_USED = ", ".join(
    f"{name}=()"
    for name in (
        "accelerometer", "camera", "display-capture", "encrypted-media", "gamepad", "geolocation",
        "gyroscope", "hid", "idle-detection", "magnetometer", "microphone", "midi", "payment",
        "publickey-credentials-get", "serial", "usb", "xr-spatial-tracking",
    )
)  # fmt: skip
NOBODY = 0  # no athlete has this id
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)


def set_passphrase(library: Library, passphrase: str) -> None:
    """Keep the hash of the library's passphrase; every session ends. RepcountError if it is too
    short."""
    kept = hash_of(passphrase)
    with library.session() as session:
        session.merge(Setting(key=PASSPHRASE, value=kept))
        session.merge(Setting(key=KEY, value=secrets.token_hex(32)))
        session.execute(delete(SessionRow))


def hash_of(passphrase: str) -> str:
    """What is kept of a passphrase. RepcountError if it is too short or too long."""
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise RepcountError(
            f"the passphrase has fewer than {SHORTEST_PASSPHRASE} characters; choose a longer one."
        )
    if len(passphrase) > LONGEST_PASSPHRASE:
        raise RepcountError(
            f"the passphrase has more than {LONGEST_PASSPHRASE} characters; choose a shorter one."
        )
    salt = secrets.token_bytes(16)
    digest = hashlib.scrypt(passphrase.encode("utf-8", "replace"), salt=salt, **_SCRYPT)
    return f"{salt.hex()}:{digest.hex()}"


def is_passphrase(kept: str | None, given: str) -> bool:
    """Whether it is the one of which this was kept. Where none was, it takes as long to say no."""
    salt, digest = map(bytes.fromhex, (kept or "00:00").split(":"))
    made = hashlib.scrypt(given.encode("utf-8", "replace"), salt=salt, **_SCRYPT)
    return hmac.compare_digest(made, digest) and kept is not None


@dataclass(frozen=True)
class Access:
    """Who asks. `inside`: a passphrase was given in this session; `asked`: there is one, so
    whoever is not inside has to give it; `token`: what a change must carry ("": none can be
    made). `name`: of a person with a passphrase of their own, else empty; `athlete_id`: of an
    athlete among them, who sees nothing of others."""

    inside: bool
    asked: bool
    token: str
    name: str = ""
    athlete_id: int | None = None

    @property
    def let_in(self) -> bool:
        """Whether pages may be seen and things changed."""
        return self.inside or not self.asked

    @property
    def coach(self) -> bool:
        """Whether this is somebody who sees everything."""
        return self.let_in and self.athlete_id is None


class Sessions:
    """Rows of those who gave the passphrase, their cookies, and the tokens that go with them.

    Nothing is kept in memory: what a command changes in the library holds for the next request.
    """

    def __init__(self, library: Library, settings: Settings) -> None:
        self.library, self.secure, self.login = library, settings.secure, settings.login
        self.name = "__Host-repcount" if self.secure else "repcount"
        if library.setting(KEY) is None:
            library.set_setting(KEY, secrets.token_hex(32))

    def begin(self, person_id: int | None = None) -> str:
        """A new session, of a person or of whoever has the library's passphrase; its cookie's
        value."""
        value = secrets.token_urlsafe(32)
        with self.library.session() as session:
            session.execute(delete(SessionRow).where(SessionRow.expires_at < now()))
            session.add(
                SessionRow(
                    digest=digest_of(value), person_id=person_id, created_at=now(),
                    expires_at=now() + SESSION_S,
                )
            )  # fmt: skip
        return value

    def renew(self, request: Request, response: Response, person_id: int | None) -> None:
        """Begin a session in place of the one that the request came with, if it did."""
        self.end(request.cookies.get(self.name))
        self.put(response, self.begin(person_id))

    def end(self, value: str | None) -> None:
        """End a session, if there is one of that cookie."""
        with self.library.session() as session:
            session.execute(delete(SessionRow).where(SessionRow.digest == digest_of(value or "")))

    def access(self, value: str | None) -> Access:
        """Who asks with a cookie."""
        with self.library.session() as session:
            found = session.get(SessionRow, digest_of(value)) if value else None
            asked = self.login or session.get(Setting, PASSPHRASE) is not None
            if value and found is not None and asked and found.expires_at > now():
                token = digest_of("token " + value)
                person = session.get(PersonRow, found.person_id) if found.person_id else None
                if person is None:
                    return Access(True, asked, token)
                own = None if person.role == COACH else person.athlete_id or NOBODY
                return Access(True, asked, token, person.name, own)
            key = session.get(Setting, KEY)
        if asked or key is None:
            return Access(False, asked, "")
        return Access(
            False, asked, hmac.new(bytes.fromhex(key.value), b"token", "sha256").hexdigest()
        )

    def put(self, response: Response, value: str) -> None:
        """Set the cookie."""
        response.set_cookie(
            self.name, value, max_age=SESSION_S, path="/", secure=self.secure, httponly=True,
            samesite="strict",
        )  # fmt: skip


def digest_of(text: str) -> str:
    """What the database keeps of a cookie: SHA-256, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def base_of(request: Request, settings: Settings) -> str:
    """How links to this server begin: as whoever asks reaches it, or, where that is from this
    machine itself, as others do."""
    base = request.base_url
    if settings.address and base.hostname in LOOPBACK:
        return settings.address
    if settings.secure:  # a server in front speaks TLS and need not say so
        base = base.replace(scheme="https")
    return str(base)


class TooMany(Exception):
    """Too many wrong passphrases; `wait_s` seconds until the next is heard."""

    def __init__(self, wait_s: int) -> None:
        self.wait_s = wait_s

    @property
    def sentence(self) -> str:
        """What whoever tried is told."""
        minutes = (self.wait_s + 59) // 60
        return f"Too many tries; wait {minutes} minute{'' if minutes == 1 else 's'}."


class Attempts:
    """Tries at the passphrase: one is checked at a time, five wrong ones in five minutes are heard
    from one address. No number from all together closes the door: it would close it to the right
    one too, and one check at a time (a fifth of a second) slows all together enough."""

    WINDOW_S, MOST = 300.0, 5

    def __init__(self) -> None:
        self._wrong: dict[str, deque[float]] = {}
        self._one = asyncio.Lock()

    @asynccontextmanager
    async def turn(self, address: str) -> AsyncIterator[None]:
        """Wait for one's turn to be checked. Raises TooMany.

        A try counts from when it comes, so that many at once gain nothing.
        """
        self._heard(network_of(address))
        async with self._one:
            yield

    def forget(self, address: str) -> None:
        """The right one came from there."""
        self._wrong.pop(network_of(address), None)

    def _heard(self, network: str) -> None:
        since = time.monotonic() - self.WINDOW_S
        for one, tries in list(self._wrong.items()):
            while tries and tries[0] < since:
                tries.popleft()
            if not tries:
                del self._wrong[one]
        mine = self._wrong.setdefault(network, deque())
        if len(mine) >= self.MOST:
            raise TooMany(max(1, int(mine[0] - since) + 1))
        mine.append(time.monotonic())


def network_of(address: str) -> str:
    """What counts as one address: of IPv6 the half that a network gives, since everyone in it may
    choose the other (RFC 4291, 2.5.1)."""
    try:
        one = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if one.version == 4 or one.is_loopback:
        return str(one)
    mapped = one.ipv4_mapped
    return str(mapped or ipaddress.ip_network((one, 64), strict=False))


async def given_passphrase(request: Request) -> tuple[str, str] | None:
    """Name and passphrase in a form's body, each empty where it is not there; None where the body
    is too large, too slow or no such form, or a passphrase longer than any.

    Not a byte more than a form can have is read, and nothing is parsed before.
    """
    body = bytearray()
    try:
        async with asyncio.timeout(LOGIN_S):
            async for piece in request.stream():
                body += piece
                if len(body) > MOST_LOGIN_BYTES:
                    return None
        fields = parse_qs(body.decode("ascii"), max_num_fields=4)
    except (TimeoutError, ValueError):
        return None
    name, passphrase = (fields.get(key, [""])[0] for key in ("name", "passphrase"))
    if len(passphrase) > LONGEST_PASSPHRASE:  # checked as it was given, or not at all
        return None
    return " ".join(name.split()), passphrase


class Gate:
    """In front of every page: host name, session, token, login, headers."""

    def __init__(self, app: ASGIApp, settings: Settings, sessions: Sessions) -> None:
        self.app, self.settings, self.sessions = app, settings, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        path = request.url.path
        refusal = self._foreign(request)
        if refusal is None and not path.startswith(STATIC):
            cookie = request.cookies.get(self.sessions.name)
            access = await run_in_threadpool(self.sessions.access, cookie)
            refusal = self._closed(request, access)
        else:
            access = Access(False, True, "")
        scope.setdefault("state", {})
        scope["state"]["access"] = access

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", POLICY)
                headers["X-Content-Type-Options"] = "nosniff"
                # a link's address is its secret
                headers["Referrer-Policy"] = (
                    "no-referrer" if path.startswith(LINKS) else "same-origin"
                )
                headers["Cross-Origin-Opener-Policy"] = "same-origin"
                headers["Cross-Origin-Resource-Policy"] = "same-origin"
                headers["Permissions-Policy"] = _NOT_USED
                headers["X-Frame-Options"] = "DENY"  # for browsers that know no frame-ancestors
                headers["X-Permitted-Cross-Domain-Policies"] = "none"
                is_static = path.startswith(STATIC)
                headers.setdefault("Cache-Control", "no-cache" if is_static else "no-store")
                if self.settings.secure:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
            await send(message)

        await (refusal or self.app)(scope, receive, with_headers)

    def _foreign(self, request: Request) -> Response | None:
        """A refusal of what is not addressed to this server, or changes something from another
        site's page."""
        try:
            if not self._ours(urlsplit("//" + request.headers.get("host", "")).hostname or ""):
                return PlainTextResponse("This server is not known by that name.", 400)
        except ValueError:
            return PlainTextResponse("The request names no host.", 400)
        if request.method in _SAFE:
            return None
        site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
        own = f"{'https' if self.settings.secure else 'http'}://{request.headers['host']}"
        ours = site == "same-origin" if site is not None else origin != "null"
        if ours and origin in (None, "null", own):
            return None
        return PlainTextResponse("The request came from another site.", 403)

    def _closed(self, request: Request, access: Access) -> Response | None:
        """A refusal of those who have not given the passphrase, or whose page is of another
        session."""
        path = request.url.path
        if path == LOGIN or path.startswith((LINKS, JOIN)):
            return None
        if not access.let_in:
            if request.method == "GET" and not path.startswith("/api/"):
                return RedirectResponse(LOGIN, 303)
            return PlainTextResponse("Give the passphrase first.", 401)
        given = request.headers.get("x-token", "").encode("utf-8", "replace")
        if request.method not in _SAFE and not hmac.compare_digest(access.token.encode(), given):
            return PlainTextResponse("The page is too old; load it again.", 403)
        return None

    def _ours(self, host: str) -> bool:
        if host in self.settings.hosts:
            return True
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return self.settings.any_address
