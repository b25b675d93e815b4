"""Charts of a heat as inline SVG: the race, where breaks fell, and where the time went.

Drawn as those of the report (`repcount.reports.svg`): lengths along time are percentages, and what
needs coordinates of its own lies in a nested `svg` stretched to its place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from repcount.heat.records import BreakPlace, Heat, HeatAttempt
from repcount.heat.tables import KINDS
from repcount.reports import words
from repcount.reports.svg import LETTER_PX, NARROW_PX, anchored, percent, rows_apart, tag
from repcount.reports.trace_chart import tick_step
from repcount.units import to_ms
from repcount.wording.numbers import as_tenths, clock_of, short

HEIGHT = 420  # px of the race's field
# Over so many, places at the ends of the lines would cover each other.
MOST_ENDS = 24
# Over so many, lines are drawn fainter so that one can be seen among them.
MANY, CROWD = 20, 120


@dataclass(frozen=True)
class Race:
    """The race chart, with what the script needs: `full` tenths of a second and `reps` in all."""

    drawing: Markup
    full: int
    reps: int


def race_chart(heat: Heat) -> Race | None:
    """Reps done against the clock, a stepped line for every athlete; None if nobody can be drawn.

    Where the bar was down the line is thick. Places stand where a line ends.
    """
    running = [(index, one) for index, one in enumerate(heat.attempts) if one.reps and one.total_s]
    if not running:
        return None
    full = max(max(end_of(one), as_tenths(one.reps[-1].top_s)) for _, one in running)
    asked = max(one.asked or one.done for _, one in running)
    edges = heat.round_ends or [asked]
    grid = [
        tag("line", class_="grid", x1="0", x2=full, y1=asked - edge, y2=asked - edge)
        for edge in [0, *edges]
    ]
    lines = [_line(index, one, asked, full) for index, one in running]
    field = tag(
        "svg",
        *grid,
        *lines,
        class_="time",
        viewBox=f"0 0 {full} {asked}",
        preserveAspectRatio="none",
        y=_ENDS_PX,
        height=HEIGHT,
        width="100%",
    )
    look = "crowd" if len(running) > CROWD else "many" if len(running) > MANY else ""
    parts = [field, *_ends([one for _, one in running], full, asked), *_clock_axis(full)]
    drawing = tag(
        "svg",
        *parts,
        class_=f"race {look}".strip(),
        id="race",
        height=_ENDS_PX + HEIGHT + 24,
        aria_hidden="true",
    )
    return Race(drawing, full, asked)


_ENDS_PX = 36  # room above the field for the places of those who finished


def end_of(one: HeatAttempt) -> int:
    """Where a line ends, in tenths of a second: the last rep, or the clock's end if unfinished."""
    last = as_tenths(one.reps[-1].top_s)
    return last if one.finished or one.total_s is None else max(last, as_tenths(one.total_s))


def gutter(heat: Heat, reps: int) -> Markup:
    """The reps at the end of each round, beside the race's field."""
    shapes = []
    ends = heat.round_ends or [reps]
    for number, edge in enumerate(ends, 1):
        y = _ENDS_PX + HEIGHT * (1 - edge / reps)
        shapes.append(tag("text", str(edge), x="100%", y=y + 4, text_anchor="end"))
        if len(ends) > 1 and (edge - ([0, *ends][number - 1])) / reps * HEIGHT > 30:
            below = _ENDS_PX + HEIGHT * (1 - (edge + [0, *ends][number - 1]) / 2 / reps)
            shapes.append(
                tag("text", f"R{number}", class_="faint", x="100%", y=below + 4, text_anchor="end")
            )
    shapes.append(tag("text", "0", x="100%", y=_ENDS_PX + HEIGHT + 4, text_anchor="end"))
    return tag("svg", *shapes, height=_ENDS_PX + HEIGHT + 24, aria_hidden="true")


def _line(index: int, one: HeatAttempt, asked: int, full: int) -> Markup:
    steps = ["M0 ", str(asked)]
    for done, rep in enumerate(one.reps, 1):
        steps.append(f"H{max(0, as_tenths(rep.top_s))}V{asked - done}")
    steps.append(f"H{end_of(one)}")
    halts = []
    tops = [to_ms(rep.top_s) for rep in one.reps]
    for pause in one.breaks:
        done = sum(top <= to_ms(pause.start_s) for top in tops)
        halts.append(
            f"M{as_tenths(pause.start_s)} {asked - done}H{min(full, as_tenths(pause.end_s))}"
        )
    shapes = [tag("path", class_="run", d="".join(steps))]
    if halts:
        shapes.append(tag("path", class_="halt", d="".join(halts)))
    return tag("g", *shapes, class_="one", data_i=index, data_division=words.plain(one.division))


def _ends(running: Sequence[HeatAttempt], full: int, asked: int) -> list[Markup]:
    """The places where the lines end: above the field for those who finished."""
    if len(running) > MOST_ENDS:
        return []
    shapes = []
    done = [one for one in running if one.finished and one.place_in_division is not None]
    done.sort(key=end_of)
    labels = [(end_of(one) / full, 16.0) for one in done]
    rows = rows_apart(labels)
    for one, row in zip(done, rows, strict=True):
        if row > 1:  # would cover others: the table has it
            continue
        place = one.place or one.place_in_division
        anchor, x = anchored(end_of(one) / full, 16.0)
        shapes.append(
            tag("text", str(place), class_="end", x=percent(x), y=_ENDS_PX - 8 - 13 * row,
                text_anchor=anchor,
                data_division=words.plain(one.division))
        )  # fmt: skip
    return shapes


def _clock_axis(full: int) -> list[Markup]:
    step = tick_step(full / 10)
    shapes = []
    for seconds in range(0, int(full / 10) + 1, step):
        text = clock_of(seconds * 10).split(".")[0]
        anchor, x = anchored(seconds * 10 / full, len(text) * LETTER_PX)
        shapes.append(tag("text", text, x=percent(x), y=_ENDS_PX + HEIGHT + 17, text_anchor=anchor))
    return shapes


def places_chart(heat: Heat) -> Markup | None:
    """Where breaks fell: for each prescribed rep the fraction of those who came that far and broke
    after it, with the mean length where there is room."""
    reps = heat.round_ends[-1] if heat.round_ends else 0
    if not heat.break_places or not reps:
        return None
    high, top = 110, 34
    shapes: list[Markup] = []
    begin = 0
    for number, edge in enumerate(heat.round_ends, 1):
        middle = (begin + edge) / 2 / reps
        shapes.append(
            tag("rect", class_="round", x=percent(begin / reps), y=top + high + 4, height=20, rx=3,
                width=percent((edge - begin) / reps))
        )  # fmt: skip
        if (edge - begin) / reps * NARROW_PX > 12:
            shapes.append(
                tag("text", str(number), x=percent(middle), y=top + high + 18, text_anchor="middle")
            )
        begin = edge
    for level in (0.5, 1.0):
        y = top + high * (1 - level)
        shapes.append(tag("line", class_="grid", x1="0", x2="100%", y1=y, y2=y))
    labels = []
    for place in heat.break_places:
        fraction = place.athletes / max(1, place.reached)
        tall = high * fraction
        shapes.append(
            tag("rect", tag("title", _place_words(place)), class_="place",
                x=percent((place.position - 0.9) / reps), width=percent(0.8 / reps),
                y=top + high - tall, height=tall)
        )  # fmt: skip
        labels.append((fraction, place.position, tall, f"{fraction:.0%}"))
    taken: list[tuple[float, float]] = []
    for _, position, tall, text in sorted(labels, reverse=True):
        centre, half = (position - 0.5) / reps, (len(text) * LETTER_PX + 6) / 2 / NARROW_PX
        if any(abs(centre - other) < half + wide for other, wide in taken):
            continue
        taken.append((centre, half))
        anchor, x = anchored(centre, len(text) * LETTER_PX)
        shapes.append(tag("text", text, x=percent(x), y=top + high - tall - 4, text_anchor=anchor))
    return tag("svg", *shapes, class_="places", height=top + high + 26, aria_hidden="true")


def _place_words(place: BreakPlace) -> str:
    return (
        f"round {place.round}, after {place.movement} {place.number}: {place.athletes} of "
        f"{place.reached}, {short(place.mean_s)} s on average"
    )


def spent_bar(one: HeatAttempt, full_s: float) -> Markup:
    """Where an attempt's time went, kind beside kind, on a scale of 0 to `full_s`."""
    spent: dict[str, float] = {part.kind: part.seconds for part in one.time_spent}
    shapes, at = [], 0.0
    for kind, _ in SPENT_ORDER:
        seconds = sum(spent.get(name, 0.0) for name in GROUPS[kind])
        if seconds > 0:
            shapes.append(
                tag("rect", class_=f"spent {kind}", x=percent(at / full_s), y=3, height=14,
                    width=percent(seconds / full_s))
            )  # fmt: skip
        at += seconds
    return tag("svg", *shapes, class_="pair", height=20, aria_hidden="true")


# The kinds of an attempt's time as they are drawn: few enough to distinguish.
GROUPS = {
    "work": ("rep", "touch", "reset", "handling"),
    "turn": ("transition",),
    "hold": ("hold",),
    "break": ("break",),
    "gap": ("between rounds",),
    "begin": ("start",),
}
SPENT_ORDER = (
    ("work", "reps, pick-ups and put-downs"),
    ("turn", "transitions"),
    ("hold", "holds"),
    ("break", "breaks"),
    ("gap", "between rounds"),
    ("begin", "before the first rep"),
)
assert {name for names in GROUPS.values() for name in names} == {kind for kind, _ in KINDS}
