"""One command of the program in a process of its own, quickly: what it said and what it took."""

from __future__ import annotations

import os
import resource
import signal
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

LARGEST_BYTES = 3 * 2**30
WAITS = 20  # times its bound a command may take on the clock, where other work goes on
UNEXPECTED = 70  # EX_SOFTWARE of sysexits.h


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code (negative: the signal), what it printed (both streams),
    seconds of a processor, which other work on the machine does not lengthen, and the most memory
    it held."""

    code: int
    said: str
    took_s: float
    memory_bytes: int

    def fault(self, bound_s: float) -> str:
        """What must not happen and did; empty where all is well."""
        if self.code == -signal.SIGALRM:
            return f"hung: {WAITS * bound_s:.0f} s on the clock"
        if self.code == -signal.SIGPROF or self.took_s > bound_s:
            return f"took {self.took_s:.0f} s and may take {bound_s:.0f}"
        if self.code < 0:
            return f"ended by signal {-self.code}"
        if self.code == UNEXPECTED:
            return "exit 70: " + self.said[-200:]
        if "Traceback (most recent call last)" in self.said:
            return "a traceback: " + self.said[-200:]
        if self.memory_bytes > LARGEST_BYTES:
            return f"took {self.memory_bytes / 2**30:.1f} GiB"
        if self.code != 0 and not self.said.strip():
            return f"ended with {self.code} and said nothing"
        return ""


def command(words: Sequence[str], folder: Path, bound_s: float) -> Ended:
    """Run `repcount WORDS` in a fork of this process, which has imported the program already."""
    said = folder / "said.txt"
    child = os.fork()
    if child == 0:
        _become(words, folder, said, bound_s)
    _, status, used = os.wait4(child, 0)
    code = os.waitstatus_to_exitcode(status)
    text = said.read_text(encoding="utf-8", errors="replace") if said.exists() else ""
    return Ended(code, text, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024)


def _become(words: Sequence[str], folder: Path, said: Path, bound_s: float) -> None:
    """Never returns."""
    code = UNEXPECTED
    try:
        os.chdir(folder)
        to = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        for stream in (1, 2):
            os.dup2(to, stream)
        # closer than a kill: what hangs in native code ends by the signal, which is reported
        for number in (signal.SIGALRM, signal.SIGPROF):
            signal.signal(number, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, bound_s + 1)
        signal.alarm(int(WAITS * bound_s))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        # what grows without end ends before the machine does, and has held too much by then
        resource.setrlimit(resource.RLIMIT_AS, (4 * LARGEST_BYTES,) * 2)
        from repcount.cli.main import cli

        sys.stdout = open(1, "w", encoding="utf-8", errors="replace", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", encoding="utf-8", errors="replace", closefd=False)  # noqa: SIM115
        cli(list(words), prog_name="repcount")
        code = 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(code)
