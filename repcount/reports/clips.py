"""What cost most, as clips of the video: seconds, the cause in words, and the moments that show it.

Importing this costs little: what weighs the losses is imported where it is asked for.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from repcount.attempt.records import Attempt, Comparison
from repcount.reports.stills import near
from repcount.reports.svg import tag
from repcount.reports.trace_chart import curve_path

if TYPE_CHECKING:
    from repcount.analysis.losses import Loss
    from repcount.plan import Plan

MOST_CLIPS = 3
# A clip plays from so long before what it shows to so long after it.
BEFORE_S, AFTER_S = 3.0, 1.0
MOST_MOMENTS = 4  # of one clip


@dataclass(frozen=True)
class Moment:
    """A stretch of the video that shows a loss, in seconds from its first frame, and its moment."""

    at_s: float
    text: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Clip:
    """One loss. `still_ms`: the moment of the still that shows it, None where there is none; the
    bar's height around the first moment (`curve`) stands for it then."""

    seconds: float
    what: str
    against: str
    moments: list[Moment]
    still_ms: int | None
    curve: Markup


def biggest_losses(
    attempt: Attempt, comparison: Comparison | None, plan: Plan | None = None
) -> list[Loss]:
    """The losses, the biggest first; none where the plan is of another workout than the one seen,
    and for a film without a workout."""
    if attempt.workout is None or any(one.code == "other-workout" for one in attempt.warnings):
        return []
    from repcount.analysis.forecast import Filmed
    from repcount.analysis.losses import losses

    return losses(Filmed(attempt, comparison, attempt.video.file_name, plan))


def balance(
    attempt: Attempt, comparison: Comparison | None, plan: Plan | None = None
) -> list[tuple[str, float]]:
    """Every loss, then what was won, in seconds with a sign, so that they add up to the difference
    to the plan; empty where they do not."""
    from repcount.analysis.forecast import Filmed
    from repcount.analysis.losses import elsewhere

    found = biggest_losses(attempt, comparison, plan)
    rest = elsewhere(Filmed(attempt, comparison, attempt.video.file_name, plan), found)
    if not found or not rest:
        return []
    names = {
        "breaks": "breaks",
        "start": "the start",
        "between rounds": "times between rounds",
        "work": "the work, beside the losses in it",
    }
    lines = [(f"{one.name[:1].upper()}{one.name[1:]}", one.seconds) for one in found]
    return lines + [
        (f"{'Won' if seconds < 0 else 'Smaller losses'} in {names[kind]}", seconds)
        for kind, seconds in rest
    ]


def clips(
    attempt: Attempt,
    comparison: Comparison | None,
    plan: Plan | None = None,
    stills_ms: Iterable[int] = (),
) -> list[Clip]:
    """The losses that cost most; `stills_ms` are the moments of the stills that there are."""
    known = sorted(stills_ms)
    made = []
    for loss in biggest_losses(attempt, comparison, plan)[:MOST_CLIPS]:
        moments = [Moment(one.at_s, one.text, one.start_s, one.end_s) for one in loss.evidence]
        moments = moments or [_begun(attempt)]  # what the start cost is over there
        shown = (near(known, one.at_s) for one in moments)
        made.append(
            Clip(
                loss.seconds,
                loss.what,
                loss.against,
                moments[:MOST_MOMENTS],
                next((at for at in shown if at is not None), None),
                _curve(attempt, moments[0]),
            )
        )
    return made


def _begun(attempt: Attempt) -> Moment:
    """The begin of the first rep that counts, and the time to it from the clock's start."""
    counted = attempt.counted()
    at = counted[0].start_s if counted else 0.0
    begin = attempt.clock.start_s
    return Moment(at, "the first rep begins", at if begin is None else max(0.0, begin), at)


def still_moments(
    attempt: Attempt, comparison: Comparison | None, plan: Plan | None = None
) -> list[float]:
    """Moments in seconds whose stills clips and lists want: the first finish of a counted rep, and
    what shows each loss best."""
    counted = attempt.counted()
    found = [counted[0].top_s] if counted else []
    losses = biggest_losses(attempt, comparison, plan)
    return found + [loss.evidence[0].at_s for loss in losses if loss.evidence]


def _curve(attempt: Attempt, shown: Moment) -> Markup:
    """The bar's height while the clip plays, 4 by 3, with lines where the loss begins and ends."""
    begin, end = shown.start_s - BEFORE_S, shown.end_s + AFTER_S
    times = attempt.trace.time_s
    part = slice(max(0, bisect_left(times, begin) - 1), bisect_right(times, end) + 1)
    return tag(
        "svg",
        *(
            tag("line", class_="clock-edge", x1=at, x2=at, y1=0, y2=1000)
            for at in (shown.start_s, shown.end_s)
        ),
        tag("path", class_="bar", d=curve_path(times[part], attempt.trace.bar_st[part])),
        class_="trace time",
        viewBox=f"{begin:.3f} 0 {end - begin:.3f} 1000",
        preserveAspectRatio="none",
        aria_hidden="true",
    )
