"""Accuracy of the reading on simulated attempts: `python -m tests.accuracy.reading --seeds A-B`.

For each seed an attempt is made up, simulated as tracks and read with its workout. Printed: MAE,
OBO and OBZ of the total count as the literature defines them (mean of abs(read - true) / true;
share within one; share exact), the share of attempts with every rep's round, movement and number
right, errors of tops, starts, ends and of breaks, and how often reps are right by confidence.
"""

from __future__ import annotations

import argparse
import itertools

import numpy as np

from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import derive_attempt, read_attempt
from repcount.reading.read import CHECK_BELOW
from sample_clips.render.specs import random_spec

NEAR_S = 0.3


def spread(name: str, values: list[float]) -> str:
    error = np.abs(np.array(values))
    return (
        f"  {name:12s} n {len(error):5d}  median {np.median(error):.3f} s  "
        f"95 % {np.quantile(error, 0.95):.3f} s  over 0.1 s {np.mean(error > 0.1):.3f}"
    )


def main() -> None:
    """Read the seeds asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default="0-20", help="first-last, last left out")
    first, last = (int(part) for part in parser.parse_args().seeds.split("-"))
    counts: list[tuple[int, int]] = []
    perfect: list[bool] = []
    errors: dict[str, list[float]] = {"start_s": [], "top_s": [], "end_s": []}
    breaks: dict[str, list[float]] = {"break start": [], "break end": []}
    lost = 0
    judged: list[tuple[float, bool]] = []
    for seed in range(first, last):
        spec = random_spec(seed)
        choreography = spec.choreography()
        truth = spec.truth(choreography)
        workout = parse_plan(spec.plan_toml, "plan.toml").workout
        attempt = derive_attempt(read_attempt(measure(spec.tracks(choreography)), workout))
        true = {
            (rep["round"], rep["movement"], rep["number"]): rep
            for rep in truth["reps"]
            if rep["status"] == "counted"
        }
        found = {
            (rep.round, rep.movement, rep.number): rep
            for rep in attempt.reps
            if rep.status == "counted"
        }
        counts.append((len(found), len(true)))
        right = set(found) == set(true)
        perfect.append(right)
        for key, rep in found.items():
            close = key in true and abs(rep.top_s - true[key]["top_s"]) < NEAR_S
            judged.append((rep.confidence, close))
            if close:
                for name, values in errors.items():
                    values.append(getattr(rep, name) - true[key][name])
        for item in truth["breaks"]:
            near = [b for b in attempt.breaks if abs(b.end_s - item["end_s"]) < 0.5]
            if not near:
                lost += 1
                continue
            breaks["break start"].append(near[0].start_s - item["start_s"])
            breaks["break end"].append(near[0].end_s - item["end_s"])
        print(f"seed {seed:5d}  {len(found):3d} of {len(true):3d}  {'' if right else spec.notes}")
    read, real = np.array(counts).T
    print(f"\n{last - first} attempts, {int(real.sum())} reps")
    print(f"  MAE {np.mean(np.abs(read - real) / real):.4f}", end="  ")
    print(f"OBO {np.mean(np.abs(read - real) <= 1):.3f}  OBZ {np.mean(read == real):.3f}")
    print(f"  every rep right in {np.mean(perfect):.3f} of attempts; breaks lost {lost}")
    for name, values in {**errors, **breaks}.items():
        if values:
            print(spread(name, values))
    print("  confidence   reps   right")
    edges = [0, 0.5, CHECK_BELOW, 0.9, 0.97, 1.0001]
    for low, high in itertools.pairwise(edges):
        inside = [good for confidence, good in judged if low <= confidence < high]
        if inside:
            print(f"  {low:.2f}-{min(high, 1):.2f}  {len(inside):6d}   {np.mean(inside):.3f}")


if __name__ == "__main__":
    main()
