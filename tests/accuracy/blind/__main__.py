"""How the reading copes with behaviours it was not developed on: `python -m tests.accuracy.blind`.

Attempts of each behaviour are simulated, read with their workout and held against the exact truth.
Printed for each behaviour: attempts; cells (one movement of one round) with the exact count; reps
right (counted in the same round and movement, top within 0.1 s); extra reps (counted or said to be
too many, with the top inside no lift that got to its finish); breaks placed right, of all, and made
up; and how many of the cells in which anything is wrong carry a "check". Then the totals, and how
often counted reps are right by their confidence. `--json FILE` writes it all, attempt by attempt.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt
from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from tests.accuracy.blind.attempts import Case, cases
from tests.accuracy.blind.behaviours import BEHAVIOURS
from tests.accuracy.reading import EDGES, compared

TOP_S, LIFTED_S = 0.1, 0.3


def judged(case: Case) -> dict[str, Any]:
    """One attempt read and held against its truth."""
    workout = parse_plan(case.spec.plan_toml, "plan.toml").workout
    attempt = derive_attempt(read_attempt(measure(case.tracks()), workout))
    truth = case.truth
    both = compared(truth, attempt)
    counted = [rep for rep in truth["reps"] if rep["status"] == "counted"]
    right = _matched(counted, attempt)
    reps = [
        {
            "round": one.round,
            "movement": one.movement,
            "top_s": one.top_s,
            "confidence": one.confidence,
            "right": one.id in right,
            "check": "check" in one.flags,
        }
        for one in attempt.counted()
    ]
    cells = []
    for cell in both["cells"]:
        key = (cell["round"], cell["movement"])
        ok = sum(rep["right"] for rep in reps if (rep["round"], rep["movement"]) == key)
        cells.append({**cell, "right": cell["read"] == cell["true"] == ok})
    return {
        "behaviour": case.behaviour,
        "seed": case.seed,
        "cells": cells,
        "true_reps": len(counted),
        "reps": reps,
        "extra": _extra(truth, attempt),
        "breaks": both["breaks"],
    }


def _matched(counted: list[dict[str, Any]], attempt: Attempt) -> set[str]:
    """The read reps that stand for a true one of their round and movement, each for one."""
    left, right = list(counted), set()
    for one in attempt.counted():
        same = [rep for rep in left if (rep["round"], rep["movement"]) == (one.round, one.movement)]
        near = min(same, key=lambda rep: abs(rep["top_s"] - one.top_s), default=None)
        if near is not None and abs(near["top_s"] - one.top_s) <= TOP_S:
            left.remove(near)
            right.add(one.id)
    return right


def _extra(truth: dict[str, Any], attempt: Attempt) -> list[float]:
    """Tops of reps read as done in the workout that stand for no lift: a top outside every lift
    that got to its finish, or inside one that another rep stands for already."""
    lifts = [one for one in truth["reps"] if one["status"] in ("counted", "extra")]
    spans = [(one["start_s"], one["end_s"]) for one in lifts]
    spans += [(one["start_s"], one["top_s"] + LIFTED_S) for one in truth["pick_ups"]]
    extra = []
    for one in attempt.reps:
        if one.status not in ("counted", "extra"):
            continue
        around = next((span for span in spans if span[0] <= one.top_s <= span[1]), None)
        if around is None:
            extra.append(one.top_s)
        else:
            spans.remove(around)
    return extra


def summary(results: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """The numbers of a behaviour, or of all of them."""
    results = list(results)
    cells = [cell for one in results for cell in one["cells"]]
    wrong = [cell for cell in cells if not cell["right"]]
    reps = [rep for one in results for rep in one["reps"]]
    ok = [rep for rep in reps if rep["right"]]
    placed, true, made_up = (sum(one["breaks"][k] for one in results) for k in range(3))
    return {
        "attempts": len(results),
        "cells": len(cells),
        "exact": sum(cell["true"] == cell["read"] for cell in cells),
        "reps": sum(one["true_reps"] for one in results),
        "right": len(ok),
        "extra": sum(len(one["extra"]) for one in results),
        "breaks": true,
        "placed": placed,
        "made up": made_up,
        "wrong cells": len(wrong),
        "of these marked": sum(cell["check"] for cell in wrong),
        "right reps marked": sum(rep["check"] for rep in ok),
    }


def reliability(results: Iterable[dict[str, Any]]) -> list[tuple[float, float, int, int]]:
    """For each span of confidence (from, to): counted reps, and how many of them are right."""
    reps = [rep for one in results for rep in one["reps"]]
    table = []
    for low, high in itertools.pairwise(EDGES):
        inside = [rep["right"] for rep in reps if low <= rep["confidence"] < high]
        table.append((low, min(high, 1.0), len(inside), sum(inside)))
    return table


def lines(results: list[dict[str, Any]]) -> Iterator[str]:
    """The tables as text."""
    by_name: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for one in results:
        by_name[one["behaviour"]].append(one)
    yield (
        f"{'behaviour':30s} {'attempts':>8s} {'exact cells':>12s} {'reps right':>12s} {'extra':>6s}"
        f" {'breaks right':>13s} {'made up':>8s} {'wrong cells':>12s} {'marked':>7s}"
    )
    for name, ours in [*by_name.items(), ("all", results)]:
        n = summary(ours)
        yield (
            f"{name:30s} {n['attempts']:8d} {n['exact']:5d} of {n['cells']:3d}"
            f" {n['right']:5d} of {n['reps']:4d} {n['extra']:5d}"
            f" {n['placed']:6d} of {n['breaks']:3d} {n['made up']:8d} {n['wrong cells']:12d}"
            f" {n['of these marked']:7d}"
        )
    yield f"\nright reps that carry a check: {n['right reps marked']} of {n['right']}"
    yield "\nconfidence          reps    right"
    for low, high, count, right in reliability(results):
        share = f"{right / count:8.4f}" if count else "       -"
        yield f"{low:5.3f} to {high:5.3f}  {count:7d} {share}"


def main() -> None:
    """Read the attempts asked for, print the tables, and write them where that is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=10, help="attempts of each behaviour")
    parser.add_argument(
        "--only", action="append", choices=list(BEHAVIOURS), help="this behaviour; may be repeated"
    )
    parser.add_argument("--json", type=Path, help="file for the results")
    asked = parser.parse_args()
    results = [
        judged(case) for name in asked.only or BEHAVIOURS for case in cases(name, asked.seeds)
    ]
    print("\n".join(lines(results)))
    if asked.json:
        kept = {
            "seeds": asked.seeds,
            "all": summary(results),
            "by behaviour": {
                name: summary(one for one in results if one["behaviour"] == name)
                for name in asked.only or BEHAVIOURS
            },
            "reliability": reliability(results),
            "attempts": results,
        }
        asked.json.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
