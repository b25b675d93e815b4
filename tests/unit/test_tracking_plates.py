"""Plates in a map of what moved with the hands."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.tracking.plates import NEARER, REACH, SEMI_AXIS, UNIT_PX, find_discs

LARGEST = SEMI_AXIS * UNIT_PX * NEARER[1]


def votes(*discs: tuple[float, float, float]) -> np.ndarray:
    """A map with discs (x and y from the middle, semi-axis; map pixels) that always moved along."""
    height, width = int(2 * REACH[1] * UNIT_PX), int(2 * REACH[0] * UNIT_PX)
    y, x = np.mgrid[:height, :width]
    fraction = np.zeros((height, width))
    for dx, dy, radius in discs:
        fraction[np.hypot(x - width / 2 - dx, y - height / 2 - dy) <= radius] = 1.0
    return fraction


def test_two_discs_out_along_the_line_of_the_hands() -> None:
    radius = SEMI_AXIS * UNIT_PX
    fraction = votes((-75.0, 4.0, radius), (70.0, -3.0, radius))
    left, right = find_discs(fraction, np.array([50.0, 0.0]))
    assert left is not None
    assert right is not None
    middle = np.array(fraction.shape[::-1]) / 2
    assert left.centre - middle == pytest.approx([-75.0, 4.0], abs=4.0)
    assert right.centre - middle == pytest.approx([70.0, -3.0], abs=4.0)
    assert (left.semi_axis, right.semi_axis) == pytest.approx((radius, radius), rel=0.25)


@pytest.mark.parametrize("near", [0.4, 1.0, 3.0])
def test_from_the_side_no_plate_is_larger_than_plates_are(near: float) -> None:
    """One plate is where the hands are; how far out it lies says nothing of the other's size."""
    radius = SEMI_AXIS * UNIT_PX
    fraction = votes((-near, 0.0, radius), (60.0, 0.0, radius))
    found = [disc for disc in find_discs(fraction, np.array([2.0, 0.0])) if disc is not None]
    assert found
    assert max(disc.semi_axis for disc in found) <= LARGEST * 1.001
