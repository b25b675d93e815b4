"""The bar followed on drawn frames, and where the network is asked to say where it is."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import cv2
import numpy as np
import pytest

from repcount.tracking.bar import LARGEST, Bar
from repcount.tracking.bar_net import BarSighting
from repcount.tracking.hands import Hands

SIZE = (360, 640)
SEMI_AXIS = 40.0
RATE_HZ = 30.0


class ScriptedNetwork:
    """Stands in for the network: says where the ends are until it is told to say nothing."""

    def __init__(self, ends: Callable[[float], np.ndarray], until_s: float) -> None:
        self.ends, self.until_s = ends, until_s
        self.time_s, self.step_px = 0.0, 1

    def find(self, frame: np.ndarray, box: np.ndarray) -> BarSighting:
        self.step_px = round(SIZE[0] / frame.shape[0])
        sure = np.full(2, 0.9 if self.time_s <= self.until_s else 0.0)
        ends, axis = self.ends(self.time_s) / self.step_px, np.full(2, SEMI_AXIS / self.step_px)
        return BarSighting(ends, axis, sure, np.ones(2))


def ends_at(time_s: float) -> np.ndarray:
    """(2, 2) the bar lies for half a second and is lifted then."""
    up = 150.0 * np.clip(time_s - 0.5, 0.0, 1.0)
    return np.array([[170.0, 270.0 - up], [470.0, 270.0 - up]])


def picture_of(ends: np.ndarray, room: np.ndarray) -> np.ndarray:
    """Two discs with rings and a spoke, drawn to an eighth of a pixel."""
    gray, fine = room.copy(), 8
    for x, y in ends:
        centre = (round((x - 0.5) * fine), round((y - 0.5) * fine))
        for fraction, level in ((1.0, 40), (0.7, 110), (0.35, 60)):
            radius = round(SEMI_AXIS * fraction * fine)
            cv2.circle(gray, centre, radius, level, -1, cv2.LINE_AA, shift=3)
        tip = (centre[0] + round(0.8 * SEMI_AXIS * fine), centre[1] - round(0.3 * SEMI_AXIS * fine))
        cv2.line(gray, centre, tip, 200, 3, cv2.LINE_AA, shift=3)
    return gray


@pytest.fixture(scope="module")
def room() -> np.ndarray:
    noise = np.random.default_rng(3).normal(size=SIZE).astype(np.float32)
    return np.clip(cv2.GaussianBlur(noise, (0, 0), 4) * 300 + 150, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("grown", [1.1, 2.2, 3.3])
def test_a_body_that_turns_out_larger_does_not_lose_the_bar(room: np.ndarray, grown: float) -> None:
    """Standing up from the bar the athlete is measured larger, and smaller frames will do: what
    is known of the bar goes on, in the same pixels. The network sees nothing from there on."""
    net = ScriptedNetwork(ends_at, until_s=0.8)
    bar = Bar(net)  # type: ignore[arg-type]
    times = np.arange(0, 1.6, 1 / RATE_HZ)
    square = np.array([0.0, -140.0, 640.0, 500.0])
    for net.time_s in times:
        ends = ends_at(net.time_s)
        size = 0.95 * LARGEST * (1.0 if net.time_s < 0.9 else grown)
        hands = Hands(ends[0] + (100, 0), ends[1] - (100, 0), size)
        bar.step(
            picture_of(ends, room), float(net.time_s), hands, lambda: square, np.zeros(2), False
        )
    found = bar.result()
    true = np.array([ends_at(time_s) for time_s in times])
    assert (found.confidence > 0).all()
    assert np.hypot(*np.moveaxis(found.ends - true, -1, 0)).max() < 0.1 * 2 * SEMI_AXIS
    assert found.semi_axis == pytest.approx(np.full_like(found.semi_axis, SEMI_AXIS), rel=0.02)
    steps = [np.abs(b - a).max() for a, b in pairwise(found.ends)]
    assert max(steps) < 150.0 / RATE_HZ + 1.5


@pytest.mark.parametrize("apart", [0.0, 4.0])
def test_one_plate_is_not_both_ends(room: np.ndarray, apart: float) -> None:
    """From the side the near plate hides the far one, and the network sees both ends in it."""

    def ends_then(time_s: float) -> np.ndarray:
        _, right = ends_at(time_s)
        return np.array([right - (apart, 0), right])

    net = ScriptedNetwork(ends_then, until_s=2.0)
    bar = Bar(net)  # type: ignore[arg-type]
    times = np.arange(0, 1.6, 1 / RATE_HZ)
    square = np.array([0.0, -140.0, 640.0, 500.0])
    for net.time_s in times:
        plate = ends_at(net.time_s)[1:]
        hands = Hands(plate[0] - (15, 0), plate[0] + (15, 0), 0.9 * LARGEST)
        bar.step(
            picture_of(plate, room), float(net.time_s), hands, lambda: square, np.zeros(2), False
        )
    found = bar.result()
    given = found.confidence > 0
    assert (given.sum(1) == 1).mean() > 0.9
    assert given.sum(1).max() == 1
    true = np.array([ends_at(time_s)[1] for time_s in times])
    side = int(given.sum(0).argmax())
    miss = np.hypot(*(found.ends[:, side] - true).T)
    assert np.nanmax(miss) < 0.1 * 2 * SEMI_AXIS


@pytest.mark.parametrize("leaps", [0, 1])
def test_the_end_that_slides_onto_the_others_plate_is_let_go(room: np.ndarray, leaps: int) -> None:
    """By so little that the two still move like one bar."""

    def near(time_s: float) -> np.ndarray:
        _, right = ends_at(time_s)
        return np.array([right - (0.3 * SEMI_AXIS, 0), right])

    net = ScriptedNetwork(near, until_s=0.8)
    bar = Bar(net)  # type: ignore[arg-type]
    square = np.array([0.0, -140.0, 640.0, 500.0])
    times = np.arange(0, 1.3, 1 / RATE_HZ)
    for net.time_s in times:
        ends = near(net.time_s)
        hands = Hands(ends[0] - (15, 0), ends[1] + (15, 0), 0.9 * LARGEST)
        if 0.95 < net.time_s < 0.95 + 1.5 / RATE_HZ:
            one, other = bar.ends[leaps], bar.ends[1 - leaps]
            assert one is not None
            assert other is not None
            one.centre, one.patch, one.offset = other.centre, other.patch.copy(), other.offset
        bar.step(
            picture_of(ends, room), float(net.time_s), hands, lambda: square, np.zeros(2), False
        )
    found = bar.result()
    after = times > 1.0
    assert (found.confidence[times < 0.9] > 0).all()
    assert ((found.confidence[after] > 0).sum(1) == 1).all()
    assert sum(end is not None and end.seen for end in bar.ends) == 1


def test_an_end_that_is_hidden_for_a_moment_is_filled_in_and_said_to_be(room: np.ndarray) -> None:
    """Where the other end is seen the bar is rigid; what was seen is never called filled in."""
    net = ScriptedNetwork(ends_at, until_s=0.8)
    bar = Bar(net)  # type: ignore[arg-type]
    square = np.array([0.0, -140.0, 640.0, 500.0])
    times = np.arange(0, 1.6, 1 / RATE_HZ)
    hidden = (times > 1.0) & (times < 1.2)
    for net.time_s, behind in zip(times, hidden, strict=True):
        ends = ends_at(net.time_s)
        hands = Hands(ends[0] + (100, 0), ends[1] - (100, 0), 0.9 * LARGEST)
        frame = picture_of(ends[:1] if behind else ends, room)
        bar.step(frame, float(net.time_s), hands, lambda: square, np.zeros(2), False)
    found = bar.result()
    true = np.array([ends_at(time_s) for time_s in times])
    assert found.interpolated[hidden, 1].all()
    assert not found.interpolated[~hidden].any()
    assert not found.interpolated[:, 0].any()
    assert np.hypot(*np.moveaxis(found.ends - true, -1, 0))[hidden].max() < 0.1 * 2 * SEMI_AXIS
