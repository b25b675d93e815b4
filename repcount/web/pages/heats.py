"""Pages of heats that were saved."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import FileResponse, HTMLResponse

from repcount.attempt.records import load_record
from repcount.heat.collect import FILES, PAGE, RECORD
from repcount.heat.records import Heat
from repcount.library.store import Library, Missing
from repcount.web.depends import AttemptId, LibraryDep
from repcount.web.pages.answers import heat_sheet, shown, type_of, within

routes = APIRouter()


@routes.get("/heats")
def heats(request: Request, library: LibraryDep) -> HTMLResponse:
    """All heats."""
    return shown(request, "heats.html", heats=library.heats(), files=FILES)


@routes.get("/heats/{heat_id}")
def heat(request: Request, heat_id: AttemptId, library: LibraryDep) -> Response:
    """A heat."""
    return _page(request, _file(library, heat_id, RECORD))


@routes.get("/heats/{heat_id}/files/{name}")
def file_of_heat(request: Request, heat_id: AttemptId, name: str, library: LibraryDep) -> Response:
    """A file of a heat."""
    file = _file(library, heat_id, name)
    if name == PAGE:
        return _page(request, _file(library, heat_id, RECORD))
    return FileResponse(file, media_type=type_of(name))


def _page(request: Request, record: Path) -> HTMLResponse:
    return heat_sheet(load_record(Heat, record), within(request, ("/heats", "Heats")))


def _file(library: Library, heat_id: str, name: str) -> Path:
    file = library.heat_folder(heat_id) / name
    if name not in FILES or not file.is_file():
        raise Missing("there is no such heat; it may have been deleted.")
    return file
