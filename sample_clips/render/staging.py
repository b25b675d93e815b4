"""Lays a script down as key postures over time: taking hold, lowering, dropping, breaks, rests.

The strokes themselves are in `strokes.py`.
"""

from __future__ import annotations

import numpy as np

from sample_clips.render.fall import PLATE_X_M, Drop, flight
from sample_clips.render.human import Human
from sample_clips.render.poses import REST_POSES, Pose, Postures
from sample_clips.render.script import (
    PASTIMES,
    WIDE_GRIP_M,
    Act,
    Script,
    Stroke,
    StrokeKind,
    Zone,
)

LEVEL_SHARE = 0.01  # of the stature: the crossing level, for the timing of breaks


# The hands' places of a pastime, for `Postures.rest`; they go from one to the next and back.
_HANDS_BUSY: dict[str, tuple[dict[str, float], ...]] = {
    "wave": (
        dict(grip=0.27, y=0.95, z=0.04, el_x=0.6, dy_r=0.95, dz_r=0.05, dx_r=-0.10),
        dict(grip=0.27, y=0.95, z=0.04, el_x=0.6, dy_r=0.92, dz_r=0.05, dx_r=0.18),
    ),
    "belt": (
        dict(grip=0.08, y=1.02, z=0.17, el_x=1.0, el_z=-0.4, look=-14),
        dict(grip=0.17, y=1.04, z=0.12, el_x=1.0, el_z=-0.5, look=-14),
    ),
    "shirt": (
        dict(grip=0.14, y=1.42, z=0.15, el_x=1.0, el_y=-0.5, el_z=0.1),
        dict(grip=0.17, y=1.30, z=0.18, el_x=1.0, el_y=-0.5, el_z=0.1),
    ),
    "hair": (
        dict(grip=0.09, y=1.78, z=0.02, el_x=1.0, el_y=0.2, el_z=0.2, pitch=-3, look=4),
        dict(grip=0.11, y=1.66, z=-0.02, el_x=1.0, el_y=0.2, el_z=0.2, pitch=-3, look=4),
    ),
}


class Stage:
    """A growing list of key postures (`times_s`, `poses`) with what else happened.

    `strokes`, `drops`, `held` (from, to: hands on the bar), `beeps` (onsets). Times in seconds.
    """

    def __init__(self, human: Human, script: Script, seed: int) -> None:
        self.human, self.script = human, script
        self.postures = Postures(human, grip_m=WIDE_GRIP_M if script.wide_grip else None)
        self.radius_m = self.postures.plate_radius_m
        self.rng = np.random.default_rng(seed)
        self.now = 0.0
        self.times_s: list[float] = []
        self.poses: list[Pose] = []
        self.strokes: list[Stroke] = []
        self.drops: list[Drop] = []
        self.held: list[tuple[float, float]] = []
        self.beeps: list[float] = []
        self.unloaded: list[tuple[float, float]] = []  # when, and which end: +1 the left
        self.zone: Zone = "floor"
        self.slow = script.tempo
        self.flowing = False  # the bar is on its way down into the next dip
        self._hands_on_s: float | None = None  # since when; None with empty hands
        self._bar_z = self.postures["floor"]["bar_z"]  # world, while it lies on the floor
        self._root_z = 0.0
        self.key("floor" if script.hands_on_at_first else "arms down", 0.02)
        self.times_s[0] = self.now = 0.0
        if script.hands_on_at_first:
            self._hands_on_s = 0.0
        self.stay(script.lead_s)

    # ------------------------------------------------------------------ keys

    def key(self, pose: str | Pose, dt: float, wobble: float = 0.0, **change: float) -> None:
        """The posture reached `dt` seconds from now; `wobble` degrees of random bar tilt."""
        self.now += max(dt, 0.02)
        made = dict(self.postures[pose] if isinstance(pose, str) else pose)
        made.update(root_z=self._root_z, **change)
        if wobble:
            made["tilt"] = float(np.clip(self.rng.normal() * wobble, -2.5 * wobble, 2.5 * wobble))
        self.times_s.append(self.now)
        self.poses.append(made)

    def stay(self, seconds: float) -> None:
        if seconds > 0.02:
            self.key(self.poses[-1], seconds)

    def still_s(self) -> float:
        """How long the bar has been kept at its height."""
        start = len(self.times_s) - 1
        while start > 0 and self.poses[start - 1]["bar_y"] == self.poses[-1]["bar_y"]:
            start -= 1
        return self.times_s[-1] - self.times_s[start]

    def t(self, seconds: float) -> float:
        """This athlete's time for something that takes `seconds` at tempo 1, with variation."""
        return seconds * self.slow * float(np.exp(self.rng.normal() * self.script.spread))

    def between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def record(
        self, kind: StrokeKind, act: Act, zone: Zone, rising_s: float, finish_s: float,
        driven_through: bool = False, erect: bool = True,
    ) -> None:  # fmt: skip
        """Keep a stroke that ends now."""
        name = "" if kind == "pick_up" else act.movement
        self.strokes.append(
            Stroke(kind, name, act.round, zone, rising_s, finish_s, self.now, driven_through, erect)
        )

    # ------------------------------------------------------------------ hands and bar

    @property
    def empty_handed(self) -> bool:
        return self._hands_on_s is None

    def release(self) -> None:
        if self._hands_on_s is not None:
            self.held.append((self._hands_on_s, self.now))
        self._hands_on_s = None

    def take_hold(self, until_s: float) -> None:
        """Step up to the bar, bend down and have the hands on it at `until_s`."""
        bend = max(0.45, min(0.75, until_s - self.now - 0.1))
        self.rest_until(until_s - bend)
        self._walk_to(self._bar_z - self.postures["floor"]["bar_z"], bend * 0.45)
        left = max(until_s - self.now, 0.25)
        self.key("floor", left * 0.8, free=0.35, curl=0.5, bar_y=self.radius_m + 0.03)
        self.key("floor", left * 0.2)
        self._hands_on_s = self.now
        self.zone = "floor"

    def settle_in_zone(self) -> None:
        """If the bar is on its way down, let it come to rest first."""
        if self.flowing:
            self.key("rack" if self.zone == "rack" else "lock", self.t(0.25))
            self.flowing = False

    def lower_to_rack(self, act: Act, goal: Zone) -> None:
        """From overhead; on the way into the next dip (`flowing`) where the athlete does so."""
        self.key("halfway", self.t(0.32), wobble=0.4)
        stop = act.pause_s is not None and act.pause_s > 0
        if goal == "rack" and act.movement != "strict press" and self.script.flow and not stop:
            self.flowing = True
        else:
            self.key("absorb", self.t(0.24), wobble=0.3)
            self.key("rack", self.t(0.22))
            if goal == "rack":
                self.stay(self.between(0.45, 0.7) if act.pause_s is None else act.pause_s)
            else:
                self.stay(self.between(0.05, 0.15))
        self.zone = "rack"

    def lower_to_hang(self, act: Act, goal: Zone) -> None:
        """From the rack down to the thighs; for the next hang clean straight into its dip."""
        self.key("turned", self.t(0.24), wobble=0.5)
        self.key("lowered", self.t(0.15), wobble=0.5)
        if act.rebound and goal == "hang" and not act.pause_s:
            self.key("hang", self.t(0.20))
            self.flowing = True
        elif act.movement == "Romanian deadlift":
            self.key("lock", self.t(0.30))
            self.stay(self.between(0.5, 0.8))
        elif goal == "floor" or not act.pause_s:
            self.key("hang", self.t(0.36))
            self.flowing = goal == "hang"
        else:
            self.key("lock", self.t(0.30))
            self.stay(act.pause_s)
        self.zone = "hang"

    def lower_to_floor(self) -> None:
        self.flowing = False
        self.key("knee", self.t(0.40), wobble=0.4)
        self.key("floor", self.t(0.36))
        self.zone = "floor"

    # ------------------------------------------------------------------ breaks

    def put_aside(self, act: Act) -> None:
        """Break or end: the bar down (or dropped), rest, ready to lift at the break's end."""
        if act.how == "drop" and self.zone != "floor":
            settled = self._drop()
        else:
            if self.zone in ("overhead", "rack"):
                self.settle_in_zone()
            if self.zone == "overhead":
                self.lower_to_rack(Act("break"), "floor")
            if self.zone == "rack":
                self.lower_to_hang(Act("break"), "floor")
            if self.zone == "hang":
                self.lower_to_floor()
            settled = self.now - 0.05
            self.zone = "floor"
            if act.hands_off or act.do == "end":
                self._let_go(stand=act.do == "end" or act.seconds > 1.8)
        if act.do == "end":
            self.pass_time(act.during, self.now + act.seconds)
            self.rest_until(self.now + (0.0 if act.during else act.seconds))
            return
        lift = settled + act.seconds - 0.05
        if act.during:
            self.pass_time(act.during, lift - 1.0)
        if self.empty_handed:
            self.take_hold(lift - self.between(0.12, 0.3))
        self.stay(lift - self.now)

    def _let_go(self, stand: bool) -> None:
        self.key("floor", 0.12)
        self.release()
        if stand:
            self.key("floor", 0.15, free=0.6, curl=0.3, bar_y=self.radius_m + 0.06)
            self.key("arms down", self.t(0.6))
        else:
            self.key("floor", 0.2, free=0.5, curl=0.2, bar_y=self.radius_m + 0.09)

    def _drop(self) -> float:
        """Open the hands here; the bar falls. Returns when it has settled."""
        self.settle_in_zone()
        rng, pose = self.rng, self.poses[-1]
        self.stay(0.05)
        release = self.now
        from_high = self.zone in ("rack", "overhead")
        lean = PLATE_X_M * float(np.sin(np.radians(pose["tilt"])))
        bounce = float(np.clip(self.script.restitution + rng.normal() * 0.02, 0.28, 0.47))
        forward = self.between(0.15, 0.35) if from_high else self.between(0.0, 0.1)
        z = self._root_z + pose["bar_z"]
        left, right = (
            flight(
                release, pose["bar_y"] + side * lean, 0.0, self.radius_m,
                bounce + side * float(rng.normal()) * 0.012,
            )
            for side in (1, -1)
        )  # fmt: skip
        # the bar rolls more or less back to where the athlete began
        air = min(left.first_impact_s, right.first_impact_s) - release
        home = self.postures["floor"]["bar_z"]
        roll = float(np.clip(home - z - forward * air, -0.2, 0.2)) + float(rng.normal()) * 0.06
        drop = Drop(release, left, right, z, forward, roll)
        self.drops.append(drop)
        self.release()
        self._bar_z = drop.rest_z_m
        self.flowing = False
        self.zone = "floor"
        if from_high:
            self.key(pose, 0.12, curl=0.2, free=0.3, bar_z=pose["bar_z"] + 0.05)
            self._root_z -= self.between(0.15, 0.3)  # out of the bar's way
            self.key("chalk", 0.35, grip=0.24, bar_y=pose["bar_y"] * 0.72, heel_l=8, heel_r=8)
            self.key("arms down", 0.4)
        else:
            self.key("arms down", 0.35)
        return drop.settled_s(LEVEL_SHARE * self.human.stature_m)

    # ------------------------------------------------------------------ rests

    def rest_until(self, end_s: float) -> None:
        """Stand about: one or more rest postures, never quite still, until `end_s`."""
        if not self.empty_handed:
            self.stay(end_s - self.now)
            return
        rng = self.rng
        while (left := end_s - self.now) > 0.04:
            if left < 1.1:
                self.stay(left)
                return
            name = str(rng.choice(REST_POSES))
            move = self.between(0.4, 0.7)
            dwell = min(self.between(0.5, 2.0), left - move - 0.03)
            self.key(name, move)
            other = {"rubbing": "chalk", "shaking": "arms down"}.get(name)
            if other:
                for _ in range(int(dwell / 0.36)):
                    self.key(other, 0.18)
                    self.key(name, 0.18)
            elif rng.random() < 0.3 and left > 3.0:
                self.key("arms down", 0.5)
                step = float(rng.choice((-0.3, 0.3)))
                self._walk_to(self._root_z + step, 0.7)
                self._walk_to(self._root_z - step, 0.8)
            else:
                self.stay(dwell)

    def pass_time(self, what: str, end_s: float) -> None:
        """One of the pastimes with free hands, until about `end_s`; nothing if `what` is empty.

        Raises ValueError for an unknown one, or with the hands on the bar.
        """
        if not what:
            return
        if not self.empty_handed or what not in PASTIMES:
            raise ValueError(f"{what!r} cannot be done here")
        if what in _HANDS_BUSY:
            places = [self.postures.rest(**values) for values in _HANDS_BUSY[what]]
            self.key(places[0], self.t(0.6))
            while end_s - self.now > 0.8:
                for place in (*places[1:], places[0]):
                    self.key(place, self.between(0.25, 0.45))
            self.key("arms down", self.t(0.5))
        elif what == "leave":
            away = float(self.rng.choice((-1.0, 1.0))) * 3.4
            way = max(min(1.8, (end_s - self.now) * 0.35), 0.8)
            self.key("arms down", 0.3)
            self.key("arms down", way, root_x=away)
            if (stay := end_s - self.now - way) > 0.05:
                self.key("arms down", stay, root_x=away)
            self.key("arms down", way, root_x=0.0)
        elif what == "roll":
            self.take_hold(self.now + 1.0)
            for way in (self.between(0.1, 0.25), -self.between(0.05, 0.2)):
                self._root_z += way
                self.key("floor", self.between(0.5, 0.9))
            self._let_go(stand=True)
            self._bar_z = self._root_z + self.postures["floor"]["bar_z"]
        else:
            self._unload(end_s)

    def _unload(self, end_s: float) -> None:
        """Plates off both ends: bend down beside the bar, lift one, carry it off, come back."""
        bent = self.postures.rest(grip=0.12, y=0.30, z=0.35, hip_down=0.30, hip_z=-0.25, pitch=60)
        carried = self.postures.rest(grip=0.12, y=0.95, z=0.30, hip_z=-0.03, pitch=4)
        for side in (1.0, -1.0):
            at = side * 0.75
            self.key("arms down", self.t(1.2), root_x=at)
            self.key(bent, self.t(0.8), root_x=at)
            self.key(bent, self.t(0.5), root_x=at + 0.05 * side)
            self.unloaded.append((self.now, side))
            self.key(carried, self.t(0.9), root_x=at)
            self.key(carried, self.t(1.0), root_x=at + 0.5 * side)
            self.key(bent, self.t(0.8), root_x=at + 0.5 * side)
        self.key("arms down", self.t(0.8), root_x=0.0)
        if end_s - self.now > 0.05:
            self.key("arms down", end_s - self.now)

    def _walk_to(self, z_m: float, seconds: float) -> None:
        """One step for each foot, which moves the body to `z_m`."""
        way, start = z_m - self._root_z, self._root_z
        if abs(way) < 0.02:
            self._root_z = z_m  # shuffled, within the next movement
            return
        pose = dict(self.poses[-1])
        lifted = 0.05 * self.postures.k
        for fraction, left_z, right_z, left_up, right_up in (
            (0.25, -0.25, 0.25, 0.0, lifted),
            (0.50, -0.50, 0.50, 0.0, 0.0),
            (0.75, -0.25, 0.25, lifted, 0.0),
            (1.00, 0.0, 0.0, 0.0, 0.0),
        ):
            self._root_z = start + way * fraction
            self.key(
                pose, max(seconds / 4, 0.06), stance_z_l=left_z * way, stance_z_r=right_z * way,
                lift_l=left_up, lift_r=right_up,
            )  # fmt: skip
