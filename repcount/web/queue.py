"""The queue: analyses in processes of their own, some at a time; what a kill interrupts runs again.

Where an analysis stands is a row in SQLite; only its progress is kept in memory.
"""

from __future__ import annotations

import json
import signal
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from repcount.errors import RecordError, RepcountError
from repcount.library.rows import AttemptRow, PlanRow, Upload
from repcount.library.store import INTERRUPTED, Library, Missing
from repcount.library.tidying import look_after
from repcount.web.breaking import LONGEST, Ending, log_end
from repcount.web.logs import LOG, one_line
from repcount.web.settings import Settings

MOST_TRIES = 2  # that end by the analysis' own fault
MOST_KILLS = 50  # from outside: so many are no accident, something guards the memory
OVERDUE = 0.25
STOPPED = "Stopped by hand."
SETTLED_S = 5.0  # a process starts in a fraction of that
LOOK_AFTER_S = 3600.0
_LONGEST_LINE = 2000


@dataclass
class Running:
    """A process at work and how far it is."""

    process: subprocess.Popen[bytes]
    kills_before: float
    ending: Ending
    fraction: float | None = None
    left_s: float | None = None
    told_at: float = 0.0
    error: str = ""
    cancelled: bool = False

    def now(self) -> tuple[float | None, float | None]:
        """(fraction done, seconds left) as they are by now, None before anything is known.

        Between two reports the work goes on. Where a part takes longer than was said, it is
        expected to take a quarter more of the time that it has taken.
        """
        if self.fraction is None or self.left_s is None:
            return self.fraction, self.left_s
        passed = time.monotonic() - self.told_at
        left = max(self.left_s - passed, OVERDUE * passed)
        gone = passed / (passed + left) if passed > 0 else 0.0
        return self.fraction + (1 - self.fraction) * gone, left


class Queue:
    """Starts, watches and stops the analyses of a library. `start` it once, then `stop` it. `done`
    is told of every attempt that has been read."""

    def __init__(
        self,
        library: Library,
        settings: Settings,
        done: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.library, self.settings, self.done = library, settings, done
        self.running: dict[str, Running] = {}
        self.killed: Counter[str] = Counter()
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="queue", daemon=True)

    def start(self) -> None:
        """Take up what a stop or a kill has left, and go on."""
        self.library.requeue()
        take_in_complete(self.library)
        self._thread.start()

    def stop(self) -> None:
        """Stop all analyses; they wait for the next start."""
        self._stopping = True
        self._wake.set()
        self._thread.join(timeout=10)
        with self._lock:
            for one in self.running.values():
                one.process.kill()
                one.process.wait()
        self.library.requeue()

    def wake(self) -> None:
        """Something waits."""
        self._wake.set()

    def cancel(self, attempt_id: str) -> None:
        """Stop an analysis, or take it out of the queue. RecordError if it is over.

        Between waiting and running, and when it ends by itself, it is for a moment neither: then
        it is looked at again.
        """
        deadline_s = time.monotonic() + SETTLED_S
        while not self._stopped(attempt_id):
            if time.monotonic() > deadline_s:
                raise RecordError("this analysis cannot be stopped at the moment; try again.")
            time.sleep(0.02)
        self.wake()

    def _stopped(self, attempt_id: str) -> bool:
        """Whether it could be stopped; False where that is to be tried again."""
        with self._lock:
            one = self.running.get(attempt_id)
            if one is not None:
                one.cancelled = True
                one.process.kill()
                return True
        if self.library.set_state(attempt_id, "cancelled", STOPPED, only_from="waiting"):
            return True
        if self.library.attempt(attempt_id).state != "running":
            raise RecordError("this analysis is over; there is nothing to stop.")
        return False

    def again(self, attempt_id: str) -> None:
        """Let a stopped or failed analysis wait again. RecordError if it is neither."""
        row = self.library.attempt(attempt_id)
        if row.state not in ("cancelled", "failed"):
            raise RecordError("this analysis has not been stopped and has not failed.")
        self.library.set_state(attempt_id, "waiting", tries=-row.tries)
        self.wake()

    def _run(self) -> None:
        looked_s, refused = time.monotonic(), False
        while not self._stopping:
            if time.monotonic() - looked_s > LOOK_AFTER_S:
                looked_s = time.monotonic()
                with suppress(OSError, SQLAlchemyError):  # the next time, then
                    look_after(self.library)
            try:
                self._reap()
                self._fill()
                refused = False
            except (OSError, SQLAlchemyError) as error:  # a full disk, say: the next time, then
                if not refused:
                    said = one_line(str(getattr(error, "orig", error)), LONGEST)
                    LOG.warning("Analyses wait, as the library refuses (%s).", said)
                refused = True
            self._wake.wait(0.2 if self.running and not refused else 2.0)
            self._wake.clear()

    def _fill(self) -> None:
        """Begin as many of those that wait as may run."""
        while len(self.running) < self.settings.workers and not self._stopping:
            row = self.library.claim()
            if row is None:
                break
            self._begin(row)

    def _begin(self, row: AttemptRow) -> None:
        folder = self.library.folder_of(row.id)
        kills_before = _kills_for_memory()
        try:
            process = subprocess.Popen(
                [
                    *self.settings.worker,
                    str(folder),
                    row.file_name,
                    str(self.settings.longest_s),
                    row.recorded_at or "",
                ],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            )
        except OSError as error:
            self.library.set_state(row.id, "failed", f"The analysis did not start ({error}).")
            return
        assert process.stdout is not None
        assert process.stderr is not None
        one = Running(process, kills_before, Ending(process.stderr))
        with self._lock:
            self.running[row.id] = one
        threading.Thread(
            target=_listen, args=(process.stdout, one, self._wake), daemon=True
        ).start()

    def _reap(self) -> None:
        for attempt_id, one in list(self.running.items()):
            code = one.process.poll()
            if code is None:
                continue
            self._note(attempt_id, one, code)
            with self._lock:
                del self.running[attempt_id]

    def _note(self, attempt_id: str, one: Running, code: int) -> None:
        if code == 0 and not one.cancelled:
            with suppress(RecordError):
                self.library.finish(attempt_id)
                self.done(attempt_id)
                return
        if one.cancelled:
            self.library.set_state(attempt_id, "cancelled", STOPPED)
        elif one.error:
            self.library.set_state(attempt_id, "failed", one.error)
        else:
            log_end(f"The analysis of attempt {attempt_id}", code, one.ending)
            # killed, and not for want of memory: somebody did it, and the video is not to blame
            ours = code != -signal.SIGKILL or _kills_for_memory() != one.kills_before
            if not ours:
                self.killed[attempt_id] += 1
                ours = self.killed[attempt_id] > MOST_KILLS
            with suppress(RecordError):
                if not ours or self.library.attempt(attempt_id).tries + 1 < MOST_TRIES:
                    self.library.set_state(attempt_id, "waiting", INTERRUPTED, tries=int(ours))
                    return
            self.library.set_state(
                attempt_id,
                "failed",
                "The analysis broke off twice: the video needs too much time or memory, or is "
                "damaged. Cut it to the attempt or export it as MP4 and upload it again.",
                tries=1,
            )


def _kills_for_memory() -> float:
    """How many processes the kernel has ended for want of memory; where it does not say, a number
    that is never the same."""
    with suppress(OSError, StopIteration, ValueError):
        lines = Path("/proc/vmstat").read_text(encoding="ascii").splitlines()
        return int(next(line for line in lines if line.startswith("oom_kill ")).split()[1])
    return float("nan")


def _listen(stream: IO[bytes], one: Running, wake: threading.Event) -> None:
    """What the process says; it has been fed a stranger's file, so nothing of it is trusted."""
    while line := stream.readline(_LONGEST_LINE):
        with suppress(ValueError, TypeError, KeyError, AttributeError):
            words = json.loads(line)
            if "error" in words:
                one.error = str(words["error"])[:500]
            else:
                one.fraction = min(max(float(words["fraction"]), 0.0), 1.0)
                one.left_s = min(max(float(words["left_s"]), 0.0), 1e6)
                one.told_at = time.monotonic()
    wake.set()


def take_in_complete(library: Library) -> None:
    """Uploads whose last byte came just before a kill become attempts."""
    with library.session() as session:
        waiting = session.scalars(select(Upload).where(Upload.attempt_id.is_(None))).all()
    for upload in waiting:
        file = library.upload_file(upload.id)
        if file.exists() and file.stat().st_size == upload.size:
            with suppress(RepcountError):
                take_in(library, upload.id)


def take_in(library: Library, upload_id: str) -> str:
    """Make an attempt of a complete upload; its id. Asked twice, it answers the same.

    Raises FootageError for what is no video; the upload is gone then.
    """
    with library.session() as session:
        upload = session.get(Upload, upload_id)
        plan = session.get(PlanRow, upload.plan_id) if upload and upload.plan_id else None
    if upload is None:
        raise Missing("there is no such upload.")
    file = library.upload_file(upload_id)
    if upload.attempt_id is None:
        try:
            attempt_id = library.add_attempt(
                file,
                upload.file_name,
                athlete_id=upload.athlete_id,
                plan_toml=plan.toml if plan else None,
                upload_id=upload_id,
                recorded_at=upload.recorded_at,
            )
        except RepcountError:
            drop_upload(library, upload_id)
            raise
    else:
        attempt_id = upload.attempt_id
    file.unlink(missing_ok=True)
    return attempt_id


def drop_upload(library: Library, upload_id: str) -> None:
    """Forget an upload and what has come of it."""
    with library.session() as session:
        upload = session.get(Upload, upload_id)
        if upload is not None:
            session.delete(upload)
    library.upload_file(upload_id).unlink(missing_ok=True)
