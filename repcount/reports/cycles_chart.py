"""Cycle times, rep by rep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from markupsafe import Markup

from repcount.attempt.records import Attempt, Rep, Workout
from repcount.reports import words
from repcount.reports.svg import LETTER_PX, label_step, percent, tag
from repcount.wording import numbers

_HEIGHT_PX = 92


@dataclass(frozen=True)
class CycleChart:
    """Cycle times of one movement over all rounds."""

    movement: str
    gutter: Markup
    drawing: Markup
    medians: list[tuple[int | None, float | None]]  # round and its median


def cycle_charts(
    attempt: Attempt, expected: Mapping[float, float] | None = None
) -> list[CycleChart]:
    """One chart a movement, all on one scale: a bar a rep, from zero, in order of doing.

    `expected` is what a model expects of a cycle, in seconds, by the moment of its top: it is drawn
    as a line through the bars, in place of each round's median.
    """
    counted = [rep for rep in attempt.reps if rep.status in ("counted", "extra")]
    known = [rep.cycle_s for rep in counted if rep.cycle_s is not None]
    if not known:
        return []
    # A rep after a long hold may take many times the usual: it must not flatten the rest.
    ceiling = max(1.0, min(max(known), 2.5 * median(known)))
    by_movement: dict[str, list[Rep]] = {}
    for rep in counted:
        by_movement.setdefault(rep.movement, []).append(rep)
    return [
        _cycle_chart(movement, reps, ceiling, attempt.workout, expected or {})
        for movement, reps in by_movement.items()
        if any(rep.cycle_s is not None for rep in reps)
    ]


def _cycle_chart(
    movement: str,
    reps: Sequence[Rep],
    ceiling: float,
    workout: Workout | None,
    expected: Mapping[float, float],
) -> CycleChart:
    rounds: dict[int | None, list[Rep]] = {}
    for rep in reps:
        rounds.setdefault(rep.round, []).append(rep)
    slots = len(reps) + len(rounds) - 1
    seconds = range(0, int(ceiling) + 1, max(1, int(ceiling) // 4))
    levels = [(second, _level(second, ceiling)) for second in seconds]
    shapes = [tag("line", class_="grid", x1="0", x2="100%", y1=y, y2=y) for _, y in levels]
    names = [(f"{second} s", y + 4) for second, y in levels]
    if workout is not None:
        names.append(("Round", _HEIGHT_PX + 17))
    medians: list[tuple[int | None, float | None]] = []
    step = label_step(1 / len(rounds), len(str(len(rounds))) * LETTER_PX)
    slot = 0
    for number, done in rounds.items():
        begin = slot
        for rep in done:
            shapes += _bar(rep, words.rep_words(rep, workout), slot / slots, 1 / slots, ceiling)
            slot += 1
        cycles = [rep.cycle_s for rep in done if rep.cycle_s is not None]
        middle = median(cycles) if cycles else None
        medians.append((number if workout is not None else None, middle))
        left, right = percent(begin / slots), percent(slot / slots)
        if expected:
            shapes += _line(done, begin, slots, ceiling, expected)
        elif middle is not None:
            y = _level(min(middle, ceiling), ceiling)
            shapes.append(tag("line", class_="median", x1=left, x2=right, y1=y, y2=y))
        if number is not None and workout is not None and number % step == 0:
            shapes.append(
                tag("text", str(number), x=percent((begin + slot) / 2 / slots), y=_HEIGHT_PX + 17,
                    text_anchor="middle")
            )  # fmt: skip
        slot += 1
    height = _HEIGHT_PX + 22
    gutter = [tag("text", name, x="100%", y=y, text_anchor="end") for name, y in names]
    return CycleChart(
        movement,
        tag("svg", *gutter, class_="gutter", height=height, aria_hidden="true"),
        tag("svg", *shapes, class_="cycles", height=height, aria_hidden="true"),
        medians,
    )


def _bar(rep: Rep, name: str, left: float, width: float, ceiling: float) -> list[Markup]:
    """A rep's cycle from zero; a stub where it has none; its length in figures where cut off."""
    cycle = "first of a set" if rep.cycle_s is None else f"{numbers.short(rep.cycle_s)} s"
    title = tag("title", words.plain(f"{name}: {cycle}"))
    y = _HEIGHT_PX - 3.0 if rep.cycle_s is None else _level(min(rep.cycle_s, ceiling), ceiling)
    shapes = [
        tag("rect", title, class_="first" if rep.cycle_s is None else "cycle", y=y,
            data_go=rep.start_s,
            x=percent(left + 0.12 * width), width=percent(0.76 * width), height=_HEIGHT_PX - y)
    ]  # fmt: skip
    if rep.cycle_s is not None and rep.cycle_s > ceiling + 0.05:
        shapes.append(
            tag("text", numbers.short(rep.cycle_s), x=percent(left + 0.5 * width), y=y - 3,
                text_anchor="middle")
        )  # fmt: skip
    return shapes


def _line(
    reps: Sequence[Rep], begin: int, slots: int, ceiling: float, expected: Mapping[float, float]
) -> list[Markup]:
    """The expected cycles of a round, joined from bar to bar; a lone one gets a short line."""
    places = [
        (begin + i + 0.5, _level(min(expected[rep.top_s], ceiling), ceiling))
        for i, rep in enumerate(reps)
        if rep.top_s in expected
    ]
    joins = [(a, b) for a, b in pairwise(places) if b[0] - a[0] == 1]
    joined = {place for join in joins for place in join}
    joins += [((x - 0.4, y), (x + 0.4, y)) for x, y in places if (x, y) not in joined]
    return [
        tag("line", class_="fitted", x1=percent(a[0] / slots), x2=percent(b[0] / slots),
            y1=a[1], y2=b[1])
        for a, b in joins
    ]  # fmt: skip


def _level(seconds: float, ceiling: float) -> float:
    return round(_HEIGHT_PX - (_HEIGHT_PX - 14) * seconds / ceiling, 1)
