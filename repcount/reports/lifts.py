"""Every lift of an attempt in the order of time, those that do not count among the others: the
lines of the report's table and of the page's list."""

from __future__ import annotations

from dataclasses import dataclass

from repcount.attempt.records import Attempt, FailedStroke, Rep
from repcount.reports import words


@dataclass(frozen=True)
class LiftLine:
    """One lift: a rep, or a missed lift, whose `top_s` is where it turned. `name` is without its
    round; `remarks` are the words on what is odd about it."""

    lift: Rep | FailedStroke
    top_s: float
    round: int | None
    name: str
    words: str
    status: str
    remarks: str
    cycle_s: float | None = None
    way: str = ""
    measures: str = ""

    @property
    def to_check(self) -> bool:
        """Whether a person should look at it."""
        return words.needs_check(self.lift)

    @property
    def said(self) -> str:
        """All that the table says of it beside its times, as sentences."""
        found = [] if self.status == "counted" else [self.status]
        found += ["check by eye"] if self.to_check else []
        found += [self.remarks] if self.remarks else []
        if self.lift.touched_by == "person":
            missed = isinstance(self.lift, FailedStroke)
            found.append("looked at by a person" if missed else "corrected by a person")
        return " ".join(f"{words.capital(one)}." for one in found)


def lift_lines(attempt: Attempt) -> list[LiftLine]:
    """The lifts by their tops."""
    found = [_rep_line(rep, attempt) for rep in attempt.reps]
    found += [_missed_line(lift, attempt) for lift in attempt.failed]
    return sorted(found, key=lambda line: line.top_s)


def _rep_line(rep: Rep, attempt: Attempt) -> LiftLine:
    name = rep.movement
    if rep.number is not None:
        name = f"{name} {rep.number}"
    elif rep.after_number is not None:
        name = f"{name}, no-rep"
    return LiftLine(
        lift=rep,
        top_s=rep.top_s,
        round=rep.round,
        name=name,
        words=words.rep_words(rep, attempt.workout),
        status=words.status_words(rep),
        remarks=words.flag_words(rep),
        cycle_s=rep.cycle_s,
        way=words.way_words(rep),
        measures=", ".join(map(words.measure_words, rep.measures)),
    )


def _missed_line(lift: FailedStroke, attempt: Attempt) -> LiftLine:
    inside = [span.round for span in attempt.rounds if span.start_s <= lift.peak_s <= span.end_s]
    with_round = bool(inside) and attempt.workout is not None
    name = lift.movement
    return LiftLine(
        lift=lift,
        top_s=lift.peak_s,
        round=inside[0] if inside else None,
        name=name,
        words=f"Round {inside[0]}, {name}" if with_round else words.capital(name),
        status=words.missed_status(lift),
        remarks=words.reached_words(lift),
    )
