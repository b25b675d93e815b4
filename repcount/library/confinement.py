"""What a process may do that opens files of strangers: the limits of analyses and copies."""

from __future__ import annotations

import ctypes
import os
import platform
import resource
import signal
import struct
import sys

MEMORY_BYTES = 12 * 2**30  # address space; the models and their libraries map much and use little
CPU_S = 4 * 3600
FILE_BYTES = 2 * 2**30
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
