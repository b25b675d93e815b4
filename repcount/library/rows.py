"""The rows of the library's tables, and what is written into them.

Moments (`_at`) are Unix seconds.
"""

from __future__ import annotations

import time

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from repcount.attempt.records import Attempt
from repcount.heat.records import Heat
from repcount.wording import plural

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
    """A plan as its TOML text; `version` counts its changes."""

    __tablename__ = "plans"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    toml: Mapped[str]
    version: Mapped[int] = mapped_column(default=1)
    changed_at: Mapped[int]


class AttemptRow(Base):
    """One video and where its analysis stands: `state` is waiting, running, done, failed or
    cancelled.

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


def now() -> int:
    """Unix seconds."""
    return int(time.time())


def heat_row(heat_id: str, heat: Heat, at: int) -> HeatRow:
    """The row of a heat whose files lie in their place."""
    return HeatRow(id=heat_id, name=heat.name[:200], count=len(heat.attempts), created_at=at)


def note_results(row: AttemptRow, record: Attempt) -> None:
    """Write into a row that the results are there and what they say."""
    row.state, row.message = "done", ""
    row.workout = record.workout.name if record.workout else ""
    row.total_s, row.complete = record.clock.total_s, record.clock.finished
    row.counted = sum(rep.status == "counted" for rep in record.reps)
    rounds = record.workout.rounds if record.workout else []
    row.asked = sum(part.reps for parts in rounds for part in parts) or None
    row.finished_at = now()
