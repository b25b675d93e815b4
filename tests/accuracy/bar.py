"""Accuracy of the bar alone: `python -m tests.accuracy.bar --seeds 101-112 --clips DIR`.

For each seed a short scene is made up: an athlete lifts, drops and puts down one bar, seen from one
of six sides in turn (front, half, well and nearly to the side, from behind, anywhere), in another
room with other plates, spare bars and bystanders. It is rendered, tracked from its pixels, and
every image is held against the exact truth. Errors are in plate diameters.

- An end *is to be found* where at least SEEN of its face's disc shows its own plates.
- An end given is *false* if it is farther than FALSE from the true one, seen or not.
- *Straight from the side* (`STRAIGHT`), where one end hides the other: counted, and once left out.
- Lying, falling (with the bounces) and held are what the bar truly did.
- Floor contact and lift-off are those of the floor rests that the reading finds, against rests of
  the truth; free falls of 1 m and more against 9.81 m/s².
- Cost is the bar's own processor time, an image of the video.

`--real FOLDER` looks at real photographs too (bar and body marked by hand; the folder is not part
of the project): ends, zones, and ends given that are none of the bar's, with Wilson's interval of
95 % (Wilson, Journal of the American Statistical Association 22, 1927).
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
import xarray as xr

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.motion.scene import ANKLE_ST
from repcount.reading import read_attempt
from repcount.reading.decode import (
    FLOOR_ST,
    HANG_BELOW,
    OVERHEAD_ABOVE,
    RACK_ABOVE,
    RACK_BELOW,
)
from repcount.tracking import TrackOptions, run, track
from repcount.tracking.bar import Bar, BarTrack
from repcount.tracking.bar_net import CONFIDENT, BarNet, BarSighting, athlete_box
from repcount.tracking.hands import Hands
from repcount.tracking.pose import ANKLES, HIPS, KNUCKLES, SHOULDERS, PoseModel
from repcount.tracking.tracks import BAR_KEYPOINTS, load_tracks, save_tracks
from sample_clips.render.produce import Setting, film_spec, setting_of
from sample_clips.render.script import PRESSES, SNATCHES, Act, Script
from sample_clips.render.specs import Spec, View, plan_text, stop
from sample_clips.render.truth import Workout
from tests.accuracy.rendered import seeds

SEEN, FALSE = 0.05, 0.5
TRUNK_ST = 0.28  # Person.size_px over stature
STATES = ("held", "lying", "falling")
G = 9.81
WORKOUTS = (
    ("deadlift",),
    ("hang power clean", "push press"),
    ("power clean", "push jerk"),
    ("power snatch",),
    ("deadlift", "hang power clean"),
    ("clean", "split jerk"),
)
STRAIGHT = (82.0, 98.0)  # degrees off the front
SIDES = ("front", "half", "well aside", "nearly from the side", "from behind", "anywhere")


def side_deg(seed: int, rng: np.random.Generator) -> float:
    """Where the phone stands: 0 in front of the athlete, 90 at the left."""
    low, high = ((0, 8), (12, 32), (35, 58), (62, 82), (135, 180), (0, 180))[seed % len(SIDES)]
    return float(rng.uniform(low, high) * rng.choice((-1, 1)))


def scene(seed: int) -> tuple[Spec, Setting]:
    """A short attempt with a drop, a put-down and an end, and what it looks like."""
    rng = np.random.default_rng([seed, 71])
    movements = WORKOUTS[int(rng.integers(len(WORKOUTS)))]
    last = movements[-1]
    reps = [Act("rep", movement, 1) for movement in movements]
    acts = [
        Act("wait", seconds=float(rng.uniform(0.5, 1.2))),
        *reps,
        stop(float(rng.uniform(1.8, 2.6)), "drop"),
        *reps,
        stop(float(rng.uniform(1.8, 2.6)), "put down"),
        *reps[:1],
        Act("end", how="drop" if last in (*PRESSES, *SNATCHES) else "put down", seconds=1.5),
    ]
    done = tuple((movement, 3 if movement == movements[0] else 2) for movement in movements)
    female = bool(rng.random() < 0.5)
    upright = rng.random() < 0.6
    spec = Spec(
        f"bar-{seed}",
        "female" if female else "male",
        float(rng.uniform(1.58, 1.72) if female else rng.uniform(1.68, 1.88)),
        Script(tuple(acts), wide_grip=last in SNATCHES, lead_s=0.5, tail_s=0.5),
        Workout((done,)),
        plan_text("Gravel", 50.0, [done], ["+".join(str(n) for _, n in done)], 4.0, [30], None),
        View(
            side_deg(seed, rng),
            float(rng.uniform(3.0, 5.0)),
            float(rng.uniform(0.5, 1.7)),
            (720, 1280) if upright else (1280, 720),
        ),
        seed=100_000 + seed,
        load_kg=50.0,
        fps=float(rng.choice((30, 30, 60))),
    )
    setting = setting_of(spec)
    shot = replace(setting.shot, fps=spec.fps)
    return spec, replace(setting, shot=shot, passes_in_front=bool(rng.random() < 0.2))


def rendered(seed: int, folder: Path) -> Path:
    """The clip of a seed, rendered into `folder` unless its truth, written last, lies there."""
    spec, setting = scene(seed)
    path = folder / f"{spec.name}.mp4"
    if not path.with_suffix(".frames.npz").is_file():
        film_spec(spec, folder, setting=setting)
    return path


class ByNetwork(Bar):
    """The bar by the network alone, asked at every image."""

    def __init__(self, net: BarNet) -> None:
        super().__init__(net)
        self.alone = net
        self.found: list[BarSighting | None] = []

    def step(
        self,
        gray: np.ndarray,
        time_s: float,
        hands: Hands | None,
        square: Callable[[], np.ndarray | None],
        shift: np.ndarray,
        cut: bool,
    ) -> None:
        where = square()
        self.found.append(None if where is None else self.alone.find(gray, where))

    def result(self) -> BarTrack:
        count = len(self.found)
        ends, confidence = np.full((count, 2, 2), np.nan), np.zeros((count, 2))
        semi_axis = np.full((count, 2), np.nan)
        for k, one in enumerate(self.found):
            if one is not None:
                sure = one.confidence >= CONFIDENT
                ends[k, sure], semi_axis[k, sure] = one.ends_px[sure], one.semi_axis_px[sure]
                confidence[k, sure] = one.confidence[sure]
        given = confidence > 0
        return BarTrack(ends, semi_axis, confidence, given, np.zeros_like(given))


WAYS: dict[str, type[Bar]] = {"both": Bar, "network": ByNetwork}


def tracked(path: Path, again: bool, way: str = "both") -> tuple[xr.Dataset, float]:
    """The clip's tracks, and the milliseconds of processor time that the bar took an image (NaN
    where kept tracks are read)."""
    kept = path.with_suffix(".tracks.nc" if way == "both" else f".{way}.nc")
    if kept.is_file() and not again:
        return load_tracks(kept), np.nan
    spent: list[float] = []
    kind = WAYS[way]

    class Timed(kind):  # type: ignore[misc, valid-type]
        def step(self, *arguments: Any) -> None:
            begun = time.thread_time()
            super().step(*arguments)
            spent.append(time.thread_time() - begun)

    with patch.object(run, "Bar", Timed):
        tracks = track(path, TrackOptions())
    save_tracks(tracks, kept)
    return tracks, 1000 * float(np.mean(spent))


def states(spec: Spec, times_s: np.ndarray) -> np.ndarray:
    """(T,) index into STATES by what the bar truly did."""
    choreography = spec.choreography()
    bar = choreography.bar(times_s)
    up = bar.y - choreography.radius_m > 0.003
    return np.where(bar.held, 0, np.where(up, 2, 1))


def sighted(tracks: xr.Dataset, spec: Spec, path: Path) -> dict[str, dict[str, Any]]:
    """Per state: `errors` of the ends that are to be found (infinite where not given), `away` of
    all ends given, `looks` at an end."""
    truth = np.load(path.with_suffix(".frames.npz"))
    times_s = tracks.time.values
    near = np.abs(times_s[:, None] - truth["time_s"][None]).argmin(1)
    state = states(spec, truth["time_s"][near])
    found: dict[str, dict[str, Any]] = {
        name: {"errors": [], "away": [], "looks": 0, "sizes": []} for name in STATES
    }
    for side, name in enumerate(BAR_KEYPOINTS):
        given = tracks.position.sel(keypoints=name).values[:, :, 0]
        semi_axis = truth["semi_axis"][near, side].astype(float)
        miss = np.hypot(*(given - truth["bar"][near, side]).T) / (2 * semi_axis)
        size = tracks.plate_semi_axis.values[:, side, 0] / semi_axis
        seen = truth["visible"][near, side] >= SEEN
        for number, one in enumerate(STATES):
            here = state == number
            found[one]["errors"] += np.nan_to_num(miss[here & seen], nan=np.inf).tolist()
            found[one]["sizes"] += size[here & seen & np.isfinite(size)].tolist()
            found[one]["away"] += miss[here & np.isfinite(miss)].tolist()
            found[one]["looks"] += int(here.sum())
    return found


def rests(tracks: xr.Dataset, spec: Spec) -> dict[str, list[float]]:
    """Errors in seconds of first contacts, settled contacts and lift-offs, NaN for a rest that was
    not found; and the falls of a metre and more, over 9.81 m/s²."""
    motion = measure(tracks)
    attempt = derive_attempt(read_attempt(motion, None))
    truth = spec.truth()
    errors: dict[str, list[float]] = {"contact": [], "settled": [], "lift-off": [], "fall": []}
    for one in truth["breaks"]:
        near = min(attempt.breaks, key=lambda b: abs(b.end_s - one["end_s"]), default=None)
        if near is None or abs(near.end_s - one["end_s"]) > 0.5:
            for name in ("contact", "settled", "lift-off"):
                errors[name].append(np.nan)
            continue
        errors["contact"].append(near.first_contact_s - one["first_contact_s"])
        errors["settled"].append(near.start_s - one["start_s"])
        errors["lift-off"].append(near.end_s - one["end_s"])
    falls = () if motion.metres is None else motion.metres.falls
    errors["fall"] = [f.acceleration_m_s2 / G for f in falls if f.height_m >= 1.0]
    return errors


def line(name: str, found: dict[str, Any]) -> str:
    """One state's figures."""
    errors, away = np.array(found["errors"]), np.array(found["away"])
    if not len(errors):
        return f"{name:8s}"
    given = errors[np.isfinite(errors)]
    return (
        f"{name:8s} {len(errors):6d}  given {np.isfinite(errors).mean():6.1%}  "
        f"median {np.median(given) if len(given) else np.nan:.3f}  "
        f"within 0.10 {(errors < 0.10).mean():6.1%}  within 0.25 {(errors < 0.25).mean():6.1%}  "
        f"false {(away > FALSE).sum() / found['looks']:6.2%}  "
        f"size {np.median(found['sizes']) if found['sizes'] else np.nan:.3f}"
    )


def merged(parts: list[dict[str, Any]]) -> dict[str, Any]:
    """The figures of several put together."""
    return {
        "errors": [e for part in parts for e in part["errors"]],
        "away": [e for part in parts for e in part["away"]],
        "sizes": [e for part in parts for e in part["sizes"]],
        "looks": sum(part["looks"] for part in parts),
    }


def instants(errors: list[float]) -> str:
    """Median and 95 % of absolute errors in milliseconds, and how many were not found."""
    values = np.abs(np.array(errors))
    known = values[np.isfinite(values)]
    if not len(known):
        return f"none of {len(values)}"
    middle, high = 1000 * np.quantile(known, [0.5, 0.95])
    return f"{len(known)} of {len(values)}, median {middle:.0f} ms, 95 % {high:.0f} ms"


def wilson(right: int, count: int) -> str:
    """A fraction with its interval of 95 %."""
    if not count:
        return "none"
    z, fraction = 1.959964, right / count
    middle = (fraction + z * z / (2 * count)) / (1 + z * z / count)
    half = (
        z
        / (1 + z * z / count)
        * np.sqrt(fraction * (1 - fraction) / count + z * z / (4 * count * count))
    )
    return f"{right} of {count} ({fraction:.0%}; {middle - half:.0%} to {middle + half:.0%})"


def scenes(options: argparse.Namespace) -> None:
    """Render, track and score the seeds asked for."""
    by_state: dict[str, list[dict[str, Any]]] = defaultdict(list)
    by_side: dict[str, list[dict[str, Any]]] = defaultdict(list)
    times: dict[str, list[float]] = defaultdict(list)
    costs, others = [], []
    for seed in seeds(options.seeds):
        spec, _ = scene(seed)
        path = rendered(seed, options.clips)
        tracks, cost = tracked(path, options.again, options.way)
        costs.append(cost)
        found = sighted(tracks, spec, path)
        side = SIDES[seed % len(SIDES)]
        for name in STATES:
            by_state[name].append(found[name])
        by_side[side].append(merged(list(found.values())))
        if not STRAIGHT[0] < abs(spec.view.azimuth_deg) < STRAIGHT[1]:
            others += list(found.values())
        errors = rests(tracks, spec)
        for name, values in errors.items():
            times[name] += values
        when = "; ".join(f"{k} {[round(v, 3) for v in e]}" for k, e in errors.items())
        print(f"{spec.name}: {spec.view.azimuth_deg:+.0f} degrees, {cost:.1f} ms; {when}")
        for name in STATES:
            print("  " + line(name, found[name]), flush=True)
    print()
    for side in SIDES:
        if by_side[side]:
            print(f"{side:20s} " + line("", merged(by_side[side])))
    for name in STATES:
        print(line(name, merged(by_state[name])))
    print(line("all", merged([part for parts in by_state.values() for part in parts])))
    print(f"all but {STRAIGHT[0]:.0f} to {STRAIGHT[1]:.0f} degrees " + line("", merged(others)))
    for name in ("contact", "settled", "lift-off"):
        print(f"{name}: {instants(times[name])}")
    print(f"falls of 1 m and more over 9.81 m/s²: {np.round(times['fall'], 3).tolist()}")
    print(f"cost: {np.nanmean(costs):.1f} ms a frame" if np.isfinite(costs).any() else "")


# ---------------------------------------------------------------------- real images

# Zones of the notes as those of the reading: a bar at the knees hangs, one on the back is carried
# at the height of the shoulders.
NAMED = {"knee": "hang", "back": "rack"}
NEAR_PHOTO, ON_IT = 0.15, 0.5


def zone(bar_y: float, shoulder_y: float, ankle_y: float, stature: float) -> str:
    """The zone of a bar at `bar_y` in one image, by the levels of the reading; all in pixels."""
    height = (ankle_y - bar_y) / stature + ANKLE_ST
    above = (shoulder_y - bar_y) / stature
    if height < FLOOR_ST + 0.045:
        return "floor"
    if above < (HANG_BELOW + RACK_BELOW) / 2:
        return "hang"
    return "rack" if above < (RACK_ABOVE + OVERHEAD_ABOVE) / 2 else "overhead"


def photographs(folder: Path) -> None:
    """Ends, zones and wrong ends in photographs, with Wilson's intervals."""
    net = BarNet()
    near = dict.fromkeys(("outer face or edge", "inner face, across", "inner face, along"), 0)
    count, given, false = dict.fromkeys(near, 0), 0, 0
    zones = judged = 0
    wrong = []
    with PoseModel(follow=False) as pose:
        for row in json.loads((folder / "annotations.json").read_text()):
            frame = cv2.cvtColor(cv2.imread(str(folder / row["file"])), cv2.COLOR_BGR2RGB)
            people = pose(frame, 0.0, 1.0)
            if not people:
                continue
            person = max(people, key=lambda one: one.size_px)
            stature = person.size_px / TRUNK_ST
            ankles, hips = person.points[list(ANKLES)], person.points[list(HIPS)]
            found = net.find(frame, athlete_box(ankles, hips, stature))
            sure = found.confidence >= CONFIDENT
            truth = [row["ends"][name] for name in ("left", "right")]
            places = [end["centre"] for end in truth]
            way = np.subtract(places[1], places[0]) if all(places) else np.array([1.0, 0.0])
            way = way / np.hypot(*way)
            for side, end in enumerate(truth):
                gap = np.full(2, np.inf)
                if end["centre"] is not None and sure[side]:
                    gap = (found.ends_px[side] - end["centre"]) / (2 * end["semi_axis"])
                given += int(sure[side])
                false += int(sure[side] and not np.hypot(*gap) < ON_IT)
                if end["visible"] == "no":
                    continue
                miss = {"outer face or edge": float(np.hypot(*gap))}
                if end["face_seen"] == "inner":
                    miss = {
                        "inner face, across": abs(float(gap @ (-way[1], way[0]))),
                        "inner face, along": abs(float(gap @ way)),
                    } if sure[side] else dict.fromkeys(list(near)[1:], np.inf)  # fmt: skip
                for name, value in miss.items():
                    count[name] += 1
                    near[name] += value < NEAR_PHOTO
            marked = {NAMED.get(name, name) for name in (row["zone"], row["zone_alt"]) if name}
            if marked == {"other"}:
                continue  # carried in the elbows or on the hips: no zone of the reading
            hands = person.points[list(KNUCKLES)][:, 1].mean()
            bar_y = float(found.ends_px[sure, 1].mean() if sure.all() else hands)
            shoulder_y = float(person.points[list(SHOULDERS)][:, 1].mean())
            said = zone(bar_y, shoulder_y, float(ankles[:, 1].mean()), stature)
            judged += 1
            zones += said in marked
            if said not in marked:
                wrong.append(f"{row['file']}: {said}, not {' or '.join(sorted(marked))}")
    print(f"photographs, zone right: {wilson(zones, judged)}")
    for text in wrong:
        print(f"  {text}")
    for name in near:
        print(f"photographs, {name}, within {NEAR_PHOTO}: {wilson(near[name], count[name])}")
    best = near["outer face or edge"] + near["inner face, across"]
    ends = count["outer face or edge"] + count["inner face, across"]
    print(f"photographs, all visible ends within {NEAR_PHOTO}: {wilson(best, ends)}")
    print(f"photographs, given ends that are none of the bar: {wilson(false, given)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seeds", default="101-112", help="numbers and first-last, comma between")
    parser.add_argument("--clips", type=Path, help="folder of the rendered clips")
    parser.add_argument("--again", action="store_true", help="track anew")
    parser.add_argument("--way", choices=WAYS, default="both", help="the network alone, or all")
    parser.add_argument("--real", type=Path, help="folder of real photographs (`stills`)")
    options = parser.parse_args()
    if options.clips:
        scenes(options)
    if options.real:
        photographs(options.real)


if __name__ == "__main__":
    main()
