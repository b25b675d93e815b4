"""Who is inside: sessions that end, a passphrase asked for everywhere, tries that cost little."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from repcount.cli.main import cli
from repcount.library.store import Library
from repcount.web import security
from tests.web.inside import asking
from tests.web.serving import served, with_token

PASSPHRASE, OTHER = "three stones and a bar", "four stones and no bar"


def set_passphrase(data: Path, passphrase: str) -> None:
    """As a person does, by the command."""
    done = CliRunner().invoke(
        cli, ["serve", "--data", str(data), "--set-passphrase"], input=f"{passphrase}\n" * 2
    )
    assert done.exit_code == 0, done.output


@contextmanager
def logged_in(address: str, passphrase: str = PASSPHRASE) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=address, timeout=60) as client:
        answer = client.post("/login", data={"passphrase": passphrase})
        assert answer.status_code == 303, answer.text
        yield with_token(client)


def is_inside(client: httpx.Client) -> bool:
    page = client.get("/plans")
    change = client.post("/api/athletes", data={"name": "Robin"})
    assert (page.status_code, change.status_code) in ((200, 204), (303, 401))
    return page.status_code == 200


def test_sessions_end_by_logging_out_and_by_a_new_passphrase(tmp_path):
    set_passphrase(tmp_path, PASSPHRASE)
    with served(tmp_path) as (port, _):
        address = f"http://127.0.0.1:{port}"
        with logged_in(address) as phone, logged_in(address) as desk:
            copied = dict(phone.cookies)
            assert phone.post("/logout").status_code == 204
            with httpx.Client(base_url=address, cookies=copied) as again:
                again.headers["X-Token"] = phone.headers["X-Token"]
                assert not is_inside(again)
            assert is_inside(desk)
            set_passphrase(tmp_path, OTHER)  # while the server runs
            assert not is_inside(desk)
            assert desk.post("/login", data={"passphrase": PASSPHRASE}).status_code == 403
        with logged_in(address, OTHER) as kept:
            cookie = kept.cookies["repcount"]
        raw = b"".join(one.read_bytes() for one in tmp_path.glob("library.sqlite*"))
        assert cookie.encode() not in raw
    with served(tmp_path) as (port, _):  # the server's end is no session's
        address = f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=address, cookies={"repcount": cookie}) as kept:
            assert is_inside(with_token(kept))


def test_a_session_ends_by_itself(tmp_path, monkeypatch):
    library = Library(tmp_path)
    security.set_passphrase(library, PASSPHRASE)
    sessions = security.Sessions(library, security.Settings())
    cookie = sessions.begin()
    assert sessions.access(cookie).let_in
    later = time.time() + security.SESSION_S
    monkeypatch.setattr(security, "now", lambda: int(later) - 10)
    assert sessions.access(cookie).let_in
    monkeypatch.setattr(security, "now", lambda: int(later) + 10)
    assert not sessions.access(cookie).let_in
    other = sessions.begin()
    with library.session() as session:  # and its row goes
        assert [one.digest for one in session.query(security.SessionRow)] == [
            security.digest_of(other)
        ]


def test_cookies_made_up_or_of_older_versions_open_nothing(tmp_path):
    library = Library(tmp_path)
    security.set_passphrase(library, PASSPHRASE)
    sessions = security.Sessions(library, security.Settings())
    key = bytes.fromhex(library.setting("key") or "")
    body = f"{'0' * 32}.{int(time.time()) + 1000}.1"
    signed = f"{body}.{security.hmac.new(key, body.encode(), 'sha256').hexdigest()}"
    for value in (signed, "", "x" * 5000, "\ud800", None):
        assert not sessions.access(value).let_in
        assert sessions.access(value).token == ""


def test_on_the_loopback_address_a_passphrase_is_asked_for(tmp_path):
    set_passphrase(tmp_path, PASSPHRASE)
    with served(tmp_path) as (port, _):
        address = f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=address) as stranger:
            assert stranger.get("/").headers["location"] == "/login"
            assert stranger.get("/openapi.json").status_code == 303
            assert stranger.get("/api/attempts/0123456789abcdef/panel").status_code == 401
            assert stranger.post("/api/athletes", data={"name": "X"}).status_code == 401
            assert 'name="token" content=""' in stranger.get("/login").text
        with logged_in(address) as owner:
            assert is_inside(owner)


def test_a_passphrase_set_while_the_server_runs_is_asked_for_at_once(tmp_path):
    with served(tmp_path) as (port, _), httpx.Client(base_url=f"http://127.0.0.1:{port}") as one:
        assert one.get("/").status_code == 200
        assert "set-cookie" not in one.get("/").headers
        set_passphrase(tmp_path, PASSPHRASE)
        assert one.get("/").status_code == 303


# What a change must say of where it comes from


@pytest.fixture(scope="module")
def open_site(tmp_path_factory: pytest.TempPathFactory):
    with served(tmp_path_factory.mktemp("site") / "data") as (port, _):
        yield f"http://127.0.0.1:{port}"


@pytest.mark.parametrize(
    ("said", "passes"),
    [
        ({}, True),  # no browser
        ({"Origin": "OWN"}, True),
        ({"Origin": "OWN", "Sec-Fetch-Site": "same-origin"}, True),
        ({"Origin": "null", "Sec-Fetch-Site": "same-origin"}, True),  # a page without referrers
        ({"Origin": "null"}, False),
        ({"Origin": "null", "Sec-Fetch-Site": "cross-site"}, False),  # a sandboxed frame
        ({"Origin": "OWN", "Sec-Fetch-Site": "same-site"}, False),
        ({"Sec-Fetch-Site": "none"}, False),
        ({"Origin": "https://elsewhere.example"}, False),
        ({"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "same-origin"}, False),
        ({"Origin": "OWN, with another scheme"}, False),
    ],
)
def test_changes_come_from_our_own_pages(open_site, said, passes):
    own = {"OWN": open_site, "OWN, with another scheme": open_site.replace("http:", "https:")}
    headers = {name: own.get(value, value) for name, value in said.items()}
    with httpx.Client(base_url=open_site) as client:
        with_token(client)
        answer = client.post("/api/athletes", data={"name": "Robin"}, headers=headers)
    assert answer.status_code == (204 if passes else 403)


def test_addresses_of_links_go_nowhere(open_site):
    for path, policy in (("/", "same-origin"), ("/login", "same-origin"), ("/s/x/", "no-referrer")):
        assert httpx.get(open_site + path).headers["referrer-policy"] == policy


# Tries


def stat_of(data: Path, port: int) -> int:
    """The process that serves a folder."""
    for one in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = one.read_bytes().split(b"\0")
        except OSError:
            continue
        if str(data).encode() in words and str(port).encode() in words:
            return int(one.parent.name)
    raise AssertionError("no such process")


def processor_s(pid: int) -> float:
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def peak_kb(pid: int) -> int:
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found is not None
    return int(found[1])


def tried(address: str, source: str, passphrase: str) -> int:
    """A try from one of this machine's own addresses."""
    with httpx.Client(transport=httpx.HTTPTransport(local_address=source), timeout=120) as client:
        return client.post(address + "/login", data={"passphrase": passphrase}).status_code


def test_what_is_too_large_for_a_passphrase_costs_next_to_nothing(tmp_path):
    set_passphrase(tmp_path, PASSPHRASE)
    with served(tmp_path) as (port, _):
        address, pid = f"http://127.0.0.1:{port}", stat_of(tmp_path, port)
        assert httpx.get(address + "/login").status_code == 200
        before_s, before_kb = processor_s(pid), peak_kb(pid)
        for body in (b"passphrase=" + b"&a=b" * 2_500_000, b"%41" * 3_400_000):
            for kind in ("application/x-www-form-urlencoded", "multipart/form-data; boundary=a"):
                try:
                    answer = httpx.post(
                        address + "/login", content=body, headers={"Content-Type": kind}
                    )
                except httpx.TransportError:  # it may be told while it has something to send
                    continue
                assert answer.status_code == 413
        # one of these bodies alone took five seconds of the processor
        assert processor_s(pid) - before_s < 1.0
        assert peak_kb(pid) - before_kb < 10_000
        # they are no tries: the right passphrase is heard, also a long one of any signs
        assert tried(address, "127.0.0.1", PASSPHRASE) == 303
        set_passphrase(tmp_path, "😀" * 1000)
        assert tried(address, "127.0.0.1", "😀" * 1000) == 303


def test_tries_at_once_are_checked_one_after_the_other(tmp_path):
    set_passphrase(tmp_path, PASSPHRASE)
    with served(tmp_path) as (port, _):
        address, pid = f"http://127.0.0.1:{port}", stat_of(tmp_path, port)
        assert tried(address, "127.0.0.1", "?") == 403
        before = peak_kb(pid)  # with one derivation, 64 MB by scrypt's own formula (128 N r)
        with ThreadPoolExecutor(12) as pool:
            statuses = list(pool.map(lambda n: tried(address, f"127.0.1.{n}", "?"), range(1, 13)))
        assert statuses == [403] * 12
        assert peak_kb(pid) - before < 64_000


def test_wrong_ones_close_the_door_to_their_own_address_alone(tmp_path, monkeypatch):
    from repcount.web.app import create_app
    from repcount.web.settings import Settings

    monkeypatch.setattr(security, "_SCRYPT", {"n": 16, "r": 1, "p": 1})  # none of this is about it
    library = Library(tmp_path)
    security.set_passphrase(library, PASSPHRASE)
    library.close()
    app = create_app(Settings(data=tmp_path, hosts=frozenset({"testserver"})))

    def from_(address: str) -> httpx.Client:
        return asking(app, address=address)

    def try_(address: str, passphrase: str = "?") -> int:
        return from_(address).post("/login", data={"passphrase": passphrase}).status_code

    with from_("192.0.2.1") as owner:
        owner.post("/login", data={"passphrase": PASSPHRASE})
        assert owner.get("/").status_code == 200
        for n in range(20):  # a hundred from all together
            assert [try_(f"198.51.100.{n}") for _ in range(5)] == [403] * 5
        refused = from_("198.51.100.7").post("/login", data={"passphrase": PASSPHRASE})
        assert refused.status_code == 429
        assert int(refused.headers["Retry-After"]) <= 300
        assert try_("192.0.2.9", PASSPHRASE) == 303
        # a session is good whoever tries beside it
        assert [try_("192.0.2.1") for _ in range(6)] == [403] * 5 + [429]
        assert owner.get("/").status_code == 200
        # everyone in a network may choose the second half of an IPv6 address
        assert [try_(f"2001:db8::{n}") for n in range(1, 7)] == [403] * 5 + [429]
        assert try_("2001:db8:0:1::1") == 403
        assert try_("::ffff:198.51.100.7") == 429
        start = time.monotonic()
        monkeypatch.setattr(security.time, "monotonic", lambda: start + 310)
        assert try_("198.51.100.7", PASSPHRASE) == 303
