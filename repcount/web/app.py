"""The application: settings in, an ASGI application out."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, PlainTextResponse, Response
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles

import repcount
from repcount.errors import RepcountError
from repcount.library.copies import Copies
from repcount.library.store import Conflict, Library, Missing
from repcount.reports.pages import ASSETS
from repcount.web import actions, pages, review, tus
from repcount.web.queue import Queue
from repcount.web.rebuild import Rebuilder
from repcount.web.security import Gate, Sessions
from repcount.web.settings import Settings
from repcount.web.templates import page

STATIC = Path(str(files("repcount.web"))) / "static"


def create_app(settings: Settings | None = None) -> FastAPI:
    """An application over the library that the settings name; its queue runs while it is served."""
    settings = settings or Settings()
    library = Library(settings.data)
    queue, rebuilder = Queue(library, settings), Rebuilder(library)
    sessions, copies = Sessions(library, settings), Copies(library)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        queue.start()
        rebuilder.start()
        yield
        rebuilder.stop()
        queue.stop()
        library.close()

    app = FastAPI(
        title="repcount",
        version=repcount.__version__,
        description="Uploads, reviews and plans of a library. Errors are sentences in plain text.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.state.library, app.state.queue, app.state.sessions = library, queue, sessions
    app.include_router(tus.router(library, queue, settings))
    app.include_router(review.router(library, rebuilder))
    app.include_router(actions.router(library, queue, rebuilder, copies))
    app.include_router(pages.router(library, queue, rebuilder, settings, sessions, copies))

    @app.get("/static/report.css", include_in_schema=False)
    def report_css() -> FileResponse:
        return FileResponse(ASSETS / "report.css", media_type="text/css")

    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(Gate, settings=settings, sessions=sessions)

    def answer(request: Request, sentence: str, status: int) -> Response:
        """A sentence: as a page where a person opened an address, plain where a script asked."""
        sentence = sentence[:1].upper() + sentence[1:]
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            access = request.scope["state"]["access"]
            html = page(
                "said.html", said=sentence, token=access.token, login=access.inside, path=""
            )
            return Response(html, status, media_type="text/html")
        return PlainTextResponse(sentence, status)

    @app.exception_handler(RepcountError)
    def refused(request: Request, error: RepcountError) -> Response:
        status = 404 if isinstance(error, Missing) else 409 if isinstance(error, Conflict) else 422
        return answer(request, str(error), status)

    @app.exception_handler(RequestValidationError)
    def malformed(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        if first["loc"][0] == "path" and request.method == "GET":
            return answer(request, "there is no such page.", 404)
        return answer(request, f"{where}: {first['msg']}.", 422)

    @app.exception_handler(HTTPException)
    def other(request: Request, error: HTTPException) -> Response:
        said = {404: "there is no such page.", 405: "that cannot be done here."}
        made = answer(request, said.get(error.status_code, str(error.detail)), error.status_code)
        made.headers.update(error.headers or {})
        return made

    return app
