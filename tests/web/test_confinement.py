"""What decodes an upload tries to get out: each way is tried from inside.

Sources: landlock(7), seccomp(2), prctl(2), ptrace(2), io_uring_setup(2) of the Linux man-pages;
the ways out are those that MITRE ATT&CK lists under "Escape to Host" (T1611) and "Process
Injection" (T1055), as far as a process without privileges has them.
"""

from __future__ import annotations

import json
import platform
import signal
import subprocess
import sys
import textwrap
import time
from contextlib import suppress
from pathlib import Path

import pytest

from repcount.video import confinement
from repcount.video.kernel import has_filter, landlock_version

pytestmark = pytest.mark.skipif(
    landlock_version() < 3 or not has_filter(), reason="this kernel has no Landlock or no filter"
)

_TRY = """
import ctypes, json, os, resource, socket, subprocess, sys, threading
from pathlib import Path
from repcount.video.confinement import confine

home, folder, server = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
libc = ctypes.CDLL(None, use_errno=True)

def call(number, *arguments):
    if libc.syscall(number, *arguments) < 0:
        raise OSError(ctypes.get_errno(), "refused")

confine([folder / "clip.mp4"], folder)
acts = {ACTS}
found = {}
for name, act in acts.items():
    try:
        act()
        found[name] = "done"
    except (OSError, MemoryError, ValueError) as error:
        found[name] = type(error).__name__
print(json.dumps(found))
"""

# Numbers of system calls by machine: the kernel's tables (syscall_64.tbl, asm-generic/unistd.h).
_NUMBERS = {
    "x86_64": {
        "ptrace": 101, "process_vm_readv": 310, "io_uring_setup": 425, "kill": 62, "mount": 165,
        "unshare": 272, "bpf": 321, "keyctl": 250, "userfaultfd": 323, "perf_event_open": 298,
        "pidfd_open": 434, "open_by_handle_at": 304, "init_module": 175, "execveat": 322,
        "socketpair": 53, "setns": 308, "chroot": 161, "symlink": 88,
    },
    "aarch64": {
        "ptrace": 117, "process_vm_readv": 270, "io_uring_setup": 425, "kill": 129, "mount": 40,
        "unshare": 97, "bpf": 280, "keyctl": 219, "userfaultfd": 282, "perf_event_open": 241,
        "pidfd_open": 434, "open_by_handle_at": 265, "init_module": 105, "execveat": 281,
        "socketpair": 199, "setns": 268, "chroot": 51, "symlinkat": 36,
    },
}  # fmt: skip

_ESCAPES = {
    "read the database": 'lambda: (home / "library.db").read_bytes()',
    "read another attempt": 'lambda: (home / "other" / "clip.mp4").read_bytes()',
    "list the library": "lambda: os.listdir(home)",
    "read the system's files": 'lambda: Path("/etc/passwd").read_bytes()',
    "read by a link in its folder": 'lambda: (folder / "link").read_bytes()',
    "write beside its folder": 'lambda: (home / "new").write_bytes(b"x")',
    "write over a file": 'lambda: (home / "library.db").write_bytes(b"x")',
    "write into its program": 'lambda: Path(os.__file__).open("ab")',
    "move a file out": 'lambda: (folder / "mine").rename(home / "mine")',
    "link a file in": 'lambda: os.link(home / "library.db", folder / "got")',
    "delete a file": 'lambda: (home / "library.db").unlink()',
    "change rights": 'lambda: (home / "library.db").chmod(0o777)',
    "look into the server's memory": 'lambda: open(f"/proc/{server}/mem", "rb")',
    "look at the server's settings": 'lambda: open(f"/proc/{server}/environ", "rb").read()',
    "start a program": 'lambda: os.execv("/bin/true", ["true"])',
    "start a program by a child": 'lambda: subprocess.run(["/bin/true"])',
    "open a connection": 'lambda: socket.create_connection(("127.0.0.1", 9))',
    "open a local socket": "lambda: socket.socket(socket.AF_UNIX)",
    "signal the server": "lambda: os.kill(server, 0)",
    "limit the server": "lambda: resource.prlimit(server, resource.RLIMIT_NOFILE, (0, 0))",
    "lift its own limits": (
        "lambda: resource.setrlimit(resource.RLIMIT_DATA, (9 << 30, 9 << 30)) or bytearray(8 << 30)"
    ),
    "take all memory": "lambda: bytearray(4 << 30)",
}
_WORK = {
    "read its video": 'lambda: (folder / "clip.mp4").read_bytes()',
    "write its results": 'lambda: (folder / "out").write_bytes(b"x")',
    "read its program": "lambda: Path(os.__file__).read_bytes()",
    "start a thread": "lambda: (lambda one: (one.start(), one.join()))(threading.Thread())",
    "use a gigabyte": "lambda: bytearray(1 << 30)",
}


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    home = tmp_path_factory.mktemp("library")
    folder = home / "mine"
    for one in (folder, home / "other"):
        one.mkdir()
        (one / "clip.mp4").write_bytes(b"film")
    (home / "library.db").write_bytes(b"rows")
    (folder / "mine").write_bytes(b"x")
    (folder / "link").symlink_to(home / "library.db")
    acts = {**_ESCAPES, **_WORK}
    # last: they may leave the process in another state
    numbers = _NUMBERS[platform.machine()]
    acts |= {
        f"call {name}": f"lambda: call({number}, 0, 0, 0, 0, 0)" for name, number in numbers.items()
    }
    text = "{" + ", ".join(f"{name!r}: {act}" for name, act in acts.items()) + "}"
    with subprocess.Popen(["sleep", "600"]) as server:
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(_TRY).replace("{ACTS}", text),
             str(home), str(folder), str(server.pid)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        server.kill()
    assert done.returncode == 0, (done.returncode, done.stdout, done.stderr)
    assert (home / "library.db").read_bytes() == b"rows"
    return json.loads(done.stdout)


@pytest.mark.parametrize("act", _ESCAPES)
def test_it_cannot(ended, act):
    assert ended[act] in ("PermissionError", "MemoryError", "OSError", "ValueError")


@pytest.mark.parametrize("call", _NUMBERS.get(platform.machine(), ()))
def test_it_cannot_call(ended, call):
    assert ended[f"call {call}"] == "PermissionError"


@pytest.mark.parametrize("act", _WORK)
def test_it_can(ended, act):
    assert ended[act] == "done"


_WAIT = """
import sys, threading
from pathlib import Path
from repcount.video.confinement import confine

confine([], Path(sys.argv[1]))
print("waiting", flush=True)
threading.Event().wait(2.0)
"""


def test_it_may_be_stopped_and_go_on(tmp_path):
    """A wait that a stop interrupts goes on by restart_syscall(2), which is a call like others."""
    with subprocess.Popen(
        [sys.executable, "-c", _WAIT, str(tmp_path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "waiting\n"
        for number in (signal.SIGSTOP, signal.SIGCONT) * 3:
            time.sleep(0.1)
            process.send_signal(number)
        said = process.stderr.read() if process.stderr else ""
    assert process.returncode == 0, said


def test_what_it_may_read_of_the_system_stays_readable_where_memory_is_short(tmp_path):
    """The kernel forgets the files of /proc that nobody has open, and a rule with them
    (landlock(7): a rule holds for a file hierarchy that is open when it is added)."""
    names = ["/proc/meminfo", "/proc/cpuinfo", "/proc/stat", "/proc/self/status"]
    code = (
        "import os, sys; from pathlib import Path; from repcount.video.confinement import confine;"
        "confine([], Path(sys.argv[1])); print('in', flush=True); sys.stdin.readline();"
        "[Path(one).read_bytes() for one in sys.argv[2:]];"
        "print({os.path.realpath(f'/proc/self/fd/{n}') for n in os.listdir('/proc/self/fd')})"
    )
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path), *names], **pipes) as process:
        assert process.stdout.readline() == "in\n"
        with suppress(OSError):  # only who may: a machine's own administrator
            Path("/proc/sys/vm/drop_caches").write_text("2")
        said, _ = process.communicate("go\n", timeout=60)
    assert process.returncode == 0
    assert all(one in said for one in names[:3])


def test_where_the_kernel_has_no_walls_a_sentence_says_so(monkeypatch):
    assert confinement.lacking() == ""
    monkeypatch.setattr(confinement, "landlock_version", lambda: 0)
    assert "Landlock" in confinement.lacking()
    assert Path("/proc/self").exists()  # what the walls leave open is there
