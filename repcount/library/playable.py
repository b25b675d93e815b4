"""Copies of videos that every browser can show, made in the background, one at a time.

Each is made by `repcount.video.playable` in a process of its own at the lowest priority, confined
as an analysis is: `python -m repcount.library.playable SOURCE TARGET POSTER`. The original stays as
it is. The copy lies beside it, so that it is deleted with the attempt; it is not exported, since it
can be made again.
"""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path

from repcount.attempt.records import Attempt, load_record
from repcount.errors import RepcountError
from repcount.library.layout import PLAYABLE, POSTER
from repcount.library.making import NICE, Maker, Standing, reported
from repcount.library.rows import AttemptRow
from repcount.library.store import Library
from repcount.pipeline.results import ATTEMPT
from repcount.video.confinement import confine

COMMAND = (sys.executable, "-m", "repcount.library.playable")
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


class Playables(Maker):
    """Makes the copies of a library; what is not made when it stops is asked for again when its
    page is opened."""

    no_room, broke_off = NO_ROOM, BROKE_OFF

    def __init__(self, library: Library, command: tuple[str, ...] = COMMAND) -> None:
        super().__init__(library, command)

    def of(self, row: AttemptRow) -> Path | None:
        """An attempt's copy, where there is one."""
        copy = self.library.folder_of(row.id) / PLAYABLE
        return copy if copy.is_file() else None

    def arguments(self, row: AttemptRow) -> list[str]:
        """Source, copy and picture."""
        folder = self.library.folder_of(row.id)
        return [str(folder / name) for name in (row.file_name, PLAYABLE, POSTER)]

    def ask(self, row: AttemptRow) -> Standing:
        """As of every kind; a page asks until it is told, so what has failed is told once before
        it is tried again."""
        with self._changed:
            found = self._asked.get(row.id)
            if found is not None and found.state == "failed":
                return self._asked.pop(row.id)
        return super().ask(row)

    def offer(self, attempt_id: str) -> None:
        """An attempt has been read: where it is known that not every browser can show its video, a
        copy is made."""
        with suppress(RepcountError):
            row = self.library.attempt(attempt_id)
            record = load_record(Attempt, self.library.folder_of(attempt_id) / ATTEMPT)
            codec = record.video.codec
            if codec and not plays_everywhere(codec, row.file_name):
                self.ask(row)


def main() -> None:
    """Make poster and copy, or say that the disk is full."""
    source, target, poster = map(Path, sys.argv[1:4])
    confine([source], target.parent, nice=NICE)
    from repcount.video.playable import write_playable, write_poster

    with reported() as progress:
        if not poster.is_file():
            write_poster(source, poster)
        write_playable(source, target, progress)


if __name__ == "__main__":
    main()
