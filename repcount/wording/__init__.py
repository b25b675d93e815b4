"""Small helpers for sentences that name what a person wrote."""

from __future__ import annotations

import difflib
import json
from collections.abc import Sequence
from typing import Any


def shown(value: Any) -> str:
    """A value as it may stand in a sentence: quoted, short, without control characters."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    text = "".join(one if one.isprintable() else "?" for one in text)
    return text if len(text) <= 80 else f"{text[:77]}..."


def near_spelling(word: str, options: Sequence[str]) -> str | None:
    """The option spelt most like `word`, capitals aside, the first of equals; None where none is
    close (0.6 is difflib's own limit)."""
    matcher = difflib.SequenceMatcher(b=word.casefold()[:200])

    def similarity(option: str) -> float:
        matcher.set_seq1(option.casefold())
        return matcher.ratio()

    near = max(options, key=similarity, default=None)
    return near if near is not None and similarity(near) >= 0.6 else None


def hint(word: str, options: Sequence[str]) -> str:
    """` (did you mean "deadlift"?)`, or nothing where no option is close."""
    near = near_spelling(word, options)
    return f" (did you mean {shown(near)}?)" if near else ""


def listed(words: Sequence[str]) -> str:
    """Words with commas between."""
    return ", ".join(words)


def short_of(counted: int, asked: int, *, rounds_over: bool) -> str:
    """What an attempt with reps missing came to: `not finished, 13 of 54 reps`, or `all rounds
    done, 53 of 54 reps`."""
    done = "all rounds done" if rounds_over else "not finished"
    return f"{done}, {counted} of {plural(asked, 'rep')}"


def plural(count: int, one: str, more: str | None = None) -> str:
    """`1 rep`, `2 reps`."""
    return f"{count} {one if count == 1 else more or one + 's'}"
