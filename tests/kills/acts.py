"""What is going on when the kill comes, and what has to be so afterwards.

Each act has a library of its own. `work` is what is cut off; what it was told that it had been done
is noted, and `check` looks whether that is there and everything is whole. Acts of a server are cut
off by a kill of the server, the others by a kill of the process that does them.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import time
import traceback
import zipfile
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import httpx
from sqlalchemy.exc import SQLAlchemyError

from repcount.errors import RepcountError
from repcount.library.archive import export_library, import_library
from repcount.library.checking import findings
from repcount.library.layout import DATABASE, GONE, IMPORT, NEW
from repcount.library.store import Library
from repcount.library.tidying import start_up
from repcount.pipeline.results import EDITS, is_stale
from tests.media import write_video
from tests.web.serving import Server, announce, finished, put, upload
from tests.web.stub_analysis import PLAN, stub_reading, write_stub

SLOW_START_S = 5.0
THREAD_ENDED = "Exception in thread"
_BREAKS = (httpx.TransportError, RepcountError, OSError)


class SmallDisk(Server):
    """A server that does not keep a gigabyte free."""

    code = (
        "import repcount.library.copies, repcount.web.tus\n"
        "repcount.web.tus.SPARE_BYTES = repcount.library.copies.SPARE_BYTES = 0\n" + Server.code
    )


class Act(ABC):
    """One kind of thing that can be cut off, in a folder of its own."""

    longest_s = 1.0  # kills come after a random part of this

    def __init__(self, home: Path) -> None:
        self.home, self.data = home, home / "data"
        home.mkdir(parents=True)
        self.film = write_video(home / "film.mp4", [n / 30 for n in range(10)])
        reading = stub_reading()
        reading.video.sha256 = hashlib.sha256(self.film.read_bytes()).hexdigest()
        write_stub(home / "out", reading)
        self.made = 0

    def add(self, library: Library) -> str:
        """One more attempt, read."""
        self.made += 1
        return library.add_attempt(
            self.film, f"f{self.made}.mp4", plan_toml=PLAN, results=self.home / "out",
            athlete_id=library.athlete_named("Oren Vale"),
        )  # fmt: skip

    @abstractmethod
    def cut_off(self, dice: random.Random, fill: Callable[[], Callable[[], None]] | None) -> None:
        """Begin, and kill at a random moment; with `fill` the disk is full before."""

    @abstractmethod
    def check(self) -> str:
        """What is not as it has to be; empty where all is."""

    def close(self) -> None:
        """Nothing more comes."""
        shutil.rmtree(self.home, ignore_errors=True)

    def left_over(self) -> str:
        """What is not whole after a start; empty where all is."""
        library = Library(self.data)
        try:
            found = list(findings(library))
        finally:
            library.close()
        lying = [
            str(one.relative_to(self.data))
            for part in (".", "attempts", "heats")
            for one in (self.data / part).iterdir()
            if one.name.startswith((IMPORT, NEW, GONE))
        ]
        return "; ".join(found + [f"{one} is left" for one in lying])


# --- with a server ---


class Served(Act):
    """Cut off by a kill of the server; what it answered with 2xx has to be there."""

    stub_s = 0.3

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        self.prepare()
        self.log, self.heard = os.memfd_create("log"), 0  # not on the disk that is filled
        self.server = SmallDisk(self.data, stub_s=self.stub_s, log=self.log)
        self.starts: list[tuple[float, float]] = []  # on the clock, and of a processor

    def prepare(self) -> None:
        """What the library holds before."""

    @abstractmethod
    def work(self, client: httpx.Client, dice: random.Random) -> None:
        """Go on until the connection ends."""

    @abstractmethod
    def kept(self, client: httpx.Client) -> str:
        """What of the work is not there though it was answered for."""

    def cut_off(self, dice: random.Random, fill: Callable[[], Callable[[], None]] | None) -> None:
        after_s = dice.random() * self.longest_s
        empty = None
        with suppress(*_BREAKS), self.server.client() as client:
            child = os.fork()
            if child == 0:
                time.sleep(after_s)
                os.kill(self.server.process.pid, signal.SIGKILL)
                os._exit(0)
            try:
                if fill is not None:
                    empty = fill()
                self.work(client, dice)
            finally:
                os.waitpid(child, 0)
        self.server.kill()
        if empty is not None:
            empty()

    def stopped_working(self) -> str:
        """Which of the server's threads has ended by an exception since this was asked before."""
        size = os.fstat(self.log).st_size
        said = os.pread(self.log, size, self.heard).decode(errors="replace")
        self.heard = size
        # as `threading.excepthook` writes it
        return said[said.index(THREAD_ENDED) :][-400:] if THREAD_ENDED in said else ""

    def check(self) -> str:
        began = time.monotonic()
        self.server.start()
        took_s = self.server.busy_s()
        self.starts.append((time.monotonic() - began, took_s))
        with self.server.client() as client:
            said = self.kept(client)
        # of what its start has set right
        said = said or self.left_over() or self.stopped_working()
        if not said and took_s > SLOW_START_S:
            return f"the start took {took_s:.1f} s of a processor"
        return said

    def close(self) -> None:
        self.server.close()
        os.close(self.log)
        super().close()


class Uploading(Served):
    """A video on its way, in pieces."""

    PIECE, MORE = 40_000, 2_000_000  # so that a second is rather part of one than several

    def prepare(self) -> None:
        self.sent: dict[str, tuple[bytes, int]] = {}  # address: bytes, of which so many arrived
        self.there: dict[str, str] = {}

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        while True:
            data = self.film.read_bytes() + dice.randbytes(self.MORE)
            made = announce(client, len(data))
            if made.status_code != 201:
                time.sleep(0.05)
                continue
            where, at = made.headers["Location"], 0
            self.sent[where] = data, 0
            while at < len(data):
                answer = put(client, where, at, data[at : at + self.PIECE])
                if answer.status_code != 204:
                    break
                at = int(answer.headers["Upload-Offset"])
                self.sent[where] = data, at

    def kept(self, client: httpx.Client) -> str:
        for where, (data, arrived) in list(self.sent.items()):
            answer = client.head(where, headers={"Tus-Resumable": "1.0.0"})
            if answer.status_code != 200:
                return f"an upload of which {arrived} bytes had arrived is gone"
            at = int(answer.headers["Upload-Offset"])
            if at < arrived:
                return f"of an upload {arrived - at} bytes are gone"
            if at < len(data):
                answer = put(client, where, at, data[at:])
            attempt = answer.headers.get("X-Attempt")
            if attempt is None:
                return f"a complete upload is no attempt: {answer.text}"
            if finished(client, attempt)["state"] != "done":
                return f"{attempt} was not read"
            self.there[attempt] = hashlib.sha256(data).hexdigest()
            del self.sent[where]
        for attempt, digest in self.there.items():
            found = client.get(f"/attempts/{attempt}/files/film.mp4").content
            if hashlib.sha256(found).hexdigest() != digest:
                return f"the video of {attempt} is another"
        return ""


class Correcting(Served):
    """Corrections one after another."""

    def prepare(self) -> None:
        library = Library(self.data)
        self.attempt, self.notes = self.add(library), []
        self.folder = library.folder_of(self.attempt)
        library.close()

    def listed(self) -> list[str]:
        if not (self.folder / EDITS).exists():
            return []
        edits = json.loads((self.folder / EDITS).read_bytes())["edits"]
        return [one["values"]["text"] for one in edits]

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        version = len(self.listed())
        while True:
            text = f"seen {dice.getrandbits(64):x}"
            words = {"version": version, "who": "Robin", "action": "note", "values": {"text": text}}
            answer = client.post(f"/api/attempts/{self.attempt}/edits", json=words)
            if answer.status_code == 200:
                version += 1
                self.notes.append(text)
            else:
                version = len(self.listed())

    def kept(self, client: httpx.Client) -> str:
        listed = self.listed()
        lost = [text for text in self.notes if text not in listed]
        if lost:
            return f"{len(lost)} corrections are gone"
        client.get(f"/attempts/{self.attempt}/files/reps.csv").raise_for_status()
        told = json.loads((self.folder / "attempt.json").read_bytes())["notes"]
        if is_stale(self.folder) or [one["text"] for one in told] != listed:
            return "the attempt is not of its corrections"
        if len(listed) > 400:  # another one, so that a correction stays as quick as it is
            library = Library(self.data)
            self.attempt, self.notes = self.add(library), []
            self.folder = library.folder_of(self.attempt)
            library.close()
        return ""


class Planning(Served):
    """Plans kept one after another."""

    def prepare(self) -> None:
        self.names: list[str] = []

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        while True:
            name = f"Slate {dice.getrandbits(64):x}"
            answer = client.post("/api/plans", data={"toml": PLAN.replace("Slate", name, 1)})
            if answer.status_code == 204:
                self.names.append(name)

    def kept(self, client: httpx.Client) -> str:
        page = client.get("/plans").text
        lost = [name for name in self.names if name not in page]
        return f"{len(lost)} plans are gone" if lost else ""


class Analysing(Served):
    """A video being read."""

    longest_s, stub_s = 2.0, 1.0

    def prepare(self) -> None:
        self.attempts: list[str] = []

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        with suppress(AssertionError):  # no room for it
            self.attempts.append(upload(client, self.film.read_bytes()))
        while True:
            client.get("/")
            time.sleep(0.1)

    def kept(self, client: httpx.Client) -> str:
        for attempt in self.attempts:
            now = finished(client, attempt)
            if now["state"] == "failed":  # for want of room: it can be read again
                client.post(f"/api/attempts/{attempt}/again")
                now = finished(client, attempt)
            if now["state"] != "done":
                return f"{attempt} was not read: {now}"
        self.attempts.clear()
        return ""


class Deleting(Served):
    """Attempts deleted one after another."""

    def prepare(self) -> None:
        self.gone: list[str] = []
        library = Library(self.data)
        for _ in range(15):
            self.add(library)
        library.close()

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        library = Library(self.data)
        ids = [row.id for row in library.attempts()]
        library.close()
        for attempt in ids:
            if client.post(f"/api/attempts/{attempt}/delete").status_code == 204:
                self.gone.append(attempt)

    def kept(self, client: httpx.Client) -> str:
        page = client.get("/").text
        for attempt in self.gone:
            if attempt in page or (self.data / "attempts" / attempt).exists():
                return f"{attempt} was deleted and is there"
        library = Library(self.data)
        while len(library.attempts()) < 15:
            self.add(library)
        library.close()
        return ""


class Starting(Served):
    """The start itself."""

    longest_s = 2.5

    def prepare(self) -> None:
        library = Library(self.data)
        for _ in range(5):
            self.add(library)
        library.close()

    def cut_off(self, dice: random.Random, fill: Callable[[], Callable[[], None]] | None) -> None:
        self.server.kill()
        empty = fill() if fill is not None else None
        self.server.begin()
        with suppress(subprocess.TimeoutExpired):
            self.server.process.wait(dice.random() * self.longest_s)
        self.server.kill()
        if empty is not None:
            empty()

    def work(self, client: httpx.Client, dice: random.Random) -> None:
        raise NotImplementedError

    def kept(self, client: httpx.Client) -> str:
        return "" if client.get("/").text.count('href="/attempts/') == 5 else "attempts are gone"


# --- by a process of their own ---


class Alone(Act):
    """Cut off by a kill of the process that does it."""

    def before(self) -> None:
        """What is there before each time."""

    @abstractmethod
    def act(self, said: Callable[[str], None]) -> None:
        """Do it, and say what is done."""

    @abstractmethod
    def kept(self) -> str:
        """What is not as it has to be."""

    def cut_off(self, dice: random.Random, fill: Callable[[], Callable[[], None]] | None) -> None:
        self.before()
        empty = fill() if fill is not None else None
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            self._become(writing)
        os.close(writing)
        deadline = time.monotonic() + dice.random() * self.longest_s
        ended, status = 0, 0
        while not ended and time.monotonic() < deadline:
            ended, status = os.waitpid(child, os.WNOHANG)
            time.sleep(0.001)
        if not ended:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        self.code = os.waitstatus_to_exitcode(status) if ended else 0
        with os.fdopen(reading, encoding="utf-8") as pipe:
            self.said = pipe.read().split()
        if empty is not None:
            empty()

    def _become(self, writing: int) -> None:
        """Never returns. Ends with 1 by what is no refusal (of the disk, or of the database, which
        the command line and the server put into words)."""
        code = 1
        try:
            with suppress(RepcountError, OSError, SQLAlchemyError):
                self.act(lambda text: os.write(writing, f"{text}\n".encode()) and None)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)

    def check(self) -> str:
        if self.code:
            return "it ended by what nobody foresaw, printed above"
        library = Library(self.data)
        start_up(library)
        library.close()
        return self.left_over() or self.kept()


class Importing(Alone):
    """An archive taken in."""

    longest_s = 0.6

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        source = Library(home / "source")
        for _ in range(3):
            self.add(source)
        self.archive = home / "all.zip"
        export_library(source, self.archive, originals=True)
        source.close()

    def before(self) -> None:
        shutil.rmtree(self.data, ignore_errors=True)
        Library(self.data).close()

    def act(self, said: Callable[[str], None]) -> None:
        said(str(import_library(Library(self.data), self.archive)))

    def kept(self) -> str:
        library = Library(self.data)
        try:
            there = len(library.attempts())
            if there not in ((3,) if self.said else (0, 3)):
                return f"{there} of 3 attempts are there"
            import_library(library, self.archive)
            if len(library.attempts()) != 3:
                return "a second import did not bring all"
            return "; ".join(findings(library))
        finally:
            library.close()


class Exporting(Alone):
    """An archive written."""

    longest_s = 0.6

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        library = Library(self.data)
        for _ in range(3):
            self.add(library)
        library.close()
        self.archive = self.data / "all.zip"  # on the same disk

    def before(self) -> None:
        self.archive.unlink(missing_ok=True)

    def act(self, said: Callable[[str], None]) -> None:
        export_library(Library(self.data), self.archive, originals=True)
        said("done")

    def kept(self) -> str:
        if self.said and not self.archive.exists():
            return "the archive is not there"
        if self.archive.exists() and zipfile.ZipFile(self.archive).testzip() is not None:
            return "the archive is not whole"
        library = Library(self.data)
        export_library(library, self.archive, originals=True)
        library.close()
        left = [one.name for one in self.data.iterdir() if one.name.endswith(".part")]
        return f"{left} is left" if left else ""


class Saving(Alone):
    """Attempts put into the library by the command."""

    longest_s = 0.4

    def before(self) -> None:
        if self.made and len(list((self.data / "attempts").iterdir())) > 40:
            shutil.rmtree(self.data)
        self.ids = self.listed()

    def listed(self) -> set[str]:
        library = Library(self.data)
        try:
            return {row.id for row in library.attempts()}
        finally:
            library.close()

    def act(self, said: Callable[[str], None]) -> None:
        library = Library(self.data)
        while True:
            said(self.add(library))

    def kept(self) -> str:
        lost = (self.ids | set(self.said)) - self.listed()
        self.made += 1
        return f"{len(lost)} attempts are gone" if lost else ""


class Migrating(Alone):
    """A library of an older version brought to this one."""

    longest_s = 0.5
    OLD = ("0002", "0003", "0004", "0005", "0006")

    def __init__(self, home: Path) -> None:
        super().__init__(home)
        library = Library(self.data)
        for _ in range(3):
            self.add(library)
        self.rows = [(row.id, row.total_s, row.complete, row.sha256) for row in library.attempts()]
        library.close()
        self.number = 0

    def before(self) -> None:
        from alembic import command
        from alembic.config import Config
        from sqlalchemy import create_engine

        from repcount.library import opening

        config = Config()
        home = Path(opening.__file__).parent / "migrations"
        config.set_main_option("script_location", str(home))
        engine = create_engine(f"sqlite:///{self.data / DATABASE}")
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.downgrade(config, self.OLD[self.number % len(self.OLD)])
        engine.dispose()
        self.number += 1

    def act(self, said: Callable[[str], None]) -> None:
        Library(self.data)
        said("done")

    def kept(self) -> str:
        library = Library(self.data)
        rows = [(row.id, row.total_s, row.complete, row.sha256) for row in library.attempts()]
        library.close()
        with sqlite3.connect(self.data / DATABASE) as database:
            (version,) = database.execute("SELECT version_num FROM alembic_version").fetchone()
        if rows != self.rows:
            return f"from before {version}, rows are not what they were"
        return ""


ACTS: dict[str, type[Act]] = {
    "upload": Uploading,
    "correction": Correcting,
    "plan": Planning,
    "analysis": Analysing,
    "deletion": Deleting,
    "start": Starting,
    "import": Importing,
    "export": Exporting,
    "save": Saving,
    "migration": Migrating,
}
