"""The smoother against SciPy's own filter response, and its manners with gaps and outliers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from repcount.motion.smoothing import crossings, gain, runs, smooth

RATE = 60.0
GRID = np.arange(0, 20, 1 / RATE)


@pytest.mark.parametrize("cutoff", [2.0, 4.0, 6.0])
def test_gain_is_that_of_a_butterworth_run_both_ways(cutoff: float) -> None:
    """SciPy's third-order Butterworth, forward and back, at the corner that makes the pair -6 dB.

    Its power response is 1 / (1 + (tan ratio)^6); the smoother's is the same in sines, so they
    agree to some hundredths while the corner is a tenth of the sampling rate or less.
    """
    sos = butter(3, cutoff, fs=RATE, output="sos")
    frequency, response = sosfreqz(sos, worN=512, fs=RATE)
    use = frequency < 1.6 * cutoff
    assert gain(frequency[use], cutoff, RATE) == pytest.approx(np.abs(response[use]) ** 2, abs=0.05)


@pytest.mark.parametrize("frequency", [1.0, 4.0, 8.0, 12.0])
def test_a_sine_keeps_the_stated_fraction_and_is_not_late(frequency: float) -> None:
    sine = np.sin(2 * np.pi * frequency * GRID)
    curve = smooth(GRID, sine, np.ones_like(sine), GRID, 8.0)
    inside = slice(240, -240)
    fraction = float(curve[inside] @ sine[inside] / (sine[inside] @ sine[inside]))
    assert fraction == pytest.approx(float(gain(np.array(frequency), 8.0, RATE)), abs=1e-3)
    assert curve[inside] == pytest.approx(fraction * sine[inside], abs=0.01)


def test_irregular_times_are_not_rounded() -> None:
    rng = np.random.default_rng(4)
    times = np.sort(rng.uniform(0, 20, 600))
    curve = smooth(times, 0.3 * times, np.ones(600), GRID, 6.0)
    assert curve == pytest.approx(0.3 * GRID, abs=1e-6)


def test_an_outlier_loses_its_weight() -> None:
    values = np.sin(GRID)
    spoiled = values.copy()
    spoiled[600] += 5.0
    curve = smooth(GRID, spoiled, np.ones_like(values), GRID, 6.0, robust_scale=0.05)
    assert np.abs(curve - values).max() < 0.01


def test_two_sensors_alike_are_as_one() -> None:
    times = np.arange(0, 4, 1 / 30)
    grid = np.arange(0, 4, 1 / 60)
    values = np.sin(times)
    one = smooth(times, values, np.ones(len(times)), grid, 7.0, robust_scale=0.012)
    both = smooth(
        times, np.stack([values] * 2), np.full((2, len(times)), 0.5), grid, 7.0, robust_scale=0.012
    )
    assert both == pytest.approx(one, abs=1e-6)


@pytest.mark.parametrize("lasts", [1, 2])
def test_what_is_wrong_in_one_of_two_sensors_loses_its_weight(lasts: int) -> None:
    """By a tenth of the stature for a picture or two; the mean would be off by a twentieth."""
    times = np.arange(0, 4, 1 / 15)
    grid = np.arange(0, 4, 1 / 60)
    values = np.full((2, len(times)), 1.2)
    values[0, 30 : 30 + lasts] += 0.1
    curve = smooth(times, values, np.full(values.shape, 0.5), grid, 7.0, robust_scale=0.012)
    assert curve == pytest.approx(1.2, abs=0.004)


def test_too_little_to_hold_a_curve_is_nan() -> None:
    assert np.isnan(smooth(GRID[:3], GRID[:3], np.ones(3), GRID, 6.0)).all()


def test_crossings_and_runs_on_paper() -> None:
    times = np.array([0.0, 1.0, 2.0, 3.0])
    assert crossings(times, np.array([0.0, 1.0, 1.0, -1.0]), 0.5) == pytest.approx([0.5, 2.25])
    assert runs(np.array([False, True, True, False, True])) == [(1, 3), (4, 5)]
