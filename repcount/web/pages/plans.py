"""Pages of plans: all of them, one to be written, its card."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.library.rows import PlanRow
from repcount.library.store import Library
from repcount.plan import Plan, parse_plan
from repcount.plan.break_rules import USUAL_BREAK_S
from repcount.plan.clock_card import clock_card
from repcount.plan.propose import Proposal
from repcount.plan.working_load import CAUTIONS
from repcount.reports.after import chosen_from, plan_parts
from repcount.reports.card import card_page
from repcount.web.depends import LibraryDep, RowId
from repcount.web.pages.answers import SCRIPT, sheet, shown, within
from repcount.web.plan_form import (
    FEW_MOVEMENTS,
    LABELS,
    MOST_MOVEMENTS,
    PlanForm,
    form_of,
    has_own_rounds,
    in_short,
    kept,
)
from repcount.web.plan_text import EXAMPLE, time_text
from repcount.web.roles import AccessDep, plans_for
from repcount.web.security import Access
from repcount.wording.numbers import clock, load

# What is cycled for time most; offered first (common practice, no source).
COMMON = (
    "deadlift", "power clean", "hang power clean", "power snatch", "push press", "push jerk",
    "shoulder to overhead", "front squat", "thruster",
)  # fmt: skip

routes = APIRouter()


@routes.get("/plans")
def plans(request: Request, library: LibraryDep, access: AccessDep) -> HTMLResponse:
    """All plans, or those that the athlete who asks may choose."""
    rows = plans_for(library, access)
    said = {one.id: in_short(one.toml) for one in rows}
    return shown(request, "plans.html", plans=rows, said=said)


@routes.get("/plans/new")
def new_plan(request: Request, library: LibraryDep, text: bool = False) -> HTMLResponse:
    """A new plan, to be written in fields or as text."""
    return _written(request, library, None, text=text)


@routes.get("/plans/{plan_id}")
def plan(
    request: Request,
    plan_id: RowId,
    library: LibraryDep,
    access: AccessDep,
    text: bool = False,
    kept: Annotated[
        str,
        Query(pattern="^([0-9a-f]{16})?$", description="id of the attempt that it was kept after"),
    ] = "",
) -> HTMLResponse:
    """A plan, to be changed in fields or as text; an athlete reads it."""
    row = library.plan(plan_id)
    if not access.coach:
        return _read(request, library, row, access)
    return _written(request, library, row, text=text, kept_after=kept)


@routes.get("/plans/{plan_id}/card")
def card(request: Request, plan_id: RowId, library: LibraryDep) -> Response:
    """A plan's card to print."""
    row = library.plan(plan_id)
    made = parse_plan(row.toml)
    one = Proposal(
        plan=made,
        card=clock_card(made),
        chosen="as written in the plan",
        patterns=[],
    )
    back = within(request, (f"/plans/{row.id}", row.name))
    return sheet(card_page([one], back, SCRIPT), scripted=True)


def _rounds(plan: Plan | None) -> list[list[tuple[str, int]]]:
    """Movements and reps of each round, for the page's beads."""
    rounds = plan.rounds if plan else []
    return [[(part.movement, part.reps) for part in one.movements] for one in rounds]


def _read(request: Request, library: Library, row: PlanRow, access: Access) -> HTMLResponse:
    """A plan as an athlete reads it."""
    made, after = parse_plan(row.toml), row.kept_after
    total_s, load_kg = made.planned_total_s, made.workout.load_kg
    head = [f"planned {clock(total_s)}"] if total_s is not None else []
    head += [load(load_kg)] if load_kg else []
    own = {one.id for one in library.attempts(athlete_id=access.athlete_id)}
    return shown(
        request, "plan_read.html", row=row, made=made, head=head, said=in_short(row.toml),
        cautions=CAUTIONS, kept_after=after if after in own else "", **plan_parts(made),
    )  # fmt: skip


def _written(
    request: Request, library: Library, row: PlanRow | None, *, text: bool, kept_after: str = ""
) -> HTMLResponse:
    """A plan to be written: a new one, or one that is changed, in fields or as text. `kept_after`
    is the id of the attempt after which it was kept a moment ago."""
    made = parse_plan(row.toml) if row else None
    used = len(made.rounds[0].movements) + 1 if made else 0
    return shown(
        request, "plan.html", row=row, text=text, movements=MOVEMENT_NAMES, common=COMMON,
        labels=LABELS, example=EXAMPLE, form=form_of(made) if made else PlanForm(),
        kept=kept(made, row.toml) if made and row else [], kept_after=kept_after,
        athlete=made.athlete if made else None,
        own_rounds=made is not None and has_own_rounds(made),
        rounds_json=json.dumps(_rounds(made)), usual_break=time_text(USUAL_BREAK_S),
        rows=min(MOST_MOVEMENTS, max(FEW_MOVEMENTS, used)), athletes=library.athletes(),
        chosen=chosen_from(made) if made else "", total=made.planned_total_s if made else None,
        card=made is not None and made.planned_total_s is not None,
    )  # fmt: skip
