"""What a heat is: one record a page, a table or a program can be made from (`heat.json`).

Times named `_s` are on the heat's clock, seconds from the start signal, unless they are lengths.
Places are ranks: equal results share the smallest (1, 2, 2, 4).
"""

from __future__ import annotations

from typing import Literal

from pydantic import AliasChoices, Field

from repcount.attempt.records import Provenance, Record, StartSource, TimeShare
from repcount.units import Seconds

State = Literal["read", "doubtful", "failed"]


class HeatRep(Record):
    """A counted rep. `position` counts the prescribed reps of the whole workout up to and with it,
    whether those before it were counted or not."""

    round: int
    movement: str
    number: int
    position: int | None = Field(description="null where nothing is prescribed")
    top_s: Seconds
    cycle_s: Seconds | None = None
    confidence: float
    check: bool = Field(description="a person should check it")


class HeatBreak(Record):
    """The bar on the floor for 1.5 s or more, inside a round. `position` as in `HeatRep`, of the
    rep before it (0: before the first)."""

    round: int
    movement: str | None = Field(description="of the rep before it")
    number: int | None
    position: int | None
    start_s: Seconds
    end_s: Seconds
    length_s: Seconds
    outcome: str | None = Field(None, description="against the plan, where there is one")


class HeatRound(Record):
    """A round's split."""

    round: int
    start_s: Seconds
    end_s: Seconds
    duration_s: Seconds
    counted: int
    breaks: int
    break_s: Seconds
    sets: str = Field(description="as done: | the bar went down, + a set runs into the next")


class Spread(Record):
    """One quantity over an attempt: by halves of the prescribed reps, and over the rounds.

    `slope` is the change a round by least squares (three rounds or more with a value), `variation`
    the standard deviation (n - 1) of the rounds' values as a fraction of their mean (two or more).
    """

    name: str
    unit: str
    first_half: float | None
    last_half: float | None
    slope: float | None
    slope_error: float | None = Field(None, description="standard error of the slope")
    variation: float | None


class HeatAttempt(Record):
    """One athlete's row. What could not be read has its reason and no numbers."""

    athlete: str
    division: str = ""
    lane: int | None = None
    video: str = Field("", description="file name")
    results: str = Field("", description="results folder, relative to the heat's folder if in it")
    state: State
    reason: str = Field("", description="why doubtful or failed; empty if read")
    same_video_as: str = Field(
        "", description="athlete whose row counts, where this one is read from the same video"
    )
    workout: str = ""
    load_kg: float | None = None
    finished: bool | None = None
    total_s: Seconds | None = None
    done: int = Field(0, description="counted reps")
    asked: int | None = Field(None, description="prescribed reps")
    last_top_s: Seconds | None = Field(None, description="the last counted rep")
    result: str = Field("", description="the time, or how far it came, in words")
    place: int | None = Field(None, description="among all; null where there is no common workout")
    place_in_division: int | None = None
    close: bool = Field(
        False, description="nearer to a neighbour's time than the uncertainty of both"
    )
    start_source: StartSource | None = None
    start_uncertainty_s: float | None = Field(
        None,
        # heats kept by an older version have the second name
        validation_alias=AliasChoices("start_uncertainty_s", "start_doubt_s"),
        description="standard deviation of the start; null: a clock of its own",
    )
    planned_s: Seconds | None = None
    difference_s: Seconds | None = Field(None, description="total less planned")
    deviations: list[str] = Field(default_factory=list, description="from the plan, and where")
    checks: int = Field(0, description="counted reps to check")
    failed_strokes: int = 0
    rounds: list[HeatRound] = Field(default_factory=list)
    between_s: Seconds | None = Field(None, description="all time between rounds")
    time_spent: list[TimeShare] = Field(default_factory=list)
    spread: list[Spread] = Field(default_factory=list)
    reps: list[HeatRep] = Field(default_factory=list)
    breaks: list[HeatBreak] = Field(default_factory=list)


class BreakPlace(Record):
    """How often the bar went down after a prescribed rep, over all attempts that came that far."""

    position: int
    round: int
    movement: str
    number: int
    athletes: int = Field(description="who broke there")
    reached: int = Field(description="who came that far")
    mean_s: float
    median_s: float


class Association(Record):
    """How a quantity went with the total time, by ranks (Spearman). Described, not explained."""

    quantity: str
    of: str = Field(description="the attempts it is taken over")
    n: int
    rho: float
    low: float = Field(description="interval of 95 %")
    high: float
    part_of_total: bool = Field(description="its seconds are inside the total's already")


class Heat(Record):
    """Several attempts ranked together (`heat.json`)."""

    format: Literal["repcount-heat/1"] = "repcount-heat/1"
    provenance: Provenance
    name: str
    attempts: list[HeatAttempt] = Field(description="by division and place, then as given")
    divisions: list[str]
    workout: list[list[str]] = Field(
        default_factory=list, description="the common workout: `8 deadlift` by round; or empty"
    )
    round_ends: list[int] = Field(default_factory=list, description="positions of last reps")
    break_places: list[BreakPlace] = Field(default_factory=list)
    associations: list[Association] = Field(default_factory=list)
    notes: list[str] = Field(default_factory=list, description="sentences for the reader")
