"""Films a choreographed attempt: frame, sound, and the truth of every frame beside it."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from sample_clips.render.bystanders import Bystander
from sample_clips.render.camera import Camera, project, sway_homography, sway_rotations
from sample_clips.render.choreography import Choreography
from sample_clips.render.gym import GymLook
from sample_clips.render.human import JOINTS, SIDES, Human, Skeleton, rot_x, rot_y
from sample_clips.render.looks import PersonLook
from sample_clips.render.meshes import BarbellLook
from sample_clips.render.scene import (
    BAR_TAG,
    TAG_STEP,
    Figure,
    Moment,
    Picture,
    Scene,
    bar_matrix,
    end_points,
)
from sample_clips.render.sensor import Sensor, SensorLook
from sample_clips.render.sound import RATE_HZ, impacts, soundtrack

Array = NDArray[np.float64]

CLOCK_HZ = 90_000  # the video's time base
PAN_S = 0.4  # how long a step of the camera takes


@dataclass(frozen=True)
class Lane:
    """One athlete: what is done, by whom, with which bar, where on the floor (x, z, yaw)."""

    choreography: Choreography
    look: PersonLook
    bar: BarbellLook
    place: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def human(self) -> Human:
        return self.choreography.human


@dataclass(frozen=True)
class Shot:
    """How it is filmed. Angles in radians, times in seconds.

    sway_rad: a hand's sway (0 on a tripod). pans: (time, yaw, pitch) steps after which the camera
    stays turned. cuts: (time, camera) from when on another camera films. exposure_s and sub_frames
    make the motion blur. jitter_s and drop_share make the frame rate vary: each frame late by a
    normal deviate, and that fraction of frames missing. rotation_deg: the file holds the frames
    turned, with the orientation in its header, as phones do. sound: False for none; background:
    how loud the gym around is.
    """

    fps: float = 30.0
    to_s: float | None = None
    sway_rad: float = 0.004
    pans: tuple[tuple[float, float, float], ...] = ()
    cuts: tuple[tuple[float, Camera], ...] = ()
    exposure_s: float = 1 / 120
    sub_frames: int = 4
    sensor: SensorLook = field(default_factory=SensorLook)
    jitter_s: float = 0.0
    drop_share: float = 0.0
    rotation_deg: int = 0
    sound: bool = True
    background: float = 1.0
    crf: int = 23
    preset: str = "veryfast"


@dataclass(frozen=True)
class FrameTruth:
    """What is where in the frame, frame by frame; upright pixels, seconds from the first frame.

    time_s (T,), joints (T, J, 2) in the order of `joint_names`, bar (T, 2, 2) centres of the
    outermost large plates' outer faces, left in the frame first, semi_axis (T, 2) vertical
    semi-axes of these faces, visible (T, 2) fraction of each face's disc where its plates are seen.
    """

    time_s: Array
    joints: Array
    bar: Array
    semi_axis: Array
    visible: Array
    joint_names: tuple[str, ...] = tuple(JOINTS)

    def save(self, path: Path) -> None:
        """A compact .npz: bars rounded to an eighth of a pixel, joints to a half."""

        def eighths(a: Array) -> NDArray[np.float32]:
            return (np.round(a * 8) / 8).astype(np.float32)

        np.savez_compressed(
            path,
            time_s=self.time_s,
            joints=(np.round(self.joints * 2) / 2).astype(np.float16),
            bar=eighths(self.bar),
            semi_axis=eighths(self.semi_axis),
            visible=self.visible.astype(np.float16),
            joint_names=np.array(self.joint_names),
        )


def film(
    path: str | Path,
    lanes: Sequence[Lane],
    camera: Camera,
    gym: GymLook,
    shot: Shot = Shot(),
    bystanders: Sequence[Bystander] = (),
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> list[FrameTruth]:
    """Write an .mp4 of the lanes; returns each lane's truth, frame by frame.

    The first lane's start signal is heard, and its length is the clip's.

    camera: where the phone is held (its width and height are the video's). progress is called
    with frames done and frames in all. Raises RenderUnavailable where there is no OpenGL.
    """
    times = frame_times(lanes[0].choreography.duration_s, shot, seed)
    turns = camera_turns(times, shot, seed)
    margin = _margin_px(camera, turns)
    cast = _Cast(lanes, bystanders, times, shot)
    scene = Scene(camera.width + 2 * margin, camera.height + 2 * margin)
    scene.fill(
        gym,
        [Figure(lane.human, lane.look) for lane in lanes]
        + [Figure(b.human, b.look, far=not b.in_front) for b in bystanders],
        [lane.bar for lane in lanes],
        camera.eye,
        [lane.place[:2] for lane in lanes],
    )
    cameras = [camera, *(c for _, c in shot.cuts)]
    padded = [c.padded(margin) for c in cameras]
    which = np.searchsorted([t for t, _ in shot.cuts], times, "right")
    size = (camera.width, camera.height)
    sensor: Sensor | None = None
    truths = [_TruthBuilder(lane, k, len(times)) for k, lane in enumerate(lanes)]
    sound = None
    if shot.sound:
        hits = [hit for lane in lanes for hit in impacts(lane.choreography)]
        end = float(times[-1]) + 1 / shot.fps
        beeps = lanes[0].choreography.beeps
        sound = soundtrack(end, beeps, sorted(hits), seed, shot.background)
    with _Writer(Path(path), size, shot, sound) as writer:
        for i, time_s in enumerate(times):
            here, wide = cameras[which[i]], padded[which[i]]
            moments = cast.moments(i)
            image, tags = scene.draw(wide, moments)
            to_frame = sway_homography(wide, turns[i])
            to_frame = np.array([[1, 0, -margin], [0, 1, -margin], [0, 0, 1.0]]) @ to_frame
            warped = cv2.warpPerspective(image, to_frame, size, flags=cv2.INTER_LINEAR)
            framed = warped.astype(np.uint8, copy=False)
            sensor = sensor or Sensor(shot.sensor, framed, seed)
            writer.add(sensor(framed), float(time_s))
            for truth in truths:
                truth.add(i, here.turned(turns[i]), moments[len(moments) // 2], tags, to_frame)
            if progress is not None:
                progress(i + 1, len(times))
    return [truth.done(times) for truth in truths]


def frame_times(duration_s: float, shot: Shot, seed: int) -> Array:
    """(T,) presentation times, the first 0, exact in the video's time base."""
    rng = np.random.default_rng([seed, 17])
    end = duration_s if shot.to_s is None else min(shot.to_s, duration_s)
    times = np.arange(max(2, int(end * shot.fps))) / shot.fps
    if shot.jitter_s:
        times = times + np.clip(rng.normal(size=len(times)) * shot.jitter_s, -0.4 / shot.fps, None)
        times = np.maximum.accumulate(times)
    if shot.drop_share:
        times = times[rng.random(len(times)) >= shot.drop_share]
    ticks = np.unique(np.round((times - times[0]) * CLOCK_HZ).astype(np.int64))
    return ticks / CLOCK_HZ


def camera_turns(times: Array, shot: Shot, seed: int) -> Array:
    """(T, 3, 3) how the camera is turned about its eye in each frame."""
    fps = shot.fps
    n = int(np.ceil(times[-1] * fps)) + 2
    turns = np.broadcast_to(np.eye(3), (len(times), 3, 3)).copy()
    if shot.sway_rad:
        turns = sway_rotations(n, fps, shot.sway_rad, seed)[np.round(times * fps).astype(int)]
    for begin, yaw, pitch in shot.pans:
        fraction = np.clip((times - begin) / PAN_S, 0, 1)
        fraction = fraction * fraction * (3 - 2 * fraction)
        turns = np.array(
            [rot_x(pitch * s) @ rot_y(yaw * s) @ r for s, r in zip(fraction, turns, strict=True)]
        )
    return turns


def _margin_px(camera: Camera, turns: Array) -> int:
    """How much more than the frame must be drawn so that a turned frame has no empty edge."""
    w, h = camera.width, camera.height
    corners = np.array([[[0, 0], [w, 0], [w, h], [0, h]]], float)
    worst = 0.0
    for turn in turns[:: max(1, len(turns) // 400)]:
        back = cv2.perspectiveTransform(corners, np.linalg.inv(sway_homography(camera, turn)))
        worst = max(worst, float(np.abs(back - corners).max()))
    return int(np.ceil(worst)) + 4


class _Cast:
    """Everyone and every bar at the moments of each frame's exposure."""

    def __init__(
        self, lanes: Sequence[Lane], bystanders: Sequence[Bystander], times: Array, shot: Shot
    ) -> None:
        self._lanes, self._bystanders, self._times = lanes, bystanders, times
        k = max(1, shot.sub_frames)
        # the frame's own time is the middle one, an odd number keeps it among the moments
        k += 1 - k % 2
        self._offsets = (np.arange(k) - k // 2) / k * shot.exposure_s
        self._all = np.clip(times[:, None] + self._offsets, 0.0, None)
        flat = self._all.ravel()
        self._postures = [lane.choreography.parameters(flat) for lane in lanes]
        self._bars = [lane.choreography.bar(flat) for lane in lanes]

    def moments(self, frame: int) -> list[Moment]:
        k = len(self._offsets)
        first, middle = frame * k, frame * k + k // 2
        still = self._at(middle)
        speed = max(
            (abs(b.y[first + k - 1] - b.y[first]) + abs(b.z[first + k - 1] - b.z[first]))
            for b in self._bars
        )
        if k == 1 or speed < 0.004:  # less than about a pixel
            return [still]
        others = [b.motion.q(float(self._times[frame])) for b in self._bystanders]
        extras = [b.human.pose(q) for b, q in zip(self._bystanders, others, strict=True)]
        return [still if j == middle else self._at(j, extras) for j in range(first, first + k)]

    def _at(self, j: int, extras: Sequence[Skeleton] | None = None) -> Moment:
        skeletons, bars = [], []
        for lane, postures, bar in zip(self._lanes, self._postures, self._bars, strict=True):
            q = {name: float(v[j]) for name, v in postures.items()}
            skeletons.append(lane.human.pose(_placed(q, lane.place)))
            bars.append(
                bar_matrix(
                    bar.y[j], bar.z[j], bar.tilt[j], bar.spin[j], lane.place, x=float(bar.x[j])
                )
            )
        if extras is None:
            t = float(self._times[j // len(self._offsets)])
            extras = [b.human.pose(b.motion.q(t)) for b in self._bystanders]
        return [*skeletons, *extras], bars


def _placed(q: dict[str, float], place: tuple[float, float, float]) -> dict[str, float]:
    """A posture moved to an athlete's place on the floor."""
    x, z, yaw = place
    own_x, own_z = q.get("root_x", 0.0), q.get("root_z", 0.0)
    c, s = np.cos(yaw), np.sin(yaw)
    return {
        **q,
        "root_x": x + c * own_x + s * own_z,
        "root_z": z - s * own_x + c * own_z,
        "root_yaw": yaw + q.get("root_yaw", 0.0),
    }


# ---------------------------------------------------------------------- truth of the frames


def face_points(look: BarbellLook, matrix: Array, radii: Sequence[float], n: int) -> Array:
    """(2, len(radii) n, 3) points on the outer faces, athlete's left first; radii as fractions."""
    a = np.arange(n) / n * 2 * np.pi
    disc = np.concatenate([np.stack([np.cos(a), np.sin(a)], 1) * r for r in radii])
    disc = disc * look.large_radius_m
    sides = []
    for _, sign in SIDES:
        x = np.full((len(disc), 1), sign * look.end_x_m)
        sides.append(np.concatenate([x, disc, np.ones((len(disc), 1))], 1))
    return (np.array(sides) @ matrix.T)[..., :3]


def plates_seen(
    look: BarbellLook,
    matrix: Array,
    lane: int,
    camera: Camera,
    tags: NDArray[np.uint8],
    to_frame: Array,
) -> Array:
    """(2,) fraction of each face's disc where its own plates are what the frame shows.

    tags are those of the drawn frame, which `to_frame` (3, 3) takes to the camera's frame.
    """
    px = project(camera, face_points(look, matrix, (0.3, 0.65, 0.93), 12))
    inside = (px >= 0).all(-1) & (px[..., 0] < camera.width) & (px[..., 1] < camera.height)
    drawn = cv2.perspectiveTransform(px, np.linalg.inv(to_frame))
    h, w = tags.shape
    x = np.clip(np.nan_to_num(drawn[..., 0]), 0, w - 1).astype(int)
    y = np.clip(np.nan_to_num(drawn[..., 1]), 0, h - 1).astype(int)
    own = BAR_TAG + TAG_STEP * lane + np.array([[1], [2]])
    return (inside & (tags[y, x] == own)).mean(1)


class _TruthBuilder:
    def __init__(self, lane: Lane, number: int, n: int) -> None:
        self._lane, self._number = lane, number
        self._joints = np.zeros((n, len(JOINTS), 2))
        self._bar, self._semi, self._seen = np.zeros((n, 2, 2)), np.zeros((n, 2)), np.zeros((n, 2))

    def add(
        self,
        i: int,
        camera: Camera,
        moment: Moment,
        tags: NDArray[np.uint8],
        to_frame: Array,
    ) -> None:
        look = self._lane.bar
        skeletons, matrices = moment
        skeleton, matrix = skeletons[self._number], matrices[self._number]
        self._joints[i] = project(camera, self._lane.human.joints(skeleton))
        ends = project(camera, end_points(look, matrix))
        rim = project(camera, face_points(look, matrix, (1.0,), 48))[..., 1]
        order = np.argsort(ends[:, 0])
        self._bar[i] = ends[order]
        self._semi[i] = ((rim.max(1) - rim.min(1)) / 2)[order]
        self._seen[i] = plates_seen(look, matrix, self._number, camera, tags, to_frame)[order]

    def done(self, times: Array) -> FrameTruth:
        return FrameTruth(times, self._joints, self._bar, self._semi, self._seen)


# ---------------------------------------------------------------------- the file


class _Writer:
    """An .mp4 with H.264 frames at exact times and, if given, AAC sound."""

    def __init__(
        self, path: Path, size: tuple[int, int], shot: Shot, sound: NDArray[np.float64] | None
    ) -> None:
        self._path, self._shot, self._sound = path, shot, sound
        self._sent = 0  # samples of sound
        self._file = av.open(str(path), "w", options={"movflags": "faststart"})
        rate = Fraction(shot.fps).limit_denominator(1001)
        options = {"crf": str(shot.crf), "preset": shot.preset}
        self._video: Any = self._file.add_stream("libx264", rate=rate, options=options)
        turned = shot.rotation_deg % 180 != 0
        self._video.width, self._video.height = size[::-1] if turned else size
        self._video.pix_fmt = "yuv420p"
        self._video.codec_context.time_base = Fraction(1, CLOCK_HZ)
        self._audio: Any = None
        if sound is not None:
            self._audio = self._file.add_stream("aac", rate=RATE_HZ, layout="mono")
            self._audio.bit_rate = 48_000

    def __enter__(self) -> _Writer:
        return self

    def __exit__(self, failed: object, *_: object) -> None:
        if failed is None:
            self._add_sound(None)
            for stream in (self._video, self._audio):
                if stream is not None:
                    self._file.mux(stream.encode(None))
        self._file.close()
        if failed is None and self._shot.rotation_deg:
            set_orientation(self._path, self._shot.rotation_deg)

    def add(self, image: Picture, time_s: float) -> None:
        """Add one upright frame (height, width, 3)."""
        if self._shot.rotation_deg:
            turned = np.rot90(image, -self._shot.rotation_deg // 90)
            image = np.ascontiguousarray(turned)
        planes = cv2.cvtColor(image, cv2.COLOR_RGB2YUV_I420).astype(np.uint8, copy=False)
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        frame.pts, frame.time_base = round(time_s * CLOCK_HZ), Fraction(1, CLOCK_HZ)
        self._file.mux(self._video.encode(frame))
        self._add_sound(time_s)

    def _add_sound(self, until_s: float | None) -> None:
        if self._sound is None:
            return
        end = len(self._sound) if until_s is None else round(until_s * RATE_HZ)
        part = self._sound[self._sent : end].astype(np.float32)[None]
        if not part.size:
            return
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(part), format="fltp", layout="mono")
        frame.sample_rate, frame.pts = RATE_HZ, self._sent
        frame.time_base = Fraction(1, RATE_HZ)
        self._sent += part.shape[1]
        self._file.mux(self._audio.encode(frame))


# Counter-clockwise turn that makes the stored frame upright, as an ISO base media matrix
# (a, b, c, d of ISO/IEC 14496-12, 6.2.2; 16.16 fixed point).
ORIENTATIONS = {90: (0, -1, 1, 0), 180: (-1, 0, 0, -1), 270: (0, 1, -1, 0)}


def set_orientation(path: Path, degrees: int) -> None:
    """Write an orientation into the video track's header; players turn the frame by it.

    degrees: counter-clockwise, 90, 180 or 270. Raises ValueError if there is no video track.
    """
    data = bytearray(path.read_bytes())
    a, b, c, d = ORIENTATIONS[degrees % 360]
    at = data.find(b"tkhd")
    while at >= 0:
        version = data[at + 4]
        matrix_at = at + 4 + (52 if version else 40)
        width, height = struct.unpack_from(">II", data, matrix_at + 36)
        if width and height:  # a sound track has no size
            one = 1 << 16
            # the turned frame is moved back into the positive quadrant
            x = (width if a < 0 or c < 0 else 0) if a else (height if c < 0 else 0)
            y = (height if d < 0 else 0) if d else (width if b < 0 else 0)
            values = (a * one, b * one, 0, c * one, d * one, 0, x, y, 1 << 30)
            struct.pack_into(">9i", data, matrix_at, *values)
            path.write_bytes(data)
            return
        at = data.find(b"tkhd", at + 4)
    raise ValueError(f"{path} has no video track")


def write_truth(stem: Path, truth: dict[str, Any], plan_toml: str) -> None:
    """NAME.truth.json and NAME.toml beside NAME.mp4."""
    stem.with_suffix(".truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    stem.with_suffix(".toml").write_text(plan_toml)
