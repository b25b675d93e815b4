"""An athlete who does more than the simulator's own: the acts and styles of the blind behaviours.

Further words of `Act.do`: "regrip" and "thighs" (the bar against the thighs, for `seconds`), "knee
rep" (from the hang to the knee and up), "half" (a rep given up halfway and done no further),
"bounce" (let go at the knee, caught off the floor), "break off" (a pull from the hang without a
catch), "false dip", "stuck" (a squat that is not stood up from, dropped, and `seconds` of rest),
"lose" (a lift pushed away at head height; the bar is to be dropped after it), "steps" (a few steps
with the bar on the shoulders or overhead). Further words of `Act.how` for a rep are the styles:
"slow", "hitch", "uneven", "rolled", "pause", "muscled", "press out", "quick", "grind". Further
words of `Act.during` are in `PASTIMES`. All sizes are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from sample_clips.render.fall import PLATE_X_M, Drop, flight
from sample_clips.render.poses import Pose
from sample_clips.render.script import PRESSES, START_ZONE, Act
from sample_clips.render.staging import LEVEL_SHARE
from sample_clips.render.strokes import Lifter

PASTIMES = ("fidget", "bent over", "crouch", "turn", "carry", "push", "chase", "walk")


class Athlete(Lifter):
    """Plays scripts with the acts, styles and pastimes above."""

    _how = ""
    _root_x = 0.0
    _far_m = 0.0  # how much farther than usual the next dropped bar rolls

    # ------------------------------------------------------------------ what it knows

    def _act(self, act: Act) -> None:
        known: dict[str, Callable[[Act], None]] = {
            "regrip": self._regrip,
            "thighs": self._thighs,
            "knee rep": self._knee_rep,
            "half": self._half,
            "bounce": self._bounce,
            "break off": self._break_off,
            "false dip": self._false_dip,
            "stuck": self._stuck,
            "lose": self._lose,
            "steps": self._steps,
        }
        self._how = ""
        if act.do in known:
            self.slow = self.script.tempo * (1 + self.script.fatigue * len(self.strokes))
            known[act.do](act)
        else:
            self._how = act.how if act.do == "rep" else ""
            super()._act(act)
            self._how = ""

    def key(self, pose: str | Pose, dt: float, wobble: float = 0.0, **change: float) -> None:
        """As the stage's, at the place along the bar's direction where the athlete stands."""
        super().key(pose, dt, wobble, **{"root_x": self._root_x, **change})

    def t(self, seconds: float) -> float:
        """As the stage's; a quick rep is quicker, a grinding one slower."""
        pace = {"quick": 0.72, "grind": 1.8}.get(self._how, 1.0)
        return super().t(seconds) * pace

    def _low(self, share: float, bar_z: float = 0.0) -> Pose:
        """Bent with straight arms, the bar `share` of its way from the floor to the knee, and
        `bar_z` metres farther away."""
        return self._blend("floor", "knee", share, bar_z)

    def _blend(self, below: str, above: str, share: float, bar_z: float = 0.0) -> Pose:
        one, other = self.postures[below], self.postures[above]
        pose = {name: one[name] + (other[name] - one[name]) * share for name in one}
        pose["bar_z"] += bar_z
        return self.postures.straight(pose, "pitch", 110.0, 5.0)

    # ------------------------------------------------------------------ styles of a pull

    def _to_knee(self) -> None:
        """Off the floor to the knee, in the style of this rep."""
        if self._how == "slow":
            self.key("knee", self.between(1.1, 2.2), wobble=0.8)
            return
        if self._how == "rolled":
            away = self.between(0.10, 0.18) * self.postures.k
            self.key(self._low(0.0, away), self.between(0.35, 0.5))
            self.key("floor", self.between(0.35, 0.5))
        if self._how == "uneven":
            tilt = float(self.rng.choice((-1.0, 1.0))) * self.between(3.5, 7.0)
            lean = PLATE_X_M * float(np.sin(np.radians(abs(tilt))))
            knee, floor = self.postures["knee"]["bar_y"], self.radius_m
            for part in (0.25, 0.5, 0.75, 1.0):
                low = self._low(part * lean / (knee - floor))
                self.key(low, self.t(0.06), tilt=0.97 * part * tilt)
            self.key("knee", self.t(0.34), tilt=0.6 * tilt)
            return
        self.key("knee", self.t(0.42), wobble=0.5)

    def _deadlift(self, act: Act) -> None:
        if act.do == "fail":
            super()._deadlift(act)
            return
        self._to_knee()
        rising = self.now
        if self._how == "hitch":
            self.key("hang", self.t(0.3), wobble=0.8)
            self.stay(self.between(0.35, 0.9))
        self.key("lock", self.t(0.42))
        finish = self.now
        self._plateau(0.06, 0.24)
        self.record("rep", act, "hang", rising, finish)
        self.zone = "hang"

    def _pull_from_floor(self) -> float:
        if self._how not in ("slow", "rolled", "uneven"):
            return super()._pull_from_floor()
        self._to_knee()
        self.key("hang", self.t(0.18))
        self.key("extended", self.t(0.21), wobble=0.5)
        return self.now

    def take_hold(self, until_s: float) -> None:
        """As the stage's; a dropped bar that still rolls is taken where it is by then."""
        if self.drops and self._bar_z == self.drops[-1].rest_z_m:
            self._bar_z = float(self.drops[-1].z(np.array([until_s]))[0])
        super().take_hold(until_s)

    def lower_to_floor(self) -> None:
        """As the stage's; the bar lies where the athlete has walked to."""
        super().lower_to_floor()
        self._bar_z = self._root_z + self.postures["floor"]["bar_z"]

    def _catch(self) -> None:
        if self._how != "muscled":
            super()._catch()
            return
        self.key("pulled", self.t(0.24), wobble=0.7)
        upright = self.postures.near_shoulder(
            -0.03, 0.16, 0.0, pitch=-2, shrug=12, hand=80, el_x=0.9, el_y=0.1, el_z=0.7
        )
        self.key(upright, self.t(0.26), wobble=0.7)
        self.key("rack", self.t(0.28), wobble=0.4)

    def _squat_keys(
        self, path: Callable[[float], Pose], shares: Sequence[float], seconds: float,
        law: Callable[[float], float],
    ) -> None:  # fmt: skip
        super()._squat_keys(path, shares, seconds, law)
        if self._how == "pause" and shares[-1] == 1.0:
            self.stay(self.between(0.7, 2.4))

    # ------------------------------------------------------------------ with the bar in the hang

    def _into_hang(self, act: Act) -> None:
        self._get_to("hang", act)
        self.flowing = False

    def _at_thighs(self) -> Pose:
        make = self.postures.make
        pose = make(0.055, -0.12, pitch=23, look=6, flex=2, bar_z=0.175)
        return self.postures.straight(pose, "bar_y", 1.3 * self.postures.k, 0.2)

    def _regrip(self, act: Act) -> None:
        """The bar against the thighs; each hand is opened and closed again."""
        self._into_hang(act)
        pose, end = self._at_thighs(), self.now + act.seconds
        self.key(pose, self.t(0.4))
        for side in self.rng.permutation(["l", "r"]):
            out = {f"dx_{side}": 0.03 if side == "l" else -0.03, f"dy_{side}": 0.04,
                   f"dz_{side}": 0.05}  # fmt: skip
            self.key(pose, self.between(0.15, 0.25), **out)
            self.key(pose, self.between(0.15, 0.25))
        self.stay(end - self.now)
        self.key("lock", self.t(0.35))

    def _thighs(self, act: Act) -> None:
        """The bar rests on the thighs, the knees a little bent, and the breath goes."""
        self._into_hang(act)
        pose, end = self._at_thighs(), self.now + act.seconds
        self.key(pose, self.t(0.4))
        while end - self.now > 0.5:
            breath = float(self.rng.normal()) * 0.008
            moved = {"bar_y": pose["bar_y"] + breath, "pitch": pose["pitch"] - 150 * breath}
            self.key(pose, self.between(0.4, 0.8), **moved)
        if self.rng.random() < 0.5:
            self.key("lock", self.t(0.35))

    def _knee_rep(self, act: Act) -> None:
        """From the hang to the knee and up again: it does not begin on the floor."""
        self._into_hang(act)
        self.key("knee", self.t(0.42), wobble=0.6)
        self.stay(self.t(0.04))
        begin = self.now
        self.key("lock", self.t(0.45))
        finish = self.now
        self._plateau(0.06, 0.24)
        romanian = replace(act, movement="Romanian deadlift")
        self.record("rep", romanian, "hang", (begin + finish) / 2, finish)
        self.zone = "hang"

    def _break_off(self, act: Act) -> None:
        """Dip and pull out of the hang, arms long, without a catch; back to the hang."""
        self._into_hang(act)
        rising = self._pull_from_hang(False)
        self.record("failed", act, "hang", rising, self.now)
        self.key("lock", self.t(0.3))
        self.stay(self.between(0.2, 0.9))
        self.zone = "hang"

    # ------------------------------------------------------------------ not all the way

    def _half(self, act: Act) -> None:
        """Half a deadlift (just above the knee) or half a press (forehead), and back."""
        self._get_to(START_ZONE[act.movement], act)
        if act.movement == "deadlift":
            self.key("knee", self.t(0.42), wobble=0.6)
            rising = self.now - 0.1
            self.key(self._blend("knee", "hang", self.between(0.1, 0.35)), self.t(0.2))
            self.record("failed", act, "floor", rising, self.now)
            self.lower_to_floor()
            return
        self._into_dip()
        self.key("drive", self.t(0.22), wobble=0.4)
        rising = self.now
        self.key(self._pressed(self.between(0.14, 0.24)), self.t(0.2), wobble=0.8)
        self.record("failed", act, "rack", rising, self.now)
        self.key("absorb", self.t(0.28), wobble=0.6)
        self.key("rack", self.t(0.25))
        self.stay(self.between(0.1, 0.4))
        self.zone = "rack"

    def _pressed(self, up: float) -> Pose:
        """The bar `up` above the shoulders, elbows bent; metres at 1.78 m."""
        return self.postures.near_shoulder(
            up, 0.14, 0.0, pitch=-5, hand=145, shrug=14, el_x=0.7, el_y=-0.15, el_z=0.9, look=-12
        )

    def _press(self, act: Act) -> None:
        if self._how != "press out":
            super()._press(act)
            return
        self._into_dip()
        self.key("drive", self.t(0.22), wobble=0.4)
        rising = self.now
        self.key(self._pressed(self.between(0.22, 0.36)), self.t(0.2), wobble=1.2)
        self.stay(self.between(0.25, 0.7))
        self.key("over", self.between(0.7, 1.2), wobble=0.8)
        finish = self.now
        self._plateau(0.12, 0.30)
        self.record("rep", act, "overhead", rising, finish)
        self.zone = "overhead"

    def _false_dip(self, act: Act) -> None:
        """Down for the drive, and up again without one."""
        self._get_to("rack", replace(act, pause_s=0.25))
        self.key("rack" if self.rng.random() < 0.5 else "absorb", 0.1)
        self.key("dip", self.t(0.32))
        self.stay(self.between(0.05, 0.3))
        self.key("rack", self.between(0.35, 0.6))
        self.stay(self.between(0.3, 1.2))

    def _lose(self, act: Act) -> None:
        """Up to the height of the head and pushed away forwards; it is dropped from there."""
        self._get_to(START_ZONE[act.movement], act)
        up = self.between(0.12, 0.24)
        if act.movement in PRESSES:
            self._into_dip()
            self.key("drive", self.t(0.22), wobble=0.4)
            rising = self.now
        else:
            rising = self._pull(act)
            self.key("pulled high", self.t(0.24), wobble=0.8)
        away = self._pressed(up)
        self.key(away, self.t(0.2), wobble=1.5)
        self.record("failed", act, "rack", rising, self.now)
        self.key({**away, "bar_z": away["bar_z"] + 0.08, "bar_y": away["bar_y"] - 0.04}, 0.12)
        self.zone = "rack"

    def _stuck(self, act: Act) -> None:
        """Down into the squat, up by a part, down again and dropped; then `seconds` of rest."""
        path = self.postures.squat_path
        self._get_to("rack", act)
        self.settle_in_zone()
        self._squat_keys(path, (0.0, 0.06, 0.2, 0.4, 0.6, 0.8, 0.94, 1.0), self.t(1.1), lambda s: s)
        self.stay(self.between(0.1, 0.5))
        rising = self.now + 0.2
        height = self.between(0.62, 0.8)
        self.key(path(0.9), self.t(0.3))
        self.key(path(height), self.between(0.5, 0.9))
        self.stay(self.between(0.1, 0.4))
        self.record("failed", act, "rack", rising, self.now)
        self.key(path(1.0), self.t(0.5))
        settled = self._let_fall(0.30, roll_m=self.between(-0.1, 0.1))
        pose = self.poses[-1]
        self.key(pose, 0.1, curl=0.2, free=0.5)
        self._root_z -= 0.25
        self.key("hands on knees", 0.7)
        self.zone = "floor"
        lift = settled + act.seconds - 0.05
        self.take_hold(lift - self.between(0.12, 0.3))
        self.stay(lift - self.now)

    # ------------------------------------------------------------------ steps, falls, bounces

    def _steps(self, act: Act) -> None:
        """One or two steps forth or back with the bar where it is."""
        if self.zone in ("rack", "overhead"):
            self.settle_in_zone()
        for _ in range(int(self.rng.integers(1, 3))):
            way = float(self.rng.choice((-1.0, 1.0))) * self.between(0.15, 0.3)
            self._walk_to(self._root_z + way, self.between(0.6, 1.0))
        self.stay(self.between(0.2, 0.8))

    def _let_fall(self, forward: float, speed: float = 0.0, roll_m: float = 0.0) -> float:
        """Open the hands now; returns when the bar has settled."""
        pose, rng = self.poses[-1], self.rng
        bounce = float(np.clip(self.script.restitution + rng.normal() * 0.02, 0.28, 0.47))
        lean = PLATE_X_M * float(np.sin(np.radians(pose["tilt"])))
        left, right = (
            flight(self.now, pose["bar_y"] + side * lean, speed, self.radius_m, bounce)
            for side in (1, -1)
        )
        drop = Drop(self.now, left, right, self._root_z + pose["bar_z"], forward, roll_m)
        self.drops.append(drop)
        self.release()
        self._bar_z = drop.rest_z_m
        self.flowing = False
        return drop.settled_s(LEVEL_SHARE * self.human.stature_m)

    def _bounce(self, act: Act) -> None:
        """Down to the knee, let go, and caught at the height of the first bounce."""
        self._into_hang(act)
        self.key("knee", self.t(0.40), tilt=0.0)
        self._let_fall(0.0, speed=-0.7)
        fall = self.drops[-1].left
        up = float(fall.speed[1]) / 9.81  # from the first impact to the bounce's height
        caught = float(fall.start_s[1]) + up
        height = float(fall.at(np.array([caught]))[0])
        share = (height - self.radius_m) / (self.postures["knee"]["bar_y"] - self.radius_m)
        pose = {**self._low(share), "bar_y": height}
        pose["bar_z"] = self.drops[-1].z_m - self._root_z
        self.key(pose, caught - self.now)
        self._hands_on_s = self.now
        self._bar_z = self._root_z + self.postures["floor"]["bar_z"]
        self.zone = "floor"

    def _drop(self) -> float:
        settled = super()._drop()
        if self._far_m:
            drop = replace(self.drops[-1], roll_m=self._far_m)
            self.drops[-1], self._bar_z = drop, drop.rest_z_m
        return settled

    # ------------------------------------------------------------------ breaks

    def put_aside(self, act: Act) -> None:
        """As the stage's; a bar that is to be chased rolls far."""
        self._far_m = self.between(0.45, 0.9) if act.during == "chase" else 0.0
        super().put_aside(act)
        self._far_m = 0.0

    def pass_time(self, what: str, end_s: float) -> None:
        """One of this athlete's pastimes or of the stage's, until about `end_s`."""
        if what not in PASTIMES:
            super().pass_time(what, end_s)
            return
        pastimes: dict[str, Callable[[float], None]] = {
            "fidget": self._fidget,
            "bent over": self._bend_over,
            "crouch": self._crouch,
            "turn": self._turn,
            "carry": self._carry,
            "push": self._push,
            "chase": self._chase,
            "walk": self._walk,
        }
        pastimes[what](end_s)

    def _hips_up(self, rise_m: float) -> Pose:
        """Hands on the lying bar, the hips higher than for the pull; metres at 1.78 m."""
        floor = self.postures["floor"]
        pose = {**floor, "hip_y": floor["hip_y"] + rise_m * self.postures.k}
        return self.postures.straight(pose, "pitch", 110.0, 5.0)

    def _fidget(self, end_s: float) -> None:
        """Down to the bar, hips up and down, and up again without it; once or twice."""
        for _ in range(2 if end_s - self.now > 6.5 else 1):
            self.rest_until(self.now + self.between(0.2, 0.8))
            self.take_hold(self.now + 0.9)
            for _ in range(int(self.rng.integers(1, 4))):
                self.key(self._hips_up(self.between(0.08, 0.18)), self.between(0.3, 0.5))
                self.key("floor", self.between(0.3, 0.5))
            self.stay(self.between(0.1, 0.6))
            self._let_go(stand=True)

    def _bend_over(self, end_s: float) -> None:
        """Hands on the lying bar, breathing."""
        while end_s + 0.6 - self.now > 0.6:
            self.key(self._hips_up(self.between(0.04, 0.2)), self.between(0.5, 0.9))
        self.key("floor", 0.4)

    def _crouch(self, end_s: float) -> None:
        """Squatting beside the bar, elbows on the knees, and up again."""
        low = self.postures.rest(
            0.14, 0.62, 0.38, hip_down=0.50, hip_z=-0.22, pitch=34, knee_x=0.6, el_x=0.8, el_y=-0.4
        )
        self.key("arms down", 0.4)
        self.key(low, self.between(0.8, 1.2), heel_l=12, heel_r=12)
        self.key(low, max(end_s - self.now - 1.0, 0.5), heel_l=12, heel_r=12)
        self.key("arms down", self.between(0.7, 1.0))

    def _turn(self, end_s: float) -> None:
        """Turning the back to the bar, standing so, and turning round again."""
        yaw = float(self.rng.choice((-1.0, 1.0))) * self.between(120, 180)
        name = str(self.rng.choice(("hands on hips", "arms down", "hands on head")))
        turn = self.between(0.8, 1.4)
        self.key("arms down", 0.3)
        self.key("arms down", turn, root_yaw=yaw)
        self.key(name, 0.5, root_yaw=yaw)
        self.key(name, max(end_s - self.now - turn - 0.5, 0.2), root_yaw=yaw)
        self.key("arms down", 0.4, root_yaw=yaw)
        self.key("arms down", turn)

    def _walk(self, end_s: float) -> None:
        """Off to one side, looking away, and back; the athlete stays in the frame."""
        away = float(self.rng.choice((-1.0, 1.0)))
        yaw, way = 80.0 * away, self.between(0.5, 0.9) * away
        go = self.between(1.0, 1.5)
        self.key("arms down", 0.5, root_yaw=yaw)
        self.key("arms down", go, root_yaw=yaw, root_x=self._root_x + way)
        self.key("hands on hips", 0.5, root_yaw=yaw, root_x=self._root_x + way)
        left = max(end_s - self.now - go - 1.0, 0.2)
        self.key("hands on hips", left, root_yaw=yaw, root_x=self._root_x + way)
        self.key("arms down", 0.5, root_yaw=-yaw, root_x=self._root_x + way)
        self.key("arms down", go, root_yaw=-yaw)
        self.key("arms down", 0.5)

    def _carry(self, end_s: float) -> None:
        """The bar is lifted to the shins, carried a step or two to one side and put down there."""
        self.rest_until(end_s - 5.5)
        self.take_hold(self.now + 0.9)
        self.stay(0.3)
        low = self._low(self.between(0.35, 0.7))
        self.key(low, self.between(0.5, 0.7), wobble=1.0)
        self._root_x += float(self.rng.choice((-1.0, 1.0))) * self.between(0.25, 0.5)
        self.key(low, self.between(0.9, 1.4), lift_l=0.02, lift_r=0.02)
        self.key("floor", self.between(0.4, 0.6))
        self._bar_z = self._root_z + self.postures["floor"]["bar_z"]
        self._let_go(stand=True)

    def _push(self, end_s: float) -> None:
        """The lying bar is rolled forth or back to another spot, the athlete walking with it."""
        self.rest_until(end_s - 4.5)
        self.take_hold(self.now + 0.9)
        way = float(self.rng.choice((-1.0, 1.0)))
        for _ in range(2):
            self._root_z += way * self.between(0.15, 0.3)
            self.key("floor", self.between(0.6, 0.9))
        self._bar_z = self._root_z + self.postures["floor"]["bar_z"]
        self._let_go(stand=True)

    def _chase(self, end_s: float) -> None:
        """After the bar that rolls away; half of the time it is brought back."""
        goal = self._bar_z - self.postures["floor"]["bar_z"]
        self.stay(0.3)
        while abs(goal - self._root_z) > 0.05:
            way = float(np.clip(goal - self._root_z, -0.35, 0.35))
            self._walk_to(self._root_z + way, 0.6)
        if self.rng.random() < 0.5:
            self.take_hold(self.now + 0.8)
            for _ in range(2):
                self._root_z -= 0.25
                self.key("floor", self.between(0.6, 0.9))
            self._bar_z = self._root_z + self.postures["floor"]["bar_z"]
            self._let_go(stand=True)
