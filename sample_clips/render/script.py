"""The words of an attempt's script: acts to be done, and strokes as they were meant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Zone = Literal["floor", "hang", "rack", "overhead"]
StrokeKind = Literal["rep", "pick_up", "failed"]

PRESSES = ("strict press", "push press", "push jerk", "split jerk")
SNATCHES = ("power snatch", "snatch", "hang power snatch", "hang snatch")
_FROM_FLOOR = (
    "deadlift", "sumo deadlift high pull", "power clean", "clean", "cluster", "power snatch",
    "snatch",
)  # fmt: skip
_FROM_HANG = (
    "Romanian deadlift", "bent-over row", "hang power clean", "hang clean", "hang power snatch",
    "hang snatch",
)  # fmt: skip
_FROM_RACK = (*PRESSES, "front squat", "thruster")
START_ZONE: dict[str, Zone] = {
    **dict.fromkeys(_FROM_FLOOR, "floor"),
    **dict.fromkeys(_FROM_HANG, "hang"),
    **dict.fromkeys(_FROM_RACK, "rack"),
    "overhead squat": "overhead",
}
MOVEMENTS = tuple(START_ZONE)
# Free hands: waving overhead, tugging at the belt, a shirt at shoulder height, hair or a headband,
# walking out of the frame and back, rolling the bar to where it is wanted, taking plates off.
PASTIMES = ("wave", "belt", "shirt", "hair", "leave", "roll", "unload")
WIDE_GRIP_M = 0.42  # half the distance of the hands in a snatch, at 1.78 m of stature


@dataclass(frozen=True)
class Act:
    """One thing to do.

    `do`: "rep", "fail" (a stroke that does not get there), "break" (bar to the floor and up again
    `seconds` after it has settled), "hold" (bar kept in the hands where it is), "wait" (stand
    about, or wait with the hands on the bar), "beep", "end" (bar to the floor for good).
    `how`: for break and end "drop" or "put down".
    `pause_s`: on the floor, in the hang or in the rack before the stroke.
    `driven`: a clean that goes straight into the next press. `erect`: false for a pick-up that
    goes into the next stroke without standing up. `rebound`: a hang clean whose bar falls to the
    thighs and turns there at once. `hands_off`: whether the bar is let go in a
    break that begins with a put-down. `during`: what is done with free hands in a break, a wait or
    after the end, one of `PASTIMES`.
    """

    do: str
    movement: str = ""
    round: int | None = None
    seconds: float = 0.0
    how: str = ""
    pause_s: float | None = None
    driven: bool = False
    erect: bool = True
    rebound: bool = False
    hands_off: bool = True
    during: str = ""


@dataclass(frozen=True)
class Script:
    """Everything an attempt is made from, besides the athlete.

    `tempo` multiplies all times (1 = brisk), `fatigue` adds that fraction a rep, `spread` is the
    rep-to-rep standard deviation of times, `flow`: presses go from one rep into the next dip
    without a stop in the rack, `lead_s` is the time before the first act, `wide_grip` is for
    snatches and overhead squats.
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
    wide_grip: bool = False


@dataclass(frozen=True)
class Stroke:
    """A stroke as it was meant, with moments inside it (seconds).

    `rising_s` lies in the main rise, `finish_s` is where the finishing posture is reached and
    `leave_s` where it is left. `zone` is where the stroke ends.
    """

    kind: StrokeKind
    movement: str
    round: int | None
    zone: Zone
    rising_s: float
    finish_s: float
    leave_s: float
    driven_through: bool = False
    erect: bool = True
