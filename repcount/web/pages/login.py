"""Where the passphrase is given, and how a session is ended."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from repcount.library.people import people, person_named
from repcount.library.rows import PASSPHRASE
from repcount.library.store import Library
from repcount.web.depends import LibraryDep, SessionsDep, TriesDep
from repcount.web.logs import LOG, whose
from repcount.web.pages.answers import shown
from repcount.web.roles import access_of
from repcount.web.security import PASSPHRASE_BODY, TooMany, given_passphrase, is_passphrase

routes = APIRouter()


@routes.get("/login")
def login_page(request: Request, library: LibraryDep) -> Response:
    """The form for the passphrase."""
    if access_of(request).let_in:
        return RedirectResponse("/", 303)
    return _form(request, library)


@routes.post("/login")
async def login(
    request: Request, library: LibraryDep, sessions: SessionsDep, tries: TriesDep
) -> Response:
    """Begin a session, if it is the right passphrase: the library's, or with a name the
    person's."""
    where = request.client.host if request.client else ""
    given = await given_passphrase(request)
    if given is None:
        return await run_in_threadpool(_form, request, library, 413, PASSPHRASE_BODY)
    person_id, kept = await run_in_threadpool(_kept, library, given[0])
    try:
        async with tries.turn(where):
            right = await run_in_threadpool(is_passphrase, kept, given[1])
    except TooMany as error:
        LOG.warning("too many passphrases from %s", where)
        answer = await run_in_threadpool(_form, request, library, 429, error.sentence)
        answer.headers["Retry-After"] = str(error.wait_s)
        return answer
    if not right:  # by the same words, whether the name or the passphrase is wrong
        LOG.warning("a passphrase from %s was wrong (%s)", where, whose(given[0]))
        said = "That is not the passphrase."
        return await run_in_threadpool(_form, request, library, 403, said)
    tries.forget(where)
    LOG.info("%s came in from %s", whose(given[0]), where)
    inside = RedirectResponse("/", 303)
    await run_in_threadpool(sessions.renew, request, inside, person_id)
    return inside


def _kept(library: Library, name: str) -> tuple[int | None, str | None]:
    """Id and hash of the person of a name; without a name, the library's own hash."""
    if not name:
        return None, library.setting(PASSPHRASE)
    person = person_named(library, name)
    return (person.id, person.passphrase) if person else (None, None)


def _form(request: Request, library: Library, status: int = 200, said: str = "") -> HTMLResponse:
    return shown(request, "login.html", status, said=said, by_name=bool(people(library)))


@routes.post("/logout")
def logout(request: Request, sessions: SessionsDep) -> Response:
    """End the session."""
    LOG.info("%s went out", whose(access_of(request).name))
    sessions.end(request.cookies.get(sessions.name))
    left = {"HX-Redirect": "/login", "Clear-Site-Data": '"cache", "storage"'}
    answer = Response(status_code=204, headers=left)
    answer.delete_cookie(
        sessions.name, path="/", secure=sessions.secure, httponly=True, samesite="strict"
    )
    return answer
