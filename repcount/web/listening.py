"""Connections: how many there may be, from one address and in all, and for how long they may say
nothing. Who holds the door open without coming in does not keep others out."""

from __future__ import annotations

import asyncio
import resource
import socket
import ssl
from collections import Counter
from functools import partial
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from repcount.errors import RepcountError
from repcount.web import logs
from repcount.web.security import network_of

MOST_OPEN_AT_ONCE = 512  # in all, where the system allows as many open files
MOST_EACH = 64  # from one address: a browser opens six at once (common practice, no source)
SPARE_FILES = 128  # open files kept for everything else: database, videos, analyses' pipes
REQUEST_S = 30.0  # until a request is whole: its line and its headers
# For TLS 1.2, those of RFC 9325, 4.2, and ChaCha20: forward secret and authenticated. TLS 1.3 has
# no others.
CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
HANDSHAKE_S = 10.0  # until TLS is agreed on


class Listening(socket.socket):
    """A listening socket that accepts only as many connections as there may be; others are closed
    as they come, before anything is read or agreed on."""

    def __init__(
        self, family: int, most: int = MOST_OPEN_AT_ONCE, most_each: int = MOST_EACH
    ) -> None:
        super().__init__(family, socket.SOCK_STREAM)
        self.most, self.most_each = min(most, _files_left()), most_each
        self.open: Counter[str] = Counter()

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection. Raises ConnectionAbortedError for one too many, as where a client
        has gone already, which event loops pass over."""
        number, address = self._accept()  # type: ignore[attr-defined]  # as in CPython's own
        one = _Counted(self.family, self.type, self.proto, fileno=number)
        network = network_of(str(address[0]))
        # loopback: a server in front stands for everybody
        each = self.most if network in ("127.0.0.1", "::1") else self.most_each
        if self.open.total() >= self.most or self.open[network] >= each:
            one.close()
            raise ConnectionAbortedError
        one.counted_in(self.open, network)
        return one, address


class _Counted(socket.socket):
    """A connection that is counted until it is closed."""

    _counts: Counter[str] | None = None
    _network = ""

    def counted_in(self, counts: Counter[str], network: str) -> None:
        self._counts, self._network = counts, network
        counts[network] += 1

    def close(self) -> None:
        if self._counts is not None:
            self._counts[self._network] -= 1
            if not self._counts[self._network]:
                del self._counts[self._network]
            self._counts = None
        super().close()


def _files_left() -> int:
    """How many connections the system's limit of open files allows, which is raised as far as it
    may be."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_OPEN_AT_ONCE + SPARE_FILES
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return MOST_OPEN_AT_ONCE if soft == resource.RLIM_INFINITY else max(8, soft - SPARE_FILES)


class Impatient(H11Protocol):
    """HTTP/1.1 that closes a connection of which no whole request has come for `REQUEST_S`."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def handle_events(self) -> None:
        super().handle_events()
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._wait()

    def _wait(self) -> None:
        self._stop_waiting()
        self._deadline = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _stop_waiting(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None


class _Server(uvicorn.Server):
    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        loop = asyncio.get_running_loop()
        if self.config.ssl is not None:
            self.config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
            loop.create_server = partial(  # type: ignore[method-assign]
                loop.create_server, ssl_handshake_timeout=HANDSHAKE_S
            )
        await super().startup(sockets)


def serve(config: uvicorn.Config, listening: Listening) -> None:
    """Serve an application at a bound socket until stopped. RepcountError where it did not start,
    after the reason in the log."""
    logs.begin()
    server = _Server(config)
    server.run(sockets=[listening])
    if not server.started:
        raise RepcountError("the server did not start; what is printed above says why.")
