"""The bar in metres: each end by the plate that is seen there, and nothing else of the frame.

A plate is a disc of known diameter that stays upright, so its vertical semi-axis in pixels gives
the scale where that plate is, whatever the view (its width shrinks with the angle, its height does
not). It holds for that end alone: the hip, or the far end, is nearer or farther by up to 0.7 m,
which is 23 % at 3 m. A camera that looks down shortens plate and path alike and cancels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from repcount.motion.smoothing import runs, smooth

# Large discs, 450 mm +- 1 mm (IWF TCRR 3.3, as restated by national federations).
PLATE_MM = 450.0
GRAVITY_M_S2 = 9.80665
# How far the tracker's semi-axis is off, as a fraction of it: 0.04 (root mean square) over six ends
# of three rendered clips. On a fourth, seen from the front, one end was off by 0.42: therefore the
# two ends are compared. Half a pixel of the frames looked at comes on top.
SCALE_SD = 0.04
AXIS_SD_PX = 0.5
# With the scale less sure than this, or the two ends' lengths farther apart than that, no metres.
LARGEST_SD, LARGEST_DISAGREEMENT = 0.12, 0.25
SEEN = 0.5
# The scale of an end is the median of its plate's size over so long before and after.
STEADY_S = 0.2
CUTOFF_HZ = 7.0
NOISE_PX = 1.0
BRIDGED_S = 0.25
# Ends are compared while they move at least this fast, over so many samples.
MOVING_M_S = 0.3
ENOUGH = 60
# Falls: from this height; the fit leaves out both ends (release and contact are not sudden in a
# frame's exposure), and what is left over is no more than this fraction of the height.
LEAST_FALL_M = 0.5
FIT_FROM, FIT_TO = 0.25, 0.92
FIT_SAMPLES, FIT_REST = 5, 0.02
# No fit is surer than this fraction of what it gives: places are good to a tenth of a pixel.
LEAST_FIT_SD = 0.01
# Falls of one clip differ by less than this, whatever its speed.
ALIKE = 0.2


@dataclass(frozen=True)
class Fall:
    """The bar falling free of the hands: `start_s` when it begins to go down, `contact_s` when it
    has stopped, how far it came down, and the downward acceleration of a parabola fitted to it with
    its standard deviation (scale and fit)."""

    start_s: float
    contact_s: float
    height_m: float
    acceleration_m_s2: float
    sd_m_s2: float


@dataclass(frozen=True)
class BarMetres:
    """`speed_m_s` (m,) upward speed of the bar's middle on the motion's clock, NaN where no end is
    seen; `share_sd` relative standard deviation of every length and speed (NaN: none given);
    `why_not` one sentence if there are no metres; `falls` in order of time."""

    speed_m_s: np.ndarray
    share_sd: float
    why_not: str | None = None
    falls: tuple[Fall, ...] = ()


def bar_metres(
    times_s: np.ndarray,
    ends_px: np.ndarray,
    semi_axis_px: np.ndarray,
    confidence: np.ndarray,
    hands_off: np.ndarray,
    grid_s: np.ndarray,
    pieces: tuple[tuple[int, int], ...],
    *,
    plate_mm: float = PLATE_MM,
    pixel: float = 1.0,
) -> BarMetres:
    """Speeds and falls of the bar in metres.

    `ends_px` (n, 2, 2) left and right end, x and y, against the background; `semi_axis_px` (n, 2)
    of the plates there; `confidence` (n, 2); `hands_off` (n,) probability that nobody holds the
    bar; all at `times_s` (n,). `grid_s` (m,) uniform, in `pieces` between cuts. `plate_mm` is the
    diameter of the largest plates; `pixel` how many pixels one of the frames looked at is wide.
    """
    seen = (confidence >= SEEN) & np.isfinite(ends_px).all(2) & np.isfinite(semi_axis_px)
    speeds = np.full((len(grid_s), 2), np.nan)
    sds = np.full(2, np.nan)
    scales = np.full(seen.shape, np.nan)
    for side in (0, 1):
        use = seen[:, side] & (semi_axis_px[:, side] > 0)
        if use.sum() < ENOUGH:
            continue
        axis = _steady(times_s[use], semi_axis_px[use, side])
        scales[use, side] = plate_mm / 2000 / axis
        sds[side] = np.hypot(SCALE_SD, AXIS_SD_PX * pixel / np.median(axis))
        path_px = _curve(times_s[use], ends_px[use, side, 1], grid_s, pieces, NOISE_PX * pixel)
        at = np.interp(grid_s, times_s[use], scales[use, side])
        speeds[:, side] = -np.gradient(path_px, grid_s) * at
    why_not, share_sd = _worth(speeds, sds)
    if why_not is not None:
        return BarMetres(np.full(len(grid_s), np.nan), np.nan, why_not)
    known = np.isfinite(speeds)
    both = np.where(known, speeds, 0.0).sum(1) / np.maximum(known.sum(1), 1)
    speed = np.where(known.any(1), both, np.nan)
    falls = _falls(times_s, ends_px[:, :, 1], scales, hands_off, grid_s, speed, share_sd)
    return BarMetres(speed, share_sd, None, tuple(falls))


def _steady(times_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Median of `values` (n,) within about STEADY_S before and after each."""
    step_s = max(float(np.median(np.diff(times_s))), 1e-3)
    return np.asarray(median_filter(values, 2 * round(STEADY_S / step_s) + 1, mode="nearest"))


def _curve(
    times_s: np.ndarray,
    values: np.ndarray,
    grid_s: np.ndarray,
    pieces: tuple[tuple[int, int], ...],
    noise: float,
) -> np.ndarray:
    """(m,) `values` smoothed onto the grid; NaN in gaps."""
    result = np.full(len(grid_s), np.nan)
    for a, b in pieces:
        inside = (times_s >= grid_s[a] - 1e-6) & (times_s <= grid_s[b - 1] + 1e-6)
        at = times_s[inside]
        if len(at) < ENOUGH // 4:
            continue
        line = smooth(
            at, values[inside], np.ones(len(at)), grid_s[a:b], CUTOFF_HZ, robust_scale=2 * noise
        )
        after = np.clip(np.searchsorted(at, grid_s[a:b]), 1, len(at) - 1)
        gap = (
            (at[after] - at[after - 1] > BRIDGED_S) | (grid_s[a:b] < at[0]) | (grid_s[a:b] > at[-1])
        )
        result[a:b] = np.where(gap, np.nan, line)
    return result


def _worth(speeds: np.ndarray, sds: np.ndarray) -> tuple[str | None, float]:
    """(why there are no metres or None, relative standard deviation of the two ends' mean)."""
    usable = np.isfinite(sds)
    if not usable.any():
        return "no plate was seen for long enough to give a scale", np.nan
    if usable.all():
        moving = np.isfinite(speeds).all(1) & (np.abs(speeds).max(1) >= MOVING_M_S)
        if moving.sum() >= ENOUGH:
            sizes = np.abs(speeds[moving]).sum(0)
            apart = float(abs(np.log(sizes[0] / sizes[1])))
            if apart > LARGEST_DISAGREEMENT:
                return (
                    f"the plates at the two ends give lengths that differ by {np.expm1(apart):.0%}",
                    np.nan,
                )
            # Two scales of independent error; what they differ by says if that is too small.
            sd = max(float(np.hypot(*sds)) / 2, apart / 2)
        else:
            sd = float(np.hypot(*sds)) / 2
    else:
        sd = float(sds[usable][0])
    if sd > LARGEST_SD:
        return (
            f"the plates are too small in the frame for a scale (standard deviation {sd:.0%})",
            np.nan,
        )
    return None, sd


def _falls(
    times_s: np.ndarray,
    ends_y_px: np.ndarray,
    scales: np.ndarray,
    hands_off: np.ndarray,
    grid_s: np.ndarray,
    speed: np.ndarray,
    share_sd: float,
) -> list[Fall]:
    """Every fall of at least LEAST_FALL_M in which the hands are off the bar and which a parabola
    fits. Nothing here knows how fast things fall, so that slowed film shows as such."""
    falls = []
    step_s = float(grid_s[1] - grid_s[0])
    for a, b in runs(np.isfinite(speed) & (speed < 0)):
        way = -float(speed[a:b].sum()) * step_s
        if way < LEAST_FALL_M:
            continue
        fastest = a + int(np.argmin(speed[a:b]))
        slow = np.flatnonzero(speed[a:fastest] > 0.1 * speed[fastest])
        start_s = float(grid_s[a + int(slow[-1]) if len(slow) else a])
        during = (times_s >= start_s) & (times_s <= grid_s[fastest])
        free = hands_off[during & np.isfinite(hands_off)]
        if not len(free) or np.median(free) < 0.5:
            continue
        first, last = (
            start_s + fraction * (grid_s[fastest] - start_s) for fraction in (FIT_FROM, FIT_TO)
        )
        fitted = (times_s >= first) & (times_s <= last)
        found = []
        for side in (0, 1):
            use = fitted & np.isfinite(scales[:, side])
            one = _parabola(times_s[use], ends_y_px[use, side], scales[use, side])
            if one is not None:
                found.append(one)
        if not found:
            continue
        # each end counts as much as its parabola fits
        rates, sds = np.array(found).T
        weight = 1 / np.maximum(sds, LEAST_FIT_SD * rates) ** 2
        acceleration = float((weight * rates).sum() / weight.sum())
        sd = float(1 / np.sqrt(weight.sum()))
        contact_s = float(grid_s[min(b, len(grid_s) - 1)])
        falls.append(
            Fall(
                start_s,
                contact_s,
                _way(times_s, ends_y_px, scales, start_s - 0.1, contact_s),
                acceleration,
                float(np.hypot(sd, share_sd * acceleration)),
            )
        )
    return falls


def _down(y_px: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """(n,) metres downwards from the first sample. Piece by piece: seen by a camera that looks down
    or up, the scale changes on the way."""
    steps = np.diff(y_px) * (scale[1:] + scale[:-1]) / 2
    return np.concatenate(([0.0], np.cumsum(steps)))


def _way(
    times_s: np.ndarray, ends_y_px: np.ndarray, scales: np.ndarray, start_s: float, end_s: float
) -> float:
    """How far (metres) the ends came down between two times: from the highest to the lowest place,
    of the samples themselves, since smoothing cuts corners."""
    during = (times_s >= start_s) & (times_s <= end_s)
    side = int((during[:, None] & np.isfinite(scales)).sum(0).argmax())  # the better seen end
    use = during & np.isfinite(scales[:, side])
    return float(np.ptp(_down(ends_y_px[use, side], scales[use, side])))


def _parabola(
    times_s: np.ndarray, y_px: np.ndarray, scale: np.ndarray
) -> tuple[float, float] | None:
    """(downward acceleration, its standard deviation by the fit) of one end (n,) while it falls;
    None where there is too little to fit or it is no parabola."""
    if len(times_s) < FIT_SAMPLES:
        return None
    way = _down(y_px, scale)
    x = times_s - times_s[0]
    curve, covariance = np.polyfit(x, way, 2, cov="unscaled")
    rest = way - np.polyval(curve, x)
    if curve[0] <= 0 or rest.std() > FIT_REST * max(float(np.ptp(way)), 1e-6):
        return None
    spread = np.sqrt(covariance[0, 0] * (rest**2).sum() / max(len(x) - 3, 1))
    return 2 * float(curve[0]), 2 * float(spread)


def slowed(falls: tuple[Fall, ...]) -> float | None:
    """How many times slower than real time a clip plays by its `falls`; None if that cannot be
    estimated.

    A falling bar of a clip slowed k times accelerates by g / k squared. It takes at least two falls
    that are alike, and a factor that is surely not 1 (three standard deviations).
    """
    rates = np.array([fall.acceleration_m_s2 for fall in falls])
    if len(rates) < 2 or rates.std() > ALIKE * np.median(rates):
        return None
    factor = float(np.sqrt(GRAVITY_M_S2 / np.median(rates)))
    sd = float(np.median([fall.sd_m_s2 / fall.acceleration_m_s2 for fall in falls])) / 2
    return factor if abs(np.log(factor)) > max(3 * sd, 0.15) else None
