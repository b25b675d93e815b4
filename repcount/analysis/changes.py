"""What to change after an attempt that went badly: one change for each reason.

A change keeps what it does not name. The rest that the athlete took, planned or not, is kept too:
shorter sets and longer breaks spread it over more places, earlier. What each would save is not
forecast: the model of slowing knows no stop.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from repcount.analysis.reasons import OVER_S, ReasonKind, Trouble, longest_set
from repcount.analysis.recognise import pattern_at
from repcount.attempt.assemble import all_rounds_over
from repcount.attempt.records import Attempt, MovementReps
from repcount.plan.break_rules import USUAL_BREAK_S
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.pace import LEAD
from repcount.plan.pattern import Pattern
from repcount.plan.tempo import pick_up_lifts
from repcount.units import KG_PER_LB, Ms
from repcount.wording.numbers import as_tenths, clock, load, short

LONGEST_OFFERED_S = 20.0  # a longer one is a stop; assumption
LIGHTER = 0.9  # a tenth less load at a time (common practice, no source)
STEP_KG, STEP_LB = 2.5, 5.0  # the smallest pair of plates in most places (common practice)
# A break, and a lift that counts for nothing, weigh as much as sets so many reps off their mean.
BREAK_IN_REPS, LIFT_IN_REPS = 3.0, 2.0


@dataclass(frozen=True)
class Change:
    """A plan that differs from the last in one thing, in words; `kind` is its reason's, `why` what
    there is to say of the change itself."""

    kind: ReasonKind
    said: str
    plan: Plan
    why: str = ""


def change_for(
    kind: ReasonKind, base: Plan, attempt: Attempt, found: Trouble, loads_kg: Sequence[float] = ()
) -> Change | None:
    """The change for a reason; None where there is nothing to change. `loads_kg`: those of all
    attempts known."""
    if kind == "sets":
        return _shorter_sets(base, attempt, found)
    if kind == "breaks":
        return _longer_breaks(base, attempt, found)
    if kind == "start":
        return _slower_start(base, attempt, found)
    return lighter(base, loads_kg)


def _rest_taken(attempt: Attempt) -> float:
    """Seconds of all breaks of a round, planned or not: the mean of the rounds that were gone
    through, also with a rep that did not count, else of the one begun."""
    over = all_rounds_over(attempt)
    spans = (attempt.rounds if over else attempt.rounds[:-1]) or attempt.rounds
    sums = [
        Ms(sum(stop.length_ms for stop in attempt.breaks_in(span.round))).seconds for span in spans
    ]
    return statistics.fmean(sums) if sums else 0.0


def _tenth(seconds: float) -> float:
    return as_tenths(seconds) / 10


def _shorter_sets(base: Plan, attempt: Attempt, found: Trouble) -> Change | None:
    """Sets cut so that none is longer than half the longest, or than the reps after which the bar
    went down unplanned; in one round where it stopped in one only."""
    longest = longest_set(base)
    most = math.ceil(longest / 2)
    if found.reps_before is not None:
        most = min(most, math.floor(found.reps_before))
    most = max(2, most)
    if longest <= most:
        return None
    only = found.rounds[0] if len(found.rounds) == 1 else None
    taken = _rest_taken(attempt)
    rounds: list[RoundPlan] = []
    for number, one in enumerate(base.rounds, 1):
        pattern = one.pattern or Pattern(sets=[list(one.movements)])
        cut = _cut(pattern, one.movements, most)
        if only not in (None, number) or cut == pattern:
            rounds.append(one)
            continue
        count = len(cut.sets) - 1
        each = max(taken, one.break_total_s) / count
        length = _tenth(min(LONGEST_OFFERED_S, max(USUAL_BREAK_S, each)))
        rounds.append(one.model_copy(update={"pattern": cut, "break_s": [length] * count}))
    changed = [
        (number, new)
        for number, (new, old) in enumerate(zip(rounds, base.rounds, strict=True), 1)
        if new is not old
    ]
    if not changed:
        return None
    number, new = changed[0]
    same = len({str(one.pattern) for _, one in changed}) == 1
    where = f"in round {number}" if len(changed) == 1 else "in every round"
    if not same or 1 < len(changed) < len(rounds):
        where = f"from round {number} on"
    said = (
        f"Shorter sets {where}: break as {new.pattern}, {short(new.break_s[0])} s each, so that "
        f"no set is longer than {most} reps."
    )
    return Change("sets", said, base.model_copy(update={"rounds": rounds}))


def _cut(pattern: Pattern, movements: Sequence[MovementReps], most: int) -> Pattern:
    """The pattern with every set of over `most` reps cut, none longer than that: into few pieces,
    much alike, rather where going on costs no lift (the cheapest way, by dynamic programming)."""
    names = [part.movement for part in movements for _ in range(part.reps)]
    edges = [0, *pattern.positions(), len(names)]
    marks = set(edges[1:-1])
    for begin, end in itertools.pairwise(edges):
        length = end - begin
        alike = length / math.ceil(length / most)
        best: dict[int, tuple[float, list[int]]] = {begin: (0.0, [])}
        for at in range(begin + 1, end + 1):
            break_ = 0.0 if at == end else BREAK_IN_REPS + LIFT_IN_REPS * pick_up_lifts(names[at])
            best[at] = min(
                (best[before][0] + abs(at - before - alike) + break_, [*best[before][1], at])
                for before in range(max(begin, at - most), at)
            )
        marks.update(best[end][1][:-1])
    return pattern_at(movements, sorted(marks))


def _longer_breaks(base: Plan, attempt: Attempt, found: Trouble) -> Change | None:
    """Every break as long as the rest that was taken in the end, spread over them: at least half as
    long again, and at least the usual length. One that was planned with the usual length is not too
    short, unless the athlete could not keep it."""
    planned = [seconds for one in base.rounds for seconds in one.break_s]
    if not planned:
        return None
    mean = statistics.fmean(planned)
    if mean >= USUAL_BREAK_S and (found.breaks_over_s or 0.0) < OVER_S:
        return None
    each = _rest_taken(attempt) * len(base.rounds) / len(planned)
    length = _tenth(min(LONGEST_OFFERED_S, max(1.5 * mean, USUAL_BREAK_S, each)))
    if length <= mean:
        return None
    rounds = [
        one.model_copy(update={"break_s": [max(length, was) for was in one.break_s]})
        for one in base.rounds
    ]
    said = (
        f"Longer breaks from the first round on: {short(length)} s each, {short(mean)} s were "
        "planned."
    )
    before, now = _tenth(sum(planned)), _tenth(sum(sum(one.break_s) for one in rounds))
    rested = _tenth(_rest_taken(attempt) * len(base.rounds))
    why = (
        f"Breaks of {short(before)} s in all were planned and {short(rested)} s were taken, "
        f"unplanned ones included. Planned with {short(now)} s, spread evenly from the start, they "
        "are meant to spare the stops that came late."
    )
    return Change("breaks", said, base.model_copy(update={"rounds": rounds}), why)


def _slower_start(base: Plan, attempt: Attempt, found: Trouble) -> Change | None:
    """Round 1 at the pace of the others: as planned for them, where it was planned shorter than an
    early lead would be; else slower by most of what the later cycles were longer."""
    times = [one.round_s for one in base.rounds]
    if len(times) < 2 or 1 not in attempt.round_spans():
        return None
    first = attempt.round_spans()[1]
    rests = Ms(sum(stop.length_ms for stop in attempt.breaks_in(1))).seconds
    work = first.duration_s - rests
    target = None
    if all(times):
        planned = [one or 0.0 for one in times]
        works = [one.reps for one in base.rounds]
        even = sum(planned[1:]) / sum(works[1:]) * works[0]
        if planned[0] < (1 - float(LEAD)) * even:
            target = even
    if target is None:
        if found.later is None or found.later <= 0:
            return None
        target = work * math.exp(0.7 * found.later) + base.rounds[0].break_total_s
    target = _tenth(target)
    before = base.rounds[0].round_s
    if before is not None and target <= before:
        return None
    rounds = [base.rounds[0].model_copy(update={"round_s": target}), *base.rounds[1:]]
    was = "" if before is None else f", {short(before)} s were planned"
    said = f"Start slower: round 1 in {clock(target)}{was}, no quicker than later ones."
    return Change("start", said, base.model_copy(update={"rounds": rounds}))


def lighter(base: Plan, loads_kg: Sequence[float] = ()) -> Change | None:
    """The heaviest of the lighter loads that were filmed; where there is none, a tenth less, down
    to the next pair of small plates."""
    kg, lb = base.workout.load_kg, base.load_lb
    if kg is None:
        return None
    below = [one for one in loads_kg if one < kg]
    if below:
        new, lb = max(below), None
    elif lb is not None:
        lb = math.floor(LIGHTER * lb / STEP_LB) * STEP_LB
        new = lb * KG_PER_LB
    else:
        new = math.floor(LIGHTER * kg / STEP_KG) * STEP_KG
    if new <= 0:
        return None
    workout = base.workout.model_copy(update={"load_kg": round(new, 3)})
    said = f"A lighter load: {load(new)} in place of {load(kg)}."
    return Change("load", said, base.model_copy(update={"workout": workout, "load_lb": lb}))
