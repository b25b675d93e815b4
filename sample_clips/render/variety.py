"""Attempts in which more happens than in `specs.random_spec`: for the accuracy of the reading.

What an athlete does between lifts, what goes wrong in a workout and how people film: each behaviour
is one function here that changes a made-up attempt, so that a test can ask for it alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from repcount.plan import parse_plan
from sample_clips.render.script import Act
from sample_clips.render.specs import (
    CYCLE_S,
    HANDLING_S,
    Movements,
    Spec,
    View,
    pattern_of,
    plan_text,
    random_spec,
)
from sample_clips.render.truth import Workout

# Five places for the phone: from the front, half to either side, and well to either side.
VIEWS_DEG = (0.0, 35.0, -35.0, 60.0, -60.0)
# Frames a second for the bar; every how many-th is looked at for the body: 10 to 15 a second.
RATES: tuple[tuple[float, int], ...] = (
    (15, 1),
    (24, 2),
    (25, 2),
    (30, 2),
    (30, 3),
    (50, 4),
    (60, 5),
)


def _changed(spec: Spec, acts: Sequence[Act], note: str) -> Spec:
    return replace(spec, script=replace(spec.script, acts=tuple(acts)), notes=(*spec.notes, note))


def _round_reps(spec: Spec, number: int, movement: str) -> list[int]:
    return [
        i
        for i, act in enumerate(spec.script.acts)
        if act.do == "rep" and act.round == number and act.movement == movement
    ]


def busy_breaks(spec: Spec, rng: np.random.Generator, what: str = "") -> Spec:
    """Something is done with free hands in one of the breaks: a pastime, `what` or any."""
    places = [
        i
        for i, act in enumerate(spec.script.acts)
        if act.do == "break" and (act.hands_off or act.how == "drop")
    ]
    if not places:
        return spec
    at = int(rng.choice(places))
    what = what or str(rng.choice(("wave", "belt", "shirt", "hair", "leave", "roll")))
    acts = list(spec.script.acts)
    least = {"leave": 7.5, "roll": 6.5}.get(what, 4.5)
    acts[at] = replace(acts[at], during=what, seconds=max(acts[at].seconds, least))
    return _changed(spec, acts, f"in a break: {what}")


def busy_start(spec: Spec, rng: np.random.Generator, what: str = "") -> Spec:
    """Belt, shirt or hair put right, or a wave, before the first lift."""
    if spec.script.hands_on_at_first:
        return spec
    what = what or str(rng.choice(("wave", "belt", "shirt", "hair")))
    acts = [Act("wait", seconds=float(rng.uniform(3.5, 6.0)), during=what), *spec.script.acts]
    return _changed(spec, acts, f"at first: {what}")


def busy_end(spec: Spec, rng: np.random.Generator, what: str = "") -> Spec:
    """After the last lift plates come off, or there is waving, or the athlete walks off."""
    acts = list(spec.script.acts)
    if acts[-1].do != "end":
        return spec
    what = what or str(rng.choice(("unload", "unload", "wave", "leave")))
    seconds = {"unload": 13.0, "leave": 7.0}.get(what, 4.0)
    acts[-1] = replace(acts[-1], seconds=seconds, during=what)
    return _changed(spec, acts, f"at the end: {what}")


def false_start(spec: Spec, rng: np.random.Generator) -> Spec:
    """The first lift is done before the signal, the bar put down, and the attempt begun anew."""
    acts = list(spec.script.acts)
    signals = [i for i, act in enumerate(acts) if act.do == "beep"]
    first = next(i for i, act in enumerate(acts) if act.do == "rep" and act.round == 1)
    if not signals or any(act.do == "rep" for act in acts[: signals[0]]) or signals[-1] > first:
        return spec
    early = [
        Act("rep", acts[first].movement),
        Act("end", how=str(rng.choice(("drop", "put down"))), seconds=float(rng.uniform(2, 4))),
    ]
    script = replace(spec.script, hands_on_at_first=False)
    spec = replace(spec, script=script)
    return _changed(spec, [*acts[: signals[0]], *early, *acts[signals[0] :]], "false start")


def celebration(spec: Spec, rng: np.random.Generator) -> Spec:
    """One more of the last movement after the last rep, without putting the bar down."""
    acts = list(spec.script.acts)
    last = max(i for i, act in enumerate(acts) if act.do == "rep" and act.round)
    movement = acts[last].movement
    # one more after one too few is the one that was missing, for all that can be seen
    asked = dict(spec.workout.rounds[-1])[movement]
    short = len(_round_reps(spec, len(spec.workout.rounds), movement)) < asked
    capped = spec.workout.time_cap_s is not None or short
    if capped or last + 1 >= len(acts) or acts[last + 1].do != "end" or len(acts) > last + 2:
        return spec
    more = [Act("rep", movement) for _ in range(int(rng.integers(1, 3)))]
    return _changed(spec, [*acts[: last + 1], *more, *acts[last + 1 :]], "more after the end")


def skipped_movement(spec: Spec, rng: np.random.Generator) -> Spec:
    """A whole movement is left out in one round. The bar may have to be picked up instead."""
    rounds = spec.workout.rounds
    number = int(rng.integers(1, len(rounds) + 1))
    names = [movement for movement, _ in rounds[number - 1]]
    if len(names) < 2:
        return spec
    k = int(rng.integers(len(names)))
    follower = names[k + 1] if k + 1 < len(names) else ""
    if follower == "overhead squat" or _touched(spec, number):
        return spec
    gone = set(_round_reps(spec, number, names[k]))
    acts = [act for i, act in enumerate(spec.script.acts) if i not in gone]
    return _changed(spec, acts, f"round {number}: no {names[k]} at all")


def wrong_order(spec: Spec, rng: np.random.Generator) -> Spec:
    """Two neighbouring movements of one round are done in the wrong order."""
    rounds = spec.workout.rounds
    number = int(rng.integers(1, len(rounds) + 1))
    names = [movement for movement, _ in rounds[number - 1]]
    if len(names) < 2 or "overhead squat" in names or _touched(spec, number):
        return spec
    k = int(rng.integers(len(names) - 1))
    acts = list(spec.script.acts)
    one, other = (_round_reps(spec, number, name) for name in names[k : k + 2])
    block = acts[one[0] : other[-1] + 1]
    swapped = [*acts[other[0] : other[-1] + 1], *acts[one[0] : other[0]]]
    if swapped[0].do != "rep" or block[0].do != "rep":
        return spec
    swapped = [replace(act, driven=False, erect=True) for act in swapped]
    acts[one[0] : other[-1] + 1] = swapped
    return _changed(spec, acts, f"round {number}: {names[k + 1]} before {names[k]}")


def _touched(spec: Spec, number: int) -> bool:
    """Whether something else has happened in a round already."""
    return any(note.startswith(f"round {number}: ") for note in spec.notes)


def schemes(spec: Spec, rng: np.random.Generator) -> Spec:
    """Every round asks for fewer reps than the one before: 9, 7, 5 and the like."""
    rounds = spec.workout.rounds
    if len(rounds) < 2 or spec.workout.time_cap_s is not None:
        return spec
    less = int(rng.integers(1, 3))
    asked: list[Movements] = []
    acts = list(spec.script.acts)
    gone: set[int] = set()
    for number, movements in enumerate(rounds, 1):
        kept = []
        for movement, count in movements:
            drop = min(less * (number - 1), count - 2)
            reps = [
                i
                for i in _round_reps(spec, number, movement)
                if not acts[i].driven and acts[i].erect and i + 1 < len(acts)
            ]
            drop = max(min(drop, len(reps) - 2), 0)
            gone |= set(reps[1 : drop + 1])
            kept.append((movement, count - drop))
        asked.append(tuple(kept))
    if not gone:
        return spec
    acts = [act for i, act in enumerate(acts) if i not in gone]
    at = [max(1, sum(count for _, count in one) // 2) for one in asked]
    load = spec.load_kg
    work = [sum(count * CYCLE_S[name] for name, count in one) + HANDLING_S + 5 for one in asked]
    plan = plan_text(
        "Gravel",
        load,
        asked,
        [pattern_of(one, [place]) for one, place in zip(asked, at, strict=True)],
        5.0,
        [round(one) for one in work],
        6,
    )
    spec = replace(spec, workout=Workout(tuple(asked)), plan_toml=plan)
    return _changed(spec, _joined(acts), f"each round {less} fewer")


def _joined(acts: Sequence[Act]) -> list[Act]:
    """Acts without a break straight after another."""
    kept: list[Act] = []
    for act in acts:
        if act.do == "break" and kept and kept[-1].do == "break":
            continue
        kept.append(act)
    return kept


def filmed(spec: Spec, rng: np.random.Generator) -> Spec:
    """From one of five places, give or take, at one of the usual rates."""
    view: View = spec.view
    if rng.random() < 0.6:
        azimuth = float(rng.choice(VIEWS_DEG)) + float(rng.normal() * 6)
        view = replace(view, azimuth_deg=azimuth)
    fps, pose_every = RATES[int(rng.integers(len(RATES)))]
    return replace(spec, view=view, fps=float(fps), pose_every=pose_every)


def rebounds(spec: Spec, rng: np.random.Generator, fraction: float = 0.25) -> Spec:
    """All hang cleans out of a rebound from the thighs, for a fraction of the athletes."""
    if rng.random() >= fraction or not any("hang" in act.movement for act in spec.script.acts):
        return spec
    acts = [
        replace(act, rebound=act.movement in ("hang power clean", "hang clean"))
        for act in spec.script.acts
    ]
    return _changed(spec, acts, "rebound from the thighs")


Change = Callable[[Spec, np.random.Generator], Spec]
CHANGES: tuple[tuple[float, Change], ...] = (
    (0.04, skipped_movement),
    (0.03, wrong_order),
    (0.12, schemes),
    (0.05, false_start),
    (0.08, celebration),
    (0.35, busy_breaks),
    (0.15, busy_start),
    (0.20, busy_end),
)


def eventful_spec(seed: int) -> Spec:
    """A believable attempt in which any of this may happen, filmed from anywhere at any rate.

    What nobody could see is left out: with a single movement the reps of a round are distinguished
    only by the pauses between rounds, so none is left out or added there.
    """
    rng = np.random.default_rng([seed, 1])
    spec = random_spec(seed)
    if len(spec.workout.rounds[0]) == 1 and len(spec.workout.rounds) > 1:
        spec = _one_movement(spec)
    for fraction, change in CHANGES:
        if rng.random() < fraction:
            spec = change(spec, rng)
    spec = filmed(spec, rng)
    spec = rebounds(spec, np.random.default_rng([seed, 2]))
    parse_plan(spec.plan_toml, "plan.toml")
    return spec


def _one_movement(spec: Spec) -> Spec:
    """Rounds of one movement, each complete and set apart by a pause longer than its breaks."""
    acts: list[Act] = []
    number = 1
    (movement, count) = spec.workout.rounds[0][0]
    longest = max(
        (act.seconds for act in spec.script.acts if act.do == "break" and act.round is None),
        default=4.0,
    )
    rounds = len(spec.workout.rounds)
    last = max(i for i, act in enumerate(spec.script.acts) if act.do == "rep" and act.round)
    first = min(i for i, act in enumerate(spec.script.acts) if act.do == "rep" and act.round)
    inside = spec.script.acts[first : last + 1]
    acts = list(spec.script.acts[:first])
    for number in range(1, rounds + 1):
        places = [i for i, act in enumerate(inside) if act.do == "rep" and act.round == number]
        if not places:
            break
        ours = list(inside[places[0] : places[-1] + 1])
        reps = sum(act.do == "rep" for act in ours)
        capped = spec.workout.time_cap_s is not None and number == rounds
        if not capped:
            ours += [Act("rep", movement, number)] * (count - reps)
        if number > 1:
            acts.append(Act("break", seconds=longest * 1.5 + 1.0, how="drop"))
        acts += ours
    acts += spec.script.acts[last + 1 :]
    notes = tuple(
        note for note in spec.notes if "missing" not in note and "after round" not in note
    )
    return replace(spec, script=replace(spec.script, acts=tuple(acts)), notes=notes)
