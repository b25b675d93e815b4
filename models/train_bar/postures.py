"""Random postures with and without a bar in the hands, in all zones."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sample_clips.render.choreography import hand_targets
from sample_clips.render.human import Human
from sample_clips.render.poses import REST_POSES, Pose, Postures, in_radians
from sample_clips.render.script import WIDE_GRIP_M

# Neighbours on the bar's way from the floor to overhead; between two of them all is a posture.
WAYS = (
    ("floor", "knee"), ("floor", "knee"), ("floor", "floor"), ("knee", "hang"), ("hang", "lock"),
    ("lock", "lock"), ("lock", "extended"), ("hinge", "lock"), ("extended", "pulled"),
    ("pulled", "turned"), ("turned", "catch"), ("catch", "rack"), ("rack", "rack"),
    ("rack", "dip"), ("drive", "halfway"), ("halfway", "over"), ("pressing", "over"),
    ("halfway", "received"), ("received", "over"), ("over", "over"), ("split", "split"),
    ("split", "feet"), ("feet", "over"), ("pulled low", "turned low"),
    ("pulled high", "turned over"), ("turned over", "received"), ("stuck", "rack"),
    ("lowered", "hang"),
)  # fmt: skip


class PosturePool:
    """Random postures of one athlete, as `Human.pose` takes them (radians, metres)."""

    def __init__(self, human: Human) -> None:
        self.human = human
        self._all = (Postures(human), Postures(human, grip_m=WIDE_GRIP_M))

    def held(self, rng: np.random.Generator) -> Pose:
        """A posture with the bar in the hands, in degrees; `bar_y`, `bar_z`, `tilt` place the
        bar."""
        postures = self._all[int(rng.random() < 0.25)]
        kind = rng.random()
        if kind < 0.68:
            a, b = (dict(postures[name]) for name in WAYS[int(rng.integers(len(WAYS)))])
            s = float(rng.random())
            pose = {k: a[k] + (b[k] - a[k]) * s for k in a}
        elif kind < 0.78:
            pose = postures.squat_path(round(float(rng.random()), 1))
        elif kind < 0.87:
            pose = postures.overhead_squat_path(round(float(rng.random()), 1))
        else:
            pose = self._on_the_back(postures, rng)
        pose = dict(pose)
        pose["tilt"] = float(rng.normal() * 1.8)
        return self._loosened(pose, rng)

    def _on_the_back(self, postures: Postures, rng: np.random.Generator) -> Pose:
        """The bar on the back of the shoulders, standing to a deep squat."""
        down = float(rng.uniform(0, 0.5))
        pose = postures.make(
            down, hip_z=-0.02 - 0.4 * down, pitch=6 + 50 * down, knee_x=0.5, hand=120,
            el_x=0.8, el_y=-0.8, el_z=-0.5, grip=float(rng.uniform(0.3, 0.42)),
        )  # fmt: skip
        y, z = postures.shoulder(pose)
        pose.update(bar_y=y + 0.03, bar_z=z - 0.09)
        return pose

    def resting(self, rng: np.random.Generator) -> Pose:
        """A posture with empty hands: resting, bent down to the bar, or as if a bar were held."""
        postures = self._all[0]
        kind = rng.random()
        if kind < 0.62:
            a, b = (dict(postures[REST_POSES[i]]) for i in rng.integers(0, len(REST_POSES), 2))
            s = float(rng.random()) if rng.random() < 0.3 else 0.0
            pose = {k: a[k] + (b[k] - a[k]) * s for k in a}
        elif kind < 0.82:
            a, b = dict(postures["floor"]), dict(postures["arms down"])
            s = float(rng.uniform(0, 0.7))
            pose = {k: a[k] + (b[k] - a[k]) * s for k in a}
            pose["free"] = float(rng.random())
        else:
            pose = dict(postures[WAYS[int(rng.integers(len(WAYS)))][0]])
            pose.update(free=1.0, curl=float(rng.uniform(0, 0.5)))
        return self._loosened(pose, rng)

    def _loosened(self, pose: Pose, rng: np.random.Generator) -> Pose:
        spread: dict[str, float] = {
            "pitch": 4, "look": 14, "look_yaw": 18, "roll": 2, "twist": 3, "toeout": 8,
            "stance": 0.03, "knee_x": 0.1, "hip_z": 0.02, "grip": 0.02,
        }  # fmt: skip
        for name, sd in spread.items():
            pose[name] = pose.get(name, 0.0) + float(rng.normal() * sd)
        pose["stance"] = max(pose["stance"], 0.08)
        return pose


def posture(pose: Pose, place: tuple[float, float, float]) -> dict[str, float]:
    """A posture in degrees, standing at a place (x, z, yaw), as `Human.pose` takes it."""
    targets: Callable[..., dict[str, float]] = hand_targets
    q = {k: float(v) for k, v in targets(in_radians(pose)).items()}
    q.update(root_x=place[0], root_z=place[1], root_yaw=place[2])
    return q
