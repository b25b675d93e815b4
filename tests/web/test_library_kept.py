"""What a server's start may touch in a folder, what it may not, and who else can read it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import event
from sqlalchemy.orm import Session

from repcount.cli.main import cli
from repcount.errors import RepcountError
from repcount.heat.collect import write_heat
from repcount.library.archive import export_library, import_library
from repcount.library.layout import PLACING
from repcount.library.rows import KEY, AttemptRow, HeatRow, SessionRow, Upload, now
from repcount.library.store import Library
from repcount.library.tidying import DAY, SEEN, TRASH_DAYS, look_after, restore, start_up
from repcount.web.security import Sessions, set_passphrase
from repcount.web.settings import Settings
from tests.heats import heat_of
from tests.media import write_video
from tests.web.serving import refused, served
from tests.web.stub_analysis import PLAN, write_stub


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("film") / "film.mp4"
    write_video(path, [n / 30 for n in range(60)])
    return path


@pytest.fixture
def library(tmp_path: Path) -> Library:
    return Library(tmp_path / "data")


@pytest.fixture
def ids(library: Library, film: Path, tmp_path: Path) -> list[str]:
    """Two attempts of Robin's, read."""
    write_stub(tmp_path / "out")
    robin = library.athlete_named("Robin")
    return [
        library.add_attempt(
            film, "film.mov", athlete_id=robin, plan_toml=PLAN, results=tmp_path / "out"
        )
        for _ in range(2)
    ]


def files(folder: Path) -> dict[str, bytes]:
    """All files but the database's, by their path in the folder."""
    return {
        str(one.relative_to(folder)): one.read_bytes()
        for one in folder.rglob("*")
        if one.is_file() and not one.name.startswith(("library.", "serve."))
    }


def aged(library: Library, days: float, only: str | None = None) -> None:
    """The library as it would be if the clock were so many days ahead."""
    with library.session() as session:
        for row in [*session.query(AttemptRow), *session.query(HeatRow)]:
            if only in (None, row.id):
                row.created_at -= int(days * DAY)
                if isinstance(row, AttemptRow) and row.finished_at:
                    row.finished_at -= int(days * DAY)
    seen = library.setting(SEEN)
    if only is None and seen is not None:
        library.set_setting(SEEN, str(int(seen) - int(days * DAY)))


def run(*arguments: object) -> str:
    done = CliRunner().invoke(cli, list(map(str, arguments)))
    assert done.exit_code == 0, done.output
    return done.output


# What is somebody else's


def strangers(folder: Path) -> None:
    for name in ("uploads/holiday.mov", "heats/mine/table.csv", "attempts/r/words.txt"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(name)


def test_a_folder_that_is_no_library_is_left_as_it_is(tmp_path):
    strangers(tmp_path / "mine")
    (tmp_path / "mine").chmod(0o755)
    before = files(tmp_path / "mine")
    said = refused(tmp_path / "mine")
    assert "--data" in said
    assert files(tmp_path / "mine") == before
    assert {one.name for one in (tmp_path / "mine").iterdir()} == {"uploads", "heats", "attempts"}
    assert stat.S_IMODE((tmp_path / "mine").stat().st_mode) == 0o755


def test_the_database_of_something_else_is_left_as_it_is(tmp_path):
    with sqlite3.connect(tmp_path / "library.sqlite") as database:
        database.execute("create table books (title text)")
    before = (tmp_path / "library.sqlite").read_bytes()
    assert "something else" in refused(tmp_path)
    assert (tmp_path / "library.sqlite").read_bytes() == before


def test_things_of_other_names_in_a_library_stay(library, ids):
    strangers(library.folder)
    before = files(library.folder)
    with served(library.folder) as (_, said):
        assert "Moved" not in said
    assert files(library.folder) == before


# A database that is not the one of this folder


@pytest.mark.parametrize("how", ["lost", "emptied", "another's"])
def test_without_its_database_a_library_is_not_tidied(library, ids, tmp_path, how):
    library.close()
    before = files(library.folder)
    for file in library.folder.glob("library.sqlite*"):
        file.unlink()
    if how == "emptied":
        (library.folder / "library.sqlite").touch()
    if how == "another's":
        Library(tmp_path / "other").close()
        shutil.copy(tmp_path / "other" / "library.sqlite", library.folder)
    assert "library.sqlite" in refused(library.folder)
    assert files(library.folder) == before


# What a kill has left


def test_what_no_row_names_goes_into_the_trash_and_comes_back(library, ids, film, tmp_path):
    with library.session() as session:  # as an older copy of the database would be
        session.delete(session.get(AttemptRow, ids[0]))
    unnamed = library.folder / "uploads" / ("0" * 32)
    unnamed.write_bytes(b"x")
    half = library.folder / "attempts" / f".new-{'a' * 16}"
    half.mkdir()
    kept = files(library.folder_of(ids[0]))
    with served(library.folder) as (_, said):
        pass
    assert "Moved 3 things" in said
    assert str(library.folder / "trash") in said
    assert not library.folder_of(ids[0]).exists()
    (moved,) = (library.folder / "trash").glob(f"*/attempts/{ids[0]}")
    assert files(moved) == kept
    assert not unnamed.exists()
    assert not half.exists()
    assert "Brought back" in run("library", "restore", ids[0], "--data", library.folder)
    row = library.attempt(ids[0])
    assert (row.state, row.workout, row.file_name) == ("done", "Slate", "film.mov")
    assert files(library.folder_of(ids[0])) == kept
    with pytest.raises(RepcountError, match="not in the trash"):
        restore(library, "f" * 16)


def test_a_save_that_runs_while_the_server_starts_is_kept(library, ids, film):
    place = library.folder_of("b" * 16)
    with library.placed(place) as (folder, session):
        shutil.copy(film, folder / "film.mp4")
        with served(library.folder) as (_, said):
            assert "being saved" in said
        session.add(AttemptRow(id="b" * 16, file_name="film.mp4", created_at=now()))
    assert (place / "film.mp4").read_bytes() == film.read_bytes()
    assert library.attempt("b" * 16).state == "waiting"
    assert not (library.folder / "trash").exists()


def placing(data: Path) -> list[str]:
    return [one.parent.name for one in (data / "attempts").glob(f"*/{PLACING}")]


@pytest.mark.parametrize("how", ["save", "import", "restore"])
def test_what_is_cut_off_before_its_row_is_sure_keeps_no_server_from_starting(
    tmp_path, film, ids, library, how
):
    """Also where it is the first thing in a library: its folders lie there and no row names one."""
    export_library(library, tmp_path / "all.zip", originals=True)
    data = tmp_path / "new"
    other = Library(data)
    if how == "restore":
        first = other.add_attempt(film, "a.mp4")
        aged(other, 9)
        other.set_setting(SEEN, str(now()))
        start_up(other, keep_days=5)
    other.close()
    child = os.fork()
    if child == 0:
        event.listen(Session, "before_commit", lambda _: placing(data) and os._exit(9))
        again = Library(data)
        if how == "save":
            again.add_attempt(film, "a.mp4")
        elif how == "import":
            import_library(again, tmp_path / "all.zip")
        else:
            restore(again, first)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    other = Library(data)
    placed = placing(data)
    assert len(placed) == (2 if how == "import" else 1)
    assert "that no row names" in start_up(other)[0]
    assert not list((data / "attempts").iterdir())
    restore(other, placed[0])
    assert [row.id for row in other.attempts()] == placed[:1]
    assert not placing(data)


def test_a_deletion_that_was_cut_off_is_undone_or_completed(library, ids):
    asked = library.folder_of(ids[0])
    asked.replace(asked.with_name(f".gone-{ids[0]}"))  # the row is still there
    gone = asked.with_name(f".gone-{'c' * 16}")
    gone.mkdir()
    (gone / "film.mp4").write_bytes(b"deleted by a person")
    assert start_up(library) == []
    assert (asked / "film.mov").exists()
    assert not gone.exists()


# Old attempts


def test_what_is_too_old_goes_into_the_trash_and_comes_back(library, ids, tmp_path):
    write_heat(tmp_path / "heat", heat_of(3))
    heat = library.add_heat(tmp_path / "heat")
    aged(library, 40, ids[0])
    aged(library, 40, heat)
    day = library.attempt(ids[0]).created_at
    before = files(library.folder_of(ids[0]))
    with served(library.folder, "--keep-days", "30") as (_, said):
        assert "Moved 2 things older than 30 days" in said
    assert [row.id for row in library.attempts()] == [ids[1]]
    assert not library.heats()
    assert not library.folder_of(ids[0]).exists()
    for one in (ids[0], heat):
        run("library", "restore", one, "--data", library.folder)
    row = library.attempt(ids[0])
    assert (row.created_at, row.workout) == (day, "Slate")
    assert library.athletes()[0].id == row.athlete_id
    assert files(library.folder_of(ids[0])) == before
    assert [one.id for one in library.heats()] == [heat]
    assert (library.heat_folder(heat) / "heat.html").is_file()


@pytest.mark.parametrize("ahead", [400, -400])
def test_a_clock_that_has_jumped_takes_nothing(library, ids, ahead):
    start_up(library)
    aged(library, ahead)
    before = files(library.folder)
    said = refused(library.folder, "--keep-days", "30")
    assert "--keep-days" in said
    assert "date" in said
    assert files(library.folder) == before
    assert len(library.attempts()) == 2
    # a person has looked at the date, and it is right
    with served(library.folder) as (_, once):
        assert "last used" in once
    with served(library.folder, "--keep-days", "30") as (_, after):
        assert ("Moved 2 things" in after) == (ahead > 0)


def test_a_library_that_is_used_every_day_lets_its_last_attempt_go(library, ids):
    aged(library, 31)
    library.set_setting(SEEN, str(now() - 3600))
    assert "Moved 2 things" in start_up(library, 30)[0]


def test_half_an_upload_is_kept_for_a_week_and_then_moved(library):
    for number, days in ((1, 6), (2, 8)):
        library.upload_file(str(number) * 32).write_bytes(b"half")
        with library.session() as session:
            session.add(
                Upload(
                    id=str(number) * 32, size=9, file_name="a", created_at=now() - days * DAY
                )
            )  # fmt: skip
    (said,) = start_up(library)
    assert "upload" in said
    assert [one.name for one in (library.folder / "uploads").iterdir()] == ["1" * 32]
    assert list((library.folder / "trash").glob(f"*/uploads/{'2' * 32}"))


def test_the_trash_is_emptied_late_and_never_by_a_clock_that_jumps(library, ids, monkeypatch):
    import repcount.library.tidying as tidying

    aged(library, 40, ids[0])
    start_up(library, 30)
    (trash,) = (library.folder / "trash").iterdir()
    moment = now()
    for days, there in ((TRASH_DAYS - 1, True), (TRASH_DAYS + 1, True), (TRASH_DAYS + 1.1, False)):
        monkeypatch.setattr(tidying, "now", lambda days=days: int(moment + days * DAY))
        if there:  # each is a jump: the clock has not come here hour by hour
            look_after(library)
            assert trash.exists()
            start_up(library)
        look_after(library)
    assert not trash.exists()


# Other accounts


def test_folder_and_database_are_closed_to_others(tmp_path):
    (tmp_path / "data").mkdir(mode=0o755)
    before = os.umask(0o022)
    try:
        library = Library(tmp_path / "data")
        library.athlete_named("Robin")
        for name in ("library.sqlite", "library.sqlite-wal", "library.sqlite-shm"):
            assert stat.S_IMODE((library.folder / name).stat().st_mode) == 0o600, name
        for folder in (library.folder, library.folder / "attempts"):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert library.notices == []
    finally:
        os.umask(before)


def test_what_others_could_read_is_worth_nothing_any_more(tmp_path):
    library = Library(tmp_path)
    set_passphrase(library, "three stones and a bar")
    sessions = Sessions(library, Settings())
    cookie = sessions.begin()
    key = library.setting(KEY)
    library.close()
    library = Library(tmp_path)
    assert library.setting(KEY) == key  # nothing was open
    assert Sessions(library, Settings()).access(cookie).inside
    library.close()
    tmp_path.chmod(0o755)
    (tmp_path / "library.sqlite").chmod(0o644)
    with served(tmp_path) as (_, said):
        assert "Other accounts" in said
    assert stat.S_IMODE((tmp_path / "library.sqlite").stat().st_mode) == 0o600
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o700
    library = Library(tmp_path)
    assert library.notices == []
    assert library.setting(KEY) != key
    with library.session() as session:
        assert session.query(SessionRow).count() == 0
    assert not Sessions(library, Settings()).access(cookie).let_in
