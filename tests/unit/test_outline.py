"""The outline of plates against OpenCV's own ellipse fit on synthetic ellipses.

Source: `cv2.fitEllipse` (Fitzgibbon and Fisher, "A buyer's guide to conic fitting", BMVC 1995) on
the contour of each ellipse as it was drawn, with nothing around it.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from repcount.tracking.outline import DISC, find_outline

SIZE = 141


def drawn(half_width: float, semi_axis: float, x: float, y: float) -> np.ndarray:
    """(SIZE, SIZE) an upright ellipse, 200 on 0, its edge smooth to a sixteenth of a pixel."""
    frame = np.zeros((SIZE, SIZE), np.uint8)
    centre = (round(x * 16), round(y * 16))
    axes = (round(half_width * 16), round(semi_axis * 16))
    cv2.ellipse(frame, centre, axes, 0, 0, 360, 200, -1, cv2.LINE_AA, 4)
    return frame


def fitted(frame: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Centre (2,), half width and vertical semi-axis by OpenCV."""
    contours, _ = cv2.findContours(
        (frame > 100).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    (x, y), axes, angle = cv2.fitEllipse(contours[0])
    wide, high = sorted(axes) if abs(angle) < 45 or abs(angle) > 135 else sorted(axes)[::-1]
    # a contour runs through the middles of the outermost pixels
    return np.array([x, y]), wide / 2 + 0.5, high / 2 + 0.5


@pytest.mark.parametrize("half_width", [18.0, 30.0, 44.0])
@pytest.mark.parametrize(("x", "y", "semi_axis"), [(70.0, 70.0, 48.0), (75.0, 66.0, 46.5)])
def test_an_ellipse_in_front_of_what_runs_past(
    half_width: float, x: float, y: float, semi_axis: float
) -> None:
    frame = drawn(half_width, semi_axis, x, y)
    rng = np.random.default_rng(1)
    inside = frame > 100
    stack = []
    for _ in range(12):
        behind = cv2.GaussianBlur(rng.normal(90, 60, (SIZE, SIZE)).astype(np.float32), (0, 0), 4)
        stack.append(np.where(inside, 170.0, behind) + rng.normal(0, 3, (SIZE, SIZE)))
    frames = np.stack(stack).astype(np.float32)
    known = np.ones((SIZE, SIZE), bool)
    found = find_outline(frames.mean(0), frames.std(0), known, 0.8 * half_width, 50.0)
    centre, wide, high = fitted(frame)
    assert found.form == DISC
    # the scale of a plate is said to be good to 4 % (root mean square): within 1.5 times that
    assert found.semi_axis == pytest.approx(high, rel=0.06)
    assert found.half_width == pytest.approx(wide, abs=0.07 * high)  # nothing is estimated from it
    assert found.centre == pytest.approx(centre, abs=2.0)  # a fiftieth of the diameter
