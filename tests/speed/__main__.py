"""How fast a video is tracked, beside the plain loop "decode every frame, pose on every frame".

`python -m tests.speed CLIP [--loop 4]` runs both, each in a process of its own, and prints times
and the peak of resident memory. `--loop N` also tracks the clip N times over
in one file, whose memory must not be larger.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import av

MEMORY_LIMIT_MB = 900


def plain(clip: Path) -> None:
    from repcount.tracking.pose import PoseModel
    from repcount.video.footage import open_footage

    with open_footage(clip) as footage, PoseModel() as model:
        for frame in footage.frames():
            model(frame.rgb, frame.time_s, 1.0)


def tracked(clip: Path) -> None:
    from repcount.tracking import track

    track(clip)


def measure(what: str, clip: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.speed", str(clip), "--only", what]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def looped(clip: Path, times: int, to: Path) -> None:
    """The clip's frame `times` over, packets copied, without sound."""
    with av.open(str(clip)) as source, av.open(str(to), "w") as sink:
        stream = source.streams.video[0]
        copy = sink.add_stream_from_template(stream)
        length = int(stream.duration or 0)
        for turn in range(times):
            source.seek(0, stream=stream)
            for packet in source.demux(stream):
                if packet.dts is None:
                    continue
                packet.pts += turn * length
                packet.dts += turn * length
                packet.stream = copy
                sink.mux(packet)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("clip", type=Path)
    parser.add_argument("--loop", type=int, default=0)
    parser.add_argument("--only", choices=("plain", "track"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.only:
        begun = time.monotonic()
        (plain if options.only == "plain" else tracked)(options.clip)
        took_s = time.monotonic() - begun
        usage = resource.getrusage(resource.RUSAGE_SELF)
        print(
            json.dumps(
                {
                    "wall_s": took_s,
                    "cpu_s": usage.ru_utime + usage.ru_stime,
                    "peak_mb": usage.ru_maxrss / 1024,
                }
            )
        )
        return
    from repcount.video.footage import probe

    info = probe(options.clip)
    print(f"{options.clip.name}: {info.width} x {info.height}, {info.duration_s:.1f} s")
    found = {what: measure(what, options.clip) for what in ("track", "plain")}
    for what, run in found.items():
        print(
            f"  {what:6s} {run['wall_s']:.1f} s, {info.duration_s / run['wall_s']:.2f} times real "
            f"time, {run['cpu_s']:.1f} s of processor, peak {run['peak_mb']:.0f} MB"
        )
    print(
        f"  ratio  {found['plain']['wall_s'] / found['track']['wall_s']:.2f} times the plain loop"
    )
    peak = found["track"]["peak_mb"]
    if options.loop:
        with tempfile.TemporaryDirectory() as folder:
            longer = Path(folder) / f"longer{options.clip.suffix}"
            looped(options.clip, options.loop, longer)
            run = measure("track", longer)
            print(f"  {options.loop} times as long: {run['wall_s']:.1f} s, {run['peak_mb']:.0f} MB")
            peak = max(peak, run["peak_mb"])
    if peak > MEMORY_LIMIT_MB:
        sys.exit(f"peak memory is {peak:.0f} MB, more than {MEMORY_LIMIT_MB} MB")


if __name__ == "__main__":
    main()
