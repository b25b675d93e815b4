"""What a correction leaves stale (report, captions, tables) is made anew here, a moment later.

In a process of its own, one at a time: its libraries and its work stay out of the server's. What a
kill leaves stale is marked on the disk, and the next start takes it up.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from contextlib import suppress

from repcount.errors import RepcountError
from repcount.library.store import Library
from repcount.pipeline.results import is_stale
from repcount.web.breaking import Ending, log_end

COMMAND = (sys.executable, "-m", "repcount.pipeline.results")
DELAY_S = 1.0  # after the last of several corrections
DEADLINE_S = 120


class Rebuilder:
    """Rebuilds the results of a library's attempts. `start` it once, then `stop` it."""

    def __init__(self, library: Library) -> None:
        self.library = library
        self._due: dict[str, float] = {}
        self._changed = threading.Condition()
        self._one = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="rebuild", daemon=True)

    def start(self) -> None:
        """Take up what a stop or a kill has left, and go on."""
        for row in self.library.attempts(state="done"):
            if is_stale(self.library.folder_of(row.id)):
                self._due[row.id] = 0.0
        self._thread.start()

    def stop(self) -> None:
        """End; what is stale stays marked."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        if (process := self._process) is not None:
            process.kill()
        self._thread.join(timeout=10)

    def later(self, attempt_id: str) -> None:
        """An attempt was corrected."""
        with self._changed:
            self._due[attempt_id] = time.monotonic() + DELAY_S
            self._changed.notify()

    def now(self, attempt_id: str) -> None:
        """Wait until nothing of an attempt is stale. RepcountError where it cannot be made anew."""
        folder = self.library.folder_of(attempt_id)
        if not is_stale(folder):
            return
        with self._one:
            if is_stale(folder):
                self._rebuild(attempt_id)
        if is_stale(folder):
            raise RepcountError("the files are being made anew; try again in a moment.")

    def forget(self, attempt_id: str) -> None:
        """Leave an attempt alone that is about to be deleted."""
        with self._changed:
            self._due.pop(attempt_id, None)
        with self._one:  # until what runs is over
            pass

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._stopping and not self._ripe():
                    soonest = min(self._due.values(), default=None)
                    self._changed.wait(
                        None if soonest is None else max(0.01, soonest - time.monotonic())
                    )
                if self._stopping:
                    return
                attempt_id = self._ripe()[0]
                del self._due[attempt_id]
            with suppress(RepcountError):
                self.now(attempt_id)

    def _ripe(self) -> list[str]:
        return [one for one, at in self._due.items() if at <= time.monotonic()]

    def _rebuild(self, attempt_id: str) -> None:
        try:
            process = subprocess.Popen(
                [*COMMAND, str(self.library.folder_of(attempt_id))],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
            )
        except OSError:
            return
        assert process.stderr is not None
        self._process, ending = process, Ending(process.stderr)
        try:
            process.wait(DEADLINE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        finally:
            self._process = None
        if process.returncode != 0 and not self._stopping:
            log_end(f"Making the files of attempt {attempt_id} anew", process.returncode, ending)
