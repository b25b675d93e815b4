"""What forms and buttons ask for: attempts, athletes, plans, share links. Answers are for htmx: a
place to go to, or a sentence to show where it was asked."""

from __future__ import annotations

import asyncio
import hashlib
import json
import secrets
from collections.abc import AsyncIterator, Sequence
from contextlib import suppress
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, StreamingResponse

from repcount.errors import PlanError, RecordError
from repcount.library.belonging import set_athlete, set_plan
from repcount.library.making import Maker, Standing
from repcount.library.rows import AttemptRow, Share, now
from repcount.library.store import Library, Missing
from repcount.library.tidying import drop_copies
from repcount.pipeline.results import RECOGNISED
from repcount.plan import load_plan, parse_plan
from repcount.plan.propose import slow_rounds
from repcount.web.depends import (
    AttemptId,
    CopiesDep,
    LibraryDep,
    MakersDep,
    OverlaysDep,
    PlayablesDep,
    QueueDep,
    RebuilderDep,
    RowId,
    SettingsDep,
)
from repcount.web.plan_form import (
    Fault,
    PlanFaults,
    PlanForm,
    breaks_in_all,
    over_cap,
    toml_of,
    with_athlete,
)
from repcount.web.queue import Queue
from repcount.web.reach import link_part
from repcount.web.rebuild import Rebuilder
from repcount.web.review import ERRORS
from repcount.web.roles import AccessDep, plans_for
from repcount.web.security import base_of
from repcount.wording import plural
from repcount.wording.numbers import clock

_EVERY_S = 0.5
# An event as a reader of the stream gets it: its data, which is JSON.
_EVENT = {"type": "object", "properties": {"data": {"type": "string"}}, "required": ["data"]}
_STREAM: dict[int | str, dict[str, object]] = {
    200: {"content": {"text/event-stream": {"schema": _EVENT}}}
}
_TEXT: dict[int | str, dict[str, object]] = {
    200: {"content": {"text/plain": {"schema": {"type": "string"}}}}
}

routes = APIRouter(prefix="/api", tags=["library"], responses=ERRORS)


@routes.get("/attempts/{attempt_id}/events", responses=_STREAM)
async def events(
    attempt_id: AttemptId,
    library: LibraryDep,
    queue: QueueDep,
    once: Annotated[bool, Query(description="the first only")] = False,
) -> StreamingResponse:
    """Where an analysis stands, as server-sent events until it is over."""
    await asyncio.to_thread(library.attempt, attempt_id)
    stream = _standings(attempt_id, library, queue, once=once)
    return StreamingResponse(stream, media_type="text/event-stream")


@routes.post("/attempts/{attempt_id}/cancel", status_code=204)
def cancel(attempt_id: AttemptId, queue: QueueDep) -> Response:
    """Stop an analysis."""
    queue.cancel(attempt_id)
    return _go("/")


@routes.post("/attempts/{attempt_id}/again", status_code=204)
def again(attempt_id: AttemptId, queue: QueueDep) -> Response:
    """Start a stopped or failed analysis again."""
    queue.again(attempt_id)
    return _go(f"/attempts/{attempt_id}")


@routes.post("/attempts/{attempt_id}/keep-plan", status_code=204)
def keep_plan(attempt_id: AttemptId, library: LibraryDep) -> Response:
    """Keep the workout that an attempt was recognised as among the plans, once; its form is shown,
    to name it and to give the load."""
    row = library.attempt(attempt_id)
    file = library.folder_of(attempt_id) / RECOGNISED
    if not file.is_file():
        raise Missing("no workout was recognised in this attempt.")
    load_plan(file)  # in one sentence, where a reading has left something else
    whose = next((one.name for one in library.athletes() if one.id == row.athlete_id), "")
    toml = with_athlete(file.read_text(encoding="utf-8-sig"), whose)
    kept = next((one.id for one in library.plans() if one.toml == toml), None)
    return _go(f"/plans/{library.put_plan(toml) if kept is None else kept}")


@routes.post("/attempts/{attempt_id}/belongs", status_code=204)
def belongs(
    attempt_id: AttemptId,
    library: LibraryDep,
    queue: QueueDep,
    rebuilder: RebuilderDep,
    overlays: OverlaysDep,
    access: AccessDep,
    athlete: Annotated[str, Form(pattern="^[0-9]{0,9}$", description="an id; empty: nobody")] = "",
    plan: Annotated[str, Form(pattern="^(same|none|[0-9]{1,9})$", description="an id")] = "same",
) -> Response:
    """Say whose an attempt is and which plan it was for; with another plan it is read anew. An
    athlete's own stays the athlete's."""
    toml = None
    if plan not in ("same", "none"):
        toml = next((one.toml for one in plans_for(library, access) if one.id == int(plan)), None)
        if toml is None:
            raise Missing("there is no such plan.")
    if access.athlete_id is None:
        set_athlete(library, attempt_id, int(athlete) if athlete else None)
    if plan != "same":
        rebuilder.forget(attempt_id)
        overlays.forget(attempt_id)
        set_plan(library, attempt_id, toml)
        queue.wake()
    return _go(f"/attempts/{attempt_id}")


@routes.post("/attempts/{attempt_id}/playable")
def playable(attempt_id: AttemptId, library: LibraryDep, playables: PlayablesDep) -> Standing:
    """Have a copy made that every browser can show; where it stands."""
    return playables.ask(library.attempt(attempt_id))


@routes.post("/attempts/{attempt_id}/overlay")
def overlay(
    attempt_id: AttemptId,
    library: LibraryDep,
    overlays: OverlaysDep,
    response: Response,
    faces: Annotated[
        Literal["none", "others", "all"], Form(description="whose are made unreadable")
    ] = "none",
) -> Standing:
    """Have the video made with the reading drawn in, as it is now; where it stands. The page, which
    asks by htmx, shows it in a part of its own."""
    response.headers["HX-Trigger"], response.headers["HX-Reswap"] = "overlay", "none"
    return overlays.ask(library.attempt(attempt_id), faces)


@routes.post("/attempts/{attempt_id}/delete", status_code=204)
def delete(
    attempt_id: AttemptId,
    library: LibraryDep,
    queue: QueueDep,
    rebuilder: RebuilderDep,
    makers: MakersDep,
) -> Response:
    """Delete an attempt for good."""
    row = library.attempt(attempt_id)
    _leave(row, queue, rebuilder, makers)
    library.delete(attempt_id)
    return _go("/")


@routes.post("/attempts/delete", status_code=204)
def delete_chosen(
    with_: Annotated[list[str], Form(alias="with", max_length=1000)],
    library: LibraryDep,
    queue: QueueDep,
    rebuilder: RebuilderDep,
    makers: MakersDep,
) -> Response:
    """Delete several attempts for good; none where one of them is not there."""
    for row in [library.attempt(one) for one in dict.fromkeys(with_)]:
        _leave(row, queue, rebuilder, makers)
        library.delete(row.id)
    return Response(status_code=204, headers={"HX-Refresh": "true"})


@routes.post("/attempts/{attempt_id}/shares", responses=_TEXT)
def share(
    request: Request,
    attempt_id: AttemptId,
    library: LibraryDep,
    copies: CopiesDep,
    settings: SettingsDep,
    days: Annotated[int, Form(ge=1, le=365)] = 7,
) -> Response:
    """Make a read-only link to one attempt; it is shown once and kept only as a digest. Its
    video is a copy without place and device; where there can be none, there is no link. The answer
    is the link; the pages, which ask by htmx, get it as HTML with its QR code and how far it
    reaches."""
    copies.of(library.attempt(attempt_id))
    token = secrets.token_urlsafe(32)
    with library.session() as session:
        session.add(
            Share(
                digest=digest_of(token), attempt_id=attempt_id, created_at=now(),
                expires_at=now() + days * 86_400,
            )
        )  # fmt: skip
    link = f"{base_of(request, settings)}s/{token}/"
    if "hx-request" not in request.headers:
        return PlainTextResponse(link)
    return HTMLResponse(link_part(link, settings.fingerprint))


@routes.post("/shares/{share_id}/delete", status_code=204)
def revoke(share_id: RowId, library: LibraryDep) -> Response:
    """End a link."""
    with library.session() as session:
        found = session.get(Share, share_id)
        if found is None:
            raise Missing("there is no such link; it may have been ended already.")
        session.delete(found)
    drop_copies(library)
    return Response(status_code=204, headers={"HX-Refresh": "true"})


@routes.post("/athletes", status_code=204)
def add_athlete(name: Annotated[str, Form(max_length=200)], library: LibraryDep) -> Response:
    """Add an athlete."""
    return _go(f"/athletes/{library.athlete_named(name)}")


@routes.post("/athletes/{athlete_id}/delete", status_code=204)
def delete_athlete(
    athlete_id: RowId,
    library: LibraryDep,
    queue: QueueDep,
    rebuilder: RebuilderDep,
    makers: MakersDep,
) -> Response:
    """Delete an athlete and all of the athlete's attempts."""
    for row in library.attempts(athlete_id=athlete_id):
        _leave(row, queue, rebuilder, makers)
    library.delete_athlete(athlete_id)
    return _go("/athletes")


@routes.post("/heats/{heat_id}/delete", status_code=204)
def delete_heat(heat_id: AttemptId, library: LibraryDep) -> Response:
    """Delete a heat for good."""
    library.delete_heat(heat_id)
    return _go("/heats")


@routes.post("/plans/check", responses=_TEXT)
def check(
    form: Annotated[PlanForm, Form()],
    library: LibraryDep,
    changes: Annotated[int | None, Query(ge=1, le=2**31, description="id of a plan")] = None,
) -> PlainTextResponse:
    """What is wrong with a plan as it stands, or what it comes to; see `at_fields`. Advice on
    rounds that leave more time than reps take is for those that are changed here: a plan that was
    kept after an attempt has the times of its athlete."""
    base = library.plan(changes).toml if changes is not None else None
    try:
        plan = parse_plan(toml_of(form, base), "The plan")
    except PlanFaults as found:
        return at_fields(str(found), found.faults)
    except PlanError as error:
        return at_fields(str(error))
    if too_long := over_cap(plan):
        return at_fields(too_long)
    reps = sum(one.reps for one in plan.rounds)
    total = plan.planned_total_s
    planned = f", planned {clock(total)}" if total is not None else ", no round times"
    fits = (
        "Complete: an unbroken test, as many reps as there are" + planned + "."
        if plan.workout.to_max
        else f"Complete: {plural(len(plan.rounds), 'round')}, {plural(reps, 'rep')} in all, "
        f"{breaks_in_all(plan)}{planned}."
    )
    kept = slow_rounds(parse_plan(base)) if base else []
    return at_fields(" ".join([fits, *(one for one in slow_rounds(plan) if one not in kept)]))


@routes.post("/plans", status_code=204)
def add_plan(form: Annotated[PlanForm, Form()], library: LibraryDep) -> Response:
    """Keep a new plan."""
    try:
        toml = toml_of(form)
    except PlanFaults as found:
        return at_fields(f"Not saved. {found}", found.faults, 422)
    kept = library.put_plan(toml)
    _its_athlete(library, toml)
    return _go(f"/plans/{kept}")


def _its_athlete(library: Library, toml: str) -> None:
    """Whose plan it is, is one of the athletes, as an upload has it."""
    if name := parse_plan(toml).athlete:
        library.athlete_named(name)


@routes.post("/plans/{plan_id}", status_code=204)
def change_plan(
    plan_id: RowId,
    form: Annotated[PlanForm, Form()],
    version: Annotated[int, Query(ge=1)],
    library: LibraryDep,
) -> Response:
    """Change a plan that is still as it was when the page was opened."""
    base = library.plan(plan_id).toml
    try:
        toml = toml_of(form, base)
    except PlanFaults as found:
        return at_fields(f"Not saved. {found}", found.faults, 422)
    library.put_plan(toml, plan_id, version)
    _its_athlete(library, toml)
    return _go(f"/plans/{plan_id}{'?text=1' if form.toml.strip() else ''}")


@routes.post("/plans/{plan_id}/delete", status_code=204)
def delete_plan(plan_id: RowId, library: LibraryDep) -> Response:
    """Delete a plan; attempts keep their copy."""
    library.delete_plan(plan_id)
    return _go("/plans")


def _go(to: str) -> Response:
    return Response(status_code=204, headers={"HX-Redirect": to})


def _leave(row: AttemptRow, queue: Queue, rebuilder: Rebuilder, makers: Sequence[Maker]) -> None:
    """Let nobody write into the folder of an attempt that is about to be deleted."""
    with suppress(RecordError):  # it is over
        queue.cancel(row.id)
    rebuilder.forget(row.id)
    for maker in makers:
        maker.forget(row.id)


async def _standings(
    attempt_id: str, library: Library, queue: Queue, *, once: bool
) -> AsyncIterator[str]:
    """Server-sent events that say where an analysis stands, until it is over."""
    while True:
        try:
            row = await asyncio.to_thread(library.attempt, attempt_id)
        except Missing:
            return
        yield f"data: {json.dumps(standing(row, queue))}\n\n"
        if once or row.state not in ("waiting", "running"):
            return
        await asyncio.sleep(_EVERY_S)


def at_fields(text: str, faults: Sequence[Fault] = (), status: int = 200) -> PlainTextResponse:
    """A text for the whole form; what is wrong at which field goes with it as htmx's event
    `plan-faults`, which the form's script shows there."""
    event = json.dumps({"plan-faults": {"fields": {one.field: one.said for one in faults}}})
    return PlainTextResponse(text, status, headers={"HX-Trigger": event})


def standing(row: AttemptRow, queue: Queue) -> dict[str, object]:
    """An attempt's state for the pages' scripts: fraction done, seconds left, None if not known."""
    one = queue.running.get(row.id)
    fraction, left_s = one.now() if one else (None, None)
    return {"state": row.state, "message": row.message, "fraction": fraction, "left_s": left_s}


def digest_of(token: str) -> str:
    """What is kept of a link's token."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
