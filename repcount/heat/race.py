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
from repcount.reports.svg import LETTER_PX, NARROW_PX, anchored, percent, tag
from repcount.reports.trace_chart import tick_step
from repcount.units import to_ms
from repcount.wording.numbers import as_tenths, clock_of, short

HEIGHT = 420  # px of the race's field
# Over so many, names at the ends of the lines would be a wall: only the first three have theirs.
MOST_NAMES = 16
_LONGEST_NAME = 24  # letters
# Lines that lie beside each other differ in colour and in dashes, so that they do in print too.
HUES, DASHES = 5, 4
# Over so many, lines are drawn fainter so that one can be seen among them.
MANY, CROWD = 20, 120


@dataclass(frozen=True)
class Race:
    """The race chart, with what the script needs: `full` tenths of a second and `reps` in all. The
    field begins `top` px down."""

    drawing: Markup
    full: int
    reps: int
    top: int


def race_chart(heat: Heat) -> Race | None:
    """Reps done against the clock, a stepped line for every athlete; None if nobody can be drawn.

    Where the bar was down the line is thick. Place and name stand where a line ends.
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
    told = len(running) <= MANY  # apart by colour and dashes
    lines = [_line(index, one, asked, full, told) for index, one in running]
    names, top = _names([one for _, one in running], full, asked)
    field = tag(
        "svg",
        *grid,
        *lines,
        class_="time",
        viewBox=f"0 0 {full} {asked}",
        preserveAspectRatio="none",
        y=top,
        height=HEIGHT,
        width="100%",
    )
    look = "crowd" if len(running) > CROWD else "many" if len(running) > MANY else ""
    parts = [field, *names, *_clock_axis(full, top)]
    drawing = tag(
        "svg",
        *parts,
        class_=f"race {look}".strip(),
        id="race",
        height=top + HEIGHT + 24,
        aria_hidden="true",
    )
    return Race(drawing, full, asked, top)


def end_of(one: HeatAttempt) -> int:
    """Where a line ends, in tenths of a second: the last rep, or the clock's end if unfinished."""
    last = as_tenths(one.reps[-1].top_s)
    return last if one.finished or one.total_s is None else max(last, as_tenths(one.total_s))


def style_of(index: int) -> str:
    """The classes of colour and dashes of the attempt at a place of the list."""
    return f"hue{index % HUES} dash{index % DASHES}"


def line_key(index: int) -> Markup:
    """A piece of an attempt's line, to stand beside its name."""
    line = tag("path", class_="run", d="M0 6H30")
    return tag("svg", line, class_=f"race-key {style_of(index)}", width=30, height=12,
               aria_hidden="true")  # fmt: skip


def gutter(heat: Heat, race: Race) -> Markup:
    """The reps at the end of each round, beside the race's field."""
    shapes, reps, top = [], race.reps, race.top
    ends = heat.round_ends or [reps]
    for number, edge in enumerate(ends, 1):
        y = top + HEIGHT * (1 - edge / reps)
        shapes.append(tag("text", str(edge), x="100%", y=y + 4, text_anchor="end"))
        if len(ends) > 1 and (edge - ([0, *ends][number - 1])) / reps * HEIGHT > 30:
            below = top + HEIGHT * (1 - (edge + [0, *ends][number - 1]) / 2 / reps)
            shapes.append(
                tag("text", f"R{number}", class_="faint", x="100%", y=below + 4, text_anchor="end")
            )
    shapes.append(tag("text", "0", x="100%", y=top + HEIGHT + 4, text_anchor="end"))
    return tag("svg", *shapes, height=top + HEIGHT + 24, aria_hidden="true")


def _line(index: int, one: HeatAttempt, asked: int, full: int, told: bool) -> Markup:
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
    look = f"one {style_of(index)}" if told else "one"
    return tag("g", *shapes, class_=look, data_i=index, data_division=words.plain(one.division))


_ROW_PX, _TOP_PX = 15, 12  # a row of names; above the highest
_GUTTER_PX = 40  # beside the field, into which a name may reach


def _names(running: Sequence[HeatAttempt], full: int, asked: int) -> tuple[list[Markup], int]:
    """Place and name where the lines end, and where the field begins below those names.

    Whoever finished stands above the field, each left of a thin line that leads down: later ones
    higher, so that no name lies on another's line. Whoever did not stands where the line ends.
    """
    done = [one for one in running if one.finished and one.place_in_division is not None]
    done.sort(key=end_of)
    if len(running) > MOST_NAMES:
        done = [one for one in done if (one.place or one.place_in_division or 4) <= 3]
    rows = _rows([(end_of(one) / full, len(_name(one)) * LETTER_PX) for one in done])
    top = _TOP_PX + _ROW_PX * (max(rows, default=0) + 1)
    shapes = []
    for one, row in zip(done, rows, strict=True):
        at, y = end_of(one) / full, top - 6 - _ROW_PX * row
        inside = at * NARROW_PX + _GUTTER_PX >= len(_name(one)) * LETTER_PX
        about = {"data_division": words.plain(one.division)}
        shapes.append(
            tag(
                "line", class_="end lead", x1=percent(at), x2=percent(at), y1=y - 8, y2=top, **about
            )
        )
        shapes.append(
            tag("text", _name(one), class_="end", x=percent(at) if inside else "0", dx=-4 * inside,
                y=y, text_anchor="end" if inside else "start", **about)
        )  # fmt: skip
    left = [one for one in running if not one.finished]
    if len(running) <= MOST_NAMES:
        shapes += _left_names(left, full, asked, top)
    return shapes, top


def _left_names(left: Sequence[HeatAttempt], full: int, asked: int, top: int) -> list[Markup]:
    """The names of those who did not finish, where their lines end, none on another."""
    shapes, below = [], float(top + _ROW_PX)  # under the names of those who finished
    for one in sorted(left, key=lambda one: (-len(one.reps), one.athlete)):
        y = max(below, top + HEIGHT * (1 - len(one.reps) / asked) - 7)
        below = y + _ROW_PX
        shapes.append(
            tag("text", _name(one), class_="end", x=percent(end_of(one) / full), dx=-4, y=y,
                text_anchor="end", data_division=words.plain(one.division))
        )  # fmt: skip
    return shapes


def _name(one: HeatAttempt) -> str:
    name = words.plain(one.athlete)
    short_name = name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"
    place = one.place or one.place_in_division
    return f"{place} {short_name}" if one.finished and place else short_name


def _rows(labels: Sequence[tuple[float, float]]) -> list[int]:
    """The row of each label (where its line is, as a fraction of the width; length in px): on the
    ground where nothing stands to its left, else one above the label before it. Laid out for a
    phone; on a wider page they only lie further apart."""
    rows: list[int] = []
    before = 0.0
    for at, length in labels:
        free = at * NARROW_PX - length - 8 >= before
        rows.append(0 if free or not rows else rows[-1] + 1)
        before = at * NARROW_PX
    return rows


def _clock_axis(full: int, top: int) -> list[Markup]:
    step = tick_step(full / 10)
    shapes = []
    for seconds in range(0, int(full / 10) + 1, step):
        text = clock_of(seconds * 10).split(".")[0]
        anchor, x = anchored(seconds * 10 / full, len(text) * LETTER_PX)
        shapes.append(tag("text", text, x=percent(x), y=top + HEIGHT + 17, text_anchor=anchor))
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
