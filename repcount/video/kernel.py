"""Two walls of the Linux kernel around a process, without privileges: Landlock for files and TCP
(landlock(7), linux/landlock.h), a filter of system calls (seccomp(2), linux/filter.h).

Both hold for the process and all that it starts, and cannot be taken off again.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import struct
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

_PR_SET_NO_NEW_PRIVS, _PR_SET_SECCOMP, _SECCOMP_MODE_FILTER = 38, 22, 2
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446  # the same number on every machine
_VERSION_FLAG, _PATH_BENEATH = 1, 1

# linux/landlock.h, LANDLOCK_ACCESS_FS_*: by the version of the interface that has them.
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1, 2, 4, 8
_ALL_FILES = {1: 0x1FFF, 2: 0x3FFF, 3: 0x7FFF, 5: 0xFFFF}
_READ = _READ_FILE | _READ_DIR
_IOCTL_DEV = 0x8000
_ON_FILES = _EXECUTE | _WRITE_FILE | _READ_FILE | 0x4000 | _IOCTL_DEV  # of a file's rule
_TCP = 3  # bind and connect, from version 4
_SCOPES = 3  # abstract sockets and signals, from version 6

# The audit name of the machine (linux/audit.h) and the numbers of its system calls.
_MACHINES = {"x86_64": 0xC000003E, "aarch64": 0xC00000B7}
# What an analysis calls: files, memory, threads, time. Everything else fails with EPERM: programs,
# sockets, other processes (ptrace, process_vm_readv, kill by pidfd), io_uring, keys, modules,
# mounts, namespaces, BPF. Names as in the kernel's tables (arch/x86/entry/syscalls/syscall_64.tbl,
# include/uapi/asm-generic/unistd.h).
_ALLOWED: dict[str, tuple[int | None, int | None]] = {
    "read": (0, 63),
    "write": (1, 64),
    "open": (2, None),
    "close": (3, 57),
    "stat": (4, None),
    "fstat": (5, 80),
    "lstat": (6, None),
    "poll": (7, None),
    "lseek": (8, 62),
    "mmap": (9, 222),
    "mprotect": (10, 226),
    "munmap": (11, 215),
    "brk": (12, 214),
    "rt_sigaction": (13, 134),
    "rt_sigprocmask": (14, 135),
    "rt_sigreturn": (15, 139),
    "ioctl": (16, 29),
    "pread64": (17, 67),
    "pwrite64": (18, 68),
    "readv": (19, 65),
    "writev": (20, 66),
    "access": (21, None),
    "pipe": (22, None),
    "sched_yield": (24, 124),
    "mremap": (25, 216),
    "msync": (26, 227),
    "mincore": (27, 232),
    "madvise": (28, 233),
    "dup": (32, 23),
    "dup2": (33, None),
    "pause": (34, None),
    "nanosleep": (35, 101),
    "getitimer": (36, 102),
    "alarm": (37, None),
    "setitimer": (38, 103),
    "getpid": (39, 172),
    "sendfile": (40, 71),
    "clone": (56, 220),
    "vfork": (58, None),
    "exit": (60, 93),
    "wait4": (61, 260),
    "uname": (63, 160),
    "fcntl": (72, 25),
    "flock": (73, 32),
    "fsync": (74, 82),
    "fdatasync": (75, 83),
    "ftruncate": (77, 46),
    "getdents": (78, None),
    "getcwd": (79, 17),
    "chdir": (80, 49),
    "rename": (82, None),
    "mkdir": (83, None),
    "rmdir": (84, None),
    "link": (86, None),
    "unlink": (87, None),
    "readlink": (89, None),
    "umask": (95, 166),
    "gettimeofday": (96, 169),
    "getrlimit": (97, 163),
    "getrusage": (98, 165),
    "sysinfo": (99, 179),
    "times": (100, 153),
    "getuid": (102, 174),
    "getgid": (104, 176),
    "geteuid": (107, 175),
    "getegid": (108, 177),
    "getppid": (110, 173),
    "getpgrp": (111, None),
    "sigaltstack": (131, 132),
    "statfs": (137, 43),
    "fstatfs": (138, 44),
    "getpriority": (140, 141),
    "sched_getparam": (143, 121),
    "sched_getscheduler": (145, 120),
    "prctl": (157, 167),
    "arch_prctl": (158, None),
    "gettid": (186, 178),
    "time": (201, None),
    "futex": (202, 98),
    "sched_getaffinity": (204, 123),
    "epoll_create": (213, None),
    "getdents64": (217, 61),
    "set_tid_address": (218, 96),
    "restart_syscall": (219, 128),
    "fadvise64": (221, 223),
    "clock_gettime": (228, 113),
    "clock_getres": (229, 114),
    "clock_nanosleep": (230, 115),
    "exit_group": (231, 94),
    "epoll_wait": (232, None),
    "epoll_ctl": (233, 21),
    "tgkill": (234, 131),
    "mbind": (237, 235),
    "get_mempolicy": (239, 236),
    "openat": (257, 56),
    "mkdirat": (258, 34),
    "newfstatat": (262, 79),
    "unlinkat": (263, 35),
    "renameat": (264, 38),
    "linkat": (265, 37),
    "readlinkat": (267, 78),
    "faccessat": (269, 48),
    "pselect6": (270, 72),
    "ppoll": (271, 73),
    "set_robust_list": (273, 99),
    "get_robust_list": (274, 100),
    "epoll_pwait": (281, 22),
    "fallocate": (285, 47),
    "eventfd2": (290, 19),
    "epoll_create1": (291, 20),
    "dup3": (292, 24),
    "pipe2": (293, 59),
    "prlimit64": (302, 261),
    "getcpu": (309, 168),
    "sched_getattr": (315, 275),
    "renameat2": (316, 276),
    "getrandom": (318, 278),
    "memfd_create": (319, 279),
    "membarrier": (324, 283),
    "copy_file_range": (326, 285),
    "statx": (332, 291),
    "rseq": (334, 293),
    "clone3": (435, 435),
    "close_range": (436, 436),
    "faccessat2": (439, 439),
    "epoll_pwait2": (441, 441),
}

# prlimit64 only asks, and only about this process: where these halves of its arguments (struct
# seccomp_data) are 0, the process' number and the address of new limits.
_ASKING = (16, 32, 36)


def landlock_version() -> int:
    """The version of Landlock's interface that the running kernel has; 0 where it has none."""
    if sys.platform != "linux":
        return 0
    libc = ctypes.CDLL(None, use_errno=True)
    return max(0, int(libc.syscall(_CREATE_RULESET, None, 0, _VERSION_FLAG)))


def has_filter() -> bool:
    """Whether the filter of system calls is written for this machine."""
    return sys.platform == "linux" and platform.machine() in _MACHINES


def no_new_privileges() -> None:
    """No program started from here has more rights than this process (prctl(2))."""
    libc = ctypes.CDLL(None, use_errno=True)
    if sys.platform == "linux" and libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "privileges could not be given up")


def shut_files(read: Iterable[Path], write: Iterable[Path]) -> bool:
    """From now on only files at or below `read` can be read, those at or below `write` also
    written, made and removed; no TCP where the kernel can refuse it. False where it has no
    Landlock. Raises OSError where it refuses. `no_new_privileges` comes first."""
    version = landlock_version()
    if version == 0:
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    every = _ALL_FILES[max(known for known in _ALL_FILES if known <= version)]
    attributes = struct.pack("Q", every)
    if version >= 4:
        attributes += struct.pack("Q", _TCP)
    if version >= 6:
        attributes += struct.pack("Q", _SCOPES)
    rules = libc.syscall(_CREATE_RULESET, attributes, len(attributes), 0)
    if rules < 0:
        raise OSError(ctypes.get_errno(), "the files could not be shut")
    try:
        for paths, rights in ((read, _READ), (write, every & ~_EXECUTE)):
            for path in paths:
                _allow(libc, rules, path, rights & every)
        if libc.syscall(_RESTRICT_SELF, rules, 0) != 0:
            raise OSError(ctypes.get_errno(), "the files could not be shut")
    finally:
        os.close(rules)
    return True


def _allow(libc: ctypes.CDLL, rules: int, path: Path, rights: int) -> None:
    """Allow what lies at or below `path`, and keep that open as long as the process lives: a rule
    holds for an inode, and of /proc the kernel makes another one once nobody has the first open
    and memory is short."""
    with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
        opened = os.open(path, os.O_PATH | os.O_CLOEXEC)
        if not path.is_dir():
            rights &= _ON_FILES
        rule = struct.pack("=Qi", rights, opened)
        if libc.syscall(_ADD_RULE, rules, _PATH_BENEATH, rule, 0) != 0:
            os.close(opened)
            raise OSError(ctypes.get_errno(), f"{path} could not be allowed")


def shut_calls() -> bool:
    """From now on only the system calls of an analysis pass, all others fail with EPERM. False
    where the filter is not written for this machine. `no_new_privileges` comes first."""
    if not has_filter():
        return False
    machine = platform.machine()
    column = list(_MACHINES).index(machine)
    numbers = sorted(number for one in _ALLOWED.values() if (number := one[column]) is not None)
    load, equal, above, give = 0x20, 0x15, 0x35, 0x06  # BPF_LD|W|ABS, JMP|JEQ|K, JMP|JGE|K, RET|K
    allow, refuse = 0x7FFF0000, 0x00050000 | errno.EPERM  # SECCOMP_RET_ALLOW, SECCOMP_RET_ERRNO
    code = [
        (load, 0, 0, 4),
        (equal, 1, 0, _MACHINES[machine]),
        (give, 0, 0, refuse),
        (load, 0, 0, 0),
        # x86-64's second table (x32) counts from here: nothing in it is needed
        (above, 0, 1, 0x40000000),
        (give, 0, 0, refuse),
    ]
    for number in numbers:
        if number != _ALLOWED["prlimit64"][column]:
            code += [(equal, 0, 1, number), (give, 0, 0, allow)]
            continue
        code.append((equal, 0, 2 * len(_ASKING) + 2, number))
        for left in range(len(_ASKING) - 1, -1, -1):
            code += [(load, 0, 0, _ASKING[left]), (equal, 0, 2 * left + 1, 0)]
        code += [(give, 0, 0, allow), (give, 0, 0, refuse)]
    code.append((give, 0, 0, refuse))
    filled = b"".join(struct.pack("HBBI", *one) for one in code)
    text = ctypes.create_string_buffer(filled, len(filled))
    program = ctypes.create_string_buffer(
        struct.pack("HxxxxxxP", len(code), ctypes.addressof(text))
    )
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, ctypes.byref(program), 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "the system calls could not be shut")
    return True
