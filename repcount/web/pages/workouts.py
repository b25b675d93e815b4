"""Pages of workouts: attempts at one, beside each other or ranked as a heat."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from repcount.analysis.forecast import read_attempts
from repcount.analysis.history import side_by_side
from repcount.errors import RecordError
from repcount.heat.collect import Outcome, collect
from repcount.heat.manifest import Listed
from repcount.heat.rows import Entry
from repcount.library.layout import ATTEMPTS
from repcount.library.rows import AttemptRow, doubles
from repcount.library.store import Library, Missing
from repcount.reports.after import history_page
from repcount.reports.pages import Back
from repcount.web.depends import LibraryDep
from repcount.web.pages.answers import (
    address,
    heat_sheet,
    names,
    sheet,
    shown,
    thumbnails,
    within,
)
from repcount.web.pages.classes import class_address
from repcount.web.roles import AccessDep
from repcount.web.templates import day_in, unix
from repcount.wording.numbers import clock

MOST_SIDE_BY_SIDE, MOST_IN_HEAT = 12, 100

routes = APIRouter()


@routes.get("/workouts")
def workouts(request: Request, library: LibraryDep, access: AccessDep) -> HTMLResponse:
    """All workouts of which there are attempts."""
    every = library.attempts(athlete_id=access.athlete_id)
    rows = [row for row in every if row.workout]
    done = [row for row in rows if row.state == "done"]
    found, twice = sorted({row.workout for row in done}), doubles(done)
    return shown(
        request,
        "workouts.html",
        being_read=sum(row.state in ("waiting", "running") for row in rows),
        workouts=[
            (name, address(name), rows, _best(rows))
            for name in found
            for rows in [[row for row in done if row.workout == name and row.id not in twice]]
        ],
    )


@routes.get("/chosen")
def chosen(
    library: LibraryDep,
    access: AccessDep,
    with_: Annotated[list[str] | None, Query(alias="with")] = None,
    as_: Annotated[str, Query(alias="as", max_length=10)] = "",
    zone: Annotated[str, Query(max_length=80)] = "UTC",
) -> Response:
    """Attempts that were chosen in a list, beside each other, moving or as a heat: on their
    workout's page; or as a class, whatever they are of."""
    asked = set(with_ or [])
    every = library.attempts(state="done", athlete_id=access.athlete_id)
    rows = [row for row in every if row.id in asked]
    if as_ == "class":
        return RedirectResponse(class_address([row.id for row in rows]), 303)
    found = sorted({row.workout for row in rows})
    if len(rows) < 2:
        raise RecordError("choose two or more attempts that have been read.")
    if len(found) > 1 or not found[0]:
        raise RecordError("choose attempts at one workout; these are of several, or of none.")
    query = [("with", row.id) for row in rows] + [("zone", zone)]
    query += [("as", as_)] if as_ in ("heat", "moving") else []
    return RedirectResponse(f"{address(found[0])}?{urlencode(query)}", 303)


@routes.get("/workouts/{workout:path}")
def workout(
    request: Request,
    workout: str,
    library: LibraryDep,
    access: AccessDep,
    with_: Annotated[list[str] | None, Query(alias="with")] = None,
    as_: Annotated[str, Query(alias="as")] = "",
    zone: Annotated[str, Query(max_length=80)] = "UTC",
) -> Response:
    """All attempts at a workout; those that are chosen beside each other, or as a heat."""
    found = library.attempts(state="done", workout=workout, athlete_id=access.athlete_id)
    rows = sorted(found, key=lambda row: row.when, reverse=True)
    if not rows:
        raise Missing("there is no attempt at this workout.")
    asked = [row for row in reversed(rows) if row.id in (with_ or [])]
    back = within(request, (address(workout), workout))
    if len(asked) < 2:
        twice = doubles(rows)
        once = [row.id for row in rows if row.id not in twice]
        return shown(
            request, "workout.html", workout=workout, rows=rows, names=names(library),
            thumbs=thumbnails(library, rows), twice=twice, chosen=once[:2],
        )  # fmt: skip
    if as_ == "class":
        return RedirectResponse(class_address([row.id for row in asked]), 303)
    if as_ == "moving":
        return RedirectResponse(_moving(asked[0], asked[-1]), 303)
    if as_ == "heat":
        return _as_heat(asked[:MOST_IN_HEAT], workout, zone, back, library)
    return _beside_each_other(asked[:MOST_SIDE_BY_SIDE], zone, back, library)


def _moving(first: AttemptRow, second: AttemptRow) -> str:
    """Where two attempts move side by side."""
    return f"/beside?first={first.id}&second={second.id}"


def _as_heat(
    rows: Sequence[AttemptRow], workout: str, zone: str, back: Back, library: Library
) -> HTMLResponse:
    found = collect(_outcomes(rows, zone, library), workout, library.folder)
    links = {f"{ATTEMPTS}/{row.id}": f"/attempts/{row.id}" for row in rows}
    first = next((one.results for one in found.attempts if one.results in links), "")
    by = {f"{ATTEMPTS}/{row.id}": row for row in rows}
    moving = {name: _moving(by[first], row) for name, row in by.items() if first not in ("", name)}
    return heat_sheet(found, back, links, moving)


def _beside_each_other(
    rows: Sequence[AttemptRow], zone: str, back: Back, library: Library
) -> HTMLResponse:
    who = names(library)
    filmed = [
        replace(one, name=f"{who.get(row.athlete_id, row.file_name)}, {_day(row, zone)}")
        for one, row in zip(
            read_attempts([library.folder_of(row.id) for row in rows]), rows, strict=True
        )
    ]
    links = [f"/attempts/{row.id}" for row in rows]
    moving = _moving(rows[0], rows[-1])
    return sheet(history_page(side_by_side(filmed), back, links, moving))


def _outcomes(rows: Sequence[AttemptRow], zone: str, library: Library) -> list[Outcome]:
    """Attempts of the library as a heat takes them, by name; the day where one has several."""
    who = names(library)
    often = Counter(row.athlete_id for row in rows)
    made = []
    for row in rows:
        name = who.get(row.athlete_id, row.file_name)
        if often[row.athlete_id] > 1:
            name = f"{name}, {_day(row, zone)}"
        folder = library.folder_of(row.id)
        made.append(Outcome(Listed(Entry(name), folder, None, row.id), folder))
    return made


def _day(row: AttemptRow, zone: str) -> str:
    """When an attempt was filmed, else uploaded, by the clocks of a time zone."""
    at = row.created_at if row.recorded_at is None else unix(row.recorded_at)
    return row.filmed if at is None else day_in(at, zone)


def _best(rows: Sequence[AttemptRow]) -> str:
    """The shortest total of those that did all that was asked, in words; else of those that did
    all rounds."""
    done = [row for row in rows if row.complete and row.total_s]
    if done:
        return f"best {clock(min(row.total_s or 0 for row in done))}"
    to_the_end = [row for row in rows if row.to_the_end and row.total_s]
    if not to_the_end:
        return "none finished"
    best = min(to_the_end, key=lambda row: row.total_s or 0)
    return f"best {clock(best.total_s)} ({best.missing})"
