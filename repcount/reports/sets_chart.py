"""The sets of every round as boxes, planned above real."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from repcount.records import After, Attempt, BreakMatch, Comparison, MovementReps
from repcount.reports import words
from repcount.reports.svg import LETTER_PX, NARROW_PX, anchored, percent, rows_apart, tag


@dataclass(frozen=True)
class SetPicture:
    """One round's sets, planned above real, and what moved, in words."""

    round: int
    planned: str
    real: str
    drawing: Markup
    remarks: list[str]


def _done_at(after: After | None, parts: Sequence[MovementReps]) -> int | None:
    """How many reps of the round are done at `after`; None where the round has no such rep."""
    done, wanted = 0, after.number if after else 0
    for part in parts:
        if after and part.movement == after.movement:
            if wanted <= part.reps:
                return done + wanted
            wanted -= part.reps  # a movement that comes twice in a round is numbered through
        done += part.reps
    return None


def set_pictures(attempt: Attempt, comparison: Comparison | None) -> list[SetPicture]:
    """The sets of every round: boxes as wide as their reps, cut where the bar went down."""
    if attempt.workout is None:
        return []
    lines = words.set_lines(attempt, comparison)
    every = comparison.breaks if comparison else []
    pictures = []
    for number, parts in enumerate(attempt.workout.rounds, start=1):
        planned, real = lines.get(number, ("", ""))
        matches = [match for match in every if match.round == number]
        remarks = [words.break_words(match) for match in matches if match.outcome != "as planned"]
        span = next((span for span in attempt.rounds if span.round == number), None)
        if span is None:
            remarks = ["not reached"]
        elif span.missing:
            remarks.append(f"not counted: {words.missing_words(span.missing)}")
        pictures.append(
            SetPicture(
                number,
                planned,
                real,
                _drawing(parts, attempt, number, matches, bool(planned)),
                [words.capital(remark) for remark in remarks],
            )
        )
    return pictures


def _drawing(
    parts: Sequence[MovementReps],
    attempt: Attempt,
    number: int,
    matches: Sequence[BreakMatch],
    with_plan: bool,
) -> Markup:
    total = sum(part.reps for part in parts)
    counted = sum(rep.status == "counted" and rep.round == number for rep in attempt.reps)
    real_cuts = {
        at: words.short(pause.end_s - pause.start_s) + " s"
        for pause in attempt.breaks
        if pause.round == number and (at := _done_at(pause.after, parts)) is not None
    }
    shapes, y = _names(parts, total)
    top = y
    if with_plan:
        meant = [(_done_at(m.planned.after, parts), m) for m in matches if m.planned]
        cuts = sorted(at for at, _ in meant if at is not None)
        shapes += _boxes(parts, cuts, total, total, y, 22, "planned")
        y += 34
        for at, match in meant:
            met = _done_at(match.real.after, parts) if match.real else None
            if at is not None and met is not None:
                shapes.append(
                    tag("line", class_="link" if at == met else "link moved", y1=y - 11, y2=y - 1,
                        x1=percent(at / total), x2=percent(met / total))
                )  # fmt: skip
    shapes += _boxes(parts, sorted(real_cuts), min(counted, total), total, y, 26, "real")
    if counted < total:
        shapes.append(
            tag("rect", class_="absent", x=percent(counted / total), y=y + 1, height=24, rx=4,
                width=percent(1 - counted / total))
        )  # fmt: skip
    y += 26
    done = 0
    for part in parts[:-1]:
        done += part.reps
        here = percent(done / total)
        shapes.append(tag("line", class_="edge", x1=here, x2=here, y1=top, y2=y))
    shapes_below, height = _cuts(real_cuts, total, y)
    return tag("svg", *shapes, *shapes_below, class_="sets", height=y + height, aria_hidden="true")


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


def _cuts(cuts: dict[int, str], total: int, y: int) -> tuple[list[Markup], int]:
    """Where the bar really went down, and for how long; and the height the labels take."""
    ordered = sorted(cuts.items())
    labels = [(at / total, len(text) * LETTER_PX) for at, text in ordered]
    rows = rows_apart(labels)
    shapes = []
    for (at, text), (centre, length), row in zip(ordered, labels, rows, strict=True):
        anchor, x = anchored(centre, length)
        here = percent(at / total)
        shapes.append(tag("line", class_="cut", x1=here, x2=here, y1=y - 26, y2=y + 4))
        shapes.append(
            tag("text", text, class_="cut-length", x=percent(x), y=y + 18 + 14 * row,
                text_anchor=anchor)
        )  # fmt: skip
    return shapes, 8 + (14 * (max(rows) + 1) if rows else 0)


def _boxes(
    parts: Sequence[MovementReps],
    cuts: Sequence[int],
    upto: int,
    of: int,
    y: int,
    height: int,
    kind: str,
) -> list[Markup]:
    """Boxes from cut to cut, each with its reps by movement where they fit on a phone."""
    shapes = []
    for begin, end in pairwise(sorted({0, upto, *(cut for cut in cuts if cut < upto)})):
        shapes.append(
            tag("rect", class_=f"set {kind}", x=percent(begin / of), y=y, height=height, rx=4,
                width=percent((end - begin) / of))
        )  # fmt: skip
        pieces, done = [], 0
        for part in parts:
            here = min(end, done + part.reps) - max(begin, done)
            if here > 0:
                pieces.append(str(here))
            done += part.reps
        text = "+".join(pieces)
        if len(text) * 8 + 2 <= (end - begin) / of * NARROW_PX:
            shapes.append(
                tag("text", text, class_=f"set-text {kind}", x=percent((begin + end) / 2 / of),
                    y=y + height / 2 + 4.5, text_anchor="middle")
            )  # fmt: skip
    return shapes
