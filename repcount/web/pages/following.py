"""What follows an attempt: what to change, the new plan and its card, and forecasts with live
figures. What `repcount next` and `repcount forecast` can, by the same functions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, ConfigDict, Field

from repcount.analysis.candidates import (
    CHANGED,
    NEW,
    THE_PLAN,
    as_kept,
    candidates,
    kilograms_of,
)
from repcount.analysis.forecast import Filmed, Ranking, rank_plans, read_attempts
from repcount.analysis.next_plan import NextPlan, as_done, decide_next
from repcount.errors import PlanError
from repcount.library.rows import AttemptRow, PlanRow, doubles
from repcount.library.store import Library, Missing
from repcount.plan import Plan, parse_plan
from repcount.plan.athletes import parse_maxes
from repcount.plan.barbell import parse_weight
from repcount.plan.propose import Wishes
from repcount.plan.strength import MaxEstimate
from repcount.plan.working_load import CAUTIONS, movements_of
from repcount.reports.after import (
    chosen_from,
    listed_toml,
    next_card,
    next_parts,
    next_toml,
    parameter_words,
    plan_parts,
    ranked_lines,
)
from repcount.reports.card import card_page
from repcount.web.depends import AttemptId, LibraryDep
from repcount.web.pages.answers import SCRIPT, names, sheet, shown, within
from repcount.web.plan_form import with_athlete
from repcount.web.plan_text import parse_time
from repcount.web.review import ERRORS
from repcount.web.roles import AccessDep, plans_for
from repcount.web.security import Access
from repcount.wording.moments import recorded_words
from repcount.wording.numbers import clock

MOST_BEFORE = 5  # earlier attempts that are read beside the one judged
MOST_MAXES = 8

routes = APIRouter()
api = APIRouter(prefix="/api/attempts/{attempt_id}", tags=["next"], responses=ERRORS)


class Known(BaseModel):
    """What an athlete can lift, a field for each movement of the workout in its order: a one-rep
    max (`85 kg`) or a best set (`5x70 kg`)."""

    model_config = ConfigDict(extra="forbid")
    max: list[Annotated[str, Field(max_length=40)]] = Field(default_factory=list, max_length=8)

    def of(self, plan: Plan) -> dict[str, MaxEstimate]:
        """Maxes by movement. Raises PlanError for what is none."""
        said = dict(zip(movements_of(plan.workout.rounds), self.max, strict=False))
        given = {name: text.strip() for name, text in said.items() if text.strip()}
        best = {name: text for name, text in given.items() if "x" in text.lower() or "×" in text}
        return parse_maxes(
            {name: text for name, text in given.items() if name not in best},
            {name: text.lower() for name, text in best.items()},
            plan,
        )


class Asked(Known):
    """What is to be forecast beside the plan: another pattern, length of breaks, time between
    rounds, load."""

    pattern: str = Field("", max_length=400)
    breaks: str = Field("", max_length=40)
    between: str = Field("", max_length=40)
    load: str = Field("", max_length=40)

    def wishes(self, plan: Plan) -> Wishes:
        """What is wished. Raises PlanError for what cannot be read."""
        return Wishes(
            maxes=self.of(plan),
            break_s=_seconds(self.breaks, "The length of breaks"),
            between_s=_seconds(self.between, "The time between rounds"),
            load_kg=parse_weight(self.load, "the load") if self.load.strip() else None,
        )


class Chosen(Asked):
    """A plan of a list of forecasts, by its name, with what the list was asked with."""

    plan: str = Field(min_length=1, max_length=400)


def _seconds(text: str, what: str) -> float | None:
    if not text.strip():
        return None
    found = parse_time(text)
    if found is None:
        raise PlanError(f"{what} is no time; give it as 4 s or 1:30.")
    return found


def _known(
    max_: Annotated[
        list[Annotated[str, Query(max_length=40)]] | None, Query(alias="max", max_length=8)
    ] = None,
) -> Known:
    return Known(max=max_ or [])


KnownDep = Annotated[Known, Depends(_known)]


@routes.get("/attempts/{attempt_id}/next")
def next_page(
    request: Request, attempt_id: AttemptId, library: LibraryDep, access: AccessDep, known: KnownDep
) -> HTMLResponse:
    """What to change, and the plan for the next attempt."""
    row = library.attempt(attempt_id)
    filmed = attempts_up_to(library, row)
    plan, said, answer = plan_of(filmed[-1]), "", None
    try:
        answer = _decide(filmed, known.of(plan))
    except PlanError as error:
        said = str(error)
    parts = next_parts(answer) if answer else {"answer": None}
    movements = movements_of(plan.workout.rounds)[:MOST_MAXES]
    given = [*known.max, *[""] * len(movements)]
    return shown(
        request, "next.html", row=row, said=said, **parts, cautions=CAUTIONS, movements=movements,
        given=dict(zip(movements, given, strict=False)), kept=_plan_kept(library, access, row),
    )  # fmt: skip


def _readable(library: Library, access: Access, row: AttemptRow) -> PlanRow | None:
    """The plan that was kept after an attempt; None where there is none that who asks may read."""
    kept = library.plan_kept_after(row.id)
    if kept is None or all(one.id != kept.id for one in plans_for(library, access)):
        return None
    return kept


def _plan_kept(library: Library, access: Access, row: AttemptRow) -> dict[str, object] | None:
    """What a page tells of the plan that was kept after an attempt, as it stands now."""
    kept = _readable(library, access, row)
    if kept is None:
        return None
    made = parse_plan(kept.toml)
    return {
        "id": kept.id,
        "by": kept.kept_by,
        "at": kept.changed_at,
        "changed": kept.version > 1,
        "chosen": chosen_from(made),
        "total": "" if made.planned_total_s is None else clock(made.planned_total_s),
        **plan_parts(made),
    }


@routes.get("/attempts/{attempt_id}/next/card")
def next_sheet(
    request: Request, attempt_id: AttemptId, library: LibraryDep, known: KnownDep
) -> Response:
    """The new plan's clock card to print."""
    answer = _decided(library, attempt_id, known)
    athlete = names(library).get(library.attempt(attempt_id).athlete_id, "")
    back = within(request, (f"/attempts/{attempt_id}", "Attempt"))
    return sheet(card_page([next_card(answer, athlete)], back, SCRIPT), scripted=True)


@api.post("/next-plan", status_code=204)
def keep_next(
    attempt_id: AttemptId, library: LibraryDep, access: AccessDep, known: Annotated[Known, Form()]
) -> Response:
    """Keep the new plan among the plans, once; it is shown. Plans are a coach's to keep."""
    _demand_coach(access)
    toml = next_toml(_decided(library, attempt_id, known))
    return _kept(library, toml, library.attempt(attempt_id), access.name)


@api.post("/forecast", response_class=HTMLResponse)
def forecast(
    request: Request,
    attempt_id: AttemptId,
    library: LibraryDep,
    access: AccessDep,
    asked: Annotated[Asked, Form()],
) -> Response:
    """What the last plan, a changed one and the break rules' patterns would take, as HTML."""
    row = library.attempt(attempt_id)
    try:
        listed = _listed(library, row, asked)
    except PlanError as error:
        return shown(request, "ranking.html", row=row, said=str(error), ranking=None)
    kept = _readable(library, access, row)
    made = parse_plan(kept.toml) if kept else None
    lines = ranked_lines(listed.ranking, listed.as_kept(), made)
    typed = _typed([name for name, _ in listed.plans], asked.pattern.strip())
    return shown(
        request, "ranking.html", row=row, said="", ranking=listed.ranking, lines=lines,
        asked=asked, kept=kept, typed=[one for one in lines if one.name in typed],
        fitted=[parameter_words(one) for one in listed.ranking.slowing],
    )  # fmt: skip


@api.post("/forecast/keep", status_code=204)
def keep_listed(
    attempt_id: AttemptId, library: LibraryDep, access: AccessDep, asked: Annotated[Chosen, Form()]
) -> Response:
    """Keep a plan of the list among the plans, once, with the times that it was forecast with; it
    is shown."""
    _demand_coach(access)
    row = library.attempt(attempt_id)
    listed = _listed(library, row, asked)
    made = listed.as_kept().get(asked.plan)
    if made is None:
        raise Missing("this plan is not among those that were forecast; look again.")
    if asked.plan == NEW:
        return _kept(library, next_toml(listed.new), row, access.name)
    toml = listed_toml(asked.plan, made, row.recorded_at, row.file_name)
    return _kept(library, toml, row, access.name)


@dataclass(frozen=True)
class _List:
    """Plans by their names, the new plan among them, and what they would take."""

    plans: list[tuple[str, Plan]]
    new: NextPlan
    ranking: Ranking

    def as_kept(self) -> dict[str, Plan]:
        """Each as it would be kept."""
        found = {one.forecast.name: one.forecast for one in self.ranking.plans}
        return {name: as_kept(name, plan, found.get(name)) for name, plan in self.plans}


def _listed(library: Library, row: AttemptRow, asked: Asked) -> _List:
    """The plans that stand beside one another after an attempt. Raises PlanError where what is
    asked for cannot be."""
    filmed = attempts_up_to(library, row)
    base, pattern = plan_of(filmed[-1]), asked.pattern.strip()
    wishes = asked.wishes(base)
    new = _decide(filmed, wishes.maxes)
    plans = candidates(base, wishes, [pattern] if pattern else [], new.plan)
    return _List(plans, new, rank_plans(filmed, plans, kilograms_of(base, wishes)))


def _typed(plans: Sequence[str], pattern: str) -> list[str]:
    """Of plans' names those that what was typed has brought; a pattern that none is named by is
    that of the plan itself."""
    found = [name for name in plans if pattern and name.startswith(pattern)]
    return [name for name in plans if name == CHANGED] + (found or [THE_PLAN] * bool(pattern))


def attempts_up_to(library: Library, row: AttemptRow) -> list[Filmed]:
    """An attempt with the earlier ones of its athlete at the same rounds, itself last.

    Raises Missing where it is not read, or was read without a workout.
    """
    if row.state != "done":
        raise Missing("this attempt is not read yet; come back later.")
    before: list[AttemptRow] = []
    if row.athlete_id is not None and row.workout:
        rows = library.attempts(state="done", athlete_id=row.athlete_id, workout=row.workout)
        twice = doubles(rows)
        before = [one for one in rows if one.when < row.when and one.id not in twice]
    kept = [*sorted(before, key=lambda one: one.when)[-MOST_BEFORE:], row]
    filmed = [
        replace(one, name=recorded_words(of.recorded_at) or of.file_name)
        for of, one in zip(
            kept, read_attempts([library.folder_of(one.id) for one in kept]), strict=True
        )
    ]
    last = filmed[-1].attempt.workout
    if last is None:
        raise Missing("this attempt was read without a workout, so there is no next plan to make.")
    return [*_alike(filmed[:-1], filmed[-1]), filmed[-1]]


def _alike(filmed: Sequence[Filmed], last: Filmed) -> list[Filmed]:
    """Those at the same rounds, filmed on a day that is known if the last one's is."""
    asked, day = last.attempt.workout, last.attempt.video.recorded_at
    return [
        one
        for one in filmed
        if asked
        and one.attempt.workout
        and one.attempt.workout.rounds == asked.rounds
        and (one.attempt.video.recorded_at is None) == (day is None)
    ]


def plan_of(last: Filmed) -> Plan:
    """The plan that an attempt was done by, or the attempt as a plan."""
    return last.plan or as_done(last.attempt, None)


def _demand_coach(access: Access) -> None:
    if not access.coach:
        raise Missing("plans are kept by a coach; the clock card can be printed as it is.")


def _decided(library: Library, attempt_id: str, known: Known) -> NextPlan:
    filmed = attempts_up_to(library, library.attempt(attempt_id))
    return _decide(filmed, known.of(plan_of(filmed[-1])))


@dataclass(frozen=True)
class _Question:
    """Attempts and maxes of which a next plan is asked; two with the same `key` are one."""

    key: str
    filmed: list[Filmed] = field(compare=False)
    maxes: Mapping[str, MaxEstimate] = field(compare=False)


def _decide(filmed: list[Filmed], maxes: Mapping[str, MaxEstimate]) -> NextPlan:
    """The next plan; while somebody types what else to forecast, it is not worked out anew."""
    return _decision(_Question(repr((filmed, sorted(maxes.items()))), filmed, maxes))


@lru_cache(maxsize=8)
def _decision(asked: _Question) -> NextPlan:
    return decide_next(asked.filmed, None, asked.maxes)


def _kept(library: Library, toml: str, row: AttemptRow, by: str) -> Response:
    """Keep a plan after an attempt among the plans, once, as that of its athlete; go to it. `by`:
    who keeps it, where they have a name."""
    toml = with_athlete(toml, names(library).get(row.athlete_id, ""))
    plan_id = library.keep_plan(toml, row.id, by)
    return Response(status_code=204, headers={"HX-Redirect": f"/plans/{plan_id}?kept={row.id}"})
