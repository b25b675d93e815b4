"""python -m sample_clips.render.lanes 2|3 [--crossing] [--out DIR]: athletes side by side.

They start at one signal. Each lane does its own round of Gravel at its own speed with its own
break, so that lanes that were mixed up would not count right. With `--crossing` somebody walks
through between the phone and the athletes, and back.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from sample_clips.render.bystanders import random_bystanders
from sample_clips.render.camera import orbit
from sample_clips.render.choreography import Choreography
from sample_clips.render.clip import Lane, Shot, film, write_truth
from sample_clips.render.meshes import BarbellLook, Plate
from sample_clips.render.produce import BASALT, BLACK, SLATE, WHITE
from sample_clips.render.script import Act, Script
from sample_clips.render.specs import Movements, RoundScript, assemble, beeps, plan_text, stop
from sample_clips.render.truth import Workout, truth_of

GRAVEL: Movements = (("deadlift", 5), ("hang power clean", 3), ("push press", 3))
APART_M = 2.9  # a bar is 2.2 m long
LOOKS = (
    SLATE.person,
    BASALT.person,
    replace(SLATE.person, shirt=(0.34, 0.30, 0.05), shorts=(0.05, 0.06, 0.1), beard=False),
)
BARS = (
    SLATE.bar,
    BASALT.bar,
    BarbellLook(plates=(Plate((0.02, 0.05, 0.2), thickness_m=0.055, mark=WHITE), Plate(BLACK))),
)
# Where the bar goes down (after so many reps), for how long, and the speed of each lane.
WAYS = (({7: 2.6}, 1.08), ({5: 3.4}, 0.92), ({4: 2.0, 8: 2.2}, 1.0))
VIEWS = {2: (18.0, 5.4, 1.25), 3: (12.0, 7.4, 1.35)}


def lanes_clip(
    lanes: int,
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
    crossing: bool = False,
) -> Path:
    """Write lanes-N.mp4 with a truth and a plan for each lane, counted from the frame's left."""
    azimuth, distance, height = VIEWS[lanes]
    camera = orbit(azimuth, distance, height, (0.0, 0.95, 0.1), size=(1280, 720))
    cast = []
    for number in range(lanes):
        stops, tempo = WAYS[number]
        one = RoundScript(GRAVEL, {at: stop(seconds) for at, seconds in stops.items()})
        before = [Act("wait", seconds=0.5), *beeps(1), Act("wait", seconds=0.4 + 0.3 * number)]
        acts = assemble(before, [one], [], [Act("end", how="drop", seconds=2.0)])
        script = Script(acts, tempo=tempo, tail_s=1.5)
        look = LOOKS[number]
        choreography = Choreography(look.human(), script, 40 + number)
        # the camera looks at the athletes' front: their right is the frame's left
        place = ((number - (lanes - 1) / 2) * APART_M, 0.0, 0.0)
        cast.append(Lane(choreography, look, BARS[number], place))
    longest = max(cast, key=lambda lane: lane.choreography.duration_s)
    room = (-7.0, 7.0, -3.4, 9.0)
    places = tuple(lane.place[:2] for lane in cast)
    people = random_bystanders(
        2, camera, room, 5 + lanes, longest.choreography.duration_s, crossing, places
    )
    standing = tuple(place for one in people for place in one.places)
    gym = replace(SLATE.gym, room=room, clear=places, standing=standing, spare_bars=1)
    folder.mkdir(parents=True, exist_ok=True)
    name = f"lanes-{lanes}" + ("-crossed" if crossing else "")
    stem = folder / name
    order = [longest, *(lane for lane in cast if lane is not longest)]
    seen = film(stem.with_suffix(".mp4"), order, camera, gym, Shot(crf=24), people, 9, progress)
    workout = Workout((GRAVEL,))
    plan = plan_text("Gravel", 60.0, [GRAVEL], ["5+2 | 1+3"], 3.0, [24], None)
    left_first = sorted(range(lanes), key=lambda k: float(seen[k].joints[0, :, 0].mean()))
    for number, k in enumerate(left_first, 1):
        path = folder / f"{name}-{number}"
        write_truth(path, truth_of(order[k].choreography, workout), plan)
        seen[k].save(path.with_suffix(".frames.npz"))
    return stem.with_suffix(".mp4")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m sample_clips.render.lanes")
    parser.add_argument("lanes", type=int, choices=sorted(VIEWS))
    parser.add_argument("--crossing", action="store_true")
    parser.add_argument("--out", type=Path, default=Path("."))
    asked = parser.parse_args(arguments)

    def progress(done: int, total: int) -> None:
        if done % 50 == 0 or done == total:
            print(f"\r{done} of {total} frames", end="", file=sys.stderr)

    print(f"\n{lanes_clip(asked.lanes, asked.out, progress, asked.crossing)}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
