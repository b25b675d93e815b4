"""What a server's start sets right in the library's folder, and the trash.

Nothing is deleted at a start. What no row names is moved into the trash, if its name is one that
the library gives; what has other names is somebody else's and is left alone. So is everything
where the database does not seem to be the one of this folder, or where a save is under way. The
trash is emptied later, by a running server, of what has lain in it for `TRASH_DAYS`.

The clock is believed as long as it goes on from where the library was last used: a moment at which
something was saved or a server ran. Where `keep_days` asks for old attempts to go and the library
was last used longer ago than that, every attempt would go at once. Either it has rested for so long
or the clock has jumped; a person has to say which.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from repcount.attempt.records import Attempt, load_record
from repcount.errors import RepcountError
from repcount.files import ASIDE
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.library.layout import (
    ATTEMPTS,
    DATABASE,
    GONE,
    HEATS,
    ID,
    IMPORT,
    NEW,
    PLACING,
    PLAN_SOURCE,
    SHARED,
    UPLOAD_ID,
    UPLOADS,
    VIDEO_NAME,
)
from repcount.library.rows import (
    AttemptRow,
    HeatRow,
    PlanRow,
    Share,
    Upload,
    heat_row,
    note_results,
    now,
)
from repcount.library.store import Library, Missing, drop_attempt, drop_heat, has_results
from repcount.pipeline.results import ATTEMPT
from repcount.plan import parse_plan

TRASH = "trash"
TRASH_DAYS = 30
UPLOAD_DAYS = 7  # that an upload may lie half done
DAY = 86_400
BEHIND_S = DAY  # a hardware clock that keeps local time is off by hours until it is set
SEEN, HELD = "seen_at", "trash_held"  # settings: when a server last ran; "1": empty no trash
_DAY_NAME = "%Y%m%dT%H%M%SZ"


def start_up(library: Library, keep_days: float | None = None) -> list[str]:
    """What a server does before it serves; what was moved, in sentences.

    Raises RepcountError, and moves nothing, where the database is not the one of this folder or
    the clock does not go on from where the library was last used.
    """
    said: list[str] = []
    moment = last_used(library)
    jump = now() - moment if moment is not None else 0
    _demand_its_database(library)
    if keep_days is not None:
        _demand_clock(jump, moment, keep_days)
    sound = -BEHIND_S <= jump <= TRASH_DAYS * DAY
    if not sound:
        said.append(
            f"By the clock it is {_day(now())}, but the library was last used on {_day(moment)}: "
            "if the date is wrong, set it. The trash is not emptied before the next start."
        )
    library.set_setting(SEEN, str(now()))
    library.set_setting(HELD, "" if sound else "1")
    trash = library.folder / TRASH / datetime.fromtimestamp(now(), UTC).strftime(_DAY_NAME)
    with library.alone() as alone:
        if alone:
            _finish_what_was_cut_off(library)
            moved = _move_unnamed(library, trash)
            said += _moved_to(trash, moved, "that no row names")
        else:
            said.append("Something is being saved: what is left over is looked at next time.")
    if keep_days is not None:
        moved = _move_old(library, trash, now() - keep_days * DAY)
        said += _moved_to(trash, moved, f"older than {keep_days:g} days")
    if sound:
        moved = _move_old_uploads(library, trash)
        said += _moved_to(
            trash, moved, f"of uploads that nobody went on with for {UPLOAD_DAYS} days"
        )
    return said


def move_to_trash(library: Library, folder: Path) -> None:
    """Move what no row names into the trash of today."""
    day = datetime.fromtimestamp(now(), UTC).strftime(_DAY_NAME)
    _move(folder, library.folder / TRASH / day / folder.relative_to(library.folder))


def last_used(library: Library) -> int | None:
    """The latest moment that the library knows of (Unix seconds); None where it is new."""
    with library.session() as session:
        found = [
            session.scalar(select(func.max(column)))
            for column in (
                AttemptRow.created_at, AttemptRow.finished_at, HeatRow.created_at,
                PlanRow.changed_at, Upload.created_at,
            )
        ]  # fmt: skip
    seen = library.setting(SEEN)
    if seen is not None:  # where a server has run since, it knows better than a row of a wrong day
        before = [one for one in found if one is not None and one <= now() + BEHIND_S]
        return max([int(seen), *before])
    return max((one for one in found if one is not None), default=None)


def _demand_its_database(library: Library) -> None:
    """Raises RepcountError where more lies in the folder that no row names than rows name."""
    named = _named(library)
    unnamed = [
        one
        for home in (ATTEMPTS, HEATS)
        for one in (library.folder / home).iterdir()
        if ID.fullmatch(one.name) and one.name not in named and not (one / PLACING).exists()
    ]
    if len(unnamed) > len(named):
        raise RepcountError(
            f"{library.folder}: attempts and heats hold {len(unnamed)} folders that {DATABASE} "
            f"does not name, and it names {len(named)}: it seems to be emptied or that of another "
            "folder. Put the right one back, or move these folders away, and start again."
        )


def _demand_clock(jump: int, moment: int | None, keep_days: float) -> None:
    if moment is None or -BEHIND_S <= jump <= keep_days * DAY:
        return
    raise RepcountError(
        f"by the clock it is {_day(now())}, but the library was last used on {_day(moment)}, so "
        f"--keep-days {keep_days:g} cannot tell what is old; if the date is right, start once "
        "without --keep-days, then with it."
    )


def _named(library: Library) -> set[str]:
    with library.session() as session:
        return {*session.scalars(select(AttemptRow.id)), *session.scalars(select(HeatRow.id))}


def _finish_what_was_cut_off(library: Library) -> None:
    """A deletion that a kill has cut off: undone where the rows are still there, else completed,
    which a person has asked for."""
    named = _named(library)
    for home in (ATTEMPTS, HEATS):
        for gone in (library.folder / home).glob(f"{GONE}*"):
            own = gone.name.removeprefix(GONE)
            if own in named:
                with suppress(OSError):
                    gone.replace(gone.with_name(own))
            elif ID.fullmatch(own):
                shutil.rmtree(gone, ignore_errors=True)


def _move_unnamed(library: Library, trash: Path) -> int:
    """Folders and uploads that the library has made and no row names; how many were moved."""
    named = _named(library)
    with library.session() as session:
        coming = set(session.scalars(select(Upload.id)))
    left = list(library.folder.glob(f"{IMPORT}*"))
    for home in (ATTEMPTS, HEATS):
        for one in (library.folder / home).iterdir():
            if one.name in named:
                with suppress(OSError):
                    (one / PLACING).unlink()
                left += [aside for aside in one.glob(f"{ASIDE}*") if _untouched(aside)]
            elif ID.fullmatch(one.name.removeprefix(NEW)) or (
                one.name.startswith(ASIDE) and _untouched(one)
            ):
                left.append(one)
    for one in (library.folder / UPLOADS).iterdir():
        if UPLOAD_ID.fullmatch(one.name) and one.name not in coming:
            left.append(one)
    for one in left:
        _move(one, trash / one.relative_to(library.folder))
    return len(left)


def _untouched(path: Path) -> bool:
    """Whether nobody has written there for an hour: a correction takes a second."""
    with suppress(FileNotFoundError):  # whoever wrote there is done
        return path.stat().st_mtime < now() - 3600
    return False


def _move(path: Path, to: Path) -> None:
    with suppress(FileNotFoundError):
        to.parent.mkdir(parents=True, exist_ok=True)
        path.replace(to)


def _move_old(library: Library, trash: Path, before: float) -> int:
    """Attempts and heats saved before a moment (Unix seconds), with what their rows say."""
    names = {one.id: one.name for one in library.athletes()}
    old = [row for row in library.attempts() if row.created_at < before]
    for row in old:
        words = {
            "athlete": names.get(row.athlete_id) if row.athlete_id else None,
            "file_name": row.file_name, "plan_toml": row.plan_toml, "workout": row.workout,
            "state": row.state, "message": row.message, "created_at": row.created_at,
        }  # fmt: skip
        to = trash / ATTEMPTS / row.id
        _note_row(to, words)
        with library.moving(library.folder_of(row.id), to) as session:
            drop_attempt(session, row.id)
    heats = [row for row in library.heats() if row.created_at < before]
    for heat in heats:
        to = trash / HEATS / heat.id
        _note_row(to, {"created_at": heat.created_at})
        with library.moving(library.heat_folder(heat.id), to) as session:
            drop_heat(session, heat.id)
    return len(old) + len(heats)


def _note_row(folder: Path, words: Mapping[str, object]) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.with_suffix(".json").write_text(json.dumps(words), encoding="utf-8")


def _move_old_uploads(library: Library, trash: Path) -> int:
    with library.session() as session:
        old = session.scalars(
            select(Upload).where(
                Upload.created_at < now() - UPLOAD_DAYS * DAY, Upload.attempt_id.is_(None)
            )
        ).all()
        for upload in old:
            session.delete(upload)
        session.flush()
        for upload in old:
            _move(library.upload_file(upload.id), trash / UPLOADS / upload.id)
    return len(old)


def _moved_to(trash: Path, moved: int, which: str) -> list[str]:
    if not moved:
        return []
    things = "1 thing" if moved == 1 else f"{moved} things"
    return [f"Moved {things} {which} to {trash}; deleted from there after {TRASH_DAYS} days."]


def look_after(library: Library) -> None:
    """What a running server does now and then: notes that it runs, empties the trash of what has
    lain in it for `TRASH_DAYS`, and drops copies of videos whose links have ended. Where the clock
    has jumped since, the trash is kept until the next start."""
    seen = library.setting(SEEN)
    if seen is None or abs(now() - int(seen)) > DAY:
        library.set_setting(HELD, "1")
    library.set_setting(SEEN, str(now()))
    if library.setting(HELD) != "1":
        for folder in (library.folder / TRASH).glob("*"):
            try:
                moved = datetime.strptime(folder.name, _DAY_NAME).replace(tzinfo=UTC)
            except ValueError:  # not of the library's making
                continue
            if moved.timestamp() < now() - TRASH_DAYS * DAY:
                shutil.rmtree(folder, ignore_errors=True)
    drop_copies(library)


def drop_copies(library: Library) -> None:
    """Delete the copies made for links (`library.copies`) of attempts that have none left."""
    with library.session() as session:
        linked = set(session.scalars(select(Share.attempt_id).where(Share.expires_at > now())))
        rows = session.scalars(select(AttemptRow.id)).all()
    for attempt_id in rows:
        if attempt_id not in linked:
            for copy in library.folder_of(attempt_id).glob(f"{SHARED}.*"):
                copy.unlink(missing_ok=True)


def restore(library: Library, id_: str) -> None:
    """Bring an attempt or a heat back from the trash, with its athlete and its day where these were
    noted. Raises RepcountError where it is not there or is no attempt."""
    if not ID.fullmatch(id_):
        raise Missing("an id has 16 digits and letters; the trash names its folders by them.")
    for home in (ATTEMPTS, HEATS):
        found = sorted((library.folder / TRASH).glob(f"*/{home}/{id_}"))
        if found:
            _bring_back(library, found[-1], home)
            return
    raise Missing(f"{id_}: is not in the trash ({library.folder / TRASH}).")


def _bring_back(library: Library, folder: Path, home: str) -> None:
    beside = folder.with_suffix(".json")
    words = json.loads(beside.read_text(encoding="utf-8")) if beside.exists() else {}
    at = int(words.get("created_at", folder.stat().st_mtime))
    if home == HEATS:
        row: HeatRow | AttemptRow = heat_row(folder.name, load_record(Heat, folder / RECORD), at)
        place = library.heat_folder(folder.name)
    else:
        row, place = _attempt_row(library, folder, words, at), library.folder_of(folder.name)
    with library.saving():
        (folder / PLACING).touch()
        with library.moving(folder, place) as session:
            session.add(row)
        (place / PLACING).unlink()
    beside.unlink(missing_ok=True)


def _attempt_row(library: Library, folder: Path, words: dict[str, Any], at: int) -> AttemptRow:
    """The row of an attempt in the trash: as it was noted, else as its files say."""
    videos = sorted(one.name for one in folder.iterdir() if VIDEO_NAME.fullmatch(one.name))
    name = words.get("file_name", videos[0] if videos else "")
    if name not in videos:
        raise RepcountError(f"{folder}: holds no video, so it is no attempt; look into it by hand.")
    plan = folder / PLAN_SOURCE
    toml = words.get("plan_toml", plan.read_text(encoding="utf-8") if plan.exists() else None)
    athlete = words.get("athlete")
    state = words.get("state", "waiting")
    row = AttemptRow(
        id=folder.name,
        athlete_id=library.athlete_named(athlete) if athlete else None,
        file_name=name,
        plan_toml=toml,
        workout=parse_plan(toml).workout.name if toml else "",
        state=state if state in ("failed", "cancelled") else "waiting",
        message=words.get("message", ""),
        created_at=at,
    )
    if has_results(folder):
        note_results(row, load_record(Attempt, folder / ATTEMPT), folder)
    return row


def _day(at: int | None) -> str:
    return "no day" if at is None else datetime.fromtimestamp(at, UTC).strftime("%d %b %Y")
