"""One analysis in a process of its own, confined: the only place where an upload is decoded.

`python -m repcount.web.worker FOLDER VIDEO LONGEST_S`. Prints one JSON object a line: progress, or
the error as a sentence. Limits come before anything that could be fed the file is imported.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import platform
import resource
import signal
import struct
import sys
import time
from pathlib import Path
from typing import Any

MEMORY_BYTES = 12 * 2**30  # address space; the models and their libraries map much and use little
CPU_S = 4 * 3600
FILE_BYTES = 2 * 2**30
KEPT = ".tracks-{}.nc"
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS, _PR_SET_SECCOMP = 1, 38, 22
# numbers of (execve, execveat, socket), and the audit name of the machine: linux/audit.h
_CALLS = {
    "x86_64": (0xC000003E, (59, 322, 41)),
    "aarch64": (0xC00000B7, (221, 281, 198)),
}


def confine(file_bytes: int = FILE_BYTES, *, nice: int = 10) -> None:
    """Limit memory, time and file size; start no program, open no connection; die with the server.

    The last three are the kernel's (seccomp, Linux): on other machines only the limits hold.
    """
    for what, most, spare in (
        (resource.RLIMIT_AS, MEMORY_BYTES, 0),
        (resource.RLIMIT_CPU, CPU_S, 60),  # so that it ends by SIGXCPU, which says why
        (resource.RLIMIT_FSIZE, file_bytes, 0),
        (resource.RLIMIT_CORE, 0, 0),
    ):
        _, hard = resource.getrlimit(what)
        wall = most + spare if hard == resource.RLIM_INFINITY else min(most + spare, hard)
        resource.setrlimit(what, (min(most, wall), wall))
    os.nice(nice)
    libc = ctypes.CDLL(None, use_errno=True)
    parent = os.getppid()
    libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        sys.exit(1)
    if sys.platform == "linux" and platform.machine() in _CALLS:
        _forbid(libc, *_CALLS[platform.machine()])


def _forbid(libc: ctypes.CDLL, machine: int, calls: tuple[int, ...]) -> None:
    """A classic BPF filter (seccomp(2)): these calls fail with EPERM, all others pass."""
    load, equal, give = 0x20, 0x15, 0x06  # BPF_LD|W|ABS, BPF_JMP|JEQ|K, BPF_RET|K
    allow, refuse = 0x7FFF0000, 0x00050000 | 1  # SECCOMP_RET_ALLOW, SECCOMP_RET_ERRNO | EPERM
    code = [(load, 0, 0, 4), (equal, 1, 0, machine), (give, 0, 0, refuse), (load, 0, 0, 0)]
    for left, call in zip(range(len(calls) - 1, -1, -1), calls, strict=True):
        code.append((equal, left + 1, 0, call))
    code += [(give, 0, 0, allow), (give, 0, 0, refuse)]
    filled = b"".join(struct.pack("HBBI", *one) for one in code)
    text = ctypes.create_string_buffer(filled, len(filled))
    program = ctypes.create_string_buffer(
        struct.pack("HxxxxxxP", len(code), ctypes.addressof(text))
    )
    libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if libc.prctl(_PR_SET_SECCOMP, 2, ctypes.byref(program), 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "the analysis could not be confined")


def kept_name(engine: dict[str, Any]) -> str:
    """The file in which an analysis keeps its tracks until it is done; another version of the
    program or its models has another."""
    text = json.dumps(engine, sort_keys=True)
    return KEPT.format(hashlib.sha256(text.encode()).hexdigest()[:16])


def _say(**words: object) -> None:
    print(json.dumps(words), flush=True)


def main() -> None:
    """Analyse the video in the folder and leave the results there."""
    folder, name, longest_s = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    confine()
    from repcount.errors import FootageError, RepcountError
    from repcount.heat.store import engine
    from repcount.library.store import PLAN_SOURCE
    from repcount.pipeline.analyze import analyze
    from repcount.video.footage import probe

    said = 0.0

    def progress(fraction: float, left_s: float) -> None:
        nonlocal said
        if time.monotonic() - said > 0.5:
            said = time.monotonic()
            _say(fraction=round(fraction, 4), left_s=round(left_s, 1))

    try:
        length = probe(folder / name).duration_s
        if length > longest_s:
            raise FootageError(
                f"the video lasts {length / 60:.0f} minutes and at most {longest_s / 60:.0f} are "
                "taken; cut it to the attempt."
            )
        plan = folder / PLAN_SOURCE
        tracks = folder / kept_name(engine())
        analyze(
            folder / name, plan if plan.exists() else None, folder, progress=progress, kept=tracks
        )
        for old in folder.glob(KEPT.format("*")):
            old.unlink()
    except RepcountError as error:
        _say(error=str(error).replace(f"{folder}{os.sep}", ""))
        sys.exit(2)
    except MemoryError:
        _say(error="the video needs more memory than an analysis may take; export it smaller.")
        sys.exit(2)


if __name__ == "__main__":
    main()
