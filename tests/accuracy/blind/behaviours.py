"""Thirty things that athletes do in barbell cycling, each with its exact truth.

They were written by somebody who had read the definitions, the catalogue and the simulator, but
neither the code that measures and reads nor its tests, and they were put down before the reader was
first run on them. That athletes do these things is common practice, no source. Each function
draws one attempt: workout, what is done where, and how often; `attempts.py` adds body, tempo, phone
and noise. What counts follows the definitions alone (see `sample_clips/render/truth.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sample_clips.render.script import Act
from sample_clips.render.specs import Movements, RoundScript, stop

Random = np.random.Generator


@dataclass
class Draft:
    """What is done: a workout's movements, its rounds, and changes of the script's settings."""

    movements: Movements
    rounds: list[RoundScript]
    settings: dict[str, Any] = field(default_factory=dict)
    roomy: bool = False  # the athlete moves about: the phone stands farther away

    def done(self) -> dict[tuple[int, str], int]:
        """Reps of each movement and round that the script asks to be done."""
        found: dict[tuple[int, str], int] = {}
        for number, one in enumerate(self.rounds, 1):
            for act in one.acts(number):
                if act.do == "rep":
                    found[number, act.movement] = found.get((number, act.movement), 0) + 1
        return found


Behaviour = Callable[[Random], Draft]
BEHAVIOURS: dict[str, Behaviour] = {}


def behaviour(draw: Behaviour) -> Behaviour:
    """Put a behaviour into the set, under its name with spaces."""
    BEHAVIOURS[draw.__name__.replace("_", " ")] = draw
    return draw


# ---------------------------------------------------------------------- workouts to draw from


def _rounds(rng: Random, movements: Movements, number: int | None = None) -> list[RoundScript]:
    if number is None:
        number = int(rng.integers(1, 3)) if len(movements) > 1 else 1
    return [RoundScript(movements) for _ in range(number)]


def _count(rng: Random, low: int, high: int) -> int:
    return int(rng.integers(low, high + 1))


def deadlifts(rng: Random) -> Draft:
    movements: Movements = (("deadlift", _count(rng, 7, 12)),)
    return Draft(movements, _rounds(rng, movements))


def deadlifts_and_cleans(rng: Random) -> Draft:
    movements: Movements = (
        ("deadlift", _count(rng, 4, 8)),
        ("hang power clean", _count(rng, 4, 7)),
    )
    return Draft(movements, _rounds(rng, movements))


def cleans(rng: Random) -> Draft:
    movements: Movements = (("power clean", _count(rng, 5, 8)),)
    return Draft(movements, _rounds(rng, movements))


def cleans_and_presses(rng: Random) -> Draft:
    press = str(rng.choice(("push press", "push jerk")))
    movements: Movements = (("power clean", _count(rng, 3, 5)), (press, _count(rng, 4, 7)))
    return Draft(movements, _rounds(rng, movements))


def presses(rng: Random) -> Draft:
    movements: Movements = ((str(rng.choice(("push press", "push jerk"))), _count(rng, 6, 10)),)
    return Draft(movements, _rounds(rng, movements))


def squats(rng: Random) -> Draft:
    if rng.random() < 0.5:
        movements: Movements = (("front squat", _count(rng, 5, 9)),)
    else:
        movements = (("power clean", _count(rng, 3, 5)), ("front squat", _count(rng, 4, 6)))
    return Draft(movements, _rounds(rng, movements))


def thrusters(rng: Random) -> Draft:
    movements: Movements = (("thruster", _count(rng, 5, 9)),)
    return Draft(movements, _rounds(rng, movements))


def snatches(rng: Random) -> Draft:
    movements: Movements = (("power snatch", _count(rng, 4, 7)),)
    return Draft(movements, _rounds(rng, movements), {"wide_grip": True})


def either(rng: Random, *workouts: Callable[[Random], Draft]) -> Draft:
    return workouts[int(rng.integers(len(workouts)))](rng)


# ---------------------------------------------------------------------- places to do it at


def spots(
    rng: Random, one: RoundScript, names: tuple[str, ...], low: int, high: int, first: int = 1
) -> list[int]:
    """Between `low` and `high` positions before reps of these movements that are still free.

    `first` is the first position to be had: 1, the second rep, or 0.
    """
    free = [
        at
        for at, name in enumerate(one.names)
        if name in names and at >= first and at not in one.stops and at not in one.before
    ]
    count = min(_count(rng, low, high), len(free))
    return sorted(int(at) for at in rng.choice(free, count, replace=False))


def a_break(rng: Random, one: RoundScript, chance: float = 0.6) -> None:
    """An ordinary break somewhere in the round, or none."""
    total = len(one.names)
    if rng.random() < chance:
        at = int(rng.integers(2, total))
        how = "drop" if rng.random() < 0.6 else "put down"
        one.stops[at] = stop(float(rng.uniform(2.5, 7.0)), how)


def styled(
    rng: Random, draft: Draft, names: tuple[str, ...], how: str, low: int, high: int
) -> None:
    """Some reps of these movements in a style."""
    for one in draft.rounds:
        a_break(rng, one)
        for at in spots(rng, one, names, low, high, first=0):
            one.reps[at] = {"how": how}


def between(
    rng: Random, draft: Draft, names: tuple[str, ...], acts: Callable[[str], list[Act]],
    low: int = 1, high: int = 3,
) -> None:  # fmt: skip
    """These acts before some reps of these movements, and an ordinary break elsewhere."""
    for one in draft.rounds:
        a_break(rng, one)
        for at in spots(rng, one, names, low, high):
            one.before[at] = acts(one.names[at])


def not_made_good(rng: Random, draft: Draft, do: tuple[str, ...], chance: float = 0.5) -> None:
    """For some athletes what was done in `do` stands in place of a rep, which is then missing."""
    if rng.random() < chance:
        for one in draft.rounds:
            one.skip |= {at for at, acts in one.before.items() if any(act.do in do for act in acts)}


def stops(rng: Random, draft: Draft, low: int, high: int, **how: Any) -> None:
    """Breaks of this kind at some positions of each round."""
    for one in draft.rounds:
        total = len(one.names)
        count = min(_count(rng, low, high), total - 1)
        for at in rng.choice(np.arange(1, total), count, replace=False):
            values = {name: value() if callable(value) else value for name, value in how.items()}
            one.stops[int(at)] = Act("break", **values)


def seconds(rng: Random, low: float, high: float) -> Callable[[], float]:
    return lambda: float(rng.uniform(low, high))


def down(rng: Random) -> Callable[[], str]:
    return lambda: str(rng.choice(("drop", "put down")))


# ---------------------------------------------------------------------- on the floor


@behaviour
def regrip_on_the_floor(rng: Random) -> Draft:
    """Hands off the lying bar and on again within a second: a reset, no break."""
    draft = either(rng, deadlifts, deadlifts_and_cleans, cleans)
    again = seconds(rng, 0.65, 1.1)
    between(rng, draft, ("deadlift", "power clean"),
            lambda _: [Act("break", seconds=again(), how="put down")], 2, 4)  # fmt: skip
    return draft


@behaviour
def slow_first_pull(rng: Random) -> Draft:
    """The bar takes one to two seconds from the floor to the knee; the rep counts as any other."""
    draft = either(rng, deadlifts, cleans, snatches)
    styled(rng, draft, ("deadlift", "power clean", "power snatch"), "slow", 2, 5)
    return draft


@behaviour
def hitch_at_the_thighs(rng: Random) -> Draft:
    """A deadlift that stands still on the thighs and goes on: one rep, begun on the floor."""
    draft = either(rng, deadlifts, deadlifts_and_cleans)
    styled(rng, draft, ("deadlift",), "hitch", 1, 4)
    return draft


@behaviour
def uneven_pull(rng: Random) -> Draft:
    """One end of the bar leaves the floor before the other."""
    draft = either(rng, deadlifts, cleans)
    styled(rng, draft, ("deadlift", "power clean"), "uneven", 2, 6)
    return draft


@behaviour
def rolled_before_the_pull(rng: Random) -> Draft:
    """The lying bar is pushed away and rolled back to the shins just before it is lifted."""
    draft = either(rng, deadlifts, cleans)
    styled(rng, draft, ("deadlift", "power clean"), "rolled", 2, 5)
    return draft


@behaviour
def to_the_knee_only(rng: Random) -> Draft:
    """Lowered to the knee and up again, not from the floor: no deadlift, whatever follows."""
    draft = deadlifts(rng)
    between(rng, draft, ("deadlift",), lambda _: [Act("knee rep")], 1, 3)
    not_made_good(rng, draft, ("knee rep",))
    return draft


@behaviour
def half_reps(rng: Random) -> Draft:
    """Deadlifts given up above the knee, presses given up at the forehead: none counts."""
    draft = either(rng, deadlifts, presses)
    name = draft.movements[0][0]
    between(rng, draft, (name,), lambda movement: [Act("half", movement)], 1, 3)
    not_made_good(rng, draft, ("half",))
    return draft


@behaviour
def dropped_from_the_hip(rng: Random) -> Draft:
    """Every deadlift is let go at the top and taken up again after about a second: resets."""
    draft = deadlifts(rng)
    pause = seconds(rng, 0.65, 1.15)
    for one in draft.rounds:
        for at in range(1, len(one.names)):
            one.before[at] = [Act("break", seconds=pause(), how="drop")]
        long = int(rng.integers(2, len(one.names)))
        one.before[long] = [Act("break", seconds=float(rng.uniform(2.5, 6.0)), how="drop")]
    return draft


@behaviour
def bounce_caught(rng: Random) -> Draft:
    """The bar is let go at the knee and caught off the floor into the next deadlift."""
    draft = either(rng, deadlifts, deadlifts_and_cleans)
    between(rng, draft, ("deadlift",), lambda _: [Act("bounce")], 1, 4)
    return draft


@behaviour
def fast_burst(rng: Random) -> Draft:
    """Reps cycled as fast as they go, without a stop at either end."""
    draft = either(rng, deadlifts, deadlifts_and_cleans, presses)
    for one in draft.rounds:
        for at, name in enumerate(one.names):
            pause = float(rng.uniform(0.02, 0.06)) if name == "deadlift" else 0.0
            one.reps[at] = {"pause_s": pause}
    draft.settings |= {"tempo": float(rng.uniform(0.62, 0.72)), "fatigue": 0.0, "flow": True}
    return draft


@behaviour
def grinding_at_the_end(rng: Random) -> Draft:
    """The last reps take nearly twice as long as the others."""
    draft = either(rng, deadlifts, cleans, presses, thrusters)
    for one in draft.rounds:
        last = _count(rng, 2, 4)
        for at in range(len(one.names) - last, len(one.names)):
            one.reps[at] = {"how": "grind"}
    draft.settings |= {"fatigue": float(rng.uniform(0.01, 0.03))}
    return draft


# ---------------------------------------------------------------------- breaks


@behaviour
def down_to_the_bar_and_up_again(rng: Random) -> Draft:
    """In a break the hands go to the bar, the hips up and down, and the athlete stands up again."""
    draft = either(rng, deadlifts, cleans_and_presses)
    stops(rng, draft, 1, 2, seconds=seconds(rng, 7.5, 12.0), how=down(rng), during="fidget")
    return draft


@behaviour
def bent_over_with_hands_on(rng: Random) -> Draft:
    """The bar is put down and the athlete breathes bent over it, hands on: a break."""
    draft = either(rng, deadlifts, deadlifts_and_cleans, cleans)
    stops(rng, draft, 1, 3, seconds=seconds(rng, 2.0, 6.0), how="put down", hands_off=False,
          during="bent over")  # fmt: skip
    return draft


@behaviour
def crouching_in_the_break(rng: Random) -> Draft:
    """Squatting down to rest beside the lying bar: no squat."""
    draft = either(rng, squats, thrusters, deadlifts)
    stops(rng, draft, 1, 2, seconds=seconds(rng, 6.5, 12.0), how="drop", during="crouch")
    return draft


@behaviour
def turning_around(rng: Random) -> Draft:
    """The athlete turns the back to the bar, stands so, and turns round again."""
    draft = either(rng, deadlifts_and_cleans, cleans_and_presses, snatches)
    stops(rng, draft, 1, 2, seconds=seconds(rng, 6.5, 11.0), how="drop", during="turn")
    return draft


@behaviour
def another_spot(rng: Random) -> Draft:
    """The bar is rolled, or lifted to the shins and carried, to another spot: no rep.

    A carried bar has left the floor, so that what was one break is two.
    """
    draft = either(rng, cleans, cleans_and_presses)
    how = str(rng.choice(("carry", "push")))
    stops(rng, draft, 1, 1, seconds=seconds(rng, 9.5, 12.0), how="drop", during=how)
    draft.roomy = True
    return draft


@behaviour
def chasing_the_bar(rng: Random) -> Draft:
    """A dropped bar rolls away; it is lifted where it comes to rest, or brought back."""
    draft = either(rng, cleans_and_presses, snatches, deadlifts)
    stops(rng, draft, 1, 1, seconds=seconds(rng, 7.5, 11.0), how="drop", during="chase")
    draft.roomy = True
    return draft


@behaviour
def singles_from_overhead(rng: Random) -> Draft:
    """Each rep is dropped from overhead or the shoulders, and a few breaths taken: many breaks."""
    draft = either(rng, snatches, cleans)
    rest = seconds(rng, 1.9, 4.5)
    for one in draft.rounds:
        for at in range(1, len(one.names)):
            one.stops[at] = stop(rest())
    return draft


# ---------------------------------------------------------------------- in the hang


@behaviour
def regrip_in_the_hang(rng: Random) -> Draft:
    """The bar against the thighs, one hand after the other is opened and closed."""
    draft = deadlifts_and_cleans(rng)
    long = seconds(rng, 1.6, 3.5)
    between(rng, draft, ("hang power clean",), lambda _: [Act("regrip", seconds=long())])
    return draft


@behaviour
def resting_on_the_thighs(rng: Random) -> Draft:
    """The bar rests on the thighs between hang cleans, for a breath or for several."""
    draft = deadlifts_and_cleans(rng)
    long = seconds(rng, 0.8, 5.0)
    between(rng, draft, ("hang power clean",), lambda _: [Act("thighs", seconds=long())])
    return draft


@behaviour
def missed_and_walked_away(rng: Random) -> Draft:
    """A clean or snatch that goes no higher than the belly; bar down, off to one side, and back."""
    draft = either(rng, cleans, snatches)
    rest, how = seconds(rng, 8.0, 13.0), down(rng)
    between(
        rng, draft, ("power clean", "power snatch"),
        lambda name: [Act("fail", name), Act("break", seconds=rest(), how=how(), during="walk")],
        1, 2,
    )  # fmt: skip
    not_made_good(rng, draft, ("fail",), 0.3)
    return draft


@behaviour
def pull_broken_off(rng: Random) -> Draft:
    """Dip and pull out of the hang with a shrug, but no catch: no clean."""
    draft = deadlifts_and_cleans(rng)
    between(rng, draft, ("hang power clean",), lambda name: [Act("break off", name)], 1, 2)
    not_made_good(rng, draft, ("break off",), 0.3)
    return draft


@behaviour
def muscled_up(rng: Random) -> Draft:
    """Cleans turned over slowly on straight legs, without a dip under the bar: they count."""
    draft = either(rng, cleans, deadlifts_and_cleans, cleans_and_presses)
    styled(rng, draft, ("power clean", "hang power clean"), "muscled", 2, 6)
    return draft


# ---------------------------------------------------------------------- shoulders and overhead


@behaviour
def lost_in_front(rng: Random) -> Draft:
    """A snatch or jerk that gets to the height of the head and is dropped in front."""
    draft = either(rng, snatches, presses, cleans_and_presses)
    rest = seconds(rng, 4.0, 9.0)
    names = ("power snatch", "push press", "push jerk")
    between(rng, draft, names,
            lambda name: [Act("lose", name), Act("break", seconds=rest(), how="drop")],
            1, 2)  # fmt: skip
    not_made_good(rng, draft, ("lose",), 0.3)
    return draft


@behaviour
def false_dip(rng: Random) -> Draft:
    """A dip for the drive that is broken off, once or twice: nothing was lifted."""
    draft = either(rng, presses, cleans_and_presses)
    between(rng, draft, ("push press", "push jerk"),
            lambda _: [Act("false dip")] * _count(rng, 1, 2))  # fmt: skip
    return draft


@behaviour
def pressed_out(rng: Random) -> Draft:
    """The bar stands still between forehead and lockout and is pressed out slowly: it counts."""
    draft = either(rng, presses, cleans_and_presses)
    styled(rng, draft, ("push press", "push jerk"), "press out", 1, 4)
    return draft


@behaviour
def two_quick_after_a_hold(rng: Random) -> Draft:
    """The bar is kept in the hands for some seconds, then two reps come at once."""
    draft = either(rng, deadlifts_and_cleans, presses, thrusters)
    for one in draft.rounds:
        a_break(rng, one, 0.4)
        total = len(one.names)
        free = [
            at for at in range(2, total - 1)
            if not {at, at + 1} & set(one.stops) and one.names[at - 1] == one.names[at + 1]
        ]  # fmt: skip
        if free:
            at = int(rng.choice(free))
            one.before[at] = [Act("hold", seconds=float(rng.uniform(2.5, 6.0)))]
            one.reps[at] = one.reps[at + 1] = {"how": "quick", "pause_s": 0.0}
    return draft


@behaviour
def steps_under_the_bar(rng: Random) -> Draft:
    """A few steps with the bar on the shoulders or overhead, between two reps."""
    draft = either(rng, presses, cleans_and_presses, squats)
    between(rng, draft, ("push press", "push jerk", "front squat"), lambda _: [Act("steps")])
    return draft


# ---------------------------------------------------------------------- squats


@behaviour
def paused_in_the_bottom(rng: Random) -> Draft:
    """Squats and thrusters with a stop of one or two seconds in the bottom."""
    draft = either(rng, squats, thrusters)
    styled(rng, draft, ("front squat", "thruster"), "pause", 1, 4)
    return draft


@behaviour
def stuck_in_the_squat(rng: Random) -> Draft:
    """Up by a part, down again and the bar dropped from there: no squat, and a break."""
    draft = squats(rng)
    rest = seconds(rng, 4.0, 9.0)
    between(rng, draft, ("front squat",),
            lambda name: [Act("stuck", name, seconds=rest())], 1, 1)  # fmt: skip
    not_made_good(rng, draft, ("stuck",), 0.3)
    return draft
