"""What of a library is missing, foreign or damaged, in sentences that say what to do. Nothing is
changed or deleted."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from repcount.attempt.records import Attempt, Comparison, Edits, Reading, Record, load_record
from repcount.errors import FootageError, RecordError
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.library.layout import (
    ATTEMPTS,
    HEATS,
    ID,
    OVERLAY,
    PLAN_SOURCE,
    PLAYABLE,
    SHARED,
    UPLOADS,
)
from repcount.library.rows import AttemptRow
from repcount.library.store import Library
from repcount.pipeline.results import (
    ATTEMPT,
    COMPARISON,
    DERIVED,
    EDITS,
    FILES,
    PLAN,
    READING,
    STALE,
    STILLS,
    TRACKS,
)
from repcount.plan import Plan
from repcount.tracking.tracks import load_tracks
from repcount.video.containers import sniff

RECORDS: dict[str, type[Record]] = {
    READING: Reading, ATTEMPT: Attempt, EDITS: Edits, COMPARISON: Comparison, PLAN: Plan,
}  # fmt: skip
_RESTORE = "bring it back from an export"


def findings(library: Library) -> Iterator[str]:
    """Everything that is not as it should be. Reads every file once."""
    damage = library.damage()
    if damage is not None:
        yield f"The database is damaged ({damage}); {_RESTORE}."
    rows, heats = library.attempts(), library.heats()
    for row in rows:
        yield from _attempt(library.folder_of(row.id), row)
    for heat in heats:
        yield from _heat(library.heat_folder(heat.id))
    named = {row.id for row in rows} | {heat.id for heat in heats}
    for home in (ATTEMPTS, HEATS):
        for one in sorted((library.folder / home).iterdir()):
            if one.name not in named:
                what = "no row names it" if ID.fullmatch(one.name) else "it is not the library's"
                yield (
                    f"{home}/{one.name}: {what}; a server's start moves what the library made into "
                    "the trash, move anything else away by hand."
                )
    coming = library.upload_ids()
    for one in sorted((library.folder / UPLOADS).iterdir()):
        if one.name not in coming:
            yield f"{UPLOADS}/{one.name}: no upload is under way for it; a server's start moves it."


def _attempt(folder: Path, row: AttemptRow) -> Iterator[str]:
    if not folder.is_dir():
        yield f"Attempt {row.id}: its folder is missing; {_RESTORE}, or delete the attempt."
        return
    video = folder / row.file_name
    if not video.is_file():
        yield f"Attempt {row.id}: its video ({row.file_name}) is missing; {_RESTORE}."
    elif row.state == "done":
        yield from _results(folder, row, video)
    again = "it is made anew when its page asks for it"
    yield from _made(folder / PLAYABLE, row, "copy for browsers", again)
    for clip in folder.glob(OVERLAY.format("*")):
        yield from _made(clip, row, "clip with the reading drawn in", "ask for it anew on its page")
    known = {*FILES, EDITS, PLAN_SOURCE, STILLS, STALE, row.file_name}
    for one in sorted(folder.iterdir()):
        hidden = one.name.startswith((".", f"{SHARED}."))
        if one.name not in known and not hidden:
            yield f"Attempt {row.id}: {one.name} is no file of an attempt; move it away by hand."


def _made(file: Path, row: AttemptRow, what: str, again: str) -> Iterator[str]:
    """A video that was made of the attempt's."""
    if file.exists():
        try:
            sniff(file)
        except FootageError:
            yield f"Attempt {row.id}: its {what} ({file.name}) is damaged; delete it, and {again}."


def _results(folder: Path, row: AttemptRow, video: Path) -> Iterator[str]:
    again = "read the video again (its page, Start again), or " + _RESTORE
    for name, kind in RECORDS.items():
        if (folder / name).exists() or name in (READING, ATTEMPT):
            try:
                load_record(kind, folder / name)
            except RecordError as error:
                yield f"Attempt {row.id}: {_inside(error, folder)} Or {again}."
    if not (folder / STALE).exists():  # else they are made anew when they are asked for
        for name in DERIVED:
            needed = name not in RECORDS or (name == COMPARISON and (folder / PLAN).exists())
            if needed and not (folder / name).exists():
                yield (
                    f"Attempt {row.id}: {name} is missing; the next correction, a note say, makes "
                    "it anew."
                )
    if (folder / TRACKS).exists():
        try:
            load_tracks(folder / TRACKS)
        except RecordError as error:
            yield f"Attempt {row.id}: {_inside(error, folder)}"
    try:
        recorded = load_record(Reading, folder / READING).video.sha256
    except RecordError:
        return
    with video.open("rb") as file:
        if hashlib.file_digest(file, "sha256").hexdigest() != recorded:
            yield (
                f"Attempt {row.id}: {row.file_name} is not the video that was read (their SHA-256 "
                f"differ); {_RESTORE}, or read it again."
            )


def _heat(folder: Path) -> Iterator[str]:
    missing = [name for name in HEAT_FILES if not (folder / name).is_file()]
    if missing:
        yield f"Heat {folder.name}: {', '.join(missing)} missing; {_RESTORE}, or make it again."
        return
    try:
        load_record(Heat, folder / RECORD)
    except RecordError as error:
        yield f"Heat {folder.name}: {_inside(error, folder)}"


def _inside(error: RecordError, folder: Path) -> str:
    return str(error).replace(f"{folder}/", "")
