"""The break pattern: where in a round the bar goes down (`7 | 1+5 | 1+4`).

Terms are read from left to right and use up the round's reps. At `|` the bar goes down; `+` joins
consecutive movements in one set and stands only where a movement ends. No term crosses the end of a
movement. The last term ends the round, whose end is no `|`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from pydantic import Field

from repcount.attempt.records import After, MovementReps, Record
from repcount.errors import PlanError
from repcount.wording import plural

LONGEST_PATTERN = 2000  # characters; 200 terms of three digits with room for spaces
_TOKEN = re.compile(r"\s*(?:(?P<term>[0-9]+)|(?P<mark>[|+])|(?P<other>\S))")


class Pattern(Record):
    """One round's sets, in order: each set lists its consecutive movements and their reps."""

    sets: list[list[MovementReps]] = Field(min_length=1)

    def __str__(self) -> str:
        """The pattern as a person writes it."""
        return write_sets([[part.reps for part in one] for one in self.sets])

    @property
    def reps(self) -> int:
        """Reps of all sets."""
        return sum(part.reps for one in self.sets for part in one)

    def positions(self) -> list[int]:
        """For each `|`, the reps of the round done before it."""
        done, marks = 0, []
        for one in self.sets[:-1]:
            done += sum(part.reps for part in one)
            marks.append(done)
        return marks

    def breaks_after(self) -> list[After]:
        """For each `|`, the rep it follows, numbered from 1 in its movement."""
        numbers: dict[str, int] = {}
        marks = []
        for one in self.sets:
            for part in one:
                numbers[part.movement] = numbers.get(part.movement, 0) + part.reps
            last = one[-1].movement
            marks.append(After(movement=last, number=numbers[last]))
        return marks[:-1]


def write_sets(sets: Sequence[Sequence[int]]) -> str:
    """Sets in the pattern's notation; a set without a rep is written 0 (only a real one can be)."""
    return " | ".join("+".join(str(reps) for reps in one) or "0" for one in sets)


def position_of(after: After | None, movements: Sequence[MovementReps]) -> int:
    """The place of a rep in its round: how many prescribed reps there are up to and with it.

    A rep missed earlier does not shift it: clean 5 after 8 prescribed deadlifts is at 13, however
    many deadlifts were done. `None` (before the first rep) is at 0.
    """
    if after is None:
        return 0
    before, left = 0, after.number
    place = 0
    for part in movements:
        if part.movement == after.movement:
            place = before + min(left, part.reps)
            left -= part.reps
            if left <= 0:
                break
        before += part.reps
    return place


def parse_pattern(text: str, movements: Sequence[MovementReps], where: str = "pattern") -> Pattern:
    """Read a pattern against the movements of its round.

    `where` opens the sentence of the PlanError that is raised when the pattern does not fit: which
    term it is, and why.
    """

    def fail(reason: str) -> PlanError:
        return PlanError(f'{where} "{_short(text)}": {reason}.')

    if len(text) > LONGEST_PATTERN:
        raise fail(f"is longer than {LONGEST_PATTERN} characters")
    asked = ", ".join(f"{part.reps} {part.movement}" for part in movements)
    sets: list[list[MovementReps]] = [[]]
    index, left = 0, movements[0].reps
    count = 0
    term_due = True
    for match in _TOKEN.finditer(text.rstrip()):
        if match["other"]:
            raise fail(
                f'"{match["other"]}" has no place in a pattern; use whole numbers, | where the bar '
                "goes down and + where one movement runs into the next"
            )
        if match["term"]:
            count += 1
            if not term_due:
                raise fail(f'term {count} ("{match["term"]}") needs a | or a + before it')
            if left == 0 and index == len(movements) - 1:
                raise fail(
                    f'term {count} ("{match["term"]}") comes after the end of the round ({asked})'
                )
            if left == 0:
                index, left = index + 1, movements[index + 1].reps
            name = movements[index].movement
            reps = int(match["term"]) if len(match["term"]) < 7 else 10**6
            if reps == 0:
                raise fail(f"term {count} is 0; every set has at least one rep")
            if reps > left:
                raise fail(
                    f'term {count} ("{match["term"]}") crosses the end of {name}, of which {left} '
                    f"{'is' if left == 1 else 'are'} left; end the term there and join with + or |"
                )
            sets[-1].append(MovementReps(movement=name, reps=reps))
            left -= reps
            term_due = False
            continue
        mark = match["mark"]
        if term_due:
            raise fail(
                f"the {mark} {f'after term {count}' if count else 'at its start'} needs a "
                "term between it and what stands before it"
            )
        at_end = left == 0 and index == len(movements) - 1
        if mark == "|" and at_end:
            if text[match.end() :].strip():
                raise fail(f"term {count + 1} comes after the end of the round ({asked})")
            raise fail("the last term ends the round, whose end is no |; take the last | away")
        if mark == "+" and at_end:
            raise fail(f"the + after term {count} has no movement to join; the round ends there")
        if mark == "+" and left > 0:
            raise fail(
                f"the + after term {count} stands inside a movement ({left} "
                f"{movements[index].movement} still to do); + stands only where one movement ends "
                "and the next begins"
            )
        if mark == "|":
            sets.append([])
        term_due = True
    if count == 0:
        raise fail(f"has no terms; the round asks for {asked}")
    missing = left + sum(part.reps for part in movements[index + 1 :])
    if missing:
        total, be = sum(part.reps for part in movements), "is" if missing == 1 else "are"
        raise fail(
            f"the terms add up to {total - missing} reps, but the round has {total} ({asked}); "
            f"{plural(missing, 'rep')} after the last term {be} in no set"
        )
    return Pattern(sets=sets)


def _short(text: str) -> str:
    return text if len(text) <= 80 else text[:77] + "..."
