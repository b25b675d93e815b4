"""Measure `models/bar.onnx` as the project runs it, through OpenCV: how far off, how often wrong.

    python -m models.train_bar.evaluate rooms 14
    python -m models.train_bar.evaluate drawn 480 --first 700000
    python -m models.train_bar.evaluate packed OUT/check.npz
    python -m models.train_bar.evaluate photos FOLDER
    python -m models.train_bar.evaluate real FOLDER

rooms: images of as many rooms that were not trained on, as drawn, by a good camera; drawn:
images of `sample_clips.render.dataset`, another generator than the one trained on; packed:
images that a training run kept to measure on, spoiled as those it learned from; photos: the
photographs that `photo_marks.json` holds back from training; real: a folder of real clips with
`stills/` and `bar_track/` as the tests use it. Rooms, packed and photos also say how often an end
given with a confidence is within NEAR. Nothing here chooses a threshold or trains.
"""

from __future__ import annotations

import argparse
import csv
import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from models.train_bar.crops import CROP_PX, SIDE_ST, STORE_PX
from repcount.tracking.bar_net import CONFIDENT, BarNet, BarSighting, athlete_box

SEEN, UNSEEN = 0.12, 0.02
TRUNK_ST = 0.28  # Person.size_px over stature
ROOM_SEED = 6_000_000  # far from those of `train`
NEAR = 0.25  # plate diameters: an end given as near as this is right
BARE_PX = 3.0  # semi-axes below this, in a crop, are those of a bare bar's sleeve
PLATE_M, STATURE_M = 0.225, 1.76  # a bare bar's errors are given in plates of 0.45 m


@dataclass
class Tally:
    """What is counted over ends, errors in plate diameters."""

    errors: list[float]
    wanted: int = 0
    absent: int = 0
    false: int = 0
    said: list[tuple[float, bool]] = field(default_factory=list)  # confidence, and whether right

    @classmethod
    def new(cls) -> Tally:
        return cls([])

    def line(self) -> str:
        e = np.array(self.errors)
        if not self.wanted:
            return f"false {self.false}/{self.absent}"
        near = [f"<{t:.2f} {np.sum(e < t) / self.wanted:.3f}" for t in (0.1, 0.15, 0.25)]
        middle = np.median(e) if len(e) else np.nan
        return (
            f"ends {self.wanted}, found {len(e) / self.wanted:.3f}, median {middle:.3f}, "
            f"p95 {np.quantile(e, 0.95) if len(e) else np.nan:.3f}, {', '.join(near)} of wanted, "
            f"wrong (>0.25) {int(np.sum(e > 0.25))}, false {self.false}/{self.absent}"
        )


def score(
    tally: Tally, found: BarSighting, ends: np.ndarray, semi: np.ndarray, visible: np.ndarray
) -> None:
    for side in (0, 1):
        confident = found.confidence[side] >= CONFIDENT
        miss = float(np.hypot(*(found.ends_px[side] - ends[side])) / (2 * semi[side]))
        right = bool(visible[side] > 0 and miss < NEAR)
        tally.said.append((float(found.confidence[side]), right))
        if visible[side] >= SEEN:
            tally.wanted += 1
            if confident:
                tally.errors.append(miss)
        elif visible[side] < UNSEEN:
            tally.absent += 1
            tally.false += bool(confident)


def reliability(tallies: Iterable[Tally]) -> None:
    """Print, by tenths of the confidence, its mean and how many ends are right."""
    said = np.array([one for tally in tallies for one in tally.said])
    tenth = np.minimum((said[:, 0] * 10).astype(int), 9)
    for k in range(10):
        here = said[tenth == k]
        if len(here):
            print(
                f"confidence {k / 10:.1f} to {(k + 1) / 10:.1f}: {len(here)} ends, mean "
                f"{here[:, 0].mean():.2f}, within {NEAR} {here[:, 1].mean():.2f}"
            )


Row = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, int]


def packed(path: Path) -> Iterator[Row]:
    """Images kept by a training run: image, ends, semi-axes, visible shares, state."""
    data = np.load(path)
    starts = np.concatenate([[0], np.cumsum(data["sizes"])])
    for i, row in enumerate(data["labels"]):
        picture = cv2.imdecode(data["bytes"][starts[i] : starts[i + 1]], cv2.IMREAD_COLOR)
        yield picture, row[:4].reshape(2, 2), row[4:6], row[6:8], int(data["state"][i])


def rooms(count: int) -> Iterator[Row]:
    """The same for rooms drawn now."""
    from models.train_bar.scenes import Studio

    studio = Studio(plain=True)
    for seed in range(ROOM_SEED, ROOM_SEED + count):
        for s in studio.room(seed):
            yield s.picture, s.ends, s.semi_axis, s.visible, s.state


def by_state(rows: Iterator[Row], grey: bool) -> None:
    """Errors by the state of the bar; false ends where there is no bar."""
    names = ("held", "lying", "falling", "none", "bare")
    net, tallies = BarNet(), {name: Tally.new() for name in names}
    margin = (STORE_PX - CROP_PX) / 2
    box = (margin, margin, STORE_PX - margin, STORE_PX - margin)
    for picture, ends, semi, visible, state in rows:
        if grey:
            picture = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        inside = np.ones(2, bool)
        if np.isfinite(ends).all():
            inside = ((ends > margin) & (ends < STORE_PX - margin)).all(1)
        unsure = np.where(visible > UNSEEN, (SEEN + UNSEEN) / 2, 0.0)
        seen = np.where(inside, visible, unsure)
        bare = bool((semi < BARE_PX).any())
        if bare:
            semi = np.full(2, PLATE_M / STATURE_M / SIDE_ST * CROP_PX)
        name = "bare" if bare else names[state]
        score(tallies[name], net.find(picture, box), ends, semi, seen)
    for name, tally in tallies.items():
        print(f"{name}: {tally.line()}")
    reliability(tallies.values())


def photos(folder: Path, grey: bool) -> None:
    """The photographs held back, in the squares that the marks name."""
    from models.train_bar.photos import NONE, load

    net, tallies = BarNet(), {name: Tally.new() for name in ("plates", "bare bars", "no bar")}
    for one in load(folder):
        if not one.held_back:
            continue
        picture = cv2.cvtColor(one.picture, cv2.COLOR_RGB2GRAY) if grey else one.picture
        bare = bool(one.bare.any())
        side = float(one.square[2] - one.square[0])
        semi = np.full(2, PLATE_M / STATURE_M / SIDE_ST * side) if bare else one.semi_axis
        with_bar = "bare bars" if bare else "plates"
        tally = tallies["no bar" if one.state == NONE else with_bar]
        score(tally, net.find(picture, one.square), one.ends, semi, one.visible)
    for name, tally in tallies.items():
        print(f"{name}: {tally.line()}")
    reliability(tallies.values())


def drawn(count: int, first: int, grey: bool) -> None:
    """Images of the sample clips' own generator, by whether the bar is held."""
    from sample_clips.render.dataset import render_sample

    net, tallies = BarNet(), {"held": Tally.new(), "not held": Tally.new()}
    for seed in range(first, first + count):
        picture, labels = render_sample(seed)
        names = ("shoulder", "hip", "knee", "ankle")
        shoulders, hips, _, ankles = (_pair(labels.joints, name) for name in names)
        stature = _stature(shoulders, hips, _pair(labels.joints, "knee"))
        if grey:
            picture = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        found = net.find(picture, athlete_box(ankles, hips, stature))
        if (labels.bar.visible < UNSEEN).all():
            continue  # cameras of that generator may stand behind a wall
        tally = tallies["held" if labels.held else "not held"]
        score(tally, found, labels.bar.ends, labels.bar.semi_axis, labels.bar.visible)
    for name, tally in tallies.items():
        print(f"{name}: {tally.line()}")


def _pair(joints: np.ndarray, name: str) -> np.ndarray:
    from sample_clips.render.human import JOINTS

    return joints[[list(JOINTS).index(f"{side}_{name}") for side in ("left", "right")]]


def _stature(shoulders: np.ndarray, hips: np.ndarray, knees: np.ndarray) -> float:
    torso = np.hypot(*(shoulders.mean(0) - hips.mean(0)))
    thigh = np.hypot(*(hips.mean(0) - knees.mean(0)))
    return float(max(torso, thigh, 1.2 * np.hypot(*(shoulders[0] - shoulders[1])))) / TRUNK_ST


# ---------------------------------------------------------------------- real images


def real(folder: Path, show: Path | None, grey: bool) -> None:
    stills(folder / "stills", show, grey)
    video(folder, "deadlift_front_with_cuts", 1, lambda t: 17.9 <= t <= 28.4, show, grey)
    video(folder, "jerk_front", 0, lambda t: t < 8.4 or t > 9.0, show, grey)
    no_bar(folder, "no_barbell", grey)


def stills(folder: Path, show: Path | None, grey: bool) -> None:
    """Ends with the outer face or the edge seen by their distance; with the inner face seen across
    and along the bar apart."""
    from repcount.tracking.pose import ANKLES, HIPS, PoseModel

    net = BarNet()
    whole, across, along, missed, false, absent, hidden = [], [], [], [], 0, 0, 0
    with PoseModel(follow=False) as pose:
        for row in json.loads((folder / "annotations.json").read_text()):
            picture = cv2.cvtColor(cv2.imread(str(folder / row["file"])), cv2.COLOR_BGR2RGB)
            people = pose(picture, 0.0, 1.0)
            if not people:
                print(f"{row['file']}: nobody found")
                continue
            person = max(people, key=lambda p: p.size_px)
            box = athlete_box(
                person.points[list(ANKLES)], person.points[list(HIPS)], person.size_px / TRUNK_ST
            )
            seen = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if grey else picture
            found = net.find(seen, box)
            truth = [row["ends"][side] for side in ("left", "right")]
            places = [e["centre"] for e in truth]
            way = np.subtract(places[1], places[0]) if all(places) else np.array([1.0, 0.0])
            way = way / np.hypot(*way)
            for side, end in enumerate(truth):
                confident = found.confidence[side] >= CONFIDENT
                if end["visible"] == "no":
                    absent += 1
                    false += bool(confident)
                    continue
                hidden += end["visible"] == "partly"
                diameter = 2 * end["semi_axis"]
                gap = (found.ends_px[side] - end["centre"]) / diameter
                if not confident:
                    missed.append((row["file"], side, round(float(found.confidence[side]), 2)))
                    gap = np.full(2, np.inf)
                x = float(abs(gap @ way)) if confident else np.inf
                y = float(abs(gap @ (-way[1], way[0]))) if confident else np.inf
                if end["face_seen"] == "inner":
                    across.append(y)
                    along.append(x)
                else:
                    whole.append(float(np.hypot(x, y)))
            if show is not None:
                _show(show / f"still_{row['file']}", picture, box, found, places)
    for name, values in (
        ("outer face or edge", whole), ("inner face, across", across),
        ("inner face, along", along), ("all, best measure", whole + across),
    ):  # fmt: skip
        print(f"stills, {name}: {_spread(values)}")
    print(f"stills: {hidden} ends partly hidden; absent ends {absent}, false {false}")
    print(f"stills: missed {missed}")


def _spread(values: list[float]) -> str:
    v = np.array(values)
    if not len(v):
        return "none"
    near = ", ".join(f"<{t:.2f}: {int(np.sum(v < t))}" for t in (0.10, 0.15, 0.25))
    given = v[np.isfinite(v)]
    return (
        f"n {len(v)}, given {len(given)}, median {np.median(given):.3f}, {near}, "
        f"wrong (> 0.5) {int(np.sum(given > 0.5))}"
    )


def video(
    folder: Path,
    name: str,
    side: int,
    counts: Callable[[float], bool],
    show: Path | None,
    grey: bool,
) -> None:
    """One end against the box of its plate stack: height against the box's middle, place along the
    image against the box's outer edge; in plate diameters (the box's height)."""
    from repcount.tracking.pose import ANKLES, HIPS, NOSE, PoseModel
    from repcount.video.footage import open_footage

    lines = (folder / "bar_track" / f"{name}.csv").read_text().splitlines()
    rows = [
        {k: float(v) for k, v in row.items()}
        for row in csv.DictReader(line for line in lines if not line.startswith("#"))
    ]
    rows = [row for row in rows if counts(row["t"])]
    times = np.array([row["t"] for row in rows])
    looked = []
    with open_footage(folder / "video" / f"{name}.mp4") as footage, PoseModel() as pose:
        for frame in footage.frames():
            near = int(np.argmin(np.abs(times - frame.time_s)))
            if abs(times[near] - frame.time_s) > 0.01:
                continue
            people = pose(frame.rgb, frame.time_s, 1.0)
            if people:
                looked.append((rows[near], frame.rgb, people[0]))
    heights = [p.middle(ANKLES)[1] - p.points[NOSE][1] for _, _, p in looked]
    stature = float(np.quantile(heights, 0.9)) / 0.9
    net, up, out, confident, spent = BarNet(), [], [], [], []
    for n, (row, rgb, person) in enumerate(looked):
        box = athlete_box(person.points[list(ANKLES)], person.points[list(HIPS)], stature)
        seen = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY) if grey else rgb
        begun = time.thread_time()
        found = net.find(seen, box)
        spent.append(time.thread_time() - begun)
        confident.append(found.confidence[side] >= CONFIDENT)
        edge = row["x"] + (row["w"] if side else 0.0)
        up.append(abs(found.ends_px[side][1] - row["cy"]) / row["h"])
        out.append((found.ends_px[side][0] - edge) / row["h"])
        if show is not None and n % 12 == 0:
            _show(show / f"{name}_{n:04d}.jpg", rgb, box, found, [(row["cx"], row["cy"])])
    sure, height, place = np.array(confident), np.array(up), np.array(out)
    given, aside = height[sure], place[sure]
    low, middle, high = np.quantile(aside, [0.25, 0.5, 0.75])
    print(
        f"{name}: {len(looked)} frames of {len(rows)}, given {sure.mean():.3f}, height error "
        f"median {np.median(given):.3f}, p95 {np.quantile(given, 0.95):.3f}, under 0.10 "
        f"{(given < 0.1).mean():.3f}, under 0.30 {(given < 0.3).mean():.3f}, over 0.50 "
        f"{(given > 0.5).mean():.3f}; from the box's outer edge {middle:+.3f} ({low:+.3f} to "
        f"{high:+.3f}); {1000 * np.median(spent):.1f} ms"
    )


def no_bar(folder: Path, name: str, grey: bool) -> None:
    """How often an end is seen in a film without a bar."""
    from repcount.tracking.pose import ANKLES, HIPS, PoseModel
    from repcount.video.footage import open_footage

    net, frames, false = BarNet(), 0, 0
    with open_footage(folder / "video" / f"{name}.mp4") as footage, PoseModel() as pose:
        for frame in footage.frames():
            for person in pose(frame.rgb, frame.time_s, 1.0)[:1]:
                box = athlete_box(
                    person.points[list(ANKLES)],
                    person.points[list(HIPS)],
                    person.size_px / TRUNK_ST,
                )
                found = net.find(frame.gray if grey else frame.rgb, box)
                frames += 1
                false += int((found.confidence >= CONFIDENT).sum())
    print(f"{name}: {frames} frames, {false} false ends")


def _show(
    path: Path,
    rgb: np.ndarray,
    box: np.ndarray,
    found: BarSighting,
    truth: list[list[float] | tuple[float, float] | None],
) -> None:
    out = np.ascontiguousarray(rgb[..., ::-1])
    a, b = (tuple(int(v) for v in box[k : k + 2]) for k in (0, 2))
    cv2.rectangle(out, a, b, (255, 255, 255), 1)
    for place in truth:
        if place:
            cv2.drawMarker(
                out, tuple(int(v) for v in place), (255, 255, 0), cv2.MARKER_CROSS, 18, 2
            )
    for side, colour in ((0, (0, 0, 255)), (1, (0, 255, 0))):
        x, y = (int(v) for v in np.clip(found.ends_px[side], -9999, 9999))
        k, sure = int(found.semi_axis_px[side]), found.confidence[side]
        cv2.line(out, (x, y - k), (x, y + k), colour, 2 if sure >= CONFIDENT else 1)
        cv2.putText(out, f"{sure:.2f}", (x + 4, y), 0, 0.5, colour, 1)
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), out)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=("rooms", "drawn", "packed", "photos", "real"))
    parser.add_argument("source", help="how many pictures, a file, a folder")
    parser.add_argument("--first", type=int, default=900_000, help="first seed of drawn pictures")
    parser.add_argument("--show", type=Path, help="folder for real pictures with marks")
    parser.add_argument("--grey", action="store_true", help="give the network grey pictures")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.what == "drawn":
        drawn(int(options.source), options.first, options.grey)
    elif options.what == "rooms":
        by_state(rooms(int(options.source)), options.grey)
    elif options.what == "photos":
        photos(Path(options.source), options.grey)
    elif options.what == "packed":
        by_state(packed(Path(options.source)), options.grey)
    else:
        real(Path(options.source), options.show, options.grey)


if __name__ == "__main__":
    main()
