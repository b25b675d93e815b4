"""The application: settings in, an ASGI application out."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, PlainTextResponse, Response
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles

import repcount
from repcount.errors import RepcountError, StorageError, storage_error
from repcount.library.copies import Copies
from repcount.library.opening import refusal
from repcount.library.overlays import Overlays
from repcount.library.playable import Playables
from repcount.library.store import Conflict, Library, Missing
from repcount.reports.pages import ASSETS
from repcount.web import actions, pages, plan_outlook, review, tus
from repcount.web.pages import people
from repcount.web.pages.answers import frame
from repcount.web.queue import Queue
from repcount.web.rebuild import Rebuilder
from repcount.web.roles import guard
from repcount.web.security import Attempts, Gate, Sessions
from repcount.web.settings import Settings
from repcount.web.templates import page

STATIC = Path(str(files("repcount.web"))) / "static"


def create_app(settings: Settings | None = None) -> FastAPI:
    """An application over the library that the settings name; its queue runs while it is served."""
    settings = settings or Settings()
    app = FastAPI(
        title="repcount",
        version=repcount.__version__,
        description="Uploads, reviews and plans of a library. Errors are sentences in plain text.",
        lifespan=_lifespan,
        docs_url=None,
        redoc_url=None,
    )
    library = Library(settings.data)
    sessions = Sessions(library, settings)
    # what `repcount.web.depends` gives to the handlers
    app.state.settings, app.state.library, app.state.sessions = settings, library, sessions
    app.state.playables, app.state.overlays = Playables(library), Overlays(library)
    app.state.makers = (app.state.playables, app.state.overlays)
    app.state.rebuilder = Rebuilder(library)
    app.state.queue = Queue(library, settings, app.state.playables.offer)
    app.state.copies, app.state.tries, app.state.busy = Copies(library), Attempts(), set[str]()
    apis = (tus.routes, review.routes, plan_outlook.routes, actions.routes, people.changes)
    for routes in (*apis, pages.following.api, pages.routes):
        app.include_router(routes, dependencies=[Depends(guard)])
    app.add_api_route("/static/menu.css", _menu_css, include_in_schema=False)
    app.add_api_route("/static/report.css", _report_css, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(Gate, settings=settings, sessions=sessions)
    app.exception_handler(tus.Refused)(tus.refused)
    app.exception_handler(RepcountError)(_refused)
    app.exception_handler(OSError)(_storage)
    app.exception_handler(SQLAlchemyError)(_database)
    app.exception_handler(RequestValidationError)(_malformed)
    app.exception_handler(HTTPException)(_other)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    app.state.queue.start()
    app.state.rebuilder.start()
    for maker in app.state.makers:
        maker.start()
    yield
    for maker in app.state.makers:
        maker.stop()
    app.state.rebuilder.stop()
    app.state.queue.stop()
    app.state.library.close()


def _menu_css() -> FileResponse:
    return FileResponse(ASSETS / "menu.css", media_type="text/css")


def _report_css() -> FileResponse:
    return FileResponse(ASSETS / "report.css", media_type="text/css")


def _answer(request: Request, sentence: str, status: int) -> Response:
    """A sentence: as a page where a person opened an address, plain where a script asked."""
    sentence = sentence[:1].upper() + sentence[1:]
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        html = page("said.html", said=sentence, path="", **frame(request))
        return Response(html, status, media_type="text/html")
    return PlainTextResponse(sentence, status)


def _refused(request: Request, error: RepcountError) -> Response:
    status = 404 if isinstance(error, Missing) else 409 if isinstance(error, Conflict) else 422
    if isinstance(error, StorageError):
        status = 507 if error.full else 503
    # where the library lies is not told to whoever asks
    said = str(error).replace(f"{request.app.state.library.folder}/", "")
    return _answer(request, said, status)


def _storage(request: Request, error: OSError) -> Response:
    """The disk refuses; where it lies is not told to whoever asks."""
    error.filename = None
    return _refused(request, storage_error(error))


def _database(request: Request, error: SQLAlchemyError) -> Response:
    return _refused(request, refusal(error))


def _malformed(request: Request, error: RequestValidationError) -> Response:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
    if first["loc"][0] == "path" and request.method == "GET":
        return _answer(request, "there is no such page.", 404)
    return _answer(request, f"{where}: {first['msg']}.", 422)


def _other(request: Request, error: HTTPException) -> Response:
    said = {404: "there is no such page.", 405: "that cannot be done here."}
    made = _answer(request, said.get(error.status_code, str(error.detail)), error.status_code)
    made.headers.update(error.headers or {})
    return made
