"""Pages of athletes."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from repcount.library.rows import doubles
from repcount.library.store import Missing
from repcount.web.depends import LibraryDep, RowId
from repcount.web.pages.answers import address, names, shown, thumbnails

routes = APIRouter()


@routes.get("/athletes")
def athletes(request: Request, library: LibraryDep) -> HTMLResponse:
    """All athletes."""
    rows = library.attempts()
    twice = doubles(rows)
    rows = [row for row in rows if row.id not in twice]
    counts = {one.id: sum(row.athlete_id == one.id for row in rows) for one in library.athletes()}
    return shown(request, "athletes.html", athletes=library.athletes(), counts=counts)


@routes.get("/athletes/{athlete_id}")
def athlete(request: Request, athlete_id: RowId, library: LibraryDep) -> HTMLResponse:
    """An athlete's attempts."""
    who = names(library)
    name = who.get(athlete_id)
    if name is None:
        raise Missing("there is no such athlete.")
    rows = sorted(library.attempts(athlete_id=athlete_id), key=lambda row: row.when, reverse=True)
    return shown(
        request, "athlete.html", name=name, athlete_id=athlete_id, rows=rows,
        names=who, thumbs=thumbnails(library, rows), twice=doubles(rows),
        addresses={row.workout: address(row.workout) for row in rows},
    )  # fmt: skip
