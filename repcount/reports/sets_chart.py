"""The sets of every round as boxes, planned above real."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from repcount.attempt.records import After, Attempt, BreakMatch, Comparison, MovementReps
from repcount.plan import position_of
from repcount.reports import words
from repcount.reports.svg import LETTER_PX, NARROW_PX, anchored, percent, rows_apart, tag
from repcount.wording import numbers


@dataclass(frozen=True)
class SetChart:
    """One round's sets, planned above real; what moved, and the bar's speeds, in words."""

    round: int
    planned: str
    real: str
    drawing: Markup
    remarks: list[str]
    speeds: list[str]


def set_charts(attempt: Attempt, comparison: Comparison | None) -> list[SetChart]:
    """The sets of every round: boxes as wide as their reps, cut where the bar went down."""
    if attempt.workout is None:
        return []
    lines = words.set_lines(attempt, comparison)
    every = comparison.breaks if comparison else []
    charts = []
    for number, parts in enumerate(attempt.workout.rounds, start=1):
        planned, real = lines.get(number, ("", ""))
        matches = [match for match in every if match.round == number]
        remarks = [words.break_words(match) for match in matches if match.outcome != "as planned"]
        if number not in attempt.round_spans():
            remarks = ["not reached"]
        charts.append(
            SetChart(
                number,
                planned,
                real,
                _drawing(parts, attempt, number, matches, bool(planned)),
                [words.capital(remark) for remark in remarks],
                [
                    said
                    for one in attempt.sets
                    if one.round == number and (said := words.speed_words(one))
                ],
            )
        )
    return charts


def _drawing(
    parts: Sequence[MovementReps],
    attempt: Attempt,
    number: int,
    matches: Sequence[BreakMatch],
    with_plan: bool,
) -> Markup:
    total = sum(part.reps for part in parts)
    shapes, y = _names(parts, total)
    top = y
    if with_plan:
        meant = [(position_of(m.planned.after, parts), m) for m in matches if m.planned]
        edges = sorted({0, total, *(at for at, _ in meant)})
        for begin, end in pairwise(edges):
            shapes += _box(begin, end, total, y, 22, "planned", _asked_between(parts, begin, end))
        y += 34
        for at, match in meant:
            if match.real:
                met = position_of(match.real.after, parts)
                shapes.append(
                    tag("line", class_="link" if at == met else "link moved", y1=y - 11, y2=y - 1,
                        x1=percent(at / total), x2=percent(met / total))
                )  # fmt: skip
    absent = list(_absent(parts, attempt, number))
    done: dict[str, int] = {}
    for span in attempt.sets:
        if span.round != number or not span.reps:
            continue
        first, last = span.reps[0].movement, span.reps[-1].movement
        begin = position_of(After(movement=first, number=done.get(first, 0) + 1), parts) - 1
        for part in span.reps:
            done[part.movement] = done.get(part.movement, 0) + part.reps
        end = position_of(After(movement=last, number=done[last]), parts)
        text = "+".join(str(part.reps) for part in span.reps)
        pieces = _around(begin, end, absent)
        widest = max(pieces, key=lambda piece: piece[1] - piece[0])
        for piece in pieces:
            said = text if piece is widest else ""
            shapes += _box(*piece, total, y, 26, "real", said, span.start_s)
    for begin, end in absent:
        shapes.append(
            tag("rect", class_="absent", x=percent(begin / total), y=y + 1, height=24, rx=4,
                width=percent((end - begin) / total))
        )  # fmt: skip
    y += 26
    edge = 0
    for part in parts[:-1]:
        edge += part.reps
        here = percent(edge / total)
        shapes.append(tag("line", class_="edge", x1=here, x2=here, y1=top, y2=y))
    cuts = [
        (position_of(pause.after, parts), numbers.short(pause.end_s - pause.start_s) + " s")
        for pause in attempt.breaks
        if pause.round == number
    ]
    below, height = _cuts(cuts, total, y)
    return tag("svg", *shapes, *below, class_="sets", height=y + height, aria_hidden="true")


def _asked_between(parts: Sequence[MovementReps], begin: int, end: int) -> str:
    """The reps by movement from one place of the round to another, joined by +."""
    pieces, edge = [], 0
    for part in parts:
        here = min(end, edge + part.reps) - max(begin, edge)
        if here > 0:
            pieces.append(str(here))
        edge += part.reps
    return "+".join(pieces)


def _around(begin: int, end: int, absent: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The stretches from `begin` to `end` that are left between those absent."""
    pieces, at = [], begin
    for gap_begin, gap_end in absent:
        if begin < gap_end and gap_begin < end:
            pieces.append((at, gap_begin))
            at = gap_end
    pieces.append((at, end))
    return [(a, b) for a, b in pieces if a < b] or [(begin, end)]


def _absent(
    parts: Sequence[MovementReps], attempt: Attempt, number: int
) -> Iterator[tuple[int, int]]:
    """Where in the round reps were asked for and not counted: at the end of their movement."""
    counted = attempt.counted(number)
    left, edge = Counter(rep.movement for rep in counted), 0
    for part in parts:
        here = min(part.reps, left[part.movement])
        left[part.movement] -= here
        if here < part.reps:
            yield edge + here, edge + part.reps
        edge += part.reps


def _names(parts: Sequence[MovementReps], total: int) -> tuple[list[Markup], int]:
    """The movements above the boxes, each where its reps begin, and the height they take."""
    names, done = [], 0
    for part in parts:
        text = f"{part.reps} {words.plain(part.movement)}"
        names.append((done / total, len(text) * LETTER_PX, text))
        done += part.reps
    rows = rows_apart([(left + length / 2 / NARROW_PX, length) for left, length, _ in names])
    shapes = []
    for (left, length, text), row in zip(names, rows, strict=True):
        tight = left * NARROW_PX + length > NARROW_PX
        shapes.append(
            tag("text", text, x="100%" if tight else percent(left), y=14 * row + 11,
                text_anchor="end" if tight else "start")
        )  # fmt: skip
    return shapes, 14 * (max(rows) + 1) + 4


def _cuts(cuts: Sequence[tuple[int, str]], total: int, y: int) -> tuple[list[Markup], int]:
    """Where the bar really went down, and for how long; and the height the labels take."""
    labels = [(at / total, len(text) * LETTER_PX) for at, text in cuts]
    rows = rows_apart(labels)
    shapes = []
    for (at, text), (centre, length), row in zip(cuts, labels, rows, strict=True):
        anchor, x = anchored(centre, length)
        here = percent(at / total)
        shapes.append(tag("line", class_="cut", x1=here, x2=here, y1=y - 26, y2=y + 4))
        shapes.append(
            tag("text", text, class_="cut-length", x=percent(x), y=y + 18 + 14 * row,
                text_anchor=anchor)
        )  # fmt: skip
    return shapes, 8 + (14 * (max(rows) + 1) if rows else 0)


def _box(
    begin: int,
    end: int,
    total: int,
    y: int,
    height: int,
    kind: str,
    text: str,
    go_s: float | None = None,
) -> list[Markup]:
    """A set from one place of the round to another, with its reps where they fit on a phone; a
    click plays the video from `go_s`."""
    shapes = [
        tag("rect", class_=f"set {kind}", x=percent(begin / total), y=y, height=height, rx=4,
            width=percent((end - begin) / total), data_go=go_s)
    ]  # fmt: skip
    if text and len(text) * 8 + 2 <= (end - begin) / total * NARROW_PX:
        middle = percent((begin + end) / 2 / total)
        shapes.append(
            tag("text", text, class_=f"set-text {kind}", x=middle, y=y + height / 2 + 4.5,
                text_anchor="middle")
        )  # fmt: skip
    return shapes
