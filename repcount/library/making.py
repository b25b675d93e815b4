"""What is made of attempts in the background, for pages to show or to hand out: one file at a time
of its kind, in a confined process at the lowest priority.

A kind says what is made and where it lies (`Maker`); the process of each prints one JSON object a
line: the fraction done, or that the disk is full (`reported`).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from repcount.errors import RepcountError, StorageError, storage_error
from repcount.library.copies import SPARE_BYTES
from repcount.library.rows import AttemptRow
from repcount.library.store import Library

NICE = 19  # after everything else
_TOLD_S = 0.5  # how often a process tells how far it is


@dataclass
class Standing:
    """Where a file stands: `waiting`, `running`, `made` or `failed`, how far, and why not."""

    state: str
    fraction: float | None = None
    said: str = ""


class Maker(ABC):
    """Makes the files of one kind for the attempts of a library. `start` it once, then `stop` it.

    `no_room` and `broke_off` are the sentences where the disk is too full, or the process ended
    without a file.
    """

    no_room: str
    broke_off: str

    def __init__(self, library: Library, command: tuple[str, ...]) -> None:
        self.library, self.command = library, command
        self._asked: dict[str, Standing] = {}
        self._changed = threading.Condition()
        self._process: tuple[str, subprocess.Popen[bytes]] | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=type(self).__name__, daemon=True)

    @abstractmethod
    def of(self, row: AttemptRow) -> Path | None:
        """An attempt's file as it should be, where there is one."""

    @abstractmethod
    def arguments(self, row: AttemptRow) -> list[str]:
        """What the process is told of an attempt."""

    def start(self) -> None:
        """Begin to make what is asked for."""
        self._thread.start()

    def stop(self) -> None:
        """End, whatever is being made."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._kill()
        self._thread.join(timeout=10)

    def stands(self, row: AttemptRow) -> Standing | None:
        """Where the file of an attempt stands; None where nobody has asked for it."""
        if self.of(row) is not None:
            return Standing("made", 1.0)
        with self._changed:
            found = self._asked.get(row.id)
        return None if found is None or found.state == "made" else found  # it is gone since

    def ask(self, row: AttemptRow) -> Standing:
        """Have the file of an attempt made, if it is not there and not on its way; where it
        stands. What has failed is tried again."""
        if self.of(row) is not None:
            return Standing("made", 1.0)
        with self._changed:
            found = self._asked.get(row.id)
            if found is None or found.state in ("made", "failed"):
                found = self._asked[row.id] = Standing("waiting")
                self._changed.notify()
        return found

    def forget(self, attempt_id: str) -> None:
        """Leave an attempt alone that is about to be deleted or read anew."""
        with self._changed:
            self._asked.pop(attempt_id, None)
        self._kill(attempt_id)

    def _kill(self, attempt_id: str | None = None) -> None:
        running = self._process
        if running is not None and attempt_id in (None, running[0]):
            running[1].kill()
            running[1].wait()

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._stopping and self._next() is None:
                    self._changed.wait()
                attempt_id = self._next()
                if self._stopping or attempt_id is None:
                    return
                standing = self._asked[attempt_id]
                standing.state = "running"
            self._settle(attempt_id, standing, self._make(attempt_id, standing))

    def _next(self) -> str | None:
        return next((name for name, one in self._asked.items() if one.state == "waiting"), None)

    def _settle(self, attempt_id: str, standing: Standing, said: str) -> None:
        """A process has ended, be it because everything stops."""
        standing.said = said
        standing.state = "failed" if said else "made"

    def _make(self, attempt_id: str, standing: Standing) -> str:
        """Make a file; why there is none, or an empty text."""
        try:
            row = self.library.attempt(attempt_id)
            folder = self.library.folder_of(attempt_id)
            size = (folder / row.file_name).stat().st_size
            if size + SPARE_BYTES > shutil.disk_usage(folder).free:
                return self.no_room
            process = subprocess.Popen(
                [*self.command, *self.arguments(row)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except (OSError, RepcountError):
            return self.broke_off
        self._process = (attempt_id, process)
        if self._stopping:
            process.kill()
        assert process.stdout is not None
        full = _listen(process.stdout, standing)
        code = process.wait()
        self._process = None
        if code == 0:
            return ""
        return self.no_room if full else self.broke_off


def _listen(stream: IO[bytes], standing: Standing) -> bool:
    """Follow a process; whether it says that the disk is full. It was fed a stranger's file:
    nothing of it is trusted."""
    full = False
    while line := stream.readline(2000):
        with suppress(ValueError, TypeError, KeyError, AttributeError):
            words = json.loads(line)
            if words.get("full"):
                full = True
            else:
                standing.fraction = min(max(float(words["fraction"]), 0.0), 1.0)
    return full


@contextmanager
def reported() -> Iterator[Callable[[float], None]]:
    """What a process does around its work: it tells how far it is by the function that it is
    given; where the work fails it says whether the disk is full, and ends with 2."""
    told = 0.0

    def progress(fraction: float) -> None:
        nonlocal told
        if time.monotonic() - told > _TOLD_S:
            told = time.monotonic()
            print(json.dumps({"fraction": round(fraction, 3)}), flush=True)

    try:
        yield progress
    except (OSError, StorageError) as error:
        full = error.full if isinstance(error, StorageError) else storage_error(error).full
        print(json.dumps({"full": full}), flush=True)
        sys.exit(2)
    except RepcountError:
        sys.exit(2)
