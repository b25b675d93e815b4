"""After the attempt: where time was lost, and at most three changes.

Where an attempt went well, a change is suggested only where the interval of 90 % of its expected
gain lies above 0, the gain is half a second or more, and the plan asks for nothing untested. Where
it went badly (`reasons.py`), the model, which knows no stop, is not asked: the changes are those
for the likeliest reasons. Nothing is said of the body: which of back, grip, shoulders or lungs gave
out is the coach's to judge; the data show times.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Literal

import numpy as np
from pydantic import Field

from repcount.analysis.changes import Change, change_for, lighter
from repcount.analysis.forecast import (
    Draws,
    Filmed,
    Forecast,
    Forecaster,
    Parameter,
    Ranked,
    Span,
    check_workout,
    forecaster,
    in_order,
    model_notes,
    once_each,
    parameters,
    span,
)
from repcount.analysis.losses import LEAST_S, Loss, losses
from repcount.analysis.paced import bare, in_tenths, shared, timed, with_start
from repcount.analysis.reasons import Reason, ReasonKind, Trouble, trouble
from repcount.analysis.recognise import pattern_at
from repcount.attempt.assemble import all_rounds_over
from repcount.attempt.records import Attempt, MovementReps, Probability, Record
from repcount.errors import PlanError
from repcount.plan.break_rules import USUAL_BREAK_S, break_patterns
from repcount.plan.clock_card import clock_card
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.pace import BETWEEN_S, between_rounds, floors, spread, typical_rounds
from repcount.plan.pattern import Pattern, parse_pattern
from repcount.plan.set_limits import SOURCE, SetLimits
from repcount.plan.strength import MaxEstimate
from repcount.plan.working_load import CAUTIONS, known_maxes
from repcount.units import Seconds, from_ms, to_ms
from repcount.wording import listed
from repcount.wording.numbers import as_tenths, clock, load, short

MOST_SUGGESTIONS = 3
# Of the reasons why an attempt went badly: how many are named, from which probability on (that of
# one of four by chance), and from which on the new plan has a second change as well. Assumptions.
MOST_REASONS, LEAST_PROBABILITY, LIKELY = 2, 0.25, 0.35
LEAST_CHANCE = 0.05  # of the time cap, to plan for it; assumption
KIND_OF: dict[ReasonKind, Literal["load", "pattern", "pace"]] = {
    "sets": "pattern",
    "breaks": "pace",
    "start": "pace",
    "load": "load",
}


class Suggestion(Record):
    """One change for the next plan, alone, against doing the same again."""

    kind: Literal["load", "pattern", "pace"]
    change: str
    shortens: Literal["breaks", "between-rounds"] | None = Field(
        None, description="the times that a change of pace shortens"
    )
    gain: Span | None = Field(
        None, description="expected seconds saved alone, with the interval of 90 %; null: not known"
    )
    inside_noise: bool = Field(
        False, description="two attempts would differ by more than this without any change"
    )
    why: str
    in_plan: bool = Field(True, description="whether the new plan has it")
    reason: ReasonKind | None = Field(None, description="why the attempt went badly")
    probability: Probability | None = Field(
        None, description="that this is what it failed by, against the other three reasons"
    )


class NextPlan(Record):
    """What to change after an attempt, and the plan that has it (`next.json`)."""

    format: Literal["repcount-next/1"] = "repcount-next/1"
    workout: str
    athlete: str | None = None
    attempts: list[str] = Field(description="as filmed; the last is the one judged")
    recorded_at: str | None = Field(None, description="when the last was filmed")
    video: str = Field(description="file name of the judged attempt's video")
    slowed: float = 1.0
    clock_start_s: Seconds | None = Field(None, description="from the video's first frame")
    total_s: Seconds | None
    to_the_end: bool = Field(True, description="whether all rounds were gone through")
    planned_s: Seconds | None = None
    losses: list[Loss]
    slowing: list[Parameter] = Field(default_factory=list)
    not_enough_data: str | None = None
    trouble: Trouble | None = Field(None, description="what went badly and why; null: went well")
    ranking: list[Ranked] = Field(default_factory=list)
    suggestions: list[Suggestion] = Field(default_factory=list, max_length=MOST_SUGGESTIONS)
    again: Span | None = Field(None, description="forecast of the same attempt done again")
    changed_s: Seconds | None = Field(
        None, description="that forecast less what the changes save, to a tenth"
    )
    together: Span | None = Field(
        None, description="expected seconds saved by all of them at once; null: not known"
    )
    sets: Span | None = Field(
        None,
        description="expected seconds that the rest of the new plan saves beside them, negative "
        "where it costs: its own sets, and breaks that nobody planned",
    )
    forecast: Forecast | None = Field(None, description="of the new plan, kept")
    expected: Span | None = Field(
        None,
        description="forecast of the new plan with breaks and rests as much over it as they were",
    )
    plan: Plan
    notes: list[str] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))


@dataclass(frozen=True)
class Maxes:
    """One-rep maxes in kilograms by movement, those that are known; `cuts`: the last plan's sets
    or rests are not what they allow."""

    kilograms: Mapping[str, float] = field(default_factory=dict)
    cuts: bool = False

    def limits(self, plan: Plan) -> SetLimits:
        """What sets may be at a plan's load."""
        load = plan.workout.load_kg
        return SetLimits(
            {name: load / best for name, best in self.kilograms.items()} if load else {}
        )

    def hold(self, plan: Plan) -> Plan:
        """A plan none of whose sets is longer than planned here (`plan/set_limits.py`)."""
        return self.limits(plan).hold(plan, USUAL_BREAK_S, BETWEEN_S)


def _known(plan: Plan, maxes: Mapping[str, MaxEstimate]) -> tuple[Maxes, list[str]]:
    """The maxes that limit a workout's sets, and what is to be said of those that are not known."""
    load = plan.workout.load_kg
    if load is None:
        return Maxes(), ["The workout has no load: how many reps in a set it allows is not known."]
    kilograms, said = known_maxes(plan.workout.rounds, maxes, load)
    return Maxes(kilograms), said


def decide_next(
    filmed: Sequence[Filmed],
    plan: Plan | None = None,
    maxes: Mapping[str, MaxEstimate] | None = None,
) -> NextPlan:
    """Judge the last of some attempts of one athlete at one workout, and plan the next.

    `plan` is the one that the last attempt was done by, where its folder has none. `maxes`: by
    movement, where they are known; no planned set is then longer than the load allows.

    Raises RecordError where the attempts are not of one workout, PlanError where a max is under the
    load.
    """
    check_workout(filmed, plan)
    filmed, left_out = once_each(filmed)
    filmed, order = in_order(filmed)
    last = filmed[-1]
    attempt = last.attempt
    plan = plan or last.plan
    done = as_done(attempt, plan)
    by = plan if plan is not None and plan.has_breaks else done
    known, said = _known(by, maxes or {})
    base = known.hold(by)
    known = replace(known, cuts=base is not by)
    answer = NextPlan(
        workout=done.workout.name,
        athlete=base.athlete,
        attempts=[one.name for one in filmed],
        video=attempt.video.file_name,
        recorded_at=attempt.video.recorded_at,
        slowed=attempt.video.slowed,
        clock_start_s=attempt.clock.start_s,
        total_s=attempt.clock.total_s,
        to_the_end=bool(attempt.clock.finished or all_rounds_over(attempt)),
        planned_s=last.comparison.planned_total_s if last.comparison else None,
        losses=losses(Filmed(attempt, last.comparison, last.name, plan)),
        plan=_with_times(base),
        notes=[*left_out, *order, *said],
    )
    if last.comparison is None:
        answer.notes.append("There is no plan to compare with: losses are against the athlete.")
    found = forecaster(filmed, known.kilograms)
    answer.trouble = trouble(Filmed(attempt, last.comparison, last.name, plan), by)
    model = found if isinstance(found, Forecaster) else None
    if isinstance(found, Forecaster):
        answer.slowing = parameters(found.slowing)
        answer.notes += model_notes(found.slowing)
    else:
        answer.not_enough_data = found.reason
    if answer.trouble is not None:
        _mend(answer, attempt, base, answer.trouble, model, known)
    elif model is not None:
        _suggest(answer, model, done, base, known, failed=attempt.clock.finished is False)
        if attempt.clock.finished is False and not any(
            one.kind == "pattern" for one in answer.suggestions
        ):
            answer.notes.append(
                "The pattern is kept: it was not in its sets that time was lost, but in rests "
                "longer than planned, or in a plan that asks for more than there is time."
            )
    elif not known.cuts:
        answer.notes.append("The plan is the last one again: nothing can be forecast.")
    if model is not None and answer.forecast is not None and not model.too_far(answer.plan):
        answer.expected = model.forecast(answer.plan).total
    if known.cuts:
        _say_held(answer, known)
    _against_cap(answer, attempt)
    return answer


def _say_held(answer: NextPlan, known: Maxes) -> None:
    """Say first that sets and rests are those that the load allows."""
    plan = answer.plan
    shares = listed(
        [f"{share:.0%} of the {name} max" for name, share in known.limits(plan).shares.items()]
    )
    why = (
        f"{load(plan.workout.load_kg or 0.0)} is {shares}; no more is planned here at that share "
        f"than the mean less one standard deviation ({SOURCE})."
    )
    if any(one.kind == "pattern" for one in answer.suggestions):
        answer.notes.insert(0, f"Sets and rests are no more than the load allows: {why}")
        return
    text = " / ".join(dict.fromkeys(plan.planned_sets()))
    answer.suggestions = answer.suggestions[: MOST_SUGGESTIONS - 1]
    answer.suggestions.insert(
        0,
        Suggestion(
            kind="pattern",
            change=f"Sets and rests that the load allows: break as {text}.",
            why=why,
        ),
    )


def changes_for(
    attempt: Attempt,
    base: Plan,
    found: Trouble,
    loads_kg: Sequence[float] = (),
    known: Maxes | None = None,
) -> list[tuple[Reason, Change]]:
    """The changes for the likeliest reasons, the likeliest first. One whose sets or rests a known
    max does not allow is none."""
    made: list[tuple[Reason, Change]] = []
    for reason in found.reasons:
        if reason.probability < LEAST_PROBABILITY or len(made) == MOST_REASONS:
            break
        change = change_for(reason.kind, base, attempt, found, loads_kg)
        if change is not None and (known is None or known.hold(change.plan) is change.plan):
            made.append((reason, change))
    return made


def _mend(
    answer: NextPlan,
    attempt: Attempt,
    base: Plan,
    found: Trouble,
    model: Forecaster | None,
    known: Maxes,
) -> None:
    """Changes for the likeliest reasons; the new plan has the first, and the second where it is
    nearly as likely."""
    loads = model.slowing.loads_kg if model else []
    made = changes_for(attempt, base, found, loads, known)
    answer.suggestions = [
        Suggestion(
            kind=KIND_OF[change.kind],
            change=change.said,
            why=" ".join(filter(None, [_capital(_list(reason.traces[:2])), change.why])),
            reason=reason.kind,
            probability=reason.probability,
            gain=_known_gain(model, base, change),
        )
        for reason, change in made
    ]
    new = base
    applied: list[ReasonKind] = []
    for reason, change in made:
        if not applied or reason.probability >= LIKELY:
            again = change_for(change.kind, new, attempt, found, loads)
            if again is not None:
                new, applied = known.hold(again.plan), [*applied, change.kind]
    if not made and not known.cuts:
        answer.notes.append(
            "The plan is the last one again: nothing in the times says what to change."
        )
    for one in answer.suggestions:
        one.in_plan = one.reason in applied
    if applied and not {"sets", "breaks"} & {*applied}:
        answer.notes.append(
            "The pattern is kept: what the times speak for is another reason than its sets."
        )
    if model is None:
        answer.plan = _with_times(new)
        return
    first_s = new.rounds[0].round_s if "start" in applied else None
    answer.plan, answer.forecast = _paced(bare(new), model, first_s)
    _to_cap(answer, model)


def _known_gain(model: Forecaster | None, base: Plan, change: Change) -> Span | None:
    """What a change saves where the model has seen it: a load at which there is an attempt."""
    load = change.plan.workout.load_kg
    if model is None or change.kind != "load" or load not in model.slowing.loads_kg:
        return None
    before, after = _drawn(model, base), _drawn(model, change.plan)
    return span(before.expected - after.expected)


def _drawn(model: Forecaster, plan: Plan) -> Draws:
    """What a plan takes with its times kept, and with the breaks that nobody planned."""
    return model.draws(plan, kept=True, unbroken=False)


def _to_cap(answer: NextPlan, model: Forecaster) -> None:
    """Pace the new plan to the time cap, where it is forecast after it and may yet end before."""
    plan, cap_s = answer.plan, answer.plan.workout.time_cap_s
    total_s = plan.planned_total_s
    if cap_s is None or total_s is None or to_ms(total_s) <= to_ms(cap_s):
        return
    chance = float((_drawn(model, plan).total <= cap_s).mean())
    around = between_rounds(len(plan.rounds), plan.start_s or 0.0, plan.between_rounds_s or [])
    weights = [Fraction(to_ms(one.round_s or 0.0)) for one in plan.rounds]
    times = spread(to_ms(cap_s) - around.total, weights)
    if chance < LEAST_CHANCE or any(
        took < least for took, least in zip(times, floors(plan.rounds), strict=True)
    ):
        return
    answer.plan = timed(plan, [from_ms(one) for one in times])
    answer.notes.append(
        f"The plan is paced to end at the time cap of {clock(cap_s)}; the model gives that "
        f"{chance:.0%}, and forecasts {clock(total_s)}."
    )


def _against_cap(answer: NextPlan, attempt: Attempt) -> None:
    """Say where the last attempt and the new plan stand against the time cap."""
    cap_s = answer.plan.workout.time_cap_s
    if cap_s is None:
        return
    done, asked = len(attempt.counted()), answer.plan.workout.reps
    said = []
    if attempt.clock.finished is False and (attempt.clock.total_s or 0.0) >= cap_s:
        said.append(f"At the time cap of {clock(cap_s)}, {done} of {asked} reps were done.")
    total_s = answer.plan.planned_total_s
    if total_s is not None and to_ms(total_s) <= to_ms(cap_s):
        if said:
            said.append(f"The new plan ends within the time cap of {clock(cap_s)}.")
    elif total_s is not None:
        reps = _reps_by(answer.plan, cap_s)
        said.append(
            f"The new plan ends after the time cap of {clock(cap_s)}: about {reps} of {asked} reps "
            "by then."
        )
        _offer_lighter(answer)
    answer.notes[:0] = said


def _offer_lighter(answer: NextPlan) -> None:
    """A lighter load for an attempt that is not forecast to end within its cap."""
    change = lighter(answer.plan)
    full = len(answer.suggestions) >= MOST_SUGGESTIONS
    if change is None or full or any(one.kind == "load" for one in answer.suggestions):
        return
    answer.suggestions.append(
        Suggestion(
            kind="load",
            change=change.said,
            why="By the plan written here the time cap comes before the last rep; how much a "
            "lighter load saves is not known.",
            in_plan=False,
        )
    )


def _reps_by(plan: Plan, cap_s: float) -> int:
    """Reps done by a moment of the planned clock, by its sets."""
    done = 0
    for one in clock_card(plan).rounds:
        for part in one.sets:
            reps = sum(piece.reps for piece in part.reps)
            if part.end_s <= cap_s:
                done += reps
            elif part.start_s < cap_s:
                done += int(reps * (cap_s - part.start_s) / (part.end_s - part.start_s))
    return done


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _list(traces: Sequence[str]) -> str:
    return f"{'; '.join(traces)}." if traces else ""


def as_done(attempt: Attempt, plan: Plan | None) -> Plan:
    """The attempt as a plan: its real sets and breaks where they add up to the workout; real times
    between rounds. A round that was not finished has its sets as far as they went, and goes on as
    planned, or as the last finished round was done; one that was not begun is like that."""
    workout = attempt.workout
    if workout is None:
        raise PlanError("the attempt was read without a workout; analyze it with its plan.")
    rounds: list[RoundPlan] = []
    for number, movements in enumerate(workout.rounds, 1):
        lengths = [stop.length_s for stop in attempt.breaks_in(number)]
        pattern = _pattern_done(attempt, number, movements)
        if pattern is None or len(pattern.sets) - 1 != len(lengths):
            planned = plan.rounds[number - 1] if plan else None
            like = planned if planned and planned.pattern else rounds[-1] if rounds else None
            pattern, lengths = _gone_on(attempt, number, movements, like)
        rounds.append(RoundPlan(movements=movements, pattern=pattern, break_s=lengths))
    gaps = {gap.after_round: gap for gap in attempt.between_rounds}
    between = [gaps[n].length_s if n in gaps else BETWEEN_S for n in range(1, len(rounds))]
    start = attempt.clock.since_start_s(attempt.rounds[0].start_ms) if attempt.rounds else None
    start = None if start is None else max(0.0, start)
    return Plan(
        athlete=plan.athlete if plan else None,
        workout=workout,
        load_lb=plan.load_lb if plan else None,
        rounds=rounds,
        between_rounds_s=between,
        start_s=start,
    )


def _gone_on(
    attempt: Attempt, number: int, movements: list[MovementReps], like: RoundPlan | None
) -> tuple[Pattern, list[float]]:
    """A round that lacks reps, as it was done as far as it went and then like another round."""
    if like is None or like.pattern is None or like.movements != movements:
        pattern = Pattern(sets=[list(movements)])
        return pattern, []
    stops = {}
    counted = attempt.counted(number)
    places = {
        (part.movement, index + 1): place
        for place, (part, index) in enumerate(
            ((part, index) for part in movements for index in range(part.reps)), 1
        )
    }
    reached = 0
    for rep in counted:
        reached = max(reached, places.get((rep.movement, rep.number or 0), 0))
    for stop in attempt.breaks_in(number):
        at = places.get((stop.after.movement, stop.after.number), 0) if stop.after else 0
        stops[at] = stop.length_s
    for at, length in zip(like.pattern.positions(), like.break_s, strict=True):
        if at >= reached:
            stops.setdefault(at, length)
    pattern = pattern_at(movements, list(stops))
    return pattern, [stops[at] for at in pattern.positions()]


def _suggest(
    answer: NextPlan, model: Forecaster, done: Plan, base: Plan, known: Maxes, *, failed: bool
) -> None:
    """Fill in ranking, suggestions, the new plan and its forecast. The pattern of a plan by which
    the attempt was not finished (`failed`) is no change."""
    base_plan = bare(base)
    length = _break_length(base_plan, done)
    candidates = [("as done", done)]
    if str(base_plan.planned_sets()) != str(done.planned_sets()):
        candidates.append(("as the load allows" if known.cuts else "as planned", base_plan))
    for offer in break_patterns(done.workout.rounds, known.limits(base)):
        if any(offer.patterns == plan.planned_sets() for _, plan in candidates):
            continue
        seconds = length if offer.break_s > 2 else offer.break_s
        made = known.hold(_patterned(base_plan, offer.patterns, seconds))
        candidates.append((offer.name, made))
    answer.ranking = model.rank(candidates, kept={"as done"})
    plans = dict(candidates)

    found: list[tuple[Suggestion, Plan]] = []
    best = next(
        (
            one
            for one in answer.ranking[1:]
            if not one.forecast.outside
            and one.gain
            and one.gain.low_s > 0
            and not (failed and one.forecast.name == "as planned")
        ),
        None,
    )
    if best is not None and best.gain is not None:
        text = " / ".join(dict.fromkeys(best.patterns))
        found.append(
            (
                Suggestion(
                    kind="pattern",
                    change=f"Break as {text} ({best.forecast.name}).",
                    gain=best.gain,
                    inside_noise=best.inside_noise,
                    why="The fastest of the patterns whose sets are no longer than those seen.",
                ),
                plans[best.forecast.name],
            )
        )
    found += _paces(model, done, base_plan, length)
    found += _lighter(model, done)
    found = [pair for pair in found if known.hold(pair[1]) is pair[1]]
    found.sort(key=lambda pair: -(pair[0].gain.middle_s if pair[0].gain else 0.0))
    kept: list[tuple[Suggestion, Plan]] = found[:MOST_SUGGESTIONS]
    answer.suggestions = [one for one, _ in kept]
    if not kept and not known.cuts:
        answer.notes.append(
            "No change is suggested: none that was tried has an expected gain above its "
            "uncertainty."
        )
    new = known.hold(_combined(answer.suggestions, kept, done, base_plan, length))
    if new.start_s is None:
        new = new.model_copy(update={"start_s": done.start_s})
    answer.plan, answer.forecast = _paced(new, model)
    _join(answer, model, done, _combined(answer.suggestions, kept, done, done, length))
    _to_cap(answer, model)


def _join(answer: NextPlan, model: Forecaster, done: Plan, changed: Plan) -> None:
    """From what was done to the new plan: the same done again, what the changes save of it, and
    what else in the new plan saves or costs time."""
    again, new = model.draws(done, kept=True), _drawn(model, answer.plan)
    gain = np.zeros(model.count)
    if answer.suggestions:
        same = changed.planned_sets() == done.planned_sets()
        before = _drawn(model, done) if same else again
        gain = before.expected - _drawn(model, changed).expected
    answer.again = span(again.total)
    saved = span(gain)
    if len(answer.suggestions) > 1:
        answer.together = saved
    elif answer.suggestions:
        saved = answer.suggestions[0].gain or saved
    tenths = as_tenths(answer.again.middle_s) - as_tenths(saved.middle_s)
    answer.changed_s = tenths / 10
    middle_s = (tenths - as_tenths(span(new.total).middle_s)) / 10
    about = span(again.expected - gain - new.expected)
    shift = middle_s - about.middle_s
    answer.sets = Span(middle_s=middle_s, low_s=about.low_s + shift, high_s=about.high_s + shift)


def _paces(
    model: Forecaster, done: Plan, base: Plan, length: float
) -> list[tuple[Suggestion, Plan]]:
    """Breaks and times between rounds no longer than planned, or than the athlete's own shorter
    half."""
    found = []
    real = [seconds for one in done.rounds for seconds in one.break_s]
    if any(seconds > length for seconds in real):
        changed = done.model_copy(
            update={
                "rounds": [
                    one.model_copy(update={"break_s": [min(s, length) for s in one.break_s]})
                    for one in done.rounds
                ]
            }
        )
        found.append((changed, f"Keep each break to {short(length)} s.", "breaks"))
    gaps = done.between_rounds_s or []
    if gaps:
        planned = base.between_rounds_s or [statistics.median_low(gaps)] * len(gaps)
        if any(one > two for one, two in zip(gaps, planned, strict=True)):
            shorter = [min(one, two) for one, two in zip(gaps, planned, strict=True)]
            changed = done.model_copy(update={"between_rounds_s": shorter})
            most = short(max(shorter))
            found.append((changed, f"Go on within {most} s after each round.", "between-rounds"))
    made = []
    for changed, change, shortens in found:
        suggestion = _judged(model, done, changed, "pace", change)
        if suggestion:
            made.append((suggestion.model_copy(update={"shortens": shortens}), changed))
    return made


def _lighter(model: Forecaster, done: Plan) -> list[tuple[Suggestion, Plan]]:
    """The lightest load seen, where attempts at several loads show what load does."""
    loads, now = model.slowing.loads_kg, done.workout.load_kg
    if len(loads) < 2 or now is None or now <= loads[0]:
        return []
    workout = done.workout.model_copy(update={"load_kg": loads[0]})
    changed = done.model_copy(update={"workout": workout, "load_lb": None})
    change = f"Take {loads[0]:g} kg in place of {now:g} kg."
    suggestion = _judged(model, done, changed, "load", change)
    return [(suggestion, changed)] if suggestion else []


def _judged(
    model: Forecaster,
    done: Plan,
    changed: Plan,
    kind: Literal["load", "pattern", "pace"],
    change: str,
) -> Suggestion | None:
    """A change with its gain; None where the interval of the gain does not lie above 0."""
    before, after = _drawn(model, done), _drawn(model, changed)
    gain = span(before.expected - after.expected)
    if gain.low_s <= 0 or gain.middle_s < LEAST_S:
        return None
    apart = float((after.total - after.expected).std()) * 2**0.5
    return Suggestion(
        kind=kind,
        change=change,
        gain=gain,
        inside_noise=gain.middle_s < 1.645 * apart,
        why="Against the same attempt done again; that a shorter rest is less recovery is "
        "counted in."
        if kind == "pace"
        else "Attempts at several loads show what load does to this athlete's times.",
    )


def _combined(
    suggestions: Sequence[Suggestion],
    kept: Sequence[tuple[Suggestion, Plan]],
    done: Plan,
    base: Plan,
    length: float,
) -> Plan:
    """The suggested changes together: the pattern, then lengths, rests and load."""
    new = next((plan for one, plan in kept if one.kind == "pattern"), None)
    if new is None:
        new = base if base.has_breaks else done
    if any(one.shortens == "breaks" for one in suggestions):
        new = new.model_copy(
            update={
                "rounds": [
                    one.model_copy(update={"break_s": [min(s, length) for s in one.break_s]})
                    for one in new.rounds
                ]
            }
        )
    for one, plan in kept:
        if one.shortens == "between-rounds":
            new = new.model_copy(update={"between_rounds_s": plan.between_rounds_s})
        if one.kind == "load":
            new = new.model_copy(
                update={
                    "workout": new.workout.model_copy(update={"load_kg": plan.workout.load_kg}),
                    "load_lb": None,
                }
            )
    return new


def _break_length(base: Plan, done: Plan) -> float:
    """The length to plan a break with: the planned one, else the athlete's own lower median."""
    planned = [seconds for one in base.rounds for seconds in one.break_s]
    real = [seconds for one in done.rounds for seconds in one.break_s]
    every = planned or real
    return round(statistics.median_low(every), 1) if every else 4.0


def _pattern_done(
    attempt: Attempt, number: int, movements: Sequence[MovementReps]
) -> Pattern | None:
    """The sets of a round as they were done; None where reps are missing or of another order."""
    sets = [list(span.reps) for span in attempt.sets if span.round == number]
    done: list[MovementReps] = []
    for part in (part for one in sets for part in one):
        if done and done[-1].movement == part.movement:
            done[-1] = MovementReps(movement=part.movement, reps=done[-1].reps + part.reps)
        else:
            done.append(part)
    return Pattern(sets=sets) if done == list(movements) else None


def _patterned(plan: Plan, patterns: Sequence[str], seconds: float) -> Plan:
    rounds = []
    for one, text in zip(plan.rounds, patterns, strict=True):
        pattern = parse_pattern(text, one.movements)
        marks = len(pattern.sets) - 1
        rounds.append(one.model_copy(update={"pattern": pattern, "break_s": [seconds] * marks}))
    return plan.model_copy(update={"rounds": rounds})


def _with_times(plan: Plan) -> Plan:
    """The plan with times to a tenth; round times as they were, or typical."""
    plan = in_tenths(plan)
    times = [one.round_s for one in plan.rounds]
    if any(one is None for one in times):
        times = [from_ms(one) for one in typical_rounds(plan.rounds)]
    return timed(plan, times)


def _paced(plan: Plan, model: Forecaster, first_s: float | None = None) -> tuple[Plan, Forecast]:
    """The plan with times to a tenth, and its forecast, whose total is the plan's. A first round
    that is to be slower, `first_s`, is."""
    plan = with_start(in_tenths(plan))
    times = shared(plan, model.forecast(plan, kept=True, unbroken=False))
    if first_s is not None:
        times[0] = max(times[0], to_ms(first_s))
    plan = timed(plan, [from_ms(one) for one in times])
    return plan, model.forecast(plan, "the new plan", kept=True, unbroken=False)
