"""A backup, taken while people work, and brought back on another machine: the drill that the
library's page describes, and what a check says of a library that lost something."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import sqlite3
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from repcount.attempt.edits import append_edit, make_edit
from repcount.errors import RecordError, RepcountError, StorageError
from repcount.library import archive as archiving
from repcount.library import copies
from repcount.library.archive import MANIFEST, export_library, import_library
from repcount.library.checking import findings
from repcount.library.layout import IMPORT
from repcount.library.opening import refusal
from repcount.library.store import Library
from repcount.pipeline import results
from repcount.pipeline.results import EDITS, correct
from repcount.web import tus
from repcount.web.app import create_app
from repcount.web.breaking import LONGEST
from repcount.web.queue import STOPPED, Queue
from repcount.web.settings import Settings
from repcount.web.tus import IDLE_S, MOST_OPEN, Refused, begin
from tests.media import write_video
from tests.web.inside import asking
from tests.web.serving import announce, with_token
from tests.web.stub_analysis import PLAN, stub_reading, write_stub

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_video(tmp_path_factory.mktemp("film") / "film.mp4", [n / 30 for n in range(30)])


@pytest.fixture
def library(tmp_path: Path, film: Path) -> Library:

    made = Library(tmp_path / "data")
    reading = stub_reading()
    reading.video.sha256 = hashlib.sha256(film.read_bytes()).hexdigest()
    write_stub(tmp_path / "out", reading)
    for name in ("Oren Vale", "Juna Mirek"):
        made.add_attempt(
            film, f"{name}.mp4", athlete_id=made.athlete_named(name), plan_toml=PLAN,
            results=tmp_path / "out",
        )  # fmt: skip
    return made


def note(text: str):
    def change(reading, edits):
        edit = make_edit(edits, "note", who="Robin", values={"text": text})
        return append_edit(reading, edits, edit)

    return change


def test_the_drill(library, tmp_path):
    """Export while corrections are made, import elsewhere, check: each attempt is of one state."""
    folder = library.folder_of(library.attempts()[0].id)
    stop = threading.Event()

    def work() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            correct(folder, note(f"note {number}"), rest_later=bool(number % 2))

    worker = threading.Thread(target=work)
    worker.start()
    try:
        assert export_library(library, tmp_path / "all.zip", originals=True) == 2
    finally:
        stop.set()
        worker.join()
    other = Library(tmp_path / "other")
    assert import_library(other, tmp_path / "all.zip") == 2
    assert list(findings(other)) == []
    restored = other.folder_of(folder.name)
    notes = [
        edit["values"]["text"]
        for edit in json.loads((restored / EDITS).read_bytes())["edits"]
        if edit["action"] == "note"
    ] if (restored / EDITS).exists() else []  # fmt: skip
    told = json.loads((restored / "attempt.json").read_bytes())["notes"]
    assert [one["text"] for one in told] == notes


def test_a_library_that_lost_something_is_told_what_and_stays_as_it_is(library):
    first, second = library.attempts()
    lost, damaged = library.folder_of(first.id), library.folder_of(second.id)
    (lost / first.file_name).unlink()
    (damaged / "attempt.json").write_text("{")
    (damaged / "notes.txt").write_text("mine")
    (damaged / "reps.csv").unlink()
    (library.folder / "attempts" / ("0" * 16)).mkdir()
    (library.folder / "uploads" / "stray").write_bytes(b"x")
    before = sorted(library.folder.rglob("*"))
    said = list(findings(library))
    for part in (
        first.file_name,
        "attempt.json",
        "notes.txt",
        "reps.csv",
        "0" * 16,
        "uploads/stray",
    ):
        assert sum(part in one for one in said) == 1, (part, said)
    assert all(one.endswith(".") for one in said)
    assert sorted(library.folder.rglob("*")) == before
    with (damaged / second.file_name).open("ab") as video:
        video.write(b"more")
    assert any("SHA-256" in one for one in findings(library))
    shutil.rmtree(lost)
    assert any("folder is missing" in one for one in findings(library))


def rewritten(source: Path, target: Path, change) -> Path:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name == MANIFEST:
                listed = json.loads(data)
                change(listed)
                data = json.dumps(listed).encode()
            new.writestr(name, data)
    return target


def _late(listed: dict) -> None:
    listed["attempts"][1]["created_at"] = 10**17


def _nobody(listed: dict) -> None:
    listed["attempts"][1]["athlete"] = "\x07"


@pytest.mark.parametrize("change", [_late, _nobody])
def test_a_refused_archive_leaves_nothing(library, tmp_path, change):
    export_library(library, tmp_path / "good.zip", originals=True)
    bad = rewritten(tmp_path / "good.zip", tmp_path / "bad.zip", change)
    other = Library(tmp_path / "other")
    with pytest.raises(RepcountError):
        import_library(other, bad)
    assert not other.athletes()
    assert not other.attempts()
    assert list(findings(other)) == []
    assert not list((other.folder / "attempts").iterdir())
    assert not list(other.folder.glob(f"{IMPORT}*"))


def test_what_a_killed_import_left_goes_with_the_next(library, tmp_path):
    export_library(library, tmp_path / "all.zip", originals=True)
    other = Library(tmp_path / "other")
    left = other.folder / f"{IMPORT}killed"
    left.mkdir()
    (left / "film.mp4").write_bytes(b"x" * 1000)
    orphan = other.folder_of(library.attempts()[0].id)  # placed, and killed before the row
    orphan.mkdir()
    (orphan / "film.mp4").write_bytes(b"part")
    assert import_library(other, tmp_path / "all.zip") == 2
    assert not left.exists()
    assert list(findings(other)) == []
    (moved,) = (other.folder / "trash").glob("*/attempts/*/film.mp4")
    assert moved.read_bytes() == b"part"


def test_an_import_that_fails_in_the_middle_takes_in_nothing(library, tmp_path, monkeypatch):
    export_library(library, tmp_path / "all.zip", originals=True)
    other = Library(tmp_path / "other")
    made = archiving.heat_row, archiving._row
    calls = []

    def second_fails(*given):
        calls.append(given)
        if len(calls) == 2:
            raise RecordError("the disk refuses")
        return made[1](*given)

    monkeypatch.setattr(archiving, "_row", second_fails)
    with pytest.raises(RecordError):
        import_library(other, tmp_path / "all.zip")
    assert not other.athletes()
    assert not list((other.folder / "attempts").iterdir())


# --- full disks ---


@pytest.mark.parametrize(
    ("code", "full"),
    [("SQLITE_FULL", True), ("SQLITE_IOERR_SHMSIZE", True), ("SQLITE_READONLY_DBMOVED", False)],
)
def test_what_the_database_refuses_has_its_reason(code, full):
    """Names of codes as in sqlite.org/rescode.html."""
    error = sqlite3.OperationalError()
    error.sqlite_errorname = code
    said = refusal(OperationalError("insert", {}, error))
    assert isinstance(said, StorageError)
    assert said.full == full


def test_a_full_disk_is_said_with_its_status_and_not_where_it_lies(library, monkeypatch):
    """507 is "Insufficient Storage" (RFC 4918, 11.5)."""
    app = create_app(Settings(data=library.folder, hosts=frozenset({"testserver"}), workers=0))
    attempt = library.attempts()[0].id
    words = {"version": 0, "who": "Robin", "action": "note", "values": {"text": "seen"}}
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(library.folder / "x"))

    def refused(*_: object, **__: object) -> None:
        raise full

    with asking(app) as client, monkeypatch.context() as patched:
        with_token(client)
        patched.setattr(results.tempfile, "mkdtemp", refused)
        usage = shutil.disk_usage(library.folder)
        patched.setattr(copies.shutil, "disk_usage", lambda _: usage._replace(free=1000))
        patched.setattr(Path, "touch", refused)
        patched.setattr(tus.shutil, "disk_usage", lambda _: usage._replace(free=1000))
        for answer in (
            client.post(f"/api/attempts/{attempt}/edits", json=words),
            client.post(f"/api/attempts/{attempt}/shares"),
            announce(client, 1000),
        ):
            assert answer.status_code == 507, answer.text
            assert str(library.folder) not in answer.text
            assert "room" in answer.text or "space" in answer.text
    with asking(app) as client:
        with_token(client)
        made = client.post(f"/api/attempts/{attempt}/edits", json=words)
        assert made.status_code == 200


# --- uploads and queues ---


def test_the_upload_idle_for_longest_gives_way(library, monkeypatch):
    ids = [begin(library, 100, {"filename": "film.mp4"}, frozenset()) for _ in range(MOST_OPEN)]
    with pytest.raises(Refused, match="Too many"):
        begin(library, 100, {}, frozenset())
    for age, upload in enumerate(ids[:3]):
        long_ago = time.time() - IDLE_S - 100 + age
        os.utime(library.upload_file(upload), (long_ago, long_ago))
    begin(library, 100, {}, frozenset(ids[:1]))  # to the first, bytes are coming
    assert library.upload_ids() >= {ids[0], ids[2]}
    assert ids[1] not in library.upload_ids()
    assert not library.upload_file(ids[1]).exists()


def test_stopping_between_waiting_and_running_stops(library, film):
    waits = library.add_attempt(film, "film.mp4")
    queue = Queue(library, Settings(data=library.folder, workers=1))
    row = library.claim()  # running by its row, and no process yet
    assert row.id == waits
    begin_later = threading.Timer(0.3, lambda: library.set_state(waits, "waiting"))
    begin_later.start()
    queue.cancel(waits)
    begin_later.join()
    assert (library.attempt(waits).state, library.attempt(waits).message) == ("cancelled", STOPPED)
    with pytest.raises(RecordError, match="over"):
        queue.cancel(waits)


def test_the_queue_outlives_a_library_that_refuses_for_a_while(library, film, caplog, monkeypatch):
    """A full disk, as SQLite says it: analyses wait, that is said once, and then they go on."""
    waits = library.add_attempt(film, "film.mp4")
    claim, refusals = library.claim, iter(range(2))

    def refusing():
        if next(refusals, None) is not None:
            full = sqlite3.OperationalError("database or disk is full")
            raise OperationalError("COMMIT", None, full)
        return claim()

    monkeypatch.setattr(library, "claim", refusing)
    worker = (sys.executable, "-c", "import sys; sys.exit(7)")
    queue = Queue(library, Settings(data=library.folder, worker=worker))
    queue.start()
    deadline = time.monotonic() + 60
    while library.attempt(waits).state != "failed":
        assert time.monotonic() < deadline
        queue.wake()
        time.sleep(0.02)
    queue.stop()
    said = [one.getMessage() for one in caplog.records if "Analyses wait" in one.getMessage()]
    assert said == ["Analyses wait, as the library refuses (database or disk is full)."]


CAUSES = {
    "a signal": ("os.kill(os.getpid(), 11)", "signal 11, SIGSEGV", "the last word"),
    "an exit": ("sys.exit(7)", "exit status 7", "the last word"),
    "much": (
        "sys.stderr.write('x' * 10**6 + '\\x1b[2J\\u202e\\nTail: ' + 'y' * 10**4 + '\\n\\n'); "
        "sys.exit(1)",
        "exit status 1",
        "y" * LONGEST,
    ),
}


@pytest.mark.parametrize("cause", CAUSES)
def test_the_log_says_in_one_line_why_an_analysis_broke_off(library, film, caplog, cause):
    act, how, said = CAUSES[cause]
    waits = library.add_attempt(film, "film.mp4")
    code = (
        "import os, sys, resource; resource.setrlimit(resource.RLIMIT_CORE, (0, 0)); "
        f"print('the \\x07last word', file=sys.stderr, flush=True); {act}"
    )
    queue = Queue(library, Settings(data=library.folder, worker=(sys.executable, "-c", code)))
    queue.start()
    deadline = time.monotonic() + 60
    while library.attempt(waits).state != "failed":
        assert time.monotonic() < deadline
        time.sleep(0.02)
    queue.stop()
    lines = [one.getMessage() for one in caplog.records]
    assert len(lines) == 2  # it was tried twice
    for line in lines:
        assert waits in line
        assert how in line
        assert said in line.replace("?", "")
        assert line.isprintable()
        assert len(line) < 500


@pytest.mark.parametrize("name", ["edits.json", "plan.json", "comparison.json"])
def test_an_archive_whose_list_fits_but_whose_records_do_not_is_refused(library, tmp_path, name):
    one = library.attempts()[0].id
    correct(library.folder_of(one), note("seen"))
    export_library(library, tmp_path / "good.zip", originals=True)
    data = b'{"format": 7}'
    with zipfile.ZipFile(tmp_path / "good.zip") as good:
        kept = {path: good.read(path) for path in good.namelist()}
    listed = json.loads(kept[MANIFEST])
    for file in next(at for at in listed["attempts"] if at["id"] == one)["files"]:
        if file["name"] == name:
            file |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            kept[f"{one}/{name}"] = data
    kept[MANIFEST] = json.dumps(listed).encode()
    assert data in kept.values()
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as bad:
        for path, content in kept.items():
            bad.writestr(path, content)
    other = Library(tmp_path / "other")
    with pytest.raises(RecordError, match=f"{name} of {one}"):
        import_library(other, tmp_path / "bad.zip")
    assert not other.attempts()
