"""What the bar in metres says of a stroke and of a fall, and what to tell a person about it."""

from __future__ import annotations

import numpy as np
from scipy.integrate import trapezoid

from repcount.attempt.records import Measure, Notice
from repcount.motion.metres import BarMetres, slowed

# Seen for less than this share of the way up, no length is given.
WAY_SEEN = 0.8
# A fall and the contact that ends it are one if no farther apart.
SAME_FALL_S = 0.2


def bar_measures(
    time_s: np.ndarray, metres: BarMetres | None, start_s: float, top_s: float
) -> list[Measure]:
    """The bar's way up between two times (m), its mean and its highest upward speed (m/s), on the
    clock `time_s` (m,) of `metres`. Empty where there are no metres or the bar was not seen.

    The smoothing takes some of the highest speed: 1 % of a deadlift's, 2 % of a hang clean's and
    4 % of a jerk's drive (computed on minimum-jerk pulses; see the tests).
    """
    if metres is None or not np.isfinite(metres.share_sd):
        return []
    first, last = np.searchsorted(time_s, [start_s, top_s])
    speed = metres.speed_m_s[first : last + 1]
    if last - first < 5 or np.isfinite(speed).mean() < WAY_SEEN:
        return []
    places = np.arange(len(speed))
    known = np.isfinite(speed)
    speed = np.interp(places, places[known], speed[known])
    lasts_s = float(time_s[last] - time_s[first])
    travel = float(trapezoid(speed, dx=lasts_s / (len(speed) - 1)))
    named = (
        ("bar_travel", travel, "m"),
        ("mean_speed", travel / lasts_s, "m/s"),
        ("peak_speed", float(speed.max()), "m/s"),
    )
    return [
        _measure(name, value, unit, metres.share_sd * abs(value)) for name, value, unit in named
    ]


def fall_measures(metres: BarMetres | None, contact_s: float) -> list[Measure]:
    """The height (m) and the acceleration (m/s2) of the fall that ended at `contact_s`, if one was
    measured there."""
    for fall in metres.falls if metres else ():
        if abs(fall.contact_s - contact_s) <= SAME_FALL_S:
            height_sd = metres.share_sd * fall.height_m if metres else 0.0
            return [
                _measure("fall_height", fall.height_m, "m", height_sd),
                _measure("fall_acceleration", fall.acceleration_m_s2, "m/s2", fall.sd_m_s2),
            ]
    return []


def metre_notices(metres: BarMetres | None) -> list[Notice]:
    """Why there are no metres; and that falls do not look like falls in real time."""
    if metres is None:
        return []
    if metres.why_not is not None:
        return [
            Notice(
                code="no-metres",
                text=f"No lengths or speeds in metres: {metres.why_not}. Times are not affected.",
            )
        ]
    factor = slowed(metres.falls)
    if factor is None:
        return []
    first = metres.falls[0]
    if factor > 1:
        text = (
            f"The bar falls as if the clip played {factor:.1f} times slower than real time. If it "
            f"is slow motion, read it again with --slowed {factor:.3g}; if the plates are not "
            "450 mm, give --plate-mm."
        )
    else:
        text = (
            f"The bar falls {1 / factor**2:.1f} times as fast as things fall: the plates are "
            "smaller than thought (give --plate-mm), or the clip plays faster than life."
        )
    return [Notice(code="falls-oddly", text=text, start_s=first.start_s, end_s=first.contact_s)]


def _measure(name: str, value: float, unit: str, uncertainty: float) -> Measure:
    return Measure(name=name, value=round(value, 3), unit=unit, uncertainty=round(uncertainty, 3))
