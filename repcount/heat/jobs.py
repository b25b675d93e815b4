"""What a worker is given and gives back: one video, all of its lanes, in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from repcount.heat.child import JOB, REASONS
from repcount.heat.store import RESULTS, TRACKS, HeatOptions, engine, options_as_dict

WORK = "repcount.heat.child:read_video"
# Libraries that start as many threads as there are cores, each.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")

Progress = Callable[[float, float], None]


@dataclass(frozen=True)
class LaneJob:
    """A lane to be read (0: every lane) after a plan (as JSON), with the start where given."""

    lane: int
    plan: str | None = None
    start_s: float | None = None


@dataclass(frozen=True)
class Job:
    """One video. `film` is the file itself where it is sent; `tracks` those made before;
    `engine` what asks, so that a worker of another version refuses."""

    video: str
    name: str
    sha256: str
    tracks_key: str
    lanes: int
    options: HeatOptions
    readings: tuple[LaneJob, ...]
    film: bytes | None = field(default=None, repr=False)
    tracks: tuple[bytes, ...] = field(default=(), repr=False)
    work: str = WORK
    engine: dict[str, Any] = field(default_factory=engine)


@dataclass(frozen=True)
class Answer:
    """What became of a job: files by folder (`tracks`, or a results key) and name; the reason for
    each results key that failed, under "" for the whole video."""

    tracks: dict[str, bytes]
    results: dict[str, dict[str, bytes]]
    reasons: dict[str, str]


def do(
    job: Job,
    progress: Progress | None = None,
    stopped: Callable[[], bool] | None = None,
    cpus: Sequence[int] = (),
) -> Answer:
    """Run a job in a child process on `cpus` (any, if empty) and wait for it. It is killed when
    `stopped` says so; its death is a reason, not an error."""
    with tempfile.TemporaryDirectory(prefix="repcount-heat-") as made:
        folder = Path(made)
        _lay_out(folder, job, cpus)
        child = subprocess.Popen(
            [sys.executable, "-m", "repcount.heat.child", str(folder)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            stdin=subprocess.DEVNULL,
            env=_environment(cpus),
            text=True,
        )
        assert child.stdout is not None
        listener = threading.Thread(target=_listen, args=(child.stdout, progress), daemon=True)
        listener.start()
        try:
            while child.poll() is None:
                if stopped is not None and stopped():
                    return Answer({}, {}, {"": "it was stopped."})
                time.sleep(0.1)
        finally:
            if child.poll() is None:
                child.kill()
            child.wait()
            listener.join()
        if child.returncode != 0 or not (folder / REASONS).is_file():
            return Answer({}, {}, {"": _death(child.returncode)})
        reasons = json.loads((folder / REASONS).read_text(encoding="utf-8"))
        tracks = _files(folder / TRACKS) if not job.tracks and "" not in reasons else {}
        found = {} if "" in reasons else _results(folder / RESULTS, reasons)
        return Answer(tracks, found, reasons)


def _lay_out(folder: Path, job: Job, cpus: Sequence[int]) -> None:
    video = job.video
    if job.film is not None:
        video = str(folder / "film" / Path(job.name).name)
        Path(video).parent.mkdir()
        Path(video).write_bytes(job.film)
    if job.tracks:
        (folder / TRACKS).mkdir()
        for number, data in enumerate(job.tracks, 1):
            (folder / TRACKS / f"lane-{number}.nc").write_bytes(data)
    asked = {
        "video": video,
        "name": job.name,
        "sha256": job.sha256,
        "tracks_key": job.tracks_key,
        "lanes": job.lanes,
        "options": options_as_dict(job.options),
        "readings": [vars(one) for one in job.readings],
        "engine": job.engine,
        "work": job.work,
        "worker": os.getpid(),
        "cpus": list(cpus),
    }
    (folder / JOB).write_text(json.dumps(asked), encoding="utf-8")


def _environment(cpus: Sequence[int]) -> dict[str, str]:
    found = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    if cpus:
        found |= dict.fromkeys(_ONE_THREAD, str(len(cpus)))
    return found


def _listen(lines: IO[str], progress: Progress | None) -> None:
    with lines:
        for line in lines:
            try:
                fraction, left_s = map(float, line.split())
            except ValueError:  # what a library printed
                continue
            if progress is not None:
                progress(fraction, left_s)


def _death(code: int) -> str:
    if code == -signal.SIGKILL:
        return (
            "the process that read it was killed, most likely because the machine ran out of "
            "memory; read it with fewer workers."
        )
    if code < 0:
        name = signal.Signals(-code).name
        return f"the process that read it crashed ({name}); analyze the video by itself."
    return f"the process that read it ended with {code} and said nothing."


def _results(folder: Path, reasons: dict[str, str]) -> dict[str, dict[str, bytes]]:
    if not folder.is_dir():
        return {}
    return {path.name: _files(path) for path in folder.iterdir() if path.name not in reasons}


def _files(folder: Path) -> dict[str, bytes]:
    if not folder.is_dir():
        return {}
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
