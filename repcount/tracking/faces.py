"""Where heads are in a video, to make faces unreadable before it is shown to others.

Two witnesses, because each misses what the other sees: a face detector (MediaPipe's full-range
model, which is part of the pinned wheel) over overlapping parts of the frame, for faces too small
for it otherwise; and the pose model's head points, which also know heads that are turned away. The
athlete's come from the tracks, those of others from a look at several people. Looks are a third of
a second apart; in between heads are carried along.

Faces may be missed: small, dark, half hidden ones, and whoever is in the frame for less than a
look. DEVELOPERS.md says how often on what.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import xarray as xr

from repcount.attempt.anthropometry import HEAD_ST, TRUNK_ST
from repcount.tracking.pose import Person, PoseModel
from repcount.video.footage import Footage

Whose = Literal["others", "all"]

LOOKS_HZ = 3.0
PEOPLE = 6  # asked of the pose model in a look
_LEAST_SCORE = 0.35  # of a face: a wall blurred by mistake harms nobody
_LEAST_SEEN = 0.3  # of the pose model's head points
# Sides of the parts looked at, as fractions of the frame's short side; they overlap by a third,
# more than a face that the detector can see in them.
_PARTS = (1.0, 0.55)
_OVERLAP = 0.33
# From the middle of a head's points to the edge of what is blurred, in body heights: half of a
# head's height, and for hair and the points' own error.
_HEAD_ST = HEAD_ST / 2 + 0.025
_BODY_ST = TRUNK_ST  # the body length of `Person.size_px`
_FACE_TO_HEAD = 1.05  # a detected face's width to the radius of the head around it
# What was seen once only, in one part of one look, is a head only where the detector is as sure as
# it is of the faces that it finds again: plates on a wall look like faces now and then.
_SURE = 0.8
_KEPT_S = 0.7  # a head that is no longer found stays blurred this long, and was before it was
_JOIN_S = 2 * _KEPT_S  # the longest from one look at a head to the next
# What bears on a moment: a head first found no later than it is held before, seen again in time.
AHEAD_S = _KEPT_S + _JOIN_S
_STEP = 1.8  # a head moves no further than this many radii from look to look
_UPRIGHT_S = 4.0  # the athlete's head is as large as it is at any time this near
_HEAD_POINTS = tuple(range(11))


@dataclass(frozen=True)
class Head:
    """A head in one frame: middle and radius in pixels of the upright full-size frame, how sure
    the face detector is (1 where the pose model found it), and in how many parts it was found."""

    x: float
    y: float
    radius: float
    score: float = 1.0
    witnesses: int = 1

    def near(self, other: Head, radii: float = 1.0) -> bool:
        """Whether the middles lie within so many radii (of the larger)."""
        away = float(np.hypot(self.x - other.x, self.y - other.y))
        return away <= radii * max(self.radius, other.radius)


@dataclass
class Run:
    """One head from look to look."""

    times: list[float] = field(default_factory=list)
    heads: list[Head] = field(default_factory=list)

    @property
    def sure(self) -> bool:
        """Whether it was seen twice, or once and surely."""
        seen = sum(head.witnesses for head in self.heads)
        return seen > 1 or self.heads[0].score >= _SURE

    def at(self, at_s: float) -> Head | None:
        """The head at a moment: carried along between looks, held for a while before and after."""
        if not self.times[0] - _KEPT_S <= at_s <= self.times[-1] + _KEPT_S:
            return None
        places = np.array([(head.x, head.y, head.radius) for head in self.heads])
        x, y, radius = (float(np.interp(at_s, self.times, places[:, i])) for i in range(3))
        # between two looks a head may have gone another way
        gap = min(abs(at_s - one) for one in self.times)
        return Head(x, y, radius * (1 + 0.25 * min(1.0, gap * LOOKS_HZ)))


class HeadFinder:
    """Finds heads in single frames. Close it, or use it in a `with` block."""

    def __init__(self) -> None:
        from mediapipe.python.solutions.face_detection import FaceDetection

        self._faces: Any = FaceDetection(model_selection=1, min_detection_confidence=_LEAST_SCORE)
        self._people = PoseModel("lite", people=PEOPLE, follow=False)

    def __call__(self, rgb: np.ndarray, time_s: float) -> list[Head]:
        """Heads in a full-size frame (H, W, 3), the same head maybe more than once."""
        found = [
            head
            for person in self._people(rgb, time_s, 1.0)
            if (head := head_of(person.points, person.visibility, person.size_px)) is not None
        ]
        for x, y, side in parts(rgb.shape[1], rgb.shape[0]):
            part = np.ascontiguousarray(rgb[y : y + side, x : x + side])
            high, wide = part.shape[:2]
            for face in self._faces.process(part).detections or ():
                box = face.location_data.relative_bounding_box
                width = max(box.width * wide, box.height * high)
                found.append(
                    Head(
                        x + (box.xmin + box.width / 2) * wide,
                        # a detected face reaches from brow to chin: the head's middle is higher
                        y + (box.ymin + box.height / 2) * high - 0.1 * width,
                        _FACE_TO_HEAD * width,
                        float(face.score[0]),
                    )
                )
        return found

    def close(self) -> None:
        self._faces.close()
        self._people.close()

    def __enter__(self) -> HeadFinder:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def parts(width: int, height: int) -> Iterator[tuple[int, int, int]]:
    """(x, y, side) of overlapping squares that cover a frame, of each size looked at."""
    for fraction in _PARTS:
        side = round(fraction * min(width, height))
        for y in _steps(height, side):
            for x in _steps(width, side):
                yield x, y, side


def _steps(length: int, side: int) -> list[int]:
    count = 1 + max(0, int(np.ceil((length - side) / (side * (1 - _OVERLAP)))))
    return [round(at) for at in np.linspace(0, length - side, count)]


def head_of(points: np.ndarray, seen: np.ndarray, body_px: float) -> Head | None:
    """The head of a pose: `points` (33, 2) pixels, `seen` (33,) probabilities."""
    use = [i for i in _HEAD_POINTS if seen[i] >= _LEAST_SEEN and np.isfinite(points[i]).all()]
    if len(use) < 3 or not np.isfinite(body_px):
        return None
    middle = np.median(points[use], axis=0)
    return Head(float(middle[0]), float(middle[1]), _HEAD_ST / _BODY_ST * body_px)


class AthleteHead:
    """The athlete's head by the tracks, at any moment."""

    def __init__(self, tracks: xr.Dataset) -> None:
        position = tracks["position"].values[:, :, :33, 0].transpose(0, 2, 1).astype(float)
        seen = np.nan_to_num(tracks["confidence"].values[:, :33, 0].astype(float))
        self.run = Run()
        for at, points, sure in zip(tracks["time"].values, position, seen, strict=True):
            if not np.isfinite(points).all():
                continue
            head = head_of(points, sure, Person(points, sure, points).size_px)
            if head is not None:
                self.run.times.append(float(at))
                self.run.heads.append(head)
        # A body bent towards the camera looks short, its head does not.
        times = np.array(self.run.times)
        radii = np.array([head.radius for head in self.run.heads])
        self.run.heads = [
            replace(head, radius=float(radii[np.abs(times - at) <= _UPRIGHT_S].max()))
            for at, head in zip(times, self.run.heads, strict=True)
        ]

    def at(self, at_s: float) -> Head | None:
        """The head, or None where the athlete is not seen."""
        return self.run.at(at_s) if self.run.times else None


class Heads:
    """Every head that is to be hidden, at any moment of a video: those of `runs`, and with "all"
    the athlete's."""

    def __init__(self, runs: Sequence[Run], athlete: AthleteHead, whose: Whose) -> None:
        self._runs, self._athlete, self._whose = runs, athlete, whose

    def at(self, at_s: float) -> list[Head]:
        """Heads to hide at a moment in real seconds."""
        found = [head for run in self._runs if (head := run.at(at_s)) is not None]
        lifter = self._athlete.at(at_s) if self._whose == "all" else None
        return found + ([lifter] if lifter else [])


class Others:
    """Leaves out of the heads found what is the athlete's, whom the tracks follow more closely, and
    faces seen in the middle of the bar's plates: a plate hides what is behind it."""

    def __init__(self, tracks: xr.Dataset, athlete: AthleteHead) -> None:
        self._athlete = athlete
        self._time = tracks["time"].values.astype(float)
        names = list(tracks["keypoints"].values)
        ends = [names.index("bar_left"), names.index("bar_right")]
        self._plates = tracks["position"].values[:, :, ends, 0].transpose(0, 2, 1).astype(float)
        self._radii = tracks["plate_semi_axis"].values[..., 0].astype(float)

    def __call__(self, heads: Sequence[Head], at_s: float) -> list[Head]:
        """The heads at a moment that are left."""
        lifter = self._athlete.at(at_s)
        return [
            head
            for head in heads
            if not (lifter and head.near(lifter)) and not self._plate(head, at_s)
        ]

    def _plate(self, head: Head, at_s: float) -> bool:
        if head.score == 1.0:  # the pose model saw a body with it
            return False
        close = np.abs(self._time - at_s) <= 0.5 / LOOKS_HZ
        away = np.hypot(*(self._plates[close] - (head.x, head.y)).transpose(2, 0, 1))
        return bool((away <= self._radii[close]).any())


class HeadWatch:
    """Heads of a video, looked for in a thread of its own while its frames are written: an answer
    waits until all has been looked at that bears on it, so it is the same as after the last look.

    `tracks` are those of the video's athlete. Use it in a `with` block and ask for rising moments.
    """

    def __init__(self, footage: Footage, tracks: xr.Dataset, whose: Whose) -> None:
        self._footage, self._whose = footage, whose
        self._athlete = AthleteHead(tracks)
        self._others = Others(tracks, self._athlete)
        self._links = Links()
        self._looked_s = -np.inf
        self._changed = threading.Condition()
        self._error: BaseException | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="heads", daemon=True)

    def __enter__(self) -> HeadWatch:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stopping = True
        self._thread.join()

    def at(self, at_s: float) -> list[Head]:
        """Heads to hide at a moment in real seconds. Raises what has ended the looking."""
        with self._changed:
            self._changed.wait_for(lambda: self._looked_s >= at_s + AHEAD_S)
            if self._error is not None:
                raise self._error
            self._links.forget(at_s)
            return Heads(self._links.sure(), self._athlete, self._whose).at(at_s)

    def _run(self) -> None:
        try:
            with HeadFinder() as finder:
                for frame in self._footage.frames(rate_hz=LOOKS_HZ):
                    if self._stopping:
                        return
                    at = frame.time_s
                    heads = self._others(finder(frame.rgb, at), at)
                    with self._changed:
                        self._links.add(at, heads)
                        self._looked_s = at
                        self._changed.notify_all()
        except BaseException as error:  # raised again where somebody asks
            self._error = error
        finally:
            with self._changed:
                self._looked_s = np.inf
                self._changed.notify_all()


class Links:
    """Heads of successive looks joined into runs, each to the nearest within reach."""

    def __init__(self) -> None:
        self._runs: list[Run] = []

    def add(self, at_s: float, heads: Sequence[Head]) -> None:
        """The heads of one more look."""
        open_runs = [run for run in self._runs if at_s - run.times[-1] <= _JOIN_S]
        free = list(_merged(heads))
        pairs = sorted(
            (float(np.hypot(run.heads[-1].x - head.x, run.heads[-1].y - head.y)), i, j)
            for i, run in enumerate(open_runs)
            for j, head in enumerate(free)
            if run.heads[-1].near(head, _STEP)
        )
        taken_runs: set[int] = set()
        taken: set[int] = set()
        for _, i, j in pairs:
            if i not in taken_runs and j not in taken:
                taken_runs.add(i)
                taken.add(j)
                open_runs[i].times.append(at_s)
                open_runs[i].heads.append(free[j])
        self._runs += [Run([at_s], [head]) for j, head in enumerate(free) if j not in taken]

    def sure(self) -> list[Run]:
        """Those that were seen twice, or once and surely."""
        return [run for run in self._runs if run.sure]

    def forget(self, before_s: float) -> None:
        """Let go of runs that are over, held as long as they are, before a moment."""
        self._runs = [run for run in self._runs if run.times[-1] + _KEPT_S >= before_s]


def _merged(heads: Sequence[Head]) -> Iterator[Head]:
    """One head for all that lie on one another: the middle of them, as large as the largest."""
    left = list(heads)
    while left:
        first = left.pop(0)
        same = [first] + [other for other in left if other.near(first, 0.8)]
        left = [other for other in left if other not in same]
        yield Head(
            float(np.mean([head.x for head in same])),
            float(np.mean([head.y for head in same])),
            max(head.radius for head in same),
            max(head.score for head in same),
            len(same),
        )


class FaceBlur:
    """Makes the heads of a video unreadable in its frames."""

    def __init__(self, heads: Heads | HeadWatch) -> None:
        self._heads = heads

    def __call__(self, planes: Sequence[np.ndarray], at_s: float) -> None:
        """Blur planes (luma, and colour at half size) or the one plane (H, W, 3) in place."""
        for head in self._heads.at(at_s):
            for plane, half in zip(planes, (0, 1, 1), strict=False):
                hide(plane, head, 0.5**half)


def still_blur(tracks: xr.Dataset, whose: Whose) -> Callable[[np.ndarray, float], None]:
    """What makes heads unreadable in a single frame (H, W, 3) at a moment, in place. There is no
    other look to ask, so whatever looks like a face is hidden."""
    athlete = AthleteHead(tracks)
    others = Others(tracks, athlete)
    finder = HeadFinder()

    def blur(rgb: np.ndarray, at_s: float) -> None:
        seen = others(finder(rgb, at_s), at_s)
        runs = [Run([at_s], [head]) for head in _merged(seen)]
        for head in Heads(runs, athlete, whose).at(at_s):
            hide(rgb, head)

    return blur


def hide(plane: np.ndarray, head: Head, scale: float = 1.0) -> None:
    """Replace a head by an oval of a few flat, smoothed patches: what is left of a face is six
    values across, from which nobody can be recognised."""
    import cv2

    wide, high = head.radius * scale, 1.15 * head.radius * scale
    left, right = (round(head.x * scale + sign * wide) for sign in (-1, 1))
    top, bottom = (round(head.y * scale + sign * high) for sign in (-1, 1))
    left, top = max(0, left), max(0, top)
    right, bottom = min(plane.shape[1], right), min(plane.shape[0], bottom)
    if right - left < 2 or bottom - top < 2:
        return
    part = np.ascontiguousarray(plane[top:bottom, left:right])
    size = (right - left, bottom - top)
    few = cv2.resize(part, (6, 6), interpolation=cv2.INTER_AREA)
    flat = cv2.resize(few, size, interpolation=cv2.INTER_LINEAR)
    x = (np.arange(left, right) + 0.5 - head.x * scale) / wide
    y = (np.arange(top, bottom) + 0.5 - head.y * scale) / high
    inside = x[None, :] ** 2 + y[:, None] ** 2 <= 1
    plane[top:bottom, left:right] = np.where(
        inside if plane.ndim == 2 else inside[..., None], flat, part
    )
