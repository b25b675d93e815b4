"""The athlete away while somebody else stays: `python -m tests.accuracy.absence --clips DIR`.

For each seed one round of Slate (18 reps) is rendered, with a bystander and a break of 75 s in
which the athlete walks out of the frame and comes back. The film is then cut: walking out and in
with 10, 30 or 60 s between (`out`), or so that the athlete vanishes from one frame to the next,
is away for as long, and is there again (`jump`). Every rep must be found, with its top at its
time; where the film jumps, that must be said.

Rendering takes about the length of the film and is kept in `--clips`.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.plan import load_plan
from repcount.reading import read_attempt
from repcount.tracking import track
from repcount.tracking.tracks import save_tracks
from repcount.video.footage import open_footage
from sample_clips.render.bystanders import Bystander, Stander
from sample_clips.render.camera import orbit
from sample_clips.render.choreography import Choreography
from sample_clips.render.clip import Lane, Shot, film, write_truth
from sample_clips.render.looks import random_person
from sample_clips.render.produce import BASALT, SLATE
from sample_clips.render.script import Act, Script
from sample_clips.render.specs import SLATE as SLATE_ROUND
from sample_clips.render.specs import RoundScript, View, assemble, beeps, plan_text, stop
from sample_clips.render.truth import Workout, truth_of
from tests.media import write_video

AWAY_S, KINDS, LENGTHS_S = 75.0, ("out", "jump"), (10.0, 30.0, 60.0)
NEAR_S = 0.05


def rendered(seed: int, folder: Path) -> Path:
    """The whole film of a seed, rendered unless its truth, written last, lies in `folder`."""
    stem = folder / f"away-{seed}"
    if stem.with_suffix(".frames.npz").is_file():
        return stem.with_suffix(".mp4")
    rng = np.random.default_rng([seed, 29])
    setting = BASALT if seed % 2 else SLATE
    at = int(rng.choice([3, 7, 10]))
    away = Act("break", seconds=AWAY_S, how="put down", during="leave")
    one = RoundScript(SLATE_ROUND, {at: away, 14: stop(3.0)})
    before = [Act("wait", seconds=0.8), *beeps(1), Act("wait", seconds=0.6)]
    script = Script(assemble(before, [one], [], [Act("end", how="drop", seconds=2.0)]))
    view = View(float(rng.uniform(-40, 40)), 4.0, float(rng.uniform(0.9, 1.4)), (360, 640))
    look = setting.person
    choreography = Choreography(look.human(), script, seed)
    camera = orbit(view.azimuth_deg, view.distance_m, view.height_m, size=view.size)
    other = random_person(rng)
    # beside and behind the bar, whole in the frame
    forward = camera.rotation[2][[0, 2]] / np.linalg.norm(camera.rotation[2][[0, 2]])
    right = camera.rotation[0][[0, 2]]
    place = forward * rng.uniform(1.6, 2.4) + right * rng.choice([-1, 1]) * rng.uniform(0.5, 0.9)
    spot = (float(place[0]), float(place[1]))
    yaw = float(np.arctan2(-forward[0], -forward[1]) + rng.normal() * 0.5)
    human = other.human()
    stander = Stander(human, spot, yaw, seed, choreography.duration_s)
    bystander = Bystander(human, other, stander, (spot,))
    gym = replace(setting.gym, standing=(spot,), spare_bars=1)
    folder.mkdir(parents=True, exist_ok=True)
    lane = Lane(choreography, look, setting.bar)
    shot = Shot(crf=24)
    (seen,) = film(stem.with_suffix(".mp4"), [lane], camera, gym, shot, [bystander], seed)
    plan = plan_text("Slate", 60.0, [SLATE_ROUND], ["8+6+4"], 3.0, [60], None)
    write_truth(stem, truth_of(choreography, Workout((SLATE_ROUND,))), plan)
    seen.save(stem.with_suffix(".frames.npz"))
    return stem.with_suffix(".mp4")


def parts(joints: np.ndarray, times: np.ndarray, width: int, kind: str, away_s: float) -> list:
    """The stretches (from, to) in seconds of a film that are kept. `joints` (T, J, 2) of the
    athlete, pixels."""
    middle = joints[..., 0].astype(float).mean(1)
    outside = (middle < 0) | (middle > width)  # a hand may still be in the frame
    out = np.flatnonzero(outside)
    first, last = times[out[0]], times[out[-1]]
    if kind == "out":
        return [(0.0, first + away_s / 2), (last - away_s / 2, times[-1] + 1.0)]
    # the athlete vanishes just before the first step and is there again just after the last
    moved = np.abs(middle - np.median(middle[~outside])) > 0.08 * width
    begins = times[out[0] - np.flatnonzero(~moved[: out[0]][::-1])[0] - 1]
    ends = times[out[-1] + np.flatnonzero(~moved[out[-1] :])[0]]
    return [(0.0, begins), (first + 1.0, first + 1.0 + away_s), (ends, times[-1] + 1.0)]


def cut(film_path: Path, kind: str, away_s: float) -> tuple[Path, list]:
    """The film cut, written beside it unless it is there, and the stretches that were kept."""
    frames = np.load(film_path.with_suffix(".frames.npz"))
    to = film_path.with_name(f"{film_path.stem}-{kind}-{away_s:.0f}.mp4")
    with open_footage(film_path) as footage:
        kept = parts(frames["joints"], frames["time_s"], footage.info.width, kind, away_s)
        if not to.is_file():
            # told by the frame, not by its time, which is rounded in either
            inside = [any(a <= t < b - 1e-6 for a, b in kept) for t in frames["time_s"]]
            times = [moved(t, kept) for t in frames["time_s"][inside]]
            seen = zip(footage.frames(), inside, strict=True)
            write_video(to, times, pictures=(one.rgb for one, is_kept in seen if is_kept))
    return to, kept


def moved(time_s: float, kept: list) -> float:
    """Where a moment of the whole film lies in the cut one."""
    return sum(max(0.0, min(b, time_s) - a) for a, b in kept)


def judged(path: Path, kept: list, stem: Path, keep: bool) -> dict[str, Any]:
    """A cut film tracked, read and held against the truth."""
    truth = json.loads(stem.with_suffix(".truth.json").read_text())
    tracks = track(path)
    if keep:
        save_tracks(tracks, path.with_suffix(".tracks.nc"))
    plan = load_plan(stem.with_suffix(".toml"))
    attempt = derive_attempt(read_attempt(measure(tracks), plan.workout))
    due = {(one["movement"], one["number"]): one["top_s"] for one in truth["reps"]}
    read = {(r.movement, r.number): r.top_s for r in attempt.reps if r.status == "counted"}
    errors = [abs(read[key] - moved(at, kept)) for key, at in due.items() if key in read]
    breaks = [(one["after"]["movement"], one["after"]["number"]) for one in truth["breaks"]]
    found = [(one.after.movement, one.after.number) for one in attempt.breaks if one.after]
    return {
        "due": len(due),
        "counted": len(read),
        "near": sum(error < NEAR_S for error in errors),
        "worst_s": max(errors, default=float("nan")),
        "breaks": breaks == found,
        "notices": [notice.code for notice in attempt.warnings],
    }


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.absence")
    parser.add_argument("--clips", type=Path, required=True, help="folder of the rendered clips")
    parser.add_argument("--seeds", type=int, nargs="+", required=True)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--away", type=float, nargs="+", default=LENGTHS_S, help="seconds")
    parser.add_argument("--keep", action="store_true", help="keep the tracks beside the clips")
    asked = parser.parse_args()
    wrong = 0
    for seed, kind, away_s in product(asked.seeds, asked.kinds, asked.away):
        whole = rendered(seed, asked.clips)
        path, kept = cut(whole, kind, away_s)
        one = judged(path, kept, whole, asked.keep)
        right = one["near"] == one["due"] == one["counted"] and one["breaks"]
        right = right and (kind == "out" or "film-jumps" in one["notices"])
        wrong += not right
        print(
            f"{path.name}: {one['counted']} counted of {one['due']}, {one['near']} within "
            f"{NEAR_S} s (worst {one['worst_s']:.3f} s), breaks "
            f"{'right' if one['breaks'] else 'WRONG'}, {' '.join(one['notices'])}"
            + ("" if right else "   WRONG"),
            flush=True,
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
