"""Tracks as pose model and bar finder would give them for a choreographed attempt, without pixels.

The skeleton's joints and the bar's ends are projected, then spoiled the way real tracks are. The
sizes of the errors come from measurements on rendered and real clips (pose model "full"): wrist
5.6 % of the torso's length at 45 degrees, 4 % from the front, 20 % from the side; the model's hip
lies 6 cm in front of and 1.5 cm below the joint, its ankle 3 cm above; bent over and seen from the
front the legs collapse and lose visibility; at the turn of a clean the near wrist jumps by 30 to
50 pixels; about one frame in a hundred is grossly wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.signal import lfilter

from repcount.attempt.anthropometry import TRUNK_ST
from repcount.tracking.tracks import BAR_KEYPOINTS, KEYPOINTS, POSE_KEYPOINTS, make_tracks
from sample_clips.render.camera import Camera, depth_of, project
from sample_clips.render.choreography import Choreography
from sample_clips.render.fall import PLATE_X_M
from sample_clips.render.skeleton import Bodies

Array = NDArray[np.float64]

BEEP_HZ = 1000.0


@dataclass(frozen=True)
class Noise:
    """How badly tracks are spoiled; `Noise.none()` gives exact projections (with the offsets).

    Fractions are of the torso's length in the frame (shoulder to hip, upright). `drift` is the slow
    part of a joint's error (correlated over `drift_s`), `white` the frame-to-frame part, `constant`
    a joint's error that stays. Probabilities are per looked-at frame unless said otherwise.
    """

    constant: float = 0.02
    drift: float = 0.025
    drift_s: float = 0.35
    white: float = 0.008
    outlier: float = 0.004  # a joint group jumps for a few frames (events a second: times 15)
    outlier_size: float = 0.8
    gap_per_min: float = 1.5  # stretches without any pose
    gap_s: float = 0.4
    wrong_person_per_min: float = 0.15
    wrong_pose_per_min: float = 0.12  # a wrong posture of the athlete, for seconds
    wrong_pose_s: float = 1.5  # on average; never over four
    hands_hidden_per_min: float = 0.15
    hands_hidden_s: float = 2.0
    turn_over_px: float = 40.0  # at 1280 pixels of frame height
    collapse: float = 1.0  # how far the legs' collapse goes, 0 for none
    bar_px: float = 0.8  # white noise of a found bar end
    bar_drift_px: float = 0.8
    bar_miss: float = 0.04
    bar_outlier: float = 0.006
    occlusion: float = 1.0  # how likely the hidden end is lost when hidden
    plate: float = 0.012  # relative noise of the plate's semi-axis
    sway_px: float = 2.5  # hand-held camera, standard deviation

    @classmethod
    def none(cls) -> Noise:
        names = cls.__dataclass_fields__
        return replace(cls(), **{n: 0.0 for n in names if n != "drift_s"})

    def times(self, factor: float) -> Noise:
        """All errors so many times as large, and events so many times as frequent."""
        kept = ("drift_s", "gap_s", "outlier_size", "wrong_pose_s", "hands_hidden_s")
        return replace(
            self,
            **{n: factor * getattr(self, n) for n in self.__dataclass_fields__ if n not in kept},
        )


@dataclass(frozen=True)
class Seen:
    """The exact frame: what the tracks are spoiled from.

    The bar in T frames, the body in the B of them in which it is looked for.
    """

    time_s: Array  # (T,)
    joints_m: Array  # (B, 33, 3) the body's joints in the world
    joints_px: Array  # (B, 33, 2) the pose model's landmarks, its constant offsets included
    torso_px: Array  # (B,) shoulder to hip if the athlete stood upright there
    bent: Array  # (B,) trunk lean, radians
    bar_px: Array  # (T, 2, 2) centres of the plates' outer faces, left in the frame first
    plate_px: Array  # (T, 2) vertical semi-axes
    bar_m: Array  # (T,) the bar's true height
    held: NDArray[np.bool_]  # (T,)
    bare: NDArray[np.bool_]  # (T, 2) ends whose plate has been taken off


def see(
    choreography: Choreography,
    camera: Camera,
    time_s: Array,
    looked: NDArray[np.int64] | None = None,
) -> Seen:
    """Project the bar at the given times, the body at those of `looked` (places; None: all)."""
    body_s = time_s if looked is None else time_s[looked]
    q = choreography.parameters(body_s)
    joints = Bodies(choreography.human, q).joints()
    true = np.stack([joints[name] for name in POSE_KEYPOINTS], axis=1)
    k = choreography.human.stature_m / 1.78
    lean = q["pitch"] * 0.92
    forward = np.stack([np.zeros_like(lean), -np.sin(lean), np.cos(lean)], axis=1)
    down = np.stack([np.zeros_like(lean), -np.cos(lean), -np.sin(lean)], axis=1)
    for side in ("left", "right"):
        joints[f"{side}_hip"] = joints[f"{side}_hip"] + k * (0.06 * forward + 0.015 * down)
        joints[f"{side}_ankle"] = joints[f"{side}_ankle"] + np.array([0.0, 0.03 * k, 0.0])
    points = np.stack([joints[name] for name in POSE_KEYPOINTS], axis=1)
    bar = choreography.bar(time_s)
    middle = np.stack([bar.x, bar.y, bar.z], axis=1)
    along = np.stack([np.cos(bar.tilt), np.sin(bar.tilt), np.zeros_like(bar.tilt)], axis=1)
    ends = middle[:, None, :] + PLATE_X_M * np.array([-1.0, 1.0])[:, None] * along[:, None, :]
    ends_px = project(camera, ends)
    radius = np.array([0.0, choreography.radius_m, 0.0])
    axis_px = np.abs(project(camera, ends + radius) - project(camera, ends - radius))[..., 1] / 2
    order = np.argsort(ends_px[..., 0], axis=1)
    bare = np.zeros(order.shape, bool)
    for when, side in choreography.unloaded:
        bare[time_s >= when, int(side > 0)] = True
    hip = (joints["left_hip"] + joints["right_hip"]) / 2
    torso_m = TRUNK_ST * choreography.human.stature_m
    return Seen(
        time_s,
        true,
        project(camera, points),
        camera.focal_px * torso_m / depth_of(camera, hip),
        q["pitch"],
        np.take_along_axis(ends_px, order[..., None], axis=1),
        np.take_along_axis(axis_px, order, axis=1),
        bar.y,
        bar.held,
        np.take_along_axis(bare, order, axis=1),
    )


def simulate_tracks(
    choreography: Choreography,
    camera: Camera,
    fps: float = 30.0,
    pose_every: int = 2,
    seed: int = 0,
    noise: Noise | None = None,
    video: Mapping[str, object] | None = None,
    frame_times_s: Array | None = None,
) -> xr.Dataset:
    """Spoiled tracks of an attempt.

    The bar is looked for in every frame, the body in every `pose_every`-th. `frame_times_s`
    replaces the even spacing (variable frame rate). Sounds hold the start signal's tones.
    """
    noise = noise or Noise()
    rng = np.random.default_rng(seed)
    times = np.arange(int(choreography.duration_s * fps)) / fps
    if frame_times_s is not None:
        times = np.asarray(frame_times_s, float)
    looked = np.arange(0, len(times), pose_every)
    seen = see(choreography, camera, times, looked)
    count, body = len(times), len(POSE_KEYPOINTS)
    position = np.full((count, 2, len(KEYPOINTS), 1), np.nan)
    confidence = np.full((count, len(KEYPOINTS), 1), np.nan)
    plates = np.full((count, len(BAR_KEYPOINTS), 1), np.nan)
    shake = _coloured(rng, (count, 2), 0.6, fps) * noise.sway_px

    joints, trust = _spoil_body(rng, seen, looked, camera, noise, fps / pose_every)
    position[looked, :, :body, 0] = (joints + shake[looked, None, :]).transpose(0, 2, 1)
    confidence[looked, :body, 0] = trust

    ends, end_trust, axes = _spoil_bar(rng, seen, camera, noise, fps)
    position[:, :, body:, 0] = (ends + shake[:, None, :]).transpose(0, 2, 1)
    confidence[:, body:, 0] = end_trust
    plates[:, :, 0] = axes

    people = np.full(count, np.nan)
    people[looked] = np.where(np.isnan(joints[:, 0, 0]), 0, 1)
    info = {
        "file_name": "simulated.mp4",
        "sha256": f"{seed:064x}",
        "duration_s": float(times[-1]),
        "width": camera.width,
        "height": camera.height,
        "mean_rate_hz": fps,
        "variable_rate": frame_times_s is not None,
        "has_sound": bool(choreography.beeps),
        "rotation_deg": 0,
        "codec": "h264",
        "slowed": 1.0,
    }
    return make_tracks(
        times,
        position,
        confidence,
        plate_semi_axis=plates,
        world=_world(seen, looked, camera, rng, noise),
        camera_shift=shake - shake[0],
        brightness=np.full(count, 110.0) + rng.normal(size=count),
        people=people,
        video={**info, **(video or {})},
        sounds=[
            {"onset_s": round(b, 4), "frequency_hz": BEEP_HZ, "duration_s": 0.25, "level_db": -18.0}
            for b in choreography.beeps
        ],
        options={"pose_every": pose_every, "simulated": True},
    )


def _coloured(
    rng: np.random.Generator, shape: tuple[int, ...], time_s: float, rate_hz: float
) -> Array:
    """Noise of unit variance along the first axis, correlated over about `time_s`."""
    keep = float(np.exp(-1.0 / max(time_s * rate_hz, 1e-6)))
    steps = rng.normal(size=shape) * np.sqrt(1 - keep * keep)
    steps[:1] = rng.normal(size=(1, *shape[1:]))
    return np.asarray(lfilter([1.0], [1.0, -keep], steps, axis=0))


# relative size of the error by part of the body, from the measured table (wrist = 1)
_SIZE = {"shoulder": 1.1, "hip": 1.6, "knee": 1.1, "ankle": 1.3, "elbow": 1.0, "wrist": 1.0}


def _size_of(name: str) -> float:
    for part, size in _SIZE.items():
        if part in name:
            return size
    return 1.2 if "heel" in name or "foot" in name else 1.0


def _side_share(camera: Camera) -> float:
    """0 from the front or the back, 1 from the pure side."""
    axis = camera.rotation[2]
    return float(abs(axis[0]) / np.hypot(axis[0], axis[2]))


def _spoil_body(
    rng: np.random.Generator,
    seen: Seen,
    looked: NDArray[np.int64],
    camera: Camera,
    noise: Noise,
    rate_hz: float,
) -> tuple[Array, Array]:
    """(frames, 33, 2) landmarks and (frames, 33) visibility in the looked-at frames."""
    true = seen.joints_px
    n, body = len(looked), len(POSE_KEYPOINTS)
    torso = seen.torso_px[:, None, None]
    bent = np.clip((seen.bent - 0.5) / 0.45, 0.0, 1.0)
    side = _side_share(camera)
    # 4 % from the front, 5.6 % at 45 degrees, 20 % from the side: steep towards the side
    view = 0.72 + 0.4 * side + 2.4 * max(side - 0.72, 0.0) / 0.28
    size = np.array([_size_of(name) for name in POSE_KEYPOINTS])[None, :, None] * view
    # hands move with the wrist: landmarks of a hand share most of the wrist's error
    drift = _coloured(rng, (n, body, 2), noise.drift_s, rate_hz)
    constant = rng.normal(size=(1, body, 2))
    white = rng.normal(size=(n, body, 2))
    for word in ("left", "right"):
        wrist = POSE_KEYPOINTS.index(f"{word}_wrist")
        for part in ("pinky", "index", "thumb"):
            i = POSE_KEYPOINTS.index(f"{word}_{part}")
            drift[:, i] = 0.85 * drift[:, wrist] + 0.5 * drift[:, i]
            constant[:, i] = 0.8 * constant[:, wrist] + 0.6 * constant[:, i]
            white[:, i] = 0.7 * white[:, wrist] + 0.7 * white[:, i]
    joints = true + torso * size * (
        noise.constant * constant + noise.drift * drift + noise.white * white
    )
    trust = np.clip(0.97 + 0.02 * rng.normal(size=(n, body)), 0.0, 1.0)

    # bent over and facing the camera: hips, knees and ankles collapse
    front = (1 - side) ** 0.5
    strength = noise.collapse * bent * front
    shoulders = true[:, [POSE_KEYPOINTS.index(f"{w}_shoulder") for w in ("left", "right")]].mean(1)
    for word in ("left", "right"):
        hip, knee, ankle, heel, toe = (
            POSE_KEYPOINTS.index(f"{word}_{p}")
            for p in ("hip", "knee", "ankle", "heel", "foot_index")
        )
        goal = shoulders + np.stack([np.zeros(n), 0.25 * torso[:, 0, 0]], 1)
        pull = (0.75 * strength)[:, None]
        joints[:, hip] += pull * (goal - joints[:, hip])
        joints[:, knee] += 0.4 * pull * (goal - joints[:, knee])
        jitter = rng.normal(size=(n, 2)) * (0.16 * strength * torso[:, 0, 0])[:, None]
        for i in (ankle, heel, toe):
            joints[:, i] += jitter + 0.15 * pull * (goal - joints[:, i])
            trust[:, i] -= 0.58 * strength + 0.06 * rng.normal(size=n) * strength
        trust[:, knee] -= 0.3 * strength
    # plates in front of the hands
    hidden = max(side - 0.82, 0.0) / 0.18
    for i, name in enumerate(POSE_KEYPOINTS):
        if name.endswith(("_wrist", "_pinky", "_thumb")) or name in ("left_index", "right_index"):
            trust[:, i] -= 0.35 * hidden * rng.random(n)

    _turn_over(rng, seen, looked, camera, joints, noise)
    _jumps(rng, joints, torso[:, 0, 0], noise, rate_hz, camera)
    _wrong_poses(rng, joints, trust, torso[:, 0, 0], noise, rate_hz)
    lost = _stretches(rng, n, noise.gap_per_min, noise.gap_s, rate_hz)
    lost |= _outside(true, camera)
    joints[lost], trust[lost] = np.nan, np.nan
    return joints, np.clip(trust, 0.0, 1.0)


def _turn_over(
    rng: np.random.Generator,
    seen: Seen,
    looked: NDArray[np.int64],
    camera: Camera,
    joints: Array,
    noise: Noise,
) -> None:
    """The near wrist jumps for a few frames where the bar passes the chest fast, going up."""
    y = seen.bar_m[looked]
    shoulder = 0.8 * np.nanmax(y[seen.held[looked]], initial=1.0)
    passing = (y[:-1] < 0.78 * shoulder) & (y[1:] >= 0.78 * shoulder) & (np.diff(y) > 0.05)
    near = "left" if camera.eye[0] > 0 else "right"
    parts = [POSE_KEYPOINTS.index(f"{near}_{p}") for p in ("wrist", "pinky", "index", "thumb")]
    size = noise.turn_over_px * max(camera.width, camera.height) / 1280
    for i in np.flatnonzero(passing):
        frames = slice(i, i + int(rng.integers(2, 4)))
        joints[frames, parts] += rng.normal(size=2) * size * 0.8


def _jumps(
    rng: np.random.Generator,
    joints: Array,
    torso_px: Array,
    noise: Noise,
    rate_hz: float,
    camera: Camera,
) -> None:
    """Gross outliers: a limb elsewhere for a few frames, now and then the whole body."""
    n = len(joints)
    for i in np.flatnonzero(rng.random(n) < noise.outlier):
        limb = rng.choice(len(POSE_KEYPOINTS), size=int(rng.integers(1, 6)), replace=False)
        frames = slice(i, i + int(rng.integers(1, 4)))
        joints[frames, limb] += rng.normal(size=2) * noise.outlier_size * torso_px[i]
    away = _stretches(rng, n, noise.wrong_person_per_min, 0.8, rate_hz)
    centre = np.array([camera.width * rng.uniform(0.05, 0.95), camera.height * 0.45])
    middle = np.nanmean(joints, axis=1, keepdims=True)
    joints[away] = (joints[away] - middle[away]) * 0.5 + centre


def _wrong_poses(
    rng: np.random.Generator,
    joints: Array,
    trust: Array,
    torso_px: Array,
    noise: Noise,
    rate_hz: float,
) -> None:
    """A posture that is not the athlete's for seconds, and hands out of sight behind something."""
    n = len(joints)
    wrong = _stretches(rng, n, noise.wrong_pose_per_min, noise.wrong_pose_s, rate_hz, 4.0)
    for a, b in zip(*np.flatnonzero(np.diff(np.r_[0, wrong, 0])).reshape(-1, 2).T, strict=True):
        # the upper body sunk into the lower one, say: every joint off by its own constant way
        joints[a:b] += rng.normal(size=(1, joints.shape[1], 2)) * 0.35 * torso_px[a]
        trust[a:b] -= 0.25
    hidden = _stretches(rng, n, noise.hands_hidden_per_min, noise.hands_hidden_s, rate_hz)
    for part in ("wrist", "pinky", "index", "thumb"):
        for word in ("left", "right"):
            trust[hidden, POSE_KEYPOINTS.index(f"{word}_{part}")] *= 0.12


def _outside(joints_px: Array, camera: Camera) -> NDArray[np.bool_]:
    """(frames,) whether the middle of the trunk is out of the frame."""
    trunk = [
        POSE_KEYPOINTS.index(f"{w}_{p}") for w in ("left", "right") for p in ("shoulder", "hip")
    ]
    middle = joints_px[:, trunk].mean(1)
    size = np.array([camera.width, camera.height])
    return np.asarray(~((middle > 0) & (middle < size)).all(1))


def _stretches(
    rng: np.random.Generator,
    n: int,
    per_min: float,
    mean_s: float,
    rate_hz: float,
    most_s: float = np.inf,
) -> NDArray[np.bool_]:
    """(n,) true in random stretches: `per_min` of them a minute, `mean_s` long on average."""
    out = np.zeros(n, bool)
    for start in np.flatnonzero(rng.random(n) < per_min / 60 / rate_hz):
        out[start : start + 1 + int(min(rng.exponential(mean_s), most_s) * rate_hz)] = True
    return out


def _spoil_bar(
    rng: np.random.Generator, seen: Seen, camera: Camera, noise: Noise, fps: float
) -> tuple[Array, Array, Array]:
    """(T, 2, 2) ends, (T, 2) confidence, (T, 2) semi-axes; NaN where an end was not found."""
    n = len(seen.time_s)
    scale = max(camera.width, camera.height) / 1280
    ends = seen.bar_px + scale * (
        noise.bar_px * rng.normal(size=(n, 2, 2))
        + noise.bar_drift_px * _coloured(rng, (n, 2, 2), 1.0, fps)
    )
    speed = np.abs(np.gradient(seen.bar_px[..., 1], seen.time_s, axis=0))
    blur = speed / fps * 0.5  # half a frame of exposure
    ends += rng.normal(size=ends.shape) * blur[..., None] * 0.12 * (noise.bar_px > 0)
    trust = np.clip(0.85 + 0.08 * rng.normal(size=(n, 2)) - blur / (60 * scale), 0.15, 1.0)
    axes = seen.plate_px * (1 + noise.plate * rng.normal(size=(n, 2)))

    # the far end hides behind the athlete's legs or trunk from oblique views
    side = _side_share(camera)
    far = 0 if camera.eye[0] > 0 else 1
    behind = np.full(n, noise.occlusion * np.clip((side - 0.45) / 0.5, 0.0, 0.95))
    hidden = rng.random(n) < 0.02 * behind  # begins to be hidden ...
    state = np.zeros(n, bool)
    for i in range(1, n):  # ... and stays so for about a second
        state[i] = hidden[i] or (state[i - 1] and rng.random() > 1.0 / (1.2 * fps))
    lost = rng.random((n, 2)) < noise.bar_miss + 0.3 * np.clip(blur / (40 * scale) - 0.5, 0, 1) * (
        noise.bar_miss > 0
    )
    lost[:, far] |= state
    wrong = rng.random((n, 2)) < noise.bar_outlier
    ends[wrong] += rng.normal(size=(int(wrong.sum()), 2)) * 90 * scale
    trust[wrong] *= 0.7
    outside = (
        (ends[..., 0] < 0)
        | (ends[..., 0] > camera.width)
        | (ends[..., 1] < 0)
        | (ends[..., 1] > camera.height)
    )
    gone = lost | outside | seen.bare
    ends[gone], trust[gone], axes[gone] = np.nan, np.nan, np.nan
    return ends, trust, axes


def _world(
    seen: Seen,
    looked: NDArray[np.int64],
    camera: Camera,
    rng: np.random.Generator,
    noise: Noise,
) -> Array:
    """(T, 3, 33, 1) metres about the hips in the camera's axes, rough as the model's are."""
    places = [POSE_KEYPOINTS.index(f"{side}_hip") for side in ("left", "right")]
    hips = seen.joints_m[:, places].mean(1, keepdims=True)
    points = (seen.joints_m - hips) @ camera.rotation.T
    points += rng.normal(size=points.shape) * 1.2 * noise.drift
    out = np.full((len(seen.time_s), 3, len(POSE_KEYPOINTS), 1), np.nan)
    out[looked, :, :, 0] = points.transpose(0, 2, 1)
    return out
