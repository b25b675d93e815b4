"""Numbers over a heat: by halves, slope and variation; where breaks fell; what went with what.

The quantities are those that a study of 160 competition videos coded (Mangine and others,
Frontiers in Sports and Active Living, 2024, 1344036): rep rate by exercise, failed reps, number and
length of breaks, transition time; each in the first and the last half, as a slope and as a
coefficient of variation. How the study cut its halves is not known to us. Here a half is half of
the prescribed reps, and slope and variation are taken over the rounds.

An association is a description. Nothing here says that one thing makes another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from repcount.attempt.records import Attempt
from repcount.heat.records import Association, BreakPlace, HeatAttempt, HeatRep, Spread

# Under this many attempts an interval of a rank correlation says next to nothing: at n = 10 and
# rho = 0.5 it still goes from -0.2 to 0.9.
FEWEST = 10
Z_95 = 1.959964  # the normal distribution's 97.5 % point


def slope(values: Sequence[float | None]) -> tuple[float, float] | None:
    """Change from one value to the next by least squares, and its standard error; None for fewer
    than three values. A missing value keeps its place."""
    pairs = [(place, value) for place, value in enumerate(values) if value is not None]
    if len(pairs) < 3:
        return None
    from scipy import stats  # here: a server that shows no heat does without it

    line = stats.linregress(*zip(*pairs, strict=True))
    # equal values have no correlation, by whose way the error goes
    return float(line.slope), 0.0 if math.isnan(line.stderr) else float(line.stderr)


def variation(values: Sequence[float | None]) -> float | None:
    """Standard deviation (n - 1) as a fraction of the mean; None for fewer than two values or where
    their mean is 0."""
    there = np.array([value for value in values if value is not None], float)
    if len(there) < 2 or there.mean() == 0:
        return None
    return float(there.std(ddof=1) / there.mean())


def spreads(
    attempt: Attempt, reps: Sequence[HeatRep], places: Sequence[int | None]
) -> list[Spread]:
    """The quantities of one attempt. `reps` are its counted reps, `places` the positions of its
    breaks in the same order as `attempt.breaks`. Empty without a workout."""
    if attempt.workout is None or not reps:
        return []
    half = attempt.workout.reps / 2
    over = [span.round for span in attempt.rounds]

    def spread(
        name: str,
        unit: str,
        events: Sequence[tuple[int, int, float]],
        of: Callable[[list[float]], float | None],
        first: int = 0,
    ) -> Spread:
        """`events` are (round, position, value); `of` makes one number of several values."""
        halves = [
            of([value for _, place, value in events if first < place <= half]),
            of([value for _, place, value in events if place > half]),
        ]
        rounds = [of([value for number, _, value in events if number == r]) for r in over]
        steep = slope(rounds)
        return Spread(
            name=name,
            unit=unit,
            first_half=halves[0],
            last_half=halves[1] if reps[-1].position and reps[-1].position > half else None,
            slope=steep[0] if steep else None,
            slope_error=steep[1] if steep else None,
            variation=variation(rounds),
        )

    down = [
        (pause.round or 1, place or 0, pause.length_s)
        for pause, place in zip(attempt.breaks, places, strict=True)
    ]
    last_of = {(rep.round, rep.movement): rep.position or 0 for rep in reps}
    turns = [
        (turn.round, last_of[turn.round, turn.from_movement], turn.net_s)
        for turn in attempt.transitions
        if (turn.round, turn.from_movement) in last_of
    ]
    missed = []
    tops = [rep.top_ms for rep in attempt.counted()]
    for stroke in attempt.failed:
        before = sum(top <= stroke.peak_ms for top in tops)
        if 0 < before < len(tops):
            index = before - 1
            missed.append((reps[index].round, reps[index].position or 0, 1.0))
    found = [
        spread("breaks", "", down, lambda values: float(len(values)), -1),
        spread("break length", "s", down, _mean, -1),
        spread("transition", "s", turns, _mean),
        spread("failed strokes", "", missed, lambda values: float(len(values)), -1),
    ]
    for movement in dict.fromkeys(rep.movement for rep in reps):
        cycles = [
            (rep.round, rep.position or 0, rep.cycle_s)
            for rep in reps
            if rep.movement == movement and rep.cycle_s
        ]
        found.append(spread(f"rep rate, {movement}", "reps/min", cycles, _rate))
    return found


def _mean(values: list[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _rate(cycles: list[float]) -> float | None:
    """Reps a minute while reps follow each other: 60 over the mean cycle."""
    return 60 / float(np.mean(cycles)) if cycles else None


def break_places(
    attempts: Sequence[HeatAttempt], scheme: Sequence[tuple[int, str, int]]
) -> list[BreakPlace]:
    """Where breaks fell over the prescribed reps; `scheme` holds (round, movement, number) of each
    in order. Places without a break are left out."""
    lengths: dict[int, dict[int, list[float]]] = {}
    for index, one in enumerate(attempts):
        for pause in one.breaks:
            if pause.position:
                lengths.setdefault(pause.position, {}).setdefault(index, []).append(pause.length_s)
    far = [max((rep.position or 0 for rep in one.reps), default=0) for one in attempts]
    found = []
    for position, by_athlete in sorted(lengths.items()):
        if position > len(scheme):
            continue
        all_s = [length for several in by_athlete.values() for length in several]
        round_, movement, number = scheme[position - 1]
        found.append(
            BreakPlace(
                position=position,
                round=round_,
                movement=movement,
                number=number,
                athletes=len(by_athlete),
                reached=sum(reach >= position for reach in far),
                mean_s=round(float(np.mean(all_s)), 3),
                median_s=round(float(np.median(all_s)), 3),
            )
        )
    return found


def rank_correlation(one: Sequence[float], other: Sequence[float]) -> float | None:
    """Spearman's rho; None where one of them does not vary."""
    if len(set(one)) < 2 or len(set(other)) < 2:
        return None
    from scipy import stats

    return float(stats.spearmanr(one, other).statistic)


def rank_interval(rho: float, n: int) -> tuple[float, float]:
    """Interval of 95 % for Spearman's rho: Fisher's z with the variance (1 + rho^2 / 2) / (n - 3)
    (Bonett and Wright, Psychometrika 2000, 65: 23-28; from memory). Raises ValueError for n < 4."""
    if n < 4:
        raise ValueError(f"n is {n}, at least 4 are needed")
    middle = math.atanh(max(-1 + 1e-12, min(1 - 1e-12, rho)))
    wide = Z_95 * math.sqrt((1 + rho**2 / 2) / (n - 3))
    return math.tanh(middle - wide), math.tanh(middle + wide)


def _spent(one: HeatAttempt, kind: str) -> float:
    return next((part.seconds for part in one.time_spent if part.kind == kind), 0.0)


def _mean_break(one: HeatAttempt) -> float | None:
    return _mean([pause.length_s for pause in one.breaks])


def _mean_cycle(one: HeatAttempt) -> float | None:
    return _mean([rep.cycle_s for rep in one.reps if rep.cycle_s])


# Quantity, its value for one attempt, and whether its seconds are part of the total.
QUANTITIES: tuple[tuple[str, Callable[[HeatAttempt], float | None], bool], ...] = (
    ("number of breaks", lambda one: float(len(one.breaks)), False),
    ("seconds in breaks", lambda one: _spent(one, "break"), True),
    ("mean length of a break", _mean_break, False),
    ("seconds between rounds", lambda one: one.between_s, True),
    ("seconds in transitions", lambda one: _spent(one, "transition"), True),
    ("mean cycle", _mean_cycle, False),
    ("slowest round", lambda one: max((r.duration_s for r in one.rounds), default=None), True),
    (
        "variation of the rounds",
        lambda one: variation([r.duration_s for r in one.rounds]),
        False,
    ),
)


def associations(groups: Sequence[tuple[str, Sequence[HeatAttempt]]]) -> list[Association]:
    """How each quantity went with the total time in each group (its name, its attempts), over those
    who finished; groups under ten are left out."""
    found = []
    for name, group in groups:
        done = [one for one in group if one.finished and one.total_s is not None]
        for quantity, of, inside in QUANTITIES:
            pairs = [
                (value, one.total_s)
                for one in done
                if (value := of(one)) is not None and one.total_s is not None
            ]
            if len(pairs) < FEWEST:
                continue
            rho = rank_correlation(*zip(*pairs, strict=True))
            if rho is None:
                continue
            low, high = rank_interval(rho, len(pairs))
            found.append(
                Association(
                    quantity=quantity,
                    of=name,
                    n=len(pairs),
                    rho=round(rho, 3),
                    low=round(low, 3),
                    high=round(high, 3),
                    part_of_total=inside,
                )
            )
    return found
