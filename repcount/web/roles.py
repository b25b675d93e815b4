"""What somebody who is inside may see and do: a coach everything, an athlete what is the athlete's
own.

One guard stands before every route. An athlete gets through to the routes listed here, to those
about an attempt, an upload or a link that is the athlete's own, and to the reading of a plan that
the athlete may choose; everything else, also what is added later, is answered as if it did not
exist.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request

from repcount.errors import RecordError
from repcount.library.people import named
from repcount.library.rows import AttemptRow, PlanRow, Share, Upload
from repcount.library.store import Library, Missing
from repcount.plan import parse_plan
from repcount.web.depends import LibraryDep
from repcount.web.logs import LOG, one_line, whose
from repcount.web.security import Access

# What holds nothing of others, or shows of them nothing where an athlete asks.
_OPEN = frozenset({
    "/", "/workouts", "/workouts/{workout:path}", "/api/uploads/", "/login", "/logout",
    "/chosen", "/beside", "/plans",
    "/s/{token}/", "/s/{token}/{name}", "/s/{token}/stills/{name}", "/join/{token}", "/passphrase",
    "/api/passphrase",
})  # fmt: skip
# Of a plan, what an athlete who may upload by it may read.
_OF_PLANS = frozenset({"/plans/{plan_id}", "/plans/{plan_id}/card"})
NOTHING = "there is no such page."


def access_of(request: Request) -> Access:
    """Who asks, as the gate has found it."""
    return request.scope["state"]["access"]


AccessDep = Annotated[Access, Depends(access_of)]


def guard(request: Request, access: AccessDep, library: LibraryDep) -> None:
    """Raises Missing where an athlete asks for what is not the athlete's own."""
    path = request.scope["route"].path
    if access.athlete_id is None or path in _OPEN:
        return
    if path in _OF_PLANS and _may_read(library, access, request.path_params["plan_id"]):
        return
    if _owner(library, request.path_params) != access.athlete_id:
        LOG.warning("%s was refused %s", whose(access.name), one_line(request.url.path, 120))
        raise Missing(NOTHING)


def _may_read(library: Library, access: Access, plan_id: str) -> bool:
    return any(str(one.id) == str(plan_id) for one in plans_for(library, access))


def _owner(library: Library, ids: dict[str, str]) -> int | None:
    """The athlete whose attempt, upload or link an address names; None where it is nobody's."""
    with library.session() as session:
        if "upload_id" in ids:
            upload = session.get(Upload, ids["upload_id"])
            return upload.athlete_id if upload else None
        attempt_id = ids.get("attempt_id")
        if "share_id" in ids:
            number = ids["share_id"]
            share = session.get(Share, int(number)) if number.isdecimal() else None
            attempt_id = share.attempt_id if share else None
        row = session.get(AttemptRow, attempt_id) if attempt_id else None
        return row.athlete_id if row else None


def own_attempt(library: Library, access: Access, attempt_id: str) -> AttemptRow:
    """An attempt that somebody may see, where an address names it beside its path. Raises Missing,
    by the same words whether it is another's or nowhere."""
    if access.athlete_id is None:
        return library.attempt(attempt_id)
    with library.session() as session:
        row = session.get(AttemptRow, attempt_id)
    if row is None or row.athlete_id != access.athlete_id:
        raise Missing(NOTHING)
    return row


def plans_for(library: Library, access: Access) -> list[PlanRow]:
    """The plans that somebody may choose for an upload, and read: an athlete those that name no
    other."""
    rows = library.plans()
    if access.athlete_id is None:
        return list(rows)
    return [one for one in rows if parse_plan(one.toml).athlete in (None, access.name)]


def corrector(access: Access, library: Library, given: str) -> str:
    """Who makes a correction: whose session it is. Where that has no name, the name that was
    given. Raises RecordError where none was, or where it is that of somebody with a passphrase."""
    if access.name:
        return access.name
    with library.session() as session:
        if named(session, given) is not None:
            raise RecordError(
                f"{given} has a passphrase of their own; log in with it to correct by that name."
            )
    return given
