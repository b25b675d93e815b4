"""From a video to a folder of results, and from such a folder to its overlay.

What lies in the folder, and how a correction changes it, is in `repcount.pipeline.results`.
"""

from __future__ import annotations

import threading
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

from repcount.analysis.compare import compare
from repcount.analysis.recognise import (
    Recognised,
    looks_like_another,
    recognise,
    workout_words,
)
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt, Edits, Notice, Reading, Workout, load_record
from repcount.errors import RecordError, RepcountError
from repcount.files import demand_room
from repcount.motion import Motion, MotionOptions, measure
from repcount.pipeline.results import EDITS, READING, TRACKS, Results, load_results, write_results
from repcount.pipeline.stages import Progress, Stages
from repcount.plan import Plan, load_plan
from repcount.reading import ReadOptions, read_attempt
from repcount.reports import stills
from repcount.reports.clips import still_moments
from repcount.tracking.tracks import attribute, load_tracks, save_tracks
from repcount.video.footage import open_footage

if TYPE_CHECKING:
    import xarray as xr

    from repcount.tracking.faces import Whose

OVERLAY = "overlay.mp4"
# Free on the disk before the work begins: tracks take some 2 KB a frame, so this is enough for
# twenty minutes at 30 frames a second with report, tables and stills.
ROOM_BYTES = 100e6


@dataclass(frozen=True)
class Options:
    """How a video is read. Moments are on the file's own clock, as a player shows it.

    `from_s`, `to_s`: the part to look at. `slowed`: how many times slower than real time the file
    plays. `start_s`: the clock's start, where the sound does not give it. `plate_mm`: diameter of
    the largest plates. `model`: "full", or "lite", which is faster and less sure. `stills`: whether
    the report shows stills of the video. `recorded_at`: when it was filmed (ISO 8601), where the
    file does not say it or says it wrong. `blur_faces`: "others" or "all" makes faces unreadable
    in them.
    """

    from_s: float | None = None
    to_s: float | None = None
    slowed: float = 1.0
    start_s: float | None = None
    plate_mm: float = 450.0
    model: str = "full"
    stills: bool = True
    blur_faces: str | None = None
    recorded_at: str | None = None


def analyze(
    video: Path | str | None,
    plan: Plan | Path | str | None = None,
    out: Path | str | None = None,
    options: Options | None = None,
    progress: Progress | None = None,
    *,
    tracks: Path | str | None = None,
    cancel: threading.Event | None = None,
    kept: Path | None = None,
) -> Results:
    """Read a video, compare it with a plan if there is one, and write the results into `out`.

    `tracks` is a tracks file made before: the pixels are then not looked at, and `video` may be
    None (if given, it must be the one the tracks were made from). Corrections in `out` are kept
    and applied. `progress(fraction, seconds_left)` is called now and then, over the whole of the
    work; setting `cancel` stops it. `kept` is a file that the tracks are put into as soon as they
    are made, and taken from if it is there: what was killed later goes on from them.

    Raises RepcountError (its families name video, plan and records); nothing is written then.
    """
    options = options or Options()
    folder = None if out is None else _usable(Path(out))
    if isinstance(plan, (str, Path)):
        plan = load_plan(plan)
    if folder is not None:
        demand_room(folder, ROOM_BYTES)
    edits = previous = None
    if folder is not None and (folder / EDITS).exists():
        edits = load_record(Edits, folder / EDITS)
    stages = Stages(progress, stills=video is not None and options.stills)
    seen = _tracks(video, tracks, options, edits, stages, cancel, kept)
    if folder is not None:
        with suppress(RecordError):  # it is made anew; an unreadable one has no ids to keep
            previous = load_record(Reading, folder / READING)
    film = attribute(seen, "video")
    if previous and previous.video.sha256 != film.get("sha256"):
        previous = None
    motion = measure(seen, MotionOptions(plate_mm=options.plate_mm))
    read = ReadOptions(
        start_s=None if options.start_s is None else options.start_s / (film.get("slowed") or 1)
    )
    reading = read_attempt(motion, plan.workout if plan else None, read, previous=previous)
    reading.provenance.options["plate_mm"] = options.plate_mm
    known = options.recorded_at or reading.video.recorded_at
    reading.video.recorded_at = known or (previous.video.recorded_at if previous else None)
    recognised = _recognised(motion, reading, read)
    attempt = derive_attempt(reading, edits)
    results = Results(
        reading,
        attempt,
        compare(attempt, plan) if plan else None,
        plan,
        edits,
        seen,
        recognised=recognised.plan if recognised else None,
    )
    if video is not None and options.stills:
        first = still_moments(attempt, results.comparison, plan)
        wanted = stills.moments(attempt, results.comparison, first)
        with open_footage(video, slowed=film.get("slowed") or 1.0) as footage:
            each = stages.each("stills", wanted)
            taken = stills.take(footage, each, seen, _whose(options.blur_faces))
        results = replace(results, stills=taken)
    stages.begin("files")
    if folder is not None:
        write_results(folder, results)
    return results


def _recognised(motion: Motion, reading: Reading, read: ReadOptions) -> Recognised | None:
    """The workout that the lifts look like, where none was given or another one explains them
    better; the reading then says so."""
    bare = reading if reading.workout is None else read_attempt(motion, None, read)
    found = recognise(bare, derive_attempt(bare))
    if found is None:
        return None
    told = "recognised.toml holds it as a plan, with the sets as they were done"
    if reading.workout is None:
        text = f"This looks like {found.words}; {told}: analyze again with it to count by rounds."
        reading.warnings.insert(0, Notice(code="recognised", text=text))
        return found
    attempt = derive_attempt(reading)
    if not looks_like_another(attempt, found):
        return None
    reading.warnings.insert(0, Notice(code="other-workout", text=_other(attempt, found, told)))
    return found


def _other(attempt: Attempt, found: Recognised, told: str) -> str:
    """That the plan is of another workout than the one seen, in a sentence or two."""
    workout = attempt.workout or Workout(name="", rounds=[])
    outside = sum(rep.status in ("unplanned", "extra") for rep in attempt.reps)
    return (
        f"This looks like another workout: {found.words}. By the plan of {workout_words(workout)}, "
        f"{len(attempt.counted())} of {workout.reps} reps were counted and {outside} lifts were "
        f"not of it. {told[:1].upper()}{told[1:]}: analyze again with it if it is right."
    )


def _usable(folder: Path) -> Path:
    if folder.exists() and not folder.is_dir():
        raise RepcountError(f"{folder}: is a file; give a folder for the results.")
    return folder


def _tracks(
    video: Path | str | None,
    tracks: Path | str | None,
    options: Options,
    edits: Edits | None,
    stages: Stages,
    cancel: threading.Event | None,
    kept: Path | None,
) -> xr.Dataset:
    """Tracks from the file given, else from the pixels. What cannot fit is refused before."""
    if tracks is not None:
        seen = load_tracks(Path(tracks))
        if video is not None:
            with open_footage(video) as footage:
                if footage.info.sha256 != attribute(seen, "video").get("sha256"):
                    raise RecordError(
                        f"{tracks}: was not made from {video} (their SHA-256 differ); give the "
                        "tracks of this video, or leave the video out."
                    )
        stages.tracked(attribute(seen, "video").get("duration_s"))
        return seen
    if video is None:
        raise RepcountError("there is nothing to read; give a video, or a tracks file.")
    from repcount.tracking import TrackOptions, track

    with open_footage(
        video, start_s=options.from_s, end_s=options.to_s, slowed=options.slowed
    ) as footage:
        if edits is not None and edits.video_sha256 != footage.info.sha256:
            raise RecordError(
                f"the results folder holds corrections ({EDITS}) of another video than {video}; "
                "choose another folder or move them away."
            )
        if kept is not None and kept.is_file():
            with suppress(RecordError):  # what is not whole is made anew
                seen = load_tracks(kept)
                film = attribute(seen, "video")
                if film.get("sha256") == footage.info.sha256:
                    stages.tracked(film.get("duration_s"))
                    return seen
        seen = track(footage, TrackOptions(model=options.model), stages.tracking, cancel)
    stages.tracked()
    if kept is not None:
        save_tracks(seen, kept)
    return seen


def make_overlay(
    folder: Path | str,
    video: Path | str | None = None,
    out: Path | str | None = None,
    *,
    blur_faces: str | None = None,
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> Path:
    """Draw the attempt of a results folder onto its video and return the file written.

    `video` is looked for beside the results if not given; `out` is `overlay.mp4` in the folder;
    `blur_faces` is None, "others" (than the athlete) or "all". Raises RepcountError where the
    results or the video cannot be read, or the video is another one.
    """
    from repcount.reports.overlay import Drawn, write_overlay

    folder = Path(folder)
    whose = _whose(blur_faces)
    results = load_results(folder)
    seen = load_tracks(folder / TRACKS)
    film = results.attempt.video
    video = Path(video) if video is not None else _beside(folder, film.file_name)
    out = folder / OVERLAY if out is None else Path(out)
    if out.exists() and out.resolve() == video.resolve():
        raise RepcountError(f"{out}: is the video itself; give another file with --out.")
    if not out.parent.is_dir():
        raise RepcountError(f"{out.parent}: no such folder; make it first.")
    with open_footage(video, slowed=film.slowed) as footage:
        if footage.info.sha256 != film.sha256:
            raise RecordError(
                f"{folder}: was not made from {video} (their SHA-256 differ); give the video that "
                "was read."
            )
        drawn = Drawn(
            results.attempt, seen, results.comparison, results.plan, tuple(results.reading.phases)
        )
        with ExitStack() as stack:
            blur = None
            if whose is not None:
                from repcount.tracking.faces import FaceBlur, HeadWatch

                blur = FaceBlur(stack.enter_context(HeadWatch(footage, seen, whose)))
            write_overlay(out, footage, drawn, blur, progress, cancel)
    return out


def _whose(blur_faces: str | None) -> Whose | None:
    if blur_faces in (None, "others", "all"):
        return cast("Whose | None", blur_faces)
    raise RepcountError(f"blur_faces is {blur_faces!r}; it is None, 'others' or 'all'.")


def _beside(folder: Path, name: str) -> Path:
    """The video beside the results, or beside their folder, as the report looks for it."""
    for place in (folder, folder.resolve().parent):
        if name and (place / Path(name).name).is_file():
            return place / Path(name).name
    raise RepcountError(
        f"{folder}: the video {name} does not lie beside the results; give it with --video."
    )
