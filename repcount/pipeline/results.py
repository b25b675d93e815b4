"""A results folder: what lies in it, and from a correction to the same folder again.

Nothing is written before everything has been computed; files are then written aside and moved into
place, so that a stopped or failed run leaves the folder as it was. While a kill could leave files
of two states, a mark (`STALE`) stands in the folder: `rebuild` makes everything anew from the
reading and the corrections, and removes it. Importing this costs little: no pixel is read here.
"""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from repcount.analysis.compare import compare
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import new_edits
from repcount.attempt.records import (
    Attempt,
    Comparison,
    Edits,
    Reading,
    load_record,
    save_record,
)
from repcount.errors import StorageError, storage_error
from repcount.files import ASIDE, sweep
from repcount.plan import Plan
from repcount.reports import stills
from repcount.reports.captions import captions, chapters_text
from repcount.reports.html import write_report
from repcount.reports.tables import FILES as TABLES
from repcount.reports.tables import write_tables
from repcount.reports.words import corrected_words

if TYPE_CHECKING:
    import xarray as xr

TRACKS, READING, EDITS = "tracks.nc", "reading.json", "edits.json"
ATTEMPT, COMPARISON, PLAN = "attempt.json", "comparison.json", "plan.json"
RECOGNISED = "recognised.toml"
REPORT, CAPTIONS, CHAPTERS, STILLS = "report.html", "captions.vtt", "chapters.vtt", "stills"
STALE = ".stale"
# What a correction makes anew. The plan is kept as read, so that it can be compared with again.
_FIRST = (ATTEMPT, COMPARISON)
DERIVED = (*_FIRST, REPORT, CAPTIONS, CHAPTERS, *TABLES)
FILES = (TRACKS, READING, PLAN, RECOGNISED, *DERIVED)


@dataclass(frozen=True)
class Results:
    """Everything that was made. `tracks` is None where no pixels were needed; `stills` are JPEGs by
    their moment in milliseconds; `recognised` is the workout that the lifts look like, where no
    plan was given or it is of another."""

    reading: Reading
    attempt: Attempt
    comparison: Comparison | None = None
    plan: Plan | None = None
    edits: Edits | None = None
    tracks: xr.Dataset | None = None
    stills: Mapping[int, bytes] = field(default_factory=dict)
    recognised: Plan | None = None


def load_results(folder: Path | str) -> Results:
    """The reading in a results folder with its corrections, and all that follows from them anew.

    Raises RecordError if the folder has no reading or a file in it is damaged.
    """
    return _derived(*_kept(Path(folder)))


def _kept(folder: Path) -> tuple[Reading, Edits | None, Plan | None]:
    """What is not made anew."""
    reading = _reading(folder / READING)
    edits = load_record(Edits, folder / EDITS) if (folder / EDITS).exists() else None
    plan = load_record(Plan, folder / PLAN) if (folder / PLAN).exists() else None
    return reading, edits, plan


def _reading(path: Path) -> Reading:
    """A reading, which nothing changes: corrections that follow each other need not parse it
    again."""
    try:
        now = path.stat()
    except OSError:
        return load_record(Reading, path)  # says what is wrong
    return _reading_as_of(path, (now.st_ino, now.st_mtime_ns, now.st_size))


@lru_cache(maxsize=2)
def _reading_as_of(path: Path, _file: tuple[int, int, int]) -> Reading:
    return load_record(Reading, path)


def _derived(reading: Reading, edits: Edits | None, plan: Plan | None) -> Results:
    attempt = derive_attempt(reading, edits)
    return Results(reading, attempt, compare(attempt, plan) if plan else None, plan, edits)


def correct(
    folder: Path | str, change: Callable[[Reading, Edits], Edits], *, rest_later: bool = False
) -> Results:
    """Change the corrections of a results folder and make anew what follows from them.

    `change` takes the reading and its corrections as they are and returns longer corrections. With
    `rest_later` only corrections, attempt and comparison are written; report, captions and
    tables stay stale until `rebuild`. Two at a time wait for each other. Raises RepcountError where
    the correction does not fit; nothing is changed then.
    """
    folder = Path(folder)
    with held(folder):
        reading, before, plan = _kept(folder)
        edits = change(reading, before or new_edits(reading))
        results = _derived(reading, edits, plan)
        with _aside(folder) as aside:
            save_record(edits, aside / EDITS)
            _write_first(aside, results)
            if not rest_later:
                _write_rest(aside, with_stills(folder, results))
            (aside / STALE).write_text(secrets.token_hex(8), encoding="ascii")
            _move(aside, folder, (STALE, EDITS, *(_FIRST if rest_later else DERIVED)))
            if not rest_later:
                (folder / STALE).unlink()
    return results


def is_stale(folder: Path) -> bool:
    """Whether files of a results folder wait for `rebuild`."""
    return (folder / STALE).exists()


def rebuild(folder: Path | str) -> None:
    """Make anew what is stale in a results folder; where nothing is, nothing is done.

    Corrections are not held up; if one has come meanwhile, the next wait until all is made anew.
    Raises RepcountError where the folder cannot be read or the disk refuses.
    """
    folder = Path(folder)
    if not is_stale(folder):
        return
    with held(folder):
        mark = _mark(folder)
        results = load_results(folder)
    with _aside(folder) as aside:
        _write_derived(aside, folder, results)
        with held(folder):
            if _mark(folder) == mark:
                _settle(aside, folder)
                return
    with settled(folder):
        pass


@contextmanager
def settled(folder: Path) -> Iterator[None]:
    """Keep corrections of a results folder waiting while its files are of one state: what is stale
    is made anew first. Raises RepcountError as `rebuild` does."""
    with held(folder):
        if is_stale(folder):
            with _aside(folder) as aside:
                _write_derived(aside, folder, load_results(folder))
                _settle(aside, folder)
        yield


def _write_derived(aside: Path, folder: Path, results: Results) -> None:
    _write_first(aside, results)
    _write_rest(aside, with_stills(folder, results))


def _settle(aside: Path, folder: Path) -> None:
    _move(aside, folder, DERIVED)
    (folder / STALE).unlink(missing_ok=True)


def _mark(folder: Path) -> str:
    return (folder / STALE).read_text(encoding="ascii") if is_stale(folder) else ""


def with_stills(folder: Path, results: Results) -> Results:
    """The results with the stills that lie in their folder."""
    return replace(results, stills=stills.load(folder / STILLS))


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Keep corrections of a results folder waiting, where there is a reading to hold; one that is
    missing is reported when it is read."""
    path = folder / READING
    if not path.is_file():
        yield
        return
    with path.open("rb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def write_results(folder: Path | str, results: Results) -> None:
    """Write all files of an analysis into a folder, in place of those of an earlier one.

    Other files in it, and the corrections, stay as they are.
    """
    folder = Path(folder)
    with _aside(folder) as aside:
        _write_read(aside, results)
        _write_first(aside, results)
        _write_rest(aside, results)
        (aside / STALE).write_text(secrets.token_hex(8), encoding="ascii")
        _move(aside, folder, (STALE, STILLS, *FILES))
        (folder / STALE).unlink()


def _write_read(aside: Path, results: Results) -> None:
    """What was read from the pixels, where there was an analysis."""
    if results.tracks is None:
        return
    from repcount.tracking.tracks import save_tracks

    save_tracks(results.tracks, aside / TRACKS)
    save_record(results.reading, aside / READING)
    if results.plan is not None:
        save_record(results.plan, aside / PLAN)
    if results.recognised is not None:
        from repcount.plan.writing import plan_toml

        said = (
            "What the attempt looks like, with its sets, breaks and times as they were done.",
            "Check it, name it and give the load, then use it as a plan.",
        )
        text = plan_toml(results.recognised, said)
        (aside / RECOGNISED).write_text(text, encoding="utf-8")
    if results.stills:
        stills.save(aside / STILLS, results.stills)


def _write_first(aside: Path, results: Results) -> None:
    """What other commands and pages read."""
    save_record(results.attempt, aside / ATTEMPT)
    if results.comparison is not None:
        save_record(results.comparison, aside / COMPARISON)


def _write_rest(aside: Path, results: Results) -> None:
    """What people and their programs read."""
    write_report(
        aside / REPORT,
        results.attempt,
        results.comparison,
        results.stills,
        results.plan,
        corrected_words(results.edits),
    )
    (aside / CAPTIONS).write_text(captions(results.attempt), encoding="utf-8")
    chapters = chapters_text(results.attempt, results.comparison)
    (aside / CHAPTERS).write_text(chapters, encoding="utf-8")
    write_tables(aside, results.attempt, results.comparison)


@contextmanager
def _aside(folder: Path) -> Iterator[Path]:
    """A folder to write files in, before they are moved; gone at the end.

    Raises RepcountError where the disk refuses.
    """
    aside = None
    try:
        home = folder if folder.is_dir() else folder.parent
        home.mkdir(parents=True, exist_ok=True)
        sweep(home)
        aside = Path(tempfile.mkdtemp(prefix=ASIDE, dir=home))
        yield aside
    except OSError as error:
        refused = storage_error(error)
        reason = (error.strerror or str(error)).lower()
        raise StorageError(
            f"{folder}: the results cannot be written ({reason}); check the folder and the disk.",
            full=refused.full,
        ) from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)


def _move(aside: Path, folder: Path, ours: tuple[str, ...]) -> None:
    """Move files into the folder, in this order; those of `ours` not written are removed."""
    with _not_stopped():
        folder.mkdir(exist_ok=True)
        for name in ours:
            if name == STILLS:
                stills.replace(folder / name, aside / name)
            elif (aside / name).exists():
                (aside / name).replace(folder / name)
            else:
                (folder / name).unlink(missing_ok=True)


@contextmanager
def _not_stopped() -> Iterator[None]:
    """Let the few moves come to their end: a request to stop waits for them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held = {signal.SIGINT, signal.SIGTERM}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, held)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


if __name__ == "__main__":  # what the server starts: a process of its own, for its own memory
    os.nice(10)
    rebuild(sys.argv[1])
