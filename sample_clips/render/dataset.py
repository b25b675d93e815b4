"""Single frames with labels, widely varied, to train and to test a finder of the bar.

A seed makes the same frame on every machine, up to the graphics driver's rounding. Seeds that
follow one another share a room and people (`GROUP` of them) and an attempt (`ATTEMPT`), because
preparing these takes longer than drawing: give each worker a run of seeds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_clips.render.bystanders import Bystander, random_bystanders
from sample_clips.render.camera import Camera, orbit, project
from sample_clips.render.choreography import Choreography
from sample_clips.render.clip import face_points, plates_seen
from sample_clips.render.gym import GymLook, random_gym
from sample_clips.render.human import JOINTS
from sample_clips.render.looks import random_barbell, random_person
from sample_clips.render.meshes import BarbellLook
from sample_clips.render.scene import Figure, Moment, Picture, Scene, bar_matrix, end_points
from sample_clips.render.sensor import Sensor, SensorLook
from sample_clips.render.specs import random_spec

Array = NDArray[np.float64]

GROUP = 8  # frames from one room
ATTEMPT = 64  # frames from one choreography
SIZE = (384, 640)  # width, height
WRISTS = [list(JOINTS).index(f"{side}_wrist") for side in ("left", "right")]


@dataclass(frozen=True)
class BarLabel:
    """One bar in one frame, its ends left and right as seen. Pixels.

    ends (2, 2): centres of the outermost large plates' outer faces; semi_axis (2,): vertical
    semi-axes of these faces; visible (2,): fraction of each face's disc where its plates are seen,
    0 if hidden or out of the frame.
    """

    ends: Array
    semi_axis: Array
    visible: Array


@dataclass(frozen=True)
class Labels:
    """What is in a frame: the athlete's bar, other bars, joints (len(JOINTS), 2) in the order of
    `human.JOINTS`, wrists (2, 2) the athlete's left and right, whether the hands hold the bar."""

    bar: BarLabel
    spare: tuple[BarLabel, ...]
    joints: Array
    wrists: Array
    held: bool


@dataclass(frozen=True)
class _Stage:
    scene: Scene
    gym: GymLook
    others: list[Bystander]


def render_sample(seed: int, size: tuple[int, int] = SIZE) -> tuple[Picture, Labels]:
    """A frame (height, width, 3) RGB and its labels. Raises RenderUnavailable without OpenGL."""
    rng = np.random.default_rng([seed, 23])
    choreography = _choreography(seed // ATTEMPT)
    stage = _stage(seed // GROUP, seed // ATTEMPT, size)
    looks = [random_barbell(rng)]
    for _ in range(int(rng.choice([0, 1, 2], p=[0.5, 0.3, 0.2]))):
        looks.append(random_barbell(rng, diameter_m=float(rng.choice([0.45, 0.45, 0.40, 0.35]))))
    stage.scene.set_bars(looks)
    time_s = float(rng.uniform(0.0, choreography.duration_s))
    exposure_s = float(np.exp(rng.uniform(np.log(1 / 1000), np.log(1 / 40))))
    lying = [_on_the_floor(look, stage.gym, rng) for look in looks[1:]]
    moments = _moments(choreography, stage.others, lying, time_s, exposure_s)
    camera = _camera(rng, size)
    for _ in range(20):  # nobody else's back fills the frame
        eye = camera.eye[[0, 2]]
        if all(np.hypot(*(eye - p)) > 1.5 for b in stage.others for p in b.places):
            break
        camera = _camera(rng, size)
    image, tags = stage.scene.draw(camera, moments)
    skeletons, matrices = moments[len(moments) // 2]
    bars = [
        _label(look, matrix, i, camera, tags)
        for i, (look, matrix) in enumerate(zip(looks, matrices, strict=True))
    ]
    joints = project(camera, choreography.human.joints(skeletons[0]))
    held = bool(choreography.bar(np.array([time_s])).held[0])
    labels = Labels(bars[0], tuple(bars[1:]), joints, joints[WRISTS], held)
    return _spoiled(image, rng, seed), labels


@lru_cache(maxsize=2)
def _choreography(attempt: int) -> Choreography:
    return random_spec(10_000 + attempt).choreography()


@lru_cache(maxsize=2)
def _scene(size: tuple[int, int]) -> Scene:
    return Scene(*size)


@lru_cache(maxsize=1)
def _stage(group: int, attempt: int, size: tuple[int, int]) -> _Stage:
    """The room and people of a group of frames, put into the scene."""
    rng = np.random.default_rng([group, 29])
    camera = _camera(rng, size)
    spec = random_spec(10_000 + attempt)
    human = _choreography(attempt).human
    gym = random_gym(100_000 + group, camera.eye)
    others = random_bystanders(
        int(rng.integers(0, 4)),
        camera,
        gym.room,
        group,
        _choreography(attempt).duration_s,
        in_front=bool(rng.random() < 0.1),
    )
    gym = replace(gym, spare_bars=0, standing=tuple(p for b in others for p in b.places))
    look = random_person(rng, spec.athlete)
    figures = [Figure(human, look)]
    figures += [Figure(b.human, b.look, far=not b.in_front) for b in others]
    scene = _scene(size)
    scene.fill(gym, figures, [], camera.eye)
    return _Stage(scene, gym, others)


def _camera(rng: np.random.Generator, size: tuple[int, int]) -> Camera:
    """Mostly from the front half, hand-held height, not quite level, the athlete off the middle."""
    azimuth = rng.uniform(-75, 75) if rng.random() < 0.85 else rng.uniform(-180, 180)
    focal = float(rng.uniform(0.6, 1.05)) * max(size)
    # far enough that a 2.2 m bar fits into the frame's width, or nearly so
    least = 2.2 * focal / size[0] * 0.9
    distance = float(rng.uniform(max(2.4, least), max(2.4, least) * 1.9))
    target = rng.normal((0.0, 1.05, 0.1), (0.25, 0.15, 0.1))
    return orbit(
        float(azimuth),
        distance,
        float(rng.uniform(0.4, 1.9)),
        target,
        size,
        focal,
        float(rng.normal() * np.radians(2.5)),
    )


def _on_the_floor(look: BarbellLook, gym: GymLook, rng: np.random.Generator) -> Array:
    """Where a spare bar lies: anywhere in the room, not over the athlete's place."""
    x0, x1, z0, z1 = gym.room
    while True:
        x, z = rng.uniform(x0 + 1.2, x1 - 1.2), rng.uniform(z0 + 1.2, z1 - 1.2)
        if np.hypot(x, z) > 2.3:
            yaw = float(rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)]))
            return bar_matrix(look.large_radius_m, float(z), spin=rng.uniform(0, 6), x=x, yaw=yaw)


def _moments(
    choreography: Choreography,
    others: Sequence[Bystander],
    lying: Sequence[Array],
    time_s: float,
    exposure_s: float,
) -> list[Moment]:
    times = np.clip(time_s + np.linspace(-0.5, 0.5, 5) * exposure_s, 0, choreography.duration_s)
    bar = choreography.bar(times)
    postures = choreography.parameters(times)
    standing = [b.human.pose(b.motion.q(time_s)) for b in others]
    moments: list[Moment] = []
    for j in range(len(times)):
        athlete = choreography.human.pose({k: float(v[j]) for k, v in postures.items()})
        matrix = bar_matrix(bar.y[j], bar.z[j], bar.tilt[j], bar.spin[j], x=float(bar.x[j]))
        moments.append(([athlete, *standing], [matrix, *lying]))
    return moments


def _label(
    look: BarbellLook, matrix: Array, number: int, camera: Camera, tags: NDArray[np.uint8]
) -> BarLabel:
    ends = project(camera, end_points(look, matrix))
    rim = project(camera, face_points(look, matrix, (1.0,), 48))[..., 1]
    seen = plates_seen(look, matrix, number, camera, tags, np.eye(3))
    order = np.argsort(ends[:, 0])
    return BarLabel(ends[order], ((rim.max(1) - rim.min(1)) / 2)[order], seen[order])


def _spoiled(image: Picture, rng: np.random.Generator, seed: int) -> Picture:
    """Softness, noise, exposure, cast, a smaller frame blown up, JPEG's blocks."""
    h, w = image.shape[:2]
    if rng.random() < 0.4:
        k = float(rng.uniform(0.4, 1.0))
        small = cv2.resize(image, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
        image = cv2.resize(small, (w, h)).astype(np.uint8, copy=False)
    cast = rng.uniform(0.9, 1.1, 3)
    look = SensorLook(
        softness_px=float(rng.uniform(0.0, 1.6)),
        noise=float(rng.choice([rng.uniform(0, 4), rng.uniform(4, 12)], p=[0.75, 0.25])),
        gain=float(rng.uniform(0.4, 1.35)),
        cast=(float(cast[0]), float(cast[1]), float(cast[2])),
        contrast=float(rng.uniform(0.8, 1.35)),
    )
    image = Sensor(look, image, seed)(image)
    if rng.random() < 0.7:
        quality = int(rng.integers(20, 95))
        _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
        image = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.uint8, copy=False)
    return image
