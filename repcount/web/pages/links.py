"""What a link shows to whoever has it: one attempt to be looked at, and a copy of its video."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse, HTMLResponse
from sqlalchemy import select

from repcount.library.rows import AttemptRow, Share, now
from repcount.library.store import Library, Missing
from repcount.pipeline.results import REPORT, load_results
from repcount.reports.pages import Back
from repcount.reports.trace_chart import curves
from repcount.web.actions import digest_of
from repcount.web.depends import CopiesDep, LibraryDep, OverlaysDep, PlayablesDep
from repcount.web.pages.answers import CLIP_NAME, coded_as, handed_out, report, still_of, type_of
from repcount.web.review import panel, result
from repcount.web.templates import page

routes = APIRouter()


@routes.get("/s/{token}/")
def shared_page(
    request: Request, token: str, library: LibraryDep, overlays: OverlaysDep
) -> Response:
    """The attempt that a link leads to, to be looked at."""
    row = _shared(library, token)
    folder = library.folder_of(row.id)
    results = load_results(folder)
    html = page(
        "review.html", shared=True, row=row, athlete="",
        path=request.url.path, login=False, token="", video=f"./{row.file_name}", poster="",
        result=result(folder, results, "./", shared=True), panel=panel(results, shared=True),
        curves=curves(results.attempt.trace),
        coded_as=coded_as(results.attempt), looks_like="",
        overlay=CLIP_NAME if overlays.of(row) else "",
    )  # fmt: skip
    return HTMLResponse(html)


@routes.get("/s/{token}/stills/{name}")
def shared_still(token: str, name: str, library: LibraryDep) -> Response:
    """A still of it."""
    return still_of(library.folder_of(_shared(library, token).id), name)


@routes.get("/s/{token}/{name}")
def shared_file(
    token: str,
    name: str,
    library: LibraryDep,
    copies: CopiesDep,
    playables: PlayablesDep,
    overlays: OverlaysDep,
) -> Response:
    """The copy of the video that goes with it, the one that every browser can show where there is
    one; the one with the reading drawn in, while it shows what the page says; and the report to
    print."""
    row = _shared(library, token)
    if name == REPORT:
        return report(library.folder_of(row.id), Back([("./", "Attempt")]), shared=True)
    if name == CLIP_NAME:
        return handed_out(overlays.of(row))
    if name != row.file_name:
        raise Missing("there is no such file.")
    if (playable := playables.of(row)) is not None:
        return FileResponse(playable, media_type="video/mp4")
    return FileResponse(copies.of(row), media_type=type_of(name))


def _shared(library: Library, token: str) -> AttemptRow:
    """The attempt that a link leads to. Missing if there is none, its
    time is over, or it is not read yet."""
    with library.session() as session:
        found = session.scalar(
            select(AttemptRow)
            .join(Share, Share.attempt_id == AttemptRow.id)
            .where(Share.digest == digest_of(token), Share.expires_at > now())
        )
    if found is None:
        raise Missing("this link leads nowhere: it has ended, or was copied only in part.")
    if found.state != "done":
        raise Missing("this attempt is not read yet; come back later.")
    return found
