"""More than one person: who sees and does what, at every route that there is, and invitations."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from repcount.heat.collect import RECORD, write_heat
from repcount.library import people
from repcount.library.people import ATHLETE, COACH, INVITED_S
from repcount.library.store import Library
from repcount.pipeline.results import EDITS
from repcount.web import security
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.heats import heat_of
from tests.media import write_video
from tests.web.inside import asking, routes_of
from tests.web.serving import announce, with_token
from tests.web.stub_analysis import PLAN, stub_reading, write_stub

pytestmark = pytest.mark.slow
LIBRARYS, OREN, JUNA, ROBIN = (f"{word} stones and a bar" for word in ("three", "4", "5", "6"))


@dataclass
class Place:
    """A library with two athletes, of whom the first has a passphrase, and a coach who has one."""

    library: Library
    app: object
    own: str
    others: str
    ids: dict[str, str]

    def client(self, name: str = "", passphrase: str = "") -> httpx.Client:
        """Somebody's client with a session and its token; nobody's without a passphrase."""
        client = asking(self.app)
        if passphrase:
            answer = client.post("/login", data={"name": name, "passphrase": passphrase})
            assert answer.status_code == 303, answer.text
            with_token(client, "/workouts")
        return client


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    home = tmp_path_factory.mktemp("roles")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(security, "_SCRYPT", {"n": 16, "r": 1, "p": 1})  # not what this is about
        patched.setattr(security.Attempts, "MOST", 1000)
        yield made_place(home)


def made_place(home: Path) -> Place:
    library = Library(home / "data")
    security.set_passphrase(library, LIBRARYS)
    film = write_video(home / "film.mp4", [n / 30 for n in range(15)])
    write_stub(home / "out", stub_reading())
    basalt = PLAN.replace("Slate", "Basalt")
    write_stub(home / "basalt", stub_reading())
    for name, folder in (("attempt.json", home / "basalt"), ("reading.json", home / "basalt")):
        text = (folder / name).read_text(encoding="utf-8").replace("Slate", "Basalt")
        (folder / name).write_text(text, encoding="utf-8")
    own, others = (
        library.add_attempt(
            film, f"{name.split()[0]}.mp4", athlete_id=library.athlete_named(name), plan_toml=plan,
            results=results,
        )
        for name, plan, results in (
            ("Oren Vale", PLAN, home / "out"), ("Juna Mirek", basalt, home / "basalt"),
        )
    )  # fmt: skip
    for name, role, passphrase in (
        ("Oren Vale", ATHLETE, OREN), ("Robin Calder", COACH, ROBIN),
    ):  # fmt: skip
        token = people.invite(library, name, role)
        people.accept(library, token, security.hash_of(passphrase))
    plan = library.put_plan(f'athlete = "Juna Mirek"\n{basalt}')
    heat = _heat(library, home)
    app = create_app(Settings(data=library.folder, hosts=frozenset({"testserver"}), workers=0))
    made = Place(library, app, own, others, {})
    with made.client(passphrase=LIBRARYS) as coach:
        juna = str(library.athlete_named("Juna Mirek"))
        link = coach.post(f"/api/attempts/{others}/shares").text
        upload = announce(coach, 1000, athlete=juna).headers["Location"].rpartition("/")[2]
    robin = next(one.id for one in people.people(library) if one.role == COACH)
    made.ids = {
        "attempt_id": others, "upload_id": upload, "share_id": "1", "athlete_id": juna,
        "plan_id": str(plan), "heat_id": heat, "person_id": str(robin), "workout:path": "Basalt",
        "name": "Juna.mp4", "token": link.rstrip("/").rpartition("/")[2],
    }  # fmt: skip
    return made


def _heat(library: Library, home: Path) -> str:
    write_heat(home / "heat", heat_of(2))
    return library.add_heat(home / "heat")


def filled(path: str, ids: dict[str, str]) -> str:
    return re.sub(r"\{([\w:]+)\}", lambda one: ids.get(one[1], "1"), path)


def state(place: Place) -> object:
    """All that a request could change."""
    library = place.library
    with library.session() as session:
        rows = [
            (table.name, sorted(map(str, session.execute(table.select()))))
            for table in security.SessionRow.metadata.sorted_tables
            if table.name not in ("sessions", "settings")
        ]
    files = sorted(
        (str(one), one.stat().st_mtime_ns)
        for one in library.folder.rglob("*")
        if one.is_file() and not one.name.startswith("library.sqlite")
    )
    return rows, files


# What an athlete may ask for: nothing of it is about another (checked below by what it shows).
OPEN_TO_ATHLETES = {
    ("GET", "/"): 200,
    ("GET", "/workouts"): 200,
    ("GET", "/workouts/{workout:path}"): 404,  # none of the athlete's own
    ("GET", "/chosen"): 422,  # none chosen
    ("GET", "/beside"): 422,  # no two named
    ("GET", "/plans"): 200,  # of another's plans none is on it
    ("OPTIONS", "/api/uploads/"): 204,
    ("POST", "/api/uploads/"): 412,  # nothing said of what is to come
    ("GET", "/passphrase"): 200,
    ("POST", "/api/passphrase"): 422,  # none given
    ("GET", "/login"): 303,  # is inside
    ("POST", "/login"): 403,  # none given
}
# What needs no session: the login, links, invitations, and what all pages are made of.
OPEN_TO_ALL = {
    ("GET", "/login"): 200,
    ("POST", "/login"): 403,
    ("GET", "/s/{token}/"): 200,
    ("GET", "/s/{token}/{name}"): 200,
    ("GET", "/s/{token}/stills/{name}"): 404,  # there is none of that name
    ("GET", "/join/{token}"): 404,  # the token is that of a link
    ("POST", "/join/{token}"): 404,
    ("GET", "/static/menu.css"): 200,
    ("GET", "/static/report.css"): 200,
}
CHOSEN = ("/chosen", "/beside", "/class", "/class/cards", "/class/season")
DESCRIPTION = {("GET", "/openapi.json"), ("HEAD", "/openapi.json")}
LOGOUT = ("POST", "/logout")


def test_an_athlete_gets_nothing_of_anothers_at_any_route(place):
    with place.client("Oren Vale", OREN) as athlete:
        before = state(place)
        routes = [one for one in routes_of(place.app) if one != LOGOUT and one not in DESCRIPTION]
        assert len(routes) > 40
        for method, path in routes:
            answer = athlete.request(method, filled(path, place.ids))
            expected = OPEN_TO_ATHLETES.get((method, path), 404)
            if (method, path) not in OPEN_TO_ATHLETES and (method, path) in OPEN_TO_ALL:
                expected = OPEN_TO_ALL[method, path]
            assert answer.status_code == expected, (method, path, answer.text[:200])
            if not path.startswith("/s/"):  # whoever has a link may look by it
                for word in (place.others, "Juna", "Basalt", place.ids["upload_id"]):
                    assert word not in answer.text.replace("/workouts/Basalt", ""), (path, word)
        assert state(place) == before
        # what is not there at all is answered by the same words
        nowhere = {**place.ids, "attempt_id": "0" * 16, "upload_id": "0" * 32, "share_id": "99"}
        for method, path in routes:
            if "_id}" in path and method != "HEAD":
                there = athlete.request(method, filled(path, place.ids))
                gone = athlete.request(method, filled(path, nowhere))
                assert (there.status_code, there.text) == (gone.status_code, gone.text), path


def test_an_athlete_reaches_all_of_the_athletes_own(place):
    own = {**place.ids, "attempt_id": place.own, "name": "Oren.mp4", "workout:path": "Slate"}
    with place.client("Oren Vale", OREN) as athlete:
        own["upload_id"] = announce(athlete, 1000).headers["Location"].rpartition("/")[2]
        assert athlete.post(f"/api/attempts/{place.own}/shares").status_code == 200
        own["share_id"] = "2"
        for method, path in routes_of(place.app):
            about = any(f"{{{key}}}" in path for key in ("attempt_id", "upload_id", "share_id"))
            if about and not path.endswith(("delete", "keep-plan")) and method != "DELETE":
                answer = athlete.request(method, filled(path, own), **_once(path))
                refused = "no such page" in answer.text  # what the guard says
                assert not refused, (method, path, answer.text[:200])
        shown = athlete.get("/").text
        assert place.own in shown
        assert "Oren Vale" in shown
        assert athlete.get("/workouts/Slate").status_code == 200
        asked = f"/workouts/Slate?with={place.own}&with={place.others}&as=heat"
        assert "Juna" not in athlete.get(asked).text
        moving = athlete.get(f"/beside?first={place.own}&second={place.others}")
        assert (moving.status_code, "no such page" in moving.text) == (404, True)
        tus = {"Tus-Resumable": "1.0.0"}
        assert athlete.delete(f"/api/uploads/{own['upload_id']}", headers=tus).status_code == 204
        assert athlete.post("/api/shares/2/delete").status_code == 204


def _once(path: str) -> dict:
    if path.endswith("events"):
        return {"params": {"once": "true"}}
    return {"headers": {"Tus-Resumable": "1.0.0"}} if "upload" in path else {}


def test_nobody_and_who_has_a_link_get_what_is_theirs_alone(place):
    token = place.ids["token"]
    with place.client() as nobody, place.client() as linked:
        linked.cookies.set("repcount", token)
        linked.headers["X-Token"] = token
        before = state(place)
        for method, path in routes_of(place.app):
            closed = 303 if method == "GET" and not path.startswith("/api/") else 401
            expected = OPEN_TO_ALL.get((method, path), closed)
            for client in (nobody, linked):
                answer = client.request(method, filled(path, place.ids))
                assert answer.status_code == expected, (method, path, answer.text[:200])
        assert linked.get(f"/s/{token}/Oren.mp4").status_code == 404
        assert linked.get(f"/s/{token}/reading.json").status_code == 404
        assert linked.get(f"/s/{token[:-1]}/").status_code == 404
        assert state(place) == before


def test_a_coach_with_a_name_reaches_everything(place):
    with place.client("robin calder", ROBIN) as coach:
        for method, path in routes_of(place.app):
            pictures = "/stills/" in path or path.endswith((".jpg", "/overlay.mp4"))  # are none
            if method == "GET" and "/join/" not in path and not pictures:
                ids = place.ids | ({"name": RECORD} if path.startswith("/heats/") else {})
                answer = coach.get(filled(path, ids), **_once(path))
                expected = (422,) if path in CHOSEN else (200, 303)  # none chosen
                assert answer.status_code in expected, (path, answer.text[:200])
        assert place.own in coach.get("/").text
        assert place.others in coach.get("/").text


def test_what_is_anothers_is_not_reached_beside_the_path_either(place):
    """By what is asked for after the address or sent in a form."""
    own, others, nowhere = place.own, place.others, "0" * 16
    with place.client("Oren Vale", OREN) as athlete:
        for pair in ((own, others), (others, own), (own, nowhere)):
            asked = dict(zip(("first", "second"), pair, strict=True))
            answer = athlete.get("/beside", params=asked)
            assert (answer.status_code, answer.text) == (404, "There is no such page.")
        assert athlete.get("/beside", params={"first": own, "second": own}).status_code == 200
        assert athlete.get("/chosen", params={"with": [own, others]}).status_code == 422
        for word in ("Juna", "Basalt", "film"):
            assert others not in athlete.get("/", params={"find": word}).text
        assert others not in athlete.get("/", params={"plan": place.ids["plan_id"]}).text
        belongs = {"athlete": place.ids["athlete_id"]}
        assert athlete.post(f"/api/attempts/{own}/belongs", data=belongs).status_code == 204
        assert place.library.attempt(own).athlete_id == place.library.athlete_named("Oren Vale")
        belongs = {"plan": place.ids["plan_id"]}
        assert athlete.post(f"/api/attempts/{own}/belongs", data=belongs).status_code == 404
        for act in ("/api/attempts/delete", "/api/attempts/delete?with=1"):
            assert athlete.post(act, data={"with": [own, others]}).status_code == 404
        assert {own, others} <= {row.id for row in place.library.attempts()}


def test_an_athlete_uploads_what_is_the_athletes_own(place):
    library = place.library
    with place.client("Oren Vale", OREN) as athlete:
        made = announce(athlete, 1000)
        assert made.status_code == 201
        with library.session() as session:
            upload = session.get(people_upload(), made.headers["Location"].rpartition("/")[2])
        assert upload.athlete_id == library.athlete_named("Oren Vale")
        assert announce(athlete, 1000, athlete=place.ids["athlete_id"]).status_code == 400
        assert announce(athlete, 1000, plan=place.ids["plan_id"]).status_code == 400
        free = library.put_plan(PLAN)
        assert announce(athlete, 1000, plan=str(free)).status_code == 201


def test_an_athlete_reads_the_plans_to_lift_by_and_changes_none(place):
    library = place.library
    mine = library.put_plan(f'athlete = "Oren Vale"\n{PLAN}')
    with place.client("Oren Vale", OREN) as athlete:
        assert f"/plans/{mine}" in athlete.get("/plans").text
        shown = athlete.get(f"/plans/{mine}")
        assert shown.status_code == 200
        assert f'href="/plans/{mine}/card"' in shown.text
        assert "<input" not in shown.text
        assert athlete.get(f"/plans/{mine}/card").status_code == 200
        for address in (f"/plans/{place.ids['plan_id']}", "/plans/9999", "/plans/new"):
            for way in ("", "/card"):
                answer = athlete.get(address + way)
                assert (answer.status_code, answer.text) == (404, "There is no such page.")
        before = state(place)
        for act in (f"/api/plans/{mine}?version=1", f"/api/plans/{mine}/delete", "/api/plans"):
            assert athlete.post(act, data={"text": PLAN}).status_code == 404
        assert state(place) == before


def test_the_plan_that_was_kept_stands_at_the_attempt_as_it_is_now(place):
    with (
        place.client("Oren Vale", OREN) as athlete,
        place.client("Robin Calder", ROBIN) as coach,
    ):
        there = f"/attempts/{place.own}/next"
        assert "Kept as plan" not in athlete.get(there).text
        answer = coach.post(f"/api/attempts/{place.own}/next-plan")
        kept = re.search(r"/plans/(\d+)", answer.headers["HX-Redirect"])[0]
        for client in (coach, athlete):
            text = client.get(there).text
            assert "Kept by <bdi>Robin Calder</bdi>" in text
            assert f'href="{kept}"' in text
            assert "changed since" not in text
        assert "kept by <bdi>Robin Calder</bdi>" in athlete.get(kept).text
        row = place.library.plan(int(kept.rpartition("/")[2]))
        toml = re.sub(r"load_kg = \S+", "load_kg = 47.5", row.toml)
        assert toml != row.toml
        place.library.put_plan(toml, row.id, row.version)
        text = athlete.get(there).text
        assert "changed since" in text
        heading = re.search(r'<h3 id="kept">.*?</h3>', text, re.DOTALL)[0]
        assert "47.5 kg" in heading


def people_upload() -> type:
    from repcount.library.rows import Upload

    return Upload


def test_who_corrects_is_whose_session_it_is(place):
    def correct(client: httpx.Client, attempt: str, who: str) -> httpx.Response:
        file = place.library.folder_of(attempt) / EDITS
        version = len(json.loads(file.read_bytes())["edits"]) if file.exists() else 0
        words = {"version": version, "who": who, "action": "note", "values": {"text": "seen"}}
        return client.post(f"/api/attempts/{attempt}/edits", json=words)

    with (
        place.client("Oren Vale", OREN) as athlete,
        place.client("Robin Calder", ROBIN) as coach,
        place.client(passphrase=LIBRARYS) as owner,
    ):
        assert 'value="Oren Vale" readonly' in athlete.get(f"/attempts/{place.own}").text
        assert "readonly" not in owner.get(f"/attempts/{place.own}").text
        for client, who in ((athlete, "Robin Calder"), (coach, ""), (owner, "Silas Harrow")):
            assert correct(client, place.own, who).status_code == 200
        refused = correct(owner, place.own, " oren  VALE ")
        assert refused.status_code == 422
        assert "passphrase of their own" in refused.text
        assert correct(owner, place.own, "").status_code == 422
        assert correct(athlete, place.others, "Oren Vale").status_code == 404
        for act in ("undo", "redo"):
            words = {"version": 3 + (act == "redo"), "who": "Silas Harrow"}
            assert athlete.post(f"/api/attempts/{place.own}/{act}", json=words).status_code == 200
    edits = json.loads((place.library.folder_of(place.own) / EDITS).read_bytes())["edits"]
    assert [one["who"] for one in edits] == [
        "Oren Vale", "Robin Calder", "Silas Harrow", "Oren Vale", "Oren Vale",
    ]  # fmt: skip


# --- invitations ---


@pytest.fixture
def fresh(tmp_path: Path, monkeypatch) -> Place:
    monkeypatch.setattr(security, "_SCRYPT", {"n": 16, "r": 1, "p": 1})
    monkeypatch.setattr(security.Attempts, "MOST", 1000)
    library = Library(tmp_path / "data")
    app = create_app(Settings(data=library.folder, hosts=frozenset({"testserver"}), workers=0))
    return Place(library, app, "", "", {})


def invited(client: httpx.Client, name: str, role: str) -> str:
    answer = client.post("/api/people", data={"name": name, "role": role})
    assert answer.status_code == 200, answer.text
    assert answer.text.startswith("http://testserver/join/")
    return answer.text.removeprefix("http://testserver")


def test_an_invitation_lets_one_passphrase_be_chosen_once(fresh, monkeypatch):
    security.set_passphrase(fresh.library, LIBRARYS)
    with fresh.client(passphrase=LIBRARYS) as coach, fresh.client() as guest:
        link = invited(coach, "Juna  Mirek", "athlete")
        assert "Juna Mirek" in guest.get(link).text
        assert guest.get(link).headers["referrer-policy"] == "same-origin"
        assert guest.post(link, data={"passphrase": "short"}).status_code == 422
        assert guest.post(link, data={"passphrase": JUNA}, headers={"Origin": "http://x.example"}
                          ).status_code == 403  # fmt: skip
        answer = guest.post(link, data={"passphrase": JUNA})
        assert answer.status_code == 303
        assert "httponly" in answer.headers["set-cookie"].lower()
        assert guest.get("/").status_code == 200
        assert guest.get("/athletes").status_code == 404
        assert fresh.client().get(link).status_code == 404  # it is used up
        for name, passphrase in (("Juna Mirek", LIBRARYS), ("", JUNA), ("Oren Vale", JUNA)):
            wrong = fresh.client().post("/login", data={"name": name, "passphrase": passphrase})
            assert wrong.status_code == 403
        with fresh.client("juna mirek", JUNA) as elsewhere:
            # another invitation: the old passphrase is good until another is chosen
            again = invited(coach, "Juna Mirek", "athlete")
            assert "your coach writes it" in elsewhere.get("/").text  # no plan yet
            assert "your coach writes it" not in coach.get("/").text
            assert fresh.client().post(again, data={"passphrase": OREN}).status_code == 303
            assert elsewhere.get("/").status_code == 303
        late = invited(coach, "Juna Mirek", "athlete")
        moment = people.now()
        monkeypatch.setattr(people, "now", lambda: moment + INVITED_S + 1)
        assert fresh.client().get(late).status_code == 404
        assert fresh.client().post(late, data={"passphrase": JUNA}).status_code == 404


def test_who_is_removed_is_out_at_once(fresh):
    security.set_passphrase(fresh.library, LIBRARYS)
    with fresh.client(passphrase=LIBRARYS) as coach:
        for name, role in (("Juna Mirek", "athlete"), ("Robin Calder", "coach")):
            fresh.client().post(invited(coach, name, role), data={"passphrase": JUNA})
        with fresh.client("Juna Mirek", JUNA) as juna, fresh.client("Robin Calder", JUNA) as robin:
            assert "Remove" in robin.get("/people").text
            athlete, person = (one.id for one in people.people(fresh.library))
            assert juna.post(f"/api/people/{person}/delete").status_code == 404
            assert coach.post(f"/api/people/{person}/delete").status_code == 204
            assert robin.get("/people").headers["location"] == "/login"
            assert juna.get("/").status_code == 200
            # with the athlete go the attempts, and the way in
            who = fresh.library.athlete_named("Juna Mirek")
            assert coach.post(f"/api/athletes/{who}/delete").status_code == 204
            assert juna.get("/").headers["location"] == "/login"
        assert people.people(fresh.library) == []
        assert athlete != person


def test_one_changes_a_passphrase_of_ones_own(fresh):
    security.set_passphrase(fresh.library, LIBRARYS)
    with fresh.client(passphrase=LIBRARYS) as coach:
        fresh.client().post(invited(coach, "Juna Mirek", "athlete"), data={"passphrase": JUNA})
        assert coach.get("/passphrase").status_code == 404  # it is the command's to change
    with fresh.client("Juna Mirek", JUNA) as juna, fresh.client("Juna Mirek", JUNA) as other:
        change = {"passphrase": "?", "chosen": OREN}
        assert juna.post("/api/passphrase", data=change).status_code == 403
        assert juna.post("/api/passphrase", data=change | {"passphrase": JUNA, "chosen": "x"}
                         ).status_code == 422  # fmt: skip
        change["passphrase"] = JUNA
        assert juna.post("/api/passphrase", data=change).status_code == 204
        assert juna.get("/").status_code == 200
        assert other.get("/").status_code == 303
    fresh.client("Juna Mirek", OREN).close()


def test_nobody_is_invited_where_everybody_sees_everything(fresh):
    with fresh.client() as anybody:
        with_token(anybody)
        assert anybody.get("/people").status_code == 200
        refused = anybody.post("/api/people", data={"name": "Juna Mirek", "role": "athlete"})
        assert refused.status_code == 422
        assert "--set-passphrase" in refused.text
        assert not fresh.library.athletes()


def test_passphrases_and_invitations_are_kept_as_digests(fresh):
    security.set_passphrase(fresh.library, LIBRARYS)
    with fresh.client(passphrase=LIBRARYS) as coach:
        first = invited(coach, "Juna Mirek", "athlete")
        fresh.client().post(first, data={"passphrase": JUNA})
        second = invited(coach, "Oren Vale", "athlete")
    fresh.library.close()
    kept = b"".join(one.read_bytes() for one in fresh.library.folder.glob("library.sqlite*"))
    for secret in (JUNA, LIBRARYS, first, second):
        assert secret.rpartition("/")[2].encode() not in kept


def test_the_log_says_who_came_in_and_who_was_refused(place, caplog):
    caplog.set_level("INFO", "repcount.web")
    wrong = {"name": "Eve\r\n2026 came in\x1b[2J", "passphrase": "four stones"}
    assert place.client().post("/login", data=wrong).status_code == 403
    with place.client("Oren Vale", OREN) as athlete:
        assert athlete.get(f"/attempts/{place.others}").status_code == 404
        assert athlete.get(f"/s/{place.ids['token']}/").status_code == 200
    lines = [one.getMessage() for one in caplog.records]
    assert all(line.isprintable() for line in lines)
    assert lines == [
        "a passphrase from 192.0.2.1 was wrong (“Eve 2026 came in?[2J”)",
        "“Oren Vale” came in from 192.0.2.1",
        f"“Oren Vale” was refused /attempts/{place.others}",
    ]
    assert not any(secret in "".join(lines) for secret in (OREN, "four stones"))
