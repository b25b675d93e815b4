"""python -m sample_clips.render slate|basalt|random [--seed N] [--seconds S] [--out DIR]"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace

from sample_clips.render.produce import film_spec, setting_of
from sample_clips.render.scene import RenderUnavailable
from sample_clips.render.specs import basalt, random_spec, slate


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m sample_clips.render",
        description="Render an invented attempt with its exact truth.",
    )
    parser.add_argument("what", choices=("slate", "basalt", "random"))
    parser.add_argument("--seed", type=int, default=0, help="which random attempt")
    parser.add_argument("--seconds", type=float, help="film only the beginning")
    parser.add_argument("--fps", type=float, help="frames a second (30)")
    parser.add_argument("--out", default=".", help="folder to write to")
    parser.add_argument("--no-frames", action="store_true", help="leave out the per-frame truth")
    asked = parser.parse_args(arguments)
    specs = {"slate": slate, "basalt": basalt, "random": lambda: random_spec(asked.seed)}
    spec = specs[asked.what]()
    setting = setting_of(spec)
    if asked.fps:
        setting = replace(setting, shot=replace(setting.shot, fps=asked.fps))
    begin = time.perf_counter()

    def progress(done: int, total: int) -> None:
        if done % 100 == 0 or done == total:
            rate = done / (time.perf_counter() - begin)
            print(f"\r{done} of {total} frames, {rate:.1f} a second", end="", file=sys.stderr)

    try:
        path = film_spec(
            spec,
            asked.out,
            setting=setting,
            seconds=asked.seconds,
            frames=not asked.no_frames,
            progress=progress,
        )
    except RenderUnavailable as why:
        print(why, file=sys.stderr)
        return 1
    print(f"\n{path}: {path.stat().st_size / 1e6:.1f} MB", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
