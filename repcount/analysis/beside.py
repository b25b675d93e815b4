"""Two attempts at one workout rep for rep, from a moment that both have: the start, or a round."""

from __future__ import annotations

from pydantic import Field

from repcount.analysis.forecast import Filmed, check_workout
from repcount.attempt.records import Attempt, Record, Rep
from repcount.errors import RecordError
from repcount.units import Ms, Seconds, from_ms, to_ms

START = "the start"
_Place = tuple[int, str, int]


class Matched(Record):
    """A prescribed rep that both have done. Pairs: the first attempt's, the second's."""

    round: int
    movement: str
    number: int
    seen_s: tuple[Seconds, Seconds] = Field(description="its top in each video")
    since_s: tuple[Seconds, Seconds] = Field(description="its top since the common moment")
    gap_s: Seconds = Field(description="by how much the second is later")


class Aligned(Record):
    """Two attempts from a moment on that both have."""

    name: str = Field(description="the start, or round N")
    begin_s: tuple[Seconds, Seconds] = Field(description="that moment in each video")
    reps: list[Matched]


def aligned(first: Filmed, second: Filmed) -> list[Aligned]:
    """Two attempts aligned at the start of their clocks, and at every round that both have begun.

    Raises RecordError where they are of different workouts or have no rep in common.
    """
    check_workout([first, second])
    one, two = first.attempt, second.attempt
    begins = [(START, (_zero(one), _zero(two)))]
    spans = [attempt.round_spans() for attempt in (one, two)]
    begins += [
        (f"round {number}", (spans[0][number].start_ms, spans[1][number].start_ms))
        for number in sorted(spans[0].keys() & spans[1].keys())
        if number > 1
    ]
    places = one.workout.sequence() if one.workout else []
    counted = [_counted(one), _counted(two)]
    pairs = [
        ((place.round, place.movement, place.number), counted[0][place], counted[1][place])
        for place in places
        if place in counted[0] and place in counted[1]
    ]
    if not pairs:
        raise RecordError("the two attempts have no counted rep in common; choose two others.")
    return [
        Aligned(
            name=name,
            begin_s=(from_ms(begin[0]), from_ms(begin[1])),
            reps=[
                _matched(place, reps, begin)
                for place, *reps in pairs
                if all(rep.top_ms >= at for rep, at in zip(reps, begin, strict=True))
            ],
        )
        for name, begin in begins
    ]


def _zero(attempt: Attempt) -> Ms:
    return Ms(to_ms(attempt.clock.start_s or 0.0))


def _counted(attempt: Attempt) -> dict[_Place, Rep]:
    return {
        (rep.round, rep.movement, rep.number): rep
        for rep in attempt.counted()
        if rep.round and rep.number
    }


def _matched(place: _Place, reps: list[Rep], begin: tuple[Ms, Ms]) -> Matched:
    first, second = (rep.top_ms - at for rep, at in zip(reps, begin, strict=True))
    return Matched(
        round=place[0],
        movement=place[1],
        number=place[2],
        seen_s=(reps[0].top_s, reps[1].top_s),
        since_s=(from_ms(first), from_ms(second)),
        gap_s=from_ms(second - first),
    )
