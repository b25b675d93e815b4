"""The library: athletes, plans and attempts in one folder, shared by `serve` and `analyze --save`.

Rows live in SQLite (`library.sqlite`, schema versions in `repcount.library.migrations`); an
attempt's video and results are files in `attempts/ID`, the same that `analyze --out` writes.
Corrections stay in the results' own `edits.json`, so that the command line and the pages write one
list. A heat's files are in `heats/ID`, as `repcount heat` writes
them. Whoever saves holds a shared lock, so that what is half saved is not taken for what a kill has
left (`repcount.library.tidying`). Folder and database are closed to other accounts.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import sqlite3
import stat
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from fcntl import LOCK_EX, LOCK_NB, LOCK_SH, flock
from pathlib import Path

from sqlalchemy import (
    ForeignKey,
    String,
    create_engine,
    delete,
    event,
    select,
    text,
    update,
)
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from repcount.attempt.records import Attempt, Reading, load_record
from repcount.errors import RecordError, RepcountError
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.pipeline.results import ATTEMPT, EDITS, FILES, READING, STILLS
from repcount.plan import parse_plan
from repcount.wording import plural

DATABASE, LOCK = "library.sqlite", "library.lock"
ATTEMPTS, HEATS, UPLOADS = FOLDERS = ("attempts", "heats", "uploads")
PLAN_SOURCE = "plan.toml"
ID, UPLOAD_ID = re.compile(r"[0-9a-f]{16}"), re.compile(r"[0-9a-f]{32}")
SHARED = ".shared"  # and an ending: an attempt's video as its links hand it out
# How names of folders begin that are on their way into the library, and out of it
NEW, GONE, IMPORT = ".new-", ".gone-", ".import-"
VIDEO_NAME = re.compile(r"[A-Za-z0-9_-]{1,60}\.(mp4|mkv|avi|mts)")  # as `clean_name` gives them
PASSPHRASE, KEY = "passphrase", "key"  # settings: the passphrase's hash; what tokens are made with
STATES = ("waiting", "running", "done", "failed", "cancelled")
INTERRUPTED = "The reading was interrupted and has begun again."
_DELETE_TRIES = 20
# What files of a container are called; the first where a name has another ending.
ENDINGS = {
    "mov": (".mp4", ".mov", ".m4v", ".qt", ".3gp", ".3g2"),
    "matroska": (".mkv", ".webm"),
    "avi": (".avi",),
    "mpegts": (".mts", ".m2ts", ".ts"),
}


class Base(DeclarativeBase):
    """All tables."""


class Athlete(Base):
    """Whose attempts they are."""

    __tablename__ = "athletes"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), unique=True)
    notes: Mapped[str] = mapped_column(default="")


class PlanRow(Base):
    """A plan as its TOML text; `version` counts its changes."""

    __tablename__ = "plans"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    toml: Mapped[str]
    version: Mapped[int] = mapped_column(default=1)
    changed_at: Mapped[int]


class AttemptRow(Base):
    """One video and where its analysis stands. Moments (`_at`) are Unix seconds.

    Of what was read: `total_s` on the clock, `counted` of `asked` reps, and whether the workout is
    `complete` (None where none was given).
    """

    __tablename__ = "attempts"
    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    athlete_id: Mapped[int | None] = mapped_column(ForeignKey("athletes.id"))
    file_name: Mapped[str] = mapped_column(String(120))
    plan_toml: Mapped[str | None]
    workout: Mapped[str] = mapped_column(String(200), default="")
    state: Mapped[str] = mapped_column(String(12), default="waiting")
    message: Mapped[str] = mapped_column(default="")
    tries: Mapped[int] = mapped_column(default=0)
    total_s: Mapped[float | None]
    created_at: Mapped[int]
    finished_at: Mapped[int | None]
    complete: Mapped[bool | None]
    counted: Mapped[int | None]
    asked: Mapped[int | None]

    @property
    def missing(self) -> str:
        """What an unfinished attempt came to, in words; empty where all that was asked is done, or
        nothing was."""
        if self.complete is not False or self.counted is None or self.asked is None:
            return ""
        return f"not finished, {self.counted} of {plural(self.asked, 'rep')}"


class Upload(Base):
    """A file that is on its way. How much has come is the size of the file itself."""

    __tablename__ = "uploads"
    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    size: Mapped[int]
    file_name: Mapped[str] = mapped_column(String(120))
    athlete_id: Mapped[int | None]
    plan_id: Mapped[int | None]
    created_at: Mapped[int]
    attempt_id: Mapped[str | None] = mapped_column(String(32))


class Share(Base):
    """A read-only link to one attempt; only the digest of its token is kept."""

    __tablename__ = "shares"
    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    attempt_id: Mapped[str] = mapped_column(ForeignKey("attempts.id", ondelete="CASCADE"))
    created_at: Mapped[int]
    expires_at: Mapped[int]


class HeatRow(Base):
    """Attempts that were judged together, `count` of them."""

    __tablename__ = "heats"
    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    count: Mapped[int]
    created_at: Mapped[int]


class SessionRow(Base):
    """Somebody who gave the passphrase; only the digest of the cookie is kept."""

    __tablename__ = "sessions"
    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    created_at: Mapped[int]
    expires_at: Mapped[int]


class Setting(Base):
    """A value of the library's own, as the passphrase's hash."""

    __tablename__ = "settings"
    key: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[str]


def default_folder() -> Path:
    """The data folder of this account, as the platform has it."""
    from platformdirs import user_data_path

    return user_data_path("repcount", appauthor=False)


def result_files(folder: Path) -> list[str]:
    """The names of the results that lie in a folder, stills as `stills/NAME`."""
    stills = [f"{STILLS}/{path.name}" for path in sorted((folder / STILLS).glob("*.jpg"))]
    return [one for one in (*FILES, EDITS, *stills) if (folder / one).is_file()]


def clean_name(name: str, ending: str) -> str:
    """A file name that is safe on a disk and in an address: letters, digits, dot, dash, line."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", Path(name.replace("\\", "/")).stem).strip("-_")[:60]
    return (stem or "video") + ending


def _tuned(connection: object, _: object) -> None:
    cursor = connection.cursor()  # type: ignore[attr-defined]  # the driver's own connection
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "busy_timeout=10000",
        "secure_delete=ON",  # deleted rows are overwritten
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


class Library:
    """The library in a folder; made where there is none, brought to this schema where it is older.

    Raises RepcountError where the folder or the database cannot be used.
    """

    def __init__(self, folder: Path | str | None = None) -> None:
        self.folder = Path(folder) if folder is not None else default_folder()
        self.notices: list[str] = []  # what the person should know, in sentences
        database = self.folder / DATABASE
        self._demand_ours(database)
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            was_open = self._close_to_others()
            for part in FOLDERS:
                (self.folder / part).mkdir(exist_ok=True, mode=0o700)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(
                f"{self.folder}: the library's folder cannot be made ({reason}); give another "
                "with --data."
            ) from error
        self._engine = create_engine(f"sqlite:///{database}")
        event.listen(self._engine, "connect", _tuned)
        try:
            with self._engine.begin() as connection:
                # one at a time; the driver begins no transaction before a schema statement
                connection.execute(text("BEGIN IMMEDIATE"))
                _migrate(connection)
        except SQLAlchemyError as error:
            raise RecordError(
                f"{database}: is not a usable library ({type(error).__name__}); "
                "give another folder with --data, or restore it from an export."
            ) from error
        if was_open:
            self._renew_secrets()

    def _demand_ours(self, database: Path) -> None:
        """Raises RepcountError where the folder is no library and none should be made there: its
        database is another program's, or there is none and what lies in it could be taken for a
        library's own. Nothing is touched."""
        tables = set()
        if database.exists():
            try:
                with closing(
                    sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)
                ) as one:
                    tables = {name for (name,) in one.execute("select name from sqlite_master")}
            except sqlite3.Error:  # said where it is opened
                return
        if {"alembic_version", "settings"} <= tables:
            return
        if tables:
            raise RecordError(
                f"{database}: is the database of something else; give another folder with --data."
            )
        for name in FOLDERS:
            part = self.folder / name
            if part.is_dir() and any(part.iterdir()):
                raise RepcountError(
                    f"{self.folder}: holds a folder {name} with something in it, but {DATABASE} is "
                    "missing or empty; give another folder with --data, or put the database back."
                )

    def _close_to_others(self) -> bool:
        """Keep other accounts out of folder and database; whether they could read the database."""
        mode = self.folder.stat().st_mode
        if mode & 0o077:
            try:
                self.folder.chmod(0o700)
            except PermissionError:
                if mode & 0o022 and not mode & stat.S_ISVTX:
                    raise RepcountError(
                        f"{self.folder}: belongs to another account and anybody can write into it; "
                        "give another folder with --data."
                    ) from None
        database = self.folder / DATABASE
        # SQLite gives its two files beside it the same mode
        os.close(os.open(database, os.O_CREAT | os.O_RDWR, 0o600))
        open_to = database.stat().st_mode & 0o077
        if open_to:
            for path in (
                database,
                *(database.with_name(DATABASE + end) for end in ("-wal", "-shm")),
            ):
                with suppress(FileNotFoundError):
                    path.chmod(0o600)
        if database.stat().st_mode & 0o077:
            self.notices.append(
                f"{database} can be read by other accounts of this machine: its disk does not keep "
                "permissions. Give a folder on another disk with --data."
            )
            return False
        return bool(open_to and mode & 0o011)

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

    def athletes(self) -> Sequence[Athlete]:
        """All athletes by name."""
        with self.session() as session:
            return session.scalars(select(Athlete).order_by(Athlete.name)).all()

    def athlete_named(self, name: str) -> int:
        """The id of the athlete of this name, made if there is none."""
        name = " ".join(name.split())
        if not 1 <= len(name) <= 100:
            raise RepcountError("an athlete's name has 1 to 100 characters; give a shorter one.")
        if not name.isprintable():
            raise RepcountError("an athlete's name has letters only, no control characters.")
        with self.session() as session:
            found = session.scalar(select(Athlete).where(Athlete.name == name))
            if found is None:
                found = Athlete(name=name, notes="")
                session.add(found)
                session.flush()
            return found.id

    def plans(self) -> Sequence[PlanRow]:
        """All plans, the one changed last first."""
        with self.session() as session:
            return session.scalars(select(PlanRow).order_by(PlanRow.changed_at.desc())).all()

    def put_plan(self, toml: str, plan_id: int | None = None, version: int | None = None) -> int:
        """Keep a plan, new or in place of the version given; its id.

        Raises PlanError where the text is no plan, Conflict where someone else changed it.
        """
        name = parse_plan(toml).workout.name
        with self.session() as session:
            if plan_id is None:
                row = PlanRow(name=name, toml=toml, version=1, changed_at=now())
                session.add(row)
                session.flush()
                return row.id
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

    def add_attempt(
        self,
        video: Path,
        file_name: str,
        *,
        athlete_id: int | None = None,
        plan_toml: str | None = None,
        results: Path | None = None,
        upload_id: str | None = None,
    ) -> str:
        """Take a video into the library; with `results` (a folder) it is finished, else it waits.

        The type is told by the content; the name keeps its ending where that fits the type. The
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
            created_at=now(),
        )
        try:
            with self.placed(self.folder_of(attempt_id)) as (folder, session):
                if results is not None:
                    for one in result_files(results):
                        (folder / one).parent.mkdir(exist_ok=True)
                        shutil.copyfile(results / one, folder / one)
                    note_results(row, load_record(Attempt, folder / ATTEMPT))
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

        Filled under another name, it gets its own as the transaction ends: a kill leaves no folder
        that no row names. Where something is raised, neither stays.
        """
        aside, placed = folder.with_name(NEW + folder.name), False
        with self.saving():
            try:
                aside.mkdir(mode=0o700)
                with self.session() as session:
                    yield aside, session
                    session.flush()
                    aside.replace(folder)
                    placed = True
            except BaseException:
                shutil.rmtree(folder if placed else aside, ignore_errors=True)
                raise

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
                note_results(row, record)

    def set_state(self, attempt_id: str, state: str, message: str = "", tries: int = 0) -> None:
        """Change where an analysis stands."""
        with self.session() as session:
            session.execute(
                update(AttemptRow)
                .where(AttemptRow.id == attempt_id)
                .values(state=state, message=message, tries=AttemptRow.tries + tries)
            )

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
            found = session.get(Athlete, athlete_id)
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


def now() -> int:
    """Unix seconds."""
    return int(time.time())


def heat_row(heat_id: str, heat: Heat, at: int) -> HeatRow:
    """The row of a heat whose files lie in their place."""
    return HeatRow(id=heat_id, name=heat.name[:200], count=len(heat.attempts), created_at=at)


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


def note_results(row: AttemptRow, record: Attempt) -> None:
    """Write into a row that the results are there and what they say."""
    row.state, row.message = "done", ""
    row.workout = record.workout.name if record.workout else ""
    row.total_s, row.complete = record.clock.total_s, record.clock.finished
    row.counted = sum(rep.status == "counted" for rep in record.reps)
    rounds = record.workout.rounds if record.workout else []
    row.asked = sum(part.reps for parts in rounds for part in parts) or None
    row.finished_at = now()


def _migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
