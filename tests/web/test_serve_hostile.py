"""Hostile input and kills: nothing found by schemathesis, by damaged videos, or by kill -9."""

from __future__ import annotations

import os
import random
import signal
import time
from contextlib import suppress
from pathlib import Path

import httpx
import pytest
from hypothesis import HealthCheck, given, settings

from repcount.attempt.records import Edits, load_record
from repcount.library.store import Library
from repcount.pipeline.results import EDITS
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.conftest import REPOSITORY
from tests.media import write_video
from tests.web.inside import asking
from tests.web.mutated import CONTAINERS, mutated, piece
from tests.web.serving import Server, announce, finished, put, upload
from tests.web.stub_analysis import PLAN, write_stub


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    write_video(path, [n / 30 for n in range(60)])
    return path.read_bytes()


CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
# All five damages, all containers; 41 is MPEG-TS in which another stream begins in the middle.
SOME = (0, 1, 4, 7, 8, 9, 12, 23, 29, 41)
LONGEST_S = 600.0  # against waiting for ever; the worker's own limits say what "soon" is
EXAMPLES = 15  # for each operation
KILLS = int(os.environ.get("REPCOUNT_KILLS", "4"))


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory):
    """The API's own description of an application with an attempt, an athlete and a plan."""
    folder = tmp_path_factory.mktemp("api")
    import schemathesis

    app = create_app(Settings(data=folder, hosts=frozenset({"localhost", "testserver"})))
    library = app.state.library
    library.athlete_named("Robin")
    library.put_plan(PLAN)
    film = folder / "film.mp4"
    write_video(film, [n / 30 for n in range(60)])
    write_stub(folder / "out")
    made = library.add_attempt(film, "film.mp4", results=folder / "out")
    app.state.attempt = made
    return schemathesis.openapi.from_asgi("/openapi.json", app)


def test_the_description_finds_no_server_error(api):
    """schemathesis makes calls from the OpenAPI description, of every operation in it."""
    from schemathesis.checks import not_a_server_error
    from schemathesis.specs.openapi.checks import (
        content_type_conformance,
        response_headers_conformance,
        response_schema_conformance,
        status_code_conformance,
    )

    app = api.app
    headers = {"X-Token": app.state.sessions.access(None).token}
    checks = [
        not_a_server_error,
        status_code_conformance,
        content_type_conformance,
        response_schema_conformance,
        response_headers_conformance,
    ]
    operations = [found.ok() for found in api.get_all_operations()]
    assert len(operations) > 15
    for operation in operations:

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def call(case):
            # to the attempt that is there, so that calls get far; it stays, so it is not deleted
            if "attempt_id" in (case.path_parameters or {}) and not case.path.endswith("/delete"):
                case.path_parameters["attempt_id"] = app.state.attempt
            if case.path.endswith("/events"):
                case.query = {"once": "true"}
            case.call_and_validate(headers=headers, checks=checks)

        call()


def test_a_field_that_nobody_knows_is_refused(api):
    """OWASP ASVS 5.0, 15.3.3: no more fields are taken than an action has."""
    app = api.app
    note = {"version": 0, "who": "Robin", "action": "note", "values": {"text": "seen"}}
    with asking(app, "http://localhost") as client:
        client.headers["X-Token"] = app.state.sessions.access(None).token
        address = f"/api/attempts/{app.state.attempt}"
        for answer in (
            client.post(f"{address}/edits", json={**note, "id": "e9"}),
            client.post(f"{address}/forecast", data={"pattern": "", "attempt_id": "0" * 16}),
            client.post("/api/plans", data={"toml": PLAN, "id": "1"}),
        ):
            assert answer.status_code == 422, answer.text
        # without it it is understood, be it of an older state
        assert client.post(f"{address}/edits", json=note).status_code in (200, 409)


def test_what_looks_like_a_statement_is_a_name(api):
    app, name = api.app, "Robin'); DELETE FROM athletes;--"
    with asking(app, "http://localhost") as client:
        client.headers["X-Token"] = app.state.sessions.access(None).token
        before = len(app.state.library.athletes())
        assert client.post("/api/athletes", data={"name": name}).status_code == 204
        assert client.get("/", params={"workout": name, "q": name}).status_code == 200
    names = [one.name for one in app.state.library.athletes()]
    assert len(names) == before + 1
    assert name in names


def test_damaged_videos_end_in_a_sentence_or_a_reading(tmp_path, film):
    """The first step of the real worker, which opens the container, on a corpus of mutations."""
    from repcount.errors import RepcountError
    from repcount.video.footage import probe

    refused = 0
    for seed in range(60):
        path = tmp_path / f"{seed}.mp4"
        path.write_bytes(mutated(film, seed))
        began = time.process_time()  # other work on the machine does not count
        try:
            probe(path)
        except RepcountError as error:
            refused += str(error).endswith(".")
        assert time.process_time() - began < 20
    assert refused > 5


def test_damaged_videos_go_through_the_whole_analysis(tmp_path):
    """Uploaded, decoded and read by the real worker under its limits: each ends as an attempt or
    with a sentence, soon, and the server answers all the while. A hundred in 3 minutes a core."""
    whole = {ending: piece(CLIP, tmp_path / f"film.{ending}", 1.5) for ending in CONTAINERS}
    endings = sorted(CONTAINERS)
    many = os.environ.get("REPCOUNT_MUTATIONS")
    seeds = range(int(many)) if many else SOME
    ended: dict[str, int] = {}
    with (
        Server(tmp_path / "data", worker=Settings().worker) as server,
        server.client() as client,
    ):

        def over(seed: int, attempt: str) -> None:
            now = finished(client, attempt, LONGEST_S)
            ended[now["state"]] = ended.get(now["state"], 0) + 1
            assert now["state"] == "done" or now["message"].endswith("."), (seed, now)
            assert str(server.folder) not in now["message"], (seed, now)
            assert "broke off" not in now["message"], seed  # no crash, no bare error
            assert client.get(f"/attempts/{attempt}").status_code == 200, seed

        before = None
        for seed in seeds:  # no more than two on their way, as many as run at once
            ending = endings[seed // 5 % len(endings)]
            data = mutated(whole[ending], seed)
            where = announce(client, len(data), filename=f"film.{ending}").headers["Location"]
            answer = put(client, where, 0, data)
            assert answer.status_code == 204 or answer.text.endswith("."), (seed, answer.text)
            if before is not None:
                over(*before)
            before = (seed, answer.headers["X-Attempt"]) if answer.is_success else None
        if before is not None:
            over(*before)
    assert set(ended) == {"done", "failed"}


def test_uploads_of_anything_are_answered(tmp_path, film):
    with Server(tmp_path / "data") as server, server.client() as client:
        for seed in range(20):
            data = mutated(film, seed)
            where = announce(client, len(data)).headers["Location"]
            assert put(client, where, 0, data).status_code in (204, 415)
        assert client.get("/").status_code == 200


def some_more(
    client: httpx.Client, location: str | None, film: bytes
) -> tuple[str | None, str | None]:
    """Send the next part of an upload, announced first where there is none: where it goes on (None
    once it is whole) and the attempt it has become."""
    if location is None:
        location = announce(client, len(film)).headers["Location"]
    answer = client.head(location, headers={"Tus-Resumable": "1.0.0"})
    at = int(answer.headers["Upload-Offset"])
    if at < len(film):
        end = next(cut for cut in (1000, 5000, len(film)) if cut > at)
        answer = put(client, location, at, film[at:end])
    attempt = answer.headers.get("X-Attempt")
    return (None, attempt) if attempt else (location, None)


def noted(client: httpx.Client, attempt: str, text: str) -> bool:
    """Whether the server says that it has kept a note."""
    panel = client.get(f"/api/attempts/{attempt}/panel")
    if panel.status_code != 200:
        return False
    body = {
        "version": panel.json()["version"], "who": "Robin", "action": "note",
        "values": {"text": text},
    }  # fmt: skip
    return client.post(f"/api/attempts/{attempt}/edits", json=body).status_code == 200


def test_kills_lose_no_upload_and_no_correction(tmp_path, film):
    """kill -9 at random moments while videos come, are read, and are corrected."""
    dice = random.Random(7)
    write_stub(tmp_path / "out")
    (tmp_path / "film.mp4").write_bytes(film)
    library = Library(tmp_path / "data")
    read = library.add_attempt(tmp_path / "film.mp4", "film.mp4", results=tmp_path / "out")
    library.close()
    server = Server(tmp_path / "data", stub_s=0.3)
    accepted: list[str] = [read]
    notes: dict[str, list[str]] = {}
    tus = {"Tus-Resumable": "1.0.0"}
    open_upload: str | None = None
    said = 0
    for _ in range(KILLS):
        deadline = time.monotonic() + dice.uniform(0.02, 1.5)
        with server.client() as client:
            while time.monotonic() < deadline:
                open_upload, attempt = some_more(client, open_upload, film)
                accepted += [attempt] if attempt else []
                said += 1
                text = f"note {said}."
                for one in [one for one in {read, *accepted[-2:]} if noted(client, one, text)]:
                    notes.setdefault(one, []).append(text)
        if dice.random() < 0.5 and open_upload is not None:
            interrupt(server, open_upload, film, dice)
        server.kill()
        server.start()
    assert accepted
    assert notes
    with server.client() as client:
        if open_upload is not None:
            answer = client.head(open_upload, headers=tus)
            at = int(answer.headers["Upload-Offset"])
            if at < len(film):
                answer = put(client, open_upload, at, film[at:])
            accepted.append(answer.headers["X-Attempt"])
        for one in accepted:
            assert finished(client, one)["state"] == "done"
    server.close()
    library = Library(server.folder)
    assert library.damage() is None
    for one in accepted:
        row = library.attempt(one)
        assert (library.folder_of(one) / row.file_name).read_bytes() == film
    for one, texts in notes.items():
        edits = load_record(Edits, library.folder_of(one) / EDITS).edits
        kept = [edit.values["text"] for edit in edits]
        assert [text for text in kept if text in texts] == texts


def children(server: Server) -> list[int]:
    """The processes that a server has started."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parent = stat.read_text().rpartition(")")[2].split()[1]
            if int(parent) == server.process.pid:
                found.append(int(stat.parent.name))
    return found


def test_kills_of_workers_alone_lose_nothing(tmp_path, film):
    """kill -9 of analyses and rebuilds, not of the server, at random moments."""
    dice = random.Random(11)
    killed = 0
    with Server(tmp_path / "data", stub_s=0.8) as server, server.client() as client:
        accepted = [upload(client, film) for _ in range(3)]
        while killed < 2 * KILLS:
            time.sleep(dice.uniform(0.02, 0.6))
            if len(accepted) < 3 + KILLS:
                accepted.append(upload(client, film))
            done = client.get(f"/api/attempts/{accepted[0]}/panel")
            if done.status_code == 200:  # it is read: what a correction leaves stale is made anew
                body = {"version": done.json()["version"], "who": "Robin", "action": "note"}
                body["values"] = {"text": "kept"}
                assert client.post(f"/api/attempts/{accepted[0]}/edits", json=body).is_success
            running = children(server)
            if running:
                with suppress(ProcessLookupError):
                    os.kill(dice.choice(running), signal.SIGKILL)
                    killed += 1
            elif len(accepted) == 3 + KILLS:
                accepted.append(upload(client, film))
        for one in accepted:
            assert finished(client, one)["state"] == "done"
            assert client.get(f"/attempts/{one}/files/report.html").status_code == 200
            assert client.get(f"/attempts/{one}/files/reps.csv").status_code == 200
    library = Library(server.folder)
    assert library.damage() is None
    assert all(row.state == "done" for row in library.attempts())


def test_what_always_crashes_is_given_up(tmp_path, film, monkeypatch):
    monkeypatch.setenv("REPCOUNT_STUB_CRASH", "1")
    with Server(tmp_path / "data") as server, server.client() as client:
        attempt = upload(client, film)
        now = finished(client, attempt)
        assert now["state"] == "failed"
        assert "broke off twice" in now["message"]
        assert client.post(f"/api/attempts/{attempt}/again").status_code == 204
        assert finished(client, attempt)["state"] == "failed"


def interrupt(server: Server, where: str, film: bytes, dice: random.Random) -> None:
    """Kill the server while the bytes of a piece are on their way."""

    def trickle(at: int):
        for start in range(at, len(film), 700):
            yield film[start : start + 700]
            if dice.random() < 0.1:
                server.process.kill()

    with server.client() as client:
        at = client.head(where, headers={"Tus-Resumable": "1.0.0"}).headers.get("Upload-Offset")
        if at is None or int(at) >= len(film):
            return
        headers = {
            "Tus-Resumable": "1.0.0", "Upload-Offset": at,
            "Content-Length": str(len(film) - int(at)),
            "Content-Type": "application/offset+octet-stream",
        }  # fmt: skip
        try:
            client.patch(where, headers=headers, content=trickle(int(at)))
        except httpx.TransportError:
            return


def test_a_large_file_is_taken_in_little_memory(tmp_path, film):
    """96 MB, so that the test costs no disk; the memory must not grow with it."""
    with Server(tmp_path / "data") as server, server.client() as client:
        upload(client, film)
        before = server.peak_kb()
        size = 96_000_000
        where = announce(client, size).headers["Location"]
        at = 0
        piece = film + b"\0" * (8_000_000 - len(film))
        while at < size:
            at = int(put(client, where, at, piece).headers["Upload-Offset"])
        assert at == size
        assert server.peak_kb() - before < 20_000
