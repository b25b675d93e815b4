"""Where an attempt lost time, the biggest loss first, each with its evidence.

Breaks, rests and the start are measured against the plan where there is one; transitions
and cycles against the plan's where it times them, else against the athlete's own first round. What
a loss is measured against is said with it, so losses need not add up. What a plan's work took
longer beside the losses inside it is one of its own: where all is measured against the plan, the
losses are what was lost against it.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import Field

from repcount.analysis.forecast import Filmed
from repcount.attempt.records import Attempt, Break, BreakMatch, Record, Rep, Transition
from repcount.attempt.time_budget import clipped, length, without
from repcount.plan.tempo import pick_up_lifts
from repcount.units import Ms, Seconds, to_ms, total_ms
from repcount.wording import listed, plural
from repcount.wording.numbers import short

LEAST_S = 0.5  # smaller losses are not listed
_MOST_EVIDENCE = 6


class Evidence(Record):
    """A moment in the video that shows a loss."""

    at_s: Seconds = Field(description="from the video's first frame")
    text: str
    start_s: Seconds = Field(description="where the time that it took begins")
    end_s: Seconds = Field(description="and where it ends")


class Loss(Record):
    """Time lost to one cause."""

    kind: str = Field(description="stable name, for example unplanned-breaks")
    name: str = Field(description="what lost it in a few words, as part of a sentence")
    what: str = Field(description="one sentence")
    seconds: Seconds
    against: str = Field(description="what it is measured against")
    evidence: list[Evidence] = Field(default_factory=list)


def losses(filmed: Filmed) -> list[Loss]:
    """Every loss of half a second or more, the biggest first."""
    found = [*_unplanned(filmed), *_longer_breaks(filmed), *_rests(filmed)]
    at_work = [
        *_holds(filmed.attempt),
        *_uncounted(filmed.attempt),
        *_changes(filmed),
        *_cycles(filmed),
    ]
    found += [*at_work, *_other_work(filmed, at_work)]
    found = [loss for loss in found if to_ms(loss.seconds) >= to_ms(LEAST_S)]
    return sorted(found, key=lambda loss: -loss.seconds)


def _unplanned(filmed: Filmed) -> list[Loss]:
    """Unplanned breaks, all together."""
    attempt = filmed.attempt
    stops = [
        match.real
        for match in (filmed.comparison.breaks if filmed.comparison else [])
        if match.outcome == "unplanned" and match.real is not None
    ]
    if not stops:
        return []
    besides = Ms(sum(_pick_up_time(stop, attempt) for stop in stops))
    said = f"{plural(len(stops), 'unplanned break')}"
    if len(stops) == 1 and stops[0].after:
        said += f" after {stops[0].after.movement} {stops[0].after.number}"
    high = sum(_from_high(stop, attempt) for stop in stops)
    if high:
        which = "" if high == len(stops) else f"{high} of them "
        said += f", {which}in work from the shoulders or overhead, where each costs an extra clean"
    said += "."
    if besides >= to_ms(LEAST_S):
        took = short(besides.seconds)
        said += f" Putting the bar down and picking it up took {took} s besides."
    return [
        Loss(
            kind="unplanned-breaks",
            name=plural(len(stops), "unplanned break"),
            what=said,
            seconds=total_ms(stop.length_s for stop in stops).seconds,
            against="going on without a break",
            evidence=[_break_evidence(stop) for stop in stops][:_MOST_EVIDENCE],
        )
    ]


def _from_high(stop: Break, attempt: Attempt) -> bool:
    """Whether the rep after a break takes an extra clean to come to."""
    reps = attempt.counted()
    after = next((rep for rep in reps if rep.start_s >= stop.end_s - 0.05), None)
    return after is not None and pick_up_lifts(after.movement) >= 2


def _pick_up_time(stop: Break, attempt: Attempt) -> int:
    """Milliseconds that a break cost beside its own length: from the top before to the top after,
    less an ordinary cycle, where both are of one movement."""
    reps = attempt.counted()
    before = [rep for rep in reps if rep.top_s <= stop.start_s and rep.round == stop.round]
    after = [rep for rep in reps if rep.top_s >= stop.end_s and rep.round == stop.round]
    if not before or not after or before[-1].movement != after[0].movement:
        return 0
    cycles = [to_ms(rep.cycle_s) for rep in reps
              if rep.movement == after[0].movement and rep.cycle_s is not None]  # fmt: skip
    gap = after[0].top_ms - before[-1].top_ms
    return max(0, gap - round(statistics.median(cycles)) - stop.length_ms) if cycles else 0


def _break_evidence(stop: Break) -> Evidence:
    after = f"after {stop.after.movement} {stop.after.number}" if stop.after else "at its begin"
    return Evidence(
        at_s=stop.start_s,
        text=f"round {stop.round}, {after}: {short(stop.length_s)} s",
        start_s=stop.start_s,
        end_s=stop.end_s,
    )


def _longer_breaks(filmed: Filmed) -> list[Loss]:
    """Planned breaks that took longer, and whether they grew from round to round."""
    if filmed.comparison is None:
        return []
    matches = [
        match
        for match in filmed.comparison.breaks
        if match.outcome in ("as planned", "moved") and match.difference_s is not None
    ]
    over = total_ms(match.difference_s or 0 for match in matches)
    if over <= 0:
        return []
    by_round: dict[int, list[float]] = {}
    for match in matches:
        by_round.setdefault(match.round, []).append(match.real_s or 0.0)
    means = {number: statistics.fmean(lengths) for number, lengths in by_round.items()}
    said = f"Planned breaks took {short(over.seconds)} s longer in all"
    values = list(means.values())
    if len(values) > 1 and values == sorted(values) and values[-1] - values[0] > 0.5:
        said += f", growing from {short(values[0])} s to {short(values[-1])} s by round"
    longest = sorted(matches, key=lambda match: -(match.difference_s or 0))
    return [
        Loss(
            kind="longer-breaks",
            name="planned breaks",
            what=said + ".",
            seconds=over.seconds,
            against="the plan",
            evidence=[_over_evidence(match) for match in longest if (match.difference_s or 0) > 0][
                :_MOST_EVIDENCE
            ],
        )
    ]


def _over_evidence(match: BreakMatch) -> Evidence:
    stop = match.real
    assert stop is not None  # outcomes with a real break only
    one = _break_evidence(stop)
    one.text += f", {short(match.difference_s)} s over"
    return one


def _rests(filmed: Filmed) -> list[Loss]:
    """The start and the times between rounds, against the plan."""
    if filmed.comparison is None:
        return []
    found = []
    names = {"start": "The start", "between rounds": "The time between rounds"}
    lifted = _lifted_between(filmed)
    for kind in filmed.comparison.time:
        besides = lifted if kind.kind == "between rounds" else Ms(0)
        lost = to_ms(kind.difference_s) - besides
        if kind.kind in names and lost > 0:
            said = f"{names[kind.kind]} took {short(lost.seconds)} s longer"
            if besides:
                said += f"; lifts in it that did not count took {short(besides.seconds)} s more"
            evidence = [
                Evidence(
                    at_s=gap.start_s,
                    text=f"after round {gap.after_round}: {short(gap.length_s)} s",
                    start_s=gap.start_s,
                    end_s=gap.end_s,
                )
                for gap in filmed.attempt.between_rounds
                if kind.kind == "between rounds"
            ]
            found.append(
                Loss(
                    kind=kind.kind.replace(" ", "-"),
                    name=names[kind.kind].lower(),
                    what=said + ".",
                    seconds=lost.seconds,
                    against="the plan",
                    evidence=evidence[:_MOST_EVIDENCE],
                )
            )
    return found


def _lifted_between(filmed: Filmed) -> Ms:
    """How much of the times between the rounds compared was lifts that did not count."""
    compared = filmed.comparison.compared_rounds if filmed.comparison else 0
    gaps = [gap for gap in filmed.attempt.between_rounds if gap.after_round < compared]
    return Ms(sum(filmed.attempt.lifted_between(gap) for gap in gaps))


# Which losses lie in which kind of time; all others in the work.
_WITHIN = {
    "unplanned-breaks": "breaks",
    "longer-breaks": "breaks",
    "start": "start",
    "between-rounds": "between rounds",
}


def elsewhere(filmed: Filmed, found: Sequence[Loss]) -> list[tuple[str, float]]:
    """What the losses leave of the difference to the plan, by kind of time, in seconds: won (below
    zero), or lost in parts too small to be listed. With the losses it adds up to the difference.
    Empty where the whole clock is not compared with a plan."""
    comparison = filmed.comparison
    if comparison is None or comparison.difference_s is None:
        return []
    left = {kind: Ms(0) for kind in ("breaks", "start", "between rounds", "work")}
    for time in comparison.time:
        left[time.kind if time.kind in left else "work"] += to_ms(time.difference_s)
    if sum(left.values()) != to_ms(comparison.difference_s):
        return []
    lifted = _lifted_between(filmed)
    left["between rounds"] -= lifted
    left["work"] += lifted
    for loss in found:
        left[_WITHIN.get(loss.kind, "work")] -= to_ms(loss.seconds)
    return [(kind, Ms(ms).seconds) for kind, ms in left.items() if ms]


def _holds(attempt: Attempt) -> list[Loss]:
    lost = Ms(sum(hold.length_ms for hold in attempt.holds))
    if not lost:
        return []
    return [
        Loss(
            kind="holds",
            name=plural(len(attempt.holds), "hold"),
            what=f"{plural(len(attempt.holds), 'hold')} with the bar in the hands and no rep.",
            seconds=lost.seconds,
            against="going on without a hold",
            evidence=[
                Evidence(
                    at_s=hold.start_s,
                    text=f"{hold.where}: {short(hold.length_s)} s",
                    start_s=hold.start_s,
                    end_s=hold.end_s,
                )
                for hold in attempt.holds
            ][:_MOST_EVIDENCE],
        )
    ]


def _uncounted(attempt: Attempt) -> list[Loss]:
    """Lifts inside the clock's run that did not count."""
    spans = [(stroke.span, f"{stroke.movement}, not finished") for stroke in attempt.failed]
    spans += [
        (rep.span, f"{rep.movement}, {rep.status.replace('_', '-')}") for rep in attempt.uncounted()
    ]
    lost = Ms(sum(end - start for (start, end), _ in spans))
    if not lost:
        return []
    return [
        Loss(
            kind="uncounted",
            name=f"{plural(len(spans), 'lift')} that did not count",
            what=f"{plural(len(spans), 'lift')} that did not count.",
            seconds=lost.seconds,
            against="not having to lift again",
            evidence=[
                Evidence(at_s=start.seconds, text=text, start_s=start.seconds, end_s=end.seconds)
                for (start, end), text in sorted(spans)
            ][:_MOST_EVIDENCE],
        )
    ]


@dataclass(frozen=True)
class _Change:
    """A change of movement, less the lifts in it that did not count, and what it is compared with:
    changes of the same movements, also with or without a break and such a lift in them."""

    one: Transition
    took: Ms
    like: tuple[str, str, bool, bool]


def _changes_of(attempt: Attempt) -> list[_Change]:
    """What is around a break, or around a lift that failed, is no slow change of movement: each is
    compared with its like only."""
    stops = [stop.span for stop in attempt.breaks]
    aside = [*stops, *(hold.span for hold in attempt.holds)]  # taken out of a change already
    tries = [lift.span for lift in attempt.failed]
    tries += [rep.span for rep in attempt.uncounted()]
    found = []
    for one in attempt.transitions:
        down = clipped(stops, one.span)
        tried = [span for span in tries if one.start_ms <= span[0] < one.end_ms]
        took = one.net_ms - length(clipped(without(tried, aside), one.span))
        like = (one.from_movement, one.to_movement, bool(down), bool(tried))
        found.append(_Change(one, Ms(took), like))
    return found


def _changes(filmed: Filmed) -> list[Loss]:
    """Changes of movement: against the plan's where it times them, else the quickest of each."""
    planned = filmed.plan.transition_s if filmed.plan else None
    changes = _changes_of(filmed.attempt)
    best: dict[tuple[str, str, bool, bool], Ms] = {}
    for change in changes:
        best[change.like] = min(best.get(change.like, change.took), change.took)
    over = []
    for change in changes:
        base = best[change.like] if planned is None else to_ms(planned)
        over.append((change.took - base, change))
    lost = Ms(sum(ms for ms, _ in over))
    if lost <= 0:
        return []
    worst = sorted(over, key=lambda pair: -pair[0])
    return [
        Loss(
            kind="transitions",
            name="changes of movement",
            what=f"Changes of movement took {short(lost.seconds)} s longer in all.",
            seconds=lost.seconds,
            against="the plan" if planned is not None else "the quickest change of each kind",
            evidence=[
                Evidence(
                    at_s=one.start_s,
                    text=f"round {one.round}, {one.from_movement} to {one.to_movement}: "
                    f"{short(took.seconds)} s",
                    start_s=one.start_s,
                    end_s=one.end_s,
                )
                for ms, one, took in ((ms, change.one, change.took) for ms, change in worst)
                if ms > 0
            ][:_MOST_EVIDENCE],
        )
    ]


def _cycles(filmed: Filmed) -> list[Loss]:
    """Cycles that became slow: from which round on, by movement. Those with a hold or a lift that
    did not count in them are losses of their own."""
    found = []
    movements: dict[str, dict[int, list[Rep]]] = {}
    disturbed = [stroke.peak_s for stroke in filmed.attempt.failed]
    disturbed += [rep.top_s for rep in filmed.attempt.reps if not rep.counts]
    disturbed += [hold.start_s for hold in filmed.attempt.holds]
    for rep in filmed.attempt.counted():
        if rep.cycle_s is None or rep.round is None:
            continue
        if not any(rep.top_s - rep.cycle_s <= at <= rep.top_s for at in disturbed):
            movements.setdefault(rep.movement, {}).setdefault(rep.round, []).append(rep)
    for name, rounds in movements.items():
        planned = filmed.plan.cycle_s.get(name) if filmed.plan else None
        first = min(rounds)
        base = planned or statistics.median(rep.cycle_s or 0 for rep in rounds[first])
        scatter = _scatter(rounds)
        slow = _slow_from(rounds, base, scatter, first if planned is None else 0)
        if slow is None:
            continue
        late = [rep for number, reps in rounds.items() if number >= slow for rep in reps]
        lost = Ms(sum(to_ms(rep.cycle_s or 0) - to_ms(base) for rep in late))
        medians = [
            short(statistics.median(rep.cycle_s or 0 for rep in reps))
            for number, reps in sorted(rounds.items())
            if number >= slow
        ]
        worst = sorted(late, key=lambda rep: -(rep.cycle_s or 0))[:3]
        found.append(
            Loss(
                kind="slow-cycles",
                name=f"slower {name} from round {slow} on",
                what=f"{name[:1].upper()}{name[1:]} slower from round {slow} on: {listed(medians)} "
                f"s a rep where {short(base)} s was "
                f"{'planned' if planned else f'the median of round {first}'}.",
                seconds=lost.seconds,
                against="the plan" if planned else f"the athlete's own round {first}",
                evidence=[
                    Evidence(
                        at_s=rep.top_s,
                        text=f"round {rep.round}, {name} {rep.number}: {short(rep.cycle_s)} s",
                        start_s=(rep.top_ms - to_ms(rep.cycle_s or 0)).seconds,
                        end_s=rep.top_s,
                    )
                    for rep in worst
                ],
            )
        )
    return found


def _other_work(filmed: Filmed, at_work: Sequence[Loss]) -> list[Loss]:
    """What the plan's work took longer, beside the losses that lie in it."""
    comparison = filmed.comparison
    over = [one for one in comparison.time if one.kind == "work"] if comparison else []
    if comparison is None or not over:
        return []
    inside = [one.seconds for one in at_work if one.against != "the plan"]
    lost = to_ms(over[0].difference_s) - total_ms(inside)
    spans = filmed.attempt.round_spans()
    stops: dict[int, Ms] = {}
    for match in comparison.breaks:
        so_far = stops.get(match.round, Ms(0))
        stops[match.round] = so_far + to_ms(match.difference_s or 0)
    slow = [
        (to_ms(one.difference_s) - stops.get(one.round, Ms(0)), one.round)
        for one in comparison.rounds
        if one.difference_s is not None
    ]
    took = short(Ms(max(lost, Ms(0))).seconds)
    name = "the rest of the work" if inside else "the work"
    return [
        Loss(
            kind="work",
            name=name,
            what=f"T{name[1:]}, all but breaks and times between rounds, took {took} s longer.",
            seconds=lost.seconds,
            against="the plan",
            evidence=[
                Evidence(
                    at_s=spans[number].start_s,
                    text=f"round {number}: {short(ms.seconds)} s over, its breaks aside",
                    start_s=spans[number].start_s,
                    end_s=spans[number].end_s,
                )
                for ms, number in sorted(slow, key=lambda one: -one[0])
                if ms > 0
            ][:_MOST_EVIDENCE],
        )
    ]


def _scatter(rounds: dict[int, list[Rep]]) -> float:
    """How far cycles lie from their round's median, as a standard deviation (1.4826 times the
    median distance)."""
    off = []
    for reps in rounds.values():
        middle = statistics.median(rep.cycle_s or 0 for rep in reps)
        off += [abs((rep.cycle_s or 0) - middle) for rep in reps]
    return 1.4826 * statistics.median(off)


def _slow_from(rounds: dict[int, list[Rep]], base: float, scatter: float, after: int) -> int | None:
    """The first round from which on every median is over the base by more than it is uncertain."""
    found = None
    for number in sorted(rounds, reverse=True):
        if number <= after:
            break
        reps: Sequence[Rep] = rounds[number]
        uncertainty = 1.253 * scatter / len(reps) ** 0.5  # of a median, for normal scatter
        if statistics.median(rep.cycle_s or 0 for rep in reps) <= base + max(uncertainty, 0.02):
            break
        found = number
    return found
