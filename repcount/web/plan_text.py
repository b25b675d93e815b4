"""What people write into a plan's fields: times and numbers, with units or without; comments."""

from __future__ import annotations

import re

from repcount.plan.writing import number
from repcount.units import from_ms, to_ms

# A whole plan, to be seen by whoever writes one as text.
EXAMPLE = """\
athlete = "Robin"       # may be left out

[workout]
name = "Slate"
rounds = 3
load_kg = 60
time_cap_s = 420        # seconds
[[workout.movements]]   # once for each movement
movement = "deadlift"
reps = 8
[[workout.movements]]
movement = "hang power clean"
reps = 6

[breaks]
pattern = "5 | 3+6"     # the bar goes down at |
seconds = 4

[pace]
round_s = [44, 48, 50]  # or one number for all
between_rounds_s = 6
"""
_CLOCK = re.compile(r"(?:(\d{1,2}):)?(\d{1,4}):(\d{1,2}(?:\.\d{1,6})?)\s*(?:min|s)?", re.I | re.A)
_SPAN = re.compile(
    r"(?:(\d{1,6}(?:\.\d{1,6})?)\s*(?:m|mins?|minutes?|['’′])\.?)?\s*"
    r"(?:(\d{1,6}(?:\.\d{1,6})?)\s*(?:s|secs?|seconds?|[\"”″])?\.?)?",
    re.I | re.A,
)
_WHOLE = re.compile(r"(\d{1,9})(?:\.0+)?\s*(?:reps?|rounds?|x|×)?\.?", re.I | re.A)
# Strings before comments: a # in a string begins none.
_COMMENT = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#([^\n]*)',
    re.S,
)


def parse_time(text: str) -> float | None:
    """Seconds of a time as people write it: `7:00`, `1:30.5`, `90`, `4s`, `1 min 30 s`; None for
    what is none. A number alone is seconds."""
    text = text.strip()
    if match := _CLOCK.fullmatch(text):
        hours, minutes, seconds = int(match[1] or 0), int(match[2]), float(match[3])
        if seconds >= 60 or (match[1] and minutes >= 60):
            return None
        return 3600 * hours + 60 * minutes + seconds
    match = _SPAN.fullmatch(text)
    if not match or match[0] == "":
        return None
    return 60 * float(match[1] or 0) + float(match[2] or 0)


def parse_times(text: str) -> list[tuple[str, float | None]]:
    """The times of a list, each with its text; commas or spaces between them."""
    text = text.strip()
    if "," not in text and parse_time(text) is None:
        parts = re.sub(r"(?<=\d)\s+(?=[^\W\d])", "", text).split()  # 4 s 5 s: 4s 5s
    else:
        parts = text.split(",")
    return [(part.strip(), parse_time(part)) for part in parts if part.strip()]


def parse_whole(text: str) -> int | None:
    """A whole number: `8`, `8 reps`, `8x`; None for what is none."""
    match = _WHOLE.fullmatch(text.strip())
    return int(match[1]) if match else None


def time_text(seconds: float) -> str:
    """A time as a field shows it, to the millisecond: `0:04`, `1:30`, `7:00.5`."""
    minutes, rest = divmod(to_ms(seconds), 60_000)
    whole, dot, part = number(from_ms(rest)).partition(".")
    return f"{minutes}:{int(whole):02d}{dot}{part}"


def comments_of(toml: str) -> list[str]:
    """The comments of a TOML text, without their #."""
    return [match[1].strip() for match in _COMMENT.finditer(toml) if match[1] is not None]
