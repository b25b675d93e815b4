"""From a list of results folders to a heat, and from a heat to its files."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pydantic import ValidationError

from repcount.analysis.compare import compare
from repcount.analysis.same_film import Film, repeated
from repcount.attempt.records import (
    LARGEST_RECORD,
    Attempt,
    Comparison,
    load_record,
    save_record,
)
from repcount.errors import RecordError, RepcountError
from repcount.files import ordinary_bytes
from repcount.heat.build import Row, make_heat
from repcount.heat.manifest import ATTEMPT, Listed
from repcount.heat.page import heat_page
from repcount.heat.records import Heat
from repcount.heat.rows import attempt_row, failed_row
from repcount.heat.tables import BREAKS_PARQUET, CSV, PARQUET, REPS_PARQUET, write_tables
from repcount.pipeline.results import REPORT
from repcount.plan import Plan, load_plan

COMPARISON = "comparison.json"
PAGE, RECORD = "heat.html", "heat.json"
FILES = (PAGE, RECORD, CSV, PARQUET, REPS_PARQUET, BREAKS_PARQUET)


@dataclass(frozen=True)
class Outcome:
    """What became of a listed attempt: the folder with its results, or why there is none."""

    listed: Listed
    folder: Path | None = None
    reason: str = ""


def collect(
    outcomes: Sequence[Outcome], name: str, home: Path | None = None, options: Any = None
) -> Heat:
    """The heat of attempts that have been read. A folder that cannot be read is a failed row.

    Of several readings of one video the first counts; the others stay listed, without a place.
    `home` is the folder the heat is written to: results in it are named relative to it.
    """
    found = [_row(one, home) for one in outcomes]
    read = [(row, film) for (row, _), film in found if film is not None]
    for place, match in repeated([film for _, film in read], keep="first").items():
        row, counts = read[place][0], read[match][0]
        row.state, row.finished, row.same_video_as = "doubtful", None, counts.athlete
        row.reason = "; ".join(filter(None, [_same_words(counts.athlete), row.reason]))
    return make_heat([row for row, _ in found], name, options)


def _same_words(athlete: str) -> str:
    return f"the same video as that of {athlete}, which counts: no place"


def _row(outcome: Outcome, home: Path | None) -> tuple[Row, Film | None]:
    """The row of an outcome, and the film it was read from."""
    entry, source = outcome.listed.entry, outcome.listed.source
    video = "" if outcome.listed.is_read else source.name
    if outcome.folder is None:
        return (failed_row(entry, outcome.reason, video), None), None
    try:
        attempt = light_attempt(outcome.folder / ATTEMPT)
    except RepcountError as error:
        return (failed_row(entry, str(error), video), None), None
    comparison, reason = None, ""
    try:
        comparison = _comparison(outcome, attempt)
    except RepcountError as error:
        reason = f"not compared with its plan: {error}"
    row = attempt_row(entry, attempt, comparison, _relative(outcome.folder, home))
    if reason:
        row.state, row.reason = "doubtful", "; ".join(filter(None, [row.reason, reason]))
    return (row, attempt.workout), Film.of(attempt)


def _comparison(outcome: Outcome, attempt: Attempt) -> Comparison | None:
    """Beside the plan that the list names, else beside the one it was compared with before."""
    assert outcome.folder is not None
    if outcome.listed.plan is not None:
        return compare(attempt, _plan(outcome.listed.plan))
    path = outcome.folder / COMPARISON
    return load_record(Comparison, path) if path.is_file() else None


@lru_cache(maxsize=64)
def _plan(path: Path) -> Plan:
    return load_plan(path)


def light_attempt(path: Path) -> Attempt:
    """An attempt without its trace, which a heat has no use for and is most of the file.

    Raises RecordError if the file cannot be read.
    """
    try:
        data = json.loads(ordinary_bytes(path, LARGEST_RECORD))
        data.pop("trace", None)
        return Attempt.model_validate(data)
    except (OSError, ValueError, AttributeError, RecursionError) as error:
        if isinstance(error, ValidationError):
            first = error.errors(include_url=False)[0]
            what = f"{'.'.join(map(str, first['loc'])) or 'the file'}: {first['msg']}"
        elif isinstance(error, OSError):
            what = (error.strerror or str(error)).lower()
        else:
            what = "no JSON object"
        raise RecordError(
            f"{path}: not a usable attempt file ({what}); make it again with `repcount analyze`."
        ) from error


def _relative(folder: Path, home: Path | None) -> str:
    if home is None:
        return ""
    try:
        return folder.resolve().relative_to(home.resolve()).as_posix()
    except ValueError:
        return ""


def without_names(heat: Heat) -> Heat:
    """The heat with numbers for names, in the order of the page; nothing that could reveal a name
    is left: video files, results folders, and reasons (which may quote a path) of what failed."""
    wide = len(str(len(heat.attempts)))
    hidden = heat.model_copy(deep=True)
    names = [one.athlete for one in heat.attempts]
    for number, one in enumerate(hidden.attempts, 1):
        one.athlete = f"Athlete {number:0{wide}d}"
        if one.same_video_as:
            other = f"Athlete {names.index(one.same_video_as) + 1:0{wide}d}"
            one.reason = one.reason.replace(_same_words(one.same_video_as), _same_words(other))
            one.same_video_as = other
        one.video = one.results = ""
        if one.state == "failed":
            one.reason = "could not be read"
    return hidden


def write_heat(folder: Path | str, heat: Heat) -> None:
    """Write all files of a heat, in place of earlier ones; each appears whole or not at all.

    Raises RepcountError where the disk refuses.
    """
    folder = Path(folder)
    aside = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".repcount-", dir=folder))
        save_record(heat, aside / RECORD)
        write_tables(aside, heat)
        links = {
            one.results: quote(f"{one.results}/{REPORT}")
            for one in heat.attempts
            if one.results and (folder / one.results / REPORT).is_file()
        }
        (aside / PAGE).write_text(heat_page(heat, links=links), encoding="utf-8")
        for name in FILES:
            os.replace(aside / name, folder / name)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise RepcountError(
            f"{folder}: the heat cannot be written ({reason}); check the folder and the disk."
        ) from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
