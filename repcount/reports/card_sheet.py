"""A clock card on one sheet: its lines, and how small they are printed so that all of them fit.

A page cannot measure itself without a script, so heights are estimated here: from the sizes of
`sheet.css` and an average width of letters, a little over what Chromium takes. A test prints drawn
plans on A4 and Letter and counts the pages.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from repcount.plan.clock_card import CardRound, CardSet, ClockCard
from repcount.wording.numbers import clock, short

RUN = 4  # so many sets alike in a row are one line
LONGEST_WORDS = 160  # of a pattern on a card; beyond, its beginning is shown
# Millimetres. The shorter side of both formats, with margins of 10 mm: A4 is narrower (190 by 277),
# Letter shorter (195.9 by 259.4). A little is kept in hand.
WIDTH, HEIGHT = 188.0, 252.0
GAP = 8.0  # between columns
# Of a letter of the table, of the small and of the bold print, on the average; of lines.
LETTER, SMALL_LETTER, BOLD_LETTER = 1.95, 1.48, 2.1
LINE, SMALL_LINE = 5.2, 4.0
ROW, ROUND_ROW = 1.7, 2.6  # padding and rules of a line, and what a round's is higher by
NUMBERS = 4 * 19.0  # columns of times
LEAST_WORDS = 62.0  # beside large times: the words of a set, and the length of its break
HEAD = 34.0  # name, total, the line below them, the head of the table
HEADING, BOX = 10.0, 8.0  # of each list below the table, and of the cautions
# Printed sizes, of the whole; under the last of them a card has fewer lines instead.
SIZES = (100, 92, 85, 78, 72, 66, 60)
# Sizes of the times, in percent of the table's print (10.5 pt), where the sheet has room: whoever
# calls them stands some metres off. An eye of acuity 1.0 tells signs of 5 minutes of arc (ISO 8596,
# from memory), which at 3 m are 4.4 mm: numerals of 18 pt. The largest are nearly twice that.
TIMES = (300, 260, 220, 190, 170, 140, 120, 100)
TIME_LETTER, TIME_LINE, TIME_PADDING = 2.05, 4.3, 3.8
LARGE = (
    1.4  # what the words of a set and the length of its break are larger by, where there is room
)


@dataclass(frozen=True)
class Line:
    """A line of the card: a round (with its number), or a set or some that are alike."""

    words: str
    end: str
    down: str = ""
    rest: str = ""
    up: str = ""
    round: int = 0
    span: str = ""
    pattern: str = ""

    def height(self, width: float, times: int = 100, large: float = 1.0) -> float:
        """Millimetres at full size, in a column so wide, with times of such a size and words that
        are so much larger."""
        line, numbers = 0.0, NUMBERS
        if times > 100:
            line = TIME_LINE * times / 100
            longest = max(map(len, (self.end, self.down, self.up)))
            numbers = 3 * (TIME_LETTER * longest * times / 100 + TIME_PADDING) + NUMBERS / 4
            line = max(line, LINE * _wrapped(BOLD_LETTER * len(self.span), numbers / 1.6))
        if not self.round:
            words = large * LINE * _wrapped(large * LETTER * len(self.words), width - numbers)
            return max(words, line) + ROW
        if times == 100:
            numbers = max(numbers, BOLD_LETTER * (len(self.span) + 1.6 * len(self.end) + 3))
        words = large * (BOLD_LETTER * len(self.words) + SMALL_LETTER * len(self.pattern))
        return max(large * LINE * _wrapped(words, width - numbers), line) + ROW + ROUND_ROW


@dataclass(frozen=True)
class Foot:
    """What stands below the table."""

    load: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    def height(self, width: float) -> float:
        """Millimetres at full size on so wide a sheet."""
        lists = [one for one in (self.load, self.notes) if one]
        half = width / max(1, len(lists)) - GAP
        found = max((HEADING + _height(one, half) for one in lists), default=0.0)
        return found + BOX + _height(self.cautions, width - 8)


@dataclass(frozen=True)
class Sheet:
    """A card laid out: its lines in columns, the sizes of all and of the times in percent, what was
    left out, and whether the words are large too."""

    columns: list[list[Line]]
    size: int
    left_out: str = ""
    times: int = 100
    large: bool = False


def card_sheet(card: ClockCard, foot: Foot) -> Sheet:
    """The card with as many lines as one sheet holds, in the largest print that it holds them in.

    In this order: every set, in one column or two; every round, in up to four; only some rounds.
    """
    every = [line for one in card.rounds for line in lines_of(one)]
    rounds = [_round_line(one) for one in card.rounds]
    bare = [_round_line(one, pattern=False) for one in card.rounds]
    left_out = "Sets are left out, so that the card holds on one sheet: the plan file has them all."
    for times in TIMES[:-1]:
        for large in (LARGE, 1.0):
            if found := _fitted(every, 1, 100, foot, "", times, large):
                return found
    ways = [(every, columns, "") for columns in (1, 2)]
    ways += [(rounds, columns, left_out) for columns in (1, 2)]
    ways += [(bare, columns, left_out) for columns in (2, 3, 4)]
    for lines, columns, said in ways:
        for size in SIZES:
            if found := _fitted(lines, columns, size, foot, said):
                return found
    for step in range(2, len(bare)):
        some = [one for one in bare if one.round % step == 0 or one.round == len(bare)]
        said = f"Every {step}th round is shown. {left_out}"
        if found := _fitted(some, 4, SIZES[-1], foot, said):
            return found
    return Sheet([bare[-1:]], SIZES[-1], left_out)


def _fitted(
    lines: Sequence[Line],
    columns: int,
    size: int,
    foot: Foot,
    said: str,
    times: int = 100,
    large: float = 1.0,
) -> Sheet | None:
    """The sheet of such a form, if the lines fit on it, each with room for its words."""
    longest = max(len(one.end) for one in lines)
    if times > 100 and 3 * TIME_LETTER * longest * times / 100 > WIDTH - LEAST_WORDS:
        return None
    scale = size / 100
    # in the line below the head: two of marks
    sentences = bool(said) + 2 * any("|" in one.pattern for one in lines)
    room = HEIGHT / scale - HEAD - foot.height(WIDTH / scale) - LINE * sentences
    cut = _columns(lines, columns, WIDTH / scale, times, large)
    if max(height for _, height in cut) > room:
        return None
    return Sheet([part for part, _ in cut], size, said, times, large > 1)


def lines_of(one: CardRound) -> Iterator[Line]:
    """A round's own line, then its sets; a long run of sets alike is one line with the times of its
    last."""
    yield _round_line(one)
    if len(one.sets) == 1 and not one.sets[0].reps[0].to_max:
        return
    for words, group in groupby(one.sets, key=set_words):
        alike = list(group)
        if len(alike) >= RUN:
            rests = [short(two.break_s) for two in alike[:-1]]
            low, high = min(rests, key=float), max(rests, key=float)
            apart = low if low == high else f"{low} to {high}"
            yield _set_line(alike[-1], f"{len(alike)} × {words}, {apart} s apart")
        else:
            yield from (_set_line(two, words) for two in alike)


def set_words(one: CardSet) -> str:
    """`1 deadlift + 5 hang power clean`."""
    return " + ".join(f"{'max' if part.to_max else part.reps} {part.movement}" for part in one.reps)


def short_pattern(pattern: str) -> str:
    """A pattern with its runs of equal sets said once: `6 × 1 | 1+5`."""
    terms = [
        (term, len(list(group)))
        for term, group in groupby(part.strip() for part in pattern.split("|"))
    ]
    return " | ".join(
        f"{count} × {term}" if count >= RUN else " | ".join([term] * count) for term, count in terms
    )


def _round_line(one: CardRound, *, pattern: bool = True) -> Line:
    span = f"{short(one.round_s)} s"
    if pattern:
        span += f" from {clock(one.start_s)}"
        span += "" if one.rest_s is None else f", rest {short(one.rest_s)} s"
    shown = short_pattern(one.pattern) if pattern else ""
    if len(shown) > LONGEST_WORDS:
        shown = f"{shown[:LONGEST_WORDS].rpartition(' | ')[0]} | …"
    return Line(
        f"Round {one.round}" if pattern else f"{one.round}",
        clock(one.end_s),
        round=one.round,
        span=span,
        pattern=shown,
    )


def _set_line(one: CardSet, words: str) -> Line:
    if one.bar_down_s is None:
        return Line(words, clock(one.end_s))
    return Line(
        words, clock(one.end_s), clock(one.bar_down_s), short(one.break_s), clock(one.bar_up_s)
    )


def _columns(
    lines: Sequence[Line], count: int, width: float, times: int, large: float
) -> list[tuple[list[Line], float]]:
    """Lines in columns of about the same height, each with its height."""
    heights = [one.height((width + GAP) / count - GAP, times, large) for one in lines]
    found: list[tuple[list[Line], float]] = [([], 0.0)]
    for line, height in zip(lines, heights, strict=True):
        if found[-1][1] + height / 2 > sum(heights) / count and len(found) < count:
            found.append(([], 0.0))
        found[-1] = ([*found[-1][0], line], found[-1][1] + height)
    return found


def _height(texts: Iterable[str], width: float) -> float:
    """Millimetres of paragraphs in small print."""
    return sum(SMALL_LINE * _wrapped(SMALL_LETTER * len(text), width) + 1 for text in texts)


def _wrapped(length: float, width: float) -> int:
    """Lines that a text of such a length takes; where a word does not fit any more it is longer."""
    return max(1, math.ceil(1.1 * length / max(6.0, width)))
