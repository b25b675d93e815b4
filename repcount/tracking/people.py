"""People in the frames: sightings linked into tracklets, and how alike two sightings are.

A tracklet is one person followed without a long gap. Whether a person in the next frame goes on
with it is a matter of likelihoods: how far away, of what size, in what colours, against a person
who was not there before; all people of a frame are linked at once by the best assignment. Whose
tracklets belong together after an absence, and who of them lifts, is decided after the pass
(`lifter`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment

from repcount.tracking.pose import (
    ANKLES,
    HIPS,
    KNEES,
    LEFT_KNUCKLES,
    RIGHT_KNUCKLES,
    SHOULDERS,
    Person,
)

# Standard deviation of the shoulders' way between two looks, in body lengths (`Person.size_px`,
# about 0.5 m): what the pose model jitters, and 1 m/s, between standing and walking.
JITTER, WALK_S = 0.15, 2.0
# A new person may be anywhere in a frame of about this many square body lengths (a body height is
# 3.5 long, the frame twice that high and three times that wide).
ROOM = 60.0
# Sizes of one person from look to look, and of two people of one frame, differ by this much
# (standard deviations of the logarithm).
SIZE_SD, SIZES_SD = 0.15, 0.45
# Colours of one person over time and of two people, CIE L*a*b* (standard deviations of each
# coordinate; on clips of some twenty people 7 to 9 and 14 to 20), and how often a piece of clothing
# is put on or taken off between two sightings.
COLOUR_SD, COLOURS_SD, CHANGED = 8.0, 18.0, 0.1
# A tracklet ends with its person unseen for this long; what comes later is for the whole clip to
# decide.
LINK_S = 1.0
# Two hands on a bar: both travel at least this many body lengths (about 0.12 m) within the lag,
# the same way, within a third of each other, and stay equally far apart.
LAG_S, TRAVEL = 0.5, 0.25
# A part of the body shorter than this fraction of the longest one points at the camera (30
# degrees).
ACROSS = 0.5
# A person's colours are the median of so many sightings, the last ones while they are followed.
SIGHTINGS = 15


@dataclass(eq=False)
class Tracklet:
    """One person followed through one shot. `moved` is how far both hands went up and down
    together, in body lengths, `hands` how far of it at each sighting; `name` what the pass takes
    the person for."""

    shot: int
    name: int = 0
    times: list[float] = field(default_factory=list)
    people: list[Person] = field(default_factory=list)
    colours: list[np.ndarray] = field(default_factory=list)
    hands: list[float] = field(default_factory=list)
    size: float = np.nan
    moved: float = 0.0
    recent: deque[tuple[float, float, float, float, float]] = field(default_factory=deque)

    @property
    def last(self) -> Person:
        return self.people[-1]

    def add(self, person: Person, time_s: float, colours: np.ndarray) -> None:
        size = person.size_px
        # Bent and turned bodies look short: follow upwards faster than downwards.
        self.size += (0.2 if size > self.size else 0.02) * (size - self.size)
        if not self.people:
            self.size = size
        self.times.append(time_s)
        self.people.append(person)
        self.colours.append(colours)
        self.hands.append(self._together(person, time_s))
        self.moved += self.hands[-1]

    def _together(self, person: Person, time_s: float) -> float:
        left, right = person.middle(LEFT_KNUCKLES), person.middle(RIGHT_KNUCKLES)
        ground = person.middle(ANKLES)[1] if person.visibility[list(ANKLES)].min() > 0.5 else 0.0
        now = (time_s, left[1], right[1], float(np.hypot(*(left - right))), ground)
        far = 0.0
        # The last sighting that is at least the lag old, however often the model looks.
        while len(self.recent) > 1 and time_s - self.recent[1][0] >= LAG_S - 0.01:
            self.recent.popleft()
        if self.recent and time_s - self.recent[0][0] <= 1.5 * LAG_S:
            then = self.recent[0]
            drop = now[4] - then[4] if now[4] and then[4] else 0.0
            up_left, up_right = now[1] - then[1] - drop, now[2] - then[2] - drop
            low, high = sorted((abs(up_left), abs(up_right)))
            together = up_left * up_right > 0 and high - low <= high / 3
            held = abs(now[3] - then[3]) <= TRAVEL * self.size
            if together and held and low >= TRAVEL * self.size:
                # Each stretch of time is seen from every frame within the lag: count it once.
                before_s = self.recent[-1][0]
                far = low / self.size * (time_s - before_s) / max(LAG_S, time_s - then[0])
        self.recent.append(now)
        return far

    def place(self, sightings: slice) -> np.ndarray:
        """(2,) the middle of the shoulders, median of some sightings, pixels."""
        return np.median([person.middle(SHOULDERS) for person in self.people[sightings]], axis=0)


def goes_on(tracklet: Tracklet, person: Person, time_s: float, colours: np.ndarray) -> float:
    """How much likelier it is that `person` goes on with the tracklet than that they are new: the
    logarithm of the likelihoods' ratio."""
    way = person.middle(SHOULDERS) - tracklet.last.middle(SHOULDERS)
    lately = usual(tracklet.colours[-SIGHTINGS:])
    return float(
        near(np.hypot(*way) / tracklet.size, np.asarray(time_s - tracklet.times[-1]))
        + like_size(np.log(person.size_px / tracklet.size))
        + like_colours(lately, colours)
    )


def usual(colours: Sequence[np.ndarray]) -> np.ndarray:
    """(parts, 3) the median of colours (parts, 3) each; NaN where a part was never seen."""
    parts = np.array(colours).swapaxes(0, 1)
    seen = [part[np.isfinite(part[:, 0])] for part in parts]
    return np.array([np.median(part, axis=0) if len(part) else [np.nan] * 3 for part in seen])


def near(way: np.ndarray, wait_s: np.ndarray) -> np.ndarray:
    """What a way (body lengths) after a wait says of whether two sightings are one person's."""
    variance = np.minimum((JITTER + WALK_S * wait_s) ** 2, ROOM / (2 * np.pi))
    return np.log(ROOM / (2 * np.pi * variance)) - way**2 / (2 * variance)


def like_size(ratio: np.ndarray) -> np.ndarray:
    """The same of the logarithm of two sizes' ratio."""
    return _log_ratio(ratio**2, SIZE_SD, SIZES_SD, 1)


def like_colours(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The same of two people's colours (..., parts, 3): each part is as it was, or was changed for
    another; NaN where it was not seen, which says nothing. Shape (...)."""
    apart = ((one - other) ** 2).sum(-1)
    same = _log_ratio(np.nan_to_num(apart), COLOUR_SD, COLOURS_SD, 3)
    ratios = np.logaddexp(np.log(1 - CHANGED) + same, np.log(CHANGED))
    return np.where(np.isfinite(apart), ratios, 0.0).sum(-1)


def _log_ratio(square: np.ndarray, same: float, other: float, dimensions: int) -> np.ndarray:
    """Logarithm of the ratio of two Gaussian densities of a difference whose square is given."""
    return dimensions * np.log(other / same) - square / 2 * (1 / same**2 - 1 / other**2)


def assign(gains: np.ndarray) -> list[int]:
    """For each row (a person) of `gains` (people, tracklets) the column that it goes on with, -1
    for a new one: the assignment with the largest sum, each column used once, where whoever is new
    gains nothing."""
    people, tracklets = gains.shape
    table = np.concatenate([gains, np.zeros((people, people))], axis=1)
    rows, columns = linear_sum_assignment(table, maximize=True)
    found = [-1] * people
    for row, column in zip(rows, columns, strict=True):
        if column < tracklets and gains[row, column] > 0:
            found[row] = int(column)
    return found


def distinct(people: list[Person]) -> list[Person]:
    """`people` without second skeletons on the same body."""
    kept: list[Person] = []
    for person in people:
        if all(
            np.hypot(*(person.middle(SHOULDERS) - other.middle(SHOULDERS))) > 0.4 * other.size_px
            for other in kept
        ):
            kept.append(person)
    return kept


def colours_of(rgb: np.ndarray, person: Person, scale: float) -> np.ndarray:
    """(2, 3) mean colour of the upper trunk and of the thighs, CIE L*a*b*; NaN out of the frame
    and where the part points at the camera, so that something else would be looked at."""
    shoulder, hip, knee = (person.middle(part) / scale for part in (SHOULDERS, HIPS, KNEES))
    size = person.size_px / scale
    radius = max(2.0, 0.18 * size)
    thighs = [(person.points[k] + person.points[k + 2]) / 2 / scale for k in HIPS]
    patches = [
        _patch(rgb, [shoulder + 0.35 * (hip - shoulder)], radius),
        _patch(rgb, thighs, radius / 2),
    ]
    lengths = (np.hypot(*(hip - shoulder)), np.hypot(*(knee - hip)))
    means = np.array(
        [
            [np.nan] * 3 if part is None or length < ACROSS * size else part
            for part, length in zip(patches, lengths, strict=True)
        ],
        np.float32,
    )
    colours = cv2.cvtColor(means[None] / 255, cv2.COLOR_RGB2LAB)[0].astype(float)
    return np.where(np.isfinite(means), colours, np.nan)


def _patch(rgb: np.ndarray, middles: Sequence[np.ndarray], radius: float) -> np.ndarray | None:
    height, width = rgb.shape[:2]
    seen = []
    for x, y in middles:
        x0, x1 = np.clip([x - radius, x + radius + 1], 0, width).astype(int)
        y0, y1 = np.clip([y - radius, y + radius + 1], 0, height).astype(int)
        if x1 > x0 and y1 > y0:
            seen.append(rgb[y0:y1, x0:x1].reshape(-1, 3).mean(0))
    return np.mean(seen, axis=0) if seen else None
