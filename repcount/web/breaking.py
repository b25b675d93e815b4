"""What the server's log says of a process that broke off: one line, whatever it printed."""

from __future__ import annotations

import signal
import threading
from typing import IO

from repcount.web.logs import LOG, one_line

LONGEST = 300  # characters of what it said last
_PIECE = 4096


class Ending:
    """Reads what a process writes into its error stream and keeps the end of it alone."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._kept = b""
        self._thread = threading.Thread(target=self._read, args=(stream,), daemon=True)
        self._thread.start()

    def _read(self, stream: IO[bytes]) -> None:
        with stream:
            while piece := stream.read1(_PIECE):  # type: ignore[attr-defined]  # of a pipe's file
                self._kept = (self._kept + piece)[-_PIECE:]

    def last_line(self) -> str:
        """The last line that says anything, without control characters; empty where none does."""
        self._thread.join(timeout=1.0)
        lines = self._kept.decode("utf-8", "replace").splitlines()
        said = next((one for one in reversed(lines) if one.strip()), "").strip()
        return one_line(said, LONGEST)


def log_end(what: str, code: int, ending: Ending) -> None:
    """Say in the log how something ended by itself, and what it said last."""
    LOG.warning(
        "%s broke off (%s): %s", what, code_words(code), ending.last_line() or "it said nothing"
    )


def code_words(code: int) -> str:
    """An exit status as `subprocess` gives it, in words."""
    if code >= 0:
        return f"exit status {code}"
    try:
        return f"signal {-code}, {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"
