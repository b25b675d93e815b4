"""The camera: known shifts are measured, cuts are found, fast pans and dark frames are none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from repcount.tracking.camera import MIN_POINTS, Camera, Cuts, correlation, shrunk


def scene(seed: int = 0, height: int = 480, width: int = 640) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(size=(height, width)).astype(np.float32)
    frame = 90 * cv2.GaussianBlur(noise, (0, 0), 12) / 0.025 * 0.02
    frame += 500 * cv2.GaussianBlur(noise, (0, 0), 3)
    return np.clip(frame + 120, 0, 255).astype(np.uint8)


def moved(gray: np.ndarray, dx: float, dy: float) -> np.ndarray:
    step = np.array([[1, 0, dx], [0, 1, dy]], np.float64)
    return cv2.warpAffine(gray, step, gray.shape[::-1], borderMode=cv2.BORDER_REFLECT)


def test_a_known_sway_is_measured_in_full_size_pixels() -> None:
    camera, gray = Camera(), scene()
    # Two pixels of the full frame to one: shifts come back doubled.
    for k in range(60):
        dx, dy = 6 * np.sin(k / 9), 4 * np.cos(k / 7) - 4
        found = camera.step(moved(gray, dx, dy), k / 30, 2.0, [], False).shift
        assert found == pytest.approx([2 * dx, 2 * dy], abs=0.8)


def test_what_moves_by_itself_is_no_background() -> None:
    camera, gray = Camera(), scene()
    person = np.array([200.0, 100.0, 440.0, 480.0])
    inner = moved(scene(5), 0, 0)
    for k in range(30):
        frame = gray.copy()
        frame[100:, 200:440] = moved(inner, 0, -4.0 * k)[100:, 200:440]
        found = camera.step(frame, k / 30, 1.0, [person], False).shift
    assert found == pytest.approx([0, 0], abs=0.3)


def test_a_new_shot_starts_at_zero() -> None:
    camera = Camera()
    camera.step(scene(), 0.0, 1.0, [], False)
    camera.step(moved(scene(), 5, 5), 1 / 30, 1.0, [], False)
    assert camera.step(scene(8), 2 / 30, 1.0, [], True).shift == pytest.approx([0, 0])


def test_a_featureless_frame_is_no_error() -> None:
    camera, flat = Camera(), np.full((480, 640), 50, np.uint8)
    for k in range(3):
        found = camera.step(flat, k / 30, 1.0, [], False)
        assert found.shift == pytest.approx([0, 0])
        assert found.brightness == pytest.approx(50)


def test_a_cut_is_found_where_it_is() -> None:
    cuts = Cuts()
    shots = [scene(0)] * 5 + [scene(1)] * 5
    found = [cuts.step(moved(gray, k, -k)) for k, gray in enumerate(shots)]
    assert found == [False] * 5 + [True] + [False] * 4


@pytest.mark.parametrize("step", [(60, 0), (0, 45), (-50, 20)])
def test_a_fast_pan_is_no_cut(step: tuple[int, int]) -> None:
    cuts, wide = Cuts(), scene(3, 700, 900)
    cuts.step(wide[100:580, 100:740])
    assert not cuts.step(wide[100 + step[1] : 580 + step[1], 100 + step[0] : 740 + step[0]])


def test_a_lamp_switched_or_a_covered_lens_is_no_cut() -> None:
    cuts, gray = Cuts(), scene()
    cuts.step(gray)
    assert not cuts.step((gray * 0.5).astype(np.uint8))
    black = Cuts()
    black.step(np.full((480, 640), 4, np.uint8))
    assert not black.step(np.full((480, 640), 9, np.uint8))


def test_shrinking_keeps_means_and_cuts_what_is_left_over() -> None:
    gray = scene(0, 101, 203)
    small = shrunk(gray, 4)
    assert small.shape == (25, 50)
    assert small.mean() == pytest.approx(gray[:100, :200].mean(), abs=0.6)
    assert shrunk(gray, 1) is gray


def test_correlation_is_pearson() -> None:
    """Against NumPy's own `corrcoef`."""
    one, two = scene(0).astype(np.float32), scene(0).astype(np.float32) + scene(2)
    assert correlation(one, two) == pytest.approx(
        np.corrcoef(one.ravel(), two.ravel())[0, 1], abs=1e-3
    )


def test_a_plain_wall_behind_bright_plates_stays_where_it_is() -> None:
    """The strongest corners of the frame are those of plates that go up and down; the wall's own
    marks are faint, and the plates are not masked."""
    faint = np.full((480, 640), 120, np.uint8)
    rng = np.random.default_rng(3)
    for x, y in rng.integers((20, 20), (620, 460), (60, 2)):
        cv2.rectangle(faint, (int(x), int(y)), (int(x) + 12, int(y) + 9), 132, -1)
    camera = Camera()
    for k in range(90):
        frame = faint.copy()
        up = round(150 * np.sin(k / 12))
        for x in (120, 480):
            cv2.rectangle(frame, (x, 220 - up), (x + 60, 260 - up), 250, -1)
            for dot in range(0, 60, 12):
                cv2.circle(frame, (x + dot, 240 - up), 5, 10, -1)
        found = camera.step(frame, k / 30, 1.0, [], False).shift
        assert found == pytest.approx([0, 0], abs=0.5)


def test_a_point_that_something_comes_over_is_let_go() -> None:
    camera, gray = Camera(), scene()
    camera.step(gray, 0.0, 1.0, [], False)
    before = len(camera.points)
    camera.step(gray, 1 / 30, 1.0, [np.array([0.0, 0.0, 320.0, 480.0])], False)
    assert MIN_POINTS <= len(camera.points) < before
