"""Which reps count, with which number, and from when to when the clock runs."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence

from repcount.attempt.corrected import Corrected, is_pick_up
from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import (
    Clock,
    FloorRest,
    Notice,
    Reading,
    Rep,
    StartSource,
    Workout,
)
from repcount.units import Ms, to_ms

# Tops are known to 0.03 s in 95 of 100, a beep to less: so near to the cap either is possible.
NEAR_CAP = Ms(100)
CAP_SLACK_S = 0.5  # a camera stopped at the buzzer has seen the cap


def count(
    reading: Reading,
    corrected: Corrected,
    rests: Sequence[FloorRest],
    warnings: list[Notice],
) -> tuple[list[Rep], Clock]:
    """All reps in order of their tops with round, status and number, and the clock.

    `rests` are the floor rests in order; what the reader should know is added to `warnings`.
    """
    workout = reading.workout
    reps = sorted(corrected.reps, key=lambda rep: (rep.top_s, rep.start_s, rep.id))
    reps = _before_the_old_start(reps, reading, corrected)
    reps = _candidates(reps, workout, warnings)
    reps = _with_pick_ups(reps, workout)
    start, source = _clock_start(reading, corrected, reps, rests)
    limit = _limit(start, corrected, workout)
    reps = _numbered(reps, workout, start, limit)
    if corrected.clock_end_s is None and limit is not None:
        reps = _near_the_cap(reps, limit, source)
    return reps, _clock(start, source, limit, reps, reading, corrected, warnings)


def _before_the_old_start(reps: Sequence[Rep], reading: Reading, corrected: Corrected) -> list[Rep]:
    """Where a person has set the clock to start earlier: reps of round 1 that are now after it.

    The reading called them unplanned only because they lay before the start it used.
    """
    workout, earlier = reading.workout, corrected.clock_start_s
    if workout is None or earlier is None or not reading.start_signals:
        return list(reps)
    used = reading.start_signals[0].at_s
    return [
        rep.model_copy(update={"round": 1, "status": "counted"})
        if rep.status == "unplanned"
        and rep.touched_by == "machine"
        and not is_pick_up(rep)
        and earlier < rep.top_s <= used
        and workout.asked(1, rep.movement)
        else rep
        for rep in reps
    ]


def _candidates(reps: Sequence[Rep], workout: Workout | None, warnings: list[Notice]) -> list[Rep]:
    """Reps with the status `counted` where they could count, in order of their tops.

    A rep of an earlier round after a later one has begun cannot count; of reps that contradict
    each other so, the fewest are left out.
    """
    found = []
    for rep in reps:
        round_, status = rep.round, rep.status
        if is_pick_up(rep):
            found.append(rep)
            continue
        if workout is None:
            round_, status = 1, "no_rep" if status == "no_rep" else "counted"
        elif (
            round_ is None
            or not 1 <= round_ <= len(workout.rounds)
            or not workout.asked(round_, rep.movement)
            or status == "unplanned"
        ):
            round_, status = None, "unplanned"
        elif status == "extra" and not _out_of_order(rep, reps, workout):
            status = "counted"
        found.append(rep.model_copy(update={"round": round_, "status": status, "number": None}))
    counting = [place for place, rep in enumerate(found) if rep.counts]
    rounds = [found[place].round or 0 for place in counting]
    kept = {counting[place] for place in _longest_rising(rounds)}
    for place in counting:
        if place not in kept:
            rep = found[place]
            warnings.append(
                Notice(
                    code="round-order",
                    text=f"{rep.movement.capitalize()} at {rep.top_s:.1f} s is labelled round "
                    f"{rep.round}, but lies among another round's reps; it is not counted until "
                    "it is relabelled.",
                    start_s=rep.start_s,
                    end_s=rep.end_s,
                )
            )
            found[place] = rep.model_copy(update={"round": None, "status": "unplanned"})
    return found


def _out_of_order(rep: Rep, reps: Sequence[Rep], workout: Workout) -> bool:
    """Whether a rep too many lies before counted reps of an earlier movement, or after a later one.

    In its place it may take the number of one that a person marks as a no-rep; here it may not.
    """
    order = workout.movements(rep.round or 1)
    first, last = order.index(rep.movement), len(order) - 1 - order[::-1].index(rep.movement)
    for one in reps:
        if one.status != "counted" or one.round != rep.round or one.movement not in order:
            continue
        at = order.index(one.movement)
        if (at < first and one.top_s > rep.top_s) or (at > last and one.top_s < rep.top_s):
            return True
    return False


def _longest_rising(values: Sequence[int]) -> list[int]:
    """Places of a longest run of values, in order, that never falls (patience sorting)."""
    ends: list[int] = []  # lowest last value of a run of each length
    places: list[int] = []
    before: list[int | None] = []
    for place, value in enumerate(values):
        size = bisect_right(ends, value)
        before.append(places[size - 1] if size else None)
        ends[size:] = [value, *ends[size + 1 :]]
        places[size:] = [place, *places[size + 1 :]]
    at = places[-1] if places else None
    found = []
    while at is not None:
        found.append(at)
        at = before[at]
    return found[::-1]


def _clock_start(
    reading: Reading, corrected: Corrected, reps: Sequence[Rep], rests: Sequence[FloorRest]
) -> tuple[Ms | None, StartSource]:
    """When the clock starts, and how that is known: given, a signal, the first lift-off."""
    if corrected.clock_start_s is not None:
        return to_ms(corrected.clock_start_s), "given"
    if reading.start_signals:
        first = reading.start_signals[0]
        return to_ms(first.at_s), first.source
    starts = [rep.start_ms for rep in reps if rep.counts]
    if not starts:
        return None, "first lift-off"
    lifted = [rest.end_ms for rest in rests if rest.end_ms <= min(starts)]
    return max(lifted, default=min(starts)), "first lift-off"


def _limit(start: Ms | None, corrected: Corrected, workout: Workout | None) -> Ms | None:
    """The latest moment at which a rep can count: the end a person set, or the time cap."""
    if corrected.clock_end_s is not None:
        return to_ms(corrected.clock_end_s)
    if workout is None or workout.time_cap_s is None or start is None:
        return None
    return start + to_ms(workout.time_cap_s)


def _numbered(
    reps: Sequence[Rep], workout: Workout | None, start: Ms | None, limit: Ms | None
) -> list[Rep]:
    """Reps with their final status and number."""
    done: Counter[tuple[int, str]] = Counter()
    found = []
    for rep in reps:
        top = rep.top_ms
        if rep.status == "no_rep" and rep.round is not None:
            before = done[rep.round, rep.movement]
            found.append(rep.model_copy(update={"after_number": before}))
            continue
        if not rep.counts or rep.round is None:
            found.append(rep)
            continue
        if (start is not None and top <= start) or (limit is not None and top > limit):
            found.append(rep.model_copy(update={"round": None, "status": "unplanned"}))
            continue
        key = (rep.round, rep.movement)
        if workout is not None and done[key] >= workout.asked(*key):
            found.append(rep.model_copy(update={"status": "extra"}))
            continue
        done[key] += 1
        found.append(rep.model_copy(update={"number": done[key]}))
    return found


def _near_the_cap(reps: Sequence[Rep], limit: Ms, source: StartSource) -> list[Rep]:
    """Reps of which it is not sure on which side of the time cap, `limit`, they fall: those
    that top next to it; where no signal gave the clock's start, the last before and the first
    after it. They are marked to be checked."""
    sides = [rep.top_ms - limit for rep in reps]
    unsure = {k for k, way in enumerate(sides) if abs(way) <= NEAR_CAP}
    if source == "first lift-off":
        before = [k for k, rep in enumerate(reps) if rep.counts]
        after = [k for k, way in enumerate(sides) if way > 0]
        unsure |= {*before[-1:], *after[:1]} if before and after else set()
    return [
        rep.model_copy(update={"flags": [*dict.fromkeys([*rep.flags, "near_cap", "check"])]})
        if k in unsure and rep.touched_by == "machine"
        else rep
        for k, rep in enumerate(reps)
    ]


def _clock(
    start: Ms | None,
    source: StartSource,
    limit: Ms | None,
    reps: Sequence[Rep],
    reading: Reading,
    corrected: Corrected,
    warnings: list[Notice],
) -> Clock:
    """From the start signal to the last counted top, the end a person set, or the time cap."""
    workout = reading.workout
    counted = [rep for rep in reps if rep.counts]
    finished = None
    if workout is not None:
        finished = len(counted) == workout.reps
    end = counted[-1].top_ms if counted else None
    if corrected.clock_end_s is not None:
        end = limit
    elif finished is False and limit is not None and workout is not None:
        seen = max(to_ms(reading.end_of_sight_s), to_ms(reading.video.duration_s))
        if seen + to_ms(CAP_SLACK_S) >= limit:
            end = limit
        else:
            warnings.append(
                Notice(
                    code="ends-before-cap",
                    text="Not all prescribed reps were counted, and the video ends before the time "
                    "cap; the clock stops at the last counted rep.",
                    start_s=seen.seconds,
                )
            )
    # a lift-off is read from the bar, a rep's start by the body too: some milliseconds lie between
    early = start is not None and bool(counted) and counted[0].start_ms < start
    if start is not None and early and source != "first lift-off":
        warnings.append(
            Notice(
                code="started-early",
                text="The first rep begins before the clock's start; correct the start if it is "
                "wrong.",
                start_s=counted[0].start_s,
                end_s=start.seconds,
            )
        )
    if start is None or end is None or end <= start:
        start_s = None if start is None else start.seconds
        return Clock(
            start_s=start_s, end_s=None, start_source=source, finished=finished, total_s=None
        )
    return Clock(
        start_s=start.seconds,
        end_s=end.seconds,
        start_source=source,
        finished=finished,
        total_s=(end - start).seconds,
    )


def _with_pick_ups(reps: Sequence[Rep], workout: Workout | None) -> list[Rep]:
    """Pick-ups that may count get the round of the rep they lead to; the others fall away.

    A pick-up counts as the next deadlift (or clean) if fewer than prescribed have been counted in
    its round: so it does when a person has marked or removed one before it. Once a later movement
    of the round has begun, the turn of the earlier is over.
    """
    found: list[Rep] = []
    for place, rep in enumerate(reps):
        if not is_pick_up(rep):
            found.append(rep)
            continue
        leads_to = next((one for one in reps[place + 1 :] if one.counts), None)
        if workout is None or leads_to is None or leads_to.round is None:
            continue
        order = workout.movements(leads_to.round)
        movement = next((name for name in order if _as_picked_up(rep, name)), None)
        if movement is None or _taken(rep, reps):
            continue
        here = [one for one in found if one.round == leads_to.round and one.counts]
        over = any(one.movement in order[order.index(movement) + 1 :] for one in here)
        done = sum(one.movement == movement for one in here)
        if rep.status == "no_rep" or (done < workout.asked(leads_to.round, movement) and not over):
            status = "no_rep" if rep.status == "no_rep" else "counted"
            update = {"round": leads_to.round, "movement": movement, "status": status}
            found.append(rep.model_copy(update=update))
    return found


def _taken(rep: Rep, reps: Sequence[Rep]) -> bool:
    """Whether a person has put a rep where a pick-up lies."""
    return any(
        one.start_s < rep.top_s and rep.start_s < one.top_s for one in reps if one.id != rep.id
    )


def _as_picked_up(rep: Rep, name: str) -> bool:
    """Whether a movement has the path and depth of the one a pick-up was read as."""
    one, other = CATALOGUE[rep.movement], CATALOGUE[name]
    return (one.begins, one.ends, one.squat) == (other.begins, other.ends, other.squat)
