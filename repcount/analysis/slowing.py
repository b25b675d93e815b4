"""The slowing model: how long an athlete's reps take as sets, rounds and breaks go by.

Every step from one rep's top to the next one's (`plan.tempo.Step`) takes

    log seconds = level of its kind + slowing in the set * reps unrecovered
                  + slowing by work * rounds done + effect of load + the day + noise

- *reps unrecovered*: reps done, forgotten with exp(-rest / recovery) over every break and every
  time between rounds, so that after a long rest only the reps of the set count;
- *rounds done*: reps done before, in average rounds: what rest does not bring back;
- *the day*: one value for each attempt, so that another day may be another level.

All but the recovery and the three scatters is linear and normal: it is solved exactly. Those four
are found by maximising what is left (`scipy.optimize.minimize`), with Laplace's approximation,
corrected by importance resampling, for their uncertainty. The priors are assumptions and stand
below; DEVELOPERS.md says what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from repcount.attempt.records import Attempt
from repcount.attempt.time_budget import clipped as cut
from repcount.attempt.time_budget import length
from repcount.plan.tempo import TYPICAL, Step, StepKind

Array = Any  # numpy's arrays of float

# Priors: mean and standard deviation. All are assumptions; no published size was found, and slowing
# of 3 to 8 % a round is itself one.
IN_SET = (0.01, 0.012)  # log seconds a rep in the set
OWN_IN_SET = 0.006  # how far a movement's own slowing in the set lies from it
BY_WORK = (0.05, 0.04)  # log seconds a round of work
LOAD = (0.5, 0.5)  # log seconds a log of load
LEVEL = 0.2  # an athlete's tempo against the typical one
CYCLE_LEVEL, OTHER_LEVEL = 0.3, 0.4  # a kind of step against that
# Medians and log standard deviations of what is not linear.
RECOVERY_S = (30.0, 0.7)
CYCLE_SCATTER = (0.06, 0.5)
OTHER_SCATTER = (0.12, 0.5)
DAY_SCATTER = (0.03, 0.5)
# With fewer cycles in sets the answer is that there is not enough.
FEWEST_CYCLES = 12
# An estimate says more than its prior where its uncertainty is under this fraction of it.
DETERMINED = 0.75


@dataclass(frozen=True)
class Observed:
    """One measured step: what it is, seconds without its break and holds, and what came before.

    `rests_s`: rest before each rep of the attempt up to this one; kept as one list an attempt.
    """

    step: Step
    round: int
    number: int | None
    seconds: float
    at_s: float
    index: int
    work: float


@dataclass(frozen=True)
class Course:
    """An attempt as the model sees it: its steps, and the rest before every counted rep."""

    observed: list[Observed]
    rests_s: list[float]
    load_kg: float | None


@dataclass(frozen=True)
class NotEnoughData:
    """A falsy answer: why there is no model."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class Estimate:
    """A parameter with its interval of 90 %, and whether the data say more than the prior."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    told_by_data: bool


@dataclass(frozen=True)
class Slowing:
    """A fitted model: draws of everything, for forecasts."""

    keys: dict[str, int]
    movements: dict[str, int]
    weights: Array = field(repr=False)  # draws × linear parameters
    nonlinear: Array = field(repr=False)  # draws × (recovery, scatters), logs
    estimates: list[Estimate]
    longest_set: int
    loads_kg: list[float]
    reference_kg: float | None
    attempts: int
    cycles: int


def course(attempt: Attempt) -> Course:
    """The steps of an attempt's counted reps. Steps with a failed, uncounted or missing rep in
    between are left out; breaks and holds are taken off the time of the others."""
    counted = attempt.counted()
    other = [rep.top_ms for rep in attempt.reps if not rep.counts]
    other += [stroke.peak_ms for stroke in attempt.failed]
    holds = [hold.span for hold in attempt.holds]
    breaks = [stop.span for stop in attempt.breaks]
    rounds = len(attempt.workout.rounds) if attempt.workout else 1
    average = attempt.workout.reps / rounds if attempt.workout else max(1, len(counted))
    observed: list[Observed] = []
    rests: list[float] = []
    at = 0
    for index, rep in enumerate(counted):
        before = counted[index - 1] if index else None
        begins = before is None or before.round != rep.round
        at = 1 if begins else at + 1
        end = rep.top_ms
        start = rep.start_ms if begins or before is None else before.top_ms
        since = start if before is None else before.top_ms
        stopped = length(cut(breaks, (start, end)))
        rested = rep.start_ms - since if begins and before else stopped
        rests.append(max(0, rested) / 1000)
        if any(start < moment < end for moment in other):
            continue
        if not begins and before and _missed(before.movement, before.number, rep, attempt):
            continue
        kind: StepKind
        if begins or before is None:
            step = Step("first", rep.movement, None, at)
        else:
            kind = "break" if stopped else "cycle"
            if not stopped and before.movement != rep.movement:
                kind = "change"
            step = Step(kind, rep.movement, before.movement, at)
        seconds = (end - start - stopped - length(cut(holds, (start, end)))) / 1000
        if seconds < 0.15:  # a clean driven straight on ends where the next rep begins
            continue
        observed.append(
            Observed(step, rep.round or 1, rep.number, seconds, rep.top_s, index, index / average)
        )
    return Course(observed, rests, attempt.workout.load_kg if attempt.workout else None)


def _missed(movement: str, number: int | None, rep: Any, attempt: Attempt) -> bool:
    """Whether reps between the two were not counted."""
    if movement == rep.movement:
        return (rep.number or 0) != (number or 0) + 1
    asked = attempt.workout.asked(rep.round, movement) if attempt.workout else number
    return number != asked or rep.number != 1


def unrecovered(rests_s: Sequence[float], recovery_s: Array) -> list[Array]:
    """Reps unrecovered before each rep; `recovery_s` may be many values at once."""
    state = np.zeros_like(np.asarray(recovery_s, float))
    found = []
    for index, rest in enumerate(rests_s):
        if index:
            state = (state + 1) * np.exp(-np.asarray(rest) / recovery_s)
        found.append(state)
    return found


def fit_slowing(
    attempts: Sequence[Attempt], *, draws: int = 400, seed: int = 0
) -> Slowing | NotEnoughData:
    """Fit the model to one or more attempts of one athlete.

    Returns a falsy `NotEnoughData` with its reason where there are too few cycles.
    """
    courses = [course(attempt) for attempt in attempts]
    rows = [(number, one) for number, found in enumerate(courses) for one in found.observed]
    cycles = sum(one.step.kind == "cycle" for _, one in rows)
    if cycles < FEWEST_CYCLES:
        return NotEnoughData(
            f"not enough data: {cycles} cycles in sets were seen, and {FEWEST_CYCLES} are the "
            "least that slowing can be estimated from"
        )
    problem = _Problem(courses, rows)
    return problem.solve(attempts, draws, np.random.default_rng(seed), cycles)


class _Problem:
    """The linear part for given recovery and scatters, and the search for those."""

    def __init__(self, courses: list[Course], rows: list[tuple[int, Observed]]) -> None:
        self.courses, self.rows = courses, rows
        self.keys = {key: i for i, key in enumerate(dict.fromkeys(o.step.key for _, o in rows))}
        names = dict.fromkeys(o.step.movement for _, o in rows)
        self.movements = {name: i for i, name in enumerate(names)}
        loads = [one.load_kg for one in courses if one.load_kg]
        self.reference = loads[-1] if loads else None
        kinds = {o.step.key: o.step for _, o in rows}
        self.fixed = np.array([math.log(TYPICAL.step_s(kinds[key])) for key in self.keys])
        self.is_cycle = np.array([o.step.kind == "cycle" for _, o in rows])
        self.y = np.array(
            [math.log(o.seconds) - self.fixed[self.keys[o.step.key]] for _, o in rows]
        )
        count = len(self.keys)
        # tempo, in set, by work, load, then levels of kinds, own slowing of movements, days
        self.size = 4 + count + len(self.movements) + len(courses)
        self.x = np.zeros((len(rows), self.size))
        self.own = np.zeros((len(rows), len(self.movements)))
        for row, (number, one) in enumerate(rows):
            load = courses[number].load_kg
            self.x[row, 0] = 1
            self.x[row, 2] = one.work
            self.x[row, 3] = math.log(load / self.reference) if load and self.reference else 0
            self.x[row, 4 + self.keys[one.step.key]] = 1
            self.x[row, self.size - len(courses) + number] = 1
            self.own[row, self.movements[one.step.movement]] = 1
        self.mean = np.zeros(self.size)
        self.mean[1:4] = IN_SET[0], BY_WORK[0], LOAD[0]
        self.sd = np.full(self.size, OWN_IN_SET)
        self.sd[:4] = LEVEL, IN_SET[1], BY_WORK[1], LOAD[1]
        self.sd[4 : 4 + count] = [
            CYCLE_LEVEL if kinds[key].kind == "cycle" else OTHER_LEVEL for key in self.keys
        ]
        hyper = np.array([RECOVERY_S, CYCLE_SCATTER, OTHER_SCATTER, DAY_SCATTER])
        self.centre, self.width = np.log(hyper[:, 0]), hyper[:, 1]

    def linear(self, logs: Array) -> tuple[Array, Array, Array]:
        """Mean and precision of the linear parameters, and minus the log of what is left.

        `logs` holds many trials at once, shape (trials, 4); so do the answers in their first axis.
        """
        recovery, cycle, other, day = np.exp(logs).T
        tired = [unrecovered(one.rests_s, recovery) for one in self.courses]
        before = np.array([tired[number][one.index] for number, one in self.rows]).T
        x = np.repeat(self.x[None], len(logs), axis=0)
        x[:, :, 1] = before
        begin = 4 + len(self.keys)
        x[:, :, begin : begin + len(self.movements)] = self.own * before[:, :, None]
        sd = np.repeat(self.sd[None], len(logs), axis=0)
        sd[:, -len(self.courses) :] = day[:, None]
        noise = np.where(self.is_cycle, cycle[:, None], other[:, None])
        weighted = np.swapaxes(x / noise[:, :, None] ** 2, 1, 2)
        precision = weighted @ x + np.eye(self.size) / sd[:, None] ** 2
        right = self.mean / sd**2 + weighted @ self.y
        mean = np.linalg.solve(precision, right[..., None])[..., 0]
        off = self.y - (x @ mean[..., None])[..., 0]
        cost = (
            0.5 * np.sum((off / noise) ** 2, axis=1)
            + np.sum(np.log(noise), axis=1)
            + 0.5 * np.sum(((mean - self.mean) / sd) ** 2, axis=1)
            + np.sum(np.log(sd), axis=1)
            + 0.5 * np.linalg.slogdet(precision)[1]
            + 0.5 * np.sum(((logs - self.centre) / self.width) ** 2, axis=1)
        )
        return mean, precision, cost

    def costs(self, logs: Array) -> Array:
        return self.linear(logs)[2]

    def search(self) -> Array:
        """The logs of recovery and scatters that leave least unexplained."""
        from scipy.optimize import minimize

        steps = np.vstack([np.zeros(4), 1e-6 * np.eye(4)])

        def cost_and_slope(logs: Array) -> tuple[float, Array]:
            costs = self.costs(logs + steps)
            return float(costs[0]), (costs[1:] - costs[0]) / 1e-6

        # Within six prior widths: reps of one exact length would ask for a scatter of nothing.
        bounds = np.c_[self.centre - 6 * self.width, self.centre + 6 * self.width]
        return minimize(cost_and_slope, self.centre, jac=True, method="L-BFGS-B", bounds=bounds).x

    def solve(
        self, attempts: Sequence[Attempt], draws: int, rng: np.random.Generator, cycles: int
    ) -> Slowing:
        best = self.search()
        spread = _covariance(self.costs, best)
        nonlinear, weights = self._drawn(best, spread, draws, rng)
        return Slowing(
            keys=self.keys,
            movements=self.movements,
            weights=weights,
            nonlinear=nonlinear,
            estimates=self._estimates(weights, nonlinear),
            longest_set=max(
                (sum(part.reps for part in span.reps) for a in attempts for span in a.sets),
                default=0,
            ),
            loads_kg=sorted({one.load_kg for one in self.courses if one.load_kg}),
            reference_kg=self.reference,
            attempts=len(self.courses),
            cycles=cycles,
        )

    def _drawn(
        self, best: Array, spread: Array, draws: int, rng: np.random.Generator
    ) -> tuple[Array, Array]:
        """Draws of what is not linear and, given it, of what is.

        From Laplace's normal, twice as wide, each kept as often as the model's own density says
        (sampling and importance resampling).
        """
        tried = rng.multivariate_normal(best, 2 * spread, size=draws)
        off = tried - best
        proposed = -0.25 * np.einsum("di,ij,dj->d", off, np.linalg.inv(spread), off)
        means, precisions, costs = self.linear(tried)
        heights = -costs - proposed
        fractions = np.exp(heights - heights.max())
        chosen = rng.choice(draws, size=draws, p=fractions / fractions.sum())
        roots = np.linalg.cholesky(precisions)[chosen]
        noise = rng.standard_normal((draws, self.size, 1))
        weights = means[chosen] + np.linalg.solve(np.swapaxes(roots, 1, 2), noise)[..., 0]
        return tried[chosen], weights

    def _estimates(self, weights: Array, nonlinear: Array) -> list[Estimate]:
        found = []
        for name, column, prior_sd, unit in (
            ("slowing in the set", 1, IN_SET[1], "% a rep"),
            ("slowing by work", 2, BY_WORK[1], "% a round"),
        ):
            values = 100 * np.expm1(weights[:, column])
            determined = bool(weights[:, column].std() < DETERMINED * prior_sd)
            found.append(_estimate(name, values, unit, determined))
        determined = bool(nonlinear[:, 0].std() < DETERMINED * RECOVERY_S[1])
        found.append(_estimate("recovery in breaks", np.exp(nonlinear[:, 0]), "s", determined))
        for name in self.movements:
            if (key := f"cycle {name}") in self.keys:
                column = 4 + self.keys[key]
                level = weights[:, 0] + weights[:, column] + self.fixed[self.keys[key]]
                found.append(_estimate(f"fresh cycle, {name}", np.exp(level), "s", True))
        return found


def _estimate(name: str, values: Array, unit: str, determined: bool) -> Estimate:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return Estimate(name, float(middle), float(low), float(high), unit, determined)


def _covariance(costs: Callable[[Array], Array], best: Array, step: float = 0.1) -> Array:
    """The inverse of the curvature at the best place (Laplace), kept positive."""
    size = len(best)
    pairs = [(i, j) for i in range(size) for j in range(i, size)]
    signs = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
    eye = step * np.eye(size)
    found = costs(np.array([best + a * eye[i] + b * eye[j] for i, j in pairs for a, b in signs]))
    curves = found.reshape(-1, 4) @ np.array([a * b for a, b in signs]) / (4 * step * step)
    curve = np.empty((size, size))
    for (i, j), value in zip(pairs, curves, strict=True):
        curve[i, j] = curve[j, i] = value
    values, vectors = np.linalg.eigh(curve)
    return vectors @ np.diag(1 / np.maximum(values, 0.5)) @ vectors.T
