"""Simulated attempts of the blind behaviours: body, tempo, phone and noise drawn by the seed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import xarray as xr

from sample_clips.render.choreography import Choreography
from sample_clips.render.script import Act, Script
from sample_clips.render.simulate import Noise
from sample_clips.render.specs import (
    CYCLE_S,
    Movements,
    Spec,
    View,
    assemble,
    beeps,
    pattern_of,
    plan_text,
    stop,
)
from sample_clips.render.truth import BREAK_MS, TOUCH_MS, Workout
from sample_clips.render.variety import RATES
from tests.accuracy.blind.athlete import Athlete
from tests.accuracy.blind.behaviours import BEHAVIOURS, Draft, Random

NEAR_BORDER_S = 0.12


@dataclass(frozen=True)
class Case:
    """One attempt of a behaviour: `draft` says what is done, `spec` by whom and how it is seen."""

    behaviour: str
    seed: int
    draft: Draft
    spec: Spec
    noise: Noise

    @cached_property
    def choreography(self) -> Choreography:
        return Choreography(self.spec.human(), self.spec.script, self.spec.seed, Athlete)

    @cached_property
    def truth(self) -> dict[str, Any]:
        """The exact truth, by the definitions."""
        return self.spec.truth(self.choreography)

    def tracks(self) -> xr.Dataset:
        """The tracks with this attempt's noise."""
        return self.spec.tracks(self.choreography, self.noise)


def case(behaviour: str, seed: int) -> Case:
    """The attempt of a behaviour and seed. Raises KeyError for a behaviour that is not known.

    Where a rest comes within `NEAR_BORDER_S` of a border between touch-and-go, reset and break,
    another attempt is drawn: what it is called there says nothing of the behaviour.
    """
    for attempt in range(40):
        rng = np.random.default_rng([zlib.crc32(behaviour.encode()), seed, attempt])
        made = _drawn(behaviour, seed, rng)
        rests = [rest["end_s"] - rest["start_s"] for rest in made.truth["floor_rests"]]
        borders = (TOUCH_MS / 1000, BREAK_MS / 1000)
        if all(abs(rest - border) > NEAR_BORDER_S for rest in rests for border in borders):
            return made
    raise RuntimeError(f"{behaviour}: no attempt of seed {seed} is clear of the borders")


def cases(behaviour: str, seeds: int) -> Iterator[Case]:
    """The attempts of the first `seeds` seeds."""
    return (case(behaviour, seed) for seed in range(seeds))


def _drawn(behaviour: str, seed: int, rng: Random) -> Case:
    draft = BEHAVIOURS[behaviour](rng)
    female = bool(rng.random() < 0.5)
    stature = round(float(rng.uniform(1.54, 1.78) if female else rng.uniform(1.64, 1.95)), 2)
    settings: dict[str, Any] = {
        "tempo": float(rng.uniform(0.85, 1.25)),
        "fatigue": float(rng.uniform(0.0, 0.006)),
        "spread": float(rng.uniform(0.03, 0.08)),
        "flow": bool(rng.random() < 0.6),
        "lead_s": float(rng.uniform(0.5, 2.5)),
        "restitution": float(rng.uniform(0.33, 0.45)),
        **draft.settings,
    }
    rest = max((s for one in draft.rounds for s in _stops(one)), default=4.0)
    pauses = [[stop(float(rng.uniform(1.2, 1.6)) * rest + 1.0)] for _ in draft.rounds[1:]]
    signal = [*beeps(int(rng.choice((1, 4))))] if rng.random() < 0.8 else []
    acts = assemble(
        [Act("wait", seconds=float(rng.uniform(0.5, 3.0))), *signal,
         Act("wait", seconds=float(rng.uniform(0.3, 2.0)))],
        draft.rounds,
        pauses,
        [Act("end", how=str(rng.choice(("drop", "put down"))), seconds=2.0)],
    )  # fmt: skip
    fps, pose_every = RATES[int(rng.integers(len(RATES)))]
    spec = Spec(
        f"{behaviour} {seed}",
        "female" if female else "male",
        stature,
        Script(acts, **settings),
        Workout((draft.movements,) * len(draft.rounds)),
        _plan(draft.movements, len(draft.rounds)),
        _view(rng, draft.roomy),
        seed=int(rng.integers(1 << 31)),
        load_kg=50.0,
        fps=float(fps),
        pose_every=pose_every,
    )
    return Case(behaviour, seed, draft, spec, Noise().times(float(rng.uniform(0.7, 1.5))))


def _stops(one: Any) -> Iterator[float]:
    for act in (*one.stops.values(), *(act for acts in one.before.values() for act in acts)):
        if act.do in ("break", "stuck"):
            yield act.seconds


def _view(rng: Random, roomy: bool) -> View:
    side = float(rng.choice((-1.0, 1.0)))
    portrait = bool(rng.random() < (0.3 if roomy else 0.7))
    return View(
        side * float(rng.uniform(0, 65)),
        float(rng.uniform(4.2, 5.2) if roomy else rng.uniform(3.2, 5.0)),
        float(rng.uniform(0.5, 1.7)),
        (720, 1280) if portrait else (1280, 720),
    )


def _plan(movements: Movements, rounds: int) -> str:
    total = sum(count for _, count in movements)
    work = round(sum(count * CYCLE_S[name] for name, count in movements) + 8)
    pattern = pattern_of(movements, [total // 2])
    return plan_text("Gravel", 50.0, [movements] * rounds, [pattern] * rounds, 4.0,
                     [work] * rounds, 6)  # fmt: skip
