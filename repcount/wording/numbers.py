"""Times as a person reads them: each rounded by itself to the nearest tenth of a second.

A phone's frame is about 0.03 s, so tenths are shown; the files keep milliseconds. Every time that
reports show is formed here, so that one time is the same number wherever it stands. What adds up
does so to the millisecond, before the rounding, and may miss by a tenth or two after it: numbers
are rounded once, from their exact values (ISO 80000-1, annex B, from memory).
"""

from __future__ import annotations

from repcount.units import KG_PER_LB, to_ms


def as_tenths(seconds: float) -> int:
    """Seconds to the nearest whole tenth, halves up: so a difference from whole tenths is shown as
    the difference of what is shown."""
    return (to_ms(seconds) + 50) // 100


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


def whole(seconds: float) -> int:
    """Seconds to the nearest whole one, halves up, for a count that runs."""
    return (to_ms(seconds) + 500) // 1000


def hundredths(seconds: float | None) -> str:
    """A median of many times without its unit, `1.94`: known better than one of them."""
    return "–" if seconds is None else f"{(to_ms(seconds) + 5) // 10 / 100:.2f}".replace("-", "−")


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
