"""An athlete's season: small charts of tempo, load and breaks over the days, and their table.

The table holds every number, so the charts are drawings beside it: each from its lowest value to
its highest, with the first and the last in figures. Where a day is not known all are drawn at even
distances.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from repcount.analysis.season import Season, SeasonAttempt, TempoChange
from repcount.reports.after import change_words
from repcount.reports.svg import percent, tag
from repcount.wording.moments import recorded_words
from repcount.wording.numbers import hundredths, load, short

TOP, BOTTOM, CHART = 20.0, 50.0, 70  # of the values and of the whole chart, in pixels
SIDE = 0.05  # of the width, beside the first and the last


@dataclass(frozen=True)
class Trend:
    """One quantity over the season: its name, the values at both ends in words, and the chart."""

    name: str
    words: str
    chart: Markup


@dataclass(frozen=True)
class SeasonPart:
    """What a page shows of a season."""

    season: Season
    trends: list[Trend]
    loads: list[str]
    changes: list[str]


def season_parts(season: Season) -> SeasonPart:
    """A season as a page shows it."""
    places = _places(season.attempts)
    wanted: list[tuple[str, list[float | None], Callable[[float], str]]] = [
        (f"{name}, s a rep", [one.median_cycle_s.get(name) for one in season.attempts], hundredths)
        for name in season.movements
    ]
    wanted.append(("load, kg", [one.load_kg for one in season.attempts], lambda v: f"{v:g}"))
    wanted.append(("in breaks, s", [one.break_s for one in season.attempts], short))
    trends = []
    for name, values, form in wanted:
        known = [(at, v) for at, v in zip(places, values, strict=True) if v is not None]
        if len(known) > 1:
            ends = (form(known[0][1]), form(known[-1][1]))
            trends.append(Trend(name, f"{ends[0]} to {ends[1]}", _chart(known, ends)))
    return SeasonPart(
        season,
        trends,
        [f"{one.load_kg:g} kg" if one.load_kg else "–" for one in season.attempts],
        [_tempo_words(one) for one in season.tempo],
    )


def _tempo_words(one: TempoChange) -> str:
    """`deadlift at 60 kg (132.3 lb): 1.80 s to 1.71 s, −0.09, within scatter (1 Nov to 28 Nov)`."""
    at = f" at {load(one.load_kg)}" if one.load_kg else ""
    days = [recorded_words((day or "")[:10]) for day in (one.first_at, one.last_at)]
    when = f" ({days[0]} to {days[1]})" if all(days) else ""
    return (
        f"{one.movement}{at}: {hundredths(one.first)} s to {hundredths(one.last)} s a rep, "
        f"{change_words(one)}{when}"
    )


def _places(attempts: Sequence[SeasonAttempt]) -> list[float]:
    """Where each attempt stands between the first day and the last, as a fraction of the width."""
    days = [_day(one.recorded_at) for one in attempts]
    known = [day for day in days if day is not None]
    if len(known) == len(days) and len({*known}) > 1:
        whole = max(known) - min(known)
        steps = [(day - min(known)) / whole for day in known]
    else:
        steps = [place / max(1, len(attempts) - 1) for place in range(len(attempts))]
    return [SIDE + (1 - 2 * SIDE) * step for step in steps]


def _day(recorded: str | None) -> int | None:
    try:
        return date.fromisoformat((recorded or "")[:10]).toordinal()
    except ValueError:
        return None


def _chart(points: Sequence[tuple[float, float]], ends: tuple[str, str]) -> Markup:
    """Dots at their days, joined, with the first value and the last."""
    low = min(value for _, value in points)
    span = max(value for _, value in points) - low
    heights = [BOTTOM - (value - low) / span * (BOTTOM - TOP) if span else (TOP + BOTTOM) / 2
               for _, value in points]  # fmt: skip
    shapes = [
        tag("line", x1=percent(one[0]), y1=top, x2=percent(two[0]), y2=below)
        for (one, top), (two, below) in zip(
            zip(points, heights, strict=True),
            zip(points[1:], heights[1:], strict=True),
            strict=False,
        )
    ]
    shapes += [
        tag("circle", cx=percent(at), cy=height, r=3.5)
        for (at, _), height in zip(points, heights, strict=True)
    ]
    for place, beside, said, anchor in ((0, 1, ends[0], "start"), (-1, -2, ends[1], "end")):
        # on the side where the line does not run
        y = heights[place] + (16 if heights[beside] < heights[place] else -8)
        shapes.append(tag("text", said, x=percent(points[place][0]), y=y, text_anchor=anchor))
    return tag("svg", *shapes, class_="trend", height=CHART, aria_hidden="true")
