"""Other people in the gym: some stand about, some walk through. Postures for `Human.pose`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sample_clips.render.camera import Camera
from sample_clips.render.human import ASSET_STATURE_M, Human
from sample_clips.render.looks import PersonLook, random_person

Place = tuple[float, float]  # x, z in the room, metres
CYCLE_M = 1.35  # way of one double step at walking speed, stature 1.78 m


class Motion(Protocol):
    """Someone who has a posture at any moment."""

    def q(self, time_s: float) -> dict[str, float]: ...


def standing_posture(human: Human) -> dict[str, float]:
    """Upright, arms hanging loosely."""
    k = human.stature_m / ASSET_STATURE_M
    return {
        **dict.fromkeys(("pitch", "flex", "look", "hip_z", "shrug", "heel", "hand"), 0.0),
        "hip_y": human.head_of("thigh_l")[1] - 0.015 * k,
        "grip": 0.27 * k,
        "bar_y": 0.945 * k,
        "bar_z": 0.04 * k,
        "el_x": 0.5,
        "el_y": 0.1,
        "el_z": -1.0,
        "stance": 0.13 * k,
        "toeout": 0.25,
        "knee_x": 0.3,
        "curl": 0.35,
        "free": 1.0,
    }


# What a bystander's hands do: changes to the standing posture, lengths for the packed stature.
HANDS: tuple[dict[str, float], ...] = (
    {},
    {"grip": 0.19, "bar_y": 1.06, "bar_z": 0.06, "el_x": 1.0, "el_z": -0.5},
    {"grip": 0.06, "bar_y": 1.14, "bar_z": 0.30, "el_x": 1.0, "el_y": -0.7, "el_z": 0.0},
    {"hand_x_r": -0.05, "hand_y_r": 1.35, "hand_z_r": 0.30, "el_y": -0.6},
    {"grip": 0.10, "bar_y": 1.80, "bar_z": 0.0, "el_x": 1.0, "el_y": 0.2, "el_z": 0.2},
)
LENGTHS = ("grip", "bar_y", "bar_z", "hand_x_r", "hand_y_r", "hand_z_r")


class Stander:
    """Stands at one place, shifts the weight, and now and then does something with the hands."""

    def __init__(self, human: Human, place: Place, yaw: float, seed: int, until_s: float) -> None:
        rng = np.random.default_rng([seed, 11])
        self._base = standing_posture(human)
        self._base.update(root_x=place[0], root_z=place[1], root_yaw=yaw)
        k = human.stature_m / ASSET_STATURE_M
        keys = [
            {n: v * k if n in LENGTHS else v for n, v in HANDS[rng.integers(len(HANDS))].items()}
            for _ in range(int(until_s / 4) + 2)
        ]
        names = sorted({n for key in keys for n in key})
        rest = {**self._base, "hand_x_r": -0.27 * k, "hand_y_r": 0.945 * k, "hand_z_r": 0.04 * k}
        self._names = names
        self._times = np.cumsum(rng.uniform(2.0, 6.0, len(keys)))
        self._values = np.array([[{**rest, **_right(key)}[n] for n in names] for key in keys])
        self._phase, self._pace = rng.uniform(0, 6, 3), rng.uniform(0.15, 0.4, 3)

    def q(self, time_s: float) -> dict[str, float]:
        i = int(np.clip(np.searchsorted(self._times, time_s), 1, len(self._times) - 1))
        s = np.clip((time_s - self._times[i - 1]) / 0.9, 0.0, 1.0)
        s = s * s * (3 - 2 * s)
        now = self._values[i - 1] * (1 - s) + self._values[i] * s
        sway = np.sin(2 * np.pi * self._pace * time_s + self._phase)
        q = {**self._base, **dict(zip(self._names, map(float, now), strict=True))}
        q["hip_x"], q["pitch"] = 0.02 * float(sway[0]), 0.03 * float(sway[1])
        q["look_yaw"] = 0.25 * float(sway[2])
        return q


def _right(key: dict[str, float]) -> dict[str, float]:
    """A hands entry whose right hand follows the common target unless it has its own."""
    if "hand_y_r" in key or "bar_y" not in key:
        return key
    return {**key, "hand_x_r": -key["grip"], "hand_y_r": key["bar_y"], "hand_z_r": key["bar_z"]}


class Walker:
    """Walks from one place to another, waits there, and walks back."""

    def __init__(
        self, human: Human, a: Place, b: Place, begin_s: float, wait_s: float, speed: float = 1.3
    ) -> None:
        self._base = standing_posture(human)
        self._k = human.stature_m / ASSET_STATURE_M
        self._a, self._way = np.asarray(a, float), np.asarray(b, float) - np.asarray(a, float)
        self._length = float(np.linalg.norm(self._way))
        self._begin, self._wait, self._speed = begin_s, wait_s, speed

    def q(self, time_s: float) -> dict[str, float]:
        walk_s = self._length / self._speed
        t = (time_s - self._begin) % (2 * (walk_s + self._wait))
        back = t >= walk_s + self._wait
        gone = min((t - (walk_s + self._wait if back else 0.0)) * self._speed, self._length)
        fraction = 1 - gone / self._length if back else gone / self._length
        x, z = self._a + fraction * self._way
        heading = float(np.arctan2(self._way[0], self._way[1])) + (np.pi if back else 0.0)
        q = {**self._base, "root_x": float(x), "root_z": float(z), "root_yaw": heading}
        if 0.0 < gone < self._length:
            self._step(q, gone / (CYCLE_M * self._k))
        return q

    def _step(self, q: dict[str, float], cycles: float) -> None:
        """Legs and arms after so many double steps; a foot on the floor does not slide."""
        k, stance = self._k, 0.6
        reach = CYCLE_M * k * stance / 2
        q["hip_y"] += 0.012 * k * float(np.cos(4 * np.pi * cycles)) - 0.03 * k
        q["pitch"] = 0.05
        for side, offset, sign in (("l", 0.0, 1.0), ("r", 0.5, -1.0)):
            phase = (cycles + offset) % 1.0
            if phase < stance:
                ahead = reach * (1 - 2 * phase / stance)
                q[f"heel_{side}"] = 0.6 * max(0.0, (phase / stance - 0.6) / 0.4)
            else:
                s = (phase - stance) / (1 - stance)
                ahead = -reach * float(np.cos(np.pi * s))
                q[f"lift_{side}"] = 0.09 * k * float(np.sin(np.pi * s))
                q[f"heel_{side}"] = 0.6 * (1 - s)
            q[f"stance_z_{side}"] = ahead
            q[f"toeout_{side}"] = 0.12
            q[f"hand_x_{side}"] = sign * 0.26 * k
            q[f"hand_y_{side}"] = 0.95 * k + 0.04 * k * abs(ahead) / reach
            q[f"hand_z_{side}"] = 0.04 * k - 0.5 * ahead
        q["stance"] = 0.08 * k


@dataclass(frozen=True)
class Bystander:
    human: Human
    look: PersonLook
    motion: Motion
    places: tuple[Place, ...]
    in_front: bool = False  # between the camera and the athletes


def random_bystanders(
    count: int,
    camera: Camera,
    room: tuple[float, float, float, float],
    seed: int,
    duration_s: float,
    in_front: bool = False,
    athletes: Sequence[Place] = ((0.0, 0.0),),
) -> list[Bystander]:
    """People behind or beside the athletes; with in_front the first one passes near the camera.

    room: x0, x1, z0, z1. Nobody stands within two metres of an athlete.
    """
    rng = np.random.default_rng([seed, 13])
    eye = camera.eye[[0, 2]]
    forward = camera.rotation[2][[0, 2]]
    forward = forward / np.linalg.norm(forward)
    right = camera.rotation[0][[0, 2]]
    low, high = np.array(room[::2]) + 0.7, np.array(room[1::2]) - 0.7
    centres = np.asarray(athletes, float)
    spread = camera.width / (2 * camera.focal_px)

    def place(depth: float, across: float) -> NDArray[np.float64]:
        return eye + depth * forward + across * right

    def free(p: NDArray[np.float64]) -> bool:
        inside = bool((p > low).all() and (p < high).all())
        return inside and float(np.linalg.norm(centres - p, axis=1).min()) > 2.0

    found: list[Bystander] = []
    for i in range(count):
        look = random_person(rng)
        human = look.human()
        passes = in_front and i == 0
        if passes:
            depth = float(np.linalg.norm(centres.mean(0) - eye)) * float(rng.uniform(0.40, 0.55))
            out = depth * spread + 0.8
            a, b = place(depth, -out), place(depth, out)
            begin, wait = float(rng.uniform(3, 10)), float(rng.uniform(8, 20))
            places: tuple[Place, ...] = ()
            motion: Motion = Walker(human, _pair(a), _pair(b), begin, wait)
        else:
            spots = [
                p
                for p in (
                    place(d, w * d * spread)
                    for d, w in zip(
                        rng.uniform(4.5, 12, 400), rng.uniform(-1.1, 1.1, 400), strict=True
                    )
                )
                if free(p)
            ]
            if len(spots) < 2:
                continue
            a, b = spots[0], spots[1]
            walks = rng.random() < 0.4 and all(free(a + s * (b - a)) for s in np.linspace(0, 1, 20))
            if walks and np.linalg.norm(b - a) > 1.0:
                speed = float(rng.uniform(0.8, 1.4))
                motion = Walker(human, _pair(a), _pair(b), 0.0, float(rng.uniform(2, 9)), speed)
                places = tuple(_pair(a + s * (b - a)) for s in np.linspace(0, 1, 8))
            else:
                to_athlete = centres[0] - a
                facing = float(np.arctan2(to_athlete[0], to_athlete[1]) + rng.normal() * 0.7)
                motion = Stander(human, _pair(a), facing, seed + i, duration_s)
                places = (_pair(a),)
        found.append(Bystander(human, look, motion, places, passes))
    return found


def _pair(p: NDArray[np.float64]) -> Place:
    return float(p[0]), float(p[1])
