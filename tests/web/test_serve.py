"""The server's behaviour: uploads, queue, corrections, plans, links, protection."""

from __future__ import annotations

import json
import re
import time
from contextlib import suppress
from pathlib import Path

import httpx
import pytest

from repcount.attempt.records import Edits, load_record
from repcount.heat.collect import write_heat
from repcount.library.store import Library
from repcount.pipeline.results import EDITS, is_stale
from tests.heats import heat_of
from tests.media import write_video
from tests.web.inside import running
from tests.web.serving import Server, announce, finished, put, upload, with_token
from tests.web.stub_analysis import PLAN


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    write_video(path, [n / 30 for n in range(300)])
    return path.read_bytes()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory):
    with Server(tmp_path_factory.mktemp("serve") / "data") as one:
        yield one


@pytest.fixture
def client(server: Server):
    with server.client() as one:
        yield one


@pytest.fixture(scope="module")
def read(server: Server, film: bytes) -> str:
    with server.client() as client:
        attempt = upload(client, film)
        assert finished(client, attempt)["state"] == "done"
    return attempt


def corrected(client, attempt, action="note", version=None, **more):
    if version is None:
        version = client.get(f"/api/attempts/{attempt}/panel").json()["version"]
    values = more.pop("values", {"text": "look"} if action == "note" else {})
    body = {"version": version, "who": "Robin", "action": action, "values": values, **more}
    return client.post(f"/api/attempts/{attempt}/edits", json=body)


# Uploads


def test_an_upload_in_pieces_becomes_a_read_attempt(client, film):
    made = announce(client, len(film), filename="Tuesday.mov")
    assert made.status_code == 201
    where = made.headers["Location"]
    half = len(film) // 2
    assert put(client, where, 0, film[:half]).headers["Upload-Offset"] == str(half)
    # core protocol: an offset that is not the server's is a conflict
    assert put(client, where, 0, film).status_code == 409
    head = client.head(where, headers={"Tus-Resumable": "1.0.0"})
    assert head.headers["Upload-Offset"] == str(half)
    assert head.headers["Cache-Control"] == "no-store"
    answer = put(client, where, half, film[half:])
    assert answer.status_code == 204
    attempt = answer.headers["X-Attempt"]
    assert finished(client, attempt)["state"] == "done"
    # asked again after the last byte, the server says the same
    again = client.head(where, headers={"Tus-Resumable": "1.0.0"})
    assert (again.headers["Upload-Offset"], again.headers["X-Attempt"]) == (str(len(film)), attempt)
    video = client.get(f"/attempts/{attempt}/files/Tuesday.mov", headers={"Range": "bytes=4-7"})
    assert (video.status_code, video.content) == (206, film[4:8])


def test_the_protocol_is_kept(client, film):
    options = client.options("/api/uploads/")
    assert options.headers["Tus-Version"] == "1.0.0"
    assert "creation" in options.headers["Tus-Extension"]
    assert client.post("/api/uploads/", headers={"Upload-Length": "9"}).status_code == 412
    where = announce(client, len(film)).headers["Location"]
    tus = {"Tus-Resumable": "1.0.0"}
    wrong_type = client.patch(where, headers={**tus, "Upload-Offset": "0"}, content=b"x")
    assert wrong_type.status_code == 415
    assert put(client, where, 0, film + b"more").status_code == 413
    assert client.delete(where, headers=tus).status_code == 204
    assert client.head(where, headers=tus).status_code == 404
    for size, status in (("0", 400), ("-4", 400), ("x", 400), (str(10**12), 413)):
        answer = client.post("/api/uploads/", headers={**tus, "Upload-Length": size})
        assert answer.status_code == status
    bad = {**tus, "Upload-Length": "9", "Upload-Metadata": "filename !!!"}
    assert client.post("/api/uploads/", headers=bad).status_code == 400


def test_what_is_no_video_is_refused_at_its_first_bytes(client, server):
    where = announce(client, 1_000_000, filename="film.mp4").headers["Location"]
    answer = put(client, where, 0, b"%PDF-1.7\n" * 1000)
    assert answer.status_code == 415
    assert answer.text.startswith("Not a video")
    assert client.head(where, headers={"Tus-Resumable": "1.0.0"}).status_code == 404


def test_a_full_disk_is_said_before_anything_is_sent(client, monkeypatch, tmp_path):
    import shutil
    from collections import namedtuple

    from repcount.web.app import create_app
    from repcount.web.settings import Settings

    full = namedtuple("usage", "total used free")(10, 10, 10)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    with running(create_app(Settings(data=tmp_path, hosts=frozenset({"testserver"})))) as one:
        answer = announce(with_token(one), 1000)
    assert answer.status_code == 507
    assert "no room" in answer.text


def test_a_silent_connection_does_not_keep_an_upload(tmp_path, film):
    with Server(tmp_path / "data", stalled_s=0.5) as one, one.client() as client:
        where = announce(client, len(film)).headers["Location"]

        def halting():
            yield film[:1000]
            time.sleep(3)
            yield film[1000:]

        headers = {
            "Tus-Resumable": "1.0.0", "Upload-Offset": "0", "Content-Length": str(len(film)),
            "Content-Type": "application/offset+octet-stream",
        }  # fmt: skip
        with suppress(httpx.TransportError):  # it may be told while it has something to send
            assert client.patch(where, headers=headers, content=halting()).status_code == 408
        assert put(client, where, 1000, film[1000:]).headers["X-Attempt"]


# Queue


def test_an_analysis_can_be_stopped_and_started_again(tmp_path, film):
    with Server(tmp_path / "data", stub_s=20) as slow, slow.client() as client:
        ids = [upload(client, film) for _ in range(3)]
        assert client.post(f"/api/attempts/{ids[0]}/cancel").status_code == 204
        assert client.post(f"/api/attempts/{ids[2]}/cancel").status_code == 204
        assert finished(client, ids[0])["state"] == "cancelled"
        assert finished(client, ids[2])["state"] == "cancelled"
        assert client.post(f"/api/attempts/{ids[0]}/again").status_code == 204
        assert client.post(f"/api/attempts/{ids[1]}/again").status_code == 422
        assert client.post(f"/api/attempts/{ids[1]}/delete").status_code == 204
        assert client.get(f"/attempts/{ids[1]}").status_code == 404
        assert not (slow.folder / "attempts" / ids[1]).exists()


def test_progress_comes_as_events_with_the_time_left(tmp_path, film):
    with Server(tmp_path / "data", stub_s=2) as slow, slow.client() as client:
        attempt = upload(client, film)
        with client.stream("GET", f"/api/attempts/{attempt}/events") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            states = [
                json.loads(line.removeprefix("data: "))
                for line in answer.iter_lines()
                if line.startswith("data: ")
            ]
    assert states[-1]["state"] == "done"
    running = [one for one in states if one["state"] == "running" and one["left_s"] is not None]
    assert running
    assert [one["fraction"] for one in running] == sorted(one["fraction"] for one in running)


# Corrections


def test_corrections_undo_redo_and_taking_back(client, server, read):
    reps = load_record_reps(server, read)
    rep = next(one for one in reps if one.status == "counted" and one.number is not None)
    began = server.busy_s()
    answer = corrected(client, read, "mark_no_rep", target=rep.id, why="elbow not locked")
    took = server.busy_s() - began
    assert answer.status_code == 200, answer.text
    assert took < 2
    assert "elbow not locked" in str(answer.json()["panel"])
    version = answer.json()["version"]
    assert status_of(server, read, rep.id) == "no_rep"
    body = {"version": version, "who": "Sam"}
    assert client.post(f"/api/attempts/{read}/undo", json=body).status_code == 200
    assert status_of(server, read, rep.id) == "counted"
    body["version"] += 1
    assert client.post(f"/api/attempts/{read}/redo", json=body).status_code == 200
    assert status_of(server, read, rep.id) == "no_rep"
    body["version"] += 1
    assert client.post(f"/api/attempts/{read}/redo", json=body).status_code == 422
    assert client.post(f"/api/attempts/{read}/undo", json=body).status_code == 200
    assert status_of(server, read, rep.id) == "counted"
    kept = load_record(Edits, server.folder / "attempts" / read / EDITS).edits
    assert [one.who for one in kept][-4:] == ["Robin", "Sam", "Sam", "Sam"]
    assert kept[-4].why == "elbow not locked"
    # a rep that somebody looked at, and that counts as it was read
    body = {"target": rep.id, "values": {"movement": rep.movement}, "why": "seen"}
    panel = str(corrected(client, read, "relabel_rep", **body).json()["panel"])
    assert "which stands as it was read" in panel
    assert '"undo": "looked at"' in panel


def load_record_reps(server, attempt):
    from repcount.attempt.records import Attempt

    return load_record(Attempt, server.folder / "attempts" / attempt / "attempt.json").reps


def status_of(server, attempt, rep_id):
    return next(one.status for one in load_record_reps(server, attempt) if one.id == rep_id)


def wait_until(true, seconds: float = 300) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_files_are_as_corrected_when_they_are_read(client, server, read):
    folder = server.folder / "attempts" / read
    for text in ("first", "second"):
        assert corrected(client, read, values={"text": f"{text} word"}).status_code == 200
        assert is_stale(folder)
        table = client.get(f"/attempts/{read}/files/captions.vtt")
        assert table.status_code == 200
        assert not is_stale(folder)
    report = client.get(f"/attempts/{read}/files/report.html").text
    assert "second word" in report
    said = re.search(r"Corrected by Robin: (\d+) correction", report)
    before = int(said.group(1)) if said else 0  # notes change nothing
    added = client.post("/api/athletes", data={"name": "Kim Vale"}).headers["HX-Redirect"]
    owner = {"athlete": added.rsplit("/", 1)[1], "plan": "same"}
    assert client.post(f"/api/attempts/{read}/belongs", data=owner).status_code == 204
    rest = json.loads((folder / "attempt.json").read_text(encoding="utf-8"))["breaks"][0]
    body = {"target": rest["id"], "values": {"end_s": rest["end_s"] - 0.2}}
    assert corrected(client, read, "move_break", **body).status_code == 200
    report = client.get(f"/attempts/{read}/files/report.html").text
    assert re.search(r"<bdi>Kim Vale, uploaded \d\d ... \d{4}, \d\d:\d\d UTC</bdi>", report)
    assert f"Corrected by Robin: {before + 1} correction" in report
    assert report.count(">by a person<") == 1
    link = client.post(f"/api/attempts/{read}/shares", data={"days": 1}).text
    with httpx.Client() as stranger:
        shared = stranger.get(link + "report.html").text
    assert f"Corrected by a person: {before + 1} correction" in shared
    assert not re.search("Robin|Kim Vale|uploaded", shared)
    assert corrected(client, read).status_code == 200
    wait_until(lambda: not is_stale(folder))  # unasked, a moment later


def test_what_a_kill_leaves_stale_is_made_anew_at_the_next_start(tmp_path, film):
    with Server(tmp_path / "data") as server:
        with server.client() as client:
            attempt = upload(client, film)
            assert finished(client, attempt)["state"] == "done"
            answer = corrected(client, attempt, values={"text": "kept"})
            assert answer.status_code == 200
        server.kill()
        folder = server.folder / "attempts" / attempt
        assert is_stale(folder)
        assert "kept" not in (folder / "report.html").read_text(encoding="utf-8")
        server.start()
        wait_until(lambda: not is_stale(folder))
        assert "kept" in (folder / "report.html").read_text(encoding="utf-8")


def test_an_attempt_just_corrected_can_be_deleted(client, server, film):
    attempt = upload(client, film)
    assert finished(client, attempt)["state"] == "done"
    assert corrected(client, attempt).status_code == 200
    time.sleep(1.2)  # what it leaves stale is being made anew
    assert client.post(f"/api/attempts/{attempt}/delete").status_code == 204
    time.sleep(1.5)
    assert not (server.folder / "attempts" / attempt).exists()
    assert not [one for one in (server.folder / "attempts").iterdir() if one.name.startswith(".")]


def test_two_people_lose_no_correction(client, read):
    version = client.get(f"/api/attempts/{read}/panel").json()["version"]
    assert corrected(client, read, version=version).status_code == 200
    late = corrected(client, read, version=version)
    assert late.status_code == 409
    assert "someone else" in late.text.lower()
    assert client.get(f"/api/attempts/{read}/panel").json()["version"] == version + 1


def test_a_correction_by_command_is_seen_as_anothers(client, server, read):
    from click.testing import CliRunner

    from repcount.cli.main import cli

    version = client.get(f"/api/attempts/{read}/panel").json()["version"]
    folder = str(server.folder / "attempts" / read)
    done = CliRunner().invoke(cli, ["correct", folder, "note", "from the command line"])
    assert done.exit_code == 0, done.output
    assert corrected(client, read, version=version).status_code == 409


def test_what_does_not_fit_is_said_and_changes_nothing(client, read):
    before = client.get(f"/api/attempts/{read}/panel").json()["version"]
    for action, more in (
        ("remove_rep", {"target": "nobody"}),
        ("mark_no_rep", {"target": "r1"}),  # without a reason
        ("move_rep", {"target": "r1", "values": {"top_s": 1e9}}),
        ("add_rep", {"values": {"movement": "<script>", "top_s": 5}}),
        ("note", {"values": {"text": "x" * 5, "start_s": "soon"}}),
        ("sing", {}),
    ):
        answer = corrected(client, read, action, **more)
        assert answer.status_code == 422, action
        assert answer.text.endswith("."), answer.text
    assert client.get(f"/api/attempts/{read}/panel").json()["version"] == before


def test_names_and_notes_are_shown_as_text(client, read):
    evil = "<img src=x onerror=alert(1)>"
    assert corrected(client, read, values={"text": evil}, why=evil).status_code == 200
    panel = str(client.get(f"/api/attempts/{read}/panel").json()["panel"])
    assert "<img" not in panel
    assert "&lt;img" in panel


# Pages


def test_athletes_workouts_history_and_plans(client, film):
    made = client.post("/api/athletes", data={"name": "Robin Fell"})
    athlete = made.headers["HX-Redirect"].rpartition("/")[2]
    plan = client.post("/api/plans", data={"toml": PLAN}).headers["HX-Redirect"].rpartition("/")[2]
    ids = [upload(client, one, athlete=athlete, plan=plan) for one in (film, film + b"\0")]
    for one in ids:
        assert finished(client, one)["state"] == "done"
    assert "Robin Fell" in client.get("/").text
    assert all(one in client.get(f"/athletes/{athlete}").text for one in ids)
    assert "Slate" in client.get("/workouts").text
    beside = client.get("/workouts/Slate", params={"with": ids})
    assert "side by side" in beside.text
    assert "Robin Fell" in beside.text
    card = client.get(f"/plans/{plan}/card")
    assert "Slate" in card.text
    for page in (beside, card):
        assert "sha256-" in page.headers["Content-Security-Policy"]
    assert client.post(f"/api/athletes/{athlete}/delete").status_code == 204
    assert client.get(f"/attempts/{ids[0]}").status_code == 404


def test_a_plan_is_checked_while_it_is_written(client):
    form = {
        "name": "Gravel", "rounds": "3", "load": "42.5", "unit": "kg",
        "movement1": "deadlift", "reps1": "9", "movement2": "push jerk", "reps2": "6",
        "pattern": "5 | 4 | 6", "seconds": "5", "round_s": "40, 42, 45", "between": "6",
    }  # fmt: skip
    said = client.post("/api/plans/check", data=form)
    fits = "Complete: 3 rounds, 45 reps in all, 6 breaks (2 in each round, 0:05 each), planned 2:1"
    assert said.text.startswith(fits), said.text
    both = {"pattern": "5 | 5 | 6", "cap": "soon"}
    wrong = client.post("/api/plans/check", data=form | both)
    assert set(json.loads(wrong.headers["HX-Trigger"])["plan-faults"]["fields"]) == set(both)
    assert "Break pattern: " in wrong.text
    assert "Time cap: " in wrong.text
    too_long = client.post("/api/plans/check", data={"toml": PLAN.replace("= 420", "= 100")})
    assert too_long.text.startswith("A cap of 1:40.0 is shorter than the plan, which takes 2:34.0")
    refused = client.post("/api/plans", data=form | {"movement1": "deadlft"})
    assert refused.status_code == 422
    assert refused.text.startswith("Not saved. Movement 1: ")
    # advice is on what is written now: none on times as they were kept, none on the card
    slow = form | {"round_s": "40, 42, 200"}
    advice = "more than its reps take at a slow pace"
    assert advice in client.post("/api/plans/check", data=slow).text
    kept = client.post("/api/plans", data=slow).headers["HX-Redirect"]
    changes = {"changes": kept.rpartition("/")[2]}
    assert advice not in client.post("/api/plans/check", params=changes, data=slow).text
    slower = slow | {"round_s": "40, 42, 300"}
    assert advice in client.post("/api/plans/check", params=changes, data=slower).text
    assert advice not in client.get(f"{kept}/card").text
    asked = client.post("/api/plans/check", data=form | {"rounds": "", "reps1": ""}).text
    assert "how many rounds, how many reps of movement 1" in asked
    saved = client.post("/api/plans", data=form).headers["HX-Redirect"]
    text = re.search(r"<textarea[^>]*>(.*?)</textarea>", client.get(saved + "?text=1").text, re.S)
    assert text is not None
    change = {"toml": text[1].replace("&#34;", '"').replace("42.5", "45")}
    address = f"/api{saved}"
    assert client.post(address, params={"version": 1}, data=change).status_code == 204
    assert client.post(address, params={"version": 1}, data=change).status_code == 409


# Heats


def test_attempts_here_make_a_heat_that_follows_corrections(client, film):
    plan = client.post("/api/plans", data={"toml": PLAN}).headers["HX-Redirect"].rpartition("/")[2]
    ids = []
    for name, one in (("Juna Mirek", film), ("Tova <b>Quist</b>", film + b"\0")):
        made = client.post("/api/athletes", data={"name": name})
        athlete = made.headers["HX-Redirect"].rpartition("/")[2]
        ids.append(upload(client, one, athlete=athlete, plan=plan))
        assert finished(client, ids[-1])["state"] == "done"

    def heat() -> httpx.Response:
        return client.get("/workouts/Slate", params={"with": ids, "as": "heat"})

    page = heat()
    assert "Juna Mirek" in page.text
    assert "<b>Quist" not in page.text
    assert "share the first place" in page.text  # the stand-in reads both alike
    policy = page.headers["Content-Security-Policy"]
    assert policy.count("sha256-") == 2
    assert "unsafe" not in policy
    version = client.get(f"/api/attempts/{ids[0]}/panel").json()["version"]
    moved = corrected(client, ids[0], "set_clock", version, values={"start_s": 0.0})
    assert moved.status_code == 200, moved.text
    assert "share the first place" not in heat().text
    assert client.post(f"/api/attempts/{ids[0]}/delete").status_code == 204
    assert "Juna Mirek" not in heat().text  # one is left, and one is no heat


def test_lists_are_searched_and_several_attempts_chosen(client, server, film):
    client.post("/api/athletes", data={"name": "Jo Field"})
    library = Library(server.folder)
    jo = library.athlete_named("Jo Field")
    library.close()
    films = (film, film + bytes(8))  # two videos
    made = [upload(client, one, athlete=str(jo)) for one in films]
    assert all(finished(client, one)["state"] == "done" for one in made)
    found = client.get("/", params={"find": "slate jo FIELD"}).text
    assert set(re.findall(r'name="with" value="(\w+)"', found)) == set(made)
    assert "Finished" in found
    assert "ahead of the plan" in found
    assert "Nothing found" in client.get("/", params={"find": "slate nobody"}).text
    beside = client.get("/chosen", params={"with": made}, follow_redirects=True)
    assert "side by side" in beside.text
    heat = client.get("/chosen", params={"with": made, "as": "heat"}, follow_redirects=True)
    assert "h-result" in heat.text
    assert client.get("/chosen", params={"with": made[:1]}).status_code == 422
    # one that is not there: none is deleted
    asked = {"with": [made[0], "0123456789abcdef"]}
    assert client.post("/api/attempts/delete", data=asked).status_code == 404
    assert client.get(f"/attempts/{made[0]}").status_code == 200
    assert client.post("/api/attempts/delete", data={"with": made}).status_code == 204
    assert [client.get(f"/attempts/{one}").status_code for one in made] == [404, 404]


def test_what_comes_next_is_said_kept_and_printed(client, read):
    """The page says what the commands say: by the same functions, of the same folder."""
    page = client.get(f"/attempts/{read}/next").text
    assert "The new plan" in page
    assert "coach" in page  # the cautions
    kept = client.post(f"/api/attempts/{read}/next-plan", data={"max": ["", ""]})
    assert kept.status_code == 204
    again = client.post(f"/api/attempts/{read}/next-plan")
    assert again.headers["HX-Redirect"] == kept.headers["HX-Redirect"]  # once
    form = client.get(kept.headers["HX-Redirect"]).text
    assert 'value="Slate"' in form
    assert "newest plan" in form or "a plan of its own" in form
    assert f'href="/attempts/{read}"' in form
    assert "After the attempt" in form.partition('name="notes"')[2].partition("</textarea>")[0]
    assert "after the attempt" in client.get("/plans").text
    assert ">Saved.<" in form
    assert "Kept as they are" not in form  # nothing there is anybody's own comment
    card = client.get(f"/attempts/{read}/next/card", params={"max": ["180 kg", "5x70kg"]})
    assert card.status_code == 200
    assert "style-src" in card.headers["Content-Security-Policy"]
    address = f"/api/attempts/{read}/forecast"
    shown = client.post(address, data={"breaks": "2 s", "pattern": "8+6+4"})
    assert shown.status_code == 200
    for name in ("The plan", "The plan, changed", "8+6+4 (unbroken)"):
        assert f"<bdi>{name}</bdi>" in shown.text or f"{name}: no forecast" in shown.text, name
    wrong = client.post(address, data={"pattern": "9 | 9"})
    assert "The pattern of round 1" in wrong.text
    assert "is no time" in client.post(address, data={"breaks": "soon"}).text
    assert "The max of deadlift" in client.get(f"/attempts/{read}/next?max=heavy").text
    plan = client.post(f"{address}/keep", data={"breaks": "2 s", "plan": "the plan, changed"})
    assert plan.status_code == 204
    there = plan.headers["HX-Redirect"]
    toml = client.get(there.partition("?")[0] + "?text=1").text
    assert "seconds = 2" in toml
    assert "Saved: <bdi>the plan, changed</bdi>, from the list of plans, planned" in (
        client.get(there).text
    )
    assert client.post(f"{address}/keep", data={"plan": "no such"}).status_code == 404
    # nothing chosen is said in a sentence, and is no list
    none = client.post(f"{address}/keep")
    assert (none.status_code, none.text) == (422, "Plan: Field required.")
    assert none.headers["Content-Type"].startswith("text/plain")


def test_a_saved_heat_is_listed_shown_and_deleted(client, server, tmp_path):
    heat = heat_of(4)
    heat.name = "Evening <script>heat</script>"
    write_heat(tmp_path, heat)
    library = Library(server.folder)
    kept = library.add_heat(tmp_path)
    library.close()
    listed = client.get("/heats").text
    assert f"/heats/{kept}" in listed
    assert "<script>heat" not in listed
    page = client.get(f"/heats/{kept}")
    assert heat.attempts[0].athlete in page.text
    assert "<script>heat" not in page.text
    assert page.headers["Content-Security-Policy"].count("sha256-") == 2
    table = client.get(f"/heats/{kept}/files/heat.csv")
    assert table.content == (tmp_path / "heat.csv").read_bytes()
    for path in ("../../library.sqlite", "..%2f..%2flibrary.sqlite", "edits.json"):
        assert client.get(f"/heats/{kept}/files/{path}").status_code == 404
    assert client.get("/heats/0123456789abcdef").status_code == 404
    assert client.post(f"/api/heats/{kept}/delete").status_code == 204
    assert client.post(f"/api/heats/{kept}/delete").status_code == 404
    assert client.get(f"/heats/{kept}").status_code == 404
    assert not (server.folder / "heats" / kept).exists()


# Protection


def test_a_share_link_shows_one_attempt_and_ends(client, server, read):
    link = client.post(f"/api/attempts/{read}/shares", data={"days": 1}).text
    with httpx.Client() as stranger:
        shown = stranger.get(link)
        assert shown.status_code == 200
        assert 'name="token"' not in shown.text
        assert 'data-act="no-rep"' not in shown.text
        assert "/api/" not in shown.text
        assert "sha256-" in stranger.get(link + "report.html").headers["Content-Security-Policy"]
        assert stranger.get(link + "film.mp4", headers={"Range": "bytes=0-3"}).status_code == 206
        for other in ("edits.json", "tracks.nc", "..%2f..%2flibrary.sqlite", "reading.json"):
            assert stranger.get(link + other).status_code == 404
        assert stranger.get(link[:-3] + "xx/").status_code == 404
    raw = b"".join(one.read_bytes() for one in server.folder.glob("library.sqlite*"))
    assert link.split("/")[-2].encode() not in raw
    shares = re.findall(r"/api/shares/(\d+)/delete", client.get(f"/attempts/{read}").text)
    newest = max(map(int, shares))  # others of this attempt may be open
    assert client.post(f"/api/shares/{newest}/delete").status_code == 204
    assert httpx.get(link).status_code == 404


def test_a_link_in_the_page_comes_with_its_reach(client, read):
    asked = {"HX-Request": "true"}
    made = client.post(f"/api/attempts/{read}/shares", data={"days": 1}, headers=asked).text
    link = re.search(r'<p class="link">([^<]+)</p>', made)
    assert link is not None
    assert httpx.get(link[1]).status_code == 200
    assert "this machine only" in made
    assert "<svg" not in made  # a code that no other device could open


def test_a_stranger_with_a_link_gets_nothing_that_changes_or_tells_who(client, server, read):
    corrected(client, read, action="note", values={"text": "chest up", "start_s": 12.0})
    link = client.post(f"/api/attempts/{read}/shares", data={"days": 1}).text
    with httpx.Client() as stranger:
        page = stranger.get(link).text
        assert "chest up" in page
        assert "Robin" not in page
        for what in ("hx-", 'name="token"', "/api/", "data-revert", 'id="ask"', read):
            assert what not in page, what
        assert stranger.get(link + "stills/00000000.jpg").status_code == 404
        assert stranger.get(link + "stills/..%2f..%2fedits.json").status_code == 404


def test_the_site_can_be_put_on_a_home_screen_and_keeps_nothing_private(client, read):
    """Web App Manifest (W3C): a name, a start in its scope, icons of 192 and 512 pixels, whose
    size stands in the PNG's header (ISO/IEC 15948, IHDR)."""
    page = client.get("/")
    where = re.search(r'rel="manifest" href="([^"]+)"', page.text)
    assert where is not None
    assert "manifest-src 'self'" in page.headers["Content-Security-Policy"]
    manifest = json.loads(httpx.get(f"{client.base_url}{where[1]}").text)
    assert manifest["start_url"].startswith(manifest["scope"])
    sizes = set()
    for icon in manifest["icons"]:
        picture = httpx.get(f"{client.base_url}{icon['src']}")
        assert picture.headers["Content-Type"] == icon["type"]
        if icon["type"] == "image/png":
            width, height = (int.from_bytes(picture.content[at : at + 4]) for at in (16, 20))
            assert icon["sizes"] == f"{width}x{height}"
            sizes.add(width)
    assert sizes == {192, 512}
    scripts = Path("repcount/web/static").glob("*.js")
    assert not any("serviceWorker" in one.read_text(encoding="utf-8") for one in scripts)
    for private in ("/", f"/attempts/{read}", f"/attempts/{read}/next"):
        assert client.get(private).headers["Cache-Control"] == "no-store"


def test_changes_need_the_token_and_the_own_site(client, read):
    address = "/api/athletes"
    for headers in (
        {"X-Token": "0" * 64},
        {"Origin": "https://elsewhere.example"},
        {"Sec-Fetch-Site": "cross-site"},
    ):
        assert client.post(address, data={"name": "X"}, headers=headers).status_code == 403
    # DNS rebinding: a stranger's name that leads to this machine
    assert client.get("/", headers={"Host": "elsewhere.example"}).status_code == 400


def test_every_answer_has_the_policies(client, server, read):
    for path in ("/", f"/attempts/{read}", "/plans/new", "/nope", "/static/web.css"):
        headers = client.get(path).headers
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
    assert "set-cookie" not in httpx.get(server.address + "/").headers  # there is no session


def test_pages_hold_no_inline_script_or_style(client, read):
    for path in ("/", f"/attempts/{read}", "/plans/new", "/plans/new?text=1", "/athletes"):
        html = client.get(path).text
        assert not re.search(r"<[^>]*\son\w+=", html)
        assert not re.search(r"<style|<[^>]*\sstyle=", html)
        for script in re.findall(r"<script[^>]*>", html):
            assert "src=" in script or "application/json" in script


def test_login_is_asked_and_slowed_down(tmp_path):
    from repcount.web.app import create_app
    from repcount.web.security import set_passphrase
    from repcount.web.settings import Settings

    library = Library(tmp_path)
    set_passphrase(library, "three stones and a bar")
    assert "three stones" not in (library.setting("passphrase") or "")
    library.close()
    settings = Settings(data=tmp_path, hosts=frozenset({"testserver"}), login=True, secure=True)
    with running(create_app(settings), "https://testserver") as one:
        assert one.get("/", follow_redirects=False).headers["location"] == "/login"
        assert one.get("/api/attempts/0123456789abcdef/panel").status_code == 401
        right = {"passphrase": "three stones and a bar"}
        answer = one.post("/login", data=right, follow_redirects=False)
        assert answer.status_code == 303
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-repcount=")
        assert {"httponly", "samesite=strict", "secure"} <= set(cookie.lower().split("; "))
        assert one.get("/").status_code == 200
        assert "Strict-Transport-Security" in one.get("/").headers
        one.cookies.clear()
        statuses = [one.post("/login", data={"passphrase": "?"}).status_code for _ in range(6)]
        assert statuses == [403] * 5 + [429]
        assert one.post("/login", data=right).status_code == 429


def test_an_open_address_needs_a_passphrase_and_tls(tmp_path):
    from repcount.errors import RepcountError
    from repcount.web.security import set_passphrase
    from repcount.web.serve import arranged, fingerprint, qr_lines, self_signed
    from repcount.web.settings import Settings

    library, settings = Library(tmp_path), Settings()
    with pytest.raises(RepcountError, match="passphrase"):
        arranged(library, settings, "0.0.0.0", tls=True, proxy=None)
    with pytest.raises(RepcountError, match="fewer than 8"):
        set_passphrase(library, "short")
    set_passphrase(library, "long enough to keep")
    with pytest.raises(RepcountError, match="--self-signed"):
        arranged(library, settings, "0.0.0.0", tls=False, proxy=None)
    made = arranged(library, settings, "0.0.0.0", tls=True, proxy=None)
    assert (made.login, made.secure, made.any_address) == (True, True, True)
    behind = arranged(library, settings, "127.0.0.1", tls=False, proxy="bench.example")
    assert (behind.login, behind.secure, "bench.example" in behind.hosts) == (True, True, True)
    assert arranged(library, settings, "127.0.0.1", tls=False, proxy=None).login
    files = self_signed(tmp_path, ["192.0.2.7", "localhost"])
    assert files[1].stat().st_mode & 0o077 == 0
    first = fingerprint(files[0])
    assert fingerprint(self_signed(tmp_path, ["192.0.2.7", "localhost"])[0]) == first
    assert len(qr_lines("https://192.0.2.7:8470/").splitlines()) > 10


def test_the_web_process_does_not_load_what_reads_videos(tmp_path):
    import subprocess
    import sys

    code = (
        "import sys; from pathlib import Path; from repcount.web.app import create_app; "
        "from repcount.web.settings import Settings; create_app(Settings(data=Path(sys.argv[1]))); "
        "print([one for one in ('mediapipe', 'cv2', 'av', 'scipy', 'pandas', 'pyarrow') "
        "if one in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_damaged_video_fails_with_a_sentence(tmp_path, film):
    """The real worker on what passes as MP4 by its first bytes."""
    import subprocess
    import sys

    (tmp_path / "film.mp4").write_bytes(film[: len(film) // 3])
    done = subprocess.run(
        [sys.executable, "-m", "repcount.web.worker", str(tmp_path), "film.mp4", "60", ""],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert str(tmp_path) not in done.stdout
    assert json.loads(done.stdout.splitlines()[-1])["error"].endswith(".")


def test_long_videos_are_refused_before_they_are_read(tmp_path, film):
    import subprocess
    import sys

    (tmp_path / "film.mp4").write_bytes(film)
    done = subprocess.run(
        [sys.executable, "-m", "repcount.web.worker", str(tmp_path), "film.mp4", "5", ""],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "minutes" in json.loads(done.stdout.splitlines()[-1])["error"]
    assert {one.name for one in Path(tmp_path).iterdir()} == {"film.mp4"}


def test_whose_a_plan_is_can_be_chosen_for_an_upload(client):
    client.post("/api/plans", data={"toml": f'athlete = "Nell Aster"\n{PLAN}'})
    assert ">Nell Aster</option>" in client.get("/").text
