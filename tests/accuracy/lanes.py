"""Lanes of a rendered clip against their exact truth: counts, instants, and whose body it is.

`python -m tests.accuracy.lanes CLIP...` (clips made by `python -m sample_clips.render.lanes`)
prints a line a lane. `--lanes N` gives the number instead of having it found; `--keep DIR` keeps
the tracks.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.plan import load_plan
from repcount.reading import read_attempt
from repcount.tracking.lanes import track_lanes
from repcount.tracking.tracks import save_tracks

NEAR_S = 0.25  # a rep is the true one if its top is this near


def judged(tracks: xr.Dataset, stem: Path) -> dict[str, Any]:
    """What a lane's tracks give beside the truth that lies at `stem`."""
    truth = json.loads(stem.with_suffix(".truth.json").read_text(encoding="utf-8"))
    plan = load_plan(stem.with_suffix(".toml"))
    attempt = derive_attempt(read_attempt(measure(tracks), plan.workout))
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    due = [rep for rep in truth["reps"] if rep["status"] == "counted"]
    pairs = [
        abs(rep.top_s - real["top_s"])
        for real in due
        for rep in counted
        if (rep.movement, rep.number) == (real["movement"], real["number"])
    ]
    breaks = [(one["after"]["movement"], one["after"]["number"]) for one in truth["breaks"]]
    found = [(one.after.movement, one.after.number) for one in attempt.breaks if one.after]
    frames = np.load(stem.with_suffix(".frames.npz"))
    return {
        "due": len(due),
        "counted": len(counted),
        "right": sum(gap < NEAR_S for gap in pairs),
        "breaks": found == breaks,
        "worst_s": max(pairs, default=float("nan")),
        "foreign": foreign(tracks, frames),
        "start_s": abs((attempt.clock.start_s or 0) - truth["clock"]["start_s"]),
        "notices": [notice.code for notice in attempt.warnings],
    }


def foreign(tracks: xr.Dataset, frames: Any) -> float:
    """Fraction of the looks at which the tracked hips are farther from this athlete's true ones
    than half the stature: somebody else's."""
    names = list(frames["joint_names"])
    sides = [names.index(f"{side}_hip") for side in ("left", "right")]
    true = frames["joints"][:, sides].astype(float).mean(1)
    joints = frames["joints"].astype(float)
    stature = float(np.nanmax(joints[..., 1].max(1) - joints[..., 1].min(1)))
    hips = tracks.position.sel(keypoints=["left_hip", "right_hip"]).mean("keypoints")
    seen = hips.isel(individuals=0).values
    at = np.clip(np.searchsorted(frames["time_s"], tracks.time.values), 0, len(true) - 1)
    away = np.hypot(*(seen - true[at]).T)
    looked = np.isfinite(away)
    return float((away[looked] > stature / 2).mean()) if looked.any() else float("nan")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.lanes")
    parser.add_argument("clips", nargs="+", type=Path)
    parser.add_argument("--lanes", type=int)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    wrong = 0
    for clip in asked.clips:
        begin = time.perf_counter()
        lanes = track_lanes(clip, asked.lanes)
        took = time.perf_counter() - begin
        truths = sorted(clip.parent.glob(f"{clip.stem}-*.truth.json"))
        print(f"{clip.name}: {len(lanes)} lanes found of {len(truths)}, {took:.0f} s")
        wrong += len(lanes) != len(truths)
        for number, tracks in enumerate(lanes, 1):
            if asked.keep:
                asked.keep.mkdir(parents=True, exist_ok=True)
                save_tracks(tracks, asked.keep / f"{clip.stem}-{number}.nc")
            one = judged(tracks, clip.with_name(f"{clip.stem}-{number}"))
            wrong += (
                one["counted"] != one["due"] or one["right"] != one["due"] or one["foreign"] > 0
            )
            print(
                f"  lane {number}: {one['counted']} counted of {one['due']}, {one['right']} right "
                f"(worst top {one['worst_s'] * 1000:.0f} ms), breaks "
                f"{'right' if one['breaks'] else 'WRONG'}, start {one['start_s'] * 1000:.0f} ms "
                f"off, another's body in {one['foreign']:.1%} of looks {one['notices'] or ''}"
            )
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
