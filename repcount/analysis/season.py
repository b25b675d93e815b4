"""An athlete's attempts over a season, by the day on which they were filmed, at any workouts.

Totals of different workouts say nothing beside each other; the tempo of a movement, the load and
the breaks do, with care: a movement's tempo is compared at one load only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pydantic import Field

from repcount.analysis.forecast import Filmed, in_order, once_each
from repcount.analysis.history import (
    AttemptColumn,
    Change,
    not_comparable,
    tempo_changes,
    whole_column,
)
from repcount.attempt.records import Record
from repcount.wording.moments import recorded_words


class SeasonAttempt(AttemptColumn):
    """One attempt's figures, of all that was done in it, and its workout."""

    workout: str = Field(description="empty where none was given")
    break_share: float | None = Field(None, description="of the total that the bar lay in breaks")


class TempoChange(Change):
    """A movement's median cycle in the first and in the last attempt at the last one's load."""

    movement: str
    load_kg: float | None
    first_at: str | None = Field(description="when the first was filmed")
    last_at: str | None = Field(description="when the last was filmed")


class Season(Record):
    """An athlete's attempts in the order in which they were filmed."""

    attempts: list[SeasonAttempt]
    movements: list[str] = Field(description="of all attempts, in the order of their appearance")
    tempo: list[TempoChange] = Field(default_factory=list)
    not_comparable: list[str] = Field(
        default_factory=list, description="what cannot be compared, and why"
    )
    notes: list[str] = Field(default_factory=list, description="what was left out, and the order")


def season(filmed: Sequence[Filmed]) -> Season:
    """The attempts of one athlete, each once, in the order filmed; at any workouts, or at none."""
    kept, left_out = once_each(filmed)
    kept, order = in_order(kept)
    labels = _labels(kept)
    named = [replace(one, name=label) for one, label in zip(kept, labels, strict=True)]
    columns = [_attempt(one) for one in named]
    movements = list(dict.fromkeys(name for one in columns for name in one.median_cycle_s))
    return Season(
        attempts=columns,
        movements=movements,
        tempo=[change for name in movements if (change := _tempo(name, named)) is not None],
        not_comparable=not_comparable(named) if named else [],
        notes=[*left_out, *order],
    )


def _labels(filmed: Sequence[Filmed]) -> list[str]:
    """What an attempt is called among the others: when it was filmed, else its folder."""
    said = [recorded_words(one.attempt.video.recorded_at) or one.name for one in filmed]
    return [
        f"{label} ({said[: place + 1].count(label)})" if said.count(label) > 1 else label
        for place, label in enumerate(said)
    ]


def _attempt(filmed: Filmed) -> SeasonAttempt:
    column = whole_column(filmed)
    workout = filmed.attempt.workout
    return SeasonAttempt(
        **column.model_dump(),
        workout=workout.name if workout else "",
        break_share=round(column.break_s / column.total_s, 4) if column.total_s else None,
    )


def _tempo(movement: str, filmed: Sequence[Filmed]) -> TempoChange | None:
    """How a movement's cycle changed at the load of the last attempt that has it; None where there
    is one attempt at that load only."""
    having = [
        one
        for one in filmed
        if any(r.movement == movement and r.cycle_s is not None for r in one.attempt.counted())
    ]
    alike = [one for one in having if _load(one) == _load(having[-1])]
    if len(alike) < 2:
        return None
    first, last = alike[0], alike[-1]
    return TempoChange(
        **tempo_changes(first.attempt, last.attempt)[movement].model_dump(),
        movement=movement,
        load_kg=_load(last),
        first_at=first.attempt.video.recorded_at,
        last_at=last.attempt.video.recorded_at,
    )


def _load(filmed: Filmed) -> float | None:
    return filmed.attempt.workout.load_kg if filmed.attempt.workout else None
