"""Results without pixels, and a stand-in for the analysis that writes them: `python -m ... FOLDER`.

Prints progress as the real one does, takes `REPCOUNT_STUB_S` seconds; with `REPCOUNT_STUB_CRASH` it
crashes at the end of them.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from pathlib import Path

from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Reading, Trace, save_record
from repcount.pipeline.results import READING, Results, write_results
from repcount.plan import parse_plan
from repcount.video.confinement import confine
from tests.scripted_reading import SLATE, as_planned

PLAN = SLATE


def stub_reading(rounds: int = 3) -> Reading:
    """A scripted attempt with a bar that goes up and down with its reps."""
    reading = as_planned(rounds).reading()
    times, bar, hip = [], [], []
    for rep in reading.reps:
        for at, height in ((rep.start_s, 0.13), (rep.top_s, 0.48), (rep.end_s, 0.13)):
            if not times or at > times[-1]:
                times.append(at)
                bar.append(height)
                hip.append(0.5)
    reading.trace = Trace(time_s=times, bar_st=bar, hip_st=hip)
    return reading


def write_stub(folder: Path, reading: Reading | None = None) -> None:
    """All results of an attempt at Slate, tracks left out."""
    reading = reading or stub_reading()
    attempt = derive_attempt(reading)
    plan = parse_plan(PLAN)
    folder.mkdir(parents=True, exist_ok=True)
    results = Results(reading, attempt, compare(attempt, plan), plan)
    write_results(folder, results)
    save_record(plan, folder / "plan.json")
    save_record(reading, folder / READING)


if __name__ == "__main__":
    folder, name = Path(sys.argv[1]), sys.argv[2]
    confine([folder / name], folder)
    took = float(os.environ.get("REPCOUNT_STUB_S", "0.2"))
    for step in range(10):
        print(json.dumps({"fraction": step / 10, "left_s": took * (1 - step / 10)}), flush=True)
        time.sleep(took / 10)
    if os.environ.get("REPCOUNT_STUB_CRASH"):
        os.abort()
    found = stub_reading()
    with (folder / name).open("rb") as film:  # two videos are two, though they are read alike
        found.video.sha256 = hashlib.file_digest(film, "sha256").hexdigest()
    found.video.recorded_at = sys.argv[4] or None
    write_stub(folder, found)
