"""The library on disk: what is kept, what delete leaves (nothing), archives in and out."""

from __future__ import annotations

import itertools
import json
import sqlite3
import subprocess
import sys
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner

from repcount.attempt.edits import append_edit, make_edit
from repcount.cli.main import cli
from repcount.errors import FootageError, PlanError, RecordError, RepcountError
from repcount.heat.collect import write_heat
from repcount.library.archive import MANIFEST, export_library, import_library
from repcount.library.rows import AttemptRow, doubles
from repcount.library.store import Conflict, Library
from repcount.library.tidying import start_up
from repcount.pipeline.results import correct, is_stale
from repcount.tracking.tracks import save_tracks
from repcount.web.pages.attempts import same_video
from repcount.web.security import Access
from sample_clips.render.specs import slate
from tests.heats import heat_of, simulated, write_attempt
from tests.media import write_video
from tests.scripted_reading import Script
from tests.scripted_reading import slate as slate_of_three
from tests.web.stub_analysis import PLAN, stub_reading, write_stub


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    write_video(path, [n / 30 for n in range(60)])
    return path


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "data")


@pytest.fixture
def kept(library: Library, film: Path, tmp_path: Path) -> str:
    write_stub(tmp_path / "out")
    (tmp_path / "out" / "stills").mkdir()
    (tmp_path / "out" / "stills" / "00020094.jpg").write_bytes(b"picture")
    return library.add_attempt(
        film,
        "../Tuesday & more.MOV",
        athlete_id=library.athlete_named("Robin"),
        plan_toml=PLAN,
        results=tmp_path / "out",
    )


def test_an_attempt_is_kept_with_its_files(library, kept):
    row = library.attempt(kept)
    folder = library.folder_of(kept)
    assert (row.state, row.workout, row.file_name) == ("done", "Slate", "Tuesday-more.MOV")
    assert row.total_s is not None
    assert {"attempt.json", "report.html", "Tuesday-more.MOV", "plan.toml"} <= {
        one.name for one in folder.iterdir()
    }
    assert (folder / "stills" / "00020094.jpg").read_bytes() == b"picture"
    library.close()
    assert Library(library.folder).attempt(kept).workout == "Slate"


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ("IMG_4711.MOV", "IMG_4711.MOV"),
        ("clip.m4v", "clip.m4v"),
        ("clip.mkv", "clip.mp4"),  # what it holds is MP4
        ("clip", "clip.mp4"),
        ("report.html", "report.mp4"),
        ("../../x.MP4", "x.MP4"),
    ],
)
def test_a_name_keeps_its_ending_where_it_fits(library, film, given, named):
    assert library.attempt(library.add_attempt(film, given)).file_name == named


def test_an_older_library_learns_which_attempts_are_complete(library, kept, film, tmp_path):
    write_stub(tmp_path / "short", Script(slate_of_three(3)).wait(1.0).sets("7|1+5").reading())
    short = library.add_attempt(film, "b.mp4", plan_toml=PLAN, results=tmp_path / "short")
    whole = Script(slate_of_three(3)).wait(1.0).sets("8|6|4").next_round().sets("8|6|4")
    write_stub(tmp_path / "over", whole.next_round().sets("8|6|4").reading())
    correct(
        tmp_path / "over",
        lambda reading, edits: append_edit(
            reading, edits, make_edit(edits, "mark_no_rep", who="Robin", why="bent", target="r5")
        ),
    )
    over = library.add_attempt(film, "d.mp4", plan_toml=PLAN, results=tmp_path / "over")
    lost = library.add_attempt(film, "c.mp4", plan_toml=PLAN, results=tmp_path / "short")
    (library.folder_of(lost) / "attempt.json").write_text("{}")
    missing = library.attempt(over).missing
    library.close()
    with sqlite3.connect(library.folder / "library.sqlite") as database:
        newer = ("recorded_at", "sha256", "film_begin_s", "film_end_s", "planned_s", "to_check")
        newer += ("rounds_over",)
        for column in ("complete", "counted", "asked", *newer):
            database.execute(f"ALTER TABLE attempts DROP COLUMN {column}")
        for column in ("kept_after", "kept_by"):
            database.execute(f"ALTER TABLE plans DROP COLUMN {column}")
        database.execute("ALTER TABLE uploads DROP COLUMN recorded_at")
        for table in ("sessions", "people"):
            database.execute(f"DROP TABLE {table}")
        database.execute("UPDATE alembic_version SET version_num = '0002'")
    again = Library(library.folder)
    rows = {row.id: row for row in again.attempts()}
    assert (rows[kept].complete, rows[kept].counted, rows[kept].asked) == (True, 54, 54)
    assert rows[kept].missing == ""
    assert rows[kept].sha256 == stub_reading().video.sha256
    assert rows[short].film_end_s > rows[short].film_begin_s > 0
    assert rows[short].missing == "not finished, 13 of 54 reps"
    assert rows[over].missing == "all rounds done, 53 of 54 reps" == missing
    assert not rows[short].to_the_end
    assert rows[over].to_the_end
    assert rows[lost].complete is None
    assert rows[lost].missing == ""


def test_what_is_no_video_is_refused_and_leaves_nothing(library, tmp_path):
    (tmp_path / "film.mp4").write_bytes(b"#!/bin/sh\necho no\n" * 100)
    with pytest.raises(FootageError):
        library.add_attempt(tmp_path / "film.mp4", "film.mp4")
    assert not list((library.folder / "attempts").iterdir())


def test_deleted_means_deleted(library, kept):
    secret = "Robin of Quarry Lane"
    athlete = library.athlete_named(secret)
    library.delete(kept)
    library.delete_athlete(athlete)
    assert not list((library.folder / "attempts").iterdir())
    for file in library.folder.rglob("*"):
        if file.is_file():
            assert secret.encode() not in file.read_bytes(), file
            assert kept.encode() not in file.read_bytes(), file
    with pytest.raises(RecordError, match="no such attempt"):
        library.delete(kept)


def test_a_new_start_takes_up_what_ran(library, kept, film, tmp_path):
    waits = library.add_attempt(film, "b.mp4")
    assert library.claim().id == waits
    assert library.claim() is None
    library.requeue()
    assert library.attempt(waits).state == "waiting"
    # killed after the results were written and before that was noted
    assert library.claim().id == waits
    write_stub(library.folder_of(waits))
    library.requeue()
    assert library.attempt(waits).state == "done"


def test_plans_are_checked_and_not_overwritten_unseen(library):
    with pytest.raises(PlanError):
        library.put_plan("[workout]\nname = 3")
    plan = library.put_plan(PLAN)
    library.put_plan(PLAN.replace("Slate", "Basalt"), plan, 1)
    with pytest.raises(Conflict, match="meanwhile"):
        library.put_plan(PLAN, plan, 1)
    assert [one.name for one in library.plans()] == ["Basalt"]


@pytest.fixture
def heat(library: Library, tmp_path: Path) -> str:
    write_heat(tmp_path / "heat", heat_of(3))
    return library.add_heat(tmp_path / "heat")


def test_a_heat_is_kept_deleted_and_outlived_by_nothing(library, heat, tmp_path):
    secret = heat_of(3).attempts[0].athlete
    (row,) = library.heats()
    assert (row.id, row.count, row.name) == (heat, 5, heat_of(3).name)
    start_up(library)
    assert (library.heat_folder(heat) / "heat.html").is_file()
    with pytest.raises(RecordError, match="no such heat"):
        library.delete_heat("0" * 16)
    with pytest.raises(RecordError):
        library.add_heat(tmp_path)
    library.delete_heat(heat)
    assert not library.heats()
    for file in library.folder.rglob("*"):
        assert not file.is_file() or secret.encode() not in file.read_bytes()


def test_a_plan_kept_again_is_the_newest_again(library, kept, monkeypatch):
    monkeypatch.setattr("repcount.library.store.now", itertools.count(1_800_000_000).__next__)
    other = PLAN.replace("load_kg = 60.0", "load_kg = 65.0")
    first, second = (library.keep_plan(one, kept, "Robin") for one in (PLAN, other))
    assert library.plan_kept_after(kept).id == second
    assert library.keep_plan(PLAN, kept, "Robin") == first
    assert library.plan_kept_after(kept).id == first
    assert [one.id for one in library.plans()][:2] == [first, second]


def test_an_export_comes_back_whole(library, kept, heat, tmp_path):
    library.keep_plan(PLAN, kept, "Robin")
    archive = tmp_path / "all.zip"
    assert export_library(library, archive, originals=True) == 1
    other = Library(tmp_path / "other")
    assert import_library(other, archive) == 1
    assert import_library(other, archive) == 0
    row = other.attempt(kept)
    assert (row.state, row.workout) == ("done", "Slate")
    assert [one.name for one in other.athletes()] == ["Robin"]
    assert (other.plan_kept_after(kept).toml, other.plan_kept_after(kept).kept_by) == (
        PLAN,
        "Robin",
    )
    mine, theirs = library.folder_of(kept), other.folder_of(kept)
    for one in filter(Path.is_file, mine.rglob("*")):
        assert one.read_bytes() == (theirs / one.relative_to(mine)).read_bytes()
    assert (theirs / "stills").is_dir()
    (raced,) = other.heats()
    assert (raced.id, raced.created_at) == (heat, library.heats()[0].created_at)
    for one in library.heat_folder(heat).iterdir():
        assert one.read_bytes() == (other.heat_folder(heat) / one.name).read_bytes()
    assert other.damage() is None


def test_an_export_holds_files_as_corrected(library, kept, tmp_path):
    folder = library.folder_of(kept)

    def note(reading, edits):
        edit = make_edit(edits, "note", who="Robin", values={"text": "in the archive"})
        return append_edit(reading, edits, edit)

    correct(folder, note, rest_later=True)
    assert is_stale(folder)
    export_library(library, tmp_path / "all.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        assert b"in the archive" in archive.read(f"{kept}/report.html")


def rewritten(source: Path, target: Path, change) -> Path:
    """The archive with its parts as `change(name, data)` gives them; None leaves a part out."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            for put, data in change(name, old.read(name)):
                new.writestr(put, data)
    return target


@pytest.mark.parametrize(
    "how",
    [
        "other bytes", "left out", "one more", "climbs out", "no json", "cut", "bad plan",
        "bad heat", "heat left out",
    ],
)  # fmt: skip
def test_a_doctored_archive_is_refused_whole(library, kept, heat, tmp_path, how):
    export_library(library, tmp_path / "good.zip")

    def change(name, data):
        if how == "other bytes" and name.endswith("attempt.json"):
            data = data.replace(b"Slate", b"Slete")
        if how == "left out" and name.endswith(".MOV"):
            return
        if how == "bad heat" and name == MANIFEST:
            listed = json.loads(data)
            listed["heats"][0]["files"].pop()
            data = json.dumps(listed).encode()
        if how == "heat left out" and name.endswith("heat.json"):
            return
        if how == "no json" and name == MANIFEST:
            data = b"[]"
        if how == "climbs out":
            data = data.replace(b'"attempt.json"', b'"../../../x"')
        if how == "bad plan" and name == MANIFEST:
            listed = json.loads(data)
            listed["attempts"][0]["plan_toml"] = "nonsense"
            data = json.dumps(listed).encode()
        yield name, data
        if how == "one more" and name == MANIFEST:
            yield "more.txt", b"?"

    bad = rewritten(tmp_path / "good.zip", tmp_path / "bad.zip", change)
    if how == "cut":
        bad.write_bytes(bad.read_bytes()[:-200])
    other = Library(tmp_path / "other")
    with pytest.raises(RepcountError):
        import_library(other, bad)
    assert not other.attempts()
    assert not other.athletes()
    assert not other.heats()
    assert {one.name for one in other.folder.iterdir()} >= {"attempts", "uploads"}
    assert not list((other.folder / "attempts").iterdir())


def test_a_database_that_is_none_is_said_in_a_sentence(tmp_path):
    (tmp_path / "library.sqlite").write_bytes(b"no database at all" * 100)
    with pytest.raises(RecordError, match="not a usable library"):
        Library(tmp_path)


def test_the_schema_in_the_code_is_the_one_that_migrations_make(library):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    from repcount.library.rows import Base

    with library._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": False})
        differences = [
            one for one in compare_metadata(context, Base.metadata) if one[0] != "remove_index"
        ]
    assert not differences


def test_the_commands(library, kept, tmp_path):
    run = CliRunner().invoke
    data = ["--data", str(library.folder)]
    assert kept in run(cli, ["library", "list", *data]).output
    assert run(cli, ["library", "export", str(tmp_path / "a.zip"), *data]).exit_code == 0
    assert "Deleted" in run(cli, ["library", "delete", kept, *data]).output
    assert "1 new" in run(cli, ["library", "import", str(tmp_path / "a.zip"), *data]).output
    assert library.attempt(kept).state == "done"
    with sqlite3.connect(library.folder / "library.sqlite") as database:
        assert database.execute("select version_num from alembic_version").fetchall() == [("0010",)]


def test_what_analyze_reads_is_saved(library, film, tmp_path):
    tracks, plan = tmp_path / "tracks.nc", tmp_path / "slate.toml"
    spec = slate()
    made = spec.tracks()
    about = json.loads(made.attrs["video"]) | {"sha256": sha256(film.read_bytes()).hexdigest()}
    save_tracks(made.assign_attrs(video=json.dumps(about)), tracks)
    plan.write_text(spec.plan_toml, encoding="utf-8")
    arguments = [
        film, "--tracks", tracks, "--plan", plan, "--out", tmp_path / "read", "--no-stills",
        "--save", "--athlete", "Robin", "--data", library.folder,
    ]  # fmt: skip
    done = CliRunner().invoke(cli, ["analyze", *map(str, arguments)])
    assert done.exit_code == 0, done.output
    (row,) = library.attempts()
    assert (row.state, row.workout) == ("done", "Slate")
    assert row.id in done.output
    assert [one.name for one in library.athletes()] == ["Robin"]
    assert (library.folder_of(row.id) / row.file_name).read_bytes() == film.read_bytes()


def test_what_heat_makes_is_saved(library, tmp_path):
    for number in range(2):
        write_attempt(tmp_path / "in" / f"athlete-{number}", simulated(number))
    arguments = [
        "heat", tmp_path / "in", "--out", tmp_path / "out", "--name", "Evening", "--save",
        "--data", library.folder,
    ]  # fmt: skip
    done = CliRunner().invoke(cli, list(map(str, arguments)))
    assert done.exit_code == 0, done.output
    (row,) = library.heats()
    assert (row.name, row.count) == ("Evening", 2)
    assert row.id in done.output
    data = ["--data", str(library.folder)]
    assert "heat of 2" in CliRunner().invoke(cli, ["library", "list", *data]).output
    assert CliRunner().invoke(cli, ["library", "delete", row.id, *data]).exit_code == 0
    assert not library.heats()


def test_without_the_extra_one_sentence_says_what_to_install():
    code = (
        "import sys; sys.modules['sqlalchemy'] = None; from repcount.cli.main import main; "
        "sys.argv = ['repcount', 'library', 'list']; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "pip install 'repcount[web]'" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_one_video_counts_once_and_says_when_it_was_filmed(library, film, tmp_path):
    folder = tmp_path / "results"
    write_stub(folder)
    first, second = (
        library.add_attempt(film, "slate.mp4", plan_toml=PLAN, results=folder) for _ in range(2)
    )
    with library.session() as session:
        session.get(AttemptRow, first).created_at -= 60
    twice = doubles(library.attempts())
    assert {one: row.id for one, row in twice.items()} == {first: second}
    shown = CliRunner().invoke(cli, ["library", "list", "--data", str(library.folder)]).output
    assert f"(the same video as {second}, counts once)" in shown
    # a person says when it was filmed; the row follows
    edit = {"who": "Robin", "values": {"recorded_at": "2026-03-08"}}
    results = correct(
        library.folder_of(second),
        lambda reading, edits: append_edit(
            reading, edits, make_edit(edits, "set_recorded", **edit)
        ),
    )
    library.finish(second, results.attempt)
    assert library.attempt(second).filmed == "08 Mar 2026"
    assert "filmed 08 Mar 2026" in CliRunner().invoke(
        cli, ["library", "list", "--data", str(library.folder)]
    ).output  # fmt: skip
    # it is known before it is read anew, to whoever may see the other
    results.attempt.video.sha256 = sha256(film.read_bytes()).hexdigest()
    library.finish(second, results.attempt)
    coach, other = Access(True, True, ""), Access(True, True, "", "Robin", 99)
    third = library.attempt(library.add_attempt(film, "again.mp4"))
    same = same_video(library, third, coach)
    assert same is not None
    assert same.id == second
    assert same_video(library, third, other) is None
    library.delete(third.id)
    # another stretch of the same video is another attempt
    with library.session() as session:
        row = session.get(AttemptRow, first)
        row.film_begin_s, row.film_end_s = 1000.0, 1100.0
    assert not doubles(library.attempts())
