"""Planned beside real, line by line, with sums that add up to the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repcount.attempt.records import Attempt, Comparison
from repcount.reports.words import capital
from repcount.units import to_ms
from repcount.wording.numbers import as_tenths, tenths

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
    "handling": "Handling",
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
    """A line of planned beside real, in tenths of a second; None where there is none.

    `difference` is that of the shown numbers, so that a column of them adds up on paper.
    """

    label: str
    planned: int | None
    real: int | None
    difference: int | None = None
    note: str = ""
    round: int | None = None


def _together(values: Sequence[float | None]) -> list[int | None]:
    """`tenths`, with None kept where it stands."""
    shown = iter(tenths([value for value in values if value is not None]))
    return [None if value is None else next(shown) for value in values]


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
    real: list[float | None] = [spans[0].start_s - begin]
    done = {span.round: span.duration_s for span in spans}
    for number in sorted({*done, *asked}):
        names.append(number)
        planned.append(asked[number].planned_s if number in asked else None)
        real.append(done.get(number))
    gaps = [gap.end_s - gap.start_s for gap in attempt.between_rounds]
    if gaps or "between rounds" in planned_kinds:
        names.append("Between rounds")
        planned.append(planned_kinds.get("between rounds"))
        real.append(sum(gaps))
    planned_tenths, real_tenths = _together(planned), _together(real)
    paced = comparison is not None and comparison.planned_total_s is not None
    rows = []
    for name, meant, took in zip(names, planned_tenths, real_tenths, strict=True):
        over = paced and took is not None and (not isinstance(name, int) or asked[name].finished)
        difference = took - (meant or 0) if over and took is not None else None
        if isinstance(name, int):
            rows.append(Row(f"Round {name}", meant, took, difference, round=name))
        elif meant or took:
            rows.append(Row(name, meant, took, difference))
    whole = as_tenths(total)
    if not paced or comparison is None or comparison.planned_total_s is None:
        return rows + [Row("Total", None, whole)]
    meant = as_tenths(comparison.planned_total_s)
    difference = None if comparison.difference_s is None else whole - meant
    return rows + [Row("Total", meant, whole, difference)]


def time_rows(comparison: Comparison | None) -> list[Row]:
    """Where the time went, planned beside real, with the total last; empty without a pace."""
    kinds = comparison.time if comparison else []
    if comparison is None or not kinds:
        return []
    planned = tenths([item.planned_s for item in kinds])
    real = tenths([item.real_s for item in kinds])
    rows = [
        Row(_kind_name(item.kind), meant, took, took - meant, _kind_meaning(item.kind))
        for item, meant, took in zip(kinds, planned, real, strict=True)
    ]
    label = "Total"
    if comparison.compared_rounds < len(comparison.workout.rounds):
        label = f"To the end of round {comparison.compared_rounds}"
    return rows + [Row(label, sum(planned), sum(real), sum(real) - sum(planned))]


def spent_rows(attempt: Attempt, comparison: Comparison | None = None) -> list[Row]:
    """The clock's run by kind, largest first, with the total last; real only.

    Beside a comparison of the whole clock, what its `work` is made of.
    """
    compared = comparison.time if comparison else []
    named = {item.kind for item in compared}
    every = [share for share in attempt.time_spent if to_ms(share.seconds)]
    inside = [s for s in every if s.kind not in named and f"{s.kind}s" not in named]
    shown = tenths([item.real_s for item in compared])
    label, whole = "Total", None
    # Where a plan times cycles, or a reset stands for a break, work is cut across these kinds.
    for item, took in zip(compared, shown, strict=True):
        if item.kind == "work" and sum(to_ms(s.seconds) for s in inside) == to_ms(item.real_s):
            every, label, whole = inside, "Work", took
    if not every:
        return []
    every = sorted(every, key=lambda share: -share.seconds)
    real = tenths([share.seconds for share in every], whole)
    rows = [
        Row(_kind_name(share.kind), None, took, note=_kind_meaning(share.kind))
        for share, took in zip(every, real, strict=True)
    ]
    return rows + [Row(label, None, sum(real))]


def _kind_name(kind: str) -> str:
    if kind.startswith("cycle "):
        return f"Cycles, {kind.removeprefix('cycle ')}"
    return KINDS.get(kind, capital(kind))


def _kind_meaning(kind: str) -> str:
    return KIND_MEANINGS.get(kind, KIND_MEANINGS.get(kind.removesuffix("s"), ""))
