"""How well the bar's ends and the athlete are tracked, against exact and hand-made truth.

`python -m tests.accuracy.tracks CLIP...` prints one line a clip and one a state of the bar. A
rendered clip has `NAME.frames.npz` beside it (bar ends, plate semi-axes and joints of every frame,
exact), a real clip `../bar_track/NAME.csv` (plate box followed by hand). Errors are in plate
diameters, so that clips of different sizes compare.

A box's middle is not the outer face's: the errors apart from the median offset between the two are
given as well, for the deadlift also those against its outer face as read by eye at 24 moments
(`deadlift_by_eye.csv`).
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from repcount.tracking import TrackOptions, track
from repcount.tracking.tracks import BAR_KEYPOINTS, load_tracks, save_tracks

PLATE_M = 0.225
STATES = ("held", "lying", "falling")
BY_EYE = Path(__file__).with_name("deadlift_by_eye.csv")


@dataclass(frozen=True)
class Truth:
    """`time_s` (T,); `ends` (T, 2, 2) pixels, left and right, NaN where not known; `semi_axis`
    (T, 2) pixels; `exact` false where the plate's middle stands for its outer face."""

    time_s: np.ndarray
    ends: np.ndarray
    semi_axis: np.ndarray
    exact: bool


def load_truth(video: Path) -> Truth | None:
    exact = video.with_suffix(".frames.npz")
    if exact.is_file():
        frames = np.load(exact)
        ends = frames["bar"].astype(float)
        ends[frames["visible"] < 0.05] = np.nan
        return Truth(frames["time_s"], ends, frames["semi_axis"].astype(float), True)
    table = video.parent.parent / "bar_track" / f"{video.stem}.csv"
    if table.is_file():
        rows = np.loadtxt(table, delimiter=",", comments=("#", "f"))
        side = 1 if "deadlift" in video.stem else 0
        keep = (
            (rows[:, 1] >= 17.9) & (rows[:, 1] <= 28.4)
            if side
            else (rows[:, 1] < 8.4) | (rows[:, 1] > 9.0)
        )
        ends = np.full((len(rows), 2, 2), np.nan)
        ends[keep, side] = rows[keep, 6:8]
        semi_axis = np.full((len(rows), 2), np.median(rows[:, 5]) / 2)
        return Truth(rows[:, 1], ends, semi_axis, False)
    return None


def states(truth: Truth, side: int) -> np.ndarray:
    """(T,) index into STATES by what the bar truly did. Lying: still, at the lowest place it has in
    this clip. Falling: downwards faster than 1.5 m/s. Held: the rest."""
    y, metre = truth.ends[:, side, 1], truth.semi_axis[:, side] / PLATE_M
    speed = np.gradient(y, truth.time_s) / metre
    floor = np.nanpercentile(y, 99)
    state = np.zeros(len(y), int)
    state[(y > floor - 0.06 * metre) & (np.abs(speed) < 0.05)] = 1
    state[speed > 1.5] = 2
    return state


def score(tracks: xr.Dataset, truth: Truth) -> dict[str, dict[str, float]]:
    """Per state: fraction of frames found, median and fraction of errors, jitter."""
    made: dict[str, list[list[float]]] = {state: [] for state in STATES}
    time_s = tracks.time.values
    rows = np.abs(time_s[:, None] - truth.time_s[None, :]).argmin(1)
    near = np.abs(time_s - truth.time_s[rows]) < 0.004
    for side, name in enumerate(BAR_KEYPOINTS):
        seen = tracks.position.sel(keypoints=name).values[:, :, 0]
        semi = tracks.plate_semi_axis.values[:, side, 0]
        ends, diameter = truth.ends[rows, side], 2 * truth.semi_axis[rows, side]
        if not np.isfinite(ends).any():
            continue
        state = states(truth, side)[rows]
        error = (seen - ends) / diameter[:, None]
        # Slow changes of the offset are the outline's fault; jitter is what is left.
        for k in np.flatnonzero(near & np.isfinite(ends[:, 0])):
            jump = np.nan
            if 0 < k < len(time_s) - 1:
                jump = (error[k, 1] - (error[k - 1, 1] + error[k + 1, 1]) / 2) * diameter[k]
            made[STATES[state[k]]].append(
                [*error[k], semi[k] / (diameter[k] / 2), jump, float(side)]
            )
    out = {}
    for name, values in made.items():
        if not values:
            continue
        table = np.array(values)
        found = np.isfinite(table[:, 0])
        size = np.hypot(table[found, 0], table[found, 1])
        # Vertical error apart from each side's own constant offset.
        rest = np.concatenate(
            [
                part - np.median(part)
                for side in (0, 1)
                if len(part := table[found & (table[:, 4] == side), 1])
            ]
            or [np.zeros(0)]
        )
        total = max(1, len(table))
        out[name] = {
            "frames": len(table),
            "found": float(found.mean()),
            "within_0.10": float((size < 0.10).sum() / total),
            "within_0.25": float((size < 0.25).sum() / total),
            "wrong": float((size > 0.5).sum() / total),
            "x": float(np.median(table[found, 0])) if found.any() else np.nan,
            "y": float(np.median(table[found, 1])) if found.any() else np.nan,
            "y_rest_p90": float(np.percentile(np.abs(rest), 90)) if len(rest) else np.nan,
            "semi": float(np.median(table[found, 2])) if found.any() else np.nan,
            "jitter_px": float(np.nanmedian(np.abs(table[found, 3])) * 1.48 * (2 / 3) ** 0.5)
            if found.any()
            else np.nan,
        }
    return out


def against_box(tracks: xr.Dataset, truth: Truth) -> str:
    """Errors apart from the median offset between a box's middle and the outer face."""
    side = int(np.isfinite(truth.ends[:, 1, 0]).any())
    rows = np.flatnonzero(np.isfinite(truth.ends[:, side, 0]))
    given = placed(tracks, side, truth.time_s[rows])
    away = (given - truth.ends[rows, side]) / (2 * truth.semi_axis[rows, side, None])
    offset = np.nanmedian(away, axis=0)
    middle = f"{offset[0]:+.2f} along and {offset[1]:+.2f} across from the box's middle"
    return f"{spread(np.hypot(*(away - offset).T))} of {len(rows)}, {middle}"


def by_eye(tracks: xr.Dataset) -> str:
    """Errors of the right end against the deadlift's outer face as read by eye."""
    table = np.loadtxt(BY_EYE, delimiter=",", comments=("#", "t"))
    away = (placed(tracks, 1, table[:, 0]) - table[:, 1:3]) / (2 * table[:, 3, None])
    along, across = np.nanmedian(np.abs(away), axis=0)
    errors = spread(np.hypot(*away.T))
    return f"{errors} of {len(table)}, along {along:.3f}, across {across:.3f}"


def placed(tracks: xr.Dataset, side: int, times_s: np.ndarray) -> np.ndarray:
    """(n, 2) where an end was given in the frames nearest to `times_s`."""
    rows = np.abs(tracks.time.values[:, None] - times_s[None, :]).argmin(0)
    return np.asarray(tracks.position.sel(keypoints=BAR_KEYPOINTS[side]).values[rows, :, 0])


def spread(errors: np.ndarray) -> str:
    given = errors[np.isfinite(errors)]
    low, high = np.quantile(given, (0.5, 0.95)) if len(given) else (np.nan, np.nan)
    return f"median {low:.3f}, 95 % {high:.3f}, given {len(given)}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("clips", nargs="+", type=Path)
    parser.add_argument("--keep", type=Path, help="folder for the tracks; reused if there")
    parser.add_argument("--pose-rate", type=float, default=TrackOptions.pose_rate_hz)
    parser.add_argument("--again", action="store_true", help="track anew even if kept")
    options = parser.parse_args()
    for clip in options.clips:
        kept = options.keep / f"{clip.stem}.tracks.nc" if options.keep else None
        begun = time.monotonic()
        if kept is not None and kept.is_file() and not options.again:
            tracks = load_tracks(kept)
        else:
            tracks = track(clip, TrackOptions(pose_rate_hz=options.pose_rate))
            if kept is not None:
                save_tracks(tracks, kept)
        took = time.monotonic() - begun
        length = float(tracks.time.values[-1])
        posed = np.isfinite(tracks.position.sel(keypoints="left_shoulder").values[:, 0, 0])
        ends = np.isfinite(tracks.position.sel(keypoints=list(BAR_KEYPOINTS)).values[:, 0, :, 0])
        print(
            f"{clip.stem}: {length:.1f} s in {took:.1f} s; pose {posed.sum() / length:.1f}/s; "
            f"bar left {ends[:, 0].mean():.1%} right {ends[:, 1].mean():.1%}; "
            f"cuts {int(tracks.cut.sum())}"
        )
        truth = load_truth(clip)
        if truth is None:
            continue
        for state, values in score(tracks, truth).items():
            print(
                f"  {state:8s}"
                + " ".join(
                    f"{name} {value:.0f}" if name == "frames" else f"{name} {value:.3f}"
                    for name, value in values.items()
                ),
                flush=True,
            )
        if not truth.exact:
            print(f"  box, offset apart: {against_box(tracks, truth)}")
        if clip.stem == "deadlift_front_with_cuts":
            print(f"  by eye: {by_eye(tracks)}")


if __name__ == "__main__":
    main()
