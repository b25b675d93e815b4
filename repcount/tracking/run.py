"""One pass over a video: decode, pose, camera and bar side by side, then one data set.

Three threads share the work, most of it in native code that lets go of the interpreter: one decodes
and scales, one runs the pose model, the caller's own follows camera and bar. Queues between them
are short, so memory stays flat however long the video is.
"""

from __future__ import annotations

import queue
import threading
import time
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from repcount.attempt.anthropometry import HIP_ABOVE_ANKLE_ST, TRUNK_ST
from repcount.errors import RepcountError
from repcount.tracking.athlete import Observer, box, gated
from repcount.tracking.bar import Bar, BarTrack
from repcount.tracking.bar_net import MODEL, BarNet, athlete_box
from repcount.tracking.camera import Camera, Cuts
from repcount.tracking.hands import Hands
from repcount.tracking.lifter import Chosen, choose
from repcount.tracking.model_files import checksums, models_folder
from repcount.tracking.people import Tracklet
from repcount.tracking.pose import ANKLES, HIPS, LEFT_KNUCKLES, MODELS, RIGHT_KNUCKLES, Person
from repcount.tracking.tracks import BAR_KEYPOINTS, KEYPOINTS, POSE_KEYPOINTS, make_tracks
from repcount.video.footage import Footage, open_footage
from repcount.video.sound import find_tones

Progress = Callable[[float, float], None]
# x0, y0, x1, y1 in pixels of the upright full-size frame
Box = tuple[int, int, int, int]

QUEUE_FRAMES = 12
# Hands are interpolated between two looks of the pose model no farther apart than this.
HANDS_GAP_S = 0.3
SOUND_RATE_HZ = 16000
# Of the whole pass, what listening to the sound takes after the frames: 3 and 7 % on the sample
# clips, with both cores also at other work.
SOUND_SHARE = 0.05
# The body length that `Person.size_px` measures.
BODY_ST = TRUNK_ST
# So long the network looks around one of several people: two sightings in a row make an end, a
# tenth of a second apart where none is followed.
TURN_S = 0.6
# Where the athlete stands is taken from this many looks; feet are remembered for this long.
STEADY_LOOKS, GROUND_S, ANKLE_VISIBLE = 7, 5.0, 0.5


class Cancelled(Exception):
    """Tracking was stopped from outside; nothing was made."""


@dataclass(frozen=True)
class TrackOptions:
    """`rate_hz`: frames looked at a second, at most; `pose_rate_hz`: those of them given to the
    pose model; `max_side`: their long side in pixels; `model`: "full" or "lite". All are above 0.

    Raises RepcountError for what is out of bounds.
    """

    rate_hz: float = 30.0
    pose_rate_hz: float = 7.5
    max_side: int = 640
    model: str = "full"

    def __post_init__(self) -> None:
        for name in ("rate_hz", "pose_rate_hz", "max_side"):
            if not getattr(self, name) > 0:
                raise RepcountError(f"{name} is {getattr(self, name):g}; give more than 0.")
        if self.model not in MODELS:
            raise RepcountError(f"model is {self.model!r}; it is one of {', '.join(MODELS)}.")


@dataclass(frozen=True)
class FrameArrays:
    """A frame's arrays, free of the decoder: `gray` (H, W), `rgb` (H, W, 3) if the pose model is
    to look at it, `scale` full-size pixels per pixel."""

    time_s: float
    gray: np.ndarray
    rgb: np.ndarray | None
    scale: float


@dataclass
class Looked:
    """What one frame gave, apart from pose and bar: `shift` and `brightness` as in
    `CameraFrame`."""

    time_s: float
    cut: bool
    shift: np.ndarray = field(default_factory=lambda: np.zeros(2))
    brightness: float = np.nan
    people: float = np.nan


@dataclass(frozen=True)
class Posed:
    """Who was seen at one look of the pose model: by name the person and their size as
    `Person.size_px`, smoothed over time; and the name of the one who is followed alone (None: it is
    open who lifts)."""

    time_s: float
    here: dict[int, tuple[Person, float]]
    favourite: int | None

    @property
    def person(self) -> Person | None:
        """The one who is followed alone, if seen."""
        return self.here[self.favourite][0] if self.favourite in self.here else None

    @property
    def size(self) -> float:
        return self.here[self.favourite][1] if self.favourite in self.here else np.nan


def track(
    video: Footage | Path | str,
    options: TrackOptions | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
    *,
    region: Box | None = None,
) -> xr.Dataset:
    """Look at a video and return the Tracks (see `repcount.tracking.tracks.make_tracks`).

    `progress(fraction, seconds_left)` is called now and then, fraction rising from 0 to 1. Setting
    `cancel` makes it stop within a fraction of a second and raise Cancelled. With `region` only
    that part of the frame is looked at; positions are still those of the whole. Raises
    FootageError if the video cannot be read and ModelError if a model file is missing or damaged.
    """
    options = options or TrackOptions()
    footage = video if isinstance(video, Footage) else open_footage(Path(video))
    looked, tracklets, bar = _look(footage, options, progress, cancel, region)
    return _tracks(footage, options, looked, tracklets, bar, region)


def _look(
    footage: Footage,
    options: TrackOptions,
    progress: Progress | None,
    cancel: threading.Event | None,
    region: Box | None,
) -> tuple[list[Looked], list[Tracklet], BarTrack]:
    observer, cuts, camera, bar = Observer(options.model), Cuts(), Camera(), Bar(BarNet())
    looked: list[Looked] = []
    report = _Reporter(footage, progress)
    # Camera and bar come after the pose: their frames wait here for the pose model's next look,
    # so that what they know of the athlete does not hang on which thread is faster.
    waiting: deque[tuple[FrameArrays, Looked]] = deque()

    def follow(until_s: float) -> None:
        while waiting and waiting[0][0].time_s <= until_s:
            frame, seen = waiting.popleft()
            time_s, scale = frame.time_s, frame.scale
            people = [body / scale for body in around(pose.posed, time_s)]
            moving = [*people, *bar.around()]
            background = camera.step(frame.gray, time_s, scale, moving, seen.cut)
            seen.shift, seen.brightness = background.shift, background.brightness
            bar.step(
                frame.gray,
                time_s,
                hands_at(pose.posed, time_s, scale),
                partial(standing, pose.posed, time_s, scale),
                seen.shift / scale,
                seen.cut,
            )

    scale = 1.0
    try:
        with _Ahead(frames_of(footage, options, region)) as pictures, _PoseThread(observer) as pose:
            for frame in pictures:
                if cancel is not None and cancel.is_set():
                    raise Cancelled(f"{footage.info.path}: stopped")
                scale = frame.scale
                seen = Looked(frame.time_s, cuts.step(frame.gray))
                looked.append(seen)
                waiting.append((frame, seen))
                pose.ask(frame, seen)
                follow(pose.posed[-1].time_s if pose.posed else -np.inf)
                report(frame.time_s)
            pose.drain()
            follow(np.inf)
    finally:
        observer.close()
    found = bar.result()
    ends = replace(found, ends=found.ends * scale, semi_axis=found.semi_axis * scale)
    return looked, observer.tracklets, ends


def around(posed: Sequence[Posed], time_s: float) -> list[np.ndarray]:
    """Boxes (4,) around those seen at the last look up to `time_s`, full-size pixels."""
    last = next((one for one in reversed(posed) if one.time_s <= time_s), None)
    return [] if last is None else [box(person, size) for person, size in last.here.values()]


def hands_at(posed: Sequence[Posed], time_s: float, scale: float) -> Hands | None:
    """The athlete's hands at `time_s` in pixels of frames that are `scale` times smaller than the
    full size, from the last looks of the pose model (in order of time); None if not known."""
    before = after = None
    for one in reversed(posed):
        if one.time_s >= time_s:
            after = one
        else:
            before = one
            break
    if after is not None and after.time_s == time_s:
        before = after
    if before is None or after is None or before.person is None or after.person is None:
        return None
    if after.time_s - before.time_s > HANDS_GAP_S:
        return None
    part = (time_s - before.time_s) / max(after.time_s - before.time_s, 1e-9)
    sides = [
        (1 - part) * before.person.middle(knuckles) + part * after.person.middle(knuckles)
        for knuckles in (LEFT_KNUCKLES, RIGHT_KNUCKLES)
    ]
    sides.sort(key=lambda hand: float(hand[0]))
    return Hands(sides[0] / scale, sides[1] / scale, after.size / scale)


def standing(posed: Sequence[Posed], time_s: float, scale: float) -> np.ndarray | None:
    """(4,) the square around the athlete at `time_s` in which the network looks for the bar, pixels
    of frames that are `scale` times smaller; None if nobody is seen. While it is open who lifts,
    each of those seen in turn. Hips and feet are medians over the last looks: single ones collapse
    while the athlete bends over."""
    # By time, not by number: how many looks lie ahead already hangs on which thread is faster.
    since = bisect_left(posed, time_s - GROUND_S, key=lambda one: one.time_s)
    until = bisect_right(posed, time_s, key=lambda one: one.time_s)
    seen = [one for one in posed[since:until] if one.here]
    if not seen or time_s - seen[-1].time_s > HANDS_GAP_S:
        return None
    last = seen[-1]
    names = [last.favourite] if last.favourite in last.here else sorted(last.here)
    name = names[int(time_s / TURN_S) % len(names)]
    people = [one.here[name][0] for one in seen if name in one.here]
    stature = last.here[name][1] / BODY_ST
    hips = np.median([person.middle(HIPS) for person in people[-STEADY_LOOKS:]], axis=0)
    visible = (
        person
        for person in reversed(people)
        if person.visibility[list(ANKLES)].min() >= ANKLE_VISIBLE
    )
    feet = [person.middle(ANKLES) for person in islice(visible, STEADY_LOOKS)]
    below = hips + [0.0, HIP_ABOVE_ANKLE_ST * stature]
    ankles = np.median(feet, axis=0) if feet else below
    return athlete_box(ankles, hips, stature) / scale


def frames_of(footage: Footage, options: TrackOptions, region: Box | None) -> Iterator[FrameArrays]:
    """The frames that are looked at, in order of time; those for the pose model with colours."""
    due_s = -np.inf
    max_side = options.max_side
    if region is not None:  # the part is what `max_side` holds for
        whole = max(footage.info.width, footage.info.height)
        max_side = round(max_side * whole / max(region[2] - region[0], region[3] - region[1]))
    for frame in footage.frames(rate_hz=options.rate_hz, max_side=max_side):
        with_pose = frame.time_s >= due_s
        if with_pose:
            # A third of a frame's time early is on time: stamps jitter.
            due_s = frame.time_s + 1 / options.pose_rate_hz - 1 / (3 * options.rate_hz)
        gray, rgb = frame.gray, frame.rgb if with_pose else None
        if region is not None:
            gray = _part(gray, region, frame.scale)
            rgb = None if rgb is None else _part(rgb, region, frame.scale)
        yield FrameArrays(frame.time_s, gray, rgb, frame.scale)


def _part(frame: np.ndarray, region: Box, scale: float) -> np.ndarray:
    """The part of a frame that is `scale` times smaller, at whole pixels."""
    x0, y0, x1, y1 = (round(edge / scale) for edge in region)
    return np.ascontiguousarray(frame[y0:y1, x0:x1])


class _Ahead:
    """Runs an iterator in a thread of its own, a few items ahead."""

    def __init__(self, items: Iterator[Any]) -> None:
        self._items = items
        self._queue: queue.Queue[Any] = queue.Queue(QUEUE_FRAMES)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="repcount-decode", daemon=True)

    def _run(self) -> None:
        try:
            for item in self._items:
                if not self._put((item, None)):
                    return
            self._put((None, None))
        except BaseException as error:  # handed to the reader, who raises it
            self._put((None, error))

    def _put(self, item: Any) -> bool:
        while not self._stop.is_set():
            with suppress(queue.Full):
                self._queue.put(item, timeout=0.1)
                return True
        return False

    def __iter__(self) -> Iterator[Any]:
        while True:
            item, error = self._queue.get()
            if error is not None:
                raise error
            if item is None:
                return
            yield item

    def __enter__(self) -> _Ahead:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        self._thread.join()


class _PoseThread:
    """Runs `observer.see` in a thread of its own. `posed` grows by one with each look."""

    def __init__(self, observer: Observer) -> None:
        self._observer = observer
        self._queue: queue.Queue[tuple[FrameArrays, Looked, bool] | None] = queue.Queue(
            QUEUE_FRAMES // 3
        )
        self._cut = False
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="repcount-pose", daemon=True)
        self.posed: list[Posed] = []

    def _run(self) -> None:
        while (job := self._queue.get()) is not None:
            if self._error is not None:
                continue
            frame, looked, cut = job
            assert frame.rgb is not None
            try:
                if cut:
                    self._observer.new_shot(frame.time_s)
                self._observer.see(frame.rgb, frame.time_s, frame.scale)
                looked.people = self._observer.people
                here = {one.name: (one.last, one.size) for one in self._observer.here}
                favourite = self._observer.favourite
                name = None if favourite is None else favourite.name
                self.posed.append(Posed(frame.time_s, here, name))
            except BaseException as error:  # handed to the caller's thread
                self._error = error

    def ask(self, frame: FrameArrays, looked: Looked) -> None:
        """Have `frame` looked at, if it is meant to be; what was seen goes into `looked`."""
        self._cut = self._cut or looked.cut
        if frame.rgb is None:
            return
        self._queue.put((frame, looked, self._cut))
        self._cut = False
        if self._error is not None:
            raise self._error

    def drain(self) -> None:
        self._queue.put(None)
        self._thread.join()
        if self._error is not None:
            raise self._error

    def __enter__(self) -> _PoseThread:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        if self._thread.is_alive():
            self._error = self._error or Cancelled()
            self._queue.put(None)
            self._thread.join()


class _Reporter:
    """Tells how far the pass has come, at most a few times a second."""

    def __init__(self, footage: Footage, progress: Progress | None) -> None:
        self._start_s, self._slowed = footage.start_s, footage.slowed
        self._length_s = max(1e-3, min(footage.end_s, footage.info.duration_s) - footage.start_s)
        self._pictures = 1.0 - SOUND_SHARE * footage.info.has_sound
        self._progress = progress
        self._begun = self._told = time.monotonic()

    def __call__(self, time_s: float) -> None:
        now = time.monotonic()
        if self._progress is None or now - self._told < 0.25:
            return
        self._told = now
        seen = float(np.clip((time_s * self._slowed - self._start_s) / self._length_s, 1e-3, 1.0))
        done = self._pictures * seen
        self._progress(done, (now - self._begun) * (1 - done) / done)


def _tracks(
    footage: Footage,
    options: TrackOptions,
    looked: list[Looked],
    tracklets: list[Tracklet],
    bar: BarTrack,
    region: Box | None,
) -> xr.Dataset:
    times = np.array([seen.time_s for seen in looked])
    count = len(times)
    position = np.full((count, 2, len(KEYPOINTS), 1), np.nan, np.float32)
    confidence = np.full((count, len(KEYPOINTS), 1), np.nan, np.float32)
    world = np.full((count, 3, len(POSE_KEYPOINTS), 1), np.nan, np.float32)
    semi_axis = np.full((count, len(BAR_KEYPOINTS), 1), np.nan, np.float32)
    shift = np.array([seen.shift for seen in looked])
    chosen = choose(tracklets, times, shift, bar)
    _fill_pose(times, chosen, position, confidence, world)
    rows = np.searchsorted(times, [one.time_s for one in chosen])
    person, identity = np.full((2, count, 1), np.nan)
    person[rows, 0] = [one.number for one in chosen]
    identity[rows, 0] = [one.probability for one in chosen]
    ends = slice(len(POSE_KEYPOINTS), None)
    position[:, :, ends, 0] = bar.ends.transpose(0, 2, 1)
    confidence[:, ends, 0] = bar.confidence
    semi_axis[:, :, 0] = bar.semi_axis
    seen_as: dict[str, Any] = {"tracking": asdict(options), "models": _models(options)}
    if region is not None:
        # cut at whole pixels of the smaller frame, which are at most a pixel of that off
        position += np.array(region[:2], np.float32)[None, :, None, None]
        seen_as["region"] = list(region)
    return make_tracks(
        times,
        position,
        confidence,
        plate_semi_axis=semi_axis,
        confirmed=bar.confirmed[..., None],
        interpolated=bar.interpolated[..., None],
        world=world,
        camera_shift=shift,
        brightness=np.array([seen.brightness for seen in looked]),
        cut=np.array([seen.cut for seen in looked]),
        people=np.array([seen.people for seen in looked]),
        person=person,
        identity=identity,
        video=_video(footage),
        sounds=_sounds(footage),
        options=seen_as,
        warnings=footage.warnings,
    )


def _models(options: TrackOptions) -> dict[str, str]:
    """The models that were used, file name to SHA-256."""
    listed = checksums(models_folder())
    return {name: listed[name] for name in (MODELS[options.model], MODEL)}


def _video(footage: Footage) -> dict[str, Any]:
    """What the footage is; of its path only the name, which says nothing about the machine.

    `duration_s` is in real seconds, as all times of the tracks are.
    """
    info = asdict(footage.info)
    del info["path"]
    return {
        **info,
        "file_name": Path(footage.info.path).name,
        "duration_s": footage.info.duration_s / footage.slowed,
        "slowed": footage.slowed,
    }


def _fill_pose(
    times: np.ndarray,
    chosen: list[Chosen],
    position: np.ndarray,
    confidence: np.ndarray,
    world: np.ndarray,
) -> None:
    body = slice(0, len(POSE_KEYPOINTS))
    for one in chosen:
        row = int(np.searchsorted(times, one.time_s))
        points, trust = gated(one.person)
        position[row, :, body, 0] = points.T
        confidence[row, body, 0] = trust
        world[row, :, :, 0] = one.person.world.T


def _sounds(footage: Footage) -> list[dict[str, Any]]:
    samples, start_s = footage.sound(SOUND_RATE_HZ)
    return [asdict(tone) for tone in find_tones(samples, SOUND_RATE_HZ, start_s)]
