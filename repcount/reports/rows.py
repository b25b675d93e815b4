"""Planned beside real, line by line, with sums that add up to the clock to the millisecond."""

from __future__ import annotations

from dataclasses import dataclass

from repcount.attempt.records import Attempt, Comparison
from repcount.reports.words import capital, count
from repcount.units import Ms, to_ms, total_ms
from repcount.wording.numbers import short

KINDS = {
    "start": "Start",
    "between rounds": "Between rounds",
    "break": "Breaks",
    "breaks": "Breaks",
    "hold": "Holds",
    "transition": "Transitions",
    "transitions": "Transitions",
    "reset": "Resets",
    "touch": "Touches",
    "rep": "Reps",
    "handling": "Pick-ups/put-downs",
    "work": "Work",
}
KIND_MEANINGS = {
    "start": "from the start signal to the first rep",
    "between rounds": "from a round's last rep to the next round's first",
    "break": "bar on the floor for 1.5 s or more",
    "hold": "bar in the hands for 1.5 s or more without a rep",
    "transition": "from one movement to the next",
    "reset": "bar on the floor for 0.5 to 1.5 s between reps",
    "touch": "bar on the floor for less than 0.5 s between reps",
    "rep": "lifting, and lowering under control",
    "handling": "picking up, putting down, turning, falls and bounces",
    "work": "everything that has no line of its own here",
}


@dataclass(frozen=True)
class Row:
    """A line of planned beside real, in seconds, not yet rounded; None where there is none."""

    label: str
    planned: float | None
    real: float | None
    difference: float | None = None
    note: str = ""
    round: int | None = None


def less(real: float, planned: float | None) -> float:
    """Real less planned, to the millisecond."""
    return (to_ms(real) - to_ms(planned or 0)).seconds


def _sum(values: list[float]) -> float:
    return total_ms(values).seconds


def round_rows(attempt: Attempt, comparison: Comparison | None) -> list[Row]:
    """Start, every round, the time between rounds and the total: they add up to the clock.

    A part that the plan gives no time for is planned as none, as in the plan's total.
    """
    total, begin = attempt.clock.total_s, attempt.clock.start_s
    spans = sorted(attempt.rounds, key=lambda span: span.start_s)
    if attempt.workout is None or total is None or begin is None or not spans:
        return []
    planned_kinds = {item.kind: item.planned_s for item in comparison.time} if comparison else {}
    asked = {item.round: item for item in comparison.rounds} if comparison else {}
    names: list[str | int] = ["Start"]
    planned: list[float | None] = [planned_kinds.get("start")]
    real: list[float | None] = [less(spans[0].start_s, begin)]
    done = {span.round: span.duration_s for span in spans}
    for number in sorted({*done, *asked}):
        names.append(number)
        planned.append(asked[number].planned_s if number in asked else None)
        real.append(done.get(number))
    gaps = [less(gap.end_s, gap.start_s) for gap in attempt.between_rounds]
    if gaps or "between rounds" in planned_kinds:
        names.append("Between rounds")
        planned.append(planned_kinds.get("between rounds"))
        real.append(_sum(gaps))
    paced = comparison is not None and comparison.planned_total_s is not None
    rows = []
    for name, meant, took in zip(names, planned, real, strict=True):
        over = paced and took is not None and (not isinstance(name, int) or asked[name].finished)
        difference = less(took, meant) if over and took is not None else None
        if isinstance(name, int):
            note = _reps_of(attempt, name)
            rows.append(Row(f"Round {name}", meant, took, difference, note, round=name))
        elif meant or took:
            between = name == "Between rounds"
            note = _lifted_note(attempt, len(attempt.workout.rounds)) if between else ""
            rows.append(Row(name, meant, took, difference, note))
    if not paced or comparison is None or comparison.planned_total_s is None:
        return rows + [Row("Total", None, total)]
    return rows + [Row("Total", comparison.planned_total_s, total, comparison.difference_s)]


def _reps_of(attempt: Attempt, number: int) -> str:
    """How many reps of a round were counted: `18 reps`, or `17 of 18 reps`."""
    workout = attempt.workout
    parts = workout.rounds[number - 1] if workout and number <= len(workout.rounds) else []
    counted, asked = len(attempt.counted(number)), sum(part.reps for part in parts)
    return count(counted, "rep") if counted == asked else f"{counted} of {count(asked, 'rep')}"


def _lifted_note(attempt: Attempt, rounds: int) -> str:
    """How much of the times between the first so many rounds was lifts that did not count."""
    gaps = [gap for gap in attempt.between_rounds if gap.after_round < rounds]
    lifted = Ms(sum(attempt.lifted_between(gap) for gap in gaps))
    return f"{short(lifted.seconds)} s of it lifts that did not count" if lifted else ""


def time_rows(attempt: Attempt, comparison: Comparison | None) -> list[Row]:
    """Where the time went, planned beside real, with the total last; empty without a pace."""
    kinds = comparison.time if comparison else []
    if comparison is None or not kinds:
        return []
    lifted = _lifted_note(attempt, comparison.compared_rounds)
    rows = [
        Row(
            _kind_name(item.kind),
            item.planned_s,
            item.real_s,
            item.difference_s,
            (lifted if item.kind == "between rounds" else "") or _kind_meaning(item.kind),
        )
        for item in kinds
    ]
    label = "Total"
    if comparison.compared_rounds < len(comparison.workout.rounds):
        label = f"To the end of round {comparison.compared_rounds}"
    planned, real = _sum([item.planned_s for item in kinds]), _sum([item.real_s for item in kinds])
    return rows + [Row(label, planned, real, less(real, planned))]


def spent_rows(attempt: Attempt, comparison: Comparison | None = None) -> list[Row]:
    """The clock's run by kind, largest first, with the total last; real only.

    Beside a comparison of the whole clock, what its `work` is made of.
    """
    compared = comparison.time if comparison else []
    named = {item.kind for item in compared}
    every = [part for part in attempt.time_spent if to_ms(part.seconds)]
    inside = [s for s in every if s.kind not in named and f"{s.kind}s" not in named]
    label = "Total"
    # Where a plan times cycles, or a reset stands for a break, work is cut across these kinds.
    for item in compared:
        if item.kind == "work" and total_ms(s.seconds for s in inside) == to_ms(item.real_s):
            every, label = inside, "Work"
    if not every:
        return []
    every = sorted(every, key=lambda part: -part.seconds)
    rows = [
        Row(_kind_name(part.kind), None, part.seconds, note=_kind_meaning(part.kind))
        for part in every
    ]
    return rows + [Row(label, None, _sum([part.seconds for part in every]))]


def _kind_name(kind: str) -> str:
    if kind.startswith("cycle "):
        return f"Cycles, {kind.removeprefix('cycle ')}"
    return KINDS.get(kind, capital(kind))


def _kind_meaning(kind: str) -> str:
    return KIND_MEANINGS.get(kind, KIND_MEANINGS.get(kind.removesuffix("s"), ""))
