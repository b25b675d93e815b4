"""A results folder after corrections: at once, later, meanwhile, and after a kill."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from repcount.attempt.edits import append_edit, make_edit
from repcount.attempt.records import save_record
from repcount.errors import RepcountError
from repcount.pipeline import results
from repcount.plan import parse_plan
from tests.scripted_reading import SLATE, as_planned

REPS = "reps.csv"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    home = tmp_path / "out"
    home.mkdir()
    save_record(as_planned().reading(), home / "reading.json")
    save_record(parse_plan(SLATE), home / "plan.json")
    results.correct(home, lambda reading, edits: edits)
    return home


def no_rep(number: int, why: str = "elbow not locked"):
    def change(reading, edits):
        target = reading.reps[number].id
        edit = make_edit(edits, "mark_no_rep", who="Robin", why=why, target=target)
        return append_edit(reading, edits, edit)

    return change


def contents(folder: Path) -> dict[str, bytes]:
    """All files but the moments in them at which they were made."""
    return {
        file.name: re.sub(rb"20\d\d-\d\d-\d\dT[\d:]+", b"", file.read_bytes())
        for file in folder.iterdir()
    }


def test_what_is_made_later_is_what_is_made_at_once(folder, tmp_path):
    other = tmp_path / "other"
    subprocess.run(["cp", "-r", folder, other], check=True)
    old = (folder / REPS).read_bytes()
    results.correct(folder, no_rep(3))
    made = results.correct(other, no_rep(3), rest_later=True)
    assert not results.is_stale(folder)
    assert results.is_stale(other)
    assert made.attempt.reps == results.load_results(folder).attempt.reps
    assert (other / REPS).read_bytes() == old
    assert b"no_rep" in (other / "attempt.json").read_bytes()
    subprocess.run([sys.executable, "-m", "repcount.pipeline.results", other], check=True)
    assert contents(other) == contents(folder)
    assert (other / REPS).read_bytes() != old
    results.rebuild(other)  # nothing waits: nothing is done


def test_a_correction_during_a_rebuild_is_in_what_it_makes(folder, monkeypatch):
    results.correct(folder, no_rep(3), rest_later=True)
    write, first = results.write_tables, True

    def slow(*given: object) -> None:
        nonlocal first
        if first:
            first = False
            results.correct(folder, no_rep(5, "hips not open"), rest_later=True)
        write(*given)

    monkeypatch.setattr(results, "write_tables", slow)
    results.rebuild(folder)
    assert not results.is_stale(folder)
    assert (folder / REPS).read_text(encoding="utf-8").count("no_rep") == 2


def test_corrections_without_end_keep_nobody_waiting(folder):
    """A rebuild, and whoever needs one state, come to an end while somebody corrects."""
    stop = threading.Event()

    def noted(reading, edits):
        edit = make_edit(edits, "note", who="Robin", values={"text": "seen"})
        return append_edit(reading, edits, edit)

    results.correct(folder, noted, rest_later=True)

    def work() -> None:
        while not stop.is_set():
            results.correct(folder, noted, rest_later=True)

    worker = threading.Thread(target=work)
    worker.start()
    try:
        results.rebuild(folder)
        with results.settled(folder):
            assert not results.is_stale(folder)
            told = (folder / REPS).read_bytes()
            time.sleep(0.05)
            assert (folder / REPS).read_bytes() == told
            assert not results.is_stale(folder)
    finally:
        stop.set()
        worker.join()


@pytest.mark.parametrize("moves", range(6))
def test_a_kill_between_two_files_leaves_a_mark_and_loses_nothing(folder, monkeypatch, moves):
    replace, left = Path.replace, moves

    def killed(self: Path, to: Path) -> Path:
        nonlocal left
        if to.parent == folder:
            if left == 0:
                raise SystemExit
            left -= 1
        return replace(self, to)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", killed)
        with pytest.raises(SystemExit):
            results.correct(folder, no_rep(3))
    assert results.is_stale(folder) == (moves > 0)
    results.rebuild(folder)
    marked = moves > 1  # the second file is the list of corrections
    assert (folder / "edits.json").read_text(encoding="utf-8").count("mark_no_rep") == marked
    assert (folder / REPS).read_text(encoding="utf-8").count("no_rep") == marked


def test_a_correction_that_does_not_fit_leaves_no_mark(folder):
    before = contents(folder)
    with pytest.raises(RepcountError, match="reason"):
        results.correct(folder, no_rep(3, why=""), rest_later=True)
    assert contents(folder) == before
