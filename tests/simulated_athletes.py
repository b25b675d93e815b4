"""Invented athletes who slow down as the model says, or otherwise, some of whom cannot hold every
set, and attempts that they make.

An athlete is drawn from the model's own priors; an attempt is written as a reading and derived like
any other, so that the definitions of sets, cycles and breaks are those of real ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from repcount.analysis import forecast, holding
from repcount.analysis import slowing as fatigue
from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed
from repcount.attempt.assemble import derive_attempt
from repcount.plan import Plan
from repcount.plan.tempo import RISE_SHARE, TYPICAL, Step, steps_of, typical_cycle_s
from repcount.units import from_ms
from tests.scripted_reading import Script


@dataclass
class Athlete:
    """True parameters. `form` "other" slows in a way that the model does not have: linearly in
    reps and in rounds squared, with scatter that has heavier tails. `form` "fails" puts the bar
    down unplanned where a set is too long, as the model says; "fails other" as well, but at a
    number of reps in the set, whatever was done before it, and for as long as comes."""

    rng: np.random.Generator
    form: str = "model"
    levels: dict[str, float] = field(default_factory=dict)
    own: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        draw = self.rng.normal
        self.tempo = draw(0, fatigue.LEVEL)
        self.in_set = draw(*fatigue.IN_SET)
        self.by_work = draw(*fatigue.BY_WORK)
        self.recovery_s = math.exp(draw(math.log(fatigue.RECOVERY_S[0]), fatigue.RECOVERY_S[1]))
        self.cycle, self.other, self.day = (
            math.exp(draw(math.log(middle), width))
            for middle, width in (
                fatigue.CYCLE_SCATTER,
                fatigue.OTHER_SCATTER,
                fatigue.DAY_SCATTER,
            )
        )
        self.held = math.exp(draw(math.log(holding.HELD_REPS[0]), holding.HELD_REPS[1]))
        self.stop_s = draw(math.log(holding.BREAK_S[0]), holding.BREAK_S[1])
        self.over = {}
        for name, (mean, each) in (
            ("break", forecast.OVER_BREAK_S),
            ("between", forecast.OVER_BETWEEN_S),
            ("start", forecast.OVER_START_S),
        ):
            self.over[name] = (draw(0, mean), 2 * each**2 / self.rng.gamma(2.0))

    def step_s(self, step: Step, tired: float, work: float, day: float) -> float:
        """Seconds of one step."""
        width = fatigue.CYCLE_LEVEL if step.kind == "cycle" else fatigue.OTHER_LEVEL
        level = self.levels.setdefault(step.key, self.rng.normal(0, width))
        own = self.own.setdefault(step.movement, self.rng.normal(0, fatigue.OWN_IN_SET))
        scatter = self.cycle if step.kind == "cycle" else self.other
        fresh = math.log(TYPICAL.step_s(step)) + self.tempo + level + day
        if self.form == "other":
            noise = scatter * self.rng.standard_t(5) * math.sqrt(3 / 5)
            slow = 1 + max(-0.3, (self.in_set + own) * tired + self.by_work * work**2 / 2)
            return math.exp(fresh + noise) * slow
        noise = self.rng.normal(0, scatter)
        return math.exp(fresh + (self.in_set + own) * tired + self.by_work * work + noise)

    def over_s(self, name: str, planned: float) -> float:
        """A planned time as it is kept."""
        mean, variance = self.over[name]
        return max(0.0, planned + mean + self.rng.normal(0, math.sqrt(variance)))

    def limit(self) -> float:
        """Reps at which the bar goes down in a set."""
        if not self.form.startswith("fails"):
            return math.inf
        if self.form == "fails other":  # of the set alone, with a scatter of whole reps
            return max(2.0, 0.5 * self.held + self.rng.normal(0, 1.5))
        return self.held * math.exp(self.rng.normal(0, holding.SET_SCATTER))

    def stopped_s(self) -> float:
        """Seconds of an unplanned break; under 1.5 s it would be none."""
        if self.form == "fails other":
            return 2.0 + self.rng.exponential(5.0)
        drawn = self.stop_s + self.rng.normal(0, holding.BREAK_SCATTER)
        return max(1.5, math.exp(drawn))

    def attempt(self, plan: Plan) -> Filmed:
        """The athlete goes at a plan, on a new day."""
        script = Script(plan.workout)
        day = self.rng.normal(0, self.day)
        every = [steps_of(one.movements, one.pattern) for one in plan.rounds]
        average = sum(map(len, every)) / len(every)
        script.wait(self.over_s("start", plan.start_s or 0.0))
        tired, place, top = 0.0, 0, script.now
        limit, in_set = self.limit(), 0
        for number, steps in enumerate(every):
            stops = iter(plan.rounds[number].break_s)
            script.round = number + 1
            for step in steps:
                rest = 0.0
                if step.kind == "first" and number:
                    rest = self.over_s("between", (plan.between_rounds_s or [])[number - 1])
                elif step.kind == "break":
                    rest = max(1.5, self.over_s("break", next(stops)))
                elif place and (in_set if self.form == "fails other" else tired + 1) >= limit:
                    rest = self.stopped_s()
                    step = replace(step, kind="break")
                if step.kind in ("first", "break"):
                    limit, in_set = self.limit(), 0
                in_set += 1
                if place:
                    tired = (tired + 1) * math.exp(-rest / self.recovery_s)
                took = max(0.2, self.step_s(step, tired, place / average, day))
                rise = RISE_SHARE * typical_cycle_s(step.movement)
                if step.kind == "first":
                    begin = top + round(1000 * rest)
                    if number:
                        script.now = top + 200
                        script.rest(max(0.0, rest - 0.2))
                    top = begin + round(1000 * took)
                elif step.kind == "break":
                    down, up = TYPICAL.pieces(step)
                    script.now = top + round(1000 * took * down / (down + up))
                    script.rest(rest)
                    top += round(1000 * took) + round(1000 * rest)
                    begin = max(script.now, top - round(1000 * min(rise, took / 2)))
                else:
                    begin = top + round(1000 * max(0.1, took - rise))
                    top += round(1000 * took)
                script.rep(
                    step.movement,
                    start_s=from_ms(begin),
                    top_s=from_ms(top),
                    end_s=from_ms(top + 50),
                )
                script.now = top + 50
                place += 1
        attempt = derive_attempt(script.reading())
        return Filmed(attempt, compare(attempt, plan), "simulated")
