"""One end of the bar while it is followed: what to look for, and how it was learned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import count

import numpy as np
from numpy.typing import ArrayLike

from repcount.tracking.camera import shrunk
from repcount.tracking.outline import DISC, Outline, find_outline
from repcount.tracking.patch import GOOD, Patch, View, cut_out
from repcount.tracking.plates import NEARER, Hands, Plate, Votes

PLATE_M = 0.225
# Between the outer faces of the plates: 1.31 m between the sleeves' collars (men's and women's bars
# alike) and some 6 cm of plates a side.
BAR_LENGTH_M = 1.43
# Likeness (weighted correlation with the learned look): at rest it is above 0.95; half a frame's
# worth of motion blur leaves about 0.7. Other things that look like plates reach 0.5.
AT_REST, LOST = 0.95, 0.6
# A new look is blended in by this much, at most this often, only while likeness is high.
BLEND, BLEND_EVERY = 0.1, 5
# The looks are learned from frames that go back this far.
LEARN_S = 1.0
# An outline counts if its score says that at least half of it is seen as an edge, net of edges
# beyond it.
CLEAR = 0.5
# An end is certainly the bar's once it has moved this far with the hands (body lengths).
CONFIRMED = 0.6
# Seen edge-on, a plate is this part of its semi-axis wide (two or three plates of 5 to 9 cm).
STACK = 0.35
# Perspective: the plates at the near end, 1.4 m nearer at most, from 3 m away.
PERSPECTIVE = 1.9
# The bar's length is known to this fraction of itself (bars, plates, perspective).
STRETCH = 0.25


@dataclass
class Picture:
    """A frame on hand: `gray` (H, W), its time, the hands if known, and `shift` (2,) pixels by
    which the background has moved since the shot began; `index` counts all frames."""

    time_s: float
    gray: np.ndarray
    hands: Hands | None
    shift: np.ndarray
    index: int

    def shrunk(self, step: int) -> Picture:
        """The same with blocks of `step` by `step` pixels made one."""
        if step == 1:
            return self
        hands = None if self.hands is None else self.hands.scaled(1 / step)
        gray = shrunk(self.gray, step)
        return Picture(self.time_s, gray, hands, self.shift / step, self.index)


@dataclass
class End:
    """`centre` (2,) of the patch that is followed, pixels; `offset` (2,) from there to the middle
    of the outer face; `semi_axis` and `half_width` of the plates, pixels. `carried` is how far it
    moved along with the hands, `idle` how far the hands moved without it since, both in body
    lengths; `last_along` is the index of the last frame in which it did; `doubts` counts
    sightings of the bar's end elsewhere since the one that `agreed` (index of its frame); a
    `spoiled` end was followed to where it is not. `name` tells ends apart."""

    patch: Patch
    centre: np.ndarray
    offset: np.ndarray | None
    semi_axis: float
    half_width: float
    score: float
    velocity: np.ndarray = field(default_factory=lambda: np.zeros(2))
    likeness: float = 1.0
    lost_s: float = 0.0
    since_blend: int = 0
    carried: float = 0.0
    idle: float = 0.0
    last_along: int = -1
    doubts: int = 0
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
            self.score,
            self.velocity.copy(),
            name=self.name,
        )

    def shrunk(self, by: int) -> End:
        """The same end in frames in which `by` pixels are one."""
        return replace(
            self,
            patch=self.patch.shrunk(by),
            centre=coarser(self.centre, by),
            offset=None if self.offset is None else self.offset / by,
            semi_axis=self.semi_axis / by,
            half_width=self.half_width / by,
            velocity=self.velocity / by,
        )

    def blend(self, gray: np.ndarray) -> None:
        """Learn how it looks now, once in a while."""
        self.since_blend += 1
        if self.likeness > GOOD and self.since_blend >= BLEND_EVERY:
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


def makes_bar(left: End, right: End) -> bool:
    """Whether two ends can be one bar's: no longer than a bar is for the size of its plates, and
    one plate no larger than the nearer one would be."""
    way = right.centre - left.centre
    small, large = sorted((left.semi_axis, right.semi_axis))
    longest = BAR_LENGTH_M / PLATE_M * large * (1 + STRETCH)
    return bool(np.hypot(*way) <= longest and large <= PERSPECTIVE * small and way[0] > 0)


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
    outline = Outline(np.zeros(2), wide, semi_axis, DISC, 1.0)
    return End(_patch([gray], [centre], outline), centre, offset, semi_axis, wide, 1.0)


def from_votes(plate: Plate, frames: Sequence[Picture], votes: Votes) -> End:
    """The end that `votes` show at `plate` in the last of `frames`: laid over each other as it
    moves, the frames show its look and outline sharp. Until that is known, the votes tell which
    pixels are not the background's. Its `carried` is 0 if it did not follow the hands there."""
    now = frames[-1]
    assert now.hands is not None
    first = _odd(np.array([max(plate.half_width, 0.3 * plate.semi_axis), plate.semi_axis]) * 1.1)
    disc = Outline((first - 1) / 2, first[0] / 2 - 1, first[1] / 2 - 1, DISC, 0.0)
    moving = disc.weight(first, 0.0) * votes.moving(now.hands, plate.centre, first) ** 2
    size = (int(first[0]), int(first[1]))
    patch = Patch(
        View(now.gray, plate.centre, first / 2).cut_out(plate.centre, size), moving, moving
    )
    centres, after = [np.array(plate.centre, float)], now
    for frame in frames[-2::-1]:
        if now.time_s - frame.time_s > LEARN_S or frame.hands is None or after.hands is None:
            break
        guess = centres[-1] + frame.hands.middle - after.hands.middle
        centre, score = patch.search(frame.gray, guess, np.full(2, 0.35 * plate.semi_axis))
        if score < LOST:
            break
        centres.append(centre)
        if score > GOOD:
            patch.learn(frame.gray, centre, 2 * BLEND, LOST)
        after = frame
    grays = [frame.gray for frame, _ in zip(frames[::-1], centres, strict=False)]
    wide = _odd(np.full(2, 1.7 * plate.semi_axis))
    size = (int(wide[0]), int(wide[1]))
    stack = np.stack([cut_out(gray, at, size) for gray, at in zip(grays, centres, strict=True)])
    known = _within(now.gray, centres[0] - (wide - 1) / 2, wide)
    outline = find_outline(stack.mean(0), stack.std(0), known, plate.half_width, plate.semi_axis)
    away = outline.centre - (wide - 1) / 2
    found = _patch(grays, [at + away for at in centres], outline)
    at, _ = found.fine(now.gray, centres[0] + away)
    return End(
        found,
        at,
        None,
        outline.semi_axis,
        outline.half_width,
        outline.score,
        carried=_carried(centres, frames),
    )


def _patch(grays: Sequence[np.ndarray], centres: Sequence[np.ndarray], outline: Outline) -> Patch:
    """The mean look of what is inside `outline`, its middle at `centres` in `grays`."""
    size = _odd(np.array([outline.half_width, outline.semi_axis]) + 4)
    placed = Outline(
        (size - 1) / 2, outline.half_width, outline.semi_axis, outline.form, outline.score
    )
    shape = (int(size[0]), int(size[1]))
    looks = [
        View(gray, at, size / 2).cut_out(at, shape) for gray, at in zip(grays, centres, strict=True)
    ]
    inside = _within(grays[0], centres[0] - (size - 1) / 2, size)
    return Patch(
        np.mean(looks, axis=0),
        placed.weight(size, -min(1.5, 0.15 * outline.half_width)) * inside,
        placed.weight(size, 1.5) * inside,
    )


def _carried(centres: Sequence[np.ndarray], frames: Sequence[Picture]) -> float:
    """How far (body lengths) what was at `centres`, from the last frame backwards, went with the
    hands; 0 if it did not follow them."""
    back = list(frames[::-1][: len(centres)])
    last = back[0].hands
    if last is None or len(back) < 3:
        return 0.0
    shift = np.array([frame.shift[1] for frame in back])
    hands = np.array([frame.hands.middle[1] for frame in back if frame.hands]) - shift
    end = np.array([centre[1] for centre in centres]) - shift
    hands, end = hands - hands.mean(), end - end.mean()
    rate = float((hands * end).sum() / max(float((hands**2).sum()), 1e-9))
    return float(np.ptp(hands)) / last.size if NEARER[0] < rate < NEARER[1] else 0.0


def _within(gray: np.ndarray, corner: np.ndarray, size: np.ndarray) -> np.ndarray:
    """(H, W) bool: which pixels of a patch of `size` (width, height) with its first pixel at
    `corner` (x, y) lie within the frame."""
    x, y = corner[0] + np.arange(size[0]), corner[1] + np.arange(size[1])
    inside_x = (x >= 0) & (x <= gray.shape[1] - 1)
    inside_y = (y >= 0) & (y <= gray.shape[0] - 1)
    return np.asarray(inside_y[:, None] & inside_x[None, :])


def _odd(half: np.ndarray) -> np.ndarray:
    """(width, height) of a patch that reaches `half` pixels from its middle pixel."""
    return np.asarray(2 * np.ceil(half).astype(int) + 1)
