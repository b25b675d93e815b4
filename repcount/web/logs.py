"""The server's log: one line an event, with the moment in UTC, on the error stream.

What is written: who came in or was refused, from which address; what an athlete was refused that is
another's; analyses that broke off; what nobody foresaw. Never passphrases, cookies, or addresses of
links.
"""

from __future__ import annotations

import logging
import time

LOG = logging.getLogger("repcount.web")
SAME_LOG_S = 60.0  # the same message is written once in so long
_MOST_KEPT = 1000


class Seldom(logging.Filter):
    """Lets a message pass once in `SAME_LOG_S`."""

    def __init__(self) -> None:
        super().__init__()
        self._said: dict[str, float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        text, now_s = record.getMessage()[:200], time.monotonic()
        if now_s - self._said.get(text, -SAME_LOG_S) < SAME_LOG_S:
            return False
        if len(self._said) > _MOST_KEPT:
            self._said.clear()
        self._said[text] = now_s
        return True


def begin() -> None:
    """Write what comes from here on."""
    lines = logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%SZ")
    lines.converter = time.gmtime
    handler = logging.StreamHandler()
    handler.setFormatter(lines)
    root = logging.getLogger()
    root.handlers = [handler]
    LOG.setLevel(logging.INFO)
    for name in ("asyncio", "python_multipart.multipart"):  # what strangers can make write
        logging.getLogger(name).addFilter(Seldom())
    LOG.addFilter(Seldom())


def whose(name: str) -> str:
    """A name as it stands in a line; whoever has the library's passphrase has none."""
    return f"“{one_line(name, 100)}”" if name else "the library’s passphrase"


def one_line(text: str, longest: int) -> str:
    """A text of somebody else's as it may stand in a line: printable, and no longer."""
    return "".join(one if one.isprintable() else "?" for one in text)[-longest:]
