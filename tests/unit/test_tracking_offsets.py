"""The line from a followed patch to the plates' outer face, against NumPy's least squares."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.tracking.offsets import OffsetModel

AXIS = 40.0


def sightings(count: int, spread: float, seed: int = 3) -> np.ndarray:
    """Height, way (x, y) and size, which change over height by 0.02, 0 and 0.01 of it."""
    rng = np.random.default_rng(seed)
    height = rng.uniform(0, spread * AXIS, count)
    parts = [8 + 0.02 * height, np.full(count, -3.0), AXIS - 0.01 * height]
    return np.stack([height, *(part + rng.normal(0, 0.5, count) for part in parts)], axis=1)


def test_where_many_heights_were_seen_the_line_is_that_of_least_squares() -> None:
    table = sightings(200, 9)
    heights = np.linspace(table[:, 0].min(), table[:, 0].max(), 5)
    offsets, sizes = OffsetModel(table)(heights)
    for got, column in zip([*offsets.T, sizes], table.T[1:], strict=True):
        line = np.polyval(np.polyfit(table[:, 0], column, 1), heights)
        assert got == pytest.approx(line, abs=0.15)


def test_few_sightings_and_a_wrong_one_tell_of_no_slope() -> None:
    table = sightings(4, 0.5)
    table[3] += (0, 30, 30, 20)
    offsets, sizes = OffsetModel(table)(np.array([0.0, 0.5 * AXIS]))
    assert np.ptp(offsets, axis=0) == pytest.approx([0, 0], abs=0.5)
    assert sizes == pytest.approx([AXIS, AXIS], abs=1)
