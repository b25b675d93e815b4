"""A line between browser and server that is slow, and can be cut: a relay of TCP connections."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress

_CHUNK = 16_384


class SlowLine:
    """Relays a port of its own to `port()`, towards it at so many bytes a second."""

    def __init__(self, port: Callable[[], int], bytes_a_second: float) -> None:
        self._port, self.rate = port, bytes_a_second
        self.is_cut = False
        self._come, self._due = 0, list[tuple[int, Callable[[], None]]]()
        self._open: list[socket.socket] = []
        self._stalled: set[socket.socket] = set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def after(self, size: int, what: Callable[[], None]) -> None:
        """Do it once, as soon as so many bytes have come: whoever waits for a sign of that in the
        page may see it only when all is over."""
        self._due.append((size, what))

    def cut(self) -> None:
        """End all connections and make none until it is mended."""
        self.is_cut = True
        for one in self._open:
            _end(one)

    def mend(self) -> None:
        self.is_cut = False

    def stall(self) -> None:
        """Let nothing more through the connections that are open, which stay so; new ones are not
        touched. As a phone that goes out of reach and comes back."""
        self._stalled.update(self._open)

    def close(self) -> None:
        self.cut()
        self._listening.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                try:
                    if self.is_cut:
                        raise OSError
                    far = socket.create_connection(("127.0.0.1", self._port()))
                except OSError:
                    near.close()
                    continue
                self._open += [near, far]
                for source, to, rate in ((near, far, self.rate), (far, near, 0.0)):
                    args = (source, to, rate)
                    threading.Thread(target=self._relay, args=args, daemon=True).start()

    def _relay(self, source: socket.socket, to: socket.socket, rate: float) -> None:
        with suppress(OSError):
            while source not in self._stalled and (data := source.recv(_CHUNK)):
                to.sendall(data)
                if rate:
                    self._count(len(data))
                    time.sleep(len(data) / rate)
        if source not in self._stalled:
            _end(source)
            _end(to)

    def _count(self, size: int) -> None:
        self._come += size
        for due in [one for one in self._due if self._come >= one[0]]:
            self._due.remove(due)
            due[1]()


def _end(one: socket.socket) -> None:
    """At once, whoever waits for it."""
    with suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
