"""What each figure of the reading is worth: `python -m tests.accuracy.parameters`.

Every constant by which `motion` and `reading` steer is made a fifth smaller and a fifth larger, one
at a time (of a share or a ratio near 1, its distance from 1), and the same attempts are read again:
simulated ones, and some of each behaviour that was put down blind. Printed is in how many cells
(one movement of one round) the count is then exact, and in how many every rep is right, beside the
figures as they are; last what costs more than one cell in two hundred of either. Left out are
numbers that only name something, rates, standards, what notices about filming say, and metres.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import re
import types
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

import repcount.motion
import repcount.reading
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Workout
from repcount.motion import Motion, measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from sample_clips.render.simulate import Noise
from sample_clips.render.variety import eventful_spec
from tests.accuracy.blind.attempts import cases
from tests.accuracy.blind.behaviours import BEHAVIOURS
from tests.accuracy.figures import SHARE, Figure, changed
from tests.accuracy.reading import compared

WORTH = 0.005
MODULES = {
    repcount.motion: ("bar_height", "ends", "hands", "measure", "scene", "smoothing"),
    repcount.reading: (
        "align", "alone", "body", "chains", "decode", "evidence", "instants", "label", "read",
        "rests", "strokes",
    ),
}  # fmt: skip
# Rates, and the definitions' own figures.
FIXED = {"GRID_HZ", "RATE_HZ", "TRACE_HZ", "LEVEL_ST", "STATURES_M", "LOWEST_M", "CHECK_BELOW"}


@dataclass(frozen=True)
class Known:
    """An attempt: its tracks, what they measure with the figures as they are, and its truth."""

    tracks: xr.Dataset
    motion: Motion
    workout: Workout
    truth: dict[str, Any]


def modules() -> Iterator[types.ModuleType]:
    """The modules whose figures steer."""
    for package, names in MODULES.items():
        for name in names:
            yield importlib.import_module(f"{package.__name__}.{name}")


def figures() -> Iterator[Figure]:
    """The constants that steer, in order of their modules."""
    for module in modules():
        for name in _assigned(Path(str(module.__file__)).read_text(encoding="utf-8")):
            figure = Figure(module, name, getattr(module, name))
            if name not in FIXED and _steers(figure.value):
                yield figure


def _assigned(source: str) -> Iterator[str]:
    """The names that a module's own statements assign."""
    for node in ast.parse(source).body:
        for target in node.targets if isinstance(node, ast.Assign) else ():
            names = target.elts if isinstance(target, ast.Tuple) else [target]
            yield from (one.id for one in names if isinstance(one, ast.Name))


def _steers(value: Any) -> bool:
    """Whether a constant is one figure, or some of one kind."""
    if isinstance(value, dict):
        return bool(value) and all(isinstance(one, float) for one in value.values())
    if isinstance(value, tuple):
        return all(isinstance(one, float) for one in value)
    if isinstance(value, np.ndarray):
        return value.ndim == 2 and bool(np.allclose(value.sum(1), 1))
    return isinstance(value, float)


def simulated(first: int, last: int, noise: float) -> Iterator[Known]:
    """The simulated attempts of some seeds."""
    for seed in range(first, last):
        spec = eventful_spec(seed)
        choreography = spec.choreography()
        tracks = spec.tracks(choreography, Noise().times(noise))
        yield _known(tracks, spec.plan_toml, spec.truth(choreography))


def behaved(count: int) -> Iterator[Known]:
    """So many attempts of each behaviour that was put down blind."""
    for name in BEHAVIOURS:
        for case in cases(name, count):
            yield _known(case.tracks(), case.spec.plan_toml, case.truth)


def _known(tracks: xr.Dataset, plan: str, truth: dict[str, Any]) -> Known:
    return Known(tracks, measure(tracks), parse_plan(plan, "plan.toml").workout, truth)


def right(attempts: Iterable[Known], *, measured: bool) -> np.ndarray:
    """Cells, those with the exact count and those with every rep right (3,); `measured` if the
    motion is as it was."""
    cells = [
        (1, cell["read"] == cell["true"], cell["right"])
        for one in attempts
        for cell in compared(
            one.truth,
            derive_attempt(
                read_attempt(one.motion if measured else measure(one.tracks), one.workout)
            ),
        )["cells"]
    ]
    return np.sum(cells, axis=0) if cells else np.zeros(3, int)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seeds", default="0-40", help="simulated, first-last, last left out")
    parser.add_argument("--noise", type=float, default=2.0, help="multiple of the measured noise")
    parser.add_argument("--blind", type=int, default=2, help="attempts of each blind behaviour")
    parser.add_argument("--only", default="", help="figures whose module.NAME matches this pattern")
    asked = parser.parse_args()
    first, last = (int(part) for part in asked.seeds.split("-"))
    sets = [list(simulated(first, last, asked.noise)), list(behaved(asked.blind))]
    before = [right(one, measured=True) for one in sets]
    names = f"{'figure':44s} {'simulated: exact, right':>28s} {'blind: exact, right':>28s}"
    print(names, "as they are: " + _line(before, before), sep="\n", flush=True)
    costly = []
    for figure in figures():
        name = f"{figure.module.__name__.removeprefix('repcount.')}.{figure.name}"
        if not re.search(asked.only, name):
            continue
        for factor in (1 - SHARE, 1 + SHARE):
            with changed(figure, figure.times(factor), modules()):
                again = "repcount.reading" in figure.module.__name__
                after = [right(one, measured=again) for one in sets]
            print(f"{name + f' x {factor:g}':44s} {_line(after, before)}", flush=True)
            lost = [(b - a)[1] / max(b[0], 1) for a, b in zip(after, before, strict=True)]
            if max(lost) > WORTH:
                costly.append(f"{name} x {factor:g}: {max(lost):.1%}")
    print("\nmore than one cell in 200 lost:", *(costly or ["none"]), sep="\n  ")


def _line(after: list[np.ndarray], before: list[np.ndarray]) -> str:
    """Both sets' cells, with the change from before."""
    return "  ".join(
        f"{a[1]:5d} ({a[1] - b[1]:+d}) {a[2]:5d} ({a[2] - b[2]:+d}) of {a[0]:4d}"
        for a, b in zip(after, before, strict=True)
    )


if __name__ == "__main__":
    main()
