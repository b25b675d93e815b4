"""Key postures of barbell lifting for one athlete, from which the choreography is built.

A posture here is a dict over `PARAMETERS`, angles in degrees (`ANGLES`), lengths in metres. The
numbers were set by eye for an athlete of 1.78 m and are scaled by stature; what has to fit exactly
(straight arms, the bar on the shoulders) is solved on the athlete's own skeleton. The bar's
heights that result are held against published body proportions in the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from sample_clips.render.human import ASSET_STATURE_M, Human
from sample_clips.render.skeleton import Bodies

Pose = dict[str, float]

ANGLES = frozenset(
    ("pitch", "flex", "look", "look_yaw", "roll", "twist", "shrug", "hand", "toeout", "heel_l",
     "heel_r", "root_yaw", "tilt")
)  # fmt: skip
STRAIGHT = 0.988  # a straight arm, as a fraction of the arm's length: elbows are never quite locked

# What a posture holds. dx/dy/dz place one free hand away from the common target (x to the
# athlete's left); tilt raises the bar's left end; the rest is explained in human.py.
BASE: Pose = {
    "pitch": 0, "flex": 0, "look": 0, "look_yaw": 0, "roll": 0, "twist": 0, "shrug": 0,
    "hip_y": 0, "hip_z": 0, "grip": 0.30, "bar_y": 0, "bar_z": 0, "tilt": 0, "hand": 8,
    "el_x": 0.8, "el_y": 0.1, "el_z": -1.0, "curl": 1.0, "free": 0.0,
    "stance": 0.15, "toeout": 14, "knee_x": 0.35, "heel_l": 0, "heel_r": 0,
    "stance_z_l": 0, "stance_z_r": 0, "lift_l": 0, "lift_r": 0,
    "dx_l": 0, "dx_r": 0, "dy_l": 0, "dy_r": 0, "dz_l": 0, "dz_r": 0,
    "root_x": 0, "root_z": 0, "root_yaw": 0,
}  # fmt: skip
PARAMETERS = tuple(BASE)


def in_radians(pose: Mapping[str, float]) -> dict[str, float]:
    return {k: float(np.radians(v)) if k in ANGLES else float(v) for k, v in pose.items()}


class Postures:
    """The athlete's key postures by name, and the solvers for new ones."""

    def __init__(
        self, human: Human, plate_radius_m: float = 0.225, grip_m: float | None = None
    ) -> None:
        """`grip_m`: half the distance of the hands, for an athlete of 1.78 m."""
        self.human, self.plate_radius_m = human, plate_radius_m
        self.k = human.stature_m / ASSET_STATURE_M
        self.grip_m = (BASE["grip"] if grip_m is None else grip_m) * self.k
        self._squats: dict[tuple[str, float], Pose] = {}
        hips = (human.head_of("thigh_l") + human.head_of("thigh_r")) / 2
        # an upright stance keeps the knees a little soft
        self.upright_m = float(hips[1]) - 0.012
        self.named = {**self._pulls(), **self._racks(), **self._overheads(), **self._rests()}

    def __getitem__(self, name: str) -> Pose:
        return self.named[name]

    def make(self, hip_down: float = 0.0, hip_z: float = -0.01, **values: float) -> Pose:
        """A posture with the hip `hip_down` below upright; lengths at 1.78 m of stature."""
        heel = values.pop("heel", 0.0)
        lengths = {
            k: v * self.k
            for k, v in values.items()
            if k in ("bar_y", "bar_z", "stance_z_l", "stance_z_r", "stance", "grip")
            or k[:3] in ("dx_", "dy_", "dz_")
        }
        stance = self.k * BASE["stance"]
        return {
            **BASE, "grip": self.grip_m, "stance": stance, "heel_l": heel, "heel_r": heel,
            **values, **lengths,
            "hip_y": self.upright_m - hip_down * self.k, "hip_z": hip_z * self.k,
        }  # fmt: skip

    def shoulder(self, pose: Pose) -> tuple[float, float]:
        """Height and forward position of the shoulders, metres."""
        body = self._body(pose)
        middle = (body.shoulder["l"] + body.shoulder["r"])[0] / 2
        return float(middle[1]), float(middle[2])

    def _body(self, pose: Pose) -> Bodies:
        return Bodies(self.human, {k: np.array([v]) for k, v in in_radians(pose).items()})

    def straight(self, pose: Pose, free: str, low: float, high: float) -> Pose:
        """Solve one parameter so that the arms are straight, to a hundred-millionth of its range.

        `free` is "pitch" or "bar_y"; the reach must grow from `low` to `high` (or `low` > `high`).
        """
        for _ in range(4):
            tried = np.linspace(low, high, 101)
            q = {name: np.full(len(tried), value) for name, value in in_radians(pose).items()}
            q[free] = np.radians(tried) if free in ANGLES else tried
            short = np.flatnonzero(Bodies(self.human, q).arm_reach() <= STRAIGHT)
            last = min(int(short[-1]) if len(short) else 0, len(tried) - 2)
            low, high = float(tried[last]), float(tried[last + 1])
        return {**pose, free: (low + high) / 2}

    def racked(self, hip_down: float = 0.0, raise_m: float = 0.0, **values: float) -> Pose:
        """The bar on the front of the shoulders, or `raise_m` above them."""
        pose = self.make(
            hip_down,
            **{
                "hand": 118,
                "el_x": 0.85,
                "el_y": -0.35,
                "el_z": 1.0,
                "shrug": 6,
                "look": -4,
                **values,
            },
        )
        y, z = self.shoulder(pose)
        pose.update(bar_y=y + 0.035 * self.k + raise_m, bar_z=z + 0.105 * self.k)
        return pose

    def near_shoulder(self, up: float, forward: float, hip_down: float, **values: float) -> Pose:
        pose = self.make(hip_down, **values)
        y, z = self.shoulder(pose)
        pose.update(bar_y=y + up * self.k, bar_z=z + forward * self.k)
        return pose

    def _pulls(self) -> dict[str, Pose]:
        make, r = self.make, self.plate_radius_m
        upright = self.upright_m / self.k  # at 1.78 m, as are all numbers here
        floor = self.make(upright - 0.57, -0.40, look=12, flex=4, bar_z=0.135)
        knee = self.make(upright - 0.74, -0.33, look=10, flex=3, bar_z=0.130)
        low_bar, low_hip = r, 0.57
        knee_bar = low_bar + (0.74 - low_hip) * 1.55 * self.k
        poses = {
            "floor": self.straight({**floor, "bar_y": r}, "pitch", 110.0, 5.0),
            "knee": self.straight({**knee, "bar_y": knee_bar}, "pitch", 110.0, 5.0),
        }
        for name, pose in (
            ("lock", make(0.0, 0.005, pitch=-4, look=2, bar_z=0.165)),
            ("hang", make(0.085, -0.17, pitch=33, look=8, flex=2, bar_z=0.165)),
            ("half up", make(0.04, -0.09, pitch=17, look=5, flex=1, bar_z=0.165)),
            ("extended", make(-0.045, 0.03, pitch=-7, heel=28, shrug=10, look=-4, bar_z=0.175)),
        ):
            poses[name] = self.straight(pose, "bar_y", 1.3 * self.k, 0.2)
        y, z = self.shoulder(poses["extended"])
        poses["pulled"] = make(
            -0.05, 0.02, pitch=-4, heel=30, shrug=22, hand=25, el_x=1.0, el_y=0.55, el_z=0.05
        )
        poses["pulled"].update(bar_y=y - 0.20 * self.k, bar_z=z + 0.17 * self.k)
        poses["turned"] = self.near_shoulder(
            -0.03,
            0.17,
            0.07,
            hip_z=-0.04,
            pitch=2,
            heel=6,
            shrug=14,
            hand=80,
            el_x=0.9,
            el_y=0.1,
            el_z=0.7,
        )
        poses["lowered"] = {**poses["pulled"], "heel_l": 0.0, "heel_r": 0.0, "shrug": 14,
                            "hip_y": self.upright_m - 0.01 * self.k}  # fmt: skip
        poses["lowered"]["bar_y"] -= 0.06 * self.k
        poses["hinge"] = self.straight(
            make(0.07, -0.30, pitch=76, look=14, flex=4, bar_z=0.14), "bar_y", 1.3 * self.k, 0.2
        )
        poses["rowed"] = {**poses["hinge"], "bar_y": poses["hinge"]["bar_y"] + 0.30 * self.k,
                          "el_x": 0.5, "el_y": 1.0, "el_z": -0.3}  # fmt: skip
        poses["under the chin"] = {**poses["pulled"], "bar_y": y - 0.02 * self.k, "el_y": 0.8}
        # for a catch in the squat the bar is pulled less high
        poses["pulled low"] = {**poses["pulled"], "bar_y": poses["pulled"]["bar_y"] - 0.12 * self.k}
        poses["turned low"] = self.near_shoulder(
            -0.04,
            0.16,
            0.30,
            hip_z=-0.12,
            pitch=10,
            shrug=10,
            hand=85,
            knee_x=0.5,
            el_x=0.9,
            el_y=0.1,
            el_z=0.7,
        )
        # for a snatch higher, and on over the head
        poses["pulled high"] = {**poses["pulled"], "bar_y": y - 0.08 * self.k, "el_y": 0.75}
        poses["turned over"] = self.near_shoulder(
            0.28,
            0.15,
            0.04,
            hip_z=-0.03,
            pitch=2,
            heel=8,
            shrug=18,
            hand=125,
            el_x=1.0,
            el_y=0.1,
            el_z=0.4,
        )
        return poses

    def _racks(self) -> dict[str, Pose]:
        k = self.k
        return {
            "rack": self.racked(pitch=-3),
            "catch": self.racked(0.15, hip_z=-0.12, pitch=9),
            "dip": self.racked(0.13, hip_z=-0.03, pitch=-2),
            "absorb": self.racked(0.05, hip_z=-0.02, pitch=-2),
            "drive": self.racked(-0.04, 0.03 * k, hip_z=0.02, pitch=-3, heel=22),
            "squat": self.racked(0.555, hip_z=-0.25, pitch=24, knee_x=0.55, toeout=24, look=6),
        }

    def squat_path(self, fraction: float) -> Pose:
        """Front squat between standing (0) and the bottom (1)."""
        top, bottom = self.named["rack"], self.named["squat"]
        return self._squatting("front", top, bottom, fraction, self.racked)

    def overhead_squat_path(self, fraction: float) -> Pose:
        """Overhead squat between standing (0) and the bottom (1)."""
        top, bottom = self.named["over"], self.named["overhead squat"]
        return self._squatting("overhead", top, bottom, fraction, self.overhead)

    def _squatting(
        self, kind: str, top: Pose, bottom: Pose, fraction: float, held: Callable[..., Pose]
    ) -> Pose:
        if (kind, fraction) not in self._squats:
            values = {
                name: top[name] + (bottom[name] - top[name]) * fraction
                for name in ("pitch", "knee_x", "toeout", "look")
            }
            values["pitch"] += np.sin(np.pi * fraction) * 6  # the trunk leans most on the way
            down = (top["hip_y"] - bottom["hip_y"]) / self.k * fraction
            z = (top["hip_z"] + (bottom["hip_z"] - top["hip_z"]) * fraction) / self.k
            self._squats[kind, fraction] = held(down, hip_z=z, **values)
        return dict(self._squats[kind, fraction])

    def overhead(self, hip_down: float = 0.0, **values: float) -> Pose:
        pose = self.make(
            hip_down,
            **{
                "shrug": 26,
                "hand": 163,
                "el_x": 1.0,
                "el_y": -0.1,
                "el_z": 0.35,
                "look": -3,
                **values,
            },
        )
        y, pose["bar_z"] = self.shoulder(pose)
        return self.straight(pose, "bar_y", y + 0.2 * self.k, y + 1.0 * self.k)

    def _overheads(self) -> dict[str, Pose]:
        halfway = {"hand": 145, "shrug": 14, "el_x": 0.7, "el_y": -0.15, "el_z": 0.9, "look": -12}
        return {
            "halfway": self.near_shoulder(0.27, 0.155, 0.02, hip_z=-0.02, pitch=-3, heel=8,
                                          **halfway),
            "pressing": self.near_shoulder(0.27, 0.135, 0.0, pitch=-4, **halfway),
            "stuck": self.near_shoulder(0.19, 0.145, 0.0, pitch=-5, **halfway),
            "received": self.overhead(0.10, hip_z=-0.03, pitch=4),
            "split": self.overhead(0.19, hip_z=0.01, pitch=1, stance_z_l=0.34, stance_z_r=-0.36,
                                   heel_r=38, knee_x=0.15),
            "feet": self.overhead(0.05, hip_z=0.01, pitch=1, stance_z_l=0.12, stance_z_r=-0.22,
                                  heel_r=20, knee_x=0.15),
            "over": self.overhead(pitch=1),
            "overhead squat": self.overhead(0.54, hip_z=-0.22, pitch=22, knee_x=0.6, toeout=24,
                                            look=6),
        }  # fmt: skip

    def rest(self, grip: float, y: float, z: float, hip_down: float = 0.0, **values: float) -> Pose:
        """Hands free at height `y` and `z` in front, `grip` to each side; metres at 1.78 m."""
        loose = {"free": 1.0, "curl": 0.35, "hand": 0, "el_z": -1.0}
        return self.make(hip_down, **{**loose, "grip": grip, "bar_y": y, "bar_z": z, **values})

    def _rests(self) -> dict[str, Pose]:
        """What athletes do with their hands while the bar lies on the floor."""
        rest = self.rest
        return {
            "arms down": rest(0.27, 0.945, 0.04, el_x=0.5),
            "hands on hips": rest(0.19, 1.06, 0.06, el_x=1.0, el_z=-0.5, look=-3),
            "hands on knees": rest(0.21, 0.70, 0.16, 0.06, hip_z=-0.24, pitch=50, look=10,
                                   el_x=1.0, el_z=-0.3),
            "chalk": rest(0.06, 1.14, 0.33, pitch=6, look=-14, el_x=1.0, el_y=-0.7, el_z=0.0),
            "rubbing": rest(0.06, 1.14, 0.33, pitch=6, look=-14, el_x=1.0, el_y=-0.7, el_z=0.0,
                            dz_l=0.06, dz_r=-0.05, dy_l=0.03, dy_r=-0.03),
            "hands on head": rest(0.10, 1.80, 0.0, pitch=-4, look=6, el_x=1.0, el_y=0.2,
                                  el_z=0.2),
            "shaking": rest(0.33, 0.97, 0.08, el_x=0.6, dz_l=0.08, dz_r=-0.06, dy_l=0.05),
            "wiping": rest(0.27, 0.95, 0.04, el_x=0.6, dy_r=0.72, dz_r=0.20, dx_r=0.20, look=-6),
            "looking": rest(0.27, 0.945, 0.04, el_x=0.5, look_yaw=38, twist=8),
        }  # fmt: skip


REST_POSES = (
    "arms down", "hands on hips", "hands on knees", "chalk", "rubbing", "hands on head",
    "shaking", "wiping", "looking",
)  # fmt: skip
