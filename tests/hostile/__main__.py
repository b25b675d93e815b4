"""`python -m tests.hostile [--minutes 60] [--seed N] [--kinds tracks,plan]`: damaged input for so
long, as many of each kind as go in. Seeds are printed; `--only KIND:SEED` runs one again.

Nothing may end in a traceback, exit 70, a signal or an answer of 500, take longer than its kind may
(`tests/hostile/kinds.py`), or hold over 3 GiB, the server over 300 MiB. Exits with 1 if anything
does.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.hostile.kinds import KINDS
from tests.hostile.run import command

REQUEST = "request"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    parser.add_argument("--kinds", default=",".join([*KINDS, REQUEST]))
    parser.add_argument("--only", help="KIND:SEED, shown in full")
    asked = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="hostile-"))
    try:
        if asked.only:
            kind, _, seed = asked.only.partition(":")
            return _one(home, kind, int(seed))
        return _all(home, asked.kinds.split(","), asked.minutes * 60, asked.seed)
    finally:
        shutil.rmtree(home, ignore_errors=True)


def _one(home: Path, kind: str, seed: int) -> int:
    if kind == REQUEST:
        from tests.hostile.requests import Requests

        asking = Requests(home)
        fault = asking.ask(seed)
        asking.close()
        print(fault or "answered")
        return bool(fault)
    whole, folder = home / "whole", home / "one"
    whole.mkdir()
    folder.mkdir()
    KINDS[kind].prepare(whole)
    words = KINDS[kind].make(whole, folder, random.Random(seed))
    ended = command(["--debug", *words], folder, KINDS[kind].bound_s)
    print(" ".join(words), ended.said, sep="\n")
    print(f"exit {ended.code}, {ended.took_s:.1f} s, {ended.memory_bytes / 2**20:.0f} MiB")
    return bool(ended.fault(KINDS[kind].bound_s))


def _all(home: Path, kinds: list[str], longest_s: float, first: int) -> int:
    commands = [kind for kind in kinds if kind != REQUEST]
    for kind in commands:
        (home / kind).mkdir()
        KINDS[kind].prepare(home / kind)
    asking = None
    run, faults, codes = Counter[str](), [], Counter[tuple[str, int]]()
    slowest, most = Counter[str](), Counter[str]()
    began, seed = time.monotonic(), first
    while time.monotonic() - began < longest_s:
        for kind in commands:
            folder = Path(tempfile.mkdtemp(prefix="one-", dir=home))
            words = KINDS[kind].make(home / kind, folder, random.Random(seed))
            ended = command(words, folder, KINDS[kind].bound_s)
            shutil.rmtree(folder, ignore_errors=True)
            run[kind] += 1
            codes[kind, ended.code] += 1
            slowest[kind] = max(slowest[kind], ended.took_s)
            most[kind] = max(most[kind], ended.memory_bytes)
            fault = ended.fault(KINDS[kind].bound_s)
            if fault:
                faults.append(f"{kind}:{seed} ({' '.join(words)}): {fault}")
                print(faults[-1], flush=True)
        if REQUEST in kinds:
            if asking is None:  # after the first forks: what it imports stays out of them
                from tests.hostile.requests import Requests

                (home / REQUEST).mkdir()
                asking = Requests(home / REQUEST)
            for number in range(seed * 10, seed * 10 + 10):
                run[REQUEST] += 1
                fault = asking.ask(number)
                if fault:
                    faults.append(f"{REQUEST}:{number}: {fault}")
                    print(faults[-1], flush=True)
        seed += 1
    if asking is not None:
        slowest[REQUEST], most[REQUEST] = asking.slowest_s, asking.server.peak_kb() * 1024
        codes.update({(REQUEST, code): n for code, n in asking.codes.items()})
        asking.close()
    print(f"seeds {first} to {seed - 1}")
    for kind in kinds:
        ends = ", ".join(f"{n} x {code}" for (of, code), n in sorted(codes.items()) if of == kind)
        print(
            f"{kind}: {run[kind]} (ended with {ends}), slowest {slowest[kind]:.1f} s of a "
            f"processor, most {most[kind] / 2**20:.0f} MiB"
        )
    print(f"{sum(run.values())} inputs, {len(faults)} faults")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
