"""One candidate end of the bar, followed from frame to frame by its patch: a tracklet.

A tracklet begins where the network sees what may be an end, is followed forwards from there, and
backwards through the frames on hand, and ends where its correlation is lost. Whether it is the
bar's end is decided afterwards (`course`)."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from repcount.tracking.bar_net import Candidate
from repcount.tracking.camera import shrunk
from repcount.tracking.hands import Hands
from repcount.tracking.patch import GOOD, Patch, View

# A plate has a diameter of 450 mm (IWF TCRR 3.3.3).
PLATE_M = 0.225
# Between the outer faces of the plates: 1.31 m between the sleeves' collars (men's and women's bars
# alike; IWF TCRR 3.3) and some 6 cm of plates a side.
BAR_LENGTH_M = 1.43
G = 9.81
# Correlation with the learned look: at rest it is above 0.95; half a frame's worth of motion blur
# leaves about 0.7. Other things that look like plates reach 0.5.
LOST = 0.6
# Where the fine fit fails it is searched for as far as its speed takes it, and that much farther
# (semi-axes; times what gravity does): generous, for a search costs little and finds the best.
SLACK, JERK = 0.35, 4.0
# A new look is blended in by this much, at most this often, only while the correlation is high.
BLEND, BLEND_EVERY = 0.1, 5
# Seen edge-on, a plate is this part of its semi-axis wide (two or three plates of 5 to 9 cm).
STACK = 0.35
# A larger plate is followed on smaller frames: the crossing level of 1.75 cm is then still two or
# three pixels, which is plenty for a fit to a twentieth of a pixel.
LARGEST_PX = 40.0
# How far (semi-axes, standard deviation) the network's answer is off the end.
SAME = 0.25


@dataclass
class Frame:
    """A frame on hand: `gray` (H, W), its time, the hands if known, and `shift` (2,) pixels by
    which the background has moved since the shot began; `index` counts all frames."""

    time_s: float
    gray: np.ndarray
    hands: Hands | None
    shift: np.ndarray
    index: int
    _smaller: dict[int, np.ndarray] = field(default_factory=dict)

    def smaller(self, by: int) -> np.ndarray:
        """The frame with blocks of `by` by `by` pixels made one."""
        if by not in self._smaller:
            self._smaller[by] = shrunk(self.gray, by)
        return self._smaller[by]


@dataclass(eq=False)
class EndTracklet:
    """What may be the left (`side` 0) or right end. In pixels of frames in which `step` pixels are
    one: `patch`, `centre` (2,) of the patch, `velocity` (2,) a second, `semi_axis` and
    `half_width` of the plates. `places` are the centres in pixels of the frames given, one a frame
    from frame `first` on, `correlations` go with them. `sightings` are frame, height of the centre,
    way (x, y) from there to the outer face, and semi-axis, in pixels of the frames given, where the
    network saw it; `worth` sums up what it says of it; `begun` is the patch it began with;
    `missed_s` how long it has not been found, and `skipped` in how many frames."""

    side: int
    step: int
    patch: Patch
    centre: np.ndarray
    semi_axis: float
    half_width: float
    first: int
    velocity: np.ndarray = field(default_factory=lambda: np.zeros(2))
    correlation: float = 1.0
    missed_s: float = 0.0
    skipped: int = 0
    since_blend: int = 0
    places: deque[np.ndarray] = field(default_factory=deque)
    correlations: deque[float] = field(default_factory=deque)
    sightings: list[tuple[int, float, float, float, float]] = field(default_factory=list)
    worth: float = 0.0
    begun: Patch = field(init=False)

    def __post_init__(self) -> None:
        self.begun = self.patch.copy()

    @property
    def last(self) -> int:
        """The index of the last frame in which it was found."""
        return self.first + len(self.places) - 1

    @property
    def place(self) -> np.ndarray:
        """(2,) where the patch is, pixels of the frames given."""
        return finer(self.centre, self.step)

    @property
    def face(self) -> np.ndarray:
        """(2,) where the outer face is, as the last sightings have it."""
        return self.place + self.way

    @property
    def way(self) -> np.ndarray:
        """(2,) from the patch's centre to the outer face, as the last sightings have it."""
        return np.median(np.array(self.sightings[-9:])[:, 2:4], axis=0)

    @property
    def face_axis(self) -> float:
        """The outer face's semi-axis, as the last sightings have it."""
        return float(np.median([seen[4] for seen in self.sightings[-9:]]))

    def at(self, index: int) -> np.ndarray:
        """(2,) where the patch was in a frame in which it was found."""
        return self.places[index - self.first]

    def sighted(self, candidate: Candidate, index: int) -> None:
        """The network sees it in the frame where it is now."""
        way = candidate.face - 0.5 - self.place
        self.sightings.append(
            (index, float(self.place[1]), float(way[0]), float(way[1]), candidate.semi_axis)
        )

    def follow(self, now: Frame, before: Frame, sought_s: float = 0.0) -> bool:
        """Go on from `before` to its neighbour `now`, in either direction; false if it is lost, and
        has been looked for where it was for `sought_s`."""
        gray, step_s = now.smaller(self.step), abs(now.time_s - before.time_s)
        self.centre = self.centre + (now.shift - before.shift) / self.step
        since_s = step_s + self.missed_s
        centre, score = self.patch.fine(gray, self.centre + self.velocity * since_s)
        if score < GOOD:
            # It may bounce, or be jerked, or have been at rest.
            jerk = JERK * G * self.semi_axis / PLATE_M * since_s**2
            reach = SLACK * self.semi_axis + np.abs(self.velocity) * since_s + jerk
            found = self.patch.search(gray, self.centre, reach)
            centre, score = max(((centre, score), found), key=lambda place: place[1])
        height, width = gray.shape
        margin = 0.5 * self.half_width
        inside = -margin <= centre[0] < width + margin and -margin <= centre[1] < height + margin
        # What looks a little like it is nearly everywhere, once it may be anywhere.
        if not inside or score < (GOOD if self.missed_s else LOST):
            self.missed_s, self.correlation = since_s, 0.0
            return inside and since_s <= sought_s
        self.velocity = (centre - self.centre) / max(since_s, 1e-3)
        self.centre, self.correlation, self.missed_s = centre, score, 0.0
        self.since_blend += 1
        if score > GOOD and self.since_blend >= BLEND_EVERY:
            self.patch.learn(gray, centre, BLEND, LOST)
            self.since_blend = 0
        return True

    def note(self) -> None:
        """Keep where it is now as the place in the next frame, with those in between in which it
        was not found."""
        self.skipped += 1
        if self.missed_s:
            return
        last = self.places[-1] if self.places else self.place
        for part in np.arange(1, self.skipped + 1) / self.skipped:
            self.places.append(last + part * (self.place - last))
            self.correlations.append(self.correlation if part == 1 else 0.0)
        self.skipped = 0

    def look_back(self, frames: Sequence[Frame], known: Sequence[EndTracklet]) -> None:
        """Follow it back through `frames`, in order of time up to the one in which it began, until
        it is lost or comes to where one of `known` was as well."""
        twin = replace(self, patch=self.begun.copy(), centre=coarser(self.places[0], self.step))
        twin.velocity, twin.since_blend = np.zeros(2), 0
        for later, earlier in zip(frames[::-1], frames[-2::-1], strict=False):
            if not twin.follow(earlier, later):
                break
            self.places.appendleft(twin.place)
            self.correlations.appendleft(twin.correlation)
            self.first -= 1
            if any(self._joins(other, earlier.index) for other in known):
                break

    def _joins(self, other: EndTracklet, index: int) -> bool:
        if not other.first <= index <= other.last:
            return False
        way = other.at(index) + other.way - self.places[0] - self.way
        near = np.hypot(*way) <= SAME * self.face_axis
        return bool(near and other.correlations[index - other.first] >= GOOD)


def begin(
    frame: Frame, side: int, candidate: Candidate, outwards: np.ndarray | None
) -> EndTracklet:
    """A tracklet of what the network sees in `frame`. `outwards` (2,) pixels leads along the bar to
    this end from the other, None if that is not known."""
    axis = candidate.semi_axis
    if outwards is None or np.hypot(*outwards) < 1:
        outwards = np.array([axis * (1 if side else -1), 0.0])
    length = float(np.hypot(*outwards))
    face_px = face_width(axis, length)
    # Seen from the front the face is an edge: the plates lie inwards of it.
    wide = max(face_px, STACK * axis)
    place = candidate.face - 0.5 - outwards / length * max(0.0, wide - face_px)
    step = max(1, int(np.ceil(axis / LARGEST_PX)))
    centre, wide, axis = coarser(place, step), wide / step, axis / step
    patch = disc_patch(frame.smaller(step), centre, wide, axis)
    found = EndTracklet(side, step, patch, centre, axis, wide, frame.index)
    found.note()
    found.sighted(candidate, frame.index)
    return found


def disc_patch(gray: np.ndarray, centre: np.ndarray, half_width: float, semi_axis: float) -> Patch:
    """What is inside an upright ellipse about `centre` (2,)."""
    reach = np.ceil([half_width + 4, semi_axis + 4]).astype(int)
    size = (2 * int(reach[0]) + 1, 2 * int(reach[1]) + 1)
    x, y = np.arange(size[0]) - reach[0], np.arange(size[1]) - reach[1]
    across, down = x + round(float(centre[0])), y + round(float(centre[1]))
    within = ((down >= 0) & (down < gray.shape[0]))[:, None] & (
        (across >= 0) & (across < gray.shape[1])
    )

    def weight(margin: float) -> np.ndarray:
        u, v = x[None] / (half_width + margin), y[:, None] / (semi_axis + margin)
        # soft over two pixels
        edge = (1 - np.sqrt(u**2 + v**2)) * min(half_width, semi_axis) / 2 + 0.5
        return (np.clip(edge, 0, 1) * within).astype(np.float32)

    look = View(gray, centre, np.array(size) / 2).cut_out(centre, size)
    return Patch(look, weight(-min(1.5, 0.15 * half_width)), weight(1.5))


def face_width(semi_axis: float, length: float) -> float:
    """Half the width (pixels) of a plate's face of `semi_axis` at the end of a bar that is `length`
    pixels long in the frame: edge-on at full length."""
    full = BAR_LENGTH_M / PLATE_M * semi_axis
    return float(semi_axis * np.sqrt(max(0.0, 1 - (length / full) ** 2)))


def coarser(place: ArrayLike, by: int) -> np.ndarray:
    """Where `place` (from the middle of the first pixel) is once `by` pixels are one."""
    return (np.asarray(place, float) + 0.5) / by - 0.5


def finer(place: ArrayLike, by: int) -> np.ndarray:
    """The other way round."""
    return (np.asarray(place, float) + 0.5) * by - 0.5
