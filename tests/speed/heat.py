"""How long heats take.

`python -m tests.speed.heat attempts [--count 1000]` makes results folders of full size and a heat
of them, and prints seconds, processor seconds and the peak of resident memory.
`python -m tests.speed.heat workers CLIP [--copies 8]` reads copies of a clip with one worker and
with two, each on a core of its own, and prints how many times faster two are. For idle cores.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any


def run(*arguments: str | Path) -> dict[str, float]:
    """`repcount heat` in a process of its own: wall seconds, processor seconds, peak MB."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    command = [sys.executable, "-m", "repcount.cli.main", "heat", *map(str, arguments), "--quiet"]
    subprocess.run(command, check=True)
    took = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"wall_s": took, "processor_s": busy, "peak_mb": after.ru_maxrss / 1024}


def attempts(count: int) -> None:
    from tests.heats import simulated, write_attempt

    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        # as long a trace as a real attempt of Slate has, which is most of its file
        places = 1740
        trace = {
            "time_s": [0.1 * k for k in range(places)],
            "bar_st": [0.001 * (k % 900) for k in range(places)],
            "hip_st": [0.5] * places,
        }
        size = 0
        for number in range(count):
            folder = write_attempt(home / "in" / f"athlete-{number + 1}", simulated(number))
            path = folder / "attempt.json"
            attempt: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
            path.write_text(json.dumps({**attempt, "trace": trace}, indent=1), encoding="utf-8")
            size += path.stat().st_size
        one = run(home / "in", "--out", home / "out")
        print(
            f"{count} attempts of {size / count / 1000:.0f} kB: {one['wall_s']:.1f} s, "
            f"{one['processor_s']:.1f} s of processor, {one['peak_mb']:.0f} MB"
        )


def workers(clip: Path, copies: int) -> None:
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        (home / "in").mkdir()
        for number in range(copies):
            copy = home / "in" / f"copy-{number}{clip.suffix}"
            shutil.copyfile(clip, copy)
            with copy.open("ab") as file:  # a free box of MP4, so that no two are the same video
                file.write(b"\0\0\0\x10free" + number.to_bytes(8, "big"))
        took = {}
        for count in (1, 2):
            out = home / f"out-{count}"
            one = run(home / "in", "--out", out, "--workers", str(count), "--cores", "1")
            took[count] = one["wall_s"]
            print(
                f"{count} worker(s) on a core each: {one['wall_s']:.1f} s, "
                f"{one['processor_s']:.1f} s of processor, load {os.getloadavg()[0]:.1f}"
            )
        print(f"two against one: {took[1] / took[2]:.2f} times as fast")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.speed.heat")
    kinds = parser.add_subparsers(dest="what", required=True)
    one = kinds.add_parser("attempts")
    one.add_argument("--count", type=int, default=1000)
    other = kinds.add_parser("workers")
    other.add_argument("clip", type=Path)
    other.add_argument("--copies", type=int, default=8)
    asked = parser.parse_args()
    if asked.what == "attempts":
        attempts(asked.count)
    else:
        workers(asked.clip, asked.copies)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
