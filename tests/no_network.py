"""Run something in a process of its own and prove that it reaches for no network.

Where `strace` is installed (and may trace), every `connect` and `sendto` of the process and all its
children is looked at, native code included. Elsewhere the process runs with Python's sockets and
name look-ups forbidden, which native code can get round.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]

# A connection to, or a datagram for, the internet. Local sockets (AF_UNIX) and the kernel's own
# (AF_NETLINK) go nowhere.
REACHES_OUT = re.compile(r"\b(?:connect|sendto)\(.*AF_INET6?\b.*")

FORBID = """
import socket
def forbidden(*arguments, **options):
    raise RuntimeError(f"network forbidden: {arguments}")
socket.socket.connect = socket.socket.connect_ex = socket.socket.sendto = forbidden
socket.getaddrinfo = socket.gethostbyname = forbidden
"""


@cache
def strace() -> str | None:
    """The path of an strace that may trace here, None if there is none."""
    path = shutil.which("strace")
    if path is None:
        return None
    tried = subprocess.run([path, "-f", "-o", "/dev/null", "true"], capture_output=True)
    return path if tried.returncode == 0 else None


def reaches_out(code: str, folder: Path, timeout_s: float = 300) -> list[str]:
    """Run the Python text `code` from the repository's root and return the system calls (or the
    forbidden calls) with which it reached for the network; none is right. `folder` takes the trace.

    Raises AssertionError with the end of its output if `code` itself fails.
    """
    tracer, trace = strace(), folder / "trace.txt"
    if tracer:
        command = [tracer, "-f", "-qq", "-e", "trace=connect,sendto", "-o", str(trace)]
    else:
        command, code = [], FORBID + code
    ran = subprocess.run(
        [*command, sys.executable, "-c", code],
        cwd=REPO,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    if not tracer:
        blocked = [line for line in ran.stderr.splitlines() if "network forbidden" in line]
        if blocked:
            return blocked
    assert ran.returncode == 0, ran.stderr[-2000:]
    text = trace.read_text() if tracer else ""
    return [found.group(0) for found in REACHES_OUT.finditer(text)]
