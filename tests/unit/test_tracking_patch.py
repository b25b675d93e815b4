"""Patches: a known shift is found again, to a fraction of a pixel, whatever the light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.tracking.camera import shrunk
from repcount.tracking.end import coarser
from repcount.tracking.patch import SLIDE_PX, Patch, View, correlation

SIZE = (41, 51)


def texture(seed: int = 0) -> np.ndarray:
    """(300, 300) uint8, smooth and irregular."""
    noise = np.random.default_rng(seed).normal(size=(300, 300)).astype(np.float32)
    return np.clip(cv2.GaussianBlur(noise, (0, 0), 3) * 500 + 120, 0, 255).astype(np.uint8)


def moved(
    gray: np.ndarray, dx: float, dy: float, gain: float = 1.0, offset: float = 0.0
) -> np.ndarray:
    step = np.array([[1, 0, dx], [0, 1, dy]], np.float64)
    shifted = cv2.warpAffine(
        gray.astype(np.float32),
        step,
        gray.shape[::-1],
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )
    noise = np.random.default_rng(1).normal(scale=2.0, size=gray.shape)
    return np.clip(gain * shifted + offset + noise, 0, 255).astype(np.uint8)


def patch_of(gray: np.ndarray, centre: np.ndarray) -> Patch:
    whole = np.ones(SIZE[::-1], np.float32)
    look = View(gray, centre, np.array(SIZE) / 2).cut_out(centre, SIZE)
    return Patch(look, whole, whole)


@settings(deadline=None, max_examples=25)
@given(
    dx=st.floats(-2.5, 2.5),
    dy=st.floats(-2.5, 2.5),
    gain=st.floats(0.7, 1.2),
    offset=st.floats(-15, 15),
)
def test_a_small_shift_is_found_to_a_tenth_of_a_pixel(
    dx: float, dy: float, gain: float, offset: float
) -> None:
    gray, centre = texture(), np.array([150.0, 140.0])
    at, alike = patch_of(gray, centre).fine(moved(gray, dx, dy, gain, offset), centre)
    assert at == pytest.approx(centre + [dx, dy], abs=0.1)
    assert alike > 0.95


@pytest.mark.parametrize(("dx", "dy"), [(9.3, -17.6), (-12.0, 21.4), (0.0, 24.5)])
def test_a_large_shift_is_found_by_searching(dx: float, dy: float) -> None:
    gray, centre = texture(), np.array([150.0, 140.0])
    at, alike = patch_of(gray, centre).search(moved(gray, dx, dy), centre, np.array([16.0, 26.0]))
    assert at == pytest.approx(centre + [dx, dy], abs=0.1)
    assert alike > 0.95


@pytest.mark.parametrize("by", [2, 3])
def test_in_smaller_frames_the_same_patch_is_found(by: int) -> None:
    gray, centre = texture(), np.array([150.0, 140.0])
    small = patch_of(shrunk(gray, by), coarser(centre, by))
    at, alike = small.fine(shrunk(moved(gray, 3.4, -2.2), by), coarser(centre, by))
    assert at == pytest.approx(coarser(centre + [3.4, -2.2], by), abs=0.1)
    assert alike > 0.95


def test_something_else_is_not_alike() -> None:
    centre = np.array([150.0, 140.0])
    _, alike = patch_of(texture(), centre).search(texture(7), centre, np.array([20.0, 20.0]))
    assert alike < 0.6


def test_the_fine_fit_does_not_slide_away() -> None:
    centre = np.array([150.0, 140.0])
    at, _ = patch_of(texture(), centre).fine(texture(3), centre)
    assert np.hypot(*(at - centre)) <= SLIDE_PX


def test_the_inside_is_enough_when_what_is_behind_turns_dark() -> None:
    y, x = np.mgrid[:300, :300]
    disc = (x - 150) ** 2 + (y - 140) ** 2 <= 15**2
    light, dark = (np.where(disc, texture(), level).astype(np.uint8) for level in (230, 10))
    centre = np.array([150.0, 140.0])
    inner = (disc & ((x - 150) ** 2 + (y - 140) ** 2 <= 12**2))[115:166, 130:171]
    patch = Patch(
        View(light, centre, np.array(SIZE) / 2).cut_out(centre, SIZE),
        inner.astype(np.float32),
        np.ones(SIZE[::-1], np.float32),
    )
    at, alike = patch.fine(moved(dark, 1.5, -1.0), centre)
    assert at == pytest.approx(centre + [1.5, -1.0], abs=0.15)
    assert alike > 0.8


def test_the_look_is_not_learned_from_something_else() -> None:
    gray, centre = texture(), np.array([150.0, 140.0])
    patch = patch_of(gray, centre)
    before = patch.look.copy()
    patch.learn(texture(9), centre, 0.5, 0.6)
    np.testing.assert_array_equal(patch.look, before)
    patch.learn(moved(gray, 0, 0), centre, 0.5, 0.6)
    assert not np.array_equal(patch.look, before)


@pytest.mark.parametrize("centre", [(-40.0, 20.0), (400.0, 400.0), (2.0, 2.0), (299.0, 150.0)])
def test_a_view_beyond_the_frame_is_no_error(centre: tuple[float, float]) -> None:
    part = View(texture(), np.array(centre), np.array([20.0, 20.0]))
    assert part.cut_out(np.array(centre), SIZE).shape == SIZE[::-1]


def test_correlation_knows_gain_and_flatness() -> None:
    one, weight = texture().astype(np.float32), np.ones((300, 300), np.float32)
    assert correlation(one, 0.5 * one + 30, weight) == pytest.approx(1.0, abs=1e-5)
    assert correlation(one, 255 - one, weight) == pytest.approx(-1.0, abs=1e-5)
    assert correlation(one, np.full_like(one, 7), weight) == 0.0
