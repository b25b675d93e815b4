"""When something was filmed, as text: a UTC moment (ISO 8601) or, where no more is known, a day."""

from __future__ import annotations

from datetime import UTC, date, datetime

# Of files whose camera had no clock set: container formats count from 1904 (ISO/IEC 14496-12,
# 8.2.2) and systems from 1970.
_NO_CLOCK = 1980


def utc_text(moment: datetime) -> str:
    """`2026-11-28T17:30:12Z`."""
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def parse_recorded(text: str) -> str:
    """A day or a moment as a person or a file gives it (ISO 8601, a blank for the T), in UTC.

    A moment without a zone is of this machine's. Raises ValueError for anything else, for a year
    that no phone's clock shows, and for a day that has not come.
    """
    text = text.strip()
    try:
        if len(text) == 10:
            found: date | datetime = date.fromisoformat(text)
        else:
            found = datetime.fromisoformat(text.replace(" ", "T", 1)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError(f"{text!r} is no moment; give 2026-11-28 18:30, or the day") from None
    today = datetime.now(UTC).date()
    day = found.date() if isinstance(found, datetime) else found
    if day.year < _NO_CLOCK or (day - today).days > 1:
        raise ValueError(f"{text!r} lies before {_NO_CLOCK} or has not come; check the day")
    return utc_text(found) if isinstance(found, datetime) else found.isoformat()


def recorded_words(recorded: str | None) -> str:
    """`28 Nov 2026, 17:30 UTC`, `28 Nov 2026`; empty where it is not known."""
    if not recorded:
        return ""
    try:
        if len(recorded) == 10:
            return date.fromisoformat(recorded).strftime("%d %b %Y")
        moment = datetime.fromisoformat(recorded).astimezone(UTC)
    except (ValueError, OverflowError):
        return recorded
    return moment.strftime("%d %b %Y, %H:%M UTC")
