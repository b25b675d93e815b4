"""A server of its own for tests: a real process, a stand-in for the analysis, a small client."""

from __future__ import annotations

import base64
import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.conftest import REPOSITORY

PATIENCE_S = 300.0  # against waiting for ever, however busy the machine is
STUB = (sys.executable, "-m", "tests.web.stub_analysis")
_RUN = """
import sys
from pathlib import Path
from repcount.web import serve
from repcount.web.settings import Settings
settings = Settings(
    data=Path(sys.argv[1]), worker=tuple(sys.argv[4:]), workers=2, stalled_s=float(sys.argv[3])
)
with serve.only_server(Path(sys.argv[1])):
    for sentence in serve.prepared(settings):
        print(sentence, flush=True)
    serve.run(settings, "127.0.0.1", int(sys.argv[2]), None)
"""


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Server:
    """Serves a folder until it is closed, or killed and started again."""

    code = _RUN

    def __init__(
        self,
        folder: Path,
        *,
        stub_s: float = 0.2,
        worker: tuple[str, ...] = STUB,
        stalled_s: float = 30.0,
        log: int | None = None,
    ) -> None:
        """`log`: the descriptor that its standard error goes to; else the caller's."""
        self.folder, self.log = folder, log
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.stub_s, self.worker, self.stalled_s = stub_s, worker, stalled_s
        self.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def begin(self) -> None:
        """Start the process; whether it answers is another matter."""
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                self.code,
                str(self.folder),
                str(self.port),
                str(self.stalled_s),
                *self.worker,
            ],
            cwd=REPOSITORY,
            stderr=self.log,
            env={**os.environ, "PYTHONPATH": str(REPOSITORY), "REPCOUNT_STUB_S": str(self.stub_s)},
        )

    def start(self) -> None:
        self.begin()
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                httpx.get(self.address + "/plans", timeout=5)
                return
            except httpx.TransportError:
                if self.process.poll() is not None or time.monotonic() > deadline:
                    raise RuntimeError("the server did not start") from None
                time.sleep(0.05)

    def busy_s(self) -> float:
        """Processor seconds of the server and of the children that it has waited for, so that other
        work on the machine does not count (proc(5): utime, stime, cutime, cstime)."""
        stat = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return sum(map(int, stat[11:15])) / os.sysconf("SC_CLK_TCK")

    def peak_kb(self) -> int:
        """The greatest resident memory of the server's process so far (proc(5))."""
        found = re.search(
            r"VmHWM:\s+(\d+) kB", Path(f"/proc/{self.process.pid}/status").read_text()
        )
        assert found is not None
        return int(found[1])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=PATIENCE_S)

    @contextmanager
    def client(self) -> Iterator[httpx.Client]:
        """A client with a session and its token."""
        with httpx.Client(base_url=self.address, timeout=PATIENCE_S) as made:
            yield with_token(made)

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *error: object) -> None:
        if self.process.poll() is None:
            self.close()


# The command, but for the analysis, for which a stand-in works.
_COMMAND = """
import functools, sys
from repcount.web import settings
settings.Settings = functools.partial(settings.Settings, worker=tuple(sys.argv[1].split("|")))
from repcount.cli.main import main
del sys.argv[1]
main()
"""


@contextmanager
def served(data: Path, *options: str) -> Iterator[tuple[int, str]]:
    """`repcount serve --data DATA` with options; its port and what it printed before it was
    reached."""
    port = free_port()
    command = [sys.executable, "-c", _COMMAND, "|".join(STUB), "serve", "--data", str(data)]
    process = subprocess.Popen(
        [*command, "--port", str(port), *options],
        cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
    )  # fmt: skip
    host = options[options.index("--host") + 1] if "--host" in options else "127.0.0.1"
    try:
        deadline = time.monotonic() + 60
        while True:
            try:
                socket.create_connection((host.replace("0.0.0.0", "127.0.0.1"), port), 1).close()
                break
            except OSError:
                assert process.poll() is None, process.communicate()[0]
                assert time.monotonic() < deadline
                time.sleep(0.1)
        said: list[str] = []
        assert process.stdout is not None
        while not said or not said[-1].startswith("Open "):
            said.append(process.stdout.readline())
            assert said[-1], said
        yield port, "".join(said)
    finally:
        process.terminate()
        process.communicate(timeout=20)


def refused(data: Path, *options: str) -> str:
    """What `repcount serve --data DATA` says where it does not start: one line, exit status 2."""
    command = [sys.executable, "-m", "repcount.cli.main", "serve", "--data", str(data), *options]
    done = subprocess.run(
        [*command, "--port", str(free_port())],
        cwd=REPOSITORY, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Open " not in done.stdout
    (line,) = done.stderr.strip().splitlines()
    return line


def with_token(client: httpx.Client, page: str = "/plans") -> httpx.Client:
    """The client, with the token that its session's pages carry."""
    found = re.search(r'name="token" content="(\w+)"', client.get(page).text)
    assert found is not None
    client.headers["X-Token"] = found[1]
    return client


def metadata(**words: str) -> str:
    return ",".join(
        f"{key} {base64.b64encode(word.encode()).decode()}" for key, word in words.items()
    )


def announce(client: httpx.Client, size: int, **words: str) -> httpx.Response:
    headers = {
        "Tus-Resumable": "1.0.0",
        "Upload-Length": str(size),
        "Upload-Metadata": metadata(**({"filename": "film.mp4"} | words)),
    }
    return client.post("/api/uploads/", headers=headers)


def put(client: httpx.Client, where: str, offset: int, data: bytes) -> httpx.Response:
    headers = {
        "Tus-Resumable": "1.0.0",
        "Upload-Offset": str(offset),
        "Content-Type": "application/offset+octet-stream",
    }
    return client.patch(where, headers=headers, content=data)


def upload(client: httpx.Client, data: bytes, **words: str) -> str:
    """Send a file at once; the attempt's id."""
    made = announce(client, len(data), **words)
    assert made.status_code == 201, made.text
    answer = put(client, made.headers["Location"], 0, data)
    assert answer.status_code == 204, answer.text
    return answer.headers["X-Attempt"]


def finished(client: httpx.Client, attempt: str, seconds: float = PATIENCE_S) -> dict:
    """Wait until an analysis is over; how it stands."""
    deadline = time.monotonic() + seconds
    while True:
        answer = client.get(f"/api/attempts/{attempt}/events?once=true")
        assert answer.status_code == 200, answer.text
        now = json.loads(answer.text.removeprefix("data: "))
        if now["state"] not in ("waiting", "running"):
            return now
        assert time.monotonic() < deadline, now
        time.sleep(0.05)
