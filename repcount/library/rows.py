"""The rows of the library's tables, and what is written into them.

Moments (`_at`) are Unix seconds.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from repcount.analysis.same_film import Film, repeated
from repcount.attempt.assemble import all_rounds_over
from repcount.attempt.records import Attempt, Comparison, load_record
from repcount.heat.records import Heat
from repcount.pipeline.results import COMPARISON
from repcount.reports.words import review_marks
from repcount.wording import short_of
from repcount.wording.moments import recorded_words, utc_text
from repcount.wording.numbers import as_tenths, seconds_of

PASSPHRASE, KEY = "passphrase", "key"  # settings: the passphrase's hash; what tokens are made with


class Base(DeclarativeBase):
    """All tables."""


class AthleteRow(Base):
    """Whose attempts they are."""

    __tablename__ = "athletes"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), unique=True)
    notes: Mapped[str] = mapped_column(default="")


class PlanRow(Base):
    """A plan as its TOML text; `version` counts its changes. One that was kept after an attempt has
    that one's id, and the name of who kept it, where they have one."""

    __tablename__ = "plans"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    toml: Mapped[str]
    version: Mapped[int] = mapped_column(default=1)
    changed_at: Mapped[int]
    kept_after: Mapped[str | None] = mapped_column(String(32))
    kept_by: Mapped[str | None] = mapped_column(String(100))


class AttemptRow(Base):
    """One video and where its analysis stands: `state` is waiting, running, done, failed or
    cancelled.

    Of what was read: `total_s` on the clock, `planned_s` where there was a pace, `counted` of
    `asked` reps, how many moments are `to_check` by eye, and whether the workout is `complete`
    (None where none was given) or, with reps missing, `rounds_over` all the same: its last round
    was done to the end. `recorded_at` is when it was filmed (ISO 8601). By
    `sha256` and the stretch of the video that it lies in, two rows are known to be one attempt.
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
    recorded_at: Mapped[str | None] = mapped_column(String(20))
    sha256: Mapped[str | None] = mapped_column(String(64))
    film_begin_s: Mapped[float | None]
    film_end_s: Mapped[float | None]
    planned_s: Mapped[float | None]
    to_check: Mapped[int | None]
    rounds_over: Mapped[bool | None]

    @property
    def filmed(self) -> str:
        """When it was filmed, in words; empty where that is not known."""
        return recorded_words(self.recorded_at)

    @property
    def when(self) -> str:
        """What attempts are ordered by: when it was filmed, else when it came (ISO 8601)."""
        return self.recorded_at or utc_text(datetime.fromtimestamp(self.created_at, UTC))

    @property
    def to_the_end(self) -> bool:
        """Whether its last round was done to the end, so that its total is a whole one."""
        return bool(self.complete or self.rounds_over)

    @property
    def missing(self) -> str:
        """What an attempt with reps missing came to, in words; empty where all that was asked is
        done, or nothing was."""
        if self.complete is not False or self.counted is None or self.asked is None:
            return ""
        return short_of(self.counted, self.asked, rounds_over=bool(self.rounds_over))

    @property
    def against(self) -> str:
        """How an attempt that came to the end stands against its plan, in words; empty where there
        was no pace."""
        if not self.to_the_end or self.total_s is None or self.planned_s is None:
            return ""
        by = as_tenths(self.total_s - self.planned_s)
        if not by:
            return "on the plan"
        return f"{seconds_of(abs(by))} s {'behind' if by > 0 else 'ahead of'} the plan"

    def answers(self, asked: str, athlete: str) -> bool:
        """Whether every word of a search stands in what a list says of the attempt."""
        said = " ".join((self.workout, self.file_name, athlete, self.filmed, self.missing))
        return all(word in said.casefold() for word in asked.casefold().split())


class Upload(Base):
    """A file that is on its way. How much has come is the size of the file itself. `recorded_at`:
    when it was filmed (ISO 8601), where that was said."""

    __tablename__ = "uploads"
    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    size: Mapped[int]
    file_name: Mapped[str] = mapped_column(String(120))
    athlete_id: Mapped[int | None]
    plan_id: Mapped[int | None]
    recorded_at: Mapped[str | None] = mapped_column(String(20))
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


class PersonRow(Base):
    """Somebody with a passphrase of their own: a coach, or an athlete with attempts of their own.

    `passphrase` is a hash, None until it is chosen. Of an invitation that is open the digest and
    the end are kept.
    """

    __tablename__ = "people"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), unique=True)
    role: Mapped[str] = mapped_column(String(12))
    athlete_id: Mapped[int | None] = mapped_column(ForeignKey("athletes.id", ondelete="CASCADE"))
    passphrase: Mapped[str | None]
    invitation: Mapped[str | None] = mapped_column(String(64), unique=True)
    invited_until: Mapped[int | None]
    created_at: Mapped[int]


class SessionRow(Base):
    """Somebody who gave a passphrase: a person's own, else the library's. Only the digest of the
    cookie is kept."""

    __tablename__ = "sessions"
    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int | None] = mapped_column(ForeignKey("people.id", ondelete="CASCADE"))
    created_at: Mapped[int]
    expires_at: Mapped[int]


class Setting(Base):
    """A value of the library's own, as the passphrase's hash."""

    __tablename__ = "settings"
    key: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[str]


def now() -> int:
    """Unix seconds."""
    return int(time.time())


def heat_row(heat_id: str, heat: Heat, at: int) -> HeatRow:
    """The row of a heat whose files lie in their place."""
    return HeatRow(id=heat_id, name=heat.name[:200], count=len(heat.attempts), created_at=at)


def doubles(rows: Sequence[AttemptRow]) -> dict[str, AttemptRow]:
    """Rows that are an attempt of another row in the same video, by their id, each with the row
    that counts for it: the one that came last."""
    known = sorted((row for row in rows if row.sha256), key=lambda row: (row.created_at, row.id))
    films = [
        Film(row.sha256 or "", row.film_begin_s or 0.0, row.film_end_s or 0.0, None)
        for row in known
    ]
    return {known[place].id: known[match] for place, match in repeated(films).items()}


def note_results(row: AttemptRow, record: Attempt, folder: Path) -> None:
    """Write into a row that the results are there, in a folder, and what they say."""
    row.state, row.message = "done", ""
    row.workout = record.workout.name if record.workout else ""
    row.total_s, row.complete = record.clock.total_s, record.clock.finished
    row.rounds_over = all_rounds_over(record)
    row.counted = sum(rep.status == "counted" for rep in record.reps)
    rounds = record.workout.rounds if record.workout else []
    row.asked = sum(part.reps for parts in rounds for part in parts) or None
    film = Film.of(record)
    row.recorded_at = record.video.recorded_at
    row.sha256, row.film_begin_s, row.film_end_s = film.sha256, film.begin_s, film.end_s
    row.to_check, row.planned_s = len(review_marks(record)), _planned_s(folder)
    row.finished_at = now()


def _planned_s(folder: Path) -> float | None:
    """The planned total, where the results were compared with a plan."""
    file = folder / COMPARISON
    return load_record(Comparison, file).planned_total_s if file.is_file() else None
