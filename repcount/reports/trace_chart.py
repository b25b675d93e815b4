"""The bar's height over the whole attempt, with what happened marked on it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from repcount.attempt.anthropometry import BAR_OVERHEAD_ST
from repcount.attempt.records import Attempt, FailedStroke, Rep, Trace
from repcount.reports import words
from repcount.reports.svg import LETTER_PX, label_step, percent, tag
from repcount.wording import numbers

HEIGHT_PX, OVERVIEW_PX = 260, 44
_TOLERANCE_ST = 0.003  # how far the drawn curve may lie from the trace: half a centimetre
_ROUGH_ST = 0.02  # the same in the strip of the whole, a sixth as high
_TALLEST_ST = BAR_OVERHEAD_ST + 0.10
_BELOW_ST = 0.04  # room under the floor line


def simplify(
    times: Sequence[float], heights: Sequence[float | None], tolerance: float = _TOLERANCE_ST
) -> list[list[tuple[float, float]]]:
    """Runs of points whose straight joins stay within `tolerance` of every seen height.

    Swinging door: from the last kept point, the cone of slopes that pass all points so far
    narrows; when it closes, the point before is kept. One pass, so that 20 minutes take no time.
    A stretch not seen (None) ends a run.
    """
    runs: list[list[tuple[float, float]]] = []
    run: list[tuple[float, float]] = []
    low, high = float("-inf"), float("inf")
    last: tuple[float, float] | None = None
    for time, height in zip(times, heights, strict=True):
        if height is None:
            if last and run and run[-1] != last:
                run.append(last)
            if run:
                runs.append(run)
            run, last, low, high = [], None, float("-inf"), float("inf")
            continue
        point = (time, height)
        if not run:
            run = [point]
        else:
            t0, h0 = run[-1]
            slope = (height - h0) / (time - t0)
            if last and last != run[-1] and not low <= slope <= high:
                run.append(last)
                t0, h0 = last
                low, high = float("-inf"), float("inf")
            low = max(low, (height - tolerance - h0) / (time - t0))
            high = min(high, (height + tolerance - h0) / (time - t0))
        last = point
    if last and run and run[-1] != last:
        run.append(last)
    return runs + [run] if run else runs


def height_at(trace: Trace, time_s: float) -> float | None:
    """The bar's height at a moment, None where it was not seen within a tenth of a second."""
    at = bisect_left(trace.time_s, time_s)
    near = [i for i in (at - 1, at) if 0 <= i < len(trace.time_s)]
    seen = [
        (abs(trace.time_s[i] - time_s), height)
        for i in near
        if (height := trace.bar_st[i]) is not None and abs(trace.time_s[i] - time_s) <= 0.1
    ]
    return min(seen)[1] if seen else None


def _y(height_st: float) -> float:
    """Height in body heights to the trace chart's own vertical units, 1000 at the top edge down."""
    fraction = (min(max(height_st, -_BELOW_ST), _TALLEST_ST) + _BELOW_ST) / (
        _TALLEST_ST + _BELOW_ST
    )
    return round(1000 * (1 - fraction), 1)


def _path(runs: Iterable[Sequence[tuple[float, float]]]) -> str:
    return "".join(
        "M" + "L".join(f"{time:.2f} {_y(height):g}" for time, height in run) for run in runs
    )


def curve_path(times: Sequence[float], heights: Sequence[float | None]) -> str:
    """Heights in body heights over times in seconds as a path, in the chart's own vertical
    units."""
    return _path(simplify(times, heights))


@dataclass(frozen=True)
class TraceChart:
    """The chart of the bar's height and what its script needs. `overview` is the whole of it as a
    strip."""

    gutter: Markup
    drawing: Markup
    overview: Markup
    begin_s: float
    end_s: float
    full_s: float
    dots: list[float]  # vertical place of each rep's dot


_Lane = tuple[str, str, list[tuple[float, float]]]  # name, class, stretches of time


def tick_step(span_s: float, wanted: int = 6) -> int:
    """A round step in seconds that gives at most `wanted` ticks."""
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600)
    return next((step for step in steps if span_s / step <= wanted), steps[-1])


def trace_chart(attempt: Attempt, *, apart: bool = False) -> TraceChart | None:
    """The bar's height over the attempt, with rounds, reps, breaks, holds and transitions. With
    `apart` the bar's curve, which no correction changes, is not in it but taken from `curves`,
    which then stands on the same page.

    The whole video is drawn; the stretch shown at first runs from just before the clock's start
    (or the first rep) to just after the last rep.
    """
    trace = attempt.trace
    if not trace.time_s and not attempt.reps:
        return None
    marks = [rep.top_s for rep in attempt.reps]
    marks += [at for at in (attempt.clock.start_s, attempt.clock.end_s) if at is not None]
    full = max([attempt.video.duration_s, *marks, *trace.time_s[-1:]])
    begin = max(0.0, min(marks) - 3) if marks else 0.0
    end = min(full, max(marks) + 3) if marks else full
    lanes: list[_Lane] = [
        ("Breaks", "break", [(b.start_s, b.end_s) for b in attempt.breaks]),
        ("Holds", "hold", [(h.start_s, h.end_s) for h in attempt.holds]),
        ("Transitions", "transition", [(t.start_s, t.end_s) for t in attempt.transitions]),
    ]
    lanes = [lane for lane in lanes if lane[2]]
    heights = [height_at(trace, rep.top_s) for rep in attempt.reps]
    dots = [_y(height if height is not None else 0.0) for height in heights]

    top = 26 if attempt.rounds else 4
    shapes = _round_bands(attempt, begin, end)
    shapes.append(
        _layer(_curve(attempt, dots, full, apart), top, HEIGHT_PX, 1000, begin, end),
    )
    names = [tag("text", "Rounds", x="100%", y=15.0, text_anchor="end")] if attempt.rounds else []
    names.append(_levels(top))
    y = top + HEIGHT_PX + 10
    below, names_below = [], []
    for name, kind, spans in lanes:
        row = [tag("line", class_="grid", x1=0, x2=full, y1=50, y2=50)]
        row += [
            tag("rect", class_=kind, x=a, y=0, width=round(b - a, 3), height=100) for a, b in spans
        ]
        below.append(_layer(row, y, 10, 100, begin, end))
        names_below.append((name, y + 9))
        y += 18
    below.append(_ticks(begin, end, attempt.clock.start_s or 0.0, y + 14))
    names_below.append(("Time", y + 14))
    shapes.append(tag("g", *below, class_="below"))
    texts = (tag("text", name, x="100%", y=at, text_anchor="end") for name, at in names_below)
    names.append(tag("g", *texts, class_="below"))
    return TraceChart(
        tag("svg", *names, class_="gutter", height=y + 20, aria_hidden="true"),
        tag("svg", *shapes, class_="trace", id="trace", height=y + 20, aria_hidden="true"),
        _overview(attempt.trace, full, apart),
        begin,
        end,
        full,
        dots,
    )


def _levels(top: float) -> Markup:
    """What the lines across the plot are, beside them: in parts of its height, so that they stay
    beside them where a page shows it less high."""
    texts = (
        tag("text", name, x="100%", y=percent(_y(level) / 1000), dy=4, text_anchor="end")
        for name, level in (("head height", 1.0), ("half height", 0.5), ("floor", 0.0))
    )
    return tag(
        "svg",
        *texts,
        class_="plotted",
        y=top,
        width="100%",
        height=HEIGHT_PX,
        aria_hidden="true",
    )


_CURVE, _ROUGH = "curve", "rough-curve"


def curves(trace: Trace) -> Markup:
    """The bar's curve, for the chart and for the strip of the whole, to stand once on a page whose
    charts are drawn anew (`trace_chart(..., apart=True)`)."""
    paths = (
        tag("path", id=name, d=d, vector_effect="non-scaling-stroke")
        for name, d in ((_CURVE, curve_path(trace.time_s, trace.bar_st)), (_ROUGH, _rough(trace)))
    )
    return tag("svg", tag("defs", *paths), class_="defs", width=0, height=0, aria_hidden="true")


def _rough(trace: Trace) -> str:
    rough: list[list[tuple[float, float]]] = []
    for run in simplify(trace.time_s, trace.bar_st):
        times, heights = zip(*run, strict=True)
        rough += simplify(times, heights, _ROUGH_ST)
    return _path(rough)


def _overview(trace: Trace, full: float, apart: bool) -> Markup:
    """The whole video as a strip; the script marks on it what the chart shows."""
    if apart:
        bar = tag("use", class_="bar", href=f"#{_ROUGH}")
    else:
        bar = tag("path", class_="bar", d=_rough(trace))
    return tag(
        "svg",
        tag("rect", class_="in-view", id="in-view", x=0, y=0, width=full, height=1000),
        bar,
        class_="trace time",
        viewBox=f"0 0 {full:g} 1000",
        preserveAspectRatio="none",
        height=OVERVIEW_PX,
        aria_hidden="true",
    )


def _layer(
    shapes: Iterable[Markup], y: float, height: int, units: int, begin: float, end: float
) -> Markup:
    """A strip whose own coordinates are seconds across and `units` down."""
    box = f"{begin:g} 0 {end - begin:g} {units}"
    return tag(
        "svg",
        *shapes,
        class_="time plotted" if height == HEIGHT_PX else "time",
        x=0,
        y=y,
        width="100%",
        height=height,
        viewBox=box,
        preserveAspectRatio="none",
    )


def _round_bands(attempt: Attempt, begin: float, end: float) -> list[Markup]:
    """A band a round, with its number; the script keeps both in view when zooming."""
    shapes = []
    widest = len(str(len(attempt.rounds))) * LETTER_PX
    mean = sum(span.duration_s for span in attempt.rounds) / max(1, len(attempt.rounds))
    step = label_step(mean / (end - begin), widest)
    for span in attempt.rounds:
        left, right = ((at - begin) / (end - begin) for at in (span.start_s, span.end_s))
        shapes.append(
            tag("rect", class_="round", data_from=span.start_s, data_to=span.end_s,
                x=percent(left), y=2, width=percent(right - left), height=18, rx=3)
        )  # fmt: skip
        shapes.append(
            tag("text", str(span.round), class_="round-name", x=percent((left + right) / 2), y=15,
                text_anchor="middle", visibility="hidden" if span.round % step else None)
        )  # fmt: skip
    return shapes


def _curve(
    attempt: Attempt,
    dots: Sequence[float],
    full: float,
    apart: bool,
) -> list[Markup]:
    """The plot itself, back to front."""
    trace, run = attempt.trace, attempt.clock
    shapes = [
        tag("rect", class_="shade", x=pause.start_s, y=0, height=1000,
            width=round(pause.end_s - pause.start_s, 3))
        for pause in attempt.breaks
    ]  # fmt: skip
    shapes += [
        tag("line", class_="grid", x1=0, x2=full, y1=_y(level), y2=_y(level))
        for level in (0, 0.5, 1.0)
    ]
    shapes += [
        tag("line", class_="clock-edge", x1=at, x2=at, y1=0, y2=1000)
        for at in (run.start_s, run.end_s)
        if at is not None
    ]
    if apart:
        shapes.append(tag("use", class_="bar", href=f"#{_CURVE}"))
    else:
        shapes.append(tag("path", class_="hip", d=curve_path(trace.time_s, trace.hip_st)))
        shapes.append(tag("path", class_="bar", d=curve_path(trace.time_s, trace.bar_st)))
    # what is to be checked is a hollow square, a no-rep a ring: told by their shapes, in no colour
    # of anything else
    lifts = [(lift, height_at(trace, lift.peak_s)) for lift in attempt.failed]
    marks = [(rep.top_s, dot, _dot(rep)) for rep, dot in zip(attempt.reps, dots, strict=True)]
    marks += [(lift.peak_s, _y(height or 0.0), _lift_dot(lift)) for lift, height in lifts]
    for kind in ("dot", "dot missed", "dot missed hole", "dot unsure", "dot unsure hole"):
        d = "".join(
            f"M{at:g} {dot:g}h0.001"
            for at, dot, shape in marks
            if kind.removesuffix(" hole") == shape
        )
        shapes.append(tag("path", class_=kind, d=d))
    shapes.append(tag("path", class_="cursor", id="cursor", d=""))
    shapes.append(tag("path", class_="playhead", id="playhead", d=""))
    return shapes


def _dot(rep: Rep) -> str:
    """How a rep is marked on the curve."""
    if rep.status == "no_rep":
        return "dot missed"
    return "dot unsure" if words.needs_check(rep) else "dot"


def _lift_dot(lift: FailedStroke) -> str:
    """How a missed lift is marked: as one to check until a person has looked at it."""
    return "dot unsure" if words.needs_check(lift) else "dot missed"


def _ticks(begin: float, end: float, zero: float, y: float) -> Markup:
    """Times along the bottom on the workout's clock, which starts at `zero`; few enough for a
    phone."""
    span = end - begin
    step = tick_step(span, wanted=4)
    first = int(-(-(begin - zero) // step)) * step
    texts = [
        tag("text", numbers.clock(at)[:-2], class_="tick", x=percent((zero + at - begin) / span),
            y=y, text_anchor="middle")
        for at in range(first, int(end - zero) + 1, step)
        if 0.04 <= (zero + at - begin) / span <= 0.96
    ]  # fmt: skip
    return tag("g", *texts, id="ticks", data_y=y)
