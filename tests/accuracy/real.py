"""Accuracy on clips of real people by phones and cameras: `python -m tests.accuracy.real FOLDER`.

FOLDER holds the clips and a truth file by eye (`--truth`, else `dev.json` in FOLDER, else
`real/dev.json` in the folder of real clips that `REPCOUNT_CLIPS` names). The clips belong to other
people and are no part of the project. Each is tracked once and read twice: alone, and asked for its
movement (a workout of one round with as many reps as there are lifts).

- A lift is *found* where the top of a rep lies within its tolerance. Reps and lifts are assigned
  one to one (SciPy's `linear_sum_assignment`): most lifts first, then the smallest errors. Reps
  count here whatever their status; one near a moment that may be a rep or not is neither extra nor
  needed.
- *Named* is a found lift with the truth's movement, or one that is fair as well.
- *Extra* is a rep at no lift.
- A clip is *wrong* with a lift missed or misnamed or a rep extra, *silently wrong* where no rep
  carries a "check" and no warning is about what was counted (`ELSEWHERE`). How many right clips
  carry the same says what a mark is worth.
- *Bar* is the fraction of frames with an end of the bar, *athlete* that of the pose model's looks
  with the athlete.

Intervals are Wilson's of 95 % and take every lift for itself; lifts of one person are alike, so the
true ones are wider. `--out` writes everything as JSON, `--against` compares with such a file.
Tracking is slow: tracks are kept in `--cache` by the clip's SHA-256 and that of what tracks it, so
that after a change of motion or reading alone the clips are read again in seconds.

`--derived KIND` does the same with cases made from the same clips (`tests.accuracy.derived`).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from pydantic import BaseModel, Field, TypeAdapter, ValidationError
from scipy.optimize import linear_sum_assignment
from scipy.stats import binomtest

import repcount
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import Attempt, MovementReps, Rep, Workout
from repcount.errors import RepcountError
from repcount.motion import measure
from repcount.reading import read_attempt
from repcount.tracking import track
from repcount.tracking.model_files import CHECKSUMS, models_folder
from repcount.tracking.tracks import BAR_KEYPOINTS, attribute, load_tracks, save_tracks
from tests.accuracy.derived import KINDS, derive
from tests.conftest import clips_folder

# The truth is by eye, 0.1 to 0.3 s: a top this near is as good as the truth.
NEAR_S = 0.25
# Warnings about the clock, lengths or filming in general: none of them makes a count uncertain.
ELSEWHERE = frozenset(
    {"start-ambiguous", "started-early", "no-metres", "falls-oddly", "few-frames", "camera-moved"}
)
MODES = ("alone", "asked")
# What makes tracks of pixels; a change of anything else leaves kept tracks as they are.
TRACKED_BY = ("tracking/*.py", "video/*.py")


class Clip(BaseModel):
    """What is seen in a clip. `finish_s`: when each lift counts; `may_count`: moments at which a
    rep may be read or not. Who lifts is given by `person`, else by where the clip is from."""

    clip: str
    movement: str
    finish_s: list[float]
    tolerance_s: float = Field(gt=0)
    view: str
    repo: str = ""
    person: str | None = None
    also_right: list[str] = []
    may_count: list[float] = []

    @property
    def who(self) -> str:
        return self.person or self.repo or self.clip

    @property
    def workout(self) -> Workout:
        """One round of the clip's movement, with as many reps as there are lifts."""
        reps = max(1, len(self.finish_s))
        return Workout(name="Slate", rounds=[[MovementReps(movement=self.movement, reps=reps)]])


def load_truth(path: Path) -> list[Clip]:
    """The clips of a truth file. Raises RepcountError if it is missing or not of this form."""
    try:
        clips = TypeAdapter(list[Clip]).validate_json(path.read_bytes())
    except OSError as error:
        raise RepcountError(
            f"{path}: cannot be read ({error.strerror}); give it with --truth."
        ) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RepcountError(f"{path}: {where}: {first['msg']}; mend the truth file.") from error
    for clip in clips:
        if clip.movement not in MOVEMENT_NAMES:
            raise RepcountError(f"{path}: {clip.clip}: no movement is called {clip.movement!r}.")
    return clips


# ---------------------------------------------------------------------- tracks


def tracker() -> str:
    """SHA-256 (hex) of the sources and models that make tracks of pixels."""
    package = Path(repcount.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(path for pattern in TRACKED_BY for path in package.glob(pattern)):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    digest.update((models_folder() / CHECKSUMS).read_bytes())
    return digest.hexdigest()


def tracked(path: Path, cache: Path) -> xr.Dataset:
    """The clip's tracks: kept ones of the same clip by the same tracker, else made and kept."""
    video = hashlib.sha256(path.read_bytes()).hexdigest()
    kept = cache / f"{path.stem}.{video[:16]}.{tracker()[:16]}.nc"
    if not kept.is_file():
        cache.mkdir(parents=True, exist_ok=True)
        # several runs may share the folder: each writes in a place of its own
        with tempfile.TemporaryDirectory(dir=cache) as own:
            save_tracks(track(path), Path(own) / kept.name)
            (Path(own) / kept.name).replace(kept)
    return load_tracks(kept)


def seen(tracks: xr.Dataset) -> dict[str, float]:
    """Fractions of the frames with an end of the bar, and of the pose looks with the athlete."""
    times = tracks.time.values
    ends = tracks.position.sel(keypoints=list(BAR_KEYPOINTS), space="y").values[:, :, 0]
    athlete = np.isfinite(tracks.confidence.sel(keypoints="left_shoulder").values[:, 0])
    options = attribute(tracks, "options")["tracking"]
    looks, due_s = 0, -np.inf
    for time_s in times:  # the frames that the pose model was given
        if time_s >= due_s:
            looks += 1
            due_s = time_s + 1 / options["pose_rate_hz"] - 1 / (3 * options["rate_hz"])
    return {
        "bar": round(float(np.isfinite(ends).any(1).mean()), 3),
        "athlete": round(min(1.0, float(athlete.sum()) / max(looks, 1)), 3),
    }


# ---------------------------------------------------------------------- held against the truth


def matched(
    tops_s: Sequence[float], lifts_s: Sequence[float], may_s: Sequence[float], tolerance_s: float
) -> tuple[dict[int, int], list[int]]:
    """Lift to rep (by place in their lists), one to one within the tolerance; and the reps left
    over that lie at no lift nor at a moment that may be a rep."""
    moments = np.array([*lifts_s, *may_s], float)
    away = np.abs(np.array(tops_s, float)[:, None] - moments[None, :])
    # a lift found outweighs all moments that may be, one of those outweighs all errors
    worth = np.where(np.arange(len(moments)) < len(lifts_s), len(moments) + 1.0, 1.0)
    gain = np.where(
        away <= tolerance_s + 1e-9, worth - away / (tolerance_s * (len(moments) + 1)), 0.0
    )
    reps, places = linear_sum_assignment(gain, maximize=True)
    pairs = [(int(r), int(p)) for r, p in zip(reps, places, strict=True) if gain[r, p] > 0]
    at_moments = {rep for rep, _ in pairs}
    left = [rep for rep in range(len(tops_s)) if rep not in at_moments]
    return {place: rep for rep, place in pairs if place < len(lifts_s)}, left


def judged(clip: Clip, attempt: Attempt) -> dict[str, Any]:
    """What of a clip was read rightly, and what was said."""
    reps = attempt.reps
    tops = [rep.top_s for rep in reps]
    found, left = matched(tops, clip.finish_s, clip.may_count, clip.tolerance_s)
    fair = {clip.movement, *clip.also_right}
    named = [rep for rep in found.values() if reps[rep].movement in fair]
    warnings = [notice.code for notice in attempt.warnings]
    checks = sum("check" in rep.flags for rep in reps)
    wrong = len(named) < len(clip.finish_s) or bool(left)
    doubted = checks > 0 or bool(set(warnings) - ELSEWHERE)
    return {
        "lifts": len(clip.finish_s),
        "found": len(found),
        "named": len(named),
        "counted": sum(reps[rep].status == "counted" for rep in found.values()),
        "extra": len(left),
        "errors_s": [round(tops[rep] - clip.finish_s[lift], 3) for lift, rep in found.items()],
        "warnings": warnings,
        "checks": checks,
        "wrong": wrong,
        "silent": wrong and not doubted,
        "doubted": doubted and not wrong,
        "reps": [rep_line(rep) for rep in reps],
    }


def rep_line(rep: Rep) -> str:
    """A rep in short."""
    flags = "".join(f", {flag}" for flag in rep.flags)
    return f"{rep.top_s:.2f} s {rep.movement} ({rep.status}, {rep.confidence:.2f}{flags})"


def read(clip: Clip, folder: Path, cache: Path) -> dict[str, Any]:
    """One clip tracked, read alone and asked, and held against its truth."""
    tracks = tracked(folder / clip.clip, cache)
    motion = measure(tracks)
    read_as = {"alone": None, "asked": clip.workout}
    return {
        "clip": clip.clip,
        "view": clip.view,
        "who": clip.who,
        "movement": clip.movement,
        **seen(tracks),
        **{
            mode: judged(clip, derive_attempt(read_attempt(motion, workout)))
            for mode, workout in read_as.items()
        },
    }


# ---------------------------------------------------------------------- tables


def totals(results: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What the clips' judgements come to: counts, and the worst error of a top in seconds."""
    errors = np.abs([error for one in results for error in one["errors_s"]])
    return {
        "clips": len(results),
        **{name: sum(one[name] for one in results) for name in ("lifts", "found", "named")},
        "near": int((errors <= NEAR_S).sum()),
        **{
            name: sum(one[name] for one in results)
            for name in ("extra", "wrong", "silent", "doubted")
        },
        "worst_s": round(float(errors.max()), 3) if len(errors) else None,
    }


def summary(results: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Totals for each way of reading, of all clips and of those of each view."""
    views: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for one in results:
        views[one["view"]].append(one)
    return {
        mode: {
            "all": totals([one[mode] for one in results]),
            "by view": {
                view: totals([one[mode] for one in group]) for view, group in sorted(views.items())
            },
        }
        for mode in MODES
    }


def wilson(right: int, count: int) -> str:
    """A fraction with Wilson's interval of 95 %."""
    if not count:
        return "none of none"
    interval = binomtest(right, count).proportion_ci(0.95, method="wilson")
    return f"{right} of {count} ({right / count:.0%}; {interval.low:.0%} to {interval.high:.0%})"


COLUMNS = ("lifts", "found", "named", "extra", "worst")


def row(name: str, one: dict[str, Any], worst_s: float | None) -> str:
    counts = " ".join(f"{one[column]:6d}" for column in COLUMNS[:-1])
    return f"{name:28.28s} {counts} {'' if worst_s is None else f'{worst_s:.2f}':>6s}"


def clip_lines(mode: str, results: Iterable[dict[str, Any]]) -> Iterator[str]:
    """A line a clip: what is right, what was followed, what was said."""
    heads = " ".join(f"{column:>6s}" for column in COLUMNS)
    yield f"{mode:28s} {heads}    bar athlete  view, and what was said"
    for result in results:
        one = result[mode]
        worst = max(map(abs, one["errors_s"]), default=None)
        said = [*one["warnings"], *([f"{one['checks']} check"] if one["checks"] else [])]
        verdict = "SILENTLY WRONG; " if one["silent"] else "wrong; " if one["wrong"] else ""
        yield (
            f"{row(result['clip'], one, worst)}   {result['bar']:4.0%}   {result['athlete']:4.0%}"
            f"   {result['view']}; {verdict}{', '.join(said) or 'nothing said'}"
        )


def total_lines(mode: str, numbers: dict[str, Any]) -> Iterator[str]:
    """The sums of a way of reading, by view and of all."""
    for view, one in numbers["by view"].items():
        silent = f", silently {one['silent']}" if one["silent"] else ""
        text = f"   clips wrong {one['wrong']} of {one['clips']}{silent}"
        yield row(f"  {view}", one, one["worst_s"]) + text
    one = numbers["all"]
    yield f"{mode}: found {wilson(one['found'], one['lifts'])}"
    yield f"{mode}: named right {wilson(one['named'], one['lifts'])}"
    yield f"{mode}: tops within {NEAR_S} s {wilson(one['near'], one['found'])} of those found"
    yield f"{mode}: extra {one['extra']} in {one['clips']} clips"
    yield (
        f"{mode}: clips wrong {wilson(one['wrong'], one['clips'])}, "
        f"silently {wilson(one['silent'], one['clips'])}"
    )
    marked = wilson(one["doubted"], one["clips"] - one["wrong"])
    yield f"{mode}: marked or warned of {marked} right clips"


def changes(results: Sequence[dict[str, Any]], before: dict[str, Any]) -> Iterator[str]:
    """What differs from an earlier run in the clips that both have."""
    kept = {one["clip"]: one for one in before["clips"]}
    both = [one for one in results if one["clip"] in kept]
    yield f"against the earlier run, {len(both)} clips in both (tracker {before['tracker'][:8]}):"
    for mode in MODES:
        for one in both:
            then, now = kept[one["clip"]][mode], one[mode]
            different = [
                f"{name} {then[name]} to {now[name]}"
                for name in ("found", "named", "extra", "wrong", "silent")
                if then[name] != now[name]
            ]
            if different:
                yield f"  {mode}: {one['clip']}: {', '.join(different)}"
        then, now = (totals([one[mode] for one in ones]) for ones in (
            [kept[one["clip"]] for one in both], both
        ))  # fmt: skip
        changes = (f"{name} {then[name]} to {now[name]}" for name in now if name != "clips")
        yield f"  {mode}, all: {', '.join(changes)}"


# ---------------------------------------------------------------------- the command


def chosen(options: argparse.Namespace) -> list[Clip]:
    """The clips of the truth file that were asked for and lie in the folder."""
    beside = options.folder / "dev.json"
    kept = clips_folder()
    if options.truth is None and not beside.is_file() and kept is not None:
        beside = kept / "real" / "dev.json"
    truth = load_truth(options.truth or beside)
    unknown = set(options.only or ()) - {clip.clip for clip in truth}
    if unknown:
        raise RepcountError(f"{', '.join(sorted(unknown))}: not in the truth file.")
    clips = [clip for clip in truth if not options.only or clip.clip in options.only]
    missing = [clip.clip for clip in clips if not (options.folder / clip.clip).is_file()]
    if missing:
        raise RepcountError(f"{options.folder}: misses {', '.join(missing)}; bring them first.")
    return clips


def earlier(path: Path) -> dict[str, Any]:
    """What --out wrote in an earlier run. Raises RepcountError if it is no such file."""
    try:
        before = json.loads(path.read_text())
        if {"tracker", "clips"} <= set(before):
            return dict(before)
    except (OSError, ValueError, TypeError) as error:
        raise RepcountError(f"{path}: cannot be read ({error}); give what --out wrote.") from error
    raise RepcountError(f"{path}: is not what --out writes; give such a file.")


def run(clips: Sequence[Clip], folder: Path, options: argparse.Namespace) -> None:
    """Read the clips, print the tables, write and compare them."""
    # what it is compared with is read first: it may be the file that is then written
    before = earlier(options.against) if options.against else None
    if options.out and not options.out.resolve().parent.is_dir():
        raise RepcountError(f"{options.out.parent}: no such folder; make it first.")
    job = partial(read, folder=folder, cache=options.cache or options.folder / "tracks")
    if options.jobs > 1:
        with get_context("spawn").Pool(options.jobs) as pool:
            results = list(pool.imap(job, clips))
    else:
        results = [job(clip) for clip in clips]
    numbers = summary(results)
    people = len({clip.who for clip in clips})
    for mode in MODES:
        print("\n".join(clip_lines(mode, results)) + "\n")
        print("\n".join(total_lines(mode, numbers[mode])) + "\n")
    lifts = numbers["alone"]["all"]["lifts"]
    print(f"{lifts} lifts in {len(clips)} clips of about {people} people (a source each).")
    if options.out:
        written = {
            "tracker": tracker(), "people": people, "summary": numbers, "clips": results,
        }  # fmt: skip
        options.out.write_text(json.dumps(written, indent=1) + "\n")
    if before is not None:
        print("\n".join(changes(results, before)))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path, help="folder of the clips")
    parser.add_argument("--truth", type=Path, help="what is seen in them (JSON)")
    parser.add_argument("--only", nargs="+", metavar="CLIP", help="these clips alone")
    parser.add_argument("--cache", type=Path, help="folder of kept tracks (FOLDER/tracks)")
    parser.add_argument("--derived", choices=KINDS, help="cases of this kind made from the clips")
    parser.add_argument("--made", type=Path, help="keep those cases in this folder and use them")
    parser.add_argument("--jobs", type=int, default=1, help="clips at once")
    parser.add_argument("--out", type=Path, help="write everything as JSON")
    parser.add_argument("--against", type=Path, help="compare with what --out wrote earlier")
    options = parser.parse_args()
    try:
        clips = chosen(options)
        if options.derived is None:
            run(clips, options.folder, options)
            return
        with tempfile.TemporaryDirectory(prefix="repcount-derived-") as passing:
            made = options.made or Path(passing)
            made.mkdir(parents=True, exist_ok=True)
            run(derive(options.derived, clips, options.folder, made), made, options)
            print(f"Made from the clips ({options.derived}): the same people, no more evidence.")
    except RepcountError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
