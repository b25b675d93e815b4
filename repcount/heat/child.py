"""One video read in a process of its own: `python -m repcount.heat.child FOLDER`.

Whatever happens to it, a crash in native code, too little memory, a kill, happens to one video
only. FOLDER holds `job.json` (see `repcount.heat.jobs`) and what was sent along; tracks and results
are written into it, and what could not be read into `reasons.json`. Progress goes to stdout, a line
`fraction seconds_left` each time.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

from repcount.errors import RepcountError

JOB, REASONS = "job.json", "reasons.json"
_PR_SET_PDEATHSIG = 1  # prctl(2)
# The kernel's first choice when memory runs out, before the worker that has to report it.
_OOM_SCORE = "800"


def main(folder: Path) -> int:
    """Do the job in `folder`. Returns the exit code: 0 also where a reason was written."""
    job = json.loads((folder / JOB).read_text(encoding="utf-8"))
    _die_with(job["worker"])
    if job["cpus"]:
        with suppress(OSError):
            os.sched_setaffinity(0, job["cpus"])

    def progress(fraction: float, left_s: float) -> None:
        print(f"{fraction:.4f} {left_s:.1f}", flush=True)

    module, name = job["work"].split(":")
    work: Callable[[Path, dict[str, Any], Callable[[float, float], None]], dict[str, str]]
    work = getattr(import_module(module), name)
    try:
        reasons = work(folder, job, progress)
    except RepcountError as error:
        reasons = {"": str(error)}
    except MemoryError:
        reasons = {"": "the machine ran out of memory; read it with fewer workers."}
    except Exception as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
        reasons = {"": f"something went wrong that should not ({what})."}
    (folder / REASONS).write_text(json.dumps(reasons), encoding="utf-8")
    return 0


def read_video(
    folder: Path, job: dict[str, Any], progress: Callable[[float, float], None]
) -> dict[str, str]:
    """Track the video, unless its tracks were sent along, and read every lane that is asked for.

    Returns the reason for each results key that could not be made.
    """
    from repcount.heat.store import engine, results_key
    from repcount.pipeline.analyze import Options, analyze
    from repcount.plan import Plan

    here = engine()
    if here != job["engine"]:
        raise RepcountError(
            f"{job['name']}: the worker has repcount {here['version']} with its models, which is "
            f"not the {job['engine']['version']} that asks; install the same on both."
        )
    tracks = sorted(
        (folder / "tracks").glob("lane-*.nc"), key=lambda path: int(path.stem.split("-")[1])
    )
    if not tracks:
        tracks = _track(folder, job, progress)
    reasons = {}
    for one in job["readings"]:
        lanes = [one["lane"]] if one["lane"] else range(1, len(tracks) + 1)
        for lane in lanes:
            key = results_key(
                job["tracks_key"], lane, one["plan"], one["start_s"], job["options"]["plate_mm"]
            )
            try:
                if lane > len(tracks):
                    raise RepcountError(
                        f"{job['name']}: has {len(tracks)} lanes, so there is no lane {lane}."
                    )
                analyze(
                    None,
                    Plan.model_validate_json(one["plan"]) if one["plan"] else None,
                    folder / "results" / key,
                    Options(start_s=one["start_s"], plate_mm=job["options"]["plate_mm"]),
                    tracks=tracks[lane - 1],
                )
                # it is kept beside the tracks already
                (folder / "results" / key / "tracks.nc").unlink()
            except RepcountError as error:
                reasons[key] = str(error)
    return reasons


def _track(
    folder: Path, job: dict[str, Any], progress: Callable[[float, float], None]
) -> list[Path]:
    from repcount.tracking import TrackOptions, track
    from repcount.tracking.lanes import track_lanes
    from repcount.tracking.tracks import save_tracks
    from repcount.video.footage import open_footage

    options = TrackOptions(model=job["options"]["model"])
    with open_footage(Path(job["video"])) as footage:
        if footage.info.sha256 != job["sha256"]:
            raise RepcountError(
                f"{job['name']}: is not the video that was listed (its SHA-256 differs); it was "
                "changed, or another lies under this path on the worker. Send the videos with "
                "--send."
            )
        if job["lanes"] == 1:
            found = [track(footage, options, progress)]
        else:
            found = track_lanes(footage, job["lanes"] or None, options, progress)
    (folder / "tracks").mkdir(exist_ok=True)
    paths = []
    for number, tracks in enumerate(found, 1):
        paths.append(folder / "tracks" / f"lane-{number}.nc")
        save_tracks(tracks, paths[-1])
    return paths


def _die_with(worker: int) -> None:
    """End with the process that waits for the result; nobody else would take it."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != worker:  # gone before the kernel knew
        sys.exit(1)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_OOM_SCORE)
    signal.signal(signal.SIGINT, signal.SIG_IGN)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
