"""The report on a terminal: 80 columns, 24 lines, readable without colour.

Where there is more to say than fits, fewer moments, notices and breaks are listed, and their number
is said; then of the sets the real ones alone; the middle rounds of many are said in one line that
still adds up. report.html has all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len, chop_cells, set_cell_size
from rich.console import Console
from rich.text import Text

from repcount.attempt.records import Attempt, Comparison
from repcount.reports import words
from repcount.reports.clocks import both_clocks, on_clock, zero_s
from repcount.reports.rows import Row, round_rows, spent_rows, time_rows
from repcount.units import total_ms
from repcount.wording import numbers, plural
from repcount.wording.numbers import short, signed

WIDTH = 80
_LABEL = 9  # cells of the left column in the lower part
_SETS = 42  # where the sets begin in the table of rounds, 27 without a plan
LINES = 22  # of 24, less the blank line and the one that says where the results are


@dataclass(frozen=True)
class _Room:
    """How many rounds, breaks off the plan, moments to check and warnings are listed, and whether
    the planned sets are."""

    rounds: int
    breaks: int
    moments: int
    notices: int
    planned: bool = True


ROOMS = (
    _Room(99, 99, 3, 3),
    _Room(99, 99, 2, 2),
    _Room(8, 4, 2, 2),
    _Room(6, 3, 1, 1),
    _Room(4, 2, 1, 1),
    _Room(4, 2, 1, 1, planned=False),
    _Room(4, 1, 1, 1, planned=False),
    _Room(2, 1, 1, 1, planned=False),
)


def print_report(console: Console, attempt: Attempt, comparison: Comparison | None = None) -> None:
    """Print the report. Names are printed as they are, never read as markup."""
    for line in report_lines(attempt, comparison):
        console.print(line, soft_wrap=True, highlight=False)


def report_lines(attempt: Attempt, comparison: Comparison | None = None) -> list[Text]:
    """The report's lines, each at most 80 cells wide: as much as fits a screen, or the least that
    tells the story (names long enough to fill lines can make it longer)."""
    for room in ROOMS:
        lines = lines_in(attempt, comparison, room)
        if len(lines) <= LINES:
            break
    return lines


def lines_in(attempt: Attempt, comparison: Comparison | None, room: _Room) -> list[Text]:
    blocks = [
        [
            *_wrapped(words.heading(attempt), style="dim"),
            *_wrapped(words.summary(attempt, comparison).text, style="bold"),
        ],
        list(_rounds(attempt, comparison, room)),
        [
            *_breaks(attempt, comparison, room.breaks),
            *_time(attempt, comparison),
            *_checks(attempt, room.moments),
            *_notices(attempt, comparison, room.notices),
        ],
    ]
    lines: list[Text] = []
    for block in blocks:
        if block and lines:
            lines.append(Text())
        lines += block
    return lines


def _sized(text: str) -> str:
    """Text whose width every terminal agrees on: they differ on emoji joined into one."""
    return words.plain(text).replace("\u200d", "")


def wrap(text: str, width: int) -> list[str]:
    """Wrap by cells, not characters: wide scripts and emoji take two. Nothing is cut off."""
    lines = [""]
    for word in _sized(text).split():
        for piece in chop_cells(word, width) if cell_len(word) > width else [word]:
            if lines[-1] and cell_len(lines[-1]) + 1 + cell_len(piece) > width:
                lines.append(piece)
            else:
                lines[-1] += (" " if lines[-1] else "") + piece
    return lines


def fit(text: str, cells: int) -> str:
    """The text in exactly so many cells, ending in an ellipsis where it does not fit."""
    text = _sized(text)
    if cell_len(text) > cells:
        text = set_cell_size(text, cells - 1).rstrip() + "…"
    return set_cell_size(text, cells)


def _wrapped(text: str, style: str = "") -> Iterator[Text]:
    for line in wrap(text, WIDTH):
        yield Text(line, style=style)


def _labelled(label: str, items: list[str]) -> Iterator[Text]:
    """Items one a line (wrapped) beside a label that stands on the first line only."""
    for item in items:
        for i, line in enumerate(wrap(item, WIDTH - _LABEL)):
            head = label.ljust(_LABEL) if item is items[0] and i == 0 else " " * _LABEL
            yield Text.assemble((head, "bold"), line)


def _folded(rows: Sequence[Row], most: int) -> list[Row]:
    """At most so many rounds, the first and the last; those between are added up in one row."""
    rounds = [row for row in rows if row.round is not None]
    if len(rounds) <= most:
        return list(rows)
    middle = rounds[most // 2 : len(rounds) - (most - most // 2 - 1)]

    def total(values: list[float | None]) -> float | None:
        known = [value for value in values if value is not None]
        return total_ms(known).seconds if known else None

    one = Row(
        f"Rounds {middle[0].round} to {middle[-1].round}",
        total([row.planned for row in middle]),
        total([row.real for row in middle]),
        total([row.difference for row in middle]),
    )
    begin = rows.index(middle[0])
    return [*rows[:begin], one, *rows[begin + len(middle) :]]


def _shortened(items: list[str], most: int, one: str, more: str) -> list[str]:
    """At most so many items; where some are left out, the last says how many of what (`one` or
    `more` of them), and where they are listed."""
    if len(items) <= most:
        return items
    left = len(items) if most == 1 else len(items) - most + 1
    left_out = f"{plural(left, one, more)}: see report.html"
    return [left_out] if most == 1 else [*items[: most - 1], f"and {left_out}"]


def _rounds(attempt: Attempt, comparison: Comparison | None, room: _Room) -> Iterator[Text]:
    """Rounds and what else adds up to the clock; beside each the sets, planned above real."""
    rows = _folded(round_rows(attempt, comparison), room.rounds)
    if not rows:
        return
    with_plan = comparison is not None
    sets = words.set_lines(attempt, comparison)
    begin = _SETS if with_plan else 27
    head = f"{'plan':>7}{'real':>8}{'diff':>8}" if with_plan else f"{'real':>7}"
    yield Text((f"{'seconds':<16}" + head).ljust(begin) + "sets", style="dim")
    for row in rows:
        line = fit(row.label, 16)
        if with_plan:
            line += f"{short(row.planned):>7}"
            line += f"{short(row.real):>8}{signed(row.difference):>8}"
        else:
            line += f"{short(row.real):>7}"
        planned, real = sets.get(row.round or 0, ("", ""))
        if planned and planned != real and real and not room.planned:
            beside = [("real ", real)]
        elif planned and planned != real:
            beside = [("plan ", planned), ("real ", real or "not reached")]
        else:
            beside = [("both " if planned else "", real)]
        pieces = [
            (head if i == 0 else "     " * bool(head), part)
            for head, pattern in beside
            for i, part in enumerate(wrap(pattern, WIDTH - _SETS - 5))
        ]
        style = "bold" if row.label == "Total" else ""
        for i, (head, part) in enumerate(pieces):
            left = line if i == 0 else ""
            yield Text.assemble((left.ljust(begin) if part else left, style), (head, "dim"), part)


def _breaks(attempt: Attempt, comparison: Comparison | None, most: int) -> Iterator[Text]:
    real = [pause.length_ms for pause in attempt.breaks]
    spent = f"{len(real)}, {numbers.short(sum(real) / 1000)} s" if real else "none"
    if comparison is None or not comparison.planned_sets:
        items = [f"{spent} in all" if real else spent]
    else:
        planned = [match.planned_s or 0.0 for match in comparison.breaks if match.planned]
        meant = f"{len(planned)}, {numbers.short(sum(planned))} s" if planned else "none"
        items = [f"{spent} in all; planned {meant}"]
        off = [
            f"Round {match.round}: {words.break_words(match)}"
            for match in comparison.breaks
            if match.outcome != "as planned"
        ]
        items += _shortened(off, most, "break off the plan", "breaks off the plan")
    if attempt.reps:
        yield from _labelled("Breaks", items)


def _time(attempt: Attempt, comparison: Comparison | None) -> Iterator[Text]:
    """Where the time went: what the plan gives times for, then what the rest is made of."""
    items = []
    if compared := time_rows(attempt, comparison):
        parts = [
            f"{row.label.lower()} {short(row.real)} ({signed(row.difference)})"
            for row in compared[:-1]
        ]
        items.append(words.capital(", ".join(parts)))
    rows = spent_rows(attempt, comparison)
    parts = [f"{row.label.lower()} {short(row.real)}" for row in rows[:-1]]
    if parts:
        joined = ", ".join(parts)
        items.append(f"Work: {joined}" if rows[-1].label == "Work" else words.capital(joined))
    yield from _labelled("Time, s", items)


def _checks(attempt: Attempt, most: int) -> Iterator[Text]:
    found = words.review_marks(attempt)
    items = [f"{both_clocks(attempt, mark.at_s)}  {mark.what}: {mark.why}" for mark in found]
    if most == 1 < len(found):  # the moments alone, on one line
        shown = ", ".join(on_clock(attempt, mark.at_s) for mark in found[:5])
        rest = f" and {len(found) - 5} more" if len(found) > 5 else ""
        items = [f"{shown}{rest}: see report.html"]
    yield from _labelled("Check", _shortened(items, most, "more moment", "more moments"))


def _notices(attempt: Attempt, comparison: Comparison | None, most: int) -> Iterator[Text]:
    found = [
        one
        for one in words.notices(attempt, comparison)
        if one.code != "short" or not words.is_short(attempt)  # the summary says it
    ]
    items = [words.notice_words(notice, zero_s(attempt)) for notice in found]
    yield from _labelled("Warnings", _shortened(items, most, "warning", "warnings"))
