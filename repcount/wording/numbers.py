"""Times as a person reads them: tenths of a second, and sums that add up on paper.

A phone's frame is about 0.03 s, so tenths are shown; the files keep milliseconds. Where shown
numbers are meant to add up, they are rounded together (`tenths`), so that a reader with a pencil
finds the same sum.
"""

from __future__ import annotations

from collections.abc import Sequence

from repcount.units import KG_PER_LB, to_ms


def as_tenths(seconds: float) -> int:
    """Seconds to whole tenths, halves away from zero."""
    ms = to_ms(seconds)
    return (abs(ms) + 50) // 100 * (1 if ms >= 0 else -1)


def tenths(values: Sequence[float], whole: int | None = None) -> list[int]:
    """Round seconds to whole tenths together, so that they add up to their rounded sum.

    Largest remainder: each is rounded down, then those that lost most are raised by one. `whole`
    is the sum to reach where it has been shown already; a sum that is another one is left alone.
    """
    ms = [to_ms(value) for value in values]
    shown = [value // 100 for value in ms]
    target = as_tenths(sum(ms) / 1000)
    if whole is not None and abs(whole - target) <= 1:
        target = whole
    lost = sorted(range(len(ms)), key=lambda i: shown[i] * 100 - ms[i])
    for index in lost[: max(0, target - sum(shown))]:
        shown[index] += 1
    return shown


def seconds_of(tenth: int | None) -> str:
    """`43.8` for 438 tenths; a dash for None."""
    return (
        "–" if tenth is None else f"{'−' if tenth < 0 else ''}{abs(tenth) // 10}.{abs(tenth) % 10}"
    )


def signed_of(tenth: int | None) -> str:
    """`+1.2`, `−0.3`, `0.0`; a dash for None."""
    return "–" if tenth is None else ("+" if tenth > 0 else "") + seconds_of(tenth)


def clock_of(tenth: int | None) -> str:
    """`2:46.9` for 1669 tenths; hours only when there are some."""
    if tenth is None:
        return "–"
    minutes, rest = divmod(abs(tenth), 600)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{'−' if tenth < 0 else ''}{head}:{rest // 10:02d}.{rest % 10}"


def clock(seconds: float | None) -> str:
    """A moment or a long time, `2:46.9`."""
    return clock_of(None if seconds is None else as_tenths(seconds))


def short(seconds: float | None) -> str:
    """A short time without its unit, `3.9`."""
    return seconds_of(None if seconds is None else as_tenths(seconds))


def signed(seconds: float | None) -> str:
    """A difference without its unit, `+1.2`."""
    return signed_of(None if seconds is None else as_tenths(seconds))


def load(kg: float) -> str:
    """`60 kg (132.3 lb)`, or `95 lb (43.1 kg)` where the load is whole in pounds only."""
    lb = kg / KG_PER_LB

    def whole(number: float, step: float) -> bool:
        return abs(number / step - round(number / step)) * step < 0.005

    if whole(lb, 0.5) and not whole(kg, 0.25):
        return f"{round(lb, 1):g} lb ({kg:.1f} kg)"
    return f"{round(kg, 2):g} kg ({lb:.1f} lb)"
