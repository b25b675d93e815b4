"""Who has a passphrase of their own: invited by a coach, chosen by a link, changed by its owner."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from repcount.errors import RepcountError
from repcount.library import people
from repcount.library.rows import PASSPHRASE
from repcount.library.store import Missing
from repcount.web.depends import LibraryDep, RowId, SessionsDep, SettingsDep, TriesDep
from repcount.web.logs import LOG, whose
from repcount.web.pages.answers import shown
from repcount.web.reach import link_part
from repcount.web.review import ERRORS
from repcount.web.roles import AccessDep
from repcount.web.security import (
    PASSPHRASE_BODY,
    TooMany,
    base_of,
    given_passphrase,
    hash_of,
    is_passphrase,
)

routes = APIRouter()
changes = APIRouter(prefix="/api", tags=["people"], responses=ERRORS)
_TEXT = {"content": {"text/plain": {"schema": {"type": "string"}}}}


@routes.get("/people")
def everybody(request: Request, library: LibraryDep) -> HTMLResponse:
    """All people, and the form that invites another."""
    return shown(
        request, "people.html", everybody=people.people(library),
        asked=library.setting(PASSPHRASE) is not None, athletes=library.athletes(),
    )  # fmt: skip


@changes.post("/people", responses={200: _TEXT})
def invite(
    request: Request,
    name: Annotated[str, Form(max_length=200)],
    role: Annotated[Literal["coach", "athlete"], Form()],
    library: LibraryDep,
    settings: SettingsDep,
    access: AccessDep,
) -> Response:
    """Invite somebody; the link is shown once and kept only as a digest. The answer is the link;
    the page, which asks by htmx, gets it as HTML with its QR code."""
    token = people.invite(library, name, role)
    LOG.info("%s invited %s as %s", whose(access.name), whose(name), role)
    link = f"{base_of(request, settings)}join/{token}"
    if "hx-request" not in request.headers:
        return PlainTextResponse(link)
    made = link_part(link, settings.fingerprint, " ".join(name.split()))
    return HTMLResponse(made, headers={"HX-Trigger": "invited"})


@changes.post("/people/{person_id}/delete", status_code=204)
def remove(person_id: RowId, library: LibraryDep, access: AccessDep) -> Response:
    """Let somebody in no longer."""
    people.remove(library, person_id)
    LOG.info("%s removed the person %d", whose(access.name), person_id)
    return Response(status_code=204, headers={"HX-Refresh": "true"})


@routes.get("/join/{token}")
def join_page(request: Request, token: str, library: LibraryDep) -> HTMLResponse:
    """The form where somebody invited chooses a passphrase."""
    return shown(request, "join.html", name=people.invited(library, token).name, said="")


@routes.post("/join/{token}")
async def join(
    request: Request, token: str, library: LibraryDep, sessions: SessionsDep
) -> Response:
    """Keep the passphrase that somebody invited has chosen, and begin a session."""
    person = await run_in_threadpool(people.invited, library, token)
    given = await given_passphrase(request)
    try:
        if given is None:
            raise RepcountError(PASSPHRASE_BODY)
        kept = await run_in_threadpool(hash_of, given[1])
    except RepcountError as error:
        return shown(request, "join.html", 422, name=person.name, said=str(error))
    person_id = await run_in_threadpool(people.accept, library, token, kept)
    LOG.info("%s took an invitation", whose(person.name))
    inside = RedirectResponse("/", 303)
    await run_in_threadpool(sessions.renew, request, inside, person_id)
    return inside


@routes.get("/passphrase")
def own(request: Request, access: AccessDep) -> HTMLResponse:
    """The form where somebody changes a passphrase of their own."""
    if not access.name:
        raise Missing("there is no such page.")
    return shown(request, "passphrase.html")


@changes.post(
    "/passphrase", status_code=204, responses={429: {"description": "too many tries"} | _TEXT}
)
async def change(
    request: Request,
    passphrase: Annotated[str, Form(max_length=1000)],
    chosen: Annotated[str, Form(max_length=1000)],
    library: LibraryDep,
    sessions: SessionsDep,
    tries: TriesDep,
    access: AccessDep,
) -> Response:
    """Change one's own passphrase; every other session of one's own ends."""
    where = request.client.host if request.client else ""
    person = await run_in_threadpool(people.person_named, library, access.name)
    if person is None:
        raise Missing("there is no such page.")
    try:
        async with tries.turn(where):
            right = await run_in_threadpool(is_passphrase, person.passphrase, passphrase)
    except TooMany as error:
        return PlainTextResponse(error.sentence, 429, {"Retry-After": str(error.wait_s)})
    if not right:
        LOG.warning("a passphrase from %s was wrong (%s)", where, whose(access.name))
        return PlainTextResponse("That is not the passphrase.", 403)
    tries.forget(where)
    kept = await run_in_threadpool(hash_of, chosen)
    await run_in_threadpool(people.change, library, person.id, kept)
    LOG.info("%s changed the passphrase from %s", whose(access.name), where)
    answer = Response(status_code=204, headers={"HX-Redirect": "/"})
    await run_in_threadpool(sessions.renew, request, answer, person.id)
    return answer
