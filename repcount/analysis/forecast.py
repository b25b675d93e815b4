"""What another pattern, break length or rest would take, from an athlete's own slowing.

A forecast holds for breaks and rests as planned, with what the athlete has gone over them; breaks
that nobody planned cannot be foreseen, nor can what is untested: a set longer than any filmed,
another load. Both are said.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field

from repcount.analysis.same_film import Film, repeated
from repcount.analysis.slowing import (
    CYCLE_LEVEL,
    OTHER_LEVEL,
    NotEnoughData,
    Slowing,
    fit_slowing,
    unrecovered,
)
from repcount.attempt.records import Attempt, Comparison, Record, load_record
from repcount.errors import PlanError, RecordError
from repcount.plan.model import Plan
from repcount.plan.pace import BETWEEN_S, START_S
from repcount.plan.tempo import TYPICAL, Step, steps_of
from repcount.plan.working_load import CAUTIONS
from repcount.units import Seconds, to_ms

Array = Any
ATTEMPT, COMPARISON, PLAN = "attempt.json", "comparison.json", "plan.json"
# What an athlete goes over a planned time by, before any was compared: mean 0, and these standard
# deviations of the mean and of each. Assumptions.
OVER_BREAK_S = (1.0, 0.7)
OVER_BETWEEN_S = (1.5, 1.2)
OVER_START_S = (0.5, 0.4)


@dataclass(frozen=True)
class Filmed:
    """An attempt with its comparison, where there is one, and where they are from."""

    attempt: Attempt
    comparison: Comparison | None
    name: str
    plan: Plan | None = None


class Span(Record):
    """A forecast time: its middle and the interval of 90 %."""

    middle_s: Seconds
    low_s: Seconds
    high_s: Seconds


class Forecast(Record):
    """What a plan would take."""

    name: str
    total: Span
    rounds: list[Span]
    chance_of_plan: float | None = Field(
        None, description="probability of the planned total or less"
    )
    outside: list[str] = Field(
        default_factory=list,
        description="what the plan asks for that is untested: in no attempt given",
    )


class Parameter(Record):
    """A parameter of the slowing model with its interval of 90 %."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    told_by_data: bool = Field(
        description="false: poorly determined, hardly more than its prior, an assumption"
    )


class Ranked(Record):
    """A plan beside the first of the list. Gains are seconds saved, negative where it takes
    more."""

    forecast: Forecast
    patterns: list[str]
    break_s: Seconds | None = None
    gain: Span | None = Field(None, description="of the expected time; null for the first")
    inside_noise: bool = Field(
        False, description="two attempts would differ by more than this without any change"
    )


class Ranking(Record):
    """Plans beside each other, from one athlete's slowing."""

    format: Literal["repcount-ranking/1"] = "repcount-ranking/1"
    workout: str
    attempts: list[str]
    slowing: list[Parameter]
    not_enough_data: str | None = Field(None, description="why there is no forecast")
    plans: list[Ranked] = Field(default_factory=list)
    notes: list[str] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))


@dataclass(frozen=True)
class Draws:
    """A forecast's draws, in seconds: with all scatter, and what is expected without it."""

    rounds: Array
    total: Array
    expected: Array


def read_attempts(paths: Sequence[Path | str]) -> list[Filmed]:
    """Attempts from results folders (or attempt.json files), with their comparisons.

    Raises RecordError for what cannot be read.
    """
    found = []
    for path in map(Path, paths):
        file = path / ATTEMPT if path.is_dir() else path
        beside = file.parent / COMPARISON
        attempt = load_record(Attempt, file)
        comparison = load_record(Comparison, beside) if beside.exists() else None
        kept = file.parent / PLAN
        plan = load_record(Plan, kept) if kept.exists() else None
        found.append(Filmed(attempt, comparison, str(path), plan))
    return found


def check_workout(filmed: Sequence[Filmed], plan: Plan | None = None) -> None:
    """Raise RecordError where an attempt has no workout, or another than the others or the plan."""
    if not filmed:
        raise RecordError("there is no attempt; give at least one results folder.")
    first = filmed[0].attempt.workout
    for one in filmed:
        if one.attempt.workout is None:
            raise RecordError(
                f"{one.name}: was read without a workout, so it has no rounds; analyze the video "
                "again with its plan."
            )
        if first and one.attempt.workout.rounds != first.rounds:
            raise RecordError(
                f'{one.name}: is of the workout "{one.attempt.workout.name}", whose rounds differ '
                f"from those of {filmed[0].name}; give attempts of one workout."
            )
        if plan and one.attempt.workout.rounds != plan.workout.rounds:
            raise RecordError(
                f'{one.name}: is of the workout "{one.attempt.workout.name}", whose rounds differ '
                f'from those of the plan "{plan.workout.name}"; give attempts at this workout.'
            )


def once_each(filmed: Sequence[Filmed]) -> tuple[list[Filmed], list[str]]:
    """Attempts without those that are read from the same video, of which the last counts, and a
    sentence on each that was left out."""
    left_out = repeated([Film.of(one.attempt) for one in filmed])
    said = [
        f"{filmed[place].name} is left out: it is the same attempt in the same video as "
        f"{filmed[match].name}."
        for place, match in left_out.items()
    ]
    return [one for place, one in enumerate(filmed) if place not in left_out], said


def in_order(filmed: Sequence[Filmed]) -> tuple[list[Filmed], list[str]]:
    """Attempts in the order in which they were filmed, and what is to be said of that order.

    Where one's time is not known the order given is kept. Days and moments are compared as days.
    """
    said = []
    unknown = [one.name for one in filmed if one.attempt.video.recorded_at is None]
    if unknown and len(filmed) > 1:
        said.append(
            f"When {', '.join(unknown)} {'was' if len(unknown) == 1 else 'were'} filmed is not "
            "known, so the order given stands; `repcount correct DIR recorded DAY` sets it."
        )
        return list(filmed), said

    def when(one: Filmed) -> str:
        return one.attempt.video.recorded_at or ""

    days = {when(one)[:10] for one in filmed if len(when(one)) == 10}
    ordered = sorted(
        filmed, key=lambda one: when(one)[:10] if when(one)[:10] in days else when(one)
    )
    if [one.name for one in ordered] != [one.name for one in filmed]:
        said.append(f"In the order filmed: {', '.join(one.name for one in ordered)}.")
    return ordered, said


def overs(filmed: Sequence[Filmed]) -> dict[str, list[float]]:
    """What was gone over planned breaks, rests and starts, in seconds, from the comparisons."""
    found: dict[str, list[float]] = {"break": [], "between": [], "start": []}
    for one in filmed:
        if one.comparison is None:
            continue
        found["break"] += [
            match.difference_s
            for match in one.comparison.breaks
            if match.outcome in ("as planned", "moved") and match.difference_s is not None
        ]
        for kind in one.comparison.time:
            if kind.kind == "between rounds" and one.comparison.compared_rounds > 1:
                gaps = one.comparison.compared_rounds - 1
                found["between"] += [kind.difference_s / gaps] * gaps
            if kind.kind == "start" and kind.planned_s:
                found["start"].append(kind.difference_s)
    return found


class Forecaster:
    """Forecasts from one fitted model, all with the same draws so that plans can be compared."""

    def __init__(self, slowing: Slowing, over: dict[str, list[float]], seed: int = 1) -> None:
        self.slowing = slowing
        self.seed = seed
        self.count = len(slowing.weights)
        rng = np.random.default_rng(seed)
        self.over = {
            "break": _over(rng, over.get("break", []), OVER_BREAK_S, self.count),
            "between": _over(rng, over.get("between", []), OVER_BETWEEN_S, self.count),
            "start": _over(rng, over.get("start", []), OVER_START_S, self.count),
        }
        day = np.exp(slowing.nonlinear[:, 3])
        self.day = day * rng.standard_normal(self.count)
        self.unseen: dict[str, Array] = {}

    def _level(self, step: Step) -> Array:
        """Draws of the level of a kind of step; from the prior where it was never filmed."""
        weights, keys = self.slowing.weights, self.slowing.keys
        typical = np.log(TYPICAL.step_s(step)) + weights[:, 0]
        if step.key in keys:
            return typical + weights[:, 4 + keys[step.key]]
        if step.key not in self.unseen:
            rng = np.random.default_rng([self.seed, *step.key.encode()])
            width = CYCLE_LEVEL if step.kind == "cycle" else OTHER_LEVEL
            self.unseen[step.key] = width * rng.standard_normal(self.count)
        return typical + self.unseen[step.key]

    def draws(self, plan: Plan, *, kept: bool = False) -> Draws:
        """Draws of what a plan takes: with what the athlete goes over planned times by, or with
        its times `kept` but for their scatter."""
        slowing = self.slowing
        weights = slowing.weights
        recovery, cycle, other = np.exp(slowing.nonlinear[:, :3]).T
        rng = np.random.default_rng([self.seed, 7])
        every = [steps_of(one.movements, one.pattern) for one in plan.rounds]
        average = sum(map(len, every)) / len(every)
        between = plan.between_rounds_s or [BETWEEN_S] * (len(every) - 1)
        load = plan.workout.load_kg
        shift = self.day.copy()
        if load and slowing.reference_kg:
            shift += weights[:, 3] * np.log(load / slowing.reference_kg)
        over = {
            name: (0.0 * mean if kept else mean, each) for name, (mean, each) in self.over.items()
        }
        rests: list[Array] = []
        plain_rests: list[Array] = []
        for number, (one, steps) in enumerate(zip(plan.rounds, every, strict=True)):
            stops = iter(one.break_s)
            for step in steps:
                if step.kind == "first" and number:
                    mean, each = over["between"]
                    planned = between[number - 1]
                elif step.kind == "break":
                    mean, each = over["break"]
                    planned = next(stops)
                else:
                    rests.append(np.zeros(self.count))
                    plain_rests.append(rests[-1])
                    continue
                plain_rests.append(np.maximum(0, planned + mean))
                noise = each * rng.standard_normal(self.count)
                rests.append(np.maximum(0, planned + mean + noise))
        tired = unrecovered(rests, recovery)
        mean_start, each_start = over["start"]
        start = plan.start_s if plan.start_s is not None else START_S
        total = np.maximum(0, start + mean_start + each_start * rng.standard_normal(self.count))
        expected = np.maximum(0, start + mean_start)
        rounds = np.zeros((len(every), self.count))
        begin = 4 + len(slowing.keys)
        place = 0
        for number, steps in enumerate(every):
            for step in steps:
                slow = weights[:, 1]
                if step.movement in slowing.movements:
                    slow = slow + weights[:, begin + slowing.movements[step.movement]]
                middle = np.exp(
                    self._level(step)
                    + slow * tired[place]
                    + weights[:, 2] * (place / average)
                    + shift
                )
                scatter = cycle if step.kind == "cycle" else other
                took = middle * np.exp(scatter * rng.standard_normal(self.count))
                if step.kind == "first" and number:
                    total = total + rests[place]
                    expected = expected + plain_rests[place]
                elif step.kind == "break":
                    took, middle = took + rests[place], middle + plain_rests[place]
                rounds[number] += took
                expected = expected + middle
                place += 1
        return Draws(rounds, total + rounds.sum(0), expected)

    def forecast(self, plan: Plan, name: str = "the plan", *, kept: bool = False) -> Forecast:
        """A plan's total and rounds, each with its interval; `kept` as in `draws`."""
        return self._told(plan, name, self.draws(plan, kept=kept))

    def _told(self, plan: Plan, name: str, drawn: Draws) -> Forecast:
        chance = None
        if plan.planned_total_s is not None:
            chance = round(float((drawn.total <= plan.planned_total_s).mean()), 3)
        return Forecast(
            name=name,
            total=span(drawn.total),
            rounds=[span(one) for one in drawn.rounds],
            chance_of_plan=chance,
            outside=self.outside(plan),
        )

    def outside(self, plan: Plan) -> list[str]:
        """What a plan asks for that is untested, each with what was filmed."""
        said = []
        longest = max(
            sum(part.reps for part in one)
            for round_ in plan.rounds
            for one in (round_.pattern.sets if round_.pattern else [round_.movements])
        )
        if longest > self.slowing.longest_set:
            said.append(f"a set of {longest} reps; longest filmed {self.slowing.longest_set}")
        load = plan.workout.load_kg
        seen = self.slowing.loads_kg
        if load and seen and not min(seen) <= load <= max(seen):
            known = ", ".join(f"{one:g}" for one in seen)
            said.append(f"a load of {load:g} kg; filmed {known} kg")
        return said

    def rank(self, plans: Sequence[tuple[str, Plan]], kept: Collection[str] = ()) -> list[Ranked]:
        """Plans from the fastest expected on, untested ones last. Gains are against
        the first plan given, which leads the list. The times of those named in `kept` are kept."""
        drawn = [(name, plan, self.draws(plan, kept=name in kept)) for name, plan in plans]
        base = drawn[0][2]
        found = []
        for index, (name, plan, one) in enumerate(drawn):
            lengths = {seconds for round_ in plan.rounds for seconds in round_.break_s}
            ranked = Ranked(
                forecast=self._told(plan, name, one),
                patterns=plan.planned_sets(),
                break_s=lengths.pop() if len(lengths) == 1 else None,
            )
            if index:
                ranked.forecast.chance_of_plan = None  # its round times are the base's, or typical
                gain = base.expected - one.expected
                ranked.gain = span(gain)
                # what two attempts on one day differ by: the scatter of both
                apart = np.std(one.total - one.expected) * np.sqrt(2)
                low, high = np.quantile(gain, [0.05, 0.95])
                ranked.inside_noise = bool(low <= 0 <= high or abs(np.median(gain)) < 1.645 * apart)
            found.append(ranked)
        first, rest = found[:1], found[1:]
        rest.sort(key=lambda one: (bool(one.forecast.outside), one.forecast.total.middle_s))
        return first + rest


def _over(
    rng: np.random.Generator, seen: Sequence[float], prior: tuple[float, float], count: int
) -> tuple[Array, Array]:
    """Draws of the mean and the scatter of what is gone over (normal, conjugate, scatter with the
    weight of four values)."""
    mean_sd, each = prior
    n = len(seen)
    average = float(np.mean(seen)) if n else 0.0
    squares = float(np.sum((np.asarray(seen) - average) ** 2)) if n else 0.0
    shape, rate = 2 + n / 2, 2 * each**2 + squares / 2
    variance = rate / rng.gamma(shape, 1.0, count)
    precision = 1 / mean_sd**2 + n / variance
    middle = (n * average / variance) / precision
    return middle + rng.standard_normal(count) / np.sqrt(precision), np.sqrt(variance)


def span(values: Array) -> Span:
    """The middle and the interval of 90 % of draws."""
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return Span(middle_s=float(middle), low_s=float(low), high_s=float(high))


def forecaster(filmed: Sequence[Filmed]) -> Forecaster | NotEnoughData:
    """A forecaster from attempts of one athlete at one workout; falsy where there is too little."""
    check_workout(filmed)
    slowing = fit_slowing([one.attempt for one in filmed])
    if not isinstance(slowing, Slowing):
        return slowing
    return Forecaster(slowing, overs(filmed))


def own_shares(filmed: Sequence[Filmed], plan: Plan) -> list[Fraction]:
    """What part of the rounds' time each round would get if the athlete slows as seen.

    Raises PlanError where there is not enough data.
    """
    check_workout(filmed, plan)
    found = forecaster(filmed)
    if not isinstance(found, Forecaster):
        raise PlanError(f"the athlete's own pace: {found.reason}; choose an even pace.")
    rounds = [Fraction(to_ms(one.middle_s)) for one in found.forecast(plan).rounds]
    return [one / sum(rounds) for one in rounds]


def parameters(slowing: Slowing) -> list[Parameter]:
    """The model's parameters as records."""
    return [
        Parameter(
            name=one.name,
            value=round(one.value, 4) + 0.0,  # no minus zero
            low=round(one.low, 4) + 0.0,
            high=round(one.high, 4) + 0.0,
            unit=one.unit,
            told_by_data=one.told_by_data,
        )
        for one in slowing.estimates
    ]


def model_notes(slowing: Slowing) -> list[str]:
    """What a forecast stands on and cannot know, in sentences."""
    said = [
        "Forecasts hold for breaks and rests as planned, with what this athlete goes over them by; "
        "unplanned breaks cannot be foreseen."
    ]
    weak = [one.name for one in slowing.estimates if not one.told_by_data]
    if weak:
        said.append(f"Not enough data to tell {' and '.join(weak)}: an assumption stands in.")
    if len(slowing.loads_kg) < 2:
        said.append("Not enough data on load: every attempt was at one load.")
    if slowing.attempts < 2:
        said.append("One attempt: how days differ is an assumption (3 %).")
    else:
        said.append(
            f"Slowing is fitted to {slowing.attempts} attempts together; each report fits its own."
        )
    return said


def rank_plans(filmed: Sequence[Filmed], plans: Sequence[tuple[str, Plan]]) -> Ranking:
    """Forecast and rank plans for the athlete of some attempts; the first plan is the base.

    Raises RecordError where the attempts are not of one workout, which is that of the plans.
    """
    for _, plan in plans:
        check_workout(filmed, plan)
    filmed, left_out = once_each(filmed)
    found = forecaster(filmed)
    ranking = Ranking(
        workout=plans[0][1].workout.name,
        attempts=[one.name for one in filmed],
        slowing=[],
        notes=left_out,
    )
    if not isinstance(found, Forecaster):
        ranking.not_enough_data = found.reason
        return ranking
    ranking.slowing = parameters(found.slowing)
    ranking.plans = found.rank(plans)
    ranking.notes += model_notes(found.slowing)
    return ranking
