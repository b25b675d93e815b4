"""Joint positions of many postures at once: the joints of `Human.pose`, without its loop.

A three-minute attempt has thousands of postures; looking only at the joints a pose model reports,
and at all moments together, takes a fraction of a second. `tests/unit/test_truth.py` holds these
positions against `Human.pose`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from sample_clips.render.human import MAX_EXTENSION, SIDES, Human

Array = NDArray[np.float64]
Postures = Mapping[str, Array]

# Points of the head in the rest pose, from the head joint, in fractions of the stature (measured on
# the packed meshes; left side, mirrored for the right).
HEAD_POINTS = {
    "nose": (0.0, 0.008, 0.063),
    "eye_inner": (0.010, 0.022, 0.048),
    "eye": (0.017, 0.022, 0.046),
    "eye_outer": (0.024, 0.022, 0.041),
    "ear": (0.043, 0.010, 0.001),
    "mouth": (0.013, -0.014, 0.050),
}


def _turn(axis: int, angle: Array) -> Array:
    """(T, 3, 3) rotations about a coordinate axis (0 x, 1 y, 2 z)."""
    rotation = np.zeros((len(angle), 3, 3))
    i, j = (axis + 1) % 3, (axis + 2) % 3
    rotation[:, axis, axis] = 1.0
    rotation[:, i, i] = rotation[:, j, j] = np.cos(angle)
    rotation[:, j, i] = np.sin(angle)
    rotation[:, i, j] = -rotation[:, j, i]
    return rotation


def _apply(rotation: Array, vector: Array) -> Array:
    return np.einsum("tij,j->ti" if vector.ndim == 1 else "tij,tj->ti", rotation, vector)


def _unit(v: Array) -> Array:
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)


def _dot(a: Array, b: Array) -> Array:
    return np.sum(a * b, axis=-1, keepdims=True)


def _frames(d: Array, a: Array) -> Array:
    """(T, 3, 3) orthonormal frames with columns d, a made orthogonal to d, d x a."""
    d = _unit(d)
    a = _unit(a - d * _dot(a, d))
    return np.stack([d, a, np.cross(d, a)], axis=-1)


def _bend(a: Array, b: Array, l1: float, l2: float, pole: Array) -> tuple[Array, Array]:
    """Middle joint and reached end of two-bone limbs from a to b, bending towards the pole."""
    asked = np.linalg.norm(b - a, axis=1, keepdims=True)
    u = (b - a) / asked
    reach = np.minimum(asked, (l1 + l2) * MAX_EXTENSION)
    along = (l1 * l1 - l2 * l2 + reach * reach) / (2 * reach)
    off = np.sqrt(np.maximum(l1 * l1 - along * along, 0.0))
    return a + u * along + _unit(pole - u * _dot(pole, u)) * off, a + u * reach


def _side(q: Postures, key: str, s: str, default: float | None = None) -> Array:
    own = q.get(f"{key}_{s}")
    if own is not None:
        return own
    return q[key] if default is None or key in q else np.full(len(q["hip_y"]), default)


def _optional(q: Postures, key: str) -> Array:
    return q[key] if key in q else np.zeros(len(q["hip_y"]))


class Bodies:
    """The trunk of many postures, and from it the limbs: positions (T, 3) in metres."""

    def __init__(self, human: Human, q: Postures) -> None:
        self.human, self.q = human, q
        h = human.head_of
        lean = _turn(2, -_optional(q, "roll"))
        twist, pitch, flex = _optional(q, "twist"), q["pitch"], q["flex"]
        self.pelvis = lean @ _turn(0, 0.92 * pitch)
        hips = (h("thigh_l") + h("thigh_r")) / 2
        self.hips = np.stack([_optional(q, "hip_x"), q["hip_y"], q["hip_z"]], axis=1)
        at = self.hips - _apply(self.pelvis, hips - h("pelvis"))
        rotation, below = self.pelvis, "pelvis"
        for k, bone in enumerate(("spine_01", "spine_02", "spine_03"), 1):
            at = at + _apply(rotation, h(bone) - h(below))
            rotation = lean @ _turn(0, pitch + flex * k / 3) @ _turn(1, twist * k / 3)
            below = bone
        self.chest = lean @ _turn(0, pitch + flex) @ _turn(1, twist)
        look, turn = q["look"], twist + _optional(q, "look_yaw")
        neck = at + _apply(rotation, h("neck_01") - h(below))
        neck_turn = lean @ _turn(1, turn * 0.5) @ _turn(0, (pitch + flex) * 0.6 - look * 0.5)
        self.head = neck + _apply(neck_turn, h("head") - h("neck_01"))
        self.head_turn = lean @ _turn(1, turn) @ _turn(0, (pitch + flex) * 0.25 - look)
        self.shoulder: dict[str, Array] = {}
        for s, sign in SIDES:
            blade = (
                self.chest
                @ _turn(2, sign * _side(q, "shrug", s))
                @ _turn(1, -sign * _side(q, "prot", s, 0.0))
            )
            clavicle = at + _apply(rotation, h(f"clavicle_{s}") - h(below))
            self.shoulder[s] = clavicle + _apply(blade, h(f"upperarm_{s}") - h(f"clavicle_{s}"))

    def gripping_hand(self, s: str) -> Array:
        a = _side(self.q, "hand", s)
        zero = np.zeros_like(a)
        fingers = np.stack([zero, -np.cos(a), -np.sin(a)], axis=1)
        palm = np.stack([zero, np.sin(a), -np.cos(a)], axis=1)
        grip = self.human._rest[s]["grip"]
        return np.stack([fingers, palm, np.cross(fingers, palm)], axis=-1) @ grip.T

    def wrist_target(self, s: str) -> Array:
        q, sign = self.q, 1.0 if s == "l" else -1.0
        target = np.stack(
            [
                q.get(f"hand_x_{s}", sign * q["grip"]),
                q.get(f"hand_y_{s}", q["bar_y"]),
                q.get(f"hand_z_{s}", q["bar_z"]),
            ],
            axis=1,
        )
        hold = 1.0 - _side(q, "free", s, 0.0)
        return target - hold[:, None] * _apply(self.gripping_hand(s), self.human._grip[s])

    def arm_reach(self) -> Array:
        """(T,) distance from shoulder to wrist target in arm lengths, the farther side's."""
        asked = [np.linalg.norm(self.wrist_target(s) - self.shoulder[s], axis=1) for s, _ in SIDES]
        return np.max(asked, axis=0) / self.human.arm_m

    def _arm(self, s: str, sign: float) -> dict[str, Array]:
        human, q, h = self.human, self.q, self.human.head_of
        rest, shoulder = human._rest[s], self.shoulder[s]
        pole = np.stack([sign * _side(q, "el_x", s), _side(q, "el_y", s), _side(q, "el_z", s)], 1)
        elbow, wrist = _bend(
            shoulder, self.wrist_target(s), human.upper_arm_m, human.forearm_m, pole
        )
        reach = _unit(wrist - shoulder)
        by_pole = _unit(np.cross(_unit(elbow - shoulder), reach * _dot(pole, reach) - pole))
        own = np.cross(elbow - shoulder, wrist - elbow)
        bent = np.linalg.norm(own, axis=1, keepdims=True)
        fraction = np.minimum(1.0, bent / (human.upper_arm_m * human.forearm_m) / 0.15)
        hinge = _unit(own / np.maximum(bent, 1e-9) * fraction + by_pole * (1 - fraction))
        hand = self.gripping_hand(s)
        free = _side(q, "free", s, 0.0)
        if np.any(free > 0):
            fore = _frames(wrist - elbow, hinge) @ rest["fore"].T
            step = Rotation.from_matrix(fore @ hand.transpose(0, 2, 1)).as_rotvec()
            hand = Rotation.from_rotvec(step * free[:, None]).as_matrix() @ hand
        joints = {"elbow": elbow, "wrist": wrist}
        for name, bone in (("index", "index_01"), ("pinky", "pinky_01"), ("thumb", "thumb_02")):
            joints[name] = wrist + _apply(hand, h(f"{bone}_{s}") - h(f"hand_{s}"))
        return joints

    def _leg(self, s: str, sign: float) -> dict[str, Array]:
        human, q, h = self.human, self.q, self.human.head_of
        turn = _turn(1, sign * _side(q, "toeout", s, 0.25))
        foot = turn @ _turn(0, _side(q, "heel", s))
        to_ball = h(f"ball_{s}") - h(f"foot_{s}")
        flat = np.stack(
            [
                sign * _side(q, "stance", s),
                h(f"foot_{s}")[1] + _side(q, "lift", s, 0.0),
                _side(q, "stance_z", s, 0.0),
            ],
            axis=1,
        )
        ball = flat + _apply(turn, to_ball)
        hip = self.hips + _apply(self.pelvis, h(f"thigh_{s}") - (h("thigh_l") + h("thigh_r")) / 2)
        side = sign * _side(q, "knee_x", s, 0.35)
        pole = np.stack([side, np.full_like(side, 0.05), np.ones_like(side)], axis=1)
        knee, ankle = _bend(hip, ball - _apply(foot, to_ball), human.thigh_m, human.shank_m, pole)
        heel = ankle + _apply(foot, np.array([0.0, -0.6 * h(f"foot_{s}")[1], -0.045]))
        toe = ball + _apply(turn, np.array([0.0, 0.0, 0.035 * human.stature_m]))
        return {
            "hip": hip,
            "knee": knee,
            "ankle": ankle,
            "heel": heel,
            "foot_index": toe,
            "ball": ball,
        }

    def joints(self) -> dict[str, Array]:
        """Positions (T, 3) by the pose model's names, and `left_ball`, `right_ball`; metres."""
        q, found = self.q, {}
        for name, offset in HEAD_POINTS.items():
            point = np.array(offset) * self.human.stature_m
            for word, sign in (("left", 1.0), ("right", -1.0)):
                label = (
                    "nose"
                    if name == "nose"
                    else (f"mouth_{word}" if name == "mouth" else f"{word}_{name}")
                )
                found[label] = self.head + _apply(self.head_turn, point * [sign, 1.0, 1.0])
        for s, sign in SIDES:
            word = "left" if s == "l" else "right"
            parts = {"shoulder": self.shoulder[s], **self._arm(s, sign), **self._leg(s, sign)}
            found |= {f"{word}_{name}": at for name, at in parts.items()}
        yaw = _turn(1, _optional(q, "root_yaw"))
        root = np.stack(
            [_optional(q, "root_x"), np.zeros(len(q["hip_y"])), _optional(q, "root_z")], axis=1
        )
        return {name: _apply(yaw, at) + root for name, at in found.items()}
