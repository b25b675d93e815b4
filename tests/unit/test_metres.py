"""The bar in metres, against pinhole projections of known paths.

Sources: discs of 450 mm, 1,310 mm between the sleeves (IWF Technical and Competition Rules 3.3, as
restated by national federations); standard gravity 9.80665 m/s2 (CGPM 1901); the scale error of a
near plate applied to things in the middle, 0.7 m over the distance (geometry).
"""

from __future__ import annotations

import numpy as np
import pytest

from repcount.motion.metres import GRAVITY_M_S2, BarMetres, Fall, bar_metres, slowed
from repcount.motion.smoothing import gain
from repcount.reading.metres import bar_measures, fall_measures, metre_notices

RADIUS_M, APART_M = 0.225, 1.43
FOCAL_PX = 900.0


def project(points_m: np.ndarray, pitch_deg: float = 0.0) -> np.ndarray:
    """(..., 2) pixels of points (..., 3): x right, y up, z away from a camera 1 m above the floor
    that looks along z, `pitch_deg` downwards."""
    x, y, z = points_m[..., 0], points_m[..., 1] - 1.0, points_m[..., 2]
    c, s = np.cos(np.radians(pitch_deg)), np.sin(np.radians(pitch_deg))
    depth, up = c * z - s * y, c * y + s * z
    return np.stack([FOCAL_PX * x / depth, -FOCAL_PX * up / depth], -1)


def filmed(
    height_m: np.ndarray, *, yaw_deg: float = 40.0, pitch_deg: float = 0.0, away_m: float = 4.0
) -> tuple[np.ndarray, np.ndarray]:
    """Both ends (n, 2, 2) and the vertical semi-axes (n, 2) of plates at `height_m` (n,), seen by
    a camera `yaw_deg` off the front."""
    yaw = np.radians(yaw_deg)
    ends, axes = [], []
    for side in (-1, 1):
        place = np.zeros((len(height_m), 3))
        place[:, 0] = side * APART_M / 2 * np.cos(yaw)
        place[:, 1] = height_m
        place[:, 2] = away_m + side * APART_M / 2 * np.sin(yaw)
        rim = np.linspace(0, 2 * np.pi, 64)
        # the face is upright, its normal along the bar
        across = np.stack([-np.sin(yaw) * np.cos(rim), np.sin(rim), np.cos(yaw) * np.cos(rim)], -1)
        outline = project(place[:, None] + RADIUS_M * across, pitch_deg)[..., 1]
        ends.append(project(place, pitch_deg))
        axes.append(np.ptp(outline, axis=1) / 2)
    return np.stack(ends, 1), np.stack(axes, 1)


def clock(seconds: float, rate_hz: float = 30.0) -> np.ndarray:
    return np.arange(0, seconds, 1 / rate_hz)


def grid(times: np.ndarray) -> np.ndarray:
    return np.arange(times[0], times[-1] + 1e-9, 1 / 60)


def read(
    times: np.ndarray, ends: np.ndarray, axes: np.ndarray, off: float = 0.0, **options: float
) -> tuple[np.ndarray, BarMetres]:
    at = grid(times)
    sure = np.ones((len(times), 2))
    free = np.full(len(times), off)
    return at, bar_metres(times, ends, axes, sure, free, at, ((0, len(at)),), **options)


def minimum_jerk(times: np.ndarray, start_s: float, lasts_s: float, way_m: float) -> np.ndarray:
    x = np.clip((times - start_s) / lasts_s, 0, 1)
    return way_m * (10 * x**3 - 15 * x**4 + 6 * x**5)


def pulls(times: np.ndarray, lasts_s: float, way_m: float) -> np.ndarray:
    """Up, and down again in two seconds, every five."""
    up = sum(minimum_jerk(times, start, lasts_s, way_m) for start in np.arange(1.0, times[-1], 5))
    down = sum(minimum_jerk(times, start, 2.0, way_m) for start in np.arange(3.0, times[-1], 5))
    return RADIUS_M + up - down


@pytest.mark.parametrize("yaw_deg", [10, 40, 70])
@pytest.mark.parametrize("pitch_deg", [-8, 0, 12])
def test_a_lift_has_its_length_and_speed_from_any_view(yaw_deg: float, pitch_deg: float) -> None:
    times = clock(20)
    height = pulls(times, 0.8, 0.53)
    at, metres = read(times, *filmed(height, yaw_deg=yaw_deg, pitch_deg=pitch_deg))
    assert metres.why_not is None
    travel, mean, peak = (one.value for one in bar_measures(at, metres, 1.0, 1.8))
    assert travel == pytest.approx(0.53, rel=0.02)
    assert mean == pytest.approx(0.53 / 0.8, rel=0.02)
    # 15/8 of the mean is the highest speed of a minimum-jerk path (Flash and Hogan 1985)
    assert peak == pytest.approx(15 / 8 * 0.53 / 0.8, rel=0.03)


@pytest.mark.parametrize(
    ("lasts_s", "way_m", "lost"), [(0.8, 0.53, 0.01), (0.35, 0.45, 0.015), (0.25, 0.25, 0.04)]
)
def test_what_the_smoothing_takes_of_the_highest_speed(
    lasts_s: float, way_m: float, lost: float
) -> None:
    """As `bar_measures` says: deadlift, hang clean's pull, jerk's drive at 30 frames a second."""
    times = clock(20)
    at, metres = read(times, *filmed(pulls(times, lasts_s, way_m)))
    peak = bar_measures(at, metres, 1.0, 1.0 + lasts_s)[2].value
    assert 1 - peak / (15 / 8 * way_m / lasts_s) == pytest.approx(lost, abs=0.01)


def test_the_smoothing_is_that_of_a_butterworth_filter_run_both_ways() -> None:
    """Gain of a third-order Butterworth low-pass forward and back, |H|^2 = 1 / (1 + (f/fc)^6),
    while the frequency is far below the grid's (Butterworth 1930)."""
    frequency = np.array([1.0, 3.0, 5.0, 7.0])
    expected = 1 / (1 + (frequency / 7.0) ** 6)
    assert gain(frequency, 7.0, 60.0) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("away_m", [3.0, 4.0, 6.0])
def test_each_end_needs_its_own_plate(away_m: float) -> None:
    """The near plate's scale, used for the far end, would be off by what perspective says."""
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53), yaw_deg=60, away_m=away_m)
    at, right = read(times, ends, axes)
    assert bar_measures(at, right, 1.0, 1.8)[0].value == pytest.approx(0.53, rel=0.02)
    near, far = axes[0].max(), axes[0].min()
    deep = APART_M / 2 * np.sin(np.radians(60))
    assert near / far == pytest.approx((away_m + deep) / (away_m - deep), rel=0.02)


def test_the_plate_may_have_another_size() -> None:
    times = clock(20)
    at, metres = read(times, *filmed(pulls(times, 0.8, 0.53)), plate_mm=400.0)
    travel = bar_measures(at, metres, 1.0, 1.8)[0].value
    assert travel == pytest.approx(0.53 * 400 / 450, rel=0.02)


def drops(times: np.ndarray, from_m: float, gravity: float, every_s: float = 6.0) -> np.ndarray:
    """Lifted slowly, dropped two seconds later, every `every_s`."""
    height = np.full(len(times), RADIUS_M)
    fall_s = np.sqrt(2 * from_m / gravity)
    for start in np.arange(0.5, times[-1] - fall_s - 4, every_s):
        height += minimum_jerk(times, start, 1.5, from_m)
        since = np.clip(times - start - 3.5, 0, fall_s)
        height -= np.minimum(gravity * since**2 / 2, from_m)
    return height


@pytest.mark.parametrize("factor", [1.0, 2.0, 4.0, 8.0])
def test_falls_tell_slow_motion(factor: float) -> None:
    """A clip slowed k times shows g / k squared."""
    times = clock(24 * factor)
    height = drops(times / factor, 1.2, GRAVITY_M_S2)
    free = np.concatenate(([0], np.diff(height))) < -1e-4
    at = grid(times)
    ends, axes = filmed(height)
    metres = bar_metres(
        times, ends, axes, np.ones((len(times), 2)), free * 1.0, at, ((0, len(at)),)
    )
    assert len(metres.falls) >= 3
    for fall in metres.falls:
        assert fall.height_m == pytest.approx(1.2, rel=0.04)
        assert fall.acceleration_m_s2 == pytest.approx(GRAVITY_M_S2 / factor**2, rel=0.05)
        assert fall_measures(metres, fall.contact_s)[1].value == round(fall.acceleration_m_s2, 3)
    estimate = slowed(metres.falls)
    notices = metre_notices(metres)
    if factor == 1:
        assert estimate is None
        assert notices == []
    else:
        assert estimate == pytest.approx(factor, rel=0.05)
        assert f"--slowed {estimate:.3g}" in notices[0].text


def test_a_bar_in_the_hands_does_not_fall() -> None:
    times = clock(24)
    _, metres = read(times, *filmed(drops(times, 1.2, GRAVITY_M_S2)), off=0.0)
    assert metres.falls == ()


def test_falls_that_differ_tell_nothing() -> None:
    falls = tuple(Fall(t, t + 0.5, 1.2, rate, 0.1) for t, rate in ((1, 0.9), (9, 2.4), (15, 5.0)))
    assert slowed(falls) is None
    assert slowed(falls[:1]) is None


def test_small_plates_are_distinguished_from_slow_motion_in_words() -> None:
    fall = Fall(1.0, 1.5, 1.2, 2 * GRAVITY_M_S2, 0.3)
    metres = BarMetres(np.zeros(3), 0.03, None, (fall, fall))
    (notice,) = metre_notices(metres)
    assert "2.0 times as fast" in notice.text
    assert "--plate-mm" in notice.text


def test_no_metres_where_the_two_ends_disagree() -> None:
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53))
    at, metres = read(times, ends, axes * [1.0, 0.6])
    assert metres.why_not is not None
    assert "differ by" in metres.why_not
    assert np.isnan(metres.speed_m_s).all()
    assert bar_measures(at, metres, 1.0, 1.8) == []
    assert metre_notices(metres)[0].code == "no-metres"


def test_no_metres_from_tiny_plates() -> None:
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53))
    _, metres = read(times, ends / 20, axes / 20)
    assert metres.why_not is not None
    assert "too small" in metres.why_not


def test_no_metres_without_plates() -> None:
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53))
    _, metres = read(times, np.full_like(ends, np.nan), axes)
    assert metres.why_not is not None
    assert "no plate" in metres.why_not


def test_one_end_is_enough_and_its_uncertainty_shows_it() -> None:
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53))
    _, two = read(times, ends, axes)
    ends[:, 1] = np.nan
    at, one = read(times, ends, axes)
    assert bar_measures(at, one, 1.0, 1.8)[0].value == pytest.approx(0.53, rel=0.02)
    assert one.share_sd > two.share_sd


def test_a_gap_gives_no_length() -> None:
    times = clock(20)
    ends, axes = filmed(pulls(times, 0.8, 0.53))
    ends[(times > 1.2) & (times < 1.7)] = np.nan
    at, metres = read(times, ends, axes)
    assert bar_measures(at, metres, 1.0, 1.8) == []
    assert bar_measures(at, metres, 6.0, 6.8) != []
