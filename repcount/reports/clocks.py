"""One clock for people: the workout's, from its start signal, as the clock card has it.

The records count from the video's first frame, and so does whoever corrects with a player in hand;
the video's time stands second where that is needed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from markupsafe import Markup

from repcount.analysis.compare import compare
from repcount.attempt.records import Attempt, BreakMatch, Comparison, MovementReps
from repcount.errors import PlanError
from repcount.plan import Plan
from repcount.plan.clock_card import CardSet, clock_card
from repcount.units import Ms, to_ms
from repcount.wording.numbers import clock


def zero_s(attempt: Attempt) -> float:
    """Where the workout's clock starts, in seconds of the video; its first frame where it has no
    start."""
    return attempt.clock.start_s or 0.0


def on_clock(attempt: Attempt, at_s: float | None) -> str:
    """A moment of the video on the workout's clock, `1:31.5`; a dash for None."""
    return clock(None if at_s is None else (to_ms(at_s) - to_ms(zero_s(attempt))).seconds)


def both_clocks(attempt: Attempt, at_s: float) -> str:
    """`1:31.5 (video 1:37.2)`, or the one time where they are the same."""
    shown, video = on_clock(attempt, at_s), clock(at_s)
    return shown if shown == video else f"{shown} (video {video})"


def offset_words(attempt: Attempt) -> str:
    """How to get from the clock to what a player shows; empty where they are the same."""
    start = zero_s(attempt)
    if not to_ms(start):
        return ""
    return f"a player shows {clock(abs(start))} {'more' if start > 0 else 'less'}"


@dataclass(frozen=True)
class SetTimes:
    """A set on the workout's clock, in seconds: its last rep's top, and the break after it."""

    last_rep_s: float
    bar_down_s: float | None = None
    bar_up_s: float | None = None


@dataclass(frozen=True)
class SetClock:
    """A set as planned and as done; None where there is no such set."""

    round: int
    number: int
    reps: str
    planned: SetTimes | None
    real: SetTimes | None

    @property
    def difference_s(self) -> float | None:
        """How much later the last rep was than planned."""
        if self.planned is None or self.real is None:
            return None
        return (to_ms(self.real.last_rep_s) - to_ms(self.planned.last_rep_s)).seconds


def set_clocks(
    attempt: Attempt, plan: Plan | None, comparison: Comparison | None = None
) -> list[SetClock]:
    """Every set of a workout in order, as planned beside as done.

    Two sets whose breaks answer each other stand side by side, as do the last ones of a round that
    was done to its end; any other set stands alone. `comparison` is that of the attempt with the
    plan, made where it is not at hand. Without a pace there is no planned clock.
    """
    if attempt.workout is None or attempt.clock.start_s is None:
        return []
    card: dict[int, list[CardSet]] = {}
    if plan is not None:
        comparison = comparison or compare(attempt, plan)
        try:
            card = {one.round: one.sets for one in clock_card(plan).rounds}
        except PlanError:  # no round times
            card = {}
    matches = comparison.breaks if card and comparison else []
    found = []
    for number, parts in enumerate(attempt.workout.rounds, 1):
        whole = len(attempt.counted(number)) >= sum(part.reps for part in parts)
        mine = [match for match in matches if match.round == number]
        pairs = _beside(card.get(number, []), _real(attempt, number), mine, whole=whole)
        found += [_set_clock(number, place, *pair) for place, pair in enumerate(pairs, 1)]
    return found


def _beside(
    planned: list[CardSet], real: list[_Done], matches: list[BreakMatch], *, whole: bool
) -> Iterator[tuple[CardSet | None, _Done | None]]:
    """The sets of a round side by side, in order; `whole` if it was done to its end."""
    pairs: list[tuple[int, int]] = []
    ended = [match for match in matches if match.planned]
    for place, match in enumerate(ended):
        before = [
            k for k, one in enumerate(real) if match.real and one.end_ms <= match.real.start_ms
        ]
        if before and place < len(planned) and (not pairs or pairs[-1][1] < before[-1]):
            pairs.append((place, before[-1]))
    if whole and planned and real and (not pairs or pairs[-1][1] < len(real) - 1):
        pairs.append((len(planned) - 1, len(real) - 1))
    at, to = 0, 0
    for i, j in [*pairs, (len(planned), len(real))]:
        yield from ((None, one) for one in real[to:j])
        yield from ((one, None) for one in planned[at:i])
        if i < len(planned):
            yield planned[i], real[j]
        at, to = i + 1, j + 1


def _set_clock(number: int, place: int, planned: CardSet | None, real: _Done | None) -> SetClock:
    """A row: a set as planned, as done, or both."""
    asked = _reps(planned.reps) if planned else ""
    done = real.reps if real else ""
    return SetClock(
        number,
        place,
        asked if not done or asked == done else f"{asked} → {done}".removeprefix(" → "),
        SetTimes(planned.end_s, planned.bar_down_s, planned.bar_up_s) if planned else None,
        real.times if real else None,
    )


@dataclass(frozen=True)
class _Done:
    """A set as done: its reps, its end in the video, and its times on the clock."""

    reps: str
    end_ms: Ms
    times: SetTimes


def _reps(parts: list[MovementReps]) -> str:
    return "+".join(str(part.reps) for part in parts)


def _real(attempt: Attempt, number: int) -> list[_Done]:
    """The sets of a round as done."""
    start = to_ms(zero_s(attempt))

    def since(at: Ms) -> float:
        return (at - start).seconds

    spans = [span for span in attempt.sets if span.round == number]
    stops = attempt.breaks_in(number)
    found = []
    for place, span in enumerate(spans):
        until = spans[place + 1].start_ms if place + 1 < len(spans) else None
        after = [
            stop
            for stop in stops
            if span.end_ms <= stop.start_ms and (until is None or stop.start_ms < until)
        ]
        down = since(after[0].start_ms) if after else None
        up = since(after[-1].end_ms) if after else None
        times = SetTimes(since(span.end_ms), down, up)
        found.append(_Done(_reps(span.reps), span.end_ms, times))
    return found


def set_table(
    attempt: Attempt, plan: Plan | None, comparison: Comparison | None = None
) -> Markup | None:
    """The clock at every set as a table, planned beside real; None where there is no set."""
    from repcount.reports.pages import environment

    rows = set_clocks(attempt, plan, comparison)
    if not rows:
        return None
    page = environment().get_template("set_clock.html")
    return Markup(page.render(rows=rows, paced=any(row.planned for row in rows)))
