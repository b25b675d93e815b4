"""The strokes an athlete can do, laid down as key postures: times are seconds at tempo 1."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from sample_clips.render.poses import Pose
from sample_clips.render.script import MOVEMENTS, PRESSES, SNATCHES, START_ZONE, Act, Zone
from sample_clips.render.staging import Stage

DOWN = (0.0, 0.06, 0.2, 0.4, 0.6, 0.8, 0.94, 1.0)  # fractions of a squat's way that get a key
UP = DOWN[::-1]


def smooth_time(fraction: float) -> float:
    """The time at which a half-cosine movement has gone `fraction` of its way, both in 0..1."""
    return float(np.arccos(1 - 2 * fraction) / np.pi)


def launch_time(fraction: float) -> float:
    """The time when `fraction` of the depth is left, of a rise that ends at full speed."""
    return float(np.sqrt(1 - fraction))


class Lifter(Stage):
    """Plays a script."""

    def play(self) -> None:
        """Lay down the whole script. Raises ValueError for an act that is not known."""
        for act in self.script.acts:
            self._act(act)
        self.release()
        self.rest_until(self.now + self.script.tail_s)

    def _act(self, act: Act) -> None:
        if act.do == "beep":
            self.beeps.append(self.now)
        elif act.do == "wait":
            end = self.now + act.seconds
            self.pass_time(act.during, end)
            self.rest_until(end)
        elif act.do == "hold":
            self.settle_in_zone()
            self.stay(act.seconds)
        elif act.do in ("break", "end"):
            self.put_aside(act)
        elif act.do in ("rep", "fail"):
            self._stroke(act)
        else:
            raise ValueError(f"no such act: {act.do!r}")

    def _stroke(self, act: Act) -> None:
        if act.movement not in MOVEMENTS:
            raise ValueError(f"no such movement here: {act.movement!r}")
        self.slow = self.script.tempo * (1 + self.script.fatigue * len(self.strokes))
        self._get_to(START_ZONE[act.movement], act)
        made: dict[str, Callable[[Act], None]] = {
            "deadlift": self._deadlift,
            "Romanian deadlift": self._romanian,
            "bent-over row": self._row,
            "sumo deadlift high pull": self._high_pull,
            "front squat": self._squat,
            "overhead squat": self._squat,
            "thruster": self._thruster,
            "cluster": self._cluster,
            **dict.fromkeys(PRESSES, self._press),
            **dict.fromkeys(SNATCHES, self._snatch),
        }
        made.get(act.movement, self._clean)(act)

    def _plateau(self, low: float, high: float) -> None:
        self.stay(self.between(low, high) * self.slow)

    # ------------------------------------------------------------------ to where it begins

    def _get_to(self, zone: Zone, act: Act) -> None:
        """Bring the bar to where the next stroke begins, picking it up or lowering it."""
        if self.empty_handed:
            self.take_hold(self.now + self.t(1.0))
        if zone == self.zone:
            if act.pause_s and not self.flowing:
                self.stay(act.pause_s)
            return
        if self.zone == "floor":
            self._pick_up(zone, act)
            return
        if self.zone == "overhead":
            self.lower_to_rack(act, zone)
        if self.zone == "rack" and zone in ("hang", "floor"):
            self.lower_to_hang(act, zone)
        if self.zone == "hang" and zone != "hang":
            self.lower_to_floor()
            self.stay(self.between(0.03, 0.22) if act.pause_s is None else act.pause_s)
            if zone != "floor":  # nothing but a stroke from the floor gets it up there
                self._pick_up(zone, act)
        elif self.zone == "rack" and zone == "overhead":
            raise ValueError(f"{act.movement!r} needs the bar overhead: press or snatch it first")

    def _pick_up(self, zone: Zone, act: Act) -> None:
        """Off the floor to where the next stroke begins."""
        if zone == "hang":
            self.key("knee", self.t(0.42), wobble=0.5)
            rising = self.now - 0.1
            self.key("lock" if act.erect else "half up", self.t(0.40))
            finish = self.now
            if act.erect:
                self.stay(self.between(0.06, 0.22) if act.pause_s is None else act.pause_s)
        elif zone == "rack":
            rising = self._pull_from_floor()
            self._catch()
            self.key("rack", self.t(0.45), wobble=0.3)
            finish = self.now
            self.stay(self.between(0.15, 0.30) if act.pause_s is None else act.pause_s)
        else:
            rising = self._pull_from_floor()
            self._turn_over()
            self.key("received", self.t(0.20), wobble=0.5)
            self.key("over", self.t(0.45), wobble=0.3)
            finish = self.now
            self.stay(self.between(0.4, 0.6))
        self.record("pick_up", act, zone, rising, finish, erect=act.erect)
        self.zone = zone

    # ------------------------------------------------------------------ pulls

    def _deadlift(self, act: Act) -> None:
        self.key("knee", self.t(0.42), wobble=0.5)
        rising = self.now
        if act.do == "fail":
            self.key("knee", self.t(0.5), wobble=0.8)
            self.record("failed", act, "floor", rising - 0.1, self.now)
            self.lower_to_floor()
            return
        self.key("lock", self.t(0.42))
        finish = self.now
        self._plateau(0.06, 0.24)
        self.record("rep", act, "hang", rising, finish)
        self.zone = "hang"

    def _romanian(self, act: Act) -> None:
        self.flowing = False
        self.key("hinge", self.t(1.0), wobble=0.4)
        self.stay(self.t(0.04))
        begin = self.now
        self.key("lock", self.t(0.9))
        finish = self.now
        self._plateau(0.08, 0.24)
        self.record("rep", act, "hang", (begin + finish) / 2, finish)

    def _row(self, act: Act) -> None:
        """Bent over, the bar up to the trunk and down again."""
        self.flowing = False
        if self.poses[-1]["bar_y"] > self.postures["hinge"]["bar_y"] + 0.02:
            self.key("hinge", self.t(0.9), wobble=0.4)
            self.stay(self.t(0.2))
        begin = self.now
        self.key("rowed", self.t(0.45), wobble=0.6)
        finish = self.now
        self._plateau(0.05, 0.15)
        self.record("rep", act, "rack", (begin + finish) / 2, finish)
        self.key("hinge", self.t(0.5), wobble=0.4)
        self.stay(self.t(0.1))
        self.zone = "hang"

    def _high_pull(self, act: Act) -> None:
        """From the floor to under the chin, elbows high, and back to the hang."""
        rising = self._pull_from_floor()
        self.key("under the chin", self.t(0.22), wobble=0.6)
        finish = self.now
        self.stay(self.t(0.04))
        self.record("rep", act, "rack", rising, finish)
        self.key("lowered", self.t(0.3), wobble=0.5)
        self.key("lock", self.t(0.3))
        self.zone = "hang"

    def _pull_from_floor(self) -> float:
        """Floor to the end of the pull; returns a moment of the rise."""
        self.key("knee", self.t(0.42), wobble=0.5)
        self.key("hang", self.t(0.18))
        self.key("extended", self.t(0.21), wobble=0.5)
        return self.now

    def _pull_from_hang(self, rebound: bool) -> float:
        """The dip in the hang and the pull; returns a moment of the rise."""
        if rebound:
            if not self.flowing:
                self.key("hang", self.t(0.16))
            self.flowing = False
            self.key("extended", self.t(0.22), wobble=0.5)
            return self.now
        if self.flowing:
            self.flowing = False
            self.stay(self.t(0.05))
        elif self.poses[-1]["bar_y"] > self.postures["hang"]["bar_y"] + 0.02:
            self.key("hang", self.t(0.40))
            self.stay(self.t(0.05))
        self.key("extended", self.t(0.28), wobble=0.5)
        return self.now

    def _pull(self, act: Act) -> float:
        if "hang" in act.movement:
            return self._pull_from_hang(act.rebound)
        return self._pull_from_floor()

    def _catch(self) -> None:
        """From the pull to the shoulders, thighs above parallel."""
        self.key("pulled", self.t(0.22), wobble=0.7)
        self.key("turned", self.t(0.12), wobble=0.7)
        self.key("catch", self.t(0.15), wobble=0.5)

    def _catch_low(self) -> None:
        """From the pull into the bottom of a front squat."""
        self.key("pulled low", self.t(0.19), wobble=0.7)
        self.key("turned low", self.t(0.16), wobble=0.7)
        self.key(self.postures.squat_path(0.72), self.t(0.16), wobble=0.5)
        self.key(self.postures.squat_path(1.0), self.t(0.30))
        self.stay(self.t(0.05))

    def _clean(self, act: Act) -> None:
        rising = self._pull(act)
        if act.do == "fail":
            self._give_up_pull(act, rising)
            return
        self.zone = "rack"
        if "power" in act.movement:
            self._catch()
            if act.driven:
                self.record("rep", act, "rack", rising, self.now, driven_through=True)
                self.flowing = True
                return
            self.key("rack", self.t(0.45), wobble=0.3)
        else:
            self._catch_low()
            self._squat_keys(self.postures.squat_path, UP, self.t(1.05), smooth_time)
        finish = self.now
        self._plateau(0.12, 0.30)
        self.record("rep", act, "rack", rising, finish)

    def _give_up_pull(self, act: Act, rising: float) -> None:
        """Pulled to the belly and given up: back to the hang."""
        low = dict(self.postures["pulled"])
        low["bar_y"] -= 0.17 * self.postures.k
        self.key(low, self.t(0.22), wobble=0.8, heel_l=10, heel_r=10)
        self.record("failed", act, "hang", rising, self.now)
        self.key("lock", self.t(0.45))
        self.stay(0.5)
        self.zone = "hang"

    def _turn_over(self) -> None:
        """From the pull to above the head, for a snatch."""
        self.key("pulled high", self.t(0.24), wobble=0.7)
        self.key("turned over", self.t(0.17), wobble=0.7)

    def _snatch(self, act: Act) -> None:
        rising = self._pull(act)
        if act.do == "fail":
            self._give_up_pull(act, rising)
            return
        self._turn_over()
        if "power" in act.movement:
            self.key("received", self.t(0.18), wobble=0.5)
            self.stay(self.t(0.06))
            self.key("over", self.t(0.45), wobble=0.3)
        else:
            path = self.postures.overhead_squat_path
            self.key(path(0.7), self.t(0.22), wobble=0.5)
            self.key(path(1.0), self.t(0.30))
            self.stay(self.t(0.06))
            self._squat_keys(path, UP, self.t(1.05), smooth_time)
        finish = self.now
        self._plateau(0.12, 0.30)
        self.record("rep", act, "overhead", rising, finish)
        self.zone = "overhead"

    # ------------------------------------------------------------------ to overhead

    def _into_dip(self) -> None:
        if self.flowing and self.poses[-1]["bar_y"] < self.postures["rack"]["bar_y"] - 0.1:
            self.flowing = False  # caught low from a clean that is driven through
            return
        self.key("dip", self.t(0.30))
        self.flowing = False

    def _fall_back(self, act: Act, rising: float) -> None:
        """A press that got stuck: recorded, and back to the shoulders."""
        self.stay(self.t(0.12))
        self.record("failed", act, "rack", rising, self.now)
        self.key("absorb", self.t(0.3), wobble=0.6)
        self.key("rack", self.t(0.3))
        self.stay(0.5)
        self.zone = "rack"

    def _press(self, act: Act) -> None:
        if act.movement == "strict press":
            # it starts from rest on the shoulders, however the bar got there
            self.stay(self.between(0.4, 0.6) - self.still_s())
            if act.do == "fail":
                rising = self.now + 0.2
                self.key("stuck", self.t(0.45), wobble=1.0)
                self._fall_back(act, rising)
                return
            self.key("pressing", self.t(0.50), wobble=0.8)
            rising = self.now
            self.key("over", self.t(0.60), wobble=0.5)
        else:
            self._into_dip()
            self.key("drive", self.t(0.22), wobble=0.4)
            rising = self.now
            if act.do == "fail":
                self.key("stuck", self.t(0.18), wobble=1.0)
                self._fall_back(act, rising)
                return
            if act.movement == "push press":
                self.key("pressing", self.t(0.14), wobble=0.6)
                self.key("over", self.t(0.32), wobble=0.4)
            elif act.movement == "push jerk":
                self.key("halfway", self.t(0.125), wobble=0.6)
                self.key("received", self.t(0.20), wobble=0.6)
                self.stay(self.t(0.08))
                self.key("over", self.t(0.38), wobble=0.4)
            else:
                self.key("halfway", self.t(0.125), wobble=0.6)
                self.key("split", self.t(0.18), wobble=0.6)
                self.stay(self.t(0.15))
                self.key("feet", self.t(0.32), wobble=0.5)
                self.key("over", self.t(0.30), wobble=0.4)
        finish = self.now
        self._plateau(0.12, 0.30)
        self.record("rep", act, "overhead", rising, finish)
        self.zone = "overhead"

    # ------------------------------------------------------------------ squats

    def _squat_keys(
        self, path: Callable[[float], Pose], fractions: Sequence[float], seconds: float,
        law: Callable[[float], float],
    ) -> None:  # fmt: skip
        """Keys along a squat's path; `law` gives the fraction of the time at a fraction of the
        way."""
        before = law(fractions[0])
        for fraction in fractions[1:]:
            at = law(fraction)
            self.key(path(fraction), abs(at - before) * seconds)
            before = at

    def _squat(self, act: Act) -> None:
        front = act.movement == "front squat"
        path = self.postures.squat_path if front else self.postures.overhead_squat_path
        self.settle_in_zone()
        self._squat_keys(path, DOWN, self.t(1.0), smooth_time)
        self.stay(self.t(0.05))
        begin = self.now
        if act.do == "fail":
            raise ValueError("a failed squat is not in the repertory")
        self._squat_keys(path, UP, self.t(1.05), smooth_time)
        finish = self.now
        self._plateau(0.10, 0.35)
        zone: Zone = "rack" if front else "overhead"
        self.record("rep", act, zone, (begin + finish) / 2, finish)
        self.zone = zone

    def _thruster(self, act: Act) -> None:
        path = self.postures.squat_path
        if self.flowing:  # falls from overhead through the rack into the squat
            self.key("rack", self.t(0.2))
            self.flowing = False
            self._squat_keys(
                path, (0.0, *DOWN[2:]), self.t(0.85), lambda fraction: 1 - launch_time(fraction)
            )
        else:
            self._squat_keys(path, DOWN, self.t(0.95), smooth_time)
        self.stay(self.t(0.04))
        self._drive_out_of_squat(act)

    def _drive_out_of_squat(self, act: Act) -> None:
        up, begin = self.t(0.72), self.now
        rising = begin + up * 0.6
        self._squat_keys(self.postures.squat_path, (*UP[:6], 0.05), up, launch_time)
        self.key("drive", self.t(0.15), wobble=0.4)
        self.key("pressing", self.t(0.16), wobble=0.6)
        if act.do == "fail":
            self._fall_back(act, rising)
            return
        self.key("over", self.t(0.36), wobble=0.4)
        finish = self.now
        self._plateau(0.10, 0.26)
        self.record("rep", act, "overhead", rising, finish)
        self.zone = "overhead"

    def _cluster(self, act: Act) -> None:
        self._pull_from_floor()
        self._catch_low()
        self._drive_out_of_squat(act)
