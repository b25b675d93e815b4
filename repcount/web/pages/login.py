"""Where the passphrase is given, and how a session is ended."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from repcount.web.depends import LibraryDep, SessionsDep, TriesDep
from repcount.web.pages.answers import shown
from repcount.web.security import TooMany, given_passphrase, is_passphrase

routes = APIRouter()


@routes.get("/login")
def login_page(request: Request) -> Response:
    """The form for the passphrase."""
    if request.scope["state"]["access"].let_in:
        return RedirectResponse("/", 303)
    return shown(request, "login.html", said="")


@routes.post("/login")
async def login(
    request: Request, library: LibraryDep, sessions: SessionsDep, tries: TriesDep
) -> Response:
    """Begin a session, if it is the right passphrase."""
    where = request.client.host if request.client else ""
    given = await given_passphrase(request)
    if given is None:
        return shown(request, "login.html", 413, said="That is too much for a passphrase.")
    try:
        async with tries.turn(where):
            right = await run_in_threadpool(is_passphrase, library, given)
    except TooMany as error:
        minutes = (error.wait_s + 59) // 60
        answer = shown(
            request, "login.html", 429,
            said=f"Too many tries; wait {minutes} minute{'' if minutes == 1 else 's'}.",
        )  # fmt: skip
        answer.headers["Retry-After"] = str(error.wait_s)
        return answer
    if not right:
        return shown(request, "login.html", 403, said="That is not the passphrase.")
    tries.forget(where)
    inside = RedirectResponse("/", 303)
    sessions.put(inside, await run_in_threadpool(sessions.begin))
    return inside


@routes.post("/logout")
def logout(request: Request, sessions: SessionsDep) -> Response:
    """End the session."""
    sessions.end(request.cookies.get(sessions.name))
    answer = Response(status_code=204, headers={"HX-Redirect": "/login"})
    answer.delete_cookie(
        sessions.name, path="/", secure=sessions.secure, httponly=True, samesite="strict"
    )
    return answer
