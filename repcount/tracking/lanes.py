"""Several athletes in one frame: where each lifts, and each followed with the bar that is theirs.

A first look through the video finds who stays at one place and moves both hands up and down
together there; that is a lane. Each lane then gets a part of the frame of its own, and is
tracked in it as if it were a video: nobody and no bar of another lane can be taken for its own,
because they are not in it. What this cannot do is said: bars that reach into each other's part.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr

from repcount.attempt.anthropometry import ANKLE_HEIGHT_ST, KNEE_HEIGHT_ST, WRIST_HEIGHT_ST
from repcount.errors import FootageError
from repcount.tracking.people import distinct
from repcount.tracking.pose import ANKLES, HIPS, LEFT_KNUCKLES, RIGHT_KNUCKLES, Person, PoseModel
from repcount.tracking.run import BODY_ST, Box, Cancelled, Progress, TrackOptions, track
from repcount.video.footage import Footage, open_footage
from repcount.wording import plural

MOST_LANES = 8
# The first look: so many frames at most, evenly through the video, no closer than this. One
# deadlift with its pause takes two seconds; at two looks a second both of its ends are seen.
MOST_LOOKS, LOOK_S = 60, 0.5
# The pose model finds people who fill a good part of what it is given: it gets squares as high as
# the frame, that overlap by half.
PEOPLE_A_TILE = 3
# Two sightings are of one place if they are nearer than half a body height (a bar is 1.25 wide) and
# of about one size.
PLACE_ST, PLACE_SIZE = 0.5, 1.4
# A lane's athlete is seen at its place in a third of the looks or more.
PRESENT = 0.33
# Hands are level to within this. Who is a lifter has had both level hands down by the knees or
# lower, and up again to where wrists hang, less 0.03 for the pose's error, twice or more; heights
# are over the ankles. Whoever stands about has not.
HANDS_LEVEL_ST, TIMES = 0.12, 2
LOW_ST = round(KNEE_HEIGHT_ST, 2)
HIGH_ST = round(WRIST_HEIGHT_ST - ANKLE_HEIGHT_ST - 0.03, 2)
# Half a bar is 1.1 m, 0.63 body heights; with some room for steps and for plates seen at an angle.
HALF_BAR_ST = 0.72
# What a lane may have where nobody else is near.
ROOM_ST = 1.3
ABOVE_ST, BELOW_ST = 1.75, 0.45


@dataclass
class Place:
    """Someone seen again and again at one place: `x` and `ankle` in pixels, `stature` in pixels,
    `hands` their height over the ankles in body heights where both were level."""

    x: list[float] = field(default_factory=list)
    ankle: list[float] = field(default_factory=list)
    stature: list[float] = field(default_factory=list)
    hands: list[float] = field(default_factory=list)
    looks: set[int] = field(default_factory=set)

    @property
    def lifts(self) -> bool:
        """Whether both hands were down at the floor and up again."""
        down = sum(height < LOW_ST for height in self.hands)
        up = sum(height > HIGH_ST for height in self.hands)
        return min(down, up) >= TIMES

    @property
    def moved(self) -> float:
        """How far the level hands move, in body heights: from the lowest tenth to the highest."""
        if not self.hands:
            return 0.0
        low, high = np.quantile(self.hands, (0.1, 0.9))
        return float(high - low)


@dataclass(frozen=True)
class Lane:
    """A lane's part of the frame, in pixels of the upright full-size frame, and whether its bar
    may reach into a neighbour's part."""

    region: Box
    crowded: bool


def track_lanes(
    video: Footage | Path | str,
    count: int | None = None,
    options: TrackOptions | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> list[xr.Dataset]:
    """The Tracks of every lane, from the frame's left; `count` lanes, or as many as are found.

    Raises FootageError if nobody is found or fewer than `count`, and what `track` raises.
    """
    footage = video if isinstance(video, Footage) else open_footage(Path(video))
    options = options or TrackOptions()
    lanes = find_lanes(footage, count, options.model, cancel)
    found = []
    for number, lane in enumerate(lanes):

        def part(done: float, left_s: float, number: int = number) -> None:
            if progress is not None:
                fraction = (number + done) / len(lanes)
                progress(fraction, left_s * (len(lanes) - number))

        tracks = track(footage, options, part, cancel, region=lane.region)
        if lane.crowded:
            said = (
                f"Lane {number + 1} of {len(lanes)}: its bar may reach into the next lane's part "
                "of the frame, where it is not looked for; film with more room between them."
            )
            tracks = _with_warning(tracks, said)
        found.append(tracks)
    return found


def find_lanes(
    footage: Footage,
    count: int | None = None,
    model: str = "full",
    cancel: threading.Event | None = None,
) -> list[Lane]:
    """Where athletes lift, from the frame's left. Raises FootageError as `track_lanes` does."""
    places, looks = _places(footage, model, cancel)
    here = [place for place in places if len(place.looks) >= PRESENT * looks]
    here.sort(key=lambda place: (place.lifts, place.moved), reverse=True)
    # A number that is given is believed: then those who never bent down to a bar count as well.
    lifting = here if count else [place for place in here if place.lifts]
    path, wanted = footage.info.path, count or len(lifting)
    if not lifting or len(lifting) < wanted:
        seen = plural(len(lifting), "athlete")
        asked = f", not {count}" if count else ""
        raise FootageError(
            f"{path}: {seen} could be seen lifting at one place each{asked}; film all of them "
            "whole and side by side, or give the number of lanes that there are."
        )
    size = (footage.info.width, footage.info.height)
    return regions(lifting[: min(wanted, MOST_LANES)], size)


def regions(places: Sequence[Place], size: tuple[int, int]) -> list[Lane]:
    """A part of the frame of `size` (width, height) for each place, side by side from the left;
    neighbours meet in the middle of what lies between their bars."""
    places = sorted(places, key=lambda place: float(np.median(place.x)))
    x = [float(np.median(place.x)) for place in places]
    stature = [float(np.median(place.stature)) for place in places]
    ankle = [float(np.median(place.ankle)) for place in places]
    edges = [0.0]
    crowded = [False] * len(places)
    for i in range(len(places) - 1):
        right, left = x[i] + HALF_BAR_ST * stature[i], x[i + 1] - HALF_BAR_ST * stature[i + 1]
        if right > left:
            crowded[i] = crowded[i + 1] = True
        edges.append((right + left) / 2)
    edges.append(float(size[0]))
    lanes = []
    for i, tall in enumerate(stature):
        low = max(0.0, edges[i], x[i] - ROOM_ST * tall)
        high = min(float(size[0]), edges[i + 1], x[i] + ROOM_ST * tall)
        top = max(0.0, ankle[i] - ABOVE_ST * tall)
        bottom = min(float(size[1]), ankle[i] + BELOW_ST * tall)
        box = (round(low), round(top), round(high), round(bottom))
        lanes.append(Lane(box, crowded[i]))
    return lanes


def _places(
    footage: Footage, model: str, cancel: threading.Event | None
) -> tuple[list[Place], int]:
    """Everybody seen, by place, and the number of looks."""
    length_s = (min(footage.end_s, footage.info.duration_s) - footage.start_s) / footage.slowed
    every_s = max(LOOK_S, length_s / MOST_LOOKS)
    places: list[Place] = []
    looks = 0
    with PoseModel(model, PEOPLE_A_TILE, follow=False) as look:
        for frame in footage.frames(rate_hz=1 / every_s, max_side=1280):
            if cancel is not None and cancel.is_set():
                raise Cancelled(f"{footage.info.path}: stopped")
            for person in people_in_tiles(frame.rgb, look, frame.scale):
                add(places, person, looks)
            looks += 1
    return places, looks


def people_in_tiles(rgb: np.ndarray, look: PoseModel, scale: float) -> list[Person]:
    """Everybody in a wide frame, looked at in overlapping squares."""
    height, width = rgb.shape[:2]
    side = min(width, height)
    found: list[Person] = []
    for top in tile_starts(height, side):
        for left in tile_starts(width, side):
            tile = rgb[top : top + side, left : left + side]
            for person in look(tile, 0.0, scale):
                moved = Person(
                    person.points + np.array([left, top]) * scale, person.visibility, person.world
                )
                found.append(moved)
    found.sort(key=lambda person: float(person.visibility.mean()), reverse=True)
    return distinct(found)


def tile_starts(length: int, side: int) -> list[int]:
    """Where squares of `side` begin so that they cover `length` and overlap by half or more."""
    steps = int(np.ceil(max(0, length - side) / (side / 2)))
    return [round(i * (length - side) / steps) for i in range(steps + 1)] if steps else [0]


def add(places: list[Place], person: Person, look: int) -> None:
    """Put a sighting to the place it belongs to, or to a new one."""
    trusted = person.visibility[[*HIPS, *ANKLES]]
    if trusted.min() < 0.3:
        return
    x = float((person.middle(HIPS)[0] + person.middle(ANKLES)[0]) / 2)
    stature = person.size_px / BODY_ST
    ankle = float(person.middle(ANKLES)[1])
    nearest, gap = None, np.inf
    for place in places:
        tall = float(np.median(place.stature))
        ratio = max(tall, stature) / min(tall, stature)
        away = abs(float(np.median(place.x)) - x) / tall
        if away < min(gap, PLACE_ST) and ratio < PLACE_SIZE and look not in place.looks:
            nearest, gap = place, away
    if nearest is None:
        nearest = Place()
        places.append(nearest)
    nearest.x.append(x)
    nearest.ankle.append(ankle)
    nearest.stature.append(stature)
    nearest.looks.add(look)
    left = (ankle - float(person.middle(LEFT_KNUCKLES)[1])) / stature
    right = (ankle - float(person.middle(RIGHT_KNUCKLES)[1])) / stature
    if abs(left - right) <= HANDS_LEVEL_ST:
        nearest.hands.append((left + right) / 2)


def _with_warning(tracks: xr.Dataset, said: str) -> xr.Dataset:
    import json

    kept = json.loads(tracks.attrs["warnings"])
    return tracks.assign_attrs(warnings=json.dumps([*kept, said]))
