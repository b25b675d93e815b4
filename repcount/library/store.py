"""The library: athletes, plans and attempts in one folder, shared by `serve` and `analyze --save`.

Rows (`repcount.library.rows`) live in SQLite, the schema's versions in
`repcount.library.migrations`; an attempt's video and results are files in `attempts/ID`, the same
that `analyze --out` writes. Corrections stay in the results' own `edits.json`, so that the command
line and the pages write one list. A heat's files are in `heats/ID`, as `repcount heat` writes them.
Whoever saves holds a shared lock, so that what is half saved is not taken for what a kill has left
(`repcount.library.tidying`). Folder and database are closed to other accounts
(`repcount.library.opening`).
"""

from __future__ import annotations

import os
import secrets
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from fcntl import LOCK_EX, LOCK_NB, LOCK_SH, flock
from pathlib import Path

from sqlalchemy import delete, select, text, update
from sqlalchemy.orm import Session

from repcount.attempt.records import Attempt, Reading, load_record
from repcount.errors import RecordError, RepcountError
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.library.layout import (
    ATTEMPTS,
    DATABASE,
    ENDINGS,
    FOLDERS,
    GONE,
    HEATS,
    ID,
    LOCK,
    NEW,
    PLACING,
    PLAN_SOURCE,
    UPLOAD_ID,
    UPLOADS,
    clean_name,
    default_folder,
    result_files,
)
from repcount.library.opening import close_to_others, demand_ours, opened
from repcount.library.rows import (
    KEY,
    AthleteRow,
    AttemptRow,
    HeatRow,
    PlanRow,
    SessionRow,
    Setting,
    Upload,
    heat_row,
    note_results,
    now,
)
from repcount.pipeline.results import ATTEMPT, READING
from repcount.plan import parse_plan

INTERRUPTED = "The reading was interrupted and has begun again."
_DELETE_TRIES = 20
_NEWEST = (PlanRow.changed_at.desc(), PlanRow.id.desc())  # in the order of plans


class Library:
    """The library in a folder; made where there is none, brought to this schema where it is older.

    Raises RepcountError where the folder or the database cannot be used.
    """

    def __init__(self, folder: Path | str | None = None) -> None:
        self.folder = Path(folder) if folder is not None else default_folder()
        demand_ours(self.folder)
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            # what the person should know, in sentences
            was_open, self.notices = close_to_others(self.folder)
            for part in FOLDERS:
                (self.folder / part).mkdir(exist_ok=True, mode=0o700)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(
                f"{self.folder}: the library's folder cannot be made or written ({reason}); give "
                "another with --data."
            ) from error
        self._engine = opened(self.folder / DATABASE)
        if was_open:
            self._renew_secrets()

    def _renew_secrets(self) -> None:
        """After others could read them: a new key, and nobody is logged in."""
        with self.session() as session:
            session.execute(delete(SessionRow))
            session.merge(Setting(key=KEY, value=secrets.token_hex(32)))
        self.notices.append(
            f"Other accounts of this machine could read {self.folder / DATABASE}. It is closed to "
            "them now, its key is a new one, and whoever was logged in has to give the passphrase "
            "again. If you do not trust these accounts, set a new passphrase."
        )

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def session(self) -> Iterator[Session]:
        """A transaction: committed at its end, undone if something is raised."""
        with Session(self._engine, expire_on_commit=False) as session, session.begin():
            yield session

    @contextmanager
    def saving(self) -> Iterator[None]:
        """Held while something is put into the library's folders; several may at once."""
        with (self.folder / LOCK).open("a") as held:
            flock(held, LOCK_SH)
            yield

    @contextmanager
    def alone(self) -> Iterator[bool]:
        """Keep saves waiting; False, without waiting, where one is under way."""
        with (self.folder / LOCK).open("a") as held:
            try:
                flock(held, LOCK_EX | LOCK_NB)
            except OSError:
                yield False
                return
            yield True

    def folder_of(self, attempt_id: str) -> Path:
        """Where an attempt's video and results lie."""
        if not ID.fullmatch(attempt_id):
            raise Missing("there is no such attempt.")
        return self.folder / ATTEMPTS / attempt_id

    def heat_folder(self, heat_id: str) -> Path:
        """Where a heat's files lie."""
        if not ID.fullmatch(heat_id):
            raise Missing("there is no such heat.")
        return self.folder / HEATS / heat_id

    def upload_file(self, upload_id: str) -> Path:
        """Where a file on its way is gathered."""
        if not UPLOAD_ID.fullmatch(upload_id):
            raise Missing("there is no such upload.")
        return self.folder / UPLOADS / upload_id

    def attempt(self, attempt_id: str) -> AttemptRow:
        """The row of an attempt. Raises RecordError if there is none."""
        with self.session() as session:
            row = session.get(AttemptRow, attempt_id)
        if row is None:
            raise Missing("there is no such attempt; it may have been deleted.")
        return row

    def attempts(
        self, *, state: str | None = None, athlete_id: int | None = None, workout: str | None = None
    ) -> Sequence[AttemptRow]:
        """Attempts, the newest first."""
        asked = select(AttemptRow).order_by(AttemptRow.created_at.desc(), AttemptRow.id)
        if state is not None:
            asked = asked.where(AttemptRow.state == state)
        if athlete_id is not None:
            asked = asked.where(AttemptRow.athlete_id == athlete_id)
        if workout is not None:
            asked = asked.where(AttemptRow.workout == workout)
        with self.session() as session:
            return session.scalars(asked).all()

    def athletes(self) -> Sequence[AthleteRow]:
        """All athletes by name."""
        with self.session() as session:
            return session.scalars(select(AthleteRow).order_by(AthleteRow.name)).all()

    def athlete_named(self, name: str) -> int:
        """The id of the athlete of this name, made if there is none."""
        with self.session() as session:
            return athlete_in(session, name)

    def upload_ids(self) -> set[str]:
        """Uploads on their way."""
        with self.session() as session:
            return set(session.scalars(select(Upload.id)))

    def plans(self) -> Sequence[PlanRow]:
        """All plans, the one changed last first."""
        with self.session() as session:
            return session.scalars(select(PlanRow).order_by(*_NEWEST)).all()

    def plan(self, plan_id: int) -> PlanRow:
        """The row of a plan. Raises Missing if there is none."""
        with self.session() as session:
            row = session.get(PlanRow, plan_id)
        if row is None:
            raise Missing("there is no such plan; it may have been deleted.")
        return row

    def put_plan(self, toml: str, plan_id: int | None = None, version: int | None = None) -> int:
        """Keep a plan, new or in place of the version given; its id.

        Raises PlanError where the text is no plan, Conflict where someone else changed it.
        """
        name = parse_plan(toml).workout.name
        with self.session() as session:
            if plan_id is None:
                return add_plan(session, toml)
            changed = session.execute(
                update(PlanRow)
                .where(PlanRow.id == plan_id, PlanRow.version == version)
                .values(name=name, toml=toml, version=PlanRow.version + 1, changed_at=now())
            )
            if changed.rowcount != 1:  # type: ignore[attr-defined]  # of every UPDATE's result
                raise Conflict(
                    "someone else changed or deleted this plan meanwhile; open it again and make "
                    "your change there."
                )
        return plan_id

    def keep_plan(self, toml: str, attempt_id: str, by: str) -> int:
        """Keep a plan after an attempt, once, with who kept it; its id. It is the newest then, also
        where it was there. Raises PlanError where the text is no plan."""
        with self.session() as session:
            row = session.scalars(select(PlanRow).where(PlanRow.toml == toml)).first()
            row = row or session.get_one(PlanRow, add_plan(session, toml))
            row.kept_after, row.kept_by, row.changed_at = attempt_id, by or None, now()
            return row.id

    def plan_kept_after(self, attempt_id: str) -> PlanRow | None:
        """The plan that was kept, or changed, last after an attempt, as it stands now; None where
        none was kept."""
        asked = select(PlanRow).where(PlanRow.kept_after == attempt_id)
        with self.session() as session:
            return session.scalars(asked.order_by(*_NEWEST)).first()

    def add_attempt(
        self,
        video: Path,
        file_name: str,
        *,
        athlete_id: int | None = None,
        plan_toml: str | None = None,
        results: Path | None = None,
        upload_id: str | None = None,
        recorded_at: str | None = None,
    ) -> str:
        """Take a video into the library; with `results` (a folder) it is finished, else it waits.
        `recorded_at`: when it was filmed (ISO 8601), where a person says so before it is read.

        The type is read from the content; the name keeps its ending where that fits the type. The
        video of an upload is linked, and the upload marked in the same transaction as the row: a
        kill loses neither. Raises FootageError for no video.
        """
        from repcount.video.containers import sniff

        endings, ending = ENDINGS[sniff(video)], Path(file_name).suffix
        if ending.lower() not in endings:
            ending = endings[0]
        attempt_id = secrets.token_hex(8)
        name = clean_name(file_name, ending)
        row = AttemptRow(
            id=attempt_id,
            athlete_id=athlete_id,
            file_name=name,
            plan_toml=plan_toml,
            workout=parse_plan(plan_toml).workout.name if plan_toml else "",
            recorded_at=recorded_at,
            created_at=now(),
        )
        try:
            with self.placed(self.folder_of(attempt_id)) as (folder, session):
                if results is not None:
                    for one in result_files(results):
                        (folder / one).parent.mkdir(exist_ok=True)
                        shutil.copyfile(results / one, folder / one)
                    note_results(row, load_record(Attempt, folder / ATTEMPT), folder)
                if plan_toml is not None:
                    (folder / PLAN_SOURCE).write_text(plan_toml, encoding="utf-8")
                if upload_id is None:
                    shutil.copyfile(video, folder / name)
                else:
                    os.link(video, folder / name)
                session.add(row)
                if upload_id is not None:
                    session.execute(
                        update(Upload).where(Upload.id == upload_id).values(attempt_id=attempt_id)
                    )
        except OSError as error:
            raise RepcountError(
                f"{self.folder}: the attempt cannot be kept ({error.strerror}); check the disk."
            ) from error
        return attempt_id

    @contextmanager
    def placed(self, folder: Path) -> Iterator[tuple[Path, Session]]:
        """A new folder to fill, and the transaction of the rows that name it.

        Filled under another name, it gets its own just before the transaction ends, with a mark in
        it until then: of what no row names, a start knows by it what a kill has cut off. Where
        something is raised, neither stays.
        """
        aside, placed = folder.with_name(NEW + folder.name), False
        with self.saving():
            try:
                aside.mkdir(mode=0o700)
                with self.session() as session:
                    yield aside, session
                    session.flush()
                    (aside / PLACING).touch()
                    aside.replace(folder)
                    placed = True
            except BaseException:
                shutil.rmtree(folder if placed else aside, ignore_errors=True)
                raise
            with suppress(OSError):  # the next start takes it away, then
                (folder / PLACING).unlink()

    def add_heat(self, source: Path) -> str:
        """Take a heat's files (a folder that `write_heat` wrote) into the library; its id.

        Raises RecordError where there is no heat, RepcountError where the disk refuses.
        """
        heat = load_record(Heat, source / RECORD)
        heat_id = secrets.token_hex(8)
        try:
            with self.placed(self.heat_folder(heat_id)) as (folder, session):
                for name in HEAT_FILES:
                    shutil.copyfile(source / name, folder / name)
                session.add(heat_row(heat_id, heat, now()))
        except OSError as error:
            raise RepcountError(
                f"{source}: the heat cannot be kept ({error.strerror}); check folder and disk."
            ) from error
        return heat_id

    def heats(self) -> Sequence[HeatRow]:
        """Heats, the newest first."""
        with self.session() as session:
            asked = select(HeatRow).order_by(HeatRow.created_at.desc(), HeatRow.id)
            return session.scalars(asked).all()

    def finish(self, attempt_id: str, record: Attempt | None = None) -> None:
        """Note that the results of an attempt lie in its folder. RecordError if they do not."""
        if record is None:
            record = load_record(Attempt, self.folder_of(attempt_id) / ATTEMPT)
        with self.session() as session:
            row = session.get(AttemptRow, attempt_id)
            if row is not None:
                note_results(row, record, self.folder_of(attempt_id))

    def set_state(
        self,
        attempt_id: str,
        state: str,
        message: str = "",
        tries: int = 0,
        *,
        only_from: str | None = None,
    ) -> bool:
        """Change where an analysis stands; False where it is not there (`only_from`) any more."""
        change = update(AttemptRow).where(AttemptRow.id == attempt_id)
        if only_from is not None:
            change = change.where(AttemptRow.state == only_from)
        with self.session() as session:
            done = session.execute(
                change.values(state=state, message=message, tries=AttemptRow.tries + tries)
            )
        return done.rowcount == 1  # type: ignore[attr-defined]  # of every UPDATE's result

    def claim(self) -> AttemptRow | None:
        """The attempt that has waited longest, now running; None if none waits."""
        with self.session() as session:
            session.execute(text("BEGIN IMMEDIATE"))
            row = session.scalar(
                select(AttemptRow)
                .where(AttemptRow.state == "waiting")
                .order_by(AttemptRow.created_at, AttemptRow.id)
                .limit(1)
            )
            if row is not None:
                row.state = "running"
        return row

    def requeue(self) -> None:
        """After a crash: what was running waits again, unless its results are complete."""
        for row in self.attempts(state="running"):
            if has_results(self.folder_of(row.id)):
                self.finish(row.id)
            else:
                self.set_state(row.id, "waiting", INTERRUPTED)

    def delete(self, attempt_id: str) -> None:
        """Delete an attempt: rows, video, tracks, results, links. Nothing is kept aside."""
        folder = self.folder_of(attempt_id)
        gone = folder.with_name(GONE + attempt_id)
        with self.moving(folder, gone) as session:
            drop_attempt(session, attempt_id)
        self._forget()
        _remove(gone)
        _remove(folder)

    def delete_heat(self, heat_id: str) -> None:
        """Delete a heat and its files; attempts of the library that were in it stay."""
        folder = self.heat_folder(heat_id)
        gone = folder.with_name(GONE + heat_id)
        with self.moving(folder, gone) as session:
            drop_heat(session, heat_id)
        self._forget()
        _remove(gone)

    @contextmanager
    def moving(self, folder: Path, to: Path) -> Iterator[Session]:
        """A transaction at whose end a folder is moved, if there is one. Where something is raised,
        rows and folder stay; what a kill leaves between the two is put right by the next start
        (`repcount.library.tidying`)."""
        moved = False
        try:
            with self.session() as session:
                yield session
                session.flush()
                if folder.exists():
                    folder.replace(to)
                    moved = True
        except BaseException:
            if moved:
                to.replace(folder)
            raise

    def delete_athlete(self, athlete_id: int) -> None:
        """Delete an athlete with all of the athlete's attempts."""
        for row in self.attempts(athlete_id=athlete_id):
            self.delete(row.id)
        with self.session() as session:
            found = session.get(AthleteRow, athlete_id)
            if found is None:
                raise Missing("there is no such athlete; it may have been deleted.")
            session.delete(found)
        self._forget()

    def delete_plan(self, plan_id: int) -> None:
        """Delete a plan; attempts keep the copy they were compared with."""
        with self.session() as session:
            found = session.get(PlanRow, plan_id)
            if found is None:
                raise Missing("there is no such plan; it may have been deleted.")
            session.delete(found)
        self._forget()

    def _forget(self) -> None:
        """Empty the write-ahead log, in which deleted rows would still stand."""
        with self._engine.connect() as connection:
            connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))

    def setting(self, key: str) -> str | None:
        """A value of the library's own."""
        with self.session() as session:
            found = session.get(Setting, key)
            return None if found is None else found.value

    def set_setting(self, key: str, value: str) -> None:
        """Keep a value of the library's own."""
        with self.session() as session:
            session.merge(Setting(key=key, value=value))

    def damage(self) -> str | None:
        """What SQLite's own integrity check finds; None if nothing."""
        with self._engine.connect() as connection:
            found = connection.execute(text("PRAGMA integrity_check")).scalar()
        return None if found == "ok" else str(found)


class Conflict(RepcountError):
    """Someone else changed the same thing meanwhile; nothing was changed."""


class Missing(RecordError):
    """What is asked for is not, or no longer, in the library."""


def name_of(text: str) -> str:
    """A name, blanks put right. Raises RepcountError for what is none."""
    name = " ".join(text.split())
    if not 1 <= len(name) <= 100:
        raise RepcountError("a name has 1 to 100 characters; give a shorter one.")
    if not name.isprintable():
        raise RepcountError("a name has letters only, no control characters.")
    return name


def athlete_in(session: Session, name: str) -> int:
    """The id of the athlete of this name, made in this transaction if there is none. Raises
    RepcountError for what is no name."""
    name = name_of(name)
    found = session.scalar(select(AthleteRow).where(AthleteRow.name == name))
    if found is None:
        found = AthleteRow(name=name, notes="")
        session.add(found)
        session.flush()
    return found.id


def add_plan(session: Session, toml: str) -> int:
    """Keep a new plan in this transaction; its id. Raises PlanError where the text is none."""
    row = PlanRow(name=parse_plan(toml).workout.name, toml=toml, version=1, changed_at=now())
    session.add(row)
    session.flush()
    return row.id


def drop_attempt(session: Session, attempt_id: str) -> AttemptRow:
    """Take an attempt's rows out; the row it had. Raises Missing if there is none."""
    row = session.get(AttemptRow, attempt_id)
    if row is None:
        raise Missing("there is no such attempt; it may have been deleted.")
    session.execute(delete(Upload).where(Upload.attempt_id == attempt_id))
    session.delete(row)
    return row


def drop_heat(session: Session, heat_id: str) -> HeatRow:
    """Take a heat's row out; the row. Raises Missing if there is none."""
    row = session.get(HeatRow, heat_id)
    if row is None:
        raise Missing("there is no such heat; it may have been deleted.")
    session.delete(row)
    return row


def _remove(folder: Path) -> None:
    for _ in range(_DELETE_TRIES):  # a process that was stopped may write a moment longer
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            return
        time.sleep(0.1)
    raise RepcountError(f"{folder}: some files cannot be deleted; delete this folder by hand.")


def has_results(folder: Path) -> bool:
    """Whether a folder holds a complete analysis."""
    try:
        load_record(Reading, folder / READING)
        load_record(Attempt, folder / ATTEMPT)
    except RecordError:
        return False
    return True
