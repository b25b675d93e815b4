"""One end of the bar while it is followed: what to look for, and how it was learned."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import count

import cv2
import numpy as np
from numpy.typing import ArrayLike

from repcount.tracking.camera import shrunk
from repcount.tracking.hands import Hands
from repcount.tracking.patch import GOOD, Patch, View

PLATE_M = 0.225
# Between the outer faces of the plates: 1.31 m between the sleeves' collars (men's and women's bars
# alike) and some 6 cm of plates a side.
BAR_LENGTH_M = 1.43
# Likeness (weighted correlation with the learned look): at rest it is above 0.95; half a frame's
# worth of motion blur leaves about 0.7. Other things that look like plates reach 0.5.
AT_REST, LOST = 0.95, 0.6
# A new look is blended in by this much, at most this often, only while the correlation is high.
BLEND, BLEND_EVERY = 0.1, 5
# An end is certainly the bar's once it has moved this far with the hands (body lengths).
CONFIRMED = 0.6
# Seen edge-on, a plate is this part of its semi-axis wide (two or three plates of 5 to 9 cm).
STACK = 0.35


@dataclass
class FollowedFrame:
    """A frame on hand: `gray` (H, W), its time, the hands if known, and `shift` (2,) pixels by
    which the background has moved since the shot began; `index` counts all frames."""

    time_s: float
    gray: np.ndarray
    hands: Hands | None
    shift: np.ndarray
    index: int

    def shrunk(self, step: int) -> FollowedFrame:
        """The same with blocks of `step` by `step` pixels made one."""
        if step == 1:
            return self
        hands = None if self.hands is None else self.hands.scaled(1 / step)
        gray = shrunk(self.gray, step)
        return FollowedFrame(self.time_s, gray, hands, self.shift / step, self.index)


@dataclass
class End:
    """`centre` (2,) of the patch that is followed, pixels; `offset` (2,) from there to the middle
    of the outer face; `semi_axis` and `half_width` of the plates, pixels. `carried` is how far it
    moved along with the hands, `idle` how far the hands moved without it since, both in body
    lengths; `last_along` is the index of the last frame in which it did; `denials` counts
    sightings of the bar's end elsewhere since the one that `agreed` (index of its frame); a
    `spoiled` end was followed to where it is not. `name` tells ends apart."""

    patch: Patch
    centre: np.ndarray
    offset: np.ndarray
    semi_axis: float
    half_width: float
    velocity: np.ndarray = field(default_factory=lambda: np.zeros(2))
    correlation: float = 1.0
    lost_s: float = 0.0
    since_blend: int = 0
    carried: float = 0.0
    idle: float = 0.0
    last_along: int = -1
    denials: int = 0
    agreed: int = -1
    spoiled: bool = False
    name: int = field(default_factory=count(1).__next__)

    @property
    def confirmed(self) -> bool:
        return self.carried >= CONFIRMED

    @property
    def seen(self) -> bool:
        """Whether it was found in the last frame."""
        return self.lost_s == 0.0

    def copy(self) -> End:
        """Another follower of the same end, with a look of its own."""
        return End(
            self.patch.copy(),
            self.centre.copy(),
            self.offset,
            self.semi_axis,
            self.half_width,
            self.velocity.copy(),
            name=self.name,
        )

    def shrunk(self, by: int) -> End:
        """The same end in frames in which `by` pixels are one."""
        return replace(
            self,
            patch=self.patch.shrunk(by),
            centre=coarser(self.centre, by),
            offset=self.offset / by,
            semi_axis=self.semi_axis / by,
            half_width=self.half_width / by,
            velocity=self.velocity / by,
        )

    def blend(self, gray: np.ndarray) -> None:
        """Learn how it looks now, once in a while."""
        self.since_blend += 1
        if self.correlation > GOOD and self.since_blend >= BLEND_EVERY:
            self.patch.learn(gray, self.centre, BLEND, LOST)
            self.since_blend = 0


def coarser(place: ArrayLike, by: int) -> np.ndarray:
    """Where `place` (from the middle of the first pixel) is once `by` pixels are one."""
    return (np.asarray(place, float) + 0.5) / by - 0.5


def face_width(semi_axis: float, length: float) -> float:
    """Half the width (pixels) of a plate's face of `semi_axis` at the end of a bar that is `length`
    pixels long in the frame: edge-on at full length."""
    full = BAR_LENGTH_M / PLATE_M * semi_axis
    return float(semi_axis * np.sqrt(max(0.0, 1 - (length / full) ** 2)))


def from_sighting(
    gray: np.ndarray, face: np.ndarray, semi_axis: float, side: int, outwards: np.ndarray | None
) -> End:
    """The left (`side` 0) or right end whose outer face is at `face` (2,) in `gray`. `outwards`
    (2,) pixels leads along the bar to this end from the other, None if that is not known."""
    if outwards is None or np.hypot(*outwards) < 1:
        outwards = np.array([semi_axis * (1 if side else -1), 0.0])
    length = float(np.hypot(*outwards))
    face_px = face_width(semi_axis, length)
    # Seen from the front the face is an edge: the plates lie inwards of it.
    wide = max(face_px, STACK * semi_axis)
    offset = outwards / length * max(0.0, wide - face_px)
    centre = face - offset
    return End(disc_patch(gray, centre, wide, semi_axis), centre, offset, semi_axis, wide)


def disc_patch(gray: np.ndarray, centre: np.ndarray, half_width: float, semi_axis: float) -> Patch:
    """What is inside an upright ellipse about `centre` (2,)."""
    reach = np.ceil([half_width + 4, semi_axis + 4]).astype(int)
    size = (2 * int(reach[0]) + 1, 2 * int(reach[1]) + 1)
    x, y = np.arange(size[0]) - reach[0], np.arange(size[1]) - reach[1]
    across, down = centre[0] + x, centre[1] + y
    within = ((down >= 0) & (down <= gray.shape[0] - 1))[:, None] & (
        (across >= 0) & (across <= gray.shape[1] - 1)
    )

    def weight(margin: float) -> np.ndarray:
        u, v = x[None] / (half_width + margin), y[:, None] / (semi_axis + margin)
        inside = (u**2 + v**2 <= 1).astype(np.float32)
        return np.asarray(cv2.GaussianBlur(inside, (0, 0), 1.0) * within)

    look = View(gray, centre, np.array(size) / 2).cut_out(centre, size)
    return Patch(look, weight(-min(1.5, 0.15 * half_width)), weight(1.5))
