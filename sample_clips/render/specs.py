"""The attempts of the sample clips, and varied ones for tests: script, athlete, view and plan.

Everything is invented: athletes of Quarry Lane Barbell, workouts Slate, Basalt and Gravel. What
happens never equals the plan: a break is moved, one comes unplanned, one lasts longer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import xarray as xr

from sample_clips.render.camera import Camera, orbit
from sample_clips.render.choreography import Choreography
from sample_clips.render.human import ASSETS, Human
from sample_clips.render.script import PRESSES, SNATCHES, START_ZONE, Act, Script
from sample_clips.render.simulate import Noise, simulate_tracks
from sample_clips.render.truth import Workout, truth_of

Movements = tuple[tuple[str, int], ...]

# Typical seconds a repetition, for planned paces (common practice, no source).
CYCLE_S = {
    "deadlift": 1.9, "hang power clean": 2.3, "power clean": 3.8, "strict press": 2.8,
    "push press": 1.7, "push jerk": 1.9, "split jerk": 2.4, "front squat": 2.6, "thruster": 3.1,
    "Romanian deadlift": 2.2, "clean": 4.8, "hang clean": 3.5, "cluster": 6.0,
    "power snatch": 4.6, "snatch": 5.7, "hang power snatch": 3.4, "hang snatch": 4.2,
    "overhead squat": 2.6,
}  # fmt: skip
HANDLING_S = 2.4  # put-down or drop and pick-up around a planned break


@dataclass(frozen=True)
class View:
    """Where the phone stands; see `camera.orbit`. `size` is (width, height) in pixels."""

    azimuth_deg: float
    distance_m: float = 4.0
    height_m: float = 1.2
    size: tuple[int, int] = (720, 1280)


@dataclass(frozen=True)
class Spec:
    """One attempt to be rendered or simulated."""

    name: str
    athlete: Literal["male", "female"]
    stature_m: float
    script: Script
    workout: Workout
    plan_toml: str
    view: View
    seed: int
    load_kg: float
    notes: tuple[str, ...] = ()
    fps: float = 30.0
    pose_every: int = 2

    def human(self) -> Human:
        return _human(self.athlete, self.stature_m)

    def choreography(self) -> Choreography:
        return Choreography(self.human(), self.script, self.seed)

    def camera(self) -> Camera:
        v = self.view
        return orbit(v.azimuth_deg, v.distance_m, v.height_m, size=v.size)

    def truth(self, choreography: Choreography | None = None) -> dict[str, Any]:
        return truth_of(choreography or self.choreography(), self.workout)

    def tracks(
        self,
        choreography: Choreography | None = None,
        noise: Noise | None = None,
        fps: float | None = None,
        pose_every: int | None = None,
    ) -> xr.Dataset:
        return simulate_tracks(
            choreography or self.choreography(),
            self.camera(),
            fps or self.fps,
            pose_every or self.pose_every,
            self.seed,
            noise,
        )


@lru_cache(maxsize=8)
def _human(athlete: str, stature_m: float) -> Human:
    return Human.from_npz(ASSETS / f"asset_{athlete}.npz", stature_m)


# ---------------------------------------------------------------------- building scripts


@dataclass
class RoundScript:
    """What is done in one round, by position: 0 before the first rep, n after n prescribed reps.

    `stops`: position to the break there. `before`: position to acts done before the next rep.
    `reps`: position (from 0) to changes of that rep's act. `skip`: positions left out.
    """

    movements: Movements
    stops: dict[int, Act] = field(default_factory=dict)
    before: dict[int, list[Act]] = field(default_factory=dict)
    reps: dict[int, dict[str, Any]] = field(default_factory=dict)
    skip: set[int] = field(default_factory=set)

    @property
    def names(self) -> list[str]:
        return [movement for movement, count in self.movements for _ in range(count)]

    def acts(self, number: int) -> list[Act]:
        acts: list[Act] = []
        for position, movement in enumerate(self.names):
            if position in self.stops:
                acts.append(self.stops[position])
            acts += [replace(act, round=number) for act in self.before.get(position, [])]
            if position not in self.skip:
                changes = self.reps.get(position, {})
                acts.append(Act("rep", movement, number, **changes))
        return acts


def stop(seconds: float, how: str = "drop", hands_off: bool = True) -> Act:
    return Act("break", seconds=seconds, how=how, hands_off=hands_off)


def positions_of(pattern: str) -> list[int]:
    """Positions of the | of one round's pattern."""
    done, found = 0, []
    for term in pattern.split("|"):
        done += sum(int(part) for part in term.split("+"))
        found.append(done)
    return found[:-1]


def pattern_of(movements: Movements, positions: Sequence[int]) -> str:
    """The pattern with the bar going down at the given positions."""
    ends = np.cumsum([count for _, count in movements])
    text, last = "", 0
    for at in sorted({*positions, *ends}):
        text += str(at - last)
        last = int(at)
        if at != ends[-1]:
            text += " | " if at in positions else "+"
    return text


def plan_text(
    name: str,
    load_kg: float,
    rounds: Sequence[Movements],
    patterns: Sequence[str],
    break_s: float | Sequence[float] | Sequence[Sequence[float]],
    round_s: Sequence[float],
    between_s: float | None,
    time_cap_s: float | None = None,
    extra: Mapping[str, Any] = {},
) -> str:
    """A plan as TOML. Rounds that differ are written out one by one."""
    same = all(r == rounds[0] for r in rounds) and all(p == patterns[0] for p in patterns)
    lines = ["[workout]", f'name = "{name}"']
    if same:
        lines.append(f"rounds = {len(rounds)}")
    lines.append(f"load_kg = {load_kg}")
    if time_cap_s is not None:
        lines.append(f"time_cap_s = {time_cap_s:g}")
    for movements in rounds[:1] if same else rounds:
        if not same:
            lines.append("[[workout.round]]")
        table = "workout.movements" if same else "workout.round.movements"
        for movement, reps in movements:
            lines += [f"[[{table}]]", f'movement = "{movement}"', f"reps = {reps}"]
    lines.append("[breaks]")
    if same:
        lines.append(f'pattern = "{patterns[0]}"')
    else:
        lines.append("patterns = [" + ", ".join(f'"{p}"' for p in patterns) + "]")
    lines.append(f"seconds = {_toml(break_s)}")
    lines += ["[pace]", f"round_s = {_toml(list(round_s))}"]
    if between_s is not None and len(rounds) > 1:
        lines.append(f"between_rounds_s = {between_s:g}")
    lines += [f"{key} = {_toml(value)}" for key, value in extra.items()]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return f"{float(value):g}" if not isinstance(value, str) else f'"{value}"'


def beeps(count: int, spacing_s: float = 1.0) -> list[Act]:
    """A start signal: `count` tones, the last one starts the clock."""
    acts = [Act("beep")]
    for _ in range(count - 1):
        acts += [Act("wait", seconds=spacing_s), Act("beep")]
    return acts


def assemble(
    before: Sequence[Act],
    rounds: Sequence[RoundScript],
    between: Sequence[Sequence[Act]],
    after: Sequence[Act],
) -> tuple[Act, ...]:
    acts = list(before)
    for number, one in enumerate(rounds, 1):
        acts += one.acts(number)
        if number < len(rounds):
            acts += between[number - 1]
    return tuple(acts + list(after))


# ---------------------------------------------------------------------- the sample clips

SLATE: Movements = (("deadlift", 8), ("hang power clean", 6), ("push press", 4))
BASALT: Movements = (("power clean", 5), ("front squat", 6), ("push jerk", 4))


def slate() -> Spec:
    """Slate: round 1 by the plan, a break moved in round 2, one unplanned and long in round 3."""
    rounds = [
        RoundScript(SLATE, {7: stop(3.9), 13: stop(4.3)}),
        RoundScript(
            SLATE,
            {6: stop(4.4), 13: stop(5.1, "put down")},
            reps={3: {"pause_s": 0.8}, 13: {"driven": True}},
        ),
        RoundScript(
            SLATE, {7: stop(4.2), 11: stop(5.6), 13: stop(7.4)}, reps={2: {"pause_s": 0.9}}
        ),
    ]
    acts = assemble(
        [Act("wait", seconds=1.5), *beeps(4), Act("wait", seconds=0.6)],
        rounds,
        [[stop(5.2)], [stop(6.5)]],
        [Act("end", how="drop", seconds=3.0)],
    )
    return Spec(
        "slate",
        "male",
        1.78,
        Script(acts, tempo=1.0, fatigue=0.0022),
        Workout((SLATE,) * 3),
        plan_text(
            "Slate",
            60.0,
            [SLATE] * 3,
            ["7 | 1+5 | 1+4"] * 3,
            4.0,
            [44, 48, 50],
            6,
            extra={"start_s": 2.0},
        ),
        View(32.0, 4.2, 1.15),
        seed=11,
        load_kg=60.0,
        notes=(
            "break moved from deadlift 7 to 6 in round 2",
            "clean 6 of round 2 driven through",
            "unplanned break after clean 3 of round 3",
            "longest break in round 3",
        ),
    )


def basalt() -> Spec:
    """Basalt: breaks in the squats, drops from rack and overhead, a failed jerk, other athlete."""
    fails = {11: [Act("fail", "push jerk"), Act("hold", seconds=1.9)]}
    rounds = [
        RoundScript(BASALT, {8: stop(5.2)}),
        RoundScript(BASALT, {9: stop(5.6), 13: stop(4.4)}, reps={3: {"pause_s": 0.7}}),
        RoundScript(BASALT, {3: stop(4.1), 8: stop(8.2)}, before=fails),
    ]
    acts = assemble(
        [Act("wait", seconds=2.0), *beeps(1), Act("wait", seconds=1.1)],
        rounds,
        [[stop(6.2)], [stop(8.4, "put down")]],
        [Act("end", how="drop", seconds=3.0)],
    )
    return Spec(
        "basalt",
        "female",
        1.66,
        Script(acts, tempo=0.98, fatigue=0.0025, flow=False),
        Workout((BASALT,) * 3),
        plan_text("Basalt", 42.5, [BASALT] * 3, ["5+3 | 3+4"] * 3, 5.0, [48, 50, 52], 7),
        View(-41.0, 3.9, 1.3),
        seed=5,
        load_kg=42.5,
        notes=(
            "break moved from squat 3 to 4 in round 2",
            "unplanned break after jerk 2, round 2",
            "unplanned break after clean 3 of round 3",
            "failed jerk and a hold in round 3",
        ),
    )


# ---------------------------------------------------------------------- varied attempts

TEMPLATES: tuple[tuple[tuple[str, ...], ...], ...] = (
    (("deadlift",), ("hang power clean",), PRESSES),
    (("power clean",), ("front squat",), PRESSES),
    (("deadlift",), ("power clean",), ("push press", "push jerk")),
    (("power clean",), PRESSES),
    (("hang power clean",), ("thruster",)),
    (("deadlift",), ("hang power clean",)),
    (("front squat",), ("push press", "push jerk", "split jerk")),
    (("power clean",), ("thruster",)),
    (("deadlift",),),
    (PRESSES,),
    (("thruster",),),
    (("deadlift",), ("hang power clean",), ("front squat",), ("push jerk", "push press")),
    (("clean", "hang clean"), PRESSES[1:]),
    (("Romanian deadlift",), ("hang power clean", "hang clean"), ("push press", "push jerk")),
    (("cluster",),),
    (SNATCHES,),
    (("deadlift",), ("hang power snatch", "hang snatch")),
    (("power snatch", "snatch"), ("overhead squat",)),
)


NO_FAIL = ("front squat", "overhead squat", "Romanian deadlift")
NO_STOP_BEFORE = ("overhead squat",)  # getting it up again would be another movement


def random_spec(seed: int) -> Spec:
    """A believable attempt with a random workout, plan, athlete, view and deviations."""
    rng = np.random.default_rng(seed)
    chance = _chance(rng)
    template = TEMPLATES[int(rng.integers(len(TEMPLATES)))]
    number = int(rng.integers(1, 5)) if len(template) > 1 else int(rng.integers(1, 4))
    most = {1: 16, 2: 10, 3: 9, 4: 6}[len(template)]
    movements: Movements = tuple(
        (str(rng.choice(choices)), int(rng.integers(3, most + 1))) for choices in template
    )
    total = sum(count for _, count in movements)
    tempo, fatigue = float(rng.uniform(0.88, 1.25)), float(rng.uniform(0.0, 0.006))

    planned = sorted(
        int(p)
        for p in rng.choice(
            np.arange(1, total), min(int(rng.integers(0, 4)), total - 1), replace=False
        )
    )
    names = RoundScript(movements).names
    planned = [
        p
        for i, p in enumerate(planned)
        if (i == 0 or p - planned[i - 1] > 1) and names[p] not in NO_STOP_BEFORE
    ]
    seconds = float(rng.integers(6, 17)) / 2
    notes: list[str] = []
    rounds = [
        _random_round(rng, movements, planned, seconds, n, notes) for n in range(1, number + 1)
    ]
    between = _pauses(rng, number, notes)
    before, warmed = _beginning(rng, notes)
    after = _ending(rng, notes)
    female = chance(0.5)
    stature = round(float(rng.uniform(1.56, 1.76) if female else rng.uniform(1.66, 1.92)), 2)
    portrait = chance(0.75)
    side = float(rng.choice((-1.0, 1.0)))
    azimuth = side * float(rng.uniform(0, 60) if chance(0.85) else rng.uniform(60, 75))
    view = View(
        azimuth,
        float(rng.uniform(3.2, 5.0)),
        float(rng.uniform(0.6, 1.6)),
        (720, 1280) if portrait else (1280, 720),
    )
    work = sum(count * CYCLE_S[name] for name, count in movements) * tempo
    pace = work + len(planned) * (seconds + HANDLING_S) + 1.2 * len(movements)
    load = float(rng.choice((30, 35, 42.5, 50, 60, 70)))
    script = Script(
        assemble(before, rounds, between, after),
        tempo=tempo,
        fatigue=fatigue,
        spread=float(rng.uniform(0.03, 0.07)),
        flow=chance(0.7),
        lead_s=float(rng.uniform(0.5, 2.0)),
        restitution=float(rng.uniform(0.33, 0.45)),
        hands_on_at_first=not warmed and chance(0.3),
        wide_grip=any(name in SNATCHES for name, _ in movements),
    )
    spec = Spec(
        f"random-{seed}",
        "female" if female else "male",
        stature,
        script,
        Workout((movements,) * number),
        plan_text(
            "Gravel",
            load,
            [movements] * number,
            [pattern_of(movements, planned)] * number,
            seconds,
            [round(pace * (1 + 0.03 * n)) for n in range(number)],
            round(float(rng.uniform(5, 9))),
        ),
        view,
        seed=seed,
        load_kg=load,
        notes=tuple(notes),
    )
    return _given_up(spec, rng) if number > 1 and chance(0.08) else spec


def _chance(rng: np.random.Generator) -> Callable[[float], bool]:
    return lambda p: bool(rng.random() < p)


def _pauses(rng: np.random.Generator, rounds: int, notes: list[str]) -> list[list[Act]]:
    """What is done between the rounds; what is odd about it is added to `notes`."""
    chance = _chance(rng)
    between: list[list[Act]] = []
    for n in range(1, rounds):
        how = "drop" if chance(0.6) else "put down"
        rest = stop(float(rng.uniform(2.5, 11.0)), how, hands_off=chance(0.9))
        kind = rng.random()
        if kind < 0.1:
            notes.append(f"no pause after round {n}")
        elif kind < 0.2:
            notes.append(f"bar kept in the hands after round {n}")
            between.append([Act("hold", seconds=float(rng.uniform(1.9, 3.5)))])
            continue
        between.append([rest] if kind >= 0.1 else [])
    return between


def _beginning(rng: np.random.Generator, notes: list[str]) -> tuple[list[Act], bool]:
    """What comes before the first rep, and whether the athlete warmed up."""
    chance = _chance(rng)
    before = [Act("wait", seconds=float(rng.uniform(0.5, 3.0)))]
    if chance(0.2):
        warm = "deadlift" if chance(0.6) else "power clean"
        before += [Act("rep", warm) for _ in range(int(rng.integers(1, 3)))]
        before += [stop(float(rng.uniform(4.0, 7.0)))]
        notes.append(f"warm-up with {warm} before the signal")
    warmed = bool(before[1:])
    if warmed:
        # the tones fall in the break before the first rep
        rest = before.pop()
        before += [
            Act("end", how=rest.how, seconds=rest.seconds / 2),
            *beeps(1),
            Act("wait", seconds=rest.seconds / 2),
        ]
    elif chance(0.9):
        before += [*beeps(4 if chance(0.5) else 1), Act("wait", seconds=rng.uniform(0.3, 2.0))]
    else:
        notes.append("no start signal")
    return before, warmed


def _ending(rng: np.random.Generator, notes: list[str]) -> list[Act]:
    """What comes after the last rep."""
    chance = _chance(rng)
    after = [Act("end", how="drop" if chance(0.7) else "put down", seconds=2.0)]
    if chance(0.2):
        after += [
            Act("wait", seconds=float(rng.uniform(1.0, 3.0))),
            Act("rep", "deadlift"),
            Act("end", how="drop", seconds=2.0),
        ]
        notes.append("one more lift after the end")
    return after


def _given_up(spec: Spec, rng: np.random.Generator) -> Spec:
    """The same attempt, given up in its last round because a time cap falls."""
    acts = list(spec.script.acts)
    last = len(spec.workout.rounds)
    ours = [i for i, act in enumerate(acts) if act.do == "rep" and act.round == last]
    cut = int(rng.choice(ours[1:]))
    kept = (*acts[:cut], Act("end", how="drop", seconds=2.0))
    spec = replace(
        spec,
        script=replace(spec.script, acts=kept),
        notes=(*spec.notes, f"round {last}: gave up at the time cap"),
    )
    cap = float(np.ceil(spec.truth()["clock"]["total_s"] + rng.uniform(0.5, 3.0)))
    plan = spec.plan_toml.replace("[[", f"time_cap_s = {cap:g}\n[[", 1)
    return replace(spec, workout=replace(spec.workout, time_cap_s=cap), plan_toml=plan)


def _mishaps(
    rng: np.random.Generator,
    one: RoundScript,
    movements: Movements,
    number: int,
    notes: list[str],
) -> None:
    """Failed, missing and added reps, holds and presses out of order, put into a round."""
    chance = _chance(rng)
    names = one.names
    total = len(names)
    ends = np.cumsum([count for _, count in movements])
    # nothing else happens around a rep that is special already
    free = [
        p
        for p in range(1, total)
        if p not in one.stops and p not in one.before and not one.reps.get(p - 1)
    ]
    if free and chance(0.15):
        at = int(rng.choice(free))
        movement = names[at]
        if movement not in NO_FAIL:
            one.before[at] = [Act("fail", movement)]
            notes.append(f"round {number}: failed {movement} at {at}")
    if chance(0.12):
        # one too many in the middle of the round: the movement's last rep done once more
        inner = [
            int(e)
            for e in ends[:-1]
            if e - 1 not in one.reps and int(e) not in one.stops and int(e) not in one.before
        ]
        if inner:
            at = int(rng.choice(inner))
            one.before.setdefault(at, []).insert(0, Act("rep", names[at - 1]))
            notes.append(f"round {number}: one {names[at - 1]} too many")
    if chance(0.10):
        inner = [int(e) - 1 for e in ends if e - 1 not in one.reps and e - 1 not in one.stops]
        if inner:
            at = int(rng.choice(inner))
            one.skip.add(at)
            one.before.pop(at, None)
            notes.append(f"round {number}: one {names[at]} missing")
    if chance(0.12):
        still = [p for p in free if not {p, p - 1} & one.skip and p not in one.before]
        if still:
            at = int(rng.choice(still))
            one.before[at] = [Act("hold", seconds=float(rng.uniform(1.9, 3.5)))]
            notes.append(f"round {number}: hold before {at}")
    (before, count), (press, presses) = (("", 0), *movements)[-2:]
    if before in ("hang power clean", "front squat") and press in PRESSES and chance(0.08):
        # out of order: one press too early, with the full number later on
        early = [
            p
            for p in range(total - presses - count + 1, total - presses - 1)
            if p in free and p not in one.before and not {p, p - 1} & one.skip
        ]
        if early:
            at = int(rng.choice(early))
            one.before[at] = [Act("rep", press)]
            notes.append(f"round {number}: a {press} too early, before rep {at + 1}")


def _random_round(
    rng: np.random.Generator,
    movements: Movements,
    planned: Sequence[int],
    seconds: float,
    number: int,
    notes: list[str],
) -> RoundScript:
    """One round with its deviations; what happened is added to `notes`."""

    chance = _chance(rng)

    one = RoundScript(movements)
    names = one.names
    total = len(names)

    def length() -> float:
        return float(np.clip(seconds * rng.lognormal(0.0, 0.25), 1.9, 20.0))

    def how() -> str:
        return "drop" if chance(0.65) else "put down"

    def floor_rep(position: int) -> bool:
        """A rep that comes straight after another from the floor: a pause there is a reset."""
        return (
            0 < position < total
            and START_ZONE[names[position]] == "floor"
            and position not in one.stops
        )

    for at in planned:
        moved = at + int(rng.choice((-1, 1))) if chance(0.2) else at
        if chance(0.08):
            notes.append(f"round {number}: planned break at {at} skipped")
            if floor_rep(at):
                one.reps[at] = {"pause_s": float(rng.uniform(0.6, 1.15))}
            continue
        moved = int(np.clip(moved, 1, total - 1))
        if names[moved] in NO_STOP_BEFORE:
            moved = at
        if moved != at:
            notes.append(f"round {number}: break moved from {at} to {moved}")
        one.stops[moved] = stop(length(), how(), hands_off=chance(0.85))
    if chance(0.25):
        at = int(rng.integers(1, total))
        if not {at - 1, at, at + 1} & set(one.stops) and names[at] not in NO_STOP_BEFORE:
            one.stops[at] = stop(length(), how())
            notes.append(f"round {number}: unplanned break at {at}")
    for position in range(1, total):
        if floor_rep(position) and chance(0.15):
            if chance(0.3):  # let go and taken again
                one.before[position] = [stop(float(rng.uniform(0.9, 1.2)), "put down")]
            else:
                one.reps[position] = {"pause_s": float(rng.uniform(0.6, 1.15))}

    ends = np.cumsum([count for _, count in movements])
    for i, (movement, _) in enumerate(movements[:-1]):
        last, follower = int(ends[i]) - 1, movements[i + 1][0]
        if (
            movement in ("hang power clean", "power clean")
            and follower in PRESSES[1:]
            and last + 1 not in one.stops
            and chance(0.3)
        ):
            one.reps[last] = {**one.reps.get(last, {}), "driven": True}
            notes.append(f"round {number}: last {movement} driven through")
    for position in sorted(one.stops):
        if position < total and START_ZONE[names[position]] == "hang" and chance(0.12):
            one.reps[position] = {**one.reps.get(position, {}), "erect": False}
            notes.append(f"round {number}: pick-up at {position} without standing up")

    _mishaps(rng, one, movements, number, notes)
    return one
