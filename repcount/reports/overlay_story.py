"""What the overlay says at a moment: count, set, clock and plan, all from the records."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
import xarray as xr

from repcount.attempt.records import After, Attempt, Break, Comparison, Phase, Rep
from repcount.errors import PlanError
from repcount.plan import Plan, position_of
from repcount.plan.clock_card import clock_card
from repcount.reports import words
from repcount.wording import numbers, plural

_GAP_S = 0.35  # points of the body are looked at several times a second; bridged up to this
_LINGER_S = 0.5  # a rep's path stays this long after its end
ZONES = {"unseen": "", "free": "falling or let go"}


@dataclass(frozen=True)
class Said:
    """The strip's words at a moment. `done` and `total` are reps of the round; `cuts_planned` and
    `cuts_real` the places where the bar is put down."""

    heading: str
    count: str
    movement: str
    note: str
    pausing: bool
    clock: str
    against: str
    total: int
    done: int
    cuts_planned: tuple[int, ...]
    cuts_real: tuple[int, ...]
    planned: str
    real: str


class Story:
    """An attempt as it unfolds. Times are real seconds from the first frame."""

    def __init__(
        self,
        attempt: Attempt,
        comparison: Comparison | None,
        plan: Plan | None,
        phases: list[Phase],
    ) -> None:
        self.attempt, self.comparison = attempt, comparison
        self.phases = phases
        self._phase_starts = [phase.start_s for phase in phases]
        self.counted = attempt.counted()
        self.rounds = sorted(attempt.rounds, key=lambda span: span.start_s)
        self._planned_s = {
            id(match.real): match.planned_s
            for match in (comparison.breaks if comparison else [])
            if match.real
        }
        self._marks = self._against(plan)

    def _against(self, plan: Plan | None) -> list[tuple[float, str]]:
        """(moment, words) at the end of every planned set that was reached: how far off the plan.

        The plan's clock at a set's end is the clock card's; the real one is the top of the rep at
        that place of the round.
        """
        begin = self.attempt.clock.start_s
        try:
            card = clock_card(plan) if plan and begin is not None else None
        except PlanError:
            card = None
        if card is None or begin is None or self.attempt.workout is None:
            return []
        tops = {
            (rep.round, position_of(After(movement=rep.movement, number=rep.number), parts)): rep
            for rep in self.counted
            if rep.round and rep.number
            for parts in [self.attempt.workout.rounds[rep.round - 1]]
        }
        found = []
        for round_ in card.rounds:
            place = 0
            for set_ in round_.sets:
                place += sum(part.reps for part in set_.reps)
                rep = tops.get((round_.round, place))
                if rep is None:
                    continue
                off = numbers.as_tenths(rep.top_s - begin - set_.end_s)
                how = "behind" if off > 0 else "ahead of"
                said = f"{numbers.seconds_of(abs(off))} s {how} plan" if off else "on plan"
                found.append((rep.top_s, said))
        return sorted(found)

    def zone(self, at_s: float) -> str:
        """Where the bar is, in a word; empty where it is not known."""
        index = bisect_right(self._phase_starts, at_s) - 1
        if index < 0 or at_s > self.phases[index].end_s:
            return ""
        zone = self.phases[index].zone
        return ZONES.get(zone, zone)

    def pause(self, at_s: float) -> Break | None:
        """The break that runs."""
        return next((one for one in self.attempt.breaks if one.start_s <= at_s < one.end_s), None)

    def rep(self, at_s: float) -> Rep | None:
        """The rep being done, or just done."""
        running = [r for r in self.attempt.reps if r.start_s <= at_s <= r.end_s + _LINGER_S]
        return running[-1] if running else None

    def at(self, at_s: float) -> Said:
        """Everything the strip says."""
        attempt = self.attempt
        begun = [span for span in self.rounds if span.start_s <= at_s]
        number = begun[-1].round if begun else (self.rounds[0].round if self.rounds else 1)
        resting = bool(begun) and at_s > begun[-1].end_s
        done = [rep for rep in self.counted if rep.top_s <= at_s]
        here = [rep for rep in done if rep.round == number] if attempt.workout else done
        heading, count, movement, total = "", f"{len(done)}", "", 0
        planned = real = ""
        cuts_planned: tuple[int, ...] = ()
        cuts_real: tuple[int, ...] = ()
        place = 0
        if attempt.workout is not None:
            parts = attempt.workout.rounds[number - 1]
            heading = f"Round {number} of {len(attempt.workout.rounds)}"
            if resting:
                missing = (begun[-1].prescribed or 0) - begun[-1].counted
                heading += f", {plural(missing, 'rep')} missing" if missing > 0 else " done"
            last = here[-1] if here else None
            movement = last.movement if last else parts[0].movement
            asked = attempt.workout.asked(number, movement)
            count = f"{last.number if last else 0} of {asked}"
            total = sum(part.reps for part in parts)
            place = self._place(last, number)
            cuts_real = tuple(
                position_of(one.after, parts)
                for one in attempt.breaks
                if one.round == number and one.start_s <= at_s
            )
            if self.comparison:
                cuts_planned = tuple(
                    position_of(match.planned.after, parts)
                    for match in self.comparison.breaks
                    if match.planned and match.round == number
                )
                planned = words.set_lines(attempt, self.comparison).get(number, ("", ""))[0]
            sets = [span for span in attempt.sets if span.round == number and span.start_s <= at_s]
            real = f"set {len(sets)}" if sets else ""
        elif done:
            movement = done[-1].movement
        pause = self.pause(at_s)
        note = f"bar: {self.zone(at_s)}" if self.zone(at_s) else ""
        if pause is not None:
            meant = self._planned_s.get(id(pause))
            note = f"bar down {numbers.whole(at_s - pause.start_s)} s"
            if meant:
                note += f", planned {numbers.short(meant)} s"
        return Said(
            heading, count, words.plain(movement), note, pause is not None, self._clock(at_s),
            self._off(at_s), total, place, cuts_planned, cuts_real, planned, real,
        )  # fmt: skip

    def _place(self, last: Rep | None, number: int) -> int:
        if last is None or last.number is None or self.attempt.workout is None:
            return 0
        after = After(movement=last.movement, number=last.number)
        return position_of(after, self.attempt.workout.rounds[number - 1])

    def _clock(self, at_s: float) -> str:
        run = self.attempt.clock
        if run.start_s is None:
            return numbers.clock(at_s)
        until = at_s if run.end_s is None else min(at_s, run.end_s)
        return numbers.clock(max(0.0, until - run.start_s))

    def _off(self, at_s: float) -> str:
        reached = [said for moment, said in self._marks if moment <= at_s]
        return reached[-1] if reached else ""


class Points:
    """Where bar and hip are in the frame, at any moment. Pixels of the upright frame."""

    def __init__(self, tracks: xr.Dataset) -> None:
        self.time = tracks["time"].values.astype(float)
        names = list(tracks["keypoints"].values)
        position = tracks["position"].values[..., 0].astype(float)

        def named(name: str) -> np.ndarray:
            return position[:, :, names.index(name)]

        left, right = named("bar_left"), named("bar_right")
        hip = (named("left_hip") + named("right_hip")) / 2
        self._shift = np.nan_to_num(tracks["camera_shift"].values.astype(float))
        series = {"hip": hip, "middle": (left + right) / 2, "left": left, "right": right}
        self._seen = {
            name: (self.time[seen], places[seen])
            for name, places in series.items()
            for seen in [np.isfinite(places).all(axis=1)]
        }

    def at(self, name: str, at_s: float) -> np.ndarray | None:
        """(2,) of `hip`, `middle`, `left` or `right`, interpolated over short gaps; else None."""
        time, place = self._seen[name]
        after = int(np.searchsorted(time, at_s))
        if after in (0, len(time)):
            near = 0 if after == 0 else len(time) - 1
            return place[near] if len(time) and abs(time[near] - at_s) <= 0.05 else None
        before = after - 1
        if time[after] - time[before] > _GAP_S:
            return None
        fraction = (at_s - time[before]) / (time[after] - time[before])
        return place[before] * (1 - fraction) + place[after] * fraction

    def path(self, begin_s: float, at_s: float) -> np.ndarray:
        """(N, 2) of the bar's middle from `begin_s` to `at_s`, where it would be in the frame at
        `at_s` had the camera not moved."""
        time, place = self._seen["middle"]
        low, high = np.searchsorted(time, (begin_s, at_s))
        if high - low < 2:
            return np.zeros((0, 2))
        then = np.stack([np.interp(time[low:high], self.time, self._shift[:, i]) for i in (0, 1)])
        return place[low:high] + (self._camera(at_s) - then.T)

    def moved(self, then_s: float, now_s: float) -> np.ndarray:
        """(2,) how far the camera has moved the frame from one moment to another."""
        return self._camera(now_s) - self._camera(then_s)

    def _camera(self, at_s: float) -> np.ndarray:
        return np.array([np.interp(at_s, self.time, self._shift[:, i]) for i in (0, 1)])
