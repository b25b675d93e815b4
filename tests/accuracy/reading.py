"""Accuracy of the reading on simulated attempts: `python -m tests.accuracy.reading --seeds A-B`.

For each seed an attempt is made up, simulated as tracks and read with its workout; what was read is
held against the exact truth. The simulator is this project's own yardstick: it says how the reading
copes with the noise and the behaviour written into it, not what it does on somebody's phone video.

A cell is one movement of one round. Printed are the fractions of cells with the exact count, and
with every rep right (its number, and its top within 0.3 s); of breaks placed right (same round,
after the same rep, both ends within 0.5 s; a break that is none counts against); of wrong cells
that carry a "check", and of right reps that carry one; MAE, OBO and OBZ of an attempt's total as
the literature defines them (mean of abs(read - true) / true; fraction within one; fraction
exact); errors of instants; and how often reps are right by confidence. Everything at the noise
measured on rendered clips, or at a multiple of it (`--noise 2`).
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt
from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from repcount.reading.read import CHECK_BELOW
from sample_clips.render.simulate import Noise
from sample_clips.render.variety import eventful_spec

NEAR_S, BREAK_S = 0.3, 0.5
KEPT = Path(__file__).with_name("reading.json")
EDGES = (0, 0.9, 0.95, 0.97, CHECK_BELOW, 0.99, 0.993, 0.995, 1.0001)


def judged(seed: int, noise: float) -> dict[str, Any]:
    """One attempt simulated, read and held against its truth."""
    began = time.process_time()
    spec = eventful_spec(seed)
    choreography = spec.choreography()
    truth = spec.truth(choreography)
    tracks = spec.tracks(choreography, Noise().times(noise))
    workout = parse_plan(spec.plan_toml, "plan.toml").workout
    middle = time.process_time()
    motion = measure(tracks)
    attempt = derive_attempt(read_attempt(motion, workout))
    done = time.process_time()
    alone = derive_attempt(read_attempt(motion, None)) if seed % 4 == 0 else None
    return {
        "seed": seed,
        "notes": list(spec.notes),
        "duration_s": choreography.duration_s,
        "simulated_s": middle - began,
        "read_s": done - middle,
        **compared(truth, attempt),
        "alone": None if alone is None else without_a_plan(truth, alone),
    }


def compared(truth: dict[str, Any], attempt: Attempt) -> dict[str, Any]:
    """What of an attempt is right: by cell, by rep, by break; errors in seconds."""
    true: dict[tuple[int, str], dict[int, dict[str, Any]]] = defaultdict(dict)
    found: dict[tuple[int, str], dict[int, Any]] = defaultdict(dict)
    for rep in truth["reps"]:
        if rep["status"] == "counted":
            true[rep["round"], rep["movement"]][rep["number"]] = rep
    for one in attempt.reps:
        if one.status == "counted":
            found[one.round or 0, one.movement][one.number or 0] = one
    marked = {
        (one.round, one.movement) for one in attempt.reps if "check" in one.flags and one.round
    }
    cells, reps = [], []
    order = [
        (place, part.movement)
        for place, parts in enumerate(attempt.workout.rounds if attempt.workout else [], 1)
        for part in parts
    ]
    for place, key in enumerate(order):
        # nothing counted of a movement: the mark is on the rep before, or on the first of all
        if not found[key] and any(order[k] in marked for k in _beside(order, place, found)):
            marked.add(key)
    errors: dict[str, list[float]] = {"start_s": [], "top_s": [], "end_s": []}
    for key in sorted({*true, *found}):
        close = {}
        for number, one in found[key].items():
            same = true[key].get(number)
            close[number] = same is not None and abs(one.top_s - same["top_s"]) < NEAR_S
            reps.append([round(one.confidence, 4), close[number], "check" in one.flags])
            if same is not None and close[number]:
                for name, values in errors.items():
                    values.append(getattr(one, name) - same[name])
        cells.append(
            {
                "round": key[0],
                "movement": key[1],
                "true": len(true[key]),
                "read": len(found[key]),
                "right": len(found[key]) == len(true[key]) and all(close.values()),
                "check": key in marked,
            }
        )
    return {
        "cells": cells,
        "reps": reps,
        "errors": errors,
        **_breaks(truth["breaks"], attempt),
        "total": [sum(map(len, found.values())), sum(map(len, true.values()))],
    }


def _beside(order: list[tuple[int, str]], place: int, found: dict[Any, Any]) -> list[int]:
    """The place of the last movement before `place` of which something was counted; where there is
    none, of the first."""
    done = [k for k, key in enumerate(order) if found[key]]
    return [k for k in done if k < place][-1:] or done[:1]


def _breaks(true: list[dict[str, Any]], attempt: Attempt) -> dict[str, Any]:
    """Breaks found, lost and made up; errors of both ends where one was found."""
    # a rest that begins after the last counted rep ends no set: unfinished, the clock runs on there
    last = max((rep.top_s for rep in attempt.reps if rep.status == "counted"), default=0.0)
    left = [one for one in attempt.breaks if one.start_s < last]
    placed = lost = 0
    errors: dict[str, list[float]] = {"break start": [], "break end": [], "first contact": []}
    for one in true:
        near = min(left, key=lambda other: abs(other.end_s - one["end_s"]), default=None)
        if near is None or abs(near.end_s - one["end_s"]) > BREAK_S:
            lost += 1
            continue
        left.remove(near)
        after = None if near.after is None else (near.after.movement, near.after.number)
        same = (near.round, after) == (one["round"], tuple(one["after"].values()))
        placed += same and abs(near.start_s - one["start_s"]) < BREAK_S
        lost += not same
        errors["break start"].append(near.start_s - one["start_s"])
        errors["break end"].append(near.end_s - one["end_s"])
        errors["first contact"].append(near.first_contact_s - one["first_contact_s"])
    return {"breaks": [placed, len(true), len(left)], "break_errors": errors}


def without_a_plan(truth: dict[str, Any], attempt: Attempt) -> list[int]:
    """Strokes read without a workout: true, found in time, of these rightly named, made up."""
    true = [rep for rep in truth["reps"] if rep["status"]]
    left = list(attempt.reps)
    found = named = 0
    for rep in true:
        near = min(left, key=lambda one: abs(one.top_s - rep["top_s"]), default=None)
        if near is None or abs(near.top_s - rep["top_s"]) > NEAR_S:
            continue
        left.remove(near)
        found += 1
        named += near.movement == rep["movement"]
    handled = [one["top_s"] for one in truth["pick_ups"]]
    extra = [one for one in left if not any(abs(one.top_s - at) < NEAR_S for at in handled)]
    return [len(true), found, named, len(extra)]


def summary(results: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """The tables' numbers."""
    results = list(results)
    cells = [cell for one in results for cell in one["cells"]]
    reps = [rep for one in results for rep in one["reps"]]
    wrong = [cell for cell in cells if not cell["right"]]
    miscounted = [cell for cell in cells if cell["read"] != cell["true"]]
    right_reps = [checked for _, right, checked in reps if right]
    placed, true, made_up = np.array([one["breaks"] for one in results]).sum(0).tolist()
    read, real = np.array([one["total"] for one in results]).T
    off = np.abs(read - real)
    alone = np.array([one["alone"] for one in results if one["alone"]]).reshape(-1, 4).sum(0)
    errors: dict[str, list[float]] = defaultdict(list)
    for one in results:
        for name, values in (*one["errors"].items(), *one["break_errors"].items()):
            errors[name] += values
    movements = Counter(cell["movement"] for cell in cells)
    exact = Counter(cell["movement"] for cell in cells if cell["right"])
    found: dict[str, Any] = {
        "attempts": len(results),
        "reps": int(real.sum()),
        "cells": len(cells),
        "cells with the exact count": _mean(cell["true"] == cell["read"] for cell in cells),
        "cells with every rep right": _mean(cell["right"] for cell in cells),
        "attempts with every rep right": _mean(
            all(cell["right"] for cell in one["cells"]) for one in results
        ),
        "breaks": true,
        "breaks placed right": round(placed / max(true + made_up, 1), 5),
        "breaks made up": made_up,
        "miscounted cells that carry a check": _mean(cell["check"] for cell in miscounted),
        "wrong cells that carry a check": _mean(cell["check"] for cell in wrong),
        "right reps that carry a check": _mean(right_reps),
        "MAE": round(float(np.mean(off / np.maximum(real, 1))), 5),
        "OBO": _mean(off <= 1),
        "OBZ": _mean(off == 0),
        "without a plan": {
            "strokes": int(alone[0]),
            "found": round(float(alone[1] / max(alone[0], 1)), 4),
            "of these named right": round(float(alone[2] / max(alone[1], 1)), 4),
            "made up": int(alone[3]),
        },
        "errors": {
            name: {
                "n": len(values),
                "median_s": round(float(np.median(np.abs(values))), 4),
                "p95_s": round(float(np.quantile(np.abs(values), 0.95)), 4),
            }
            for name, values in errors.items()
            if values
        },
        "by movement": {
            name: [exact[name], count, round(exact[name] / count, 4)]
            for name, count in sorted(movements.items())
        },
        "by confidence": [
            [low, min(high, 1), len(inside), _mean(inside)]
            for low, high in itertools.pairwise(EDGES)
            if (inside := [right for confidence, right, _ in reps if low <= confidence < high])
        ],
        "seconds": {
            "video, mean": round(float(np.mean([one["duration_s"] for one in results])), 1),
            "simulating, CPU mean": round(float(np.mean([r["simulated_s"] for r in results])), 3),
            "reading, CPU mean": round(float(np.mean([r["read_s"] for r in results])), 3),
            "reading 5 min, CPU": round(
                float(np.sum([r["read_s"] for r in results]))
                / float(np.sum([r["duration_s"] for r in results])) * 300, 3,
            ),
        },
    }  # fmt: skip
    return found


def _mean(values: Iterable[Any]) -> float | None:
    values = list(values)
    return round(float(np.mean(values)), 5) if values else None


def table(numbers: dict[str, Any], kept: dict[str, Any] | None) -> Iterator[str]:
    """Lines to print, with the last kept numbers beside where there are some."""
    for name, value in numbers.items():
        if name == "by confidence":
            yield "confidence        reps    right"
            for low, high, count, right in value:
                yield f"  {low:.2f} to {high:.2f}  {count:7d}  {right:7.4f}"
        elif name == "by movement":
            yield "movement                exact   cells"
            for movement, (exact, count, fraction) in value.items():
                yield f"  {movement:20s} {exact:6d}  {count:6d}  {fraction:.4f}"
        elif isinstance(value, dict):
            yield name
            for inner, one in value.items():
                yield f"  {inner:24s} {one}"
        else:
            before = "" if kept is None or name not in kept else f"   (kept: {kept[name]})"
            yield f"{name:32s} {value}{before}"


def main() -> None:
    """Read the seeds asked for, print the tables, write them and compare with the last kept."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default="0-40", help="first-last, last left out")
    parser.add_argument("--noise", type=float, default=1.0, help="multiple of the measured noise")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--details",
        type=Path,
        help="each attempt's result, one JSON a line; seeds already in it are not done again",
    )
    parser.add_argument("--keep", action="store_true", help=f"put the tables into {KEPT.name}")
    asked = parser.parse_args()
    for library in ("OMP", "OPENBLAS", "MKL"):  # the processes are the threads
        os.environ[f"{library}_NUM_THREADS"] = "1"
    first, last = (int(part) for part in asked.seeds.split("-"))
    results = []
    if asked.details and asked.details.exists():
        done = map(json.loads, asked.details.read_text().splitlines())
        results = [one for one in done if first <= one["seed"] < last]
    known = {one["seed"] for one in results}
    jobs = [(seed, asked.noise) for seed in range(first, last) if seed not in known]
    details = asked.details.open("a") if asked.details else None
    with get_context("spawn").Pool(asked.workers) as pool:
        for one in pool.imap_unordered(_judged, jobs, chunksize=4):
            results.append(one)
            if details:
                details.write(json.dumps(one) + "\n")
                details.flush()
            if not all(cell["right"] for cell in one["cells"]):
                wrong = [
                    f"{cell['round']} {cell['movement']} {cell['read']} of {cell['true']}"
                    for cell in one["cells"]
                    if not cell["right"]
                ]
                print(f"seed {one['seed']}: {'; '.join(wrong)}   [{'; '.join(one['notes'])}]")
    results.sort(key=lambda one: one["seed"])
    numbers = {"seeds": asked.seeds, "noise": asked.noise, **summary(results)}
    kept = json.loads(KEPT.read_text()) if KEPT.exists() else {}
    name = f"noise {asked.noise:g}"
    print()
    print("\n".join(table(numbers, kept.get(name))))
    if asked.keep:
        KEPT.write_text(json.dumps({**kept, name: numbers}, indent=1) + "\n")


def _judged(job: tuple[int, float]) -> dict[str, Any]:
    return judged(*job)


if __name__ == "__main__":
    main()
