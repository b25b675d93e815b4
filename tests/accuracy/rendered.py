"""Accuracy of the whole way on rendered attempts: `python -m tests.accuracy.rendered --seeds A-B`.

For each seed a whole attempt is made up (workout, athlete, view, light, plates, bystanders,
mishaps), rendered, tracked from its pixels and read with its workout; what was read is held against
the exact truth, by the definitions of `tests.accuracy.reading`. The clips come from the renderer
that the bar network was trained on, with other seeds, rooms and athletes: phone footage is harder.

Rendering takes about the length of the attempt and is kept in `--clips`; tracks too, until
`--again`.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from repcount.attempt.assemble import derive_attempt
from repcount.motion import measure
from repcount.plan import load_plan
from repcount.reading import read_attempt
from repcount.tracking import TrackOptions, track
from repcount.tracking.tracks import load_tracks, save_tracks
from sample_clips.render.produce import film_spec
from sample_clips.render.specs import random_spec
from tests.accuracy.reading import compared, summary, table


def rendered(seed: int, folder: Path) -> Path:
    """The clip of a seed, rendered into `folder` unless its truth, written last, lies there."""
    path = folder / f"random-{seed}.mp4"
    if not path.with_suffix(".frames.npz").is_file():
        film_spec(random_spec(seed), folder)
    return path


def judged(path: Path, again: bool) -> dict[str, Any]:
    """One clip tracked, read and held against its truth."""
    kept = path.with_suffix(".tracks.nc")
    if again or not kept.is_file():
        save_tracks(track(path, TrackOptions()), kept)
    motion = measure(load_tracks(kept))
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    workout = load_plan(path.with_suffix(".toml")).workout
    attempt = derive_attempt(read_attempt(motion, workout))
    return {
        "notes": truth["notes"],
        "duration_s": truth["filmed_s"],
        "simulated_s": 0.0,
        "read_s": 0.0,
        "alone": None,
        **compared(truth, attempt),
    }


def line(seed: int, one: dict[str, Any]) -> str:
    """What a clip shows and what of it is right."""
    view = random_spec(seed).view
    placed, true, made_up = one["breaks"]
    wrong = [cell for cell in one["cells"] if not cell["right"]]
    said = "; ".join(
        f"round {cell['round']} {cell['movement']}: {cell['read']} of {cell['true']}"
        + (", check" if cell["check"] else "")
        for cell in wrong
    )
    return (
        f"seed {seed}: {one['duration_s']:.0f} s, {view.azimuth_deg:+.0f} degrees, "
        f"{view.distance_m:.1f} m: cells {len(one['cells']) - len(wrong)} of {len(one['cells'])}, "
        f"reps {one['total'][0]} of {one['total'][1]}, breaks {placed} of {true}"
        + (f", {made_up} made up" if made_up else "")
        + (f"   WRONG: {said}" if said else "")
    )


def main() -> None:
    """Render, track and read the seeds asked for; print a line for each and the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", required=True, help="numbers and first-last, comma between")
    parser.add_argument("--clips", type=Path, required=True, help="folder of the rendered clips")
    parser.add_argument("--again", action="store_true", help="track anew")
    asked = parser.parse_args()
    results = []
    for seed in seeds(asked.seeds):
        one = judged(rendered(seed, asked.clips), asked.again)
        print(line(seed, one), flush=True)
        results.append(one)
    numbers = summary(results)
    for unused in ("seconds", "without a plan"):
        numbers.pop(unused, None)
    print()
    print("\n".join(table(numbers, None)))


def seeds(text: str) -> list[int]:
    """`900,903-905` as 900, 903, 904, 905."""
    found: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


if __name__ == "__main__":
    main()
