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


def test_of_two_ends_the_one_that_is_followed_better_tells_the_height():
    """Looks that correlate by 0.98 and 0.80 are placed with standard deviations of 1 to 3.7."""
    bar, rng = lifts(), np.random.default_rng(4)
    trust = np.stack([np.full(len(T), 0.98), np.full(len(T), 0.80)])
    noise = 0.002 * np.sqrt((1 - trust**2) / trust**2) / 0.203 * rng.normal(size=trust.shape)
    found = told(np.stack([bar, bar]) + noise, trust)
    assert (found - bar).std() < 1.3 * noise[0].std()
    assert noise.mean(0).std() > 1.8 * noise[0].std()


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


@pytest.mark.parametrize("way", [0.35, 0.7])
def test_an_end_is_not_right_on_both_sides_of_a_leap_that_no_bar_makes(way):
    """From one picture to the next a bar goes 0.13 of the stature at most: before it stood another
    thing, though nothing else was seen."""
    levels = np.stack([np.full(len(T), 0.13), UNSEEN])
    after = T > 6
    levels[0, after] = 0.13 + way + lifts()[after] - lifts().min()
    right = right_ends(T, levels, SURE, UNSEEN)[0]
    assert right[~after].max() + right[after].max() < 1.01


def test_an_end_that_leaps_sideways_is_another_thing_as_well():
    bar = lifts()
    levels = np.stack([bar, bar])
    wrong = T < 4
    levels[0, wrong] += 0.1
    sideways = np.stack([np.where(wrong, -0.8, -0.4), np.full(len(T), 0.4)])
    blind = right_ends(T, levels, SURE, UNSEEN)[0]
    seeing = right_ends(T, levels, SURE, UNSEEN, sideways=sideways)[0]
    assert blind[wrong].mean() == pytest.approx(blind[~wrong].mean(), abs=1e-6)
    assert seeing[wrong].max() < 0.1
    assert seeing[~wrong].min() > 0.9


def test_a_cut_of_the_film_is_no_leap():
    levels = np.stack([lifts(), UNSEEN])
    cut = int(np.argmax(T > 6))
    levels[0, cut:] += 0.4
    right = right_ends(T, levels, SURE, UNSEEN, cuts=[cut])[0]
    assert right.min() > 0.9
    assert right_ends(T, levels, SURE, UNSEEN)[0].min() < 0.6


def test_hands_beside_a_bar_on_a_stand_say_little():
    """It lies as still as one on the floor: an end of it that is seen there is no wrong one."""
    stand = np.full(len(T), 0.75)
    levels = np.stack([stand, UNSEEN])
    moving = stand + 0.1 * np.sin(4 * T)
    away = stand - 0.3
    assert right_ends(T, levels, SURE, away)[0].min() > 0.9
    assert right_ends(T, np.stack([moving, UNSEEN]), SURE, away)[0].max() < 0.9


def test_a_film_of_no_samples_has_no_ends():
    nothing = np.zeros((2, 0))
    assert right_ends(np.zeros(0), nothing, nothing, np.zeros(0)).shape == (2, 0)
