"""What a plan's page says while it is being written: what the plan comes to, the patterns that the
break rules offer for it, and a pace made for its target."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query
from pydantic import BaseModel, Field

from repcount.errors import PlanError
from repcount.plan import Plan
from repcount.plan.break_rules import PatternOffer, break_patterns
from repcount.plan.outlook import outlook
from repcount.plan.propose import Wishes, make_plan
from repcount.units import from_ms, to_ms
from repcount.web.depends import LibraryDep
from repcount.web.plan_form import PlanForm, draft_of, form_of
from repcount.web.plan_text import time_text
from repcount.web.review import ERRORS
from repcount.wording import plural
from repcount.wording.numbers import clock

routes = APIRouter(prefix="/api/plans", tags=["library"], responses=ERRORS)


class Offer(BaseModel):
    """A break rule's pattern, as the form's fields have it."""

    name: str
    pattern: str
    seconds: str
    said: str


class Looked(BaseModel):
    """What a draft comes to. All empty while its rounds and movements say nothing yet."""

    said: str = Field("", description="the total in words, against target and cap")
    total_s: float | None = None
    brisk_s: float | None = Field(None, description="where rounds have no times: the range")
    slow_s: float | None = None
    target_s: float | None = None
    cap_s: float | None = None
    offers: list[Offer] = Field(default_factory=list)
    paced: dict[str, str] = Field(
        default_factory=dict, description="fields of a pace that meets the target"
    )
    not_paced: str = Field("", description="why there is no such pace")


@routes.post("/outlook")
def look_ahead(
    form: Annotated[PlanForm, Form()],
    library: LibraryDep,
    changes: Annotated[int | None, Query(ge=1, le=2**31, description="id of a plan")] = None,
) -> Looked:
    """What a plan that is being written comes to, as far as it can be said."""
    base = library.plan(changes).toml if changes is not None else None
    try:
        draft = draft_of(form, base)
    except PlanError:
        return Looked()  # what is wrong is said by the check
    found = outlook(draft) if draft is not None else None
    if draft is None or found is None:
        return Looked()
    target_s = draft.target_s
    looked = Looked(
        said=_words(draft, found.total_s, found.planned),
        total_s=found.total_s,
        brisk_s=None if found.planned else found.brisk_s,
        slow_s=None if found.planned else found.slow_s,
        target_s=target_s,
        cap_s=draft.workout.time_cap_s,
        offers=[_offer(one) for one in break_patterns(draft.workout.rounds)],
    )
    if target_s is not None:
        try:
            looked.paced = _paced(draft, target_s)
        except PlanError as error:
            looked.not_paced = f"{str(error)[:1].upper()}{str(error)[1:]}"
    return looked


def _words(draft: Plan, total_s: float, planned: bool) -> str:
    parts = [f"{clock(total_s)} planned" if planned else f"About {clock(total_s)} at a usual pace"]
    for name, limit_s in (("target", draft.target_s), ("cap", draft.workout.time_cap_s)):
        if limit_s is None:
            continue
        over_ms = to_ms(total_s) - to_ms(limit_s)
        apart = f"{clock(abs(from_ms(over_ms)))} {'over' if over_ms > 0 else 'under'}"
        parts.append(f"{apart if over_ms else 'on'} the {name} of {clock(limit_s)}")
    return ", ".join(parts) + "."


def _offer(one: PatternOffer) -> Offer:
    patterns = one.patterns if len(set(one.patterns)) > 1 else one.patterns[:1]
    seconds = time_text(one.break_s) if one.breaks else ""
    rounds = len(one.patterns)
    often = "no break"
    if one.breaks:
        each = one.breaks % rounds == 0 and rounds > 1
        often = plural(one.breaks // rounds if each else one.breaks, "break")
        often += f" in each round, {seconds} each" if each else f", {seconds} each"
    return Offer(
        name=one.name,
        pattern="; ".join(patterns),
        seconds=seconds,
        said=f"{one.reason[:1].upper()}{one.reason[1:]}. For {one.for_whom}: {often}; the longest "
        f"set has {plural(one.longest_set, 'rep')}.",
    )


def _paced(draft: Plan, target_s: float) -> dict[str, str]:
    """The fields of the pace that meets a target. Raises PlanError where none does."""
    rule = None if draft.has_breaks else "unbroken"  # where the bar goes down is not decided here
    fields = form_of(make_plan(draft, Wishes(target_s=target_s, rule=rule)).plan)
    names = ["round_s", "between", "start"]
    if draft.planned_breaks():
        names.append("seconds")
    return {name: getattr(fields, name) for name in names}
