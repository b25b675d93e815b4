"""Who lifts: people followed through the pictures, and the one among them who moves a bar.

The athlete is not the nearest, the first or the largest person; it is whoever moves both hands up
and down together, at a fixed distance from each other, again and again. Until somebody has done so,
everybody is followed; the choice is made afterwards for each shot. Where nobody can be chosen,
there is no athlete: a gap is better than a bystander.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from repcount.tracking.pose import (
    ANKLES,
    FEET,
    HIPS,
    LEFT_KNUCKLES,
    RIGHT_KNUCKLES,
    SHOULDERS,
    Person,
    PoseModel,
)

# People followed at once while it is open who lifts.
MANY = 3
# Two hands on a bar: both travel at least this many body lengths (about 0.5 m) within the lag, the
# same way, within a third of each other, and stay equally far apart.
LAG_S = 0.5
TRAVEL = 0.25
# One deadlift moves the hands by one body length; that much together is what makes a lifter.
LIFTER = 1.0
# Shoulders of a lifter move at most 3 m/s, six body lengths a second, plus what the model jitters.
SPEED = 6.0
JITTER = 0.2
SIZE_RATIO = 1.6
# Mean colour of the trunk may change this much (0..255, each channel) with light and posture.
COLOUR = 45.0
# Without a sign of the athlete for this long the search is opened to everybody again.
LOST_S = 0.6
# Two who are seen at once for more than this share of the time are two.
BESIDE = 0.1
# How often to look for other people while one is followed.
LOOK_S = (0.0, 0.5, 1.5, 3.0)
LOOK_EVERY_S = 5.0


@dataclass
class Sightings:
    """One person followed through one shot. `moved` is how far both hands went up and down
    together, in body lengths."""

    shot: int
    times: list[float] = field(default_factory=list)
    people: list[Person] = field(default_factory=list)
    size: float = np.nan
    colour: np.ndarray = field(default_factory=lambda: np.full(3, np.nan))
    moved: float = 0.0
    recent: deque[tuple[float, float, float, float, float]] = field(default_factory=deque)

    @property
    def last(self) -> Person:
        return self.people[-1]

    def add(self, person: Person, time_s: float, colour: np.ndarray) -> None:
        size = person.size_px
        if self.people:
            # Bent and turned bodies look short: follow upwards faster than downwards.
            self.size += (0.2 if size > self.size else 0.02) * (size - self.size)
            self.colour = self.colour + 0.1 * (colour - self.colour)
        else:
            self.size, self.colour = size, colour
        self.times.append(time_s)
        self.people.append(person)
        self._weigh(person, time_s)

    def _weigh(self, person: Person, time_s: float) -> None:
        left, right = person.middle(LEFT_KNUCKLES), person.middle(RIGHT_KNUCKLES)
        ground = person.middle(ANKLES)[1] if person.visibility[list(ANKLES)].min() > 0.5 else 0.0
        now = (time_s, left[1], right[1], float(np.hypot(*(left - right))), ground)
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
                # Each stretch of time is seen from every picture within the lag: count it once.
                before_s = self.recent[-1][0]
                self.moved += low / self.size * (time_s - before_s) / max(LAG_S, time_s - then[0])
        self.recent.append(now)

    def fits(self, person: Person, time_s: float, colour: np.ndarray) -> float:
        """How far `person` is from going on with these sightings, in body lengths; inf if it cannot
        be the same person."""
        wait_s = time_s - self.times[-1]
        reach = JITTER + SPEED * min(wait_s, LOST_S)
        apart = person.middle(SHOULDERS) - self.last.middle(SHOULDERS)
        gap = float(np.hypot(*apart)) / self.size
        ratio = person.size_px / self.size
        near = gap <= min(reach, 1.5) and 1 / SIZE_RATIO <= ratio <= SIZE_RATIO
        alike = bool(np.all(np.abs(colour - self.colour) <= COLOUR))
        return gap if near and alike else np.inf


class Athlete:
    """Looks at pictures in order of time and keeps apart the people in them.

    `now` is the person taken for the athlete at the last picture (None if open), `people` how many
    were seen when everybody was looked for (NaN if not at this picture)."""

    def __init__(self, model: str = "full") -> None:
        self.model = model
        self.one = PoseModel(model)
        self.many: PoseModel | None = None
        self.glance = PoseModel(model, MANY + 1, follow=False)
        self.tracks: list[Sightings] = []
        self.shot = 0
        self.followed: Sightings | None = None
        self.open = True
        self.others = False
        self.shot_start_s = 0.0
        self.looked_s = -np.inf
        self.now: Person | None = None
        self.people = np.nan

    def close(self) -> None:
        for model in (self.one, self.many, self.glance):
            if model is not None:
                model.close()

    def new_shot(self, time_s: float) -> None:
        self.shot += 1
        self.shot_start_s, self.looked_s = time_s, -np.inf
        self.followed, self.open, self.others = None, True, False

    def see(self, rgb: np.ndarray, time_s: float, scale: float) -> None:
        """The next picture `rgb` (H, W, 3) uint8 at `time_s`; `scale` as in `PoseModel`."""
        self.now, self.people = None, np.nan
        if self._look_due(time_s):
            found = self._look(rgb, time_s, scale)
            if self.followed is None and len(found) == 1:
                self._continue_or_start(found[0], rgb, time_s, scale)
                return
        if self.followed is not None:
            self._follow_one(self.followed, rgb, time_s, scale)
        elif self.others:
            self._follow_many(rgb, time_s, scale)
        else:
            for person in self.one(rgb, time_s, scale)[:1]:
                self._continue_or_start(person, rgb, time_s, scale)

    # --- one ---

    def _follow_one(self, track: Sightings, rgb: np.ndarray, time_s: float, scale: float) -> None:
        view = blinkers(rgb, track.last, track.size, scale) if self.others else rgb
        for person in self.one(view, time_s, scale)[:1]:
            colour = trunk_colour(rgb, person, scale)
            if np.isfinite(track.fits(person, time_s, colour)):
                self._take(track, person, time_s, colour)
                return
        # In doubt: look at everybody, and go on with whoever fits.
        found = self._look(rgb, time_s, scale)
        best, gap = None, np.inf
        for person in found:
            away = track.fits(person, time_s, trunk_colour(rgb, person, scale))
            if away < gap:
                best, gap = person, away
        if best is not None:
            self.others = len(found) > 1
            self._take(track, best, time_s, trunk_colour(rgb, best, scale))
        elif time_s - track.times[-1] > LOST_S:
            self.followed = None
            self.others = len(found) != 1

    def _take(self, track: Sightings, person: Person, time_s: float, colour: np.ndarray) -> None:
        track.add(person, time_s, colour)
        self.now = person

    def _continue_or_start(
        self, person: Person, rgb: np.ndarray, time_s: float, scale: float
    ) -> None:
        colour = trunk_colour(rgb, person, scale)
        track = self._continued([person], [colour], time_s)[0]
        if track is None:
            track = Sightings(self.shot)
            self.tracks.append(track)
        self.followed = track
        self._take(track, person, time_s, colour)

    # --- many ---

    def _follow_many(self, rgb: np.ndarray, time_s: float, scale: float) -> None:
        if self.many is None:
            self.many = PoseModel(self.model, MANY)
        people = distinct(self.many(rgb, time_s, scale))
        colours = [trunk_colour(rgb, person, scale) for person in people]
        for person, colour, known in zip(
            people, colours, self._continued(people, colours, time_s), strict=True
        ):
            track = known
            if track is None:
                track = Sightings(self.shot)
                self.tracks.append(track)
            track.add(person, time_s, colour)
        self._decide(time_s)

    def _decide(self, time_s: float) -> None:
        here = sorted(
            (track for track in self.tracks if track.shot == self.shot),
            key=lambda track: track.moved,
            reverse=True,
        )
        if not here or here[0].moved < LIFTER:
            return
        if len(here) > 1 and here[1].moved > here[0].moved / 2:
            return
        if here[0].times[-1] == time_s:
            self.followed, self.now = here[0], here[0].last

    def _continued(
        self, people: list[Person], colours: list[np.ndarray], time_s: float
    ) -> list[Sightings | None]:
        """For each person the sightings of this shot that they go on with, each used once."""
        tracks = [track for track in self.tracks if track.shot == self.shot]
        pairs = sorted(
            (
                (track.fits(person, time_s, colour), i, j)
                for i, (person, colour) in enumerate(zip(people, colours, strict=True))
                for j, track in enumerate(tracks)
            ),
            key=lambda pair: pair[0],
        )
        matched: dict[int, int] = {}
        for gap, i, j in pairs:
            if np.isfinite(gap) and i not in matched and j not in matched.values():
                matched[i] = j
        return [tracks[matched[i]] if i in matched else None for i in range(len(people))]

    # --- looking round ---

    def _look_due(self, time_s: float) -> bool:
        since = time_s - self.shot_start_s
        due = max((at for at in LOOK_S if at <= since), default=0.0)
        if since > LOOK_S[-1] + LOOK_EVERY_S:
            due = since - (since % LOOK_EVERY_S)
        return self.looked_s < self.shot_start_s + due

    def _look(self, rgb: np.ndarray, time_s: float, scale: float) -> list[Person]:
        people = distinct(self.glance(rgb, time_s, scale))
        self.looked_s, self.people = time_s, float(len(people))
        if len(people) > 1:
            self.others = True
            if self.followed is not None and self.followed.moved < LIFTER:
                self.followed = None
        return people


def choose(tracks: list[Sightings], shots: int) -> list[Sightings]:
    """The sightings that are the athlete's, in order of time: for each shot those of people who
    moved a bar, the most active first, others only where these are not seen: one who was lost and
    found again may have been taken for somebody else in between. Somebody who has not moved a bar
    is the athlete only if the video is one shot and nobody else is in it."""
    chosen: list[Sightings] = []
    for track in sorted(tracks, key=lambda track: track.moved, reverse=True):
        alone = shots == 1 and len(tracks) == 1
        if track.moved < LIFTER and not alone:
            continue
        if not any(
            other.shot == track.shot and seen_beside(track, other) > BESIDE for other in chosen
        ):
            chosen.append(track)
    return sorted(chosen, key=lambda track: track.times[0])


def seen_beside(track: Sightings, other: Sightings) -> float:
    """The share of `track`'s sightings while `other` was being followed: seen no longer than LOST_S
    before and after."""
    times, others = np.array(track.times), np.array(other.times)
    before = np.searchsorted(others, times, side="right") - 1
    after = np.searchsorted(others, times)
    inside = (before >= 0) & (after < len(others))
    gap = others[np.minimum(after, len(others) - 1)] - others[np.maximum(before, 0)]
    return float((inside & (gap <= LOST_S)).mean())


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


def box(person: Person, size: float) -> np.ndarray:
    """(4,) x0, y0, x1, y1 around `person`, pixels of the full-size picture: the landmarks with room
    for what the arms may do next."""
    trusted = person.points[person.visibility >= 0.3]
    points = trusted if len(trusted) else person.points
    (x0, y0), (x1, y1) = points.min(0), points.max(0)
    return np.array([x0 - 0.9 * size, y0 - 0.9 * size, x1 + 0.9 * size, y1 + 0.6 * size])


def blinkers(rgb: np.ndarray, person: Person, size: float, scale: float) -> np.ndarray:
    """`rgb` with all that is far from `person` painted grey, so that nobody else is found."""
    height, width = rgb.shape[:2]
    x0, y0, x1, y1 = (round(float(value)) for value in box(person, size) / scale)
    x0, x1 = max(0, x0), min(width, x1)
    y0, y1 = max(0, y0), min(height, y1)
    view = np.full_like(rgb, 114)
    if x1 > x0 and y1 > y0:
        view[y0:y1, x0:x1] = rgb[y0:y1, x0:x1]
    return view


def trunk_colour(rgb: np.ndarray, person: Person, scale: float) -> np.ndarray:
    """(3,) mean colour of the upper trunk; NaN-free: the picture's mean where it is outside."""
    shoulder = person.middle(SHOULDERS) / scale
    hip = person.middle(HIPS) / scale
    middle = shoulder + 0.35 * (hip - shoulder)
    radius = max(2.0, 0.18 * person.size_px / scale)
    height, width = rgb.shape[:2]
    x0, x1 = np.clip([middle[0] - radius, middle[0] + radius + 1], 0, width).astype(int)
    y0, y1 = np.clip([middle[1] - radius, middle[1] + radius + 1], 0, height).astype(int)
    patch = rgb[y0:y1, x0:x1] if x1 > x0 and y1 > y0 else rgb
    return patch.reshape(-1, 3).mean(0).astype(float)


def gated(person: Person) -> tuple[np.ndarray, np.ndarray]:
    """Points (33, 2) and confidence (33,) of `person` as they go into the Tracks.

    Feet, ankles, knees and hips are given only where the model thinks it more likely than not that
    they are seen (0.5): bent over the bar they collapse, and their visibility says so. Upper-body
    landmarks are given whatever their confidence: the hands stay usable while hidden by plates.
    """
    points, confidence = person.points.copy(), person.visibility.copy()
    lower = [*HIPS, 25, 26, *FEET]
    hidden = [index for index in lower if confidence[index] < 0.5]
    points[hidden] = np.nan
    return points, confidence
