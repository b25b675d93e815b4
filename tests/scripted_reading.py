"""Readings written as a script of what the bar does, for tests of all that follows a reading.

Everything is invented. Times are given in seconds and kept in whole milliseconds.
"""

from __future__ import annotations

import hashlib
from typing import Any

from repcount.attempt.records import (
    FloorRest,
    Hold,
    HoldPlace,
    Measure,
    MovementReps,
    Provenance,
    Reading,
    Rep,
    RepStatus,
    StartSignal,
    Stroke,
    Video,
    Workout,
    Zone,
)
from repcount.units import from_ms

SLATE_MOVEMENTS = (("deadlift", 8), ("hang power clean", 6), ("push press", 4))

SLATE = """
[workout]
name = "Slate"
rounds = 3
load_kg = 60.0
time_cap_s = 420
[[workout.movements]]
movement = "deadlift"
reps = 8
[[workout.movements]]
movement = "hang power clean"
reps = 6
[[workout.movements]]
movement = "push press"
reps = 4
[breaks]
pattern = "7 | 1+5 | 1+4"
seconds = 4.0
[pace]
round_s = [44, 48, 50]
between_rounds_s = 6
"""


def workout(
    *rounds: tuple[tuple[str, int], ...], name: str = "Slate", cap: float | None = None
) -> Workout:
    """A workout of the given rounds."""
    return Workout(
        name=name,
        rounds=[[MovementReps(movement=one, reps=reps) for one, reps in parts] for parts in rounds],
        load_kg=60.0,
        time_cap_s=cap,
    )


def slate(rounds: int = 3, cap: float | None = None) -> Workout:
    """The workout of the plan above."""
    return workout(*[SLATE_MOVEMENTS] * rounds, cap=cap)


class Script:
    """What the bar does, one thing after the other; `now` is in ms from the first frame."""

    def __init__(self, asked: Workout | None = None, signal: float | None = 3.0) -> None:
        self.asked = asked
        self.now = 0
        self.signals = [] if signal is None else [StartSignal(at_s=signal, source="sound")]
        if signal is not None:
            self.now = round(signal * 1000)
        self.round = 1
        self.reps: list[Rep] = []
        self.rests: list[FloorRest] = []
        self.holds: list[Hold] = []
        self.strokes: list[Stroke] = []

    def wait(self, seconds: float) -> Script:
        """Time in which nothing is read."""
        self.now += round(seconds * 1000)
        return self

    def rep(
        self,
        movement: str,
        count: int = 1,
        *,
        rise: float = 0.8,
        down: float = 0.6,
        status: RepStatus = "counted",
        **more: Any,
    ) -> Script:
        """Reps, each `rise` from start to top and `down` from top to end."""
        for _ in range(count):
            top = self.now + round(rise * 1000)
            end = top + round(down * 1000)
            values: dict[str, Any] = {
                "id": f"r{len(self.reps) + 1}",
                "round": None if status == "unplanned" else self.round,
                "movement": movement,
                "status": status,
                "start_s": from_ms(self.now),
                "top_s": from_ms(top),
                "end_s": from_ms(end),
                "confidence": 0.95,
            }
            self.reps.append(Rep(**{**values, **more}))
            self.now = end
        return self

    def pick_up(self, movement: str, ends: Zone, below: float = 0.0) -> Script:
        """A stroke from the floor that the machine took for handling."""
        top = self.now + 800
        self.strokes.append(
            Stroke(
                id=f"s{len(self.strokes) + 1}",
                path=["floor", ends],
                start_s=from_ms(self.now),
                top_s=from_ms(top),
                end_s=from_ms(top + 100),
                likelihoods={movement: 0.9},
                confidence=0.9,
                measures=[Measure(name="shoulders_below_standing", value=below, unit="stature")],
            )
        )
        self.now = top + 100
        return self

    def rest(self, seconds: float, **more: Any) -> Script:
        """The bar settled on the floor."""
        end = self.now + round(seconds * 1000)
        self.rests.append(
            FloorRest(
                id=f"f{len(self.rests) + 1}",
                start_s=from_ms(self.now),
                end_s=from_ms(end),
                first_contact_s=from_ms(max(self.now - 60, 0)),
                **more,
            )
        )
        self.now = end
        return self

    def hold(self, where: HoldPlace, seconds: float) -> Script:
        """The bar in the hands without a rep."""
        end = self.now + round(seconds * 1000)
        self.holds.append(Hold(start_s=from_ms(self.now), end_s=from_ms(end), where=where))
        self.now = end
        return self

    def next_round(self, seconds: float = 6.0) -> Script:
        """Bar down between two rounds."""
        self.rest(seconds)
        self.round += 1
        return self

    def sets(self, pattern: str, stop: float = 4.0, movements: Any = SLATE_MOVEMENTS) -> Script:
        """A round as a pattern says, with a floor rest of `stop` seconds at each `|`."""
        names = iter([name for name, reps in movements for _ in range(reps)])
        for number, one in enumerate(pattern.split("|")):
            if number:
                self.wait(0.4).rest(stop).wait(0.5)
            for term in one.split("+"):
                for _ in range(int(term)):
                    self.rep(next(names))
        return self

    def sha256(self) -> str:
        """As of a video of these lifts: the same lifts are the same video."""
        events = [one.model_dump_json() for one in (*self.reps, *self.rests, *self.holds)]
        return hashlib.sha256("\n".join(events).encode()).hexdigest()

    def reading(self, after: float = 5.0, **more: Any) -> Reading:
        """What the machine read; the video goes on for `after` seconds."""
        end = from_ms(self.now + round(after * 1000))
        values: dict[str, Any] = {
            "provenance": Provenance(version="0", made_at="2026-03-14T09:26:53Z"),
            "video": Video(
                file_name="slate.mp4",
                sha256=self.sha256(),
                duration_s=end,
                width=1280,
                height=720,
                mean_rate_hz=30.0,
            ),
            "workout": self.asked,
            "start_signals": self.signals,
            "end_of_sight_s": end,
            "floor_rests": self.rests,
            "holds": self.holds,
            "strokes": self.strokes,
            "reps": self.reps,
        }
        return Reading(**{**values, **more})


def as_planned(rounds: int = 3) -> Script:
    """All rounds of Slate with the breaks of its plan."""
    script = Script(slate(rounds)).wait(1.0)
    for number in range(rounds):
        if number:
            script.next_round()
        script.sets("7|1+5|1+4")
    return script
