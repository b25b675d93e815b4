"""What each figure by which the bar is tracked is worth: `python -m tests.accuracy.ends CLIP ...`.

Each clip is tracked once, and what the bar is given on the way is kept: frames, hands, the square
to look in, the background's shift. Then every constant that steers is made a fifth smaller and a
fifth larger, one at a time, and the ends are found again. Printed is what part of the ends is then
elsewhere (by over a tenth of a plate's diameter), lost, or new. Left out are numbers of standards,
whole numbers and how much is kept in memory. A frame's arrays stay in memory: give short clips.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from repcount.tracking import bar, bar_net, end, end_evidence, hands, offsets, run
from repcount.tracking import patch as following
from repcount.tracking.run import TrackOptions, track
from tests.accuracy.figures import SHARE, Figure, changed

MODULES = (bar, bar_net, end, end_evidence, hands, offsets, following)
# What standards and physics say, what a look costs, and what a picture is made of.
FIXED = {
    "PLATE_M", "BAR_LENGTH_M", "LONGEST_M", "G", "BACK_S", "LEVELS", "AXIS_UNIT_PX", "SIDE_ST",
    "CENTRE_ST", "CONFIDENT", "ON_BACK", "IN_HANDS",
}  # fmt: skip
FAR = 0.1  # of a diameter
SEEN = 0.5


@dataclass(frozen=True)
class Given:
    """What the bar is given of one frame."""

    gray: np.ndarray
    time_s: float
    hands: hands.Hands | None
    square: np.ndarray | None
    shift: np.ndarray
    cut: bool


class Remembering(bar_net.BarNet):
    """The network, asked once for each square of a frame."""

    def __init__(self) -> None:
        super().__init__()
        self.at = 0
        self.said: dict[tuple[float, ...], Any] = {}

    def _look(self, frame: np.ndarray, athlete_box_px: Any) -> Any:
        key = (self.at, *np.round(np.asarray(athlete_box_px, float), 1).tolist())
        if key not in self.said:
            self.said[key] = super()._look(frame, athlete_box_px)
        return self.said[key]


def given(clip: Path) -> list[Given]:
    """What the bar is given while a clip is tracked."""
    kept: list[Given] = []

    class Keeping(bar.Bar):
        def step(self, gray, time_s, hands, square, shift, cut) -> None:  # type: ignore[no-untyped-def]
            box = square()
            kept.append(Given(np.array(gray), time_s, hands, box, np.array(shift), cut))
            super().step(gray, time_s, hands, lambda: box, shift, cut)

    with patch.object(run, "Bar", Keeping):
        track(clip, TrackOptions())
    return kept


def found(frames: list[Given], net: Remembering) -> bar.BarTrack:
    """The ends in these frames, by the figures as they are at the moment."""
    following_bar = bar.Bar(net)
    for net.at, one in enumerate(frames):
        box = one.square
        following_bar.step(one.gray, one.time_s, one.hands, lambda b=box: b, one.shift, one.cut)
    return following_bar.result()


def figures() -> Iterator[Figure]:
    """Each constant that steers, where it is defined."""
    seen = set()
    for module in MODULES:
        for name, value in vars(module).items():
            numbers = value if isinstance(value, tuple) else (value,)
            steers = name.isupper() and all(isinstance(one, float) for one in numbers)
            if steers and name not in FIXED and name not in seen:
                seen.add(name)
                yield Figure(module, name, value)


def apart(before: bar.BarTrack, now: bar.BarTrack) -> Counter[str]:
    """How many ends there were, and how many are elsewhere, lost and new."""
    seen, seen_now = before.confidence > SEEN, now.confidence > SEEN
    way = np.hypot(*np.moveaxis(now.ends - before.ends, -1, 0))
    far = way > FAR * 2 * np.fmax(before.semi_axis, now.semi_axis)
    return Counter(
        ends=int(seen.sum()),
        elsewhere=int((seen & seen_now & far).sum()),
        lost=int((seen & ~seen_now).sum()),
        new=int((seen_now & ~seen).sum()),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clips", nargs="+", type=Path)
    asked = parser.parse_args()
    changes = [(figure, factor) for figure in figures() for factor in (1 - SHARE, 1 + SHARE)]
    total: list[Counter[str]] = [Counter() for _ in changes]
    for clip in asked.clips:
        frames, net = given(clip), Remembering()
        before = found(frames, net)
        for counts, (figure, factor) in zip(total, changes, strict=True):
            with changed(figure, figure.times(factor), MODULES):
                counts += apart(before, found(frames, net))
        print(f"{clip.name}: {apart(before, before)['ends']} ends", flush=True)
    print(f"{'constant':18} {'times':>5} {'elsewhere':>9} {'lost':>6} {'new':>6}   of the ends")
    for counts, (figure, factor) in zip(total, changes, strict=True):
        parts = (counts[kind] / max(counts["ends"], 1) for kind in ("elsewhere", "lost", "new"))
        print(f"{figure.name:18} {factor:5.1f} " + "{:8.1%} {:6.1%} {:6.1%}".format(*parts))


if __name__ == "__main__":
    main()
