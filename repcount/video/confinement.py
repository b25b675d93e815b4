"""What a process may do that opens files of strangers: the limits of analyses and copies."""

from __future__ import annotations

import atexit
import ctypes
import os
import resource
import shutil
import signal
import sys
import sysconfig
import tempfile
from collections.abc import Sequence
from pathlib import Path

import repcount
from repcount.files import ASIDE
from repcount.video.kernel import (
    has_filter,
    landlock_version,
    no_new_privileges,
    shut_calls,
    shut_files,
)

MEMORY_BYTES = 3 * 2**30  # private memory that can be written (RLIMIT_DATA, Linux from 4.7)
ADDRESS_BYTES = 12 * 2**30  # address space; the models and their libraries map much and use little
CPU_S = 4 * 3600
FILE_BYTES = 2 * 2**30
_PR_SET_PDEATHSIG = 1
# What the libraries read of the system: their like, how many processors, the time of day.
_SYSTEM = (
    "/usr/lib", "/usr/lib64", "/lib", "/lib64", "/usr/local/lib", "/usr/share/zoneinfo",
    "/usr/share/fonts", "/etc/ld.so.cache", "/etc/localtime", "/etc/fonts",
    "/sys/devices/system/cpu", "/sys/devices/system/node", "/sys/kernel/mm/transparent_hugepage",
    "/proc/self", "/proc/cpuinfo", "/proc/meminfo", "/proc/stat", "/proc/sys/vm", "/dev/urandom",
)  # fmt: skip


def confine(
    read: Sequence[Path],
    write: Path,
    *,
    file_bytes: int = FILE_BYTES,
    nice: int = 10,
) -> None:
    """Limit memory, time and file size; see no file but `read`, `write` and the program; start no
    program, open no connection, look into no other process; die with the server.

    `write` is a folder, in which the libraries' temporary files are put too. The walls are the
    kernel's (`repcount.video.kernel`): where it has none, the limits alone hold (`lacking`).
    """
    for what, most, spare in (
        (resource.RLIMIT_DATA, MEMORY_BYTES, 0),
        (resource.RLIMIT_AS, ADDRESS_BYTES, 0),
        (resource.RLIMIT_CPU, CPU_S, 60),  # so that it ends by SIGXCPU, which says why
        (resource.RLIMIT_FSIZE, file_bytes, 0),
        (resource.RLIMIT_CORE, 0, 0),
    ):
        _, hard = resource.getrlimit(what)
        wall = most + spare if hard == resource.RLIM_INFINITY else min(most + spare, hard)
        resource.setrlimit(what, (min(most, wall), wall))
    os.nice(nice)
    parent = os.getppid()
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        sys.exit(1)
    _temporary_files(write)
    no_new_privileges()
    shut_files([*read, *_program(), *map(Path, _SYSTEM)], [write, Path(os.devnull)])
    shut_calls()


def lacking() -> str:
    """What of the walls the running kernel has not, as a sentence; empty where all stand."""
    missing = []
    if landlock_version() == 0:
        missing.append("Landlock (files)")
    if not has_filter():
        missing.append("a filter of system calls for this machine")
    if not missing:
        return ""
    return (
        f"This system has no {' and no '.join(missing)}: a video made to do harm could do more "
        "than it should. Use Linux 5.13 or newer, or take videos only from people you trust."
    )


def _program() -> list[Path]:
    """Where Python, its packages, this program and its models lie."""
    home = Path(repcount.__file__).parent
    packages = [
        Path(one)
        for one in sys.path
        if one.rstrip("/").endswith(("site-packages", "dist-packages"))
    ]
    standard = [Path(sysconfig.get_path(name)) for name in ("stdlib", "platstdlib")]
    prefixes = [Path(prefix) / "lib" for prefix in (sys.prefix, sys.base_prefix)]
    return [home, home.parent / "models", *packages, *standard, *prefixes]


def _temporary_files(folder: Path) -> None:
    """Temporary files and the settings of libraries go into a folder of their own in `folder`."""
    aside = tempfile.mkdtemp(prefix=ASIDE, dir=folder)
    atexit.register(shutil.rmtree, aside, ignore_errors=True)
    tempfile.tempdir = aside
    for name in ("TMPDIR", "HOME", "MPLCONFIGDIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
        os.environ[name] = aside
