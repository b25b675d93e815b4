"""Connections that say nothing, too many of them, and handshakes that stall: others are served."""

from __future__ import annotations

import logging
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import httpx
import pytest

from repcount.web import listening, logs
from repcount.web.listening import Listening
from tests.web.serving import free_port

pytestmark = pytest.mark.slow

_RUN = """
import resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_NOFILE, (256, 256))
from repcount.library.store import Library
from repcount.web import listening, serve
from repcount.web.settings import Settings
listening.REQUEST_S, listening.HANDSHAKE_S = 2.0, 1.0
data = Path(sys.argv[1])
Library(data).close()
pair = serve.self_signed(data, ["127.0.0.1"]) if sys.argv[3] == "tls" else None
serve.run(Settings(data=data, workers=0), "127.0.0.1", int(sys.argv[2]), pair)
"""


@pytest.fixture(params=["plain", "tls"])
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, int, Path]]:
    """A server that may have 256 files open; its scheme, port and log."""
    port, log = free_port(), tmp_path / "log.txt"
    with log.open("wb") as said:
        process = subprocess.Popen(
            [sys.executable, "-c", _RUN, tmp_path / "data", str(port), request.param],
            stderr=said, stdout=said,
        )  # fmt: skip
    scheme = "https" if request.param == "tls" else "http"
    deadline = time.monotonic() + 120
    while answer(scheme, port) != 200:
        assert process.poll() is None, log.read_text()
        assert time.monotonic() < deadline
        time.sleep(0.1)
    yield scheme, port, log
    process.kill()
    process.wait()


def answer(scheme: str, port: int, seconds: float = 30.0) -> int:
    """The status of the first page; 0 where there is no answer."""
    try:
        return httpx.get(
            f"{scheme}://127.0.0.1:{port}/plans", timeout=seconds, verify=False
        ).status_code
    except httpx.TransportError:
        return 0


def test_three_hundred_idle_connections_keep_nobody_out_for_long(served):
    scheme, port, log = served
    with ExitStack() as stack:
        for _ in range(300):
            stack.enter_context(socket.create_connection(("127.0.0.1", port)))
        deadline = time.monotonic() + 60
        while answer(scheme, port, 5.0) != 200:
            assert time.monotonic() < deadline
    assert log.stat().st_size < 20_000


def test_a_connection_that_says_nothing_or_too_slowly_is_closed(served):
    scheme, port, _ = served
    for said in (b"", b"GET /plans HTTP/1.1\r\nX: "):
        one = socket.create_connection(("127.0.0.1", port))
        if scheme == "https":
            one = ssl._create_unverified_context().wrap_socket(one)
        one.settimeout(60)
        one.sendall(said)
        with suppress(ConnectionError):
            assert one.recv(1000) == b""
        one.close()
    assert answer(scheme, port) == 200


def test_a_handshake_that_stalls_is_closed(served):
    scheme, port, _ = served
    if scheme == "http":
        return
    with socket.create_connection(("127.0.0.1", port), timeout=60) as one:
        one.sendall(b"\x16\x03\x01")
        began = time.monotonic()
        with suppress(ConnectionError):
            while one.recv(1000):
                pass
        assert time.monotonic() - began < 30


def test_one_address_cannot_take_every_connection(monkeypatch):
    monkeypatch.setattr(listening, "network_of", lambda _: "192.0.2.1")
    with Listening(socket.AF_INET, most=10, most_each=2) as door, ExitStack() as stack:
        door.bind(("127.0.0.1", 0))
        door.listen()
        taken = []
        for _ in range(2):
            stack.enter_context(socket.create_connection(door.getsockname()))
            taken.append(door.accept()[0])
        stack.enter_context(socket.create_connection(door.getsockname()))
        with pytest.raises(ConnectionAbortedError):
            door.accept()
        taken.pop().close()
        stack.enter_context(socket.create_connection(door.getsockname()))
        taken.append(door.accept()[0])
        assert door.open == {"192.0.2.1": 2}
        for one in taken:
            one.close()
        assert not door.open


def test_the_same_message_is_logged_once_a_minute():
    seldom = logs.Seldom()
    record = logging.makeLogRecord({"msg": "socket.accept() out of system resource"})
    assert [seldom.filter(record) for _ in range(5)] == [True, False, False, False, False]
