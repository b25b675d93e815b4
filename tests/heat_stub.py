"""Stands in for reading a video, so that tests of a heat cost no pixels; and a heat to be killed.

A "video" here is a text: an attempt as JSON, which is then its result, or an order to fail. Each
beginning is noted in the file that REPCOUNT_STUB_LOG names, with the process that does it.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from repcount.errors import FootageError

WORK = "tests.heat_stub:work"


def work(
    folder: Path, job: dict[str, Any], progress: Callable[[float, float], None]
) -> dict[str, str]:
    from repcount.heat.store import results_key

    text = Path(job["video"]).read_text(encoding="utf-8")
    log = os.environ.get("REPCOUNT_STUB_LOG")
    if log:
        with open(log, "a", encoding="utf-8") as file:
            file.write(f"{job['name']} {os.getpid()} {os.getppid()}\n")
    progress(0.5, 0.1)
    wait_s = float(os.environ.get("REPCOUNT_STUB_S", "0.05"))
    time.sleep(wait_s)
    orders: dict[str, Callable[[], Any]] = {
        "crash": lambda: os.kill(os.getpid(), signal.SIGSEGV),
        "too large": lambda: os.kill(os.getpid(), signal.SIGKILL),
        "wrong": lambda: [][0],
        "no memory": lambda: bytearray(1 << 62),
    }
    if text in orders:
        orders[text]()
    if not text.startswith("{"):
        raise FootageError(f"{job['video']}: is no video; give one.")
    lanes = job["lanes"] or 2
    (folder / "tracks").mkdir(exist_ok=True)
    for lane in range(1, lanes + 1):
        (folder / "tracks" / f"lane-{lane}.nc").write_text(f"tracks of {job['name']}, {lane}")
    for one in job["readings"]:
        for lane in [one["lane"]] if one["lane"] else range(1, lanes + 1):
            key = results_key(
                job["tracks_key"], lane, one["plan"], one["start_s"], job["options"]["plate_mm"]
            )
            (folder / "results" / key).mkdir(parents=True)
            (folder / "results" / key / "attempt.json").write_text(text, encoding="utf-8")
    return {}


def main(videos: str, out: str) -> None:
    """A whole heat over a folder on two local workers: what a test kills."""
    from repcount.heat.cluster import Where
    from repcount.heat.collect import collect, write_heat
    from repcount.heat.flow import read_heat
    from repcount.heat.manifest import list_folder

    home = Path(out)
    outcomes = read_heat(list_folder(Path(videos)), home, where=Where(workers=2), work=WORK)
    write_heat(home, collect(outcomes, "Slate", home))


if __name__ == "__main__":
    main(*sys.argv[1:])
