"""Several attempts at one workout by one athlete, side by side and rep for rep.

What differs because it was filmed differently is kept apart from what the athlete changed: a clock
that starts at a beep is not one that starts at the first lift-off, and few frames a second blur
instants.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import Literal

from pydantic import Field

from repcount.analysis.forecast import Filmed, check_workout, in_order, once_each
from repcount.attempt.assemble import all_rounds_over, is_over
from repcount.attempt.records import (
    Attempt,
    BetweenRounds,
    Break,
    Hold,
    PrescribedRep,
    Record,
    Rep,
)
from repcount.errors import RecordError
from repcount.units import Ms, Seconds
from repcount.wording import short_of

MOST_ATTEMPTS = 20
# Notices that say how an attempt was filmed, and what they make hard to compare.
FILMING = {
    "few-frames": "instants, and so cycle and transition times",
    "side-on": "when hands left the bar, and the heights of hips",
    "hands-hidden": "when hands left the bar",
    "body-unread": "which movement a rep was, and the heights of the body",
    "hands-apart": "the bar's height, and so which movement a rep was",
    "bar-unseen": "the bar's instants, which come from the hands",
    "leaves-picture": "the tops of overhead reps",
    "camera-moved": "heights",
    "cuts": "everything across the cut",
    "dark": "heights of the body",
    "slow-motion": "all times, if the factor given is not the true one",
}
OTHER_RATE = 1.5  # frame rates that differ by more than this factor
FEW_HZ = 24.0


class AttemptColumn(Record):
    """One attempt's figures. None where it has none."""

    name: str
    recorded_at: str | None = Field(None, description="when it was filmed; null: not known")
    total_s: Seconds | None
    finished: bool | None
    rounds_over: bool = Field(
        False, description="whether the last round was done to its end, with reps missing or not"
    )
    asked: int | None = Field(None, description="reps prescribed")
    load_kg: float | None
    rounds_s: list[Seconds | None] = Field(description="null: not begun, or not finished")
    to_common_s: Seconds | None = Field(
        None, description="of the round of `common`, from its start to that rep's top"
    )
    sets: list[str]
    breaks: int = Field(description="this and what follows: up to `common`")
    break_s: Seconds
    between_s: Seconds
    transition_s: Seconds
    hold_s: Seconds
    uncounted: int
    counted: int
    median_cycle_s: dict[str, Seconds]
    corrected: bool = Field(description="whether a person corrected reps or breaks")

    @property
    def short(self) -> str:
        """What it came to where reps are missing, in words; else empty."""
        if self.finished is not False or self.asked is None:
            return ""
        return short_of(self.counted, self.asked, rounds_over=self.rounds_over)


class Change(Record):
    """A figure of the first and the last attempt."""

    what: str
    first: float
    last: float
    difference: float
    unit: str = "s"
    within_scatter: bool | None = Field(
        None, description="true: reps scatter by as much; null: a single figure"
    )


class RepRow(Record):
    """One prescribed rep in every attempt: the clock at its top, and its cycle."""

    round: int
    movement: str
    number: int
    clock_s: list[Seconds | None]
    cycle_s: list[Seconds | None]
    seen_at_s: list[Seconds | None] = Field(description="in each video")


class Common(Record):
    """The last rep that all attempts have done; `whole`: it is the workout's last."""

    round: int
    movement: str
    number: int
    whole: bool


class History(Record):
    """Attempts side by side (`history.json`)."""

    format: Literal["repcount-history/1"] = "repcount-history/1"
    workout: str
    attempts: list[AttemptColumn]
    common: Common | None = Field(
        None, description="the last rep that all have done; figures are up to it"
    )
    compared_rounds: list[int] = Field(
        default_factory=list,
        description="finished in the first and in the last; `changes` are of these",
    )
    changes: list[Change] = Field(description="the last attempt less the first")
    not_comparable: list[str] = Field(
        default_factory=list, description="what cannot be compared, and why"
    )
    reps: list[RepRow]
    notes: list[str] = Field(default_factory=list, description="what was left out, and why")


def side_by_side(filmed: Sequence[Filmed]) -> History:
    """Set attempts beside each other, in the order in which they were filmed.

    Raises RecordError for fewer than two attempts, too many, or attempts at different workouts.
    """
    if len(filmed) < 2:
        raise RecordError("there is one attempt; give two or more results folders to compare.")
    if len(filmed) > MOST_ATTEMPTS:
        raise RecordError(
            f"there are {len(filmed)} attempts; give at most {MOST_ATTEMPTS} at a time."
        )
    check_workout(filmed)
    filmed, left_out = once_each(filmed)
    if len(filmed) < 2:
        raise RecordError(f"{left_out[0].rstrip('.')}; give two different attempts.")
    filmed, order = in_order(filmed)
    first, last = filmed[0].attempt, filmed[-1].attempt
    common = _common([one.attempt for one in filmed])
    columns = [_column(one, common) for one in filmed]
    both = sorted(_finished(first) & _finished(last))
    return History(
        workout=first.workout.name if first.workout else "",
        attempts=columns,
        common=common,
        compared_rounds=both,
        changes=_changes(first, last, both),
        not_comparable=not_comparable(filmed),
        reps=_reps([one.attempt for one in filmed]),
        notes=[*left_out, *order],
    )


def _common(attempts: Sequence[Attempt]) -> Common | None:
    """The last prescribed rep up to which every attempt went; None where one has none."""
    workout = attempts[0].workout
    if workout is None:
        return None
    places = workout.sequence()
    order = {place: index for index, place in enumerate(places)}
    reached = [
        max(
            (order.get(PrescribedRep(rep.round or 0, rep.movement, rep.number or 0), -1)
             for rep in attempt.counted()),
            default=-1,
        )
        for attempt in attempts
    ]  # fmt: skip
    index = min(reached)
    if index < 0:
        return None
    place = places[index]
    return Common(
        round=place.round,
        movement=place.movement,
        number=place.number,
        whole=index == len(places) - 1,
    )


def _until(attempt: Attempt, common: Common | None) -> Ms:
    """The top of that rep in an attempt, or of the last one before it where it was missed; the
    attempt's end where it is the workout's last."""
    counted = attempt.counted()
    if not counted:
        return Ms(0)
    if common is None or common.whole or attempt.workout is None:
        return max(counted[-1].top_ms, attempt.clock.end_ms or Ms(0))
    places = attempt.workout.sequence()
    last = places.index(PrescribedRep(common.round, common.movement, common.number))
    upto = {*places[: last + 1]}
    tops = [
        rep.top_ms
        for rep in counted
        if PrescribedRep(rep.round or 0, rep.movement, rep.number or 0) in upto
    ]
    return max(tops, default=Ms(0))


def _column(filmed: Filmed, common: Common | None) -> AttemptColumn:
    attempt = filmed.attempt
    until = _until(attempt, common)
    spans = {span.round: span.duration_s for span in attempt.rounds}
    every = range(1, len(attempt.workout.rounds) + 1 if attempt.workout else 1)
    finished = _finished(attempt)
    sets: dict[int, list[str]] = {}
    for one in attempt.sets:
        sets.setdefault(one.round, []).append("+".join(str(part.reps) for part in one.reps))
    figures = _figures(attempt, until)
    cycles = _cycles(attempt, until)
    return AttemptColumn(
        name=filmed.name,
        recorded_at=attempt.video.recorded_at,
        total_s=attempt.clock.total_s,
        finished=attempt.clock.finished,
        rounds_over=all_rounds_over(attempt),
        asked=attempt.workout.reps if attempt.workout else None,
        load_kg=attempt.workout.load_kg if attempt.workout else None,
        rounds_s=[spans.get(number) if number in finished else None for number in every],
        to_common_s=_to_common(attempt, common),
        sets=[" | ".join(sets.get(number, [])) for number in every],
        breaks=int(figures["Breaks"]),
        break_s=figures["Time in breaks"],
        between_s=figures["Between rounds"],
        transition_s=figures["Changes of movement"],
        hold_s=figures["Holds"],
        uncounted=int(figures["Lifts not counted"]),
        counted=len(attempt.counted()),
        median_cycle_s={name: statistics.median(values) for name, values in cycles.items()},
        corrected="person"
        in {*(rep.touched_by for rep in attempt.reps), *(one.touched_by for one in attempt.breaks)},
    )


COUNTS = ("Breaks", "Lifts not counted")  # what has no unit; all other figures are seconds


def _to_common(attempt: Attempt, common: Common | None) -> float | None:
    """Seconds from the start of the round of the common rep to its top, where the round is not
    finished by all."""
    if common is None or common.whole or common.round not in attempt.round_spans():
        return None
    return (_until(attempt, common) - attempt.round_spans()[common.round].start_ms).seconds


def _figures(attempt: Attempt, until: Ms) -> dict[str, float]:
    """What an attempt came to up to a moment."""
    breaks = [stop for stop in attempt.breaks if stop.start_ms < until]
    uncounted = [stroke.peak_ms for stroke in attempt.failed]
    uncounted += [rep.top_ms for rep in attempt.uncounted()]
    changes = [one for one in attempt.transitions if one.end_ms <= until]
    return {
        "Breaks": len(breaks),
        "Time in breaks": _sum(breaks),
        "Between rounds": _sum([gap for gap in attempt.between_rounds if gap.end_ms <= until]),
        "Changes of movement": Ms(sum(one.net_ms for one in changes)).seconds,
        "Holds": _sum([hold for hold in attempt.holds if hold.start_ms < until]),
        "Lifts not counted": sum(at < until for at in uncounted),
    }


def _finished(attempt: Attempt) -> set[int]:
    """The rounds that are over: those before the last begun, and it where it was done."""
    if attempt.workout is None or not attempt.rounds:
        return set()
    last = attempt.rounds[-1]
    over = is_over(last, attempt.workout)
    return {span.round for span in attempt.rounds if span is not last or over}


def _sum(spans: Sequence[Break | BetweenRounds | Hold]) -> float:
    """Seconds of spans."""
    return Ms(sum(one.length_ms for one in spans)).seconds


def _cycles(attempt: Attempt, until: Ms) -> dict[str, list[float]]:
    """Cycle times up to a moment by movement."""
    found: dict[str, list[float]] = {}
    for rep in attempt.counted():
        if rep.cycle_s is not None and rep.top_ms <= until:
            found.setdefault(rep.movement, []).append(rep.cycle_s)
    return found


def _changes(first: Attempt, last: Attempt, both: Sequence[int]) -> list[Change]:
    """What differs from the first attempt to the last in what both did: totals first; where one is
    not finished, the clock at the last rep that both have done."""
    common = _common([first, last])
    until = [_until(one, common) for one in (first, last)]
    pairs: list[tuple[str, float | None, float | None, str]] = []
    loads = [one.workout.load_kg if one.workout else None for one in (first, last)]
    if all(loads) and loads[0] != loads[1]:
        pairs.append(("Load", loads[0], loads[1], "kg"))
    if first.clock.finished and last.clock.finished:
        pairs.append(("Total", first.clock.total_s, last.clock.total_s, "s"))
    elif common is not None:
        clocks = [one.clock.since_start_s(at) for one, at in zip((first, last), until, strict=True)]
        pairs.append((f"Clock at {common_words(common)}", clocks[0], clocks[1], "s"))
    took = [{span.round: span.duration_s for span in one.rounds} for one in (first, last)]
    pairs += [(f"Round {number}", took[0][number], took[1][number], "s") for number in both]
    if common is not None and not common.whole and common.round not in both:
        part = f"Round {common.round}, to {common.movement} {common.number}"
        pairs.append((part, _to_common(first, common), _to_common(last, common), "s"))
    before, after = _figures(first, until[0]), _figures(last, until[1])
    pairs += [(what, before[what], after[what], "" if what in COUNTS else "s") for what in before]
    found = [
        Change(what=what, first=one, last=two, difference=round(two - one, 3), unit=unit)
        for what, one, two, unit in pairs
        if one is not None and two is not None and (one or two)
    ]
    cycles = _cycle_changes(_cycles(first, until[0]), _cycles(last, until[1]))
    return [*found, *cycles.values()]


def _cycle_changes(
    before: Mapping[str, Sequence[float]], after: Mapping[str, Sequence[float]]
) -> dict[str, Change]:
    """The median cycles of the movements that both have."""
    both = [name for name in before if name in after]
    return {name: _cycle_change(name, before[name], after[name]) for name in both}


def whole_column(filmed: Filmed) -> AttemptColumn:
    """One attempt's figures, of all that was done in it."""
    return _column(filmed, None)


def tempo_changes(first: Attempt, last: Attempt) -> dict[str, Change]:
    """How the median cycle changed, by movement, of those that both have; workouts may differ."""
    return _cycle_changes(_cycles(first, _until(first, None)), _cycles(last, _until(last, None)))


def common_words(common: Common) -> str:
    """`round 3, deadlift 7`."""
    return f"round {common.round}, {common.movement} {common.number}"


def _cycle_change(name: str, before: Sequence[float], after: Sequence[float]) -> Change:
    """Median cycles, and whether they differ by more than their scatter explains (two standard
    errors of a median, 1.253 times that of a mean, from the median distance)."""
    variance = 0.0
    for values in (before, after):
        middle = statistics.median(values)
        scatter = 1.4826 * statistics.median(abs(value - middle) for value in values)
        variance += (1.253 * scatter) ** 2 / len(values)
    first, last = statistics.median(before), statistics.median(after)
    return Change(
        what=f"Cycle, {name}",
        first=round(first, 3),
        last=round(last, 3),
        difference=round(last - first, 3),
        within_scatter=abs(last - first) <= 2 * math.sqrt(variance),
    )


def not_comparable(filmed: Sequence[Filmed]) -> list[str]:
    """What differs in the filming or the reading, each with what it makes hard to compare."""
    said = []
    names = [one.name for one in filmed]
    starts = [one.attempt.clock.start_source for one in filmed]
    if len(set(starts)) > 1:
        listed = "; ".join(f"{name}: {start}" for name, start in zip(names, starts, strict=True))
        said.append(f"Totals and start pieces: the clock starts from different signals ({listed}).")
    rates = [one.attempt.video.mean_rate_hz * one.attempt.video.slowed for one in filmed]
    if max(rates) > OTHER_RATE * min(rates) and min(rates) < 2 * FEW_HZ:
        slow = names[rates.index(min(rates))]
        said.append(
            f"Small differences of instants: {slow} has {min(rates):.0f} frames a second, "
            f"others up to {max(rates):.0f}; under {1 / min(rates):.2f} s nothing can be said."
        )
    for code, what in FILMING.items():
        having = [one.name for one in filmed if any(n.code == code for n in one.attempt.warnings)]
        if having and len(having) < len(filmed):
            said.append(f"{what[:1].upper()}{what[1:]}: only {_few(having)} {_is(having)} {code}.")
    loads = [one.attempt.workout.load_kg if one.attempt.workout else None for one in filmed]
    if len(set(loads)) > 1:
        shown = ", ".join("none given" if load is None else f"{load:g} kg" for load in loads)
        said.append(f"Cycle times as a measure of slowing: the loads differ ({shown}).")
    options = [
        {key: one.attempt.provenance.options.get(key) for key in ("plate_mm", "model")}
        for one in filmed
    ]
    if any(one != options[0] for one in options):
        said.append("Heights and instants to the hundredth: they were read with other options.")
    for one in filmed:
        if came_to := whole_column(one).short:
            said.append(f"{_unfinished_words(one.attempt)} of {one.name}: {came_to}.")
    return said


def _unfinished_words(attempt: Attempt) -> str:
    """`Round 3 and the total`, `Rounds 2 to 3 and the total`, `The total`."""
    count = len(attempt.workout.rounds) if attempt.workout else 0
    left = sorted({*range(1, count + 1)} - _finished(attempt))
    if not left:
        return "The total"
    if len(left) == 1:
        return f"Round {left[0]} and the total"
    return f"Rounds {left[0]} to {left[-1]} and the total"


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (" and others" if len(names) > 3 else "")


def _is(names: Sequence[str]) -> str:
    return "is marked" if len(names) == 1 else "are marked"


def _reps(attempts: Sequence[Attempt]) -> list[RepRow]:
    """Every prescribed rep, in order."""
    workout = attempts[0].workout
    if workout is None:
        return []
    found: list[dict[tuple[int, str, int], Rep]] = []
    for attempt in attempts:
        found.append(
            {
                (rep.round, rep.movement, rep.number): rep
                for rep in attempt.counted()
                if rep.round and rep.number
            }
        )
    rows = []
    for place in workout.sequence():
        reps = [one.get(place) for one in found]
        rows.append(
            RepRow(
                round=place.round,
                movement=place.movement,
                number=place.number,
                clock_s=[
                    attempt.clock.since_start_s(rep.top_ms) if rep else None
                    for rep, attempt in zip(reps, attempts, strict=True)
                ],
                cycle_s=[rep.cycle_s if rep else None for rep in reps],
                seen_at_s=[rep.top_s if rep else None for rep in reps],
            )
        )
    return rows
