"""Copies of videos that every browser can show, made in the background, one at a time.

Each is made by `repcount.video.playable` in a process of its own at the lowest priority, confined
as an analysis is: `python -m repcount.library.playable SOURCE TARGET POSTER`. The original stays as
it is. The copy lies beside it, so that it is deleted with the attempt; it is not exported, since it
can be made again.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from repcount.attempt.records import Attempt, load_record
from repcount.errors import RepcountError, storage_error
from repcount.library.copies import SPARE_BYTES
from repcount.library.layout import PLAYABLE, POSTER
from repcount.library.rows import AttemptRow
from repcount.library.store import Library
from repcount.pipeline.results import ATTEMPT
from repcount.video.confinement import confine

COMMAND = (sys.executable, "-m", "repcount.library.playable")
NICE = 19  # after everything else
NO_ROOM = (
    "The disk has no room for a copy of this video that every browser can show; delete some "
    "attempts and open this page again."
)
BROKE_OFF = (
    "The copy that every browser can show broke off; the video itself is kept as it is. Export it "
    "as H.264 (MP4) and upload that to see it here."
)
_PHONES = (".mp4", ".mov", ".m4v", ".qt")
_OPEN = frozenset({"vp8", "libvpx", "vp9", "libvpx-vp9"})


def plays_everywhere(codec: str, name: str) -> bool:
    """Whether a video of this decoder and file name can be taken to play in every browser: H.264 in
    MP4's family, VP8 and VP9 in WebM (https://developer.mozilla.org, "Web video codec guide")."""
    ending = Path(name).suffix.lower()
    if ending in _PHONES:
        return codec == "h264"
    return ending == ".webm" and codec in _OPEN


@dataclass
class Standing:
    """Where a copy stands: `waiting`, `running`, `made` or `failed`, how far, and why not."""

    state: str
    fraction: float | None = None
    said: str = ""


class Playables:
    """Makes the copies of a library. `start` it once, then `stop` it."""

    def __init__(self, library: Library, command: tuple[str, ...] = COMMAND) -> None:
        self.library, self.command = library, command
        self._asked: dict[str, Standing] = {}
        self._changed = threading.Condition()
        self._process: tuple[str, subprocess.Popen[bytes]] | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="playable", daemon=True)

    def start(self) -> None:
        """Begin to make what is asked for."""
        self._thread.start()

    def stop(self) -> None:
        """End; what is not made is asked for again when its page is opened."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._kill()
        self._thread.join(timeout=10)

    def of(self, row: AttemptRow) -> Path | None:
        """An attempt's copy, where there is one."""
        copy = self.library.folder_of(row.id) / PLAYABLE
        return copy if copy.is_file() else None

    def ask(self, row: AttemptRow) -> Standing:
        """Have the copy of an attempt made, if it is not there and not on its way; where it stands.
        What has failed is tried again after it was said once."""
        if self.of(row) is not None:
            return Standing("made", 1.0)
        with self._changed:
            found = self._asked.get(row.id)
            if found is None or found.state == "made":  # or it is gone since
                found = self._asked[row.id] = Standing("waiting")
                self._changed.notify()
            elif found.state == "failed":
                del self._asked[row.id]
        return found

    def offer(self, attempt_id: str) -> None:
        """An attempt has been read: where it is known that not every browser can show its video, a
        copy is made."""
        with suppress(RepcountError):
            row = self.library.attempt(attempt_id)
            record = load_record(Attempt, self.library.folder_of(attempt_id) / ATTEMPT)
            codec = record.video.codec
            if codec and not plays_everywhere(codec, row.file_name):
                self.ask(row)

    def forget(self, attempt_id: str) -> None:
        """Leave an attempt alone that is about to be deleted."""
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
            standing.said = self._make(attempt_id, standing)
            standing.state = "failed" if standing.said else "made"

    def _next(self) -> str | None:
        return next((name for name, one in self._asked.items() if one.state == "waiting"), None)

    def _make(self, attempt_id: str, standing: Standing) -> str:
        """Make a copy; why there is none, or an empty text."""
        try:
            folder = self.library.folder_of(attempt_id)
            source = folder / self.library.attempt(attempt_id).file_name
            if source.stat().st_size + SPARE_BYTES > shutil.disk_usage(folder).free:
                return NO_ROOM
            process = subprocess.Popen(
                [*self.command, str(source), str(folder / PLAYABLE), str(folder / POSTER)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except (OSError, RepcountError):
            return BROKE_OFF
        self._process = (attempt_id, process)
        if self._stopping:
            process.kill()
        assert process.stdout is not None
        said = _listen(process.stdout, standing)
        code = process.wait()
        self._process = None
        made = code == 0 and (folder / PLAYABLE).is_file()
        return "" if made else said or BROKE_OFF


def _listen(stream: IO[bytes], standing: Standing) -> str:
    """Follow the process; the error that it says. It was fed a stranger's file: nothing of it is
    trusted."""
    said = ""
    while line := stream.readline(2000):
        with suppress(ValueError, TypeError, KeyError, AttributeError):
            words = json.loads(line)
            if words.get("full"):
                said = NO_ROOM
            else:
                standing.fraction = min(max(float(words["fraction"]), 0.0), 1.0)
    return said


def main() -> None:
    """Make poster and copy, or say that the disk is full."""
    source, target, poster = map(Path, sys.argv[1:4])
    confine([source], target.parent, nice=NICE)
    from repcount.video.playable import write_playable, write_poster

    told = 0.0

    def progress(fraction: float) -> None:
        nonlocal told
        if time.monotonic() - told > 0.5:
            told = time.monotonic()
            print(json.dumps({"fraction": round(fraction, 3)}), flush=True)

    try:
        if not poster.is_file():
            write_poster(source, poster)
        write_playable(source, target, progress)
    except OSError as error:
        print(json.dumps({"full": storage_error(error).full}), flush=True)
        sys.exit(2)
    except RepcountError:
        sys.exit(2)


if __name__ == "__main__":
    main()
