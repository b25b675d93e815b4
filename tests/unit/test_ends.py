"""Which tracked ends are the bar's: made-up heights, in which it is known which are right."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.motion.ends import joined, middles, right_ends

T = np.arange(0, 12, 1 / 30)
UNSEEN = np.full(len(T), np.nan)
SURE = np.ones((2, len(T)))


def lifts() -> np.ndarray:
    """Four lifts from 0.13 to 0.45 of the stature, three seconds each."""
    return 0.29 - 0.16 * np.cos(2 * np.pi * T / 3)


def told(levels: np.ndarray, trust: np.ndarray = SURE, hand: np.ndarray = UNSEEN) -> np.ndarray:
    return joined(*middles(T, levels, trust, right_ends(T, levels, trust, hand)))[0]


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("away", [0.25, -0.2, 0.9])
def test_an_end_that_leaps_to_another_plate_and_back_is_left_out_there(side, away):
    bar = lifts()
    levels = np.stack([bar, bar])
    wrong = (T > 6.1) & (T < 8.4)
    levels[side, wrong] = bar[np.argmax(wrong)] + away + 0.02 * np.sin(T[wrong])
    assert told(levels) == pytest.approx(bar, abs=0.005)


def test_a_bar_that_comes_to_hang_askew_makes_no_step():
    """The border between two ends that agree and two that do not lies nowhere."""
    bar = lifts()
    lean = np.clip((T - 4) / 60, 0, 0.08)
    found = told(np.stack([bar + lean / 2, bar - lean / 2]))
    assert found == pytest.approx(bar, abs=0.006)
    assert np.abs(np.diff(found - bar)).max() < 0.002


def test_an_end_that_is_lost_leaves_the_height_where_it_was():
    bar = lifts()
    levels = np.stack([bar + 0.02, bar - 0.02])
    levels[1, (T > 5) & (T < 6)] = np.nan
    found = told(levels)
    assert found == pytest.approx(bar, abs=0.01)


def test_an_only_end_that_leaps_to_where_no_bar_can_be_tells_nothing_there():
    bar = lifts()
    levels = np.stack([bar, np.full(len(T), np.nan)])
    wrong = T > 7
    levels[0, wrong] = 1.5
    trust = SURE.copy()
    trust[:, wrong] = 0.5
    found = told(levels, trust)
    assert np.isnan(found[wrong]).all()
    assert found[~wrong] == pytest.approx(bar[~wrong], abs=0.005)


def test_hands_say_which_of_two_ends_is_wrong_from_the_beginning():
    bar = lifts()
    levels = np.stack([bar, np.full(len(T), 0.13)])
    found = told(levels, hand=bar + 0.02 * np.sin(9 * T))
    assert found == pytest.approx(bar, abs=0.01)


def test_a_free_fall_from_overhead_is_no_leap():
    """9.81 m/s² from 1.23 of a stature of 1.70 m to the plates' radius, seen 30 times a second."""
    fallen = 1.23 - 9.81 / 1.70 / 2 * np.maximum(T - 6, 0) ** 2
    bar = np.maximum(fallen, 0.13)
    found = told(np.stack([bar, bar]))
    assert found == pytest.approx(bar, abs=1e-6)


def test_a_film_of_no_samples_has_no_ends():
    nothing = np.zeros((2, 0))
    assert right_ends(np.zeros(0), nothing, nothing, np.zeros(0)).shape == (2, 0)
