"""Units: seconds and the whole milliseconds that are added up, kilograms and pounds."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator

KG_PER_LB = 0.45359237  # exact: the international pound


def to_ms(seconds: float) -> int:
    """Whole milliseconds, halves away from zero so that rounding does not depend on parity."""
    return int(abs(seconds) * 1000 + 0.5) * (1 if seconds >= 0 else -1)


def from_ms(milliseconds: int) -> float:
    """Seconds of a whole number of milliseconds."""
    return milliseconds / 1000


Seconds = Annotated[float, AfterValidator(lambda value: from_ms(to_ms(value)))]
