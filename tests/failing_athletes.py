"""Invented athletes who fail for a known reason, to judge what `next` says of their attempts.

They share with the program the definitions only: the steps of a round and what time the ways to
and from the floor take (`plan/tempo.py`), so that an attempt is written as a reading like any
other. Everything that slows or stops them is of another kind than the model of
`analysis/slowing.py`, which knows no strength, no reserve and no stop:

- each part of the body (pull, push, legs) has a capacity that reps wear down and time brings back;
- a rep's speed falls hyperbolically as its load nears what that capacity still lifts (the shape of
  the force-velocity curve; Hill, Proc. R. Soc. B 1938;126:136), and a lift beyond it is missed;
- a reserve for the whole body is spent faster than linearly with the pace, and refills slowly (the
  shape of work above a critical power; Monod and Scherrer, Ergonomics 1965;8:329);
- whoever cannot go on puts the bar down unplanned.

All numbers are assumptions. The reason is known because an attempt that goes well is spoilt in one
way, and the athlete is taken only if undoing that saves time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import FailedStroke
from repcount.plan import Plan, parse_pattern, parse_plan
from repcount.plan.tempo import RISE_SHARE, TYPICAL, Step, steps_of, typical_cycle_s
from repcount.units import from_ms
from tests.scripted_reading import Script

REASONS = ("sets", "breaks", "start", "load")
WORKOUTS = (
    ((("deadlift", 8), ("hang power clean", 6), ("push press", 4)), 3),
    ((("power clean", 6), ("front squat", 6), ("push jerk", 5)), 4),
    ((("deadlift", 10), ("hang power clean", 8)), 4),
    ((("hang power snatch", 8), ("overhead squat", 6)), 4),
)
GOOD = {  # patterns in which each set is short enough, and ones whose sets are too long
    0: ("4 | 3 | 1+5 | 1+4", ("8+6+4", "8+5 | 1+4", "8 | 6+4")),
    1: ("3 | 3+3 | 3+2 | 3", ("6+6+5", "6+6 | 5", "6 | 6+5")),
    2: ("5 | 4 | 1+4 | 4", ("10+8", "10+4 | 4", "9 | 1+8")),
    3: ("4 | 4+3 | 3", ("8+6", "8+3 | 3", "8 | 6")),
}
MISS = 0.97  # of what the capacity lifts: heavier is missed
GIVES_UP = 0.90  # the next rep would be so near to it that the bar is put down
EMPTY = 0.08  # of the reserve
LASTING_S = 240.0


def part_of(movement: str) -> str:
    """The part of the body that a movement wears down most."""
    entry = CATALOGUE[movement]
    if entry.squat:
        return "legs"
    return "push" if entry.ends == "overhead" and entry.begins != "hang" else "pull"


@dataclass
class Body:
    """An athlete: what is drawn once, and how tired the body is."""

    tempo: float
    strength: dict[str, float]  # kg that a fresh part lifts once
    wear: float
    recovery_s: float
    reserve_reps: float
    refill_s: float
    scatter: float
    capacity: dict[str, float] = field(default_factory=dict)
    lasting: dict[str, float] = field(default_factory=dict)  # what reps near failure leave behind
    reserve: float = 1.0

    def fresh(self) -> Body:
        """The same athlete, rested."""
        whole = dict.fromkeys(("pull", "push", "legs"), 1.0)
        return replace(self, capacity=whole, lasting={**whole}, reserve=1.0)

    def near(self, movement: str, load_kg: float) -> float:
        """A load as a share of what can still be lifted once."""
        part = part_of(movement)
        return load_kg / (self.strength[part] * self.capacity[part] * self.lasting[part])

    def rest(self, seconds: float, working: str | None = None) -> None:
        """Time passes; what works recovers least."""
        for part, now in self.capacity.items():
            share = 0.15 if part == working else 0.4 if working else 1.0
            self.capacity[part] = 1 - (1 - now) * np.exp(-share * seconds / self.recovery_s)
            self.lasting[part] = 1 - (1 - self.lasting[part]) * np.exp(-seconds / LASTING_S)
        share = 0.35 if working else 1.0
        self.reserve = 1 - (1 - self.reserve) * np.exp(-share * seconds / self.refill_s)

    def lift(self, movement: str, load_kg: float, pace: float) -> float:
        """One rep: how much longer than typical it takes."""
        near = min(self.near(movement, load_kg), 0.96)
        longer = self.tempo / pace * (0.5 / (1 - near)) ** 0.55
        longer *= 1 + 0.8 * max(0.0, 0.45 - self.reserve)
        part = part_of(movement)
        self.capacity[part] *= 1 - self.wear * near**1.5 * pace
        self.lasting[part] *= 1 - 0.025 * max(0.0, near - 0.68) / 0.2
        self.reserve -= near * pace**3 / self.reserve_reps
        return longer


def drawn(rng: np.random.Generator) -> Body:
    """An athlete for whom 60 kg is about half of what is lifted once."""
    return Body(
        tempo=float(np.exp(rng.normal(0, 0.1))),
        strength={
            "pull": rng.normal(125, 10),
            "push": rng.normal(112, 9),
            "legs": rng.normal(118, 9),
        },
        wear=float(np.exp(rng.normal(np.log(0.105), 0.15))),
        recovery_s=float(np.exp(rng.normal(np.log(13), 0.25))),
        reserve_reps=float(np.exp(rng.normal(np.log(34), 0.2))),
        refill_s=float(np.exp(rng.normal(np.log(70), 0.2))),
        scatter=0.04,
    )


@dataclass
class Try:
    """One go: its script and how long it took without any cap."""

    script: Script
    total_s: float
    stops: int


def go(body: Body, plan: Plan, paces: Sequence[float], rng: np.random.Generator) -> Try:
    """The athlete goes at a plan, each round at a pace (1: unhurried), to the very end."""
    body = body.fresh()
    script = Script(plan.workout)
    load = plan.workout.load_kg or 60.0
    script.wait(plan.start_s or 2.0)
    failed: list[FailedStroke] = []
    top, stops = script.now, 0
    for number, one in enumerate(plan.rounds):
        script.round = number + 1
        lengths = iter(one.break_s)
        for step in steps_of(one.movements, one.pattern):
            planned = None
            if step.kind == "first" and number:
                planned = (plan.between_rounds_s or [])[number - 1]
            elif step.kind == "break":
                planned = next(lengths)
            top, stopped = _step(body, script, step, top, planned, load, paces[number], rng, failed)
            stops += stopped
    script.failed = failed  # type: ignore[attr-defined]
    return Try(script, from_ms(top) - 3.0, stops)


def _step(
    body: Body,
    script: Script,
    step: Step,
    top: int,
    planned: float | None,
    load: float,
    pace: float,
    rng: np.random.Generator,
    failed: list[FailedStroke],
) -> tuple[int, bool]:
    """From the top before to this rep's top, in ms; and whether the bar went down unplanned."""
    movement, kind, before = step.movement, step.kind, step.before
    stopped = False
    rest_s = 0.0
    if planned is not None:
        rest_s = max(1.5, planned + rng.normal(0.2, 0.3))
        body.rest(rest_s)
    elif kind != "first" and (body.near(movement, load) > GIVES_UP or body.reserve < EMPTY):
        if body.near(movement, load) > MISS - 0.03:
            failed.append(
                FailedStroke(
                    id=f"m{len(failed) + 1}", movement=movement, start_s=from_ms(top + 200),
                    peak_s=from_ms(top + 700), end_s=from_ms(top + 1000), reached="hang",
                    confidence=0.9,
                )
            )  # fmt: skip
            top += 1000
        stopped = True
    more = 0.0  # nobody begins a set that cannot be begun
    while more < 30 and (
        (stopped and more < 9) or ((planned is not None or stopped)
                                   and (body.near(movement, load) > 0.80 or body.reserve < 0.22))
    ):  # fmt: skip
        body.rest(1.0)
        more += 1.0
    rest_s += more * float(np.exp(rng.normal(0, 0.1))) if more else 0.0
    if stopped:
        step = Step("break", movement, before, step.at)
    longer = body.lift(movement, load, pace) * float(np.exp(rng.normal(0, body.scatter)))
    took = max(0.4, TYPICAL.step_s(step) * longer)
    body.rest(took, part_of(movement))
    return _written(script, step, top, took, rest_s), stopped


def _written(script: Script, step: Step, top: int, took: float, rest_s: float) -> int:
    """Write a step into the script; the rep's top in ms."""
    rise = RISE_SHARE * typical_cycle_s(step.movement)
    took_ms = round(1000 * took)
    if step.kind == "first":
        begin = top + round(1000 * rest_s)
        if rest_s:
            script.now = top + 200
            script.rest(max(0.0, rest_s - 0.2))
        top = begin + took_ms
    elif step.kind == "break":
        down, up = TYPICAL.pieces(step)
        script.now = top + round(took_ms * down / (down + up))
        script.rest(rest_s)
        top += took_ms + round(1000 * rest_s)
        begin = max(script.now, top - round(1000 * min(rise, took / 2)))
    else:
        begin = top + round(1000 * max(0.1, took - rise))
        top += took_ms
    script.rep(step.movement, start_s=from_ms(begin), top_s=from_ms(top), end_s=from_ms(top + 50))
    script.now = top + 50
    return top


@dataclass
class Case:
    """An athlete, the plan and paces of a spoilt attempt, and why it went badly."""

    body: Body
    plan: Plan
    paces: list[float]
    reason: str
    filmed: Filmed
    total_s: float
    saved_s: float
    unhurried_s: float  # round 1 at the pace of the others

    def after_s(self, plan: Plan) -> float:
        """How long the athlete takes by a changed plan: round 1 no quicker than it is planned,
        where that was changed, and every other round as before."""
        paces = list(self.paces)
        if plan.rounds[0].round_s != self.plan.rounds[0].round_s:
            paces[0] = min(paces[0], max(0.7, self.unhurried_s / (plan.rounds[0].round_s or 1.0)))
        return self.mean_s(plan, paces)

    def mean_s(self, plan: Plan, paces: Sequence[float] | None = None, tries: int = 6) -> float:
        """How long the athlete takes by a plan, the same tries for every plan."""
        return mean_s(self.body, plan, paces or self.paces, tries)


def mean_s(body: Body, plan: Plan, paces: Sequence[float], tries: int = 6) -> float:
    """The mean time of some tries, without a cap."""
    return float(
        np.mean([go(body, plan, paces, np.random.default_rng(n)).total_s for n in range(tries)])
    )


def plan_of(
    which: int, pattern: str, break_s: float, load: float, round_s: Sequence[float]
) -> Plan:
    """A plan of an invented workout."""
    movements, rounds = WORKOUTS[which]
    tables = "".join(
        f'[[workout.movements]]\nmovement = "{name}"\nreps = {reps}\n' for name, reps in movements
    )
    text = (
        f'[workout]\nname = "Gravel"\nrounds = {rounds}\nload_kg = {load:.1f}\n{tables}'
        f'[breaks]\npattern = "{pattern}"\nseconds = {break_s:.1f}\n'
        f"[pace]\nround_s = {[round(one, 1) for one in round_s]}\n"
        "between_rounds_s = 8\nstart_s = 2\n"
    )
    return parse_plan(text)


def case(seed: int, reason: str) -> Case | None:
    """An athlete whose attempt went badly for a reason; None where undoing it saves too little."""
    rng = np.random.default_rng([seed, REASONS.index(reason)])
    body, which = drawn(rng), int(rng.integers(len(WORKOUTS)))
    good, long = GOOD[which]
    rounds = WORKOUTS[which][1]
    load, break_s = rng.uniform(57, 63), rng.uniform(6.0, 8.0)
    well = plan_of(which, good, break_s, load, [60.0] * rounds)
    paces = [1.0] * rounds
    good_try = go(body, well, paces, np.random.default_rng(0))
    if good_try.stops:
        return None
    each = [span.duration_s for span in derive_attempt(good_try.script.reading()).rounds]
    bad, spoilt = list(paces), dict(which=which, pattern=good, break_s=break_s, load=load)
    if reason == "sets":
        spoilt["pattern"] = long[int(rng.integers(len(long)))]
    elif reason == "breaks":
        spoilt["break_s"] = rng.uniform(1.6, 2.8)
    elif reason == "load":
        spoilt["load"] = load * rng.uniform(1.13, 1.25)
    else:
        bad[0] = rng.uniform(1.25, 1.4)
    meant = bad if rng.random() < 0.5 else paces  # a fast start as planned, or against the plan
    plan = plan_of(**spoilt, round_s=[one / pace for one, pace in zip(each, meant, strict=True)])
    saved = mean_s(body, plan, bad) - mean_s(body, well, paces)
    if not 6.0 <= saved <= good_try.total_s:
        return None
    tried = go(body, plan, bad, np.random.default_rng(seed))
    cap = tried.total_s * rng.uniform(0.85, 1.05)
    workout = plan.workout.model_copy(update={"time_cap_s": from_ms(round(1000 * cap))})
    plan = plan.model_copy(update={"workout": workout})
    tried.script.asked = workout
    read = derive_attempt(tried.script.reading(failed=tried.script.failed))
    filmed = Filmed(read, compare(read, plan), f"case-{reason}-{seed}", plan)
    return Case(body, plan, bad, reason, filmed, tried.total_s, saved, each[0])


__all__ = ["REASONS", "Case", "case", "go", "mean_s", "parse_pattern"]
