"""Videos with the reading drawn in, made in the background when somebody asks, one at a time.

Each is made as `repcount overlay` makes it, in a process of its own at the lowest priority,
confined as an analysis is: `python -m repcount.library.overlays FOLDER VIDEO FACES`. It lies in the
attempt's folder, so that it is deleted with the attempt; it is not exported, since it can be made
again. Its name says what it was drawn from, so that one drawn before a correction is known to be
older, and whose faces were made unreadable. That one is asked for is noted on the disk until it is
made, with whose faces: the next start takes up what a kill has left.
"""

from __future__ import annotations

import hashlib
import json
import sys
from contextlib import suppress
from pathlib import Path

from repcount.errors import RecordError
from repcount.library.layout import OVERLAY, OVERLAY_ASKED
from repcount.library.making import NICE, Maker, Standing, reported
from repcount.library.rows import AttemptRow
from repcount.library.store import Conflict, Library
from repcount.pipeline.results import ATTEMPT, COMPARISON, PLAN, TRACKS, held
from repcount.video.confinement import confine

COMMAND = (sys.executable, "-m", "repcount.library.overlays")
_ANY = OVERLAY.format("*")
FACES = ("none", "others", "all")  # made unreadable; others than the athlete's
_NOT_DRAWN = ("provenance", "notes")


class Overlays(Maker):
    """Makes the overlays of a library."""

    no_room = (
        "The disk has no room for a clip of this video; delete some attempts and ask for it again."
    )
    broke_off = (
        "The clip broke off; the attempt is kept as it is. Ask for it again, or draw it by "
        "`repcount overlay`, which says why it cannot be drawn."
    )

    def __init__(self, library: Library, command: tuple[str, ...] = COMMAND) -> None:
        super().__init__(library, command)

    def start(self) -> None:
        """Take up what a stop or a kill has left, and go on."""
        for row in self.library.attempts(state="done"):
            if self._mark(row.id).is_file() and self.of(row) is None:
                self._asked[row.id] = Standing("waiting")
        super().start()

    def of(self, row: AttemptRow) -> Path | None:
        """The overlay of an attempt as it is read and corrected now, where there is one."""
        folder = self.library.folder_of(row.id)
        if not any(folder.glob(_ANY)):
            return None
        return next(folder.glob(OVERLAY.format(f"{drawn_from(folder)}*")), None)

    def latest(self, row: AttemptRow) -> Path | None:
        """The overlay that there is, be it drawn before the last corrections."""
        return self.of(row) or next(self.library.folder_of(row.id).glob(_ANY), None)

    def arguments(self, row: AttemptRow) -> list[str]:
        """Folder, video, and whose faces are made unreadable."""
        return [str(self.library.folder_of(row.id)), row.file_name, self._faces(row.id)]

    def ask(self, row: AttemptRow, faces: str = "none") -> Standing:
        """As of every kind; a clip in which other faces can be made out is deleted at once. Raises
        Conflict where the attempt is not read or another clip of it is on its way, RecordError
        where nothing is kept of it that could be drawn, OSError where the disk refuses."""
        if row.state != "done":
            raise Conflict("this attempt is not read yet; wait for its analysis to end.")
        if not self.can_draw(row):
            raise RecordError("where bar and body were is not kept of this attempt; read it again.")
        on_its_way = (now := self.stands(row)) is not None and now.state in ("waiting", "running")
        if on_its_way and self._faces(row.id) != faces:
            raise Conflict("another clip of this attempt is being made; ask again when it is done.")
        for old in self.library.folder_of(row.id).glob(_ANY):
            if faces_of(old) != faces:
                old.unlink()
        if self.of(row) is None:
            self._mark(row.id).write_text(faces, encoding="ascii")
        return super().ask(row)

    def can_draw(self, row: AttemptRow) -> bool:
        """Whether there is something to draw."""
        return (self.library.folder_of(row.id) / TRACKS).is_file()

    def forget(self, attempt_id: str) -> None:
        """As of every kind; also what is noted on the disk."""
        self._mark(attempt_id).unlink(missing_ok=True)
        super().forget(attempt_id)

    def _settle(self, attempt_id: str, standing: Standing, said: str) -> None:
        if not self._stopping:
            with suppress(OSError):
                self._mark(attempt_id).unlink(missing_ok=True)
        super()._settle(attempt_id, standing, said)

    def _faces(self, attempt_id: str) -> str:
        """With whose faces unreadable an overlay was asked for."""
        with suppress(OSError):
            return faces_in(self._mark(attempt_id).read_text(encoding="ascii"))
        return FACES[0]

    def _mark(self, attempt_id: str) -> Path:
        return self.library.folder_of(attempt_id) / OVERLAY_ASKED


def faces_of(clip: Path) -> str:
    """Whose faces were made unreadable in an overlay, by its name: one of `FACES`."""
    return faces_in(clip.stem.rpartition("-")[2])


def faces_in(text: str) -> str:
    """One of `FACES`; the first where the text is none of them, as a former version left it."""
    return text if text in FACES else FACES[0]


def drawn_from(folder: Path) -> str:
    """What an overlay drawn now would show, as a digest; notes, and when the records were made, are
    not drawn."""
    digest = hashlib.sha256()
    for name in (ATTEMPT, COMPARISON, PLAN):
        if (folder / name).is_file():
            record = json.loads((folder / name).read_bytes())
            shown = {key: record[key] for key in sorted(record) if key not in _NOT_DRAWN}
            digest.update(json.dumps(shown).encode())
    return digest.hexdigest()[:16]


def main() -> None:
    """Draw the overlay in place of an older one, or say that the disk is full."""
    folder, name, faces = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
    confine([folder / name], folder, nice=NICE)
    from repcount.pipeline.analyze import make_overlay

    with reported() as progress:
        with held(folder):
            target = folder / OVERLAY.format(f"{drawn_from(folder)}-{faces}")
        make_overlay(
            folder,
            folder / name,
            target,
            blur_faces=None if faces == "none" else faces,
            progress=lambda done, _: progress(done),
        )
        for old in folder.glob(_ANY):
            if old != target:
                old.unlink()


if __name__ == "__main__":
    main()
