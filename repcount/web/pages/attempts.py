"""Pages of attempts: all of them with the upload, one of them, its files."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import FileResponse, HTMLResponse
from sqlalchemy import select

from repcount.attempt.corrected import BREAK_S, LONGEST_BEFORE_S
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import Attempt
from repcount.library.layout import POSTER
from repcount.library.overlays import Overlays, faces_of
from repcount.library.rows import AthleteRow, AttemptRow, PlanRow, Share, doubles, now
from repcount.library.store import Library, Missing
from repcount.pipeline.results import DERIVED, EDITS, FILES, RECOGNISED, REPORT, load_results
from repcount.reports.trace_chart import curves
from repcount.web.actions import standing
from repcount.web.depends import (
    AttemptId,
    LibraryDep,
    OverlaysDep,
    PlayablesDep,
    QueueDep,
    RebuilderDep,
    SettingsDep,
)
from repcount.web.pages.answers import (
    address,
    coded_as,
    handed_out,
    names,
    report,
    shown,
    still_of,
    thumbnails,
    type_of,
    within,
)
from repcount.web.plan_form import apart, athlete_of
from repcount.web.review import has_next, panel, result
from repcount.web.roles import AccessDep, plans_for
from repcount.web.security import Access
from repcount.web.templates import day, page
from repcount.wording.moments import recorded_words

routes = APIRouter()


@routes.get("/")
def home(
    request: Request,
    library: LibraryDep,
    settings: SettingsDep,
    access: AccessDep,
    find: Annotated[str, Query(max_length=100)] = "",
    plan: Annotated[int | None, Query(ge=1, le=2**31, description="id of a plan")] = None,
) -> HTMLResponse:
    """All attempts, or those that a search finds, and the upload of another: at a plan, where one
    is given."""
    mine, who = access.athlete_id, names(library)
    every = library.attempts(athlete_id=mine)
    rows = [row for row in every if row.answers(find, who.get(row.athlete_id, ""))]
    people, plans = _athletes(library, access), plans_for(library, access)
    return shown(
        request,
        "home.html",
        find=find,
        any=bool(every),
        rows=rows,
        thumbs=thumbnails(library, rows),
        twice=doubles(every),
        names=who,
        athletes=people,
        plans=plans,
        chosen=plan,
        whose=_whose(plans, people),
        told=_told(plans),
        largest_gb=settings.largest_bytes / 1e9,
        longest_min=settings.longest_s / 60,
    )


def _athletes(library: Library, access: Access) -> list[AthleteRow]:
    """Whom an attempt may be said to be of: anybody, or the athlete who asks."""
    mine = access.athlete_id
    return [one for one in library.athletes() if mine in (None, one.id)]


def _told(plans: Sequence[PlanRow]) -> dict[int, str]:
    """What tells plans apart in a list to choose from, by their ids."""
    return {one.id: apart(one.toml) for one in plans}


def _whose(plans: Sequence[PlanRow], people: Sequence[AthleteRow]) -> dict[int, int]:
    """The athletes whom plans name, by the plans' ids."""
    named = {one.name.casefold(): one.id for one in people}
    found = {one.id: named.get((athlete_of(one.toml) or "").casefold()) for one in plans}
    return {plan: athlete for plan, athlete in found.items() if athlete is not None}


@routes.get("/attempts/{attempt_id}")
def attempt(
    request: Request,
    attempt_id: AttemptId,
    library: LibraryDep,
    queue: QueueDep,
    access: AccessDep,
    playables: PlayablesDep,
    overlays: OverlaysDep,
) -> HTMLResponse:
    """The review of an attempt, or how far its analysis is."""
    row = library.attempt(attempt_id)
    with library.session() as session:
        shares = session.scalars(
            select(Share).where(Share.attempt_id == attempt_id, Share.expires_at > now())
        ).all()
    athlete, plans = names(library).get(row.athlete_id, ""), plans_for(library, access)
    if row.state != "done":
        return shown(
            request, "waiting.html", row=row, athlete=athlete, standing=standing(row, queue),
            athletes=_athletes(library, access), plans=plans, told=_told(plans),
            same=same_video(library, row, access),
        )  # fmt: skip
    folder = library.folder_of(attempt_id)
    results = load_results(folder)
    return shown(
        request,
        "review.html",
        row=row,
        athlete=athlete,
        shared=False,
        video=f"/attempts/{attempt_id}/"
        + ("film.mp4" if playables.of(row) else f"files/{row.file_name}"),
        result=result(folder, results, f"/attempts/{attempt_id}/"),
        panel=panel(results),
        curves=curves(results.attempt.trace),
        with_next=has_next(results.attempt),
        coded_as=coded_as(results.attempt),
        looks_like=access.coach and _looks_like(folder, results.attempt),
        longest_before_s=LONGEST_BEFORE_S,
        break_s=BREAK_S,
        movements=MOVEMENT_NAMES,
        rounds=len(results.attempt.workout.rounds) if results.attempt.workout else 0,
        poster=f"/attempts/{attempt_id}/poster.jpg" if (folder / POSTER).is_file() else "",
        shares=shares,
        overlay=overlay_part(row, overlays),
        athletes=_athletes(library, access),
        plans=plans,
        told=_told(plans),
        workout_at=address(row.workout),
        files=[name for name in FILES if (folder / name).exists()],
    )


def same_video(library: Library, row: AttemptRow, access: Access) -> AttemptRow | None:
    """The newest attempt that was read from the same video as one that is still to be read."""
    file = library.folder_of(row.id) / row.file_name
    if not file.is_file():
        return None
    size = file.stat().st_size
    for one in library.attempts(state="done", athlete_id=access.athlete_id):
        other = library.folder_of(one.id) / one.file_name
        if other.is_file() and other.stat().st_size == size and one.sha256 == _digest(file):
            return one
    return None


@lru_cache(maxsize=100)
def _digest(file: Path) -> str:
    """SHA-256 of an attempt's video, which does not change."""
    with file.open("rb") as film:
        return hashlib.file_digest(film, "sha256").hexdigest()


def _looks_like(folder: Path, attempt: Attempt) -> str:
    """What is said of the workout that was recognised; empty where none was."""
    if not (folder / RECOGNISED).is_file():
        return ""
    said = [one.text for one in attempt.warnings if one.code in ("recognised", "other-workout")]
    return said[0] if said else "This looks like another workout than the plan's."


def overlay_part(row: AttemptRow, overlays: Overlays) -> str:
    """Where the video with the reading drawn in stands, as HTML; empty where none can be drawn."""
    if not overlays.can_draw(row):
        return ""
    made, stands = overlays.latest(row), overlays.stands(row)
    return page(
        "overlay.html",
        row=row,
        stands=stands.state if stands else "",
        fraction=stands.fraction if stands else None,
        said=stands.said if stands else "",
        faces=faces_of(made) if made else "none",
        megabytes=made.stat().st_size / 1e6 if made else None,
        made_at=int(made.stat().st_mtime) if made else None,
    )


@routes.get("/attempts/{attempt_id}/overlay")
def overlay(attempt_id: AttemptId, library: LibraryDep, overlays: OverlaysDep) -> HTMLResponse:
    """The part of an attempt's page that says where the video with the reading drawn in stands."""
    return HTMLResponse(overlay_part(library.attempt(attempt_id), overlays))


@routes.get("/attempts/{attempt_id}/overlay.mp4")
def overlay_file(attempt_id: AttemptId, library: LibraryDep, overlays: OverlaysDep) -> Response:
    """The video with the reading drawn in, as it was made last."""
    return handed_out(overlays.latest(library.attempt(attempt_id)))


@routes.get("/attempts/{attempt_id}/stills/{name}")
def still(attempt_id: AttemptId, name: str, library: LibraryDep) -> Response:
    """A still of an attempt."""
    library.attempt(attempt_id)
    return still_of(library.folder_of(attempt_id), name)


@routes.get("/attempts/{attempt_id}/files/{name}")
def file_of(
    request: Request,
    attempt_id: AttemptId,
    name: str,
    library: LibraryDep,
    rebuilder: RebuilderDep,
) -> Response:
    """A file of an attempt, made anew first where a correction has left it stale."""
    row = library.attempt(attempt_id)
    folder = library.folder_of(attempt_id)
    if name not in (row.file_name, *FILES, EDITS) or not (folder / name).is_file():
        raise Missing("there is no such file.")
    if name == REPORT:
        ways = within(request, (f"/attempts/{attempt_id}", "Review"))
        return report(folder, ways, _lifted(row, names(library).get(row.athlete_id, "")))
    if name in DERIVED:
        rebuilder.now(attempt_id)
    return FileResponse(folder / name, media_type=type_of(name))


def _lifted(row: AttemptRow, athlete: str) -> str:
    """Who lifted, and when, for a print: `Robin Vale, filmed 28 Nov 2026`."""
    filmed = recorded_words(row.recorded_at)
    when = f"filmed {filmed}" if filmed else f"uploaded {day(row.created_at)}"
    return f"{athlete}, {when}" if athlete else when


@routes.get("/attempts/{attempt_id}/film.mp4")
def film(attempt_id: AttemptId, library: LibraryDep, playables: PlayablesDep) -> Response:
    """The video as every browser can show it; the original where there is no such copy."""
    row = library.attempt(attempt_id)
    shown_as = playables.of(row) or library.folder_of(attempt_id) / row.file_name
    if not shown_as.is_file():
        raise Missing("there is no such file.")
    return FileResponse(shown_as, media_type=type_of(shown_as.name))


@routes.get("/attempts/{attempt_id}/poster.jpg")
def poster(attempt_id: AttemptId, library: LibraryDep) -> Response:
    """A picture of the video."""
    library.attempt(attempt_id)
    file = library.folder_of(attempt_id) / POSTER
    if not file.is_file():
        raise Missing("there is no such file.")
    return FileResponse(file, media_type=type_of(file.name))
