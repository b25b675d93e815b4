"""What athlete and bar do in one attempt: a script of acts made into motion, exact at any moment.

The body's posture runs through key postures by monotone cubic interpolation (no overshoot, flat
where two keys are equal). The bar is where the hands hold it, or falls, bounces and rolls on its
own after it is let go. Nothing here knows how an attempt is measured: besides motion it only keeps
which stroke was meant (`Stroke`), with moments inside it, so that `truth.py` can look there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from sample_clips.render.fall import PLATE_X_M, Drop, flight
from sample_clips.render.human import Human
from sample_clips.render.poses import ANGLES, PARAMETERS, REST_POSES, Pose, Postures
from sample_clips.render.skeleton import Bodies

Array = NDArray[np.float64]
Zone = Literal["floor", "hang", "rack", "overhead"]

PRESSES = ("strict press", "push press", "push jerk", "split jerk")
SQUATS = ("front squat",)
CLEANS = ("hang power clean", "power clean")
MOVEMENTS = ("deadlift", *CLEANS, *PRESSES, *SQUATS, "thruster")
START_ZONE: dict[str, Zone] = {
    "deadlift": "floor",
    "hang power clean": "hang",
    "power clean": "floor",
    **dict.fromkeys((*PRESSES, *SQUATS, "thruster"), "rack"),
}

CORRECTION_HZ = 50.0
LONGEST_REACH = 0.998  # beyond this the body rises or sinks so that the hands stay on the bar
LEVEL_SHARE = 0.01  # of the stature: the crossing level, for the timing of breaks


@dataclass(frozen=True)
class Act:
    """One thing to do.

    `do`: "rep", "fail" (a stroke that does not get there), "break" (bar to the floor and up again
    `seconds` after it has settled), "hold" (bar kept in the hands where it is), "wait" (stand
    about with empty hands), "beep", "end" (bar to the floor for good).
    `how`: for break and end "drop" or "put down".
    `pause_s`: on the floor (deadlift, power clean), in the hang or in the rack before the stroke.
    `driven`: a clean that goes straight into the next press. `erect`: false for a pick-up that
    goes into the next stroke without standing up. `hands_off`: whether the bar is let go in a
    break that begins with a put-down.
    """

    do: str
    movement: str = ""
    round: int | None = None
    seconds: float = 0.0
    how: str = ""
    pause_s: float | None = None
    driven: bool = False
    erect: bool = True
    hands_off: bool = True


@dataclass(frozen=True)
class Script:
    """Everything an attempt is made from, besides the athlete.

    `tempo` multiplies all times (1 = brisk), `fatigue` adds that share a rep, `spread` is the
    rep-to-rep standard deviation of times, `flow` presses go from one rep into the next dip
    without a stop in the rack, `lead_s` is the time before the first act.
    """

    acts: tuple[Act, ...]
    tempo: float = 1.0
    fatigue: float = 0.003
    spread: float = 0.05
    flow: bool = True
    lead_s: float = 1.0
    tail_s: float = 1.5
    hands_on_at_first: bool = False
    restitution: float = 0.40


@dataclass(frozen=True)
class Stroke:
    """A stroke as it was meant, with moments inside it (seconds).

    `rising_s` lies in the main rise, `finish_s` is where the finishing posture is reached and
    `leave_s` where it is left. `kind`: rep, pick_up (to `zone`), failed.
    """

    kind: Literal["rep", "pick_up", "failed"]
    movement: str
    round: int | None
    zone: Zone
    rising_s: float
    finish_s: float
    leave_s: float
    driven_through: bool = False
    erect: bool = True


@dataclass(frozen=True)
class BarState:
    """The bar over time, world metres and radians: arrays (T,). `tilt` > 0: left end higher."""

    x: Array
    y: Array
    z: Array
    tilt: Array
    spin: Array
    held: NDArray[np.bool_]


@dataclass
class _Timeline:
    """Keys and events as they are laid down."""

    now: float = 0.0
    times: list[float] = field(default_factory=list)
    poses: list[Pose] = field(default_factory=list)


class Choreography:
    """An attempt in motion. Attributes: `duration_s`, `strokes`, `drops`, `held` (intervals with
    hands on the bar), `beeps` (start-signal onsets), `human`, `postures`.

    Raises ValueError if the script asks for something impossible (say, a movement it lacks).
    """

    def __init__(self, human: Human, script: Script, seed: int) -> None:
        self.human, self.script = human, script
        self.postures = Postures(human)
        self.radius_m = self.postures.plate_radius_m
        self.level_m = LEVEL_SHARE * human.stature_m
        self.strokes: list[Stroke] = []
        self.drops: list[Drop] = []
        self.held: list[tuple[float, float]] = []
        self.beeps: list[float] = []
        self._rng = np.random.default_rng(seed)
        self._line = _Timeline()
        self._zone: Zone = "floor"
        self._hands_on_s: float | None = None  # since when; None with empty hands
        self._bar_z = self.postures["floor"]["bar_z"]  # world, while it lies on the floor
        self._root_z = 0.0
        self._slow = script.tempo
        self._flowing = False  # the bar is on its way down into the next dip
        self._play()
        self._finish()

    # ------------------------------------------------------------------ laying down keys

    def _key(self, pose: str | Pose, dt: float, wobble: float = 0.0, **change: float) -> None:
        """The posture reached `dt` seconds from now; `wobble` degrees of random bar tilt."""
        line = self._line
        line.now += max(dt, 0.02)
        made = dict(self.postures[pose] if isinstance(pose, str) else pose)
        made.update(root_z=self._root_z, **change)
        if wobble:
            made["tilt"] = float(np.clip(self._rng.normal() * wobble, -2.5 * wobble, 2.5 * wobble))
        line.times.append(line.now)
        line.poses.append(made)

    def _stay(self, seconds: float) -> None:
        if seconds > 0.02:
            self._key(self._line.poses[-1], seconds)

    def _still_s(self) -> float:
        """How long the last posture has been kept."""
        times, poses = self._line.times, self._line.poses
        start = len(times) - 1
        while start > 0 and poses[start - 1]["bar_y"] == poses[-1]["bar_y"]:
            start -= 1
        return times[-1] - times[start]

    def _t(self, seconds: float) -> float:
        """This athlete's time for something that takes `seconds` at tempo 1, with variation."""
        return seconds * self._slow * float(np.exp(self._rng.normal() * self.script.spread))

    def _grab(self) -> None:
        self._hands_on_s = self._line.now

    def _release(self) -> None:
        if self._hands_on_s is not None:
            self.held.append((self._hands_on_s, self._line.now))
        self._hands_on_s = None

    def _record(
        self,
        kind: Literal["rep", "pick_up", "failed"],
        act: Act,
        zone: Zone,
        rising_s: float,
        finish_s: float,
        **more: bool,
    ) -> None:
        self.strokes.append(
            Stroke(
                kind,
                act.movement if kind != "pick_up" else "",
                act.round,
                zone,
                rising_s,
                finish_s,
                self._line.now,
                **more,
            )
        )

    # ------------------------------------------------------------------ the script

    def _play(self) -> None:
        script = self.script
        first = "floor" if script.hands_on_at_first else "arms down"
        self._key(first, 0.02)
        self._line.times[0] = self._line.now = 0.0
        if script.hands_on_at_first:
            self._grab()
        self._stay(script.lead_s)
        acts = script.acts
        for i, act in enumerate(acts):
            self._act(act, acts[i + 1 :])
        if self._hands_on_s is not None:
            self._release()
        self._rest_until(self._line.now + script.tail_s)

    def _act(self, act: Act, later: Sequence[Act]) -> None:
        if act.do == "beep":
            self.beeps.append(self._line.now)
        elif act.do == "wait":
            self._rest_until(self._line.now + act.seconds)
        elif act.do == "hold":
            self._settle_in_zone()
            self._stay(act.seconds)
        elif act.do in ("break", "end"):
            self._to_floor_for_break(act)
        elif act.do in ("rep", "fail"):
            if act.movement not in MOVEMENTS:
                raise ValueError(f"no such movement here: {act.movement!r}")
            self._slow = self.script.tempo * (1 + self.script.fatigue * len(self.strokes))
            self._get_to(START_ZONE[act.movement], act)
            following = next((a for a in later if a.do in ("rep", "fail", "break", "hold")), None)
            self._stroke(act, following)
        else:
            raise ValueError(f"no such act: {act.do!r}")

    # ------------------------------------------------------------------ between strokes

    def _get_to(self, zone: Zone, act: Act) -> None:
        """Bring the bar to where the next stroke begins, picking it up or lowering it."""
        if self._hands_on_s is None:
            self._take_hold(self._line.now + self._t(1.0))
        if zone == self._zone:
            if zone == "floor":
                if act.pause_s is not None:
                    self._stay(act.pause_s)
            elif not self._flowing and act.pause_s:
                self._stay(act.pause_s)
            return
        if self._zone == "floor":
            self._pick_up(zone, act)
            return
        if self._zone == "overhead":
            self._lower_to_rack(act, zone)
        if self._zone == "rack" and zone in ("hang", "floor"):
            self._lower_to_hang(act, zone)
        if self._zone == "hang" and zone == "floor":
            self._lower_to_floor()
            pause = self._rng.uniform(0.03, 0.22) if act.pause_s is None else act.pause_s
            self._stay(pause)
        elif self._zone == "hang" and zone == "rack":
            # nothing but a clean gets it there: down, and up again as a pick-up
            self._lower_to_floor()
            self._stay(float(self._rng.uniform(0.05, 0.3)))
            self._pick_up(zone, act)

    def _settle_in_zone(self) -> None:
        """If the bar is on its way down, let it come to rest first."""
        if self._flowing:
            self._key("rack", self._t(0.2))
            self._flowing = False

    def _take_hold(self, until_s: float) -> None:
        """Step up to the bar, bend down and have the hands on it at `until_s`."""
        bend = max(0.45, min(0.75, until_s - self._line.now - 0.1))
        self._rest_until(until_s - bend)
        self._walk_to(self._bar_z - self.postures["floor"]["bar_z"], bend * 0.45)
        left = max(until_s - self._line.now, 0.25)
        self._key("floor", left * 0.8, free=0.35, curl=0.5, bar_y=self.radius_m + 0.03)
        self._key("floor", left * 0.2)
        self._grab()
        self._zone = "floor"

    def _pick_up(self, zone: Zone, act: Act) -> None:
        begin = self._line.now
        if zone == "hang":
            self._key("knee", self._t(0.42), wobble=0.5)
            rising = self._line.now - 0.1
            if act.erect:
                self._key("lock", self._t(0.40))
                finish = self._line.now
                self._stay(self._rng.uniform(0.06, 0.22) if act.pause_s is None else act.pause_s)
            else:
                self._key("hang", self._t(0.28))
                finish = self._line.now
            self._record("pick_up", act, "hang", max(rising, begin + 0.2), finish, erect=act.erect)
        else:
            rising = self._clean_from_floor()
            self._key("rack", self._t(0.45), wobble=0.3)
            finish = self._line.now
            pause = self._rng.uniform(0.15, 0.30) if act.pause_s is None else act.pause_s
            self._stay(pause)
            self._record("pick_up", act, "rack", rising, finish)
        self._zone = zone

    def _lower_to_rack(self, act: Act, goal: Zone) -> None:
        self._key("halfway", self._t(0.32), wobble=0.4)
        stop = act.pause_s is not None and act.pause_s > 0
        if goal == "rack" and act.movement != "strict press" and self.script.flow and not stop:
            self._flowing = True
        else:
            self._key("absorb", self._t(0.24), wobble=0.3)
            self._key("rack", self._t(0.22))
            if goal == "rack":
                self._stay(self._rng.uniform(0.45, 0.7) if act.pause_s is None else act.pause_s)
            else:
                self._stay(self._rng.uniform(0.05, 0.15))
        self._zone = "rack"

    def _lower_to_hang(self, act: Act, goal: Zone) -> None:
        """From the rack down to the thighs; for the next hang clean straight into its dip."""
        self._key("turned", self._t(0.24), wobble=0.5)
        self._key("lowered", self._t(0.15), wobble=0.5)
        if goal == "floor" or not act.pause_s:
            self._key("hang", self._t(0.36))
            self._flowing = goal == "hang"
        else:
            self._key("lock", self._t(0.30))
            self._stay(act.pause_s)
        self._zone = "hang"

    def _lower_to_floor(self) -> None:
        self._flowing = False
        self._key("knee", self._t(0.40), wobble=0.4)
        self._key("floor", self._t(0.36))
        self._zone = "floor"

    # ------------------------------------------------------------------ breaks

    def _to_floor_for_break(self, act: Act) -> None:
        """Let the bar down (or drop it), rest, and be ready to lift again at the break's end."""
        if act.how == "drop" and self._zone != "floor":
            settled = self._drop()
        else:
            if self._zone in ("overhead", "rack"):
                self._settle_in_zone()
            if self._zone == "overhead":
                self._lower_to_rack(Act("break"), "floor")
            if self._zone == "rack":
                self._lower_to_hang(Act("break"), "floor")
            if self._zone == "hang":
                self._lower_to_floor()
            settled = self._line.now - 0.05
            self._zone = "floor"
            if act.hands_off or act.do == "end":
                self._key("floor", 0.12)
                self._release()
                if act.do == "end" or act.seconds > 1.8:
                    self._key("floor", 0.15, free=0.6, curl=0.3, bar_y=self.radius_m + 0.06)
                    self._rest("arms down", self._t(0.6))
                else:
                    self._key("floor", 0.2, free=0.5, curl=0.2, bar_y=self.radius_m + 0.09)
        if act.do == "end":
            self._rest_until(self._line.now + act.seconds)
            return
        lift = settled + act.seconds - 0.05
        if self._hands_on_s is None:
            self._take_hold(lift - float(self._rng.uniform(0.12, 0.3)))
        self._stay(lift - self._line.now)

    def _drop(self) -> float:
        """Open the hands here; the bar falls. Returns when it has settled."""
        self._settle_in_zone()
        rng, pose = self._rng, self._line.poses[-1]
        if self._zone == "hang" and pose["bar_y"] < self.postures["lock"]["bar_y"] - 0.02:
            self._key("lock", self._t(0.3))
            pose = self._line.poses[-1]
        self._stay(0.05)
        release = self._line.now
        from_high = self._zone in ("rack", "overhead")
        lean = PLATE_X_M * float(np.sin(np.radians(pose["tilt"])))
        bounce = float(np.clip(self.script.restitution + rng.normal() * 0.02, 0.28, 0.47))
        forward = rng.uniform(0.15, 0.35) if from_high else rng.uniform(0.0, 0.1)
        z = self._root_z + pose["bar_z"]
        ends = [
            flight(
                release,
                pose["bar_y"] + side * lean,
                0.0,
                self.radius_m,
                bounce + side * rng.normal() * 0.012,
            )
            for side in (1, -1)
        ]
        # the bar rolls more or less back to where the athlete began
        air = min(end.first_impact_s for end in ends) - release
        home = self.postures["floor"]["bar_z"]
        roll = float(np.clip(home - z - forward * air, -0.2, 0.2)) + rng.normal() * 0.06
        drop = Drop(release, ends[0], ends[1], z, forward, roll)
        self.drops.append(drop)
        self._release()
        self._bar_z = drop.rest_z_m
        self._flowing = False
        self._zone = "floor"
        if from_high:
            opened = {"curl": 0.2, "free": 0.3}
            self._key(pose, 0.12, **{**opened, "bar_z": pose["bar_z"] + 0.05})
            self._root_z -= float(rng.uniform(0.15, 0.3))  # out of the bar's way
            self._key("chalk", 0.35, grip=0.24, bar_y=pose["bar_y"] * 0.72, heel_l=8, heel_r=8)
            self._rest("arms down", 0.4)
        else:
            self._rest("arms down", 0.35)
        return drop.settled_s(self.level_m)

    def _rest(self, name: str, dt: float, **change: float) -> None:
        self._key(name, dt, **change)

    def _rest_until(self, end_s: float) -> None:
        """Stand about: one or more rest postures, never quite still, until `end_s`."""
        rng = self._rng
        while (left := end_s - self._line.now) > 0.04:
            if left < 1.1:
                self._stay(left)
                return
            name = str(rng.choice(REST_POSES))
            move = float(rng.uniform(0.4, 0.7))
            dwell = float(min(rng.uniform(0.5, 2.0), left - move - 0.03))
            self._rest(name, move)
            other = {"rubbing": "chalk", "shaking": "arms down"}.get(name)
            if other:
                for _ in range(int(dwell / 0.36)):
                    self._rest(other, 0.18)
                    self._rest(name, 0.18)
            elif rng.random() < 0.3 and left > 3.0:
                self._rest("arms down", 0.5)
                step = float(rng.choice((-0.3, 0.3)))
                self._walk_to(self._root_z + step, 0.7)
                self._walk_to(self._root_z - step, 0.8)
            else:
                self._stay(dwell)

    def _walk_to(self, z_m: float, seconds: float) -> None:
        """One step (two for the two feet) that moves the body to `z_m`."""
        way = z_m - self._root_z
        if abs(way) < 0.02:
            self._root_z = z_m  # shuffled, within the next movement
            return
        pose = dict(self._line.poses[-1])
        half = max(seconds / 4, 0.06)
        lifted = 0.05 * self.postures.k
        steps = (
            (0.25, -0.25, 0.25, 0.0, lifted),
            (0.50, -0.50, 0.50, 0.0, 0.0),
            (0.75, -0.25, 0.25, lifted, 0.0),
            (1.00, 0.0, 0.0, 0.0, 0.0),
        )
        start = self._root_z
        for share, left_z, right_z, left_up, right_up in steps:
            self._root_z = start + way * share
            self._key(
                pose,
                half,
                stance_z_l=left_z * way,
                stance_z_r=right_z * way,
                lift_l=left_up,
                lift_r=right_up,
            )

    # ------------------------------------------------------------------ strokes

    def _stroke(self, act: Act, following: Act | None) -> None:
        movement = act.movement
        if movement == "deadlift":
            self._deadlift(act)
        elif movement in CLEANS:
            self._clean(act)
        elif movement in SQUATS:
            self._front_squat(act)
        elif movement == "thruster":
            self._thruster(act)
        else:
            self._press(act)

    def _plateau(self, low: float, high: float) -> None:
        self._stay(float(self._rng.uniform(low, high)) * self._slow)

    def _deadlift(self, act: Act) -> None:
        self._key("knee", self._t(0.42), wobble=0.5)
        rising = self._line.now
        if act.do == "fail":
            self._key("knee", self._t(0.5), wobble=0.8)
            self._record("failed", act, "floor", rising - 0.1, self._line.now)
            self._lower_to_floor()
            return
        self._key("lock", self._t(0.42))
        finish = self._line.now
        self._plateau(0.06, 0.24)
        self._record("rep", act, "hang", rising, finish)
        self._zone = "hang"

    def _clean_from_floor(self) -> float:
        """Floor to catch; returns a moment of the rise."""
        self._key("knee", self._t(0.42), wobble=0.5)
        self._key("hang", self._t(0.18))
        self._key("extended", self._t(0.21), wobble=0.5)
        rising = self._line.now
        self._catch()
        return rising

    def _catch(self) -> None:
        self._key("pulled", self._t(0.22), wobble=0.7)
        self._key("turned", self._t(0.12), wobble=0.7)
        self._key("catch", self._t(0.15), wobble=0.5)

    def _clean(self, act: Act) -> None:
        if act.movement == "hang power clean":
            if self._flowing:
                self._flowing = False
                self._stay(self._t(0.05))
            elif self._line.poses[-1]["bar_y"] > self.postures["hang"]["bar_y"] + 0.02:
                self._key("hang", self._t(0.40))
                self._stay(self._t(0.05))
            self._key("extended", self._t(0.28), wobble=0.5)
            rising = self._line.now
            if act.do == "fail":
                self._fail_clean(act, rising)
                return
            self._catch()
        elif act.do == "fail":
            self._key("knee", self._t(0.42), wobble=0.5)
            self._key("hang", self._t(0.18))
            self._key("extended", self._t(0.21), wobble=0.5)
            self._fail_clean(act, self._line.now)
            return
        else:
            rising = self._clean_from_floor()
        self._zone = "rack"
        if act.driven:
            self._record("rep", act, "rack", rising, self._line.now, driven_through=True)
            self._flowing = True
            return
        self._key("rack", self._t(0.45), wobble=0.3)
        finish = self._line.now
        self._plateau(0.12, 0.30)
        self._record("rep", act, "rack", rising, finish)

    def _fail_clean(self, act: Act, rising: float) -> None:
        """Pulled to the belly and given up: back to the hang."""
        low = dict(self.postures["pulled"])
        low["bar_y"] -= 0.17 * self.postures.k
        self._key(low, self._t(0.22), wobble=0.8, heel_l=10, heel_r=10)
        finish = self._line.now
        self._record("failed", act, "hang", rising, finish)
        self._key("lock", self._t(0.45))
        self._stay(0.5)
        self._zone = "hang"

    def _into_dip(self) -> None:
        if self._flowing and self._line.poses[-1]["bar_y"] < self.postures["rack"]["bar_y"] - 0.1:
            self._flowing = False  # caught low from a clean that is driven through
            return
        self._key("dip", self._t(0.30))
        self._flowing = False

    def _press(self, act: Act) -> None:
        strict = act.movement == "strict press"
        if strict:
            self._stay(float(self._rng.uniform(0.4, 0.6)) - self._still_s())
        else:
            self._into_dip()
            self._key("drive", self._t(0.22), wobble=0.4)
            rising = self._line.now
        if act.do == "fail":
            if strict:
                self._key("rack", 0.05)
                rising = self._line.now + 0.15
            self._key("stuck", self._t(0.45 if strict else 0.18), wobble=1.0)
            self._stay(self._t(0.12))
            self._record("failed", act, "rack", rising, self._line.now)
            self._key("absorb", self._t(0.3), wobble=0.6)
            self._key("rack", self._t(0.3))
            self._stay(0.5)
            self._zone = "rack"
            return
        if strict:
            self._key("pressing", self._t(0.50), wobble=0.8)
            rising = self._line.now
            self._key("over", self._t(0.60), wobble=0.5)
        elif act.movement == "push press":
            self._key("pressing", self._t(0.14), wobble=0.6)
            self._key("over", self._t(0.32), wobble=0.4)
        elif act.movement == "push jerk":
            self._key("halfway", self._t(0.125), wobble=0.6)
            self._key("received", self._t(0.20), wobble=0.6)
            self._stay(self._t(0.08))
            self._key("over", self._t(0.38), wobble=0.4)
        else:
            self._key("halfway", self._t(0.125), wobble=0.6)
            self._key("split", self._t(0.18), wobble=0.6)
            self._stay(self._t(0.15))
            self._key("feet", self._t(0.32), wobble=0.5)
            self._key("over", self._t(0.30), wobble=0.4)
        finish = self._line.now
        self._plateau(0.12, 0.30)
        self._record("rep", act, "overhead", rising, finish)
        self._zone = "overhead"

    def _squat_keys(
        self, shares: Sequence[float], seconds: float, law: Callable[[float], float]
    ) -> None:
        """Keys along the squat path; `law` gives the share of the time at each share of the way."""
        before = law(shares[0])
        for share in shares[1:]:
            at = law(share)
            self._key(self.postures.squat_path(share), abs(at - before) * seconds)
            before = at

    def _down(self, seconds: float) -> None:
        way = (0.0, 0.06, 0.2, 0.4, 0.6, 0.8, 0.94, 1.0)
        self._squat_keys(way, seconds, smooth_time)

    def _front_squat(self, act: Act) -> None:
        self._flowing = False
        self._down(self._t(1.0))
        self._stay(self._t(0.05))
        up = self._t(1.05)
        begin = self._line.now
        if act.do == "fail":
            raise ValueError("a failed squat is not in the repertory")
        self._squat_keys((1.0, 0.94, 0.8, 0.6, 0.4, 0.2, 0.06, 0.0), up, smooth_time)
        finish = self._line.now
        self._plateau(0.10, 0.35)
        self._record("rep", act, "rack", begin + up * 0.5, finish)
        self._zone = "rack"

    def _thruster(self, act: Act) -> None:
        if self._flowing:
            self._key("rack", self._t(0.2))
            self._flowing = False
            self._squat_keys(
                (0.0, 0.2, 0.4, 0.6, 0.8, 0.94, 1.0), self._t(0.85), lambda s: 1 - np.sqrt(1 - s)
            )
        else:
            self._down(self._t(0.95))
        self._stay(self._t(0.04))
        up = self._t(0.72)
        begin = self._line.now
        self._squat_keys((1.0, 0.94, 0.8, 0.6, 0.4, 0.2, 0.05), up, lambda s: np.sqrt(1 - s))
        self._key("drive", self._t(0.15), wobble=0.4)
        self._key("pressing", self._t(0.16), wobble=0.6)
        if act.do == "fail":
            self._stay(self._t(0.15))
            self._record("failed", act, "rack", begin + up * 0.6, self._line.now)
            self._key("absorb", self._t(0.3), wobble=0.6)
            self._key("rack", self._t(0.3))
            self._stay(0.5)
            return
        self._key("over", self._t(0.36), wobble=0.4)
        finish = self._line.now
        self._plateau(0.10, 0.26)
        self._record("rep", act, "overhead", begin + up * 0.6, finish)
        self._zone = "overhead"

    # ------------------------------------------------------------------ motion

    def _finish(self) -> None:
        line = self._line
        self.duration_s = line.now
        keys = np.array([[pose[name] for name in PARAMETERS] for pose in line.poses])
        for i, name in enumerate(PARAMETERS):
            if name in ANGLES:
                keys[:, i] = np.radians(keys[:, i])
        self._curves = PchipInterpolator(np.array(line.times), keys, axis=0, extrapolate=False)
        self._grid_s = np.arange(0.0, self.duration_s + 1 / CORRECTION_HZ, 1 / CORRECTION_HZ)
        self._lift_m = self._reach_correction(self._grid_s)

    def _raw(self, times_s: Array) -> dict[str, Array]:
        values = self._curves(np.clip(times_s, 0.0, self.duration_s))
        return dict(zip(PARAMETERS, values.T, strict=True))

    def _reach_correction(self, times_s: Array) -> Array:
        """How far the body must rise so that no arm has to be longer than it is (T,)."""
        q = hand_targets(self._raw(times_s))
        lift = np.zeros(len(times_s))
        hip_y = q["hip_y"].copy()
        for _ in range(5):
            q["hip_y"] = hip_y + lift
            body = Bodies(self.human, q)
            over = np.maximum(body.arm_reach() - LONGEST_REACH, 0.0) * (1 - q["free"])
            up = np.where(body.shoulder["l"][:, 1] < q["bar_y"], 1.0, -1.0)
            lift += up * over * self.human.arm_m
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
        return self._raw(times_s)["hip_y"] + np.interp(times_s, self._grid_s, self._lift_m)

    def bar(self, times_s: Array) -> BarState:
        """The bar's middle, tilt and spin; `held` is true with hands on the bar."""
        times_s = np.asarray(times_s, float)
        raw = self._raw(times_s)
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
            if drop is None:  # put down: it lies where the hands left it
                at = self._raw(np.array([begin]))
                z[free] = at["root_z"] + at["bar_z"]
            else:
                y[free] = drop.height(times_s[free])
                tilt[free] = drop.tilt(times_s[free])
                z[free] = drop.z(times_s[free])
        return BarState(x, y, z, tilt, z / self.radius_m, held)


def smooth_time(share: float) -> float:
    """The time at which a half-cosine movement has gone `share` of its way, both in 0..1."""
    return float(np.arccos(1 - 2 * share) / np.pi)


def hand_targets(q: dict[str, Array]) -> dict[str, Array]:
    """Replace the hands' offsets and the bar's tilt by one target for each hand."""
    q = dict(q)
    for s, sign in (("l", 1.0), ("r", -1.0)):
        dx, dy, dz = (q.pop(f"d{axis}_{s}") for axis in "xyz")
        q[f"hand_x_{s}"] = sign * q["grip"] + dx
        q[f"hand_y_{s}"] = q["bar_y"] + dy + sign * q["grip"] * np.tan(q["tilt"])
        q[f"hand_z_{s}"] = q["bar_z"] + dz
    return q
