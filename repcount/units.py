"""Units: seconds and the whole milliseconds that are added up, kilograms and pounds."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import AfterValidator, Field

KG_PER_LB = 0.45359237  # exact: the international pound


class Ms(int):
    """Whole milliseconds: an instant (from the first frame) or a length of time.

    Sums and differences of them are exact and are milliseconds again; `seconds` is what a record
    holds and a person reads. Two neighbours never need rounding between them.
    """

    __slots__ = ()

    @property
    def seconds(self) -> float:
        """The same time in seconds."""
        return int(self) / 1000

    def __add__(self, other: int) -> Ms:
        return _ms(int.__add__(self, other))

    __radd__ = __add__

    def __sub__(self, other: int) -> Ms:
        return _ms(int.__sub__(self, other))

    def __rsub__(self, other: int) -> Ms:
        return _ms(int.__rsub__(self, other))

    def __neg__(self) -> Ms:
        return Ms(int.__neg__(self))


def _ms(result: Any) -> Any:
    return result if result is NotImplemented else Ms(result)


def to_ms(seconds: float) -> Ms:
    """Whole milliseconds, halves away from zero so that rounding does not depend on parity."""
    return Ms(int(abs(seconds) * 1000 + 0.5) * (1 if seconds >= 0 else -1))


def from_ms(milliseconds: int) -> float:
    """Seconds of a whole number of milliseconds."""
    return Ms(milliseconds).seconds


def total_ms(seconds: Iterable[float]) -> Ms:
    """The exact sum of times in seconds, each of whole milliseconds."""
    return Ms(sum(map(to_ms, seconds)))


# No time in a record is longer: 116 days.
LATEST_S = 1e7
Seconds = Annotated[
    float,
    Field(gt=-LATEST_S, lt=LATEST_S),
    AfterValidator(lambda value: from_ms(to_ms(value))),
]
