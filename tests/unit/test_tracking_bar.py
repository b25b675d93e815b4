"""The bar followed on drawn frames, and where the network is asked to say where it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import pytest

from repcount.tracking.bar import Bar, BarTrack
from repcount.tracking.bar_net import Candidate
from repcount.tracking.hands import Hands

SIZE = (360, 640)
SEMI_AXIS = 40.0
RATE_HZ = 30.0


class ScriptedNetwork:
    """Stands in for the network: sees the bar's ends with one probability until it is told to see
    nothing, and another thing on either side with another all the time."""

    def __init__(
        self,
        ends: Callable[[float], np.ndarray],
        until_s: float,
        sure: float = 0.9,
        others: Sequence[tuple[np.ndarray, float]] = (),
    ) -> None:
        self.ends, self.until_s, self.sure, self.others = ends, until_s, sure, others
        self.time_s = 0.0

    def candidates(
        self, frame: np.ndarray, box: np.ndarray, count: int
    ) -> tuple[list[Candidate], list[Candidate]]:
        seen = [[Candidate(place, SEMI_AXIS, sure)] for place, sure in self.others] or [[], []]
        if self.time_s <= self.until_s:
            for side, end in zip(seen, self.ends(self.time_s), strict=True):
                side.append(Candidate(end, SEMI_AXIS, self.sure))
        left, right = (sorted(side, key=lambda one: -one.probability)[:count] for side in seen)
        return left, right


def ends_at(time_s: float) -> np.ndarray:
    """(2, 2) the bar lies for half a second and is lifted then."""
    up = 150.0 * np.clip(time_s - 0.5, 0.0, 1.0)
    return np.array([[170.0, 270.0 - up], [470.0, 270.0 - up]])


def picture_of(ends: np.ndarray, room: np.ndarray) -> np.ndarray:
    """Two discs with rings and a spoke, drawn to an eighth of a pixel."""
    gray, fine = room.copy(), 8
    for x, y in ends:
        centre = (round((x - 0.5) * fine), round((y - 0.5) * fine))
        for share, level in ((1.0, 40), (0.7, 110), (0.35, 60)):
            radius = round(SEMI_AXIS * share * fine)
            cv2.circle(gray, centre, radius, level, -1, cv2.LINE_AA, shift=3)
        tip = (centre[0] + round(0.8 * SEMI_AXIS * fine), centre[1] - round(0.3 * SEMI_AXIS * fine))
        cv2.line(gray, centre, tip, 200, 3, cv2.LINE_AA, shift=3)
    return gray


@pytest.fixture(scope="module")
def room() -> np.ndarray:
    noise = np.random.default_rng(3).normal(size=SIZE).astype(np.float32)
    return np.clip(cv2.GaussianBlur(noise, (0, 0), 4) * 300 + 150, 0, 255).astype(np.uint8)


def followed(
    net: ScriptedNetwork,
    room: np.ndarray,
    until_s: float = 1.6,
    drawn: Callable[[float], np.ndarray] | None = None,
    grip: tuple[float, float] = (100.0, 0.0),
    hands_until_s: float = np.inf,
) -> tuple[BarTrack, np.ndarray]:
    """The track and the times of the frames; `drawn` the plates in them (those of `net.ends`), the
    hands `grip` inwards of the bar's ends, known for so long."""
    bar = Bar(net)  # type: ignore[arg-type]
    times = np.arange(0, until_s, 1 / RATE_HZ)
    square = np.array([0.0, -140.0, 640.0, 500.0])
    for net.time_s in times:
        ends = net.ends(net.time_s)
        hands = Hands(ends[0] + grip, ends[1] - grip, 85.0)
        plates = ends if drawn is None else drawn(net.time_s)
        frame = picture_of(plates, room)
        known = hands if net.time_s < hands_until_s else None
        bar.step(frame, float(net.time_s), known, lambda: square, np.zeros(2), False)
    return bar.result(), times


def miss(found: BarTrack, times: np.ndarray) -> np.ndarray:
    """(T, 2) how far the ends are from the true ones, in plate diameters."""
    true = np.array([ends_at(time_s) for time_s in times])
    return np.hypot(*np.moveaxis(found.ends - true, -1, 0)) / (2 * SEMI_AXIS)


def test_a_bar_that_the_network_no_longer_sees_is_followed_through_a_lift(room: np.ndarray) -> None:
    found, times = followed(ScriptedNetwork(ends_at, until_s=0.6), room)
    assert (found.confidence > 0.5).all()
    assert miss(found, times).max() < 0.1
    assert found.semi_axis == pytest.approx(np.full_like(found.semi_axis, SEMI_AXIS), rel=0.02)
    assert found.confirmed.all()
    assert not found.interpolated.any()
    steps = [np.abs(b - a).max() for a, b in pairwise(found.ends)]
    assert max(steps) < 150.0 / RATE_HZ + 1.5


def test_a_bar_that_is_seen_late_was_there_before(room: np.ndarray) -> None:
    class Late(ScriptedNetwork):
        def candidates(self, *asked: Any) -> tuple[list[Candidate], list[Candidate]]:
            return super().candidates(*asked) if self.time_s > 1.0 else ([], [])

    found, times = followed(Late(ends_at, until_s=3.0), room, until_s=2.0)
    assert (found.confidence > 0.5).all()
    assert miss(found, times).max() < 0.1


def test_what_stands_still_while_the_bar_is_lifted_is_not_the_bar(room: np.ndarray) -> None:
    """A poster or a spare plate that the network takes for an end more readily than the bar's."""
    spare = np.array([[60.0, 120.0], [590.0, 120.0]])
    net = ScriptedNetwork(ends_at, 2.0, sure=0.42, others=[(place, 0.5) for place in spare])
    found, times = followed(net, room, drawn=lambda time_s: np.vstack([ends_at(time_s), spare]))
    assert (found.confidence > 0.5).all()
    assert miss(found, times).max() < 0.1


def test_an_end_that_stays_behind_while_the_other_goes_down_is_hidden(room: np.ndarray) -> None:
    """What is followed there is a thing behind it, to which it comes back; no hands are seen."""

    def lowered(time_s: float) -> np.ndarray:
        return ends_at(1.5) + [0.0, 75.0 * (1 - np.cos(np.pi * np.clip(time_s - 2, 0, 2)))]

    class Overlooks(ScriptedNetwork):
        def candidates(self, *asked: Any) -> tuple[list[Candidate], list[Candidate]]:
            left, right = super().candidates(*asked)
            return left if self.time_s < 1.5 else [], right

    def ends_then(time_s: float) -> np.ndarray:
        return ends_at(time_s) if time_s < 2 else lowered(time_s)

    found, times = followed(
        Overlooks(ends_then, 9.0),
        room,
        until_s=4.5,
        drawn=lambda time_s: np.stack([ends_at(min(time_s, 1.5))[0], ends_then(time_s)[1]]),
        hands_until_s=1.9,
    )
    down = np.abs(times - 3) < 0.7
    assert (found.confidence[down, 1] > 0.5).all()
    assert (found.confidence[down, 0] == 0).all()
    assert (found.confidence[times < 1.9] > 0.5).all()


@pytest.mark.parametrize("apart", [0.0, 4.0])
def test_one_plate_is_not_both_ends(room: np.ndarray, apart: float) -> None:
    """From the side the near plate hides the far one, and the network sees both ends in it."""

    def ends_then(time_s: float) -> np.ndarray:
        _, right = ends_at(time_s)
        return np.array([right - (apart, 0), right])

    found, times = followed(
        ScriptedNetwork(ends_then, 2.0),
        room,
        drawn=lambda time_s: ends_at(time_s)[1:],
        grip=(-15.0, 0.0),
    )
    given = found.confidence > 0
    assert (given.sum(1) == 1).mean() > 0.9
    assert given.sum(1).max() == 1
    true = np.array([ends_at(time_s)[1] for time_s in times])
    away = np.hypot(*np.moveaxis(found.ends - true[:, None], -1, 0))
    assert np.nanmax(away) < 0.1 * 2 * SEMI_AXIS


def test_two_things_farther_apart_than_a_bar_is_long_are_not_its_ends(room: np.ndarray) -> None:
    """Plates of 40 pixels are 2.9 m apart at 515 pixels: only one of them is the bar's."""

    def ends_then(time_s: float) -> np.ndarray:
        return ends_at(time_s) + [[-107.0, 0.0], [108.0, 0.0]]

    still = followed(ScriptedNetwork(lambda _: ends_then(0.0), 2.0), room)[0]
    assert ((still.confidence > 0).sum(1) <= 1).all()


def test_an_end_that_is_hidden_for_a_moment_is_filled_in_and_said_to_be(room: np.ndarray) -> None:
    """Where the other end is seen the bar is rigid; what was seen is never called filled in."""

    class Hides(ScriptedNetwork):
        def candidates(self, *asked: Any) -> tuple[list[Candidate], list[Candidate]]:
            left, right = super().candidates(*asked)
            return left, [] if 1.0 < self.time_s < 1.2 else right

    found, times = followed(
        Hides(ends_at, 3.0),
        room,
        until_s=2.2,
        drawn=lambda time_s: ends_at(time_s)[: 1 if 1.0 < time_s < 1.2 else 2],
    )
    hidden = (times > 1.0) & (times < 1.2)
    assert found.interpolated[hidden, 1].all()
    assert not found.interpolated[~hidden].any()
    assert not found.interpolated[:, 0].any()
    assert miss(found, times)[hidden].max() < 0.1


def test_nothing_goes_on_across_a_cut(room: np.ndarray) -> None:
    net = ScriptedNetwork(ends_at, until_s=0.4)
    bar = Bar(net)  # type: ignore[arg-type]
    square = np.array([0.0, -140.0, 640.0, 500.0])
    times = np.arange(0, 1.0, 1 / RATE_HZ)
    for index, net.time_s in enumerate(times):
        frame = picture_of(ends_at(0.0), room)
        bar.step(frame, float(net.time_s), None, lambda: square, np.zeros(2), index == 15)
    found = bar.result()
    assert (found.confidence[:15] > 0).all()
    assert (found.confidence[15:] == 0).all()
