"""What a link shows to whoever has it: the report of one attempt, and a copy of its video."""

from __future__ import annotations

import mimetypes

from fastapi import APIRouter, Response
from fastapi.responses import FileResponse
from sqlalchemy import select

from repcount.library.rows import AttemptRow, Share, now
from repcount.library.store import Library, Missing
from repcount.web.actions import digest_of
from repcount.web.depends import CopiesDep, LibraryDep, PlayablesDep
from repcount.web.pages.answers import BYTES, report

routes = APIRouter()


@routes.get("/s/{token}/")
def shared_page(token: str, library: LibraryDep) -> Response:
    """The report that a link leads to."""
    row = _shared(library, token)
    if row.state != "done":
        raise Missing("this attempt is not read yet; come back later.")
    return report(library.folder_of(row.id))


@routes.get("/s/{token}/{name}")
def shared_file(
    token: str, name: str, library: LibraryDep, copies: CopiesDep, playables: PlayablesDep
) -> Response:
    """The copy of the video that goes with it: the one that every browser can show, where there is
    one."""
    row = _shared(library, token)
    if name != row.file_name:
        raise Missing("there is no such file.")
    if (shown := playables.of(row)) is not None:
        return FileResponse(shown, media_type="video/mp4")
    return FileResponse(copies.of(row), media_type=mimetypes.guess_type(name)[0] or BYTES)


def _shared(library: Library, token: str) -> AttemptRow:
    """The attempt that a link leads to. Missing if there is none or its time is over."""
    with library.session() as session:
        found = session.scalar(
            select(AttemptRow)
            .join(Share, Share.attempt_id == AttemptRow.id)
            .where(Share.digest == digest_of(token), Share.expires_at > now())
        )
    if found is None:
        raise Missing("this link leads nowhere: it has ended, or was copied only in part.")
    return found
