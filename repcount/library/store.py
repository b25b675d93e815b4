"""The library: athletes, plans and attempts in one folder, shared by `serve` and `analyze --save`.

Rows live in SQLite (`library.sqlite`, schema versions in `repcount.library.migrations`); an
attempt's video and results are files in `attempts/ID`, the same that `analyze --out` writes.
Corrections stay in the results' own `edits.json`, so that the command line and the pages write one
list. A heat's files are in `heats/ID`, as `repcount heat` writes them.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from sqlalchemy import ForeignKey, String, create_engine, event, select, text, update
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from repcount.attempt.records import Attempt, Reading, load_record
from repcount.errors import RecordError, RepcountError
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.pipeline.results import ASIDE, ATTEMPT, EDITS, FILES, READING, STILLS
from repcount.plan import parse_plan
from repcount.wording import plural

DATABASE = "library.sqlite"
ATTEMPTS, HEATS, UPLOADS = FOLDERS = ("attempts", "heats", "uploads")
PLAN_SOURCE = "plan.toml"
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


class Setting(Base):
    """A value of the library's own: the passphrase's hash, the key of its cookies."""

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
        try:
            for part in (self.folder, *(self.folder / one for one in FOLDERS)):
                part.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(
                f"{self.folder}: the library's folder cannot be made ({reason}); give another "
                "with --data."
            ) from error
        self._engine = create_engine(f"sqlite:///{self.folder / DATABASE}")
        event.listen(self._engine, "connect", _tuned)
        try:
            with self._engine.begin() as connection:
                # one at a time; the driver begins no transaction before a schema statement
                connection.execute(text("BEGIN IMMEDIATE"))
                _migrate(connection)
        except SQLAlchemyError as error:
            raise RecordError(
                f"{self.folder / DATABASE}: is not a usable library ({type(error).__name__}); "
                "give another folder with --data, or restore it from an export."
            ) from error

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextmanager
    def session(self) -> Iterator[Session]:
        """A transaction: committed at its end, undone if something is raised."""
        with Session(self._engine, expire_on_commit=False) as session, session.begin():
            yield session

    def folder_of(self, attempt_id: str) -> Path:
        """Where an attempt's video and results lie."""
        if not re.fullmatch(r"[0-9a-f]{16}", attempt_id):
            raise Missing("there is no such attempt.")
        return self.folder / ATTEMPTS / attempt_id

    def heat_folder(self, heat_id: str) -> Path:
        """Where a heat's files lie."""
        if not re.fullmatch(r"[0-9a-f]{16}", heat_id):
            raise Missing("there is no such heat.")
        return self.folder / HEATS / heat_id

    def upload_file(self, upload_id: str) -> Path:
        """Where a file on its way is gathered."""
        if not re.fullmatch(r"[0-9a-f]{32}", upload_id):
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
        folder = self.folder_of(attempt_id)
        name = clean_name(file_name, ending)
        folder.mkdir(mode=0o700)
        try:
            if results is not None:
                for one in result_files(results):
                    (folder / one).parent.mkdir(exist_ok=True)
                    shutil.copyfile(results / one, folder / one)
            if plan_toml is not None:
                (folder / PLAN_SOURCE).write_text(plan_toml, encoding="utf-8")
            if upload_id is None:
                shutil.copyfile(video, folder / name)
            else:
                os.link(video, folder / name)
            row = AttemptRow(
                id=attempt_id,
                athlete_id=athlete_id,
                file_name=name,
                plan_toml=plan_toml,
                workout=parse_plan(plan_toml).workout.name if plan_toml else "",
                created_at=now(),
            )
            if results is not None:
                _finish(row, load_record(Attempt, folder / ATTEMPT))
            with self.session() as session:
                session.add(row)
                if upload_id is not None:
                    session.execute(
                        update(Upload).where(Upload.id == upload_id).values(attempt_id=attempt_id)
                    )
        except BaseException as error:
            shutil.rmtree(folder, ignore_errors=True)
            if isinstance(error, OSError):
                raise RepcountError(
                    f"{self.folder}: the attempt cannot be kept ({error.strerror}); check the disk."
                ) from error
            raise
        return attempt_id

    def add_heat(self, source: Path) -> str:
        """Take a heat's files (a folder that `write_heat` wrote) into the library; its id.

        Raises RecordError where there is no heat, RepcountError where the disk refuses.
        """
        heat = load_record(Heat, source / RECORD)
        heat_id = secrets.token_hex(8)
        folder = self.heat_folder(heat_id)
        try:
            folder.mkdir(mode=0o700)
            for name in HEAT_FILES:
                shutil.copyfile(source / name, folder / name)
        except OSError as error:
            shutil.rmtree(folder, ignore_errors=True)
            raise RepcountError(
                f"{source}: the heat cannot be kept ({error.strerror}); check folder and disk."
            ) from error
        self.note_heat(heat_id, heat, now())
        return heat_id

    def note_heat(self, heat_id: str, heat: Heat, at: int) -> None:
        """A heat whose files lie in their place."""
        with self.session() as session:
            row = HeatRow(id=heat_id, name=heat.name[:200], count=len(heat.attempts), created_at=at)
            session.add(row)

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
                _finish(row, record)

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

    def tidy(self, keep_days: float | None = None) -> None:
        """Remove what no row names and uploads left lying for a week; old attempts on wish."""
        if keep_days is not None:
            for row in self.attempts():
                if row.created_at < now() - keep_days * 86_400:
                    self.delete(row.id)
            for heat in self.heats():
                if heat.created_at < now() - keep_days * 86_400:
                    self.delete_heat(heat.id)
        with self.session() as session:
            known = {*session.scalars(select(AttemptRow.id)), *session.scalars(select(HeatRow.id))}
            for old in session.scalars(
                select(Upload).where(Upload.created_at < now() - 7 * 86_400)
            ):
                session.delete(old)
            session.flush()
            coming = set(session.scalars(select(Upload.id)))
        homes = (self.folder / ATTEMPTS, self.folder / HEATS)
        for folder in (one for home in homes for one in home.iterdir()):
            if folder.name not in known:
                shutil.rmtree(folder, ignore_errors=True)
            for aside in folder.glob(f"{ASIDE}*"):
                with suppress(FileNotFoundError):  # whoever wrote there may be done meanwhile
                    if aside.stat().st_mtime < now() - 3600:  # nobody writes for so long
                        shutil.rmtree(aside, ignore_errors=True)
        for file in (self.folder / UPLOADS).iterdir():
            if file.name not in coming:
                file.unlink(missing_ok=True)

    def delete(self, attempt_id: str) -> None:
        """Delete an attempt: rows, video, tracks, results, links. Nothing is kept aside."""
        folder = self.folder_of(attempt_id)
        with self.session() as session:
            row = session.get(AttemptRow, attempt_id)
            if row is None:
                raise Missing("there is no such attempt; it may have been deleted.")
            for upload in session.scalars(select(Upload).where(Upload.attempt_id == attempt_id)):
                session.delete(upload)
            session.delete(row)
        self._forget()
        _remove(folder)

    def delete_heat(self, heat_id: str) -> None:
        """Delete a heat and its files; attempts of the library that were in it stay."""
        folder = self.heat_folder(heat_id)
        with self.session() as session:
            row = session.get(HeatRow, heat_id)
            if row is None:
                raise Missing("there is no such heat; it may have been deleted.")
            session.delete(row)
        self._forget()
        _remove(folder)

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


def _finish(row: AttemptRow, record: Attempt) -> None:
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
