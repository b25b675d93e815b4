"""`python -m tests.kills [--number 200] [--seed N] [--acts upload,import] [--full]`: so many kills
with -9 at random moments, in turn of everything that writes (`tests/kills/acts.py`).

Nothing that was answered for may be lost, nothing may be left lying after the next start, and that
start may take 5 s of a processor, which is no less than what it takes on idle cores. With `--full`
the library lies on a small disk of its own (tmpfs in a name space of its own, so that nobody need
be root), which is filled at a random moment before the kill and emptied after it. Exits with 1 if
anything is not so.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from statistics import median

from tests.kills.acts import ACTS

DISK_BYTES = 48_000_000
_TIMES = ("on the clock", "of a processor")
_INSIDE = "REPCOUNT_KILLS_INSIDE"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--number", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--acts", default=",".join(ACTS))
    parser.add_argument("--full", action="store_true")
    asked = parser.parse_args()
    if asked.full and _INSIDE not in os.environ:
        words = ["unshare", "--user", "--map-root-user", "--mount", sys.executable, "-m",
                 "tests.kills", *sys.argv[1:]]  # fmt: skip
        return subprocess.run(words, env={**os.environ, _INSIDE: "1"}, check=False).returncode
    home = Path(tempfile.mkdtemp(prefix="kills-"))
    if asked.full:
        size = f"size={DISK_BYTES}"
        subprocess.run(["mount", "-t", "tmpfs", "-o", size, "none", str(home)], check=True)
    try:
        return _all(home, asked)
    finally:
        if asked.full:
            subprocess.run(["umount", "--lazy", str(home)], check=False)
        shutil.rmtree(home, ignore_errors=True)


def filled(home: Path, dice: random.Random) -> Callable[[], Callable[[], None]]:
    """Fills the disk but for a random rest of up to 300 kB; what it gives empties it again."""

    def fill() -> Callable[[], None]:
        time.sleep(dice.random() * 0.2)
        filler, rest = home / "filler", dice.randrange(300_000)
        with filler.open("wb") as file:
            free = shutil.disk_usage(home).free
            os.posix_fallocate(file.fileno(), 0, max(1, free - rest))
        return filler.unlink

    return fill


def _all(home: Path, asked: argparse.Namespace) -> int:
    names = asked.acts.split(",")
    counts: Counter[str] = Counter()
    faults: list[str] = []
    starts: list[tuple[float, float]] = []
    share = [
        asked.number // len(names) + (n < asked.number % len(names)) for n in range(len(names))
    ]
    for name, number in zip(names, share, strict=True):
        act = ACTS[name](home / name)
        try:
            for n in range(number):
                dice = random.Random(f"{name} {asked.seed + n}")
                act.cut_off(dice, filled(home, dice) if asked.full else None)
                fault = act.check()
                counts[name] += 1
                if fault:
                    faults.append(f"{name}:{asked.seed + n}: {fault}")
                    print(faults[-1], flush=True)
        finally:
            starts += getattr(act, "starts", [])
            act.close()
        print(f"{name}: {counts[name]} kills", flush=True)
    print(f"{counts.total()} kills, {len(faults)} faults")
    for which, took in zip(_TIMES, zip(*starts, strict=True), strict=False):
        print(
            f"{len(took)} starts: {min(took):.1f} s {which} at least, {median(took):.1f} s in the "
            f"middle, {max(took):.1f} s at most"
        )
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
