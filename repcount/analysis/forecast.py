"""What another pattern, break length or rest would take, from an athlete's own slowing.

A forecast holds for breaks and rests as planned, with what the athlete has gone over them, and for
unplanned breaks as sets were held and not held before. What is untested is said: a set longer than
any filmed, another load. Its interval is wider the further it lies from what was filmed, and beyond
a stated distance there is none.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field

from repcount.analysis.holding import (
    BREAK_SCATTER,
    SET_SCATTER,
    Holding,
    fit_holding,
    set_ends,
    unplanned_s,
)
from repcount.analysis.same_film import Film, repeated
from repcount.analysis.slowing import (
    CYCLE_LEVEL,
    OTHER_LEVEL,
    NotEnoughData,
    Slowing,
    course,
    fit_slowing,
    unrecovered,
)
from repcount.attempt.records import Attempt, Comparison, Record, load_record
from repcount.errors import PlanError, RecordError
from repcount.plan.model import Plan
from repcount.plan.pace import BETWEEN_S, START_S
from repcount.plan.set_limits import mean_reps
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
# Beyond these there is no forecast (assumptions): a set, as a multiple of the longest filmed, and a
# load, of the nearest filmed (or that part of it).
FURTHEST_SET, FURTHEST_LOAD = 2.0, 1.25


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
    breaks_s: list[Seconds] = Field(
        default_factory=list, description="the shortest and the longest; none without a break"
    )
    gain: Span | None = Field(
        None,
        description="between the middles of both forecasts, with the interval of the expected "
        "difference about it; null for the first",
    )
    inside_noise: bool = Field(
        False, description="two attempts would differ by more than this without any change"
    )


class Refused(Record):
    """A plan that is too far from what was filmed to be forecast."""

    name: str
    patterns: list[str]
    why: list[str]


class Ranking(Record):
    """Plans beside each other, from one athlete's slowing."""

    format: Literal["repcount-ranking/1"] = "repcount-ranking/1"
    workout: str
    attempts: list[str]
    slowing: list[Parameter]
    not_enough_data: str | None = Field(None, description="why there is no forecast")
    plans: list[Ranked] = Field(default_factory=list)
    refused: list[Refused] = Field(default_factory=list)
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
            "known, so the order given stands; `repcount correct DIR recorded DAY` or the "
            "attempt’s page sets it."
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

    def __init__(
        self,
        slowing: Slowing,
        over: dict[str, list[float]],
        seed: int = 1,
        *,
        filmed: Sequence[Filmed] = (),
        set_reps: float | None = None,
    ) -> None:
        """`filmed` are the attempts whose sets say how long the athlete holds one; `set_reps` are
        the reps to failure that a known max speaks for at their load."""
        self.slowing = slowing
        self.seed = seed
        self.count = len(slowing.weights)
        self.holding = self._held(filmed, set_reps)
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

    def _held(self, filmed: Sequence[Filmed], set_reps: float | None) -> Holding:
        """What the athlete holds at the reference load."""
        recovery = np.exp(self.slowing.nonlinear[:, 0])
        rng = np.random.default_rng([self.seed, 11])
        reached, lengths = [], []
        for one in filmed:
            tired = unrecovered(course(one.attempt).rests_s, recovery)
            ends = set_ends(one.attempt, one.comparison)
            reached += [(tired[end.index] + 1, end) for end in ends]
            lengths += unplanned_s(one.comparison)
        return fit_holding(reached, lengths, self.count, rng, set_reps)

    def draws(self, plan: Plan, *, kept: bool = False, unbroken: bool | None = None) -> Draws:
        """Draws of what a plan takes: with what the athlete goes over planned times by and breaks
        that nobody planned, or with its times `kept` but for their scatter. Where sets are
        `unbroken` (as they are where times are kept, unless said), no break comes that is not
        planned."""
        unbroken = kept if unbroken is None else unbroken
        rounds, total = _Run(self, plan, kept=kept, unbroken=unbroken, scatter=True).go()
        _, expected = _Run(self, plan, kept=kept, unbroken=unbroken, scatter=False).go()
        return Draws(rounds, total, expected)

    def forecast(
        self,
        plan: Plan,
        name: str = "the plan",
        *,
        kept: bool = False,
        unbroken: bool | None = None,
    ) -> Forecast:
        """A plan's total and rounds, each with its interval; the rest as in `draws`."""
        return self._told(plan, name, self.draws(plan, kept=kept, unbroken=unbroken))

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
        longest, seen = _longest_set(plan), self.slowing.longest_set
        if longest > seen:
            said.append(f"a set of {longest} reps; longest filmed {seen}")
        load, loads = plan.workout.load_kg, self.slowing.loads_kg
        if load and loads and not min(loads) <= load <= max(loads):
            known = ", ".join(f"{one:g}" for one in loads)
            said.append(f"a load of {load:g} kg; filmed {known} kg")
        return said

    def too_far(self, plan: Plan) -> list[str]:
        """What a plan asks for that is too far from what was filmed to be forecast."""
        said = []
        longest, seen = _longest_set(plan), self.slowing.longest_set
        if longest > FURTHEST_SET * seen:
            said.append(
                f"a set of {longest} reps, over {FURTHEST_SET:g} times the longest filmed ({seen})"
            )
        load, loads = plan.workout.load_kg, self.slowing.loads_kg
        if load and loads:
            nearest = min(loads, key=lambda one: abs(np.log(load / one)))
            if not 1 / FURTHEST_LOAD <= load / nearest <= FURTHEST_LOAD:
                low, high = min(loads) / FURTHEST_LOAD, max(loads) * FURTHEST_LOAD
                said.append(
                    f"a load of {load:g} kg, too far from {nearest:g} kg filmed (forecast from "
                    f"{low:.3g} to {high:.3g} kg)"
                )
        return said

    def rank(self, plans: Sequence[tuple[str, Plan]], kept: Collection[str] = ()) -> list[Ranked]:
        """Plans from the fastest expected on, untested ones last, those that are too far from what
        was filmed not at all. Gains are against the first plan, which leads the list. The times of
        those named in `kept` are kept."""
        near = [(name, plan) for name, plan in plans if not self.too_far(plan)]
        if not near:
            return []
        drawn = [(name, plan, self.draws(plan, kept=name in kept)) for name, plan in near]
        base = drawn[0][2]
        found = []
        for index, (name, plan, one) in enumerate(drawn):
            lengths = {seconds for round_ in plan.rounds for seconds in round_.break_s}
            ranked = Ranked(
                forecast=self._told(plan, name, one),
                patterns=plan.planned_sets(),
                breaks_s=[min(lengths), max(lengths)] if lengths else [],
                break_s=lengths.pop() if len(lengths) == 1 else None,
            )
            if plan is not plans[0][1]:
                ranked.forecast.chance_of_plan = None  # its round times are the base's, or typical
            if index:
                gain = base.expected - one.expected
                ranked.gain = _between(base.total, one.total, gain)
                # what two attempts on one day differ by: the scatter of both
                apart = np.std(one.total - one.expected) * np.sqrt(2)
                low, high = np.quantile(gain, [0.05, 0.95])
                ranked.inside_noise = bool(low <= 0 <= high or abs(np.median(gain)) < 1.645 * apart)
            found.append(ranked)
        first, rest = found[:1], found[1:]
        rest.sort(key=lambda one: (bool(one.forecast.outside), one.forecast.total.middle_s))
        return first + rest


class _Run:
    """A plan simulated rep by rep, for all draws at once: with scatter, or as expected."""

    def __init__(
        self, model: Forecaster, plan: Plan, *, kept: bool, unbroken: bool, scatter: bool
    ) -> None:
        self.model, self.plan, self.scatter = model, plan, scatter
        self.kept, self.unbroken = kept, unbroken
        self.rng = np.random.default_rng([model.seed, 7])
        slowing = model.slowing
        self.recovery, self.cycle, self.other = np.exp(slowing.nonlinear[:, :3]).T
        load, known = plan.workout.load_kg, slowing.reference_kg
        ratio = load / known if load and known else 1.0
        self.shift = model.day + slowing.weights[:, 3] * np.log(ratio)
        self.held = model.holding.at(ratio)
        self.steps = [steps_of(one.movements, one.pattern) for one in plan.rounds]
        self.average = sum(map(len, self.steps)) / len(self.steps)

    def _noise(self) -> Array:
        """Standard normal draws; drawn in any case, so that both runs are of the same ones."""
        drawn = self.rng.standard_normal(self.model.count)
        return drawn if self.scatter else np.zeros(self.model.count)

    def _kept_s(self, name: str, planned: float) -> Array:
        """A planned time as it will be kept."""
        mean, each = self.model.over[name]
        return np.maximum(0, planned + (0.0 * mean if self.kept else mean) + each * self._noise())

    def _limit(self) -> Array:
        """Reps unrecovered at which the bar goes down, for a set."""
        return self.held * np.exp(SET_SCATTER * self._noise())

    def _broken(self, tired: Array, before: Array, limit: Array) -> Array:
        """Whether the bar goes down before the next rep, 1 or 0; without scatter how probable that
        is where it has not at `before` reps unrecovered, 0 being none in this set."""
        if self.scatter:
            return (tired + 1 >= limit).astype(float)
        from scipy.special import ndtr

        def held(reps: Array) -> Array:
            return ndtr(np.log(self.held / np.maximum(reps, 1e-9)) / SET_SCATTER)

        return 1 - np.minimum(1.0, held(tired + 1) / np.maximum(held(before), 1e-9))

    def _step_s(self, step: Step, tired: Array, place: int, noise: Array) -> Array:
        weights, slowing = self.model.slowing.weights, self.model.slowing
        slow = weights[:, 1]
        if step.movement in slowing.movements:
            begin = 4 + len(slowing.keys)
            slow = slow + weights[:, begin + slowing.movements[step.movement]]
        scatter = self.cycle if step.kind == "cycle" else self.other
        return np.exp(
            self.model._level(step)
            + slow * tired
            + weights[:, 2] * (place / self.average)
            + self.shift
            + scatter * noise
        )

    def go(self) -> tuple[Array, Array]:
        """Seconds of every round, and of the whole."""
        plan, count = self.plan, self.model.count
        between = plan.between_rounds_s or [BETWEEN_S] * (len(self.steps) - 1)
        total = self._kept_s("start", START_S if plan.start_s is None else plan.start_s)
        rounds = np.zeros((len(self.steps), count))
        tired, limit = np.zeros(count), self._limit()
        nothing, place = np.zeros(count), 0
        reached = nothing  # reps unrecovered at which the bar did not go down, in this set
        for number, steps in enumerate(self.steps):
            stops = iter(plan.rounds[number].break_s)
            for step in steps:
                broke = rest = nothing
                rested = nothing + 1  # a part of it where a break is only probable
                if step.kind == "first" and number:
                    rest = self._kept_s("between", between[number - 1])
                    total = total + rest
                elif step.kind == "break":
                    rest = self._kept_s("break", next(stops))
                    rounds[number] += rest
                elif place and not self.unbroken:
                    broke = rested = self._broken(tired, reached, limit)
                    length = self.model.holding.break_log_s + BREAK_SCATTER * self._noise()
                    rest = np.exp(length)
                    rounds[number] += broke * rest
                    reached = (1 - broke) * (tired + 1)
                if place:
                    tired = (tired + 1) * (1 - rested * -np.expm1(-rest / self.recovery))
                again = self._limit()
                if step.kind in ("first", "break"):
                    limit, reached = again, nothing
                else:
                    limit = np.where(broke > 0, again, limit)
                noise = self._noise()
                took = self._step_s(step, tired, place, noise)
                if broke.any():
                    around = Step("break", step.movement, step.before, step.at)
                    took = took + broke * (self._step_s(around, tired, place, noise) - took)
                rounds[number] += took
                place += 1
        return rounds, total + rounds.sum(0)


def _longest_set(plan: Plan) -> int:
    return max(
        sum(part.reps for part in one)
        for round_ in plan.rounds
        for one in (round_.pattern.sets if round_.pattern else [round_.movements])
    )


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


def _between(base: Array, other: Array, gain: Array) -> Span:
    """What a plan gains on the base: the difference of the middles that are shown, so that it can
    be checked by subtracting them, with the interval of the expected `gain` about it."""
    middle = span(base).middle_s - span(other).middle_s
    about = span(gain)
    shift = middle - about.middle_s
    return Span(middle_s=middle, low_s=about.low_s + shift, high_s=about.high_s + shift)


def forecaster(
    filmed: Sequence[Filmed], maxes: Mapping[str, float] | None = None
) -> Forecaster | NotEnoughData:
    """A forecaster from attempts of one athlete at one workout; falsy where there is too little.

    `maxes`: one-rep maxes in kilograms by movement, where they are known.
    """
    check_workout(filmed)
    slowing = fit_slowing([one.attempt for one in filmed])
    if not isinstance(slowing, Slowing):
        return slowing
    known = slowing.reference_kg
    reps = [mean_reps(known / best) for best in (maxes or {}).values()] if known else []
    return Forecaster(slowing, overs(filmed), filmed=filmed, set_reps=min(reps, default=None))


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
        "Forecasts hold for breaks and rests as planned, with what this athlete goes over them by, "
        "and for unplanned breaks as sets were held before."
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


def held_words(holding: Holding) -> str:
    """How long sets are held, in a sentence."""
    low, middle, high = np.quantile(holding.reps, [0.05, 0.5, 0.95])
    seen = f"{holding.broken} of {holding.ends} sets broke unplanned"
    return (
        f"Held before the bar goes down: {middle:.0f} reps unrecovered ({low:.0f} to {high:.0f}; "
        f"{seen})."
    )


def rank_plans(
    filmed: Sequence[Filmed],
    plans: Sequence[tuple[str, Plan]],
    maxes: Mapping[str, float] | None = None,
) -> Ranking:
    """Forecast and rank plans for the athlete of some attempts; the first plan that can be forecast
    is the base. `maxes` as in `forecaster`.

    Raises RecordError where the attempts are not of one workout, which is that of the plans.
    """
    for _, plan in plans:
        check_workout(filmed, plan)
    filmed, left_out = once_each(filmed)
    found = forecaster(filmed, maxes)
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
    ranking.refused = [
        Refused(name=name, patterns=plan.planned_sets(), why=why)
        for name, plan in plans
        if (why := found.too_far(plan))
    ]
    ranking.notes += [held_words(found.holding), *model_notes(found.slowing)]
    return ranking
