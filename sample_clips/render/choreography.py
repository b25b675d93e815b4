"""What athlete and bar do in one attempt: a script of acts made into motion, exact at any moment.

The body's posture runs through key postures by monotone cubic interpolation (no overshoot, flat
where two keys are equal). The bar is where the hands hold it, or falls, bounces and rolls on its
own after it is let go. Nothing here knows how an attempt is measured: besides motion it only keeps
which stroke was meant (`Stroke`), with moments inside it, so that `truth.py` can look there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator, PPoly

from sample_clips.render.human import Human
from sample_clips.render.poses import ANGLES, PARAMETERS
from sample_clips.render.script import Script
from sample_clips.render.skeleton import Bodies
from sample_clips.render.strokes import Lifter

Array = NDArray[np.float64]

CORRECTION_HZ = 50.0
_BAR_PATH = ("bar_y", "bar_z", "tilt", "root_x", "root_z", "hip_y")
LONGEST_REACH = 0.998  # beyond this the body rises or sinks so that the hands stay on the bar


@dataclass(frozen=True)
class BarState:
    """The bar over time, world metres and radians: arrays (T,). `tilt` > 0: left end higher."""

    x: Array
    y: Array
    z: Array
    tilt: Array
    spin: Array
    held: NDArray[np.bool_]


class Choreography:
    """An attempt in motion. Attributes: `duration_s`, `strokes`, `drops`, `held` (intervals with
    hands on the bar), `beeps` (start-signal onsets), `unloaded` (when a plate was taken off, and
    of which end: +1 the left), `human`, `postures`, `radius_m` (of the
    plates).

    Raises ValueError if the script asks for something impossible (say, a movement it lacks).
    """

    def __init__(
        self, human: Human, script: Script, seed: int, plays: type[Lifter] = Lifter
    ) -> None:
        """`plays` lays the script down: a lifter that knows further acts, say."""
        lifter = plays(human, script, seed)
        lifter.play()
        self.human, self.script = human, script
        self.postures, self.radius_m = lifter.postures, lifter.radius_m
        self.strokes, self.drops = lifter.strokes, lifter.drops
        self.held, self.beeps, self.unloaded = lifter.held, lifter.beeps, lifter.unloaded
        self.duration_s = lifter.now
        keys = np.array([[pose[name] for name in PARAMETERS] for pose in lifter.poses])
        for i, name in enumerate(PARAMETERS):
            if name in ANGLES:
                keys[:, i] = np.radians(keys[:, i])
        self._curves = PchipInterpolator(np.array(lifter.times_s), keys, axis=0)
        places = [PARAMETERS.index(name) for name in _BAR_PATH]
        self._bar_curves = PPoly.construct_fast(
            np.ascontiguousarray(self._curves.c[..., places]), self._curves.x
        )
        self._grid_s = np.arange(0.0, self.duration_s + 1 / CORRECTION_HZ, 1 / CORRECTION_HZ)
        self._lift_m = self._reach_correction(self._grid_s)

    def _raw(self, times_s: Array) -> dict[str, Array]:
        values = self._curves(np.clip(times_s, 0.0, self.duration_s))
        return dict(zip(PARAMETERS, values.T, strict=True))

    def _path(self, times_s: Array) -> dict[str, Array]:
        """What the bar's path and the hip's height hang on, without the rest of the posture."""
        values = self._bar_curves(np.clip(times_s, 0.0, self.duration_s))
        return dict(zip(_BAR_PATH, values.T, strict=True))

    def _reach_correction(self, times_s: Array) -> Array:
        """How far the body must rise so that no arm has to be longer than it is (T,)."""
        q = hand_targets(self._raw(times_s))
        lift = np.zeros(len(times_s))
        left = np.flatnonzero(q["free"] < 1)  # where something is still to be done
        for _ in range(5):
            if not len(left):
                break
            part = {name: values[left] for name, values in q.items()}
            part["hip_y"] = part["hip_y"] + lift[left]
            body = Bodies(self.human, part)
            over = np.maximum(body.arm_reach() - LONGEST_REACH, 0.0) * (1 - part["free"])
            up = np.where(body.shoulder["l"][:, 1] < part["bar_y"], 1.0, -1.0)
            lift[left] += up * over * self.human.arm_m
            left = left[over > 0]
        return lift

    def parameters(self, times_s: Array) -> dict[str, Array]:
        """Postures at many moments: name to array (T,), radians and metres, with hand targets."""
        times_s = np.asarray(times_s, float)
        q = hand_targets(self._raw(times_s))
        q["hip_y"] = q["hip_y"] + np.interp(times_s, self._grid_s, self._lift_m)
        return q

    def q(self, time_s: float) -> dict[str, float]:
        """The posture at one moment, as `Human.pose` takes it."""
        return {k: float(v[0]) for k, v in self.parameters(np.array([time_s])).items()}

    def joints(self, times_s: Array) -> dict[str, Array]:
        """World positions (T, 3) of the joints by the pose model's names; metres."""
        return Bodies(self.human, self.parameters(times_s)).joints()

    def hip_height(self, times_s: Array) -> Array:
        """Height (T,) of the middle between the hip joints above the floor, metres."""
        times_s = np.asarray(times_s, float)
        return self._path(times_s)["hip_y"] + np.interp(times_s, self._grid_s, self._lift_m)

    def bar(self, times_s: Array) -> BarState:
        """The bar's middle, tilt and spin; `held` is true with hands on the bar."""
        times_s = np.asarray(times_s, float)
        raw = self._path(times_s)
        held = np.zeros(len(times_s), bool)
        for begin, end in self.held:
            held |= (times_s >= begin) & (times_s <= end)
        y, tilt = raw["bar_y"].copy(), raw["tilt"].copy()
        z, x = raw["root_z"] + raw["bar_z"], raw["root_x"].copy()
        loose = ~held
        y[loose], tilt[loose], x[loose] = self.radius_m, 0.0, 0.0
        first = self.held[0][0] if self.held else np.inf
        z[loose & (times_s < first)] = self.postures["floor"]["bar_z"]
        for (_, begin), (end, _) in zip(self.held, [*self.held[1:], (np.inf, np.inf)], strict=True):
            free = (times_s > begin) & (times_s < end)
            drop = next((d for d in self.drops if abs(d.release_s - begin) < 1e-9), None)
            at = self._path(np.array([begin]))
            x[free] = at["root_x"]
            if drop is None:  # put down: it lies where the hands left it
                z[free] = at["root_z"] + at["bar_z"]
            else:
                y[free] = drop.height(times_s[free])
                tilt[free] = drop.tilt(times_s[free])
                z[free] = drop.z(times_s[free])
        return BarState(x, y, z, tilt, z / self.radius_m, held)


def hand_targets(q: dict[str, Array]) -> dict[str, Array]:
    """Replace the hands' offsets and the bar's tilt by one target for each hand."""
    q = dict(q)
    for s, sign in (("l", 1.0), ("r", -1.0)):
        dx, dy, dz = (q.pop(f"d{axis}_{s}") for axis in "xyz")
        q[f"hand_x_{s}"] = sign * q["grip"] + dx
        q[f"hand_y_{s}"] = q["bar_y"] + dy + sign * q["grip"] * np.tan(q["tilt"])
        q[f"hand_z_{s}"] = q["bar_z"] + dz
    return q
