"""Pages of attempts: all of them with the upload, one of them, its files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import FileResponse, HTMLResponse
from sqlalchemy import select

from repcount.attempt.corrected import LONGEST_BEFORE_S
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import Attempt
from repcount.library.rows import Share, doubles, now
from repcount.library.store import Missing
from repcount.pipeline.results import DERIVED, EDITS, FILES, RECOGNISED, REPORT, load_results
from repcount.web.actions import standing
from repcount.web.depends import AttemptId, LibraryDep, QueueDep, RebuilderDep, SettingsDep
from repcount.web.pages.answers import (
    HOME,
    address,
    coded_as,
    names,
    report,
    shown,
    still_of,
    thumbnails,
    type_of,
)
from repcount.web.review import has_next, panel, result
from repcount.web.roles import AccessDep, plans_for

routes = APIRouter()


@routes.get("/")
def home(
    request: Request,
    library: LibraryDep,
    settings: SettingsDep,
    access: AccessDep,
    find: Annotated[str, Query(max_length=100)] = "",
) -> HTMLResponse:
    """All attempts, or those that a search finds, and the upload of another."""
    mine, who = access.athlete_id, names(library)
    every = library.attempts(athlete_id=mine)
    rows = [row for row in every if row.answers(find, who.get(row.athlete_id, ""))]
    return shown(
        request,
        "home.html",
        find=find,
        any=bool(every),
        rows=rows,
        thumbs=thumbnails(library, rows),
        twice=doubles(every),
        names=who,
        athletes=[one for one in library.athletes() if mine in (None, one.id)],
        plans=plans_for(library, access),
        largest_gb=settings.largest_bytes / 1e9,
        longest_min=settings.longest_s / 60,
    )


@routes.get("/attempts/{attempt_id}")
def attempt(
    request: Request,
    attempt_id: AttemptId,
    library: LibraryDep,
    queue: QueueDep,
    access: AccessDep,
) -> HTMLResponse:
    """The review of an attempt, or how far its analysis is."""
    row = library.attempt(attempt_id)
    with library.session() as session:
        shares = session.scalars(
            select(Share).where(Share.attempt_id == attempt_id, Share.expires_at > now())
        ).all()
    athlete = names(library).get(row.athlete_id, "")
    if row.state != "done":
        return shown(
            request, "waiting.html", row=row, athlete=athlete, standing=standing(row, queue)
        )
    folder = library.folder_of(attempt_id)
    results = load_results(folder)
    return shown(
        request,
        "review.html",
        row=row,
        athlete=athlete,
        shared=False,
        video=f"/attempts/{attempt_id}/files/{row.file_name}",
        result=result(folder, results, f"/attempts/{attempt_id}/"),
        panel=panel(results),
        with_next=has_next(results.attempt),
        coded_as=coded_as(results.attempt),
        looks_like=access.coach and _looks_like(folder, results.attempt),
        longest_before_s=LONGEST_BEFORE_S,
        movements=MOVEMENT_NAMES,
        rounds=len(results.attempt.workout.rounds) if results.attempt.workout else 0,
        shares=shares,
        workout_at=address(row.workout),
        files=[name for name in FILES if (folder / name).exists()],
    )


def _looks_like(folder: Path, attempt: Attempt) -> str:
    """What is said of the workout that was recognised; empty where none was."""
    if not (folder / RECOGNISED).is_file():
        return ""
    said = [one.text for one in attempt.warnings if one.code in ("recognised", "other-workout")]
    return said[0] if said else "This looks like another workout than the plan's."


@routes.get("/attempts/{attempt_id}/stills/{name}")
def still(attempt_id: AttemptId, name: str, library: LibraryDep) -> Response:
    """A still of an attempt."""
    library.attempt(attempt_id)
    return still_of(library.folder_of(attempt_id), name)


@routes.get("/attempts/{attempt_id}/files/{name}")
def file_of(
    attempt_id: AttemptId, name: str, library: LibraryDep, rebuilder: RebuilderDep
) -> Response:
    """A file of an attempt, made anew first where a correction has left it stale."""
    row = library.attempt(attempt_id)
    folder = library.folder_of(attempt_id)
    if name not in (row.file_name, *FILES, EDITS) or not (folder / name).is_file():
        raise Missing("there is no such file.")
    if name == REPORT:
        return report(folder, ((f"/attempts/{attempt_id}", "Review"), HOME))
    if name in DERIVED:
        rebuilder.now(attempt_id)
    return FileResponse(folder / name, media_type=type_of(name))
