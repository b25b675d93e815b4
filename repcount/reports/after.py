"""What follows an attempt, on a terminal and on paper: the next plan, rankings, histories."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from repcount.analysis.forecast import Parameter, Ranked, Ranking, Span
from repcount.analysis.history import AttemptColumn, Change, History, common_words
from repcount.analysis.losses import Evidence
from repcount.analysis.next_plan import NextPlan, Suggestion
from repcount.analysis.reasons import ReasonKind
from repcount.plan.clock_card import clock_card
from repcount.plan.file import LONGEST_NOTES
from repcount.plan.load import parse_plan
from repcount.plan.model import Plan
from repcount.plan.propose import Proposal
from repcount.plan.working_load import CAUTIONS
from repcount.plan.writing import plan_toml
from repcount.reports.pages import ALONE, Back, sheet
from repcount.reports.svg import percent, tag
from repcount.reports.terminal import WIDTH, fit, wrap
from repcount.reports.words import count, plain
from repcount.units import KG_PER_LB, from_ms, to_ms
from repcount.wording import listed, plural
from repcount.wording.moments import recorded_words
from repcount.wording.numbers import clock, hundredths, short, signed

_LOSSES = 5
LEAST_SAID_S = 2.0  # less is not told as what went badly
_TOO_SMALL = "too small to tell"  # two attempts would differ by more without any change
REASONS: dict[ReasonKind, str] = {
    "sets": "sets too long",
    "breaks": "breaks too short",
    "start": "a start too fast",
    "load": "a load too heavy",
}
_REPS_SHOWN = 6  # columns of attempts that a terminal holds


def _wrapped(text: str, indent: int = 0, first: str = "") -> Iterator[str]:
    lines = wrap(plain(text), WIDTH - indent)
    for number, line in enumerate(lines):
        lead = first.ljust(indent) if number == 0 else " " * indent
        yield lead + line


def _paragraph(text: str, indent: int) -> list[str]:
    return list(_wrapped(text, indent)) if text else []


def interval(span: Span, *, sign: bool = False) -> str:
    """`3.1 s (1.2 to 5.0)`."""
    form = signed if sign else short
    return f"{form(span.middle_s)} s ({form(span.low_s)} to {form(span.high_s)})"


def saved_words(gain: Span) -> str:
    """`save 3.1 s (1.2 to 5.0)`, or `cost` where a gain is below zero."""
    if gain.middle_s >= 0:
        return f"save {interval(gain)}"
    cost = Span(middle_s=-gain.middle_s, low_s=-gain.high_s, high_s=-gain.low_s)
    return f"cost {interval(cost)}"


def interval_mark(span: Span, low_s: float, high_s: float) -> Markup:
    """An interval with its middle, on a scale from `low_s` to `high_s`."""

    def at(seconds: float) -> str:
        return percent((seconds - low_s) / max(high_s - low_s, 0.001))

    return tag(
        "svg",
        tag("line", class_="span", x1=at(span.low_s), x2=at(span.high_s), y1=8, y2=8),
        tag("circle", class_="middle", cx=at(span.middle_s), cy=8, r=5),
        class_="interval",
        height=16,
        aria_hidden="true",
    )


def clock_interval(span: Span) -> str:
    """`2:31.4 (2:20.1 to 2:44.0)`."""
    return f"{clock(span.middle_s)} ({clock(span.low_s)} to {clock(span.high_s)})"


def parameter_words(one: Parameter) -> str:
    """A parameter with its interval, and whether the data determine it."""
    unit = one.unit if one.unit.startswith("%") else f" {one.unit}".rstrip()
    unit = f" {unit}" if unit.startswith("%") else unit
    digits = 2 if one.unit == "s" and one.value < 10 else 1
    said = f"{one.name} {one.value:.{digits}f}{unit}"
    said += f" ({one.low:.{digits}f} to {one.high:.{digits}f})"
    said = said.replace("-0.0 ", "0.0 ").replace("-", "−")
    return said if one.told_by_data else f"{said}, poorly determined"


# A ranking --------------------------------------------------------------------------------------


def ranking_lines(ranking: Ranking) -> list[str]:
    """Plans from the fastest on, each with its interval; the first is the one compared with."""
    lines = [f"{plain(ranking.workout)}: what the plans would take (intervals of 90 %)", ""]
    if ranking.not_enough_data:
        return lines + list(_wrapped(f"{ranking.not_enough_data}."))
    lines += _plan_lines(ranking.plans)
    for one in ranking.refused:
        lines += _wrapped(f"{one.name}: no forecast; it asks for {' and '.join(one.why)}.")
    lines.append("")
    lines += [line for one in ranking.slowing for line in _wrapped(parameter_words(one), 2)]
    for said in [*ranking.notes, *ranking.cautions]:
        lines += _wrapped(said)
    return lines


def _plan_lines(plans: Sequence[Ranked]) -> Iterator[str]:
    for number, one in enumerate(plans):
        total = clock_interval(one.forecast.total)
        name = plain(one.forecast.name)
        if len(name) > 24:  # on a line of its own
            yield from _wrapped(name)
            name = ""
        yield f"{fit(name, 24)}{total:>27}  {_saved(one) if number else 'the base'}"
        yield f"    {breaks_words(one)}"
        if number and one.inside_noise:
            yield f"    the difference is {_TOO_SMALL}"
        for said in one.forecast.outside:
            yield from _wrapped(f"untested: {said}", 4)
        if one.forecast.chance_of_plan is not None:
            yield f"    in the planned time or under: {one.forecast.chance_of_plan:.0%} chance"


def breaks_words(one: Ranked) -> str:
    """`breaks of 4.0 s`, `breaks of 2.0 to 6.0 s`, `no break`."""
    if not one.breaks_s:
        return "no break"
    lengths = dict.fromkeys(map(short, one.breaks_s))
    return f"breaks of {' to '.join(lengths)} s"


def _saved(one: Ranked) -> str:
    if one.gain is None:
        return ""
    word = "saves" if one.gain.middle_s >= 0 else "costs"
    return f"{word} {short(abs(one.gain.middle_s))} s"


def _gain(one: Ranked) -> str:
    return f"{_saved(one)}, {_TOO_SMALL}" if one.inside_noise else _saved(one)


# The next plan ----------------------------------------------------------------------------------


def next_lines(answer: NextPlan) -> list[str]:
    """Losses, suggestions and the new plan, at most 80 cells a line."""
    planned = f", planned {clock(answer.planned_s)}" if answer.planned_s is not None else ""
    load = answer.plan.workout.load_kg
    zero = answer.clock_start_s or 0.0
    lines = [f"{plain(answer.workout)}: {clock(answer.total_s)}{planned}", ""]
    lines.append("Lost time" if answer.losses else "No loss of half a second or more.")
    for loss in answer.losses[:_LOSSES]:
        lines += _wrapped(loss.what, 10, f"{short(loss.seconds):>7} s")
        moments = ", ".join(f"{clock(one.at_s - zero)} {one.text}" for one in loss.evidence[:2])
        lines += _wrapped(f"against {loss.against}" + (f"; see {moments}" if moments else ""), 10)
    if len(answer.losses) > _LOSSES:
        lines.append(f"{'':10}and {len(answer.losses) - _LOSSES} smaller")
    lines += ["", "What to change" if answer.suggestions else "No change is suggested."]
    if answer.not_enough_data:
        lines += _wrapped(f"{answer.not_enough_data}.", 2)
    lines += _paragraph(trouble_words(answer), 2)
    for number, one in enumerate(answer.suggestions):
        lines += _wrapped(one.change, 4, f"{number + 1}.")
        lines += _paragraph(suggestion_words(answer, number), 4)
    lines += _paragraph(" ".join([*lead_words(answer), *way_words(answer)]), 2)
    if answer.plan.planned_total_s is not None:
        lines += ["", f"The new plan: {new_total(answer)}"]
        lines += _wrapped(f"Load: {kg_words(load)}", 2) if load else []
        lines += _wrapped(parts_words(answer.plan), 2)
        lines += _paragraph(target_words(answer.plan), 2)
        for number, round_ in enumerate(answer.plan.rounds, 1):
            if round_.pattern is not None:
                breaks = f"; breaks {seconds_words(round_.break_s)}" if round_.break_s else ""
                lines += _wrapped(f"Round {number}: {round_.pattern}{breaks}", 2)
    if answer.ranking:
        lines += ["", "Patterns, against what was done", *_plan_lines(answer.ranking)]
    if answer.slowing:
        lines += ["", "Slowing as fitted"]
        lines += [line for one in answer.slowing for line in _wrapped(parameter_words(one), 2)]
    lines.append("")
    for said in [*answer.notes, *answer.cautions]:
        lines += _wrapped(said)
    return lines


def new_total(answer: NextPlan) -> str:
    """The new plan's total, as on its clock card, with the interval of its forecast where the model
    forecasts it."""
    said = clock(answer.plan.planned_total_s)
    if answer.forecast and not answer.trouble:
        total = answer.forecast.total
        said += f" ({clock(total.low_s)} to {clock(total.high_s)}) if breaks and rests are kept"
    return said


def trouble_words(answer: NextPlan) -> str:
    """What an attempt lost, each part once, and what the changes that follow are for; empty where
    it went well."""
    found = answer.trouble
    if found is None:
        return ""
    parts = ["not all rounds were done"] if found.unfinished else []
    if found.stops:
        parts.append(f"{plural(found.stops, 'unplanned break')}, {short(found.stopped_s)} s")
    if found.slower_s >= LEAST_SAID_S:
        parts.append(f"slower reps than in round 1, {short(found.slower_s)} s")
    said = f"It went badly: {'; '.join(parts)}." if parts else "It went badly."
    changes = sum(one.reason is not None for one in answer.suggestions)
    if not changes:
        return said
    first = "A change for the likeliest:" if changes == 1 else "Changes, for the likeliest first:"
    return f"{said} Four reasons were weighed: {listed(list(REASONS.values()))}. {first}"


def suggestion_words(answer: NextPlan, place: int) -> str:
    """What a change saves, alone, and what speaks for it, where that has not been said before."""
    one = answer.suggestions[place]
    said = [gain_words(one.gain, one.inside_noise)] if one.gain else []
    if one.reason is not None and one.probability is not None:
        sure = "over 99" if one.probability > 0.99 else f"{100 * one.probability:.0f}"
        said.append(_capital(f"{REASONS[one.reason]}: {sure} % likely, of the four."))
    if all(one.why != other.why for other in answer.suggestions[:place]):
        said.append(one.why)
    if not one.in_plan:
        said.append("Not in the new plan: try one change at a time.")
    return " ".join(filter(None, said))


def lead_words(answer: NextPlan) -> list[str]:
    """What the new plan is expected to take beside the last attempt, or why changes are suggested
    of which that is not known; and why the largest loss is in none of them."""
    if answer.trouble is not None:
        said = _unforecast_words(answer)
    elif answer.again is None or answer.forecast is None:
        return []
    else:
        last = clock(answer.total_s) if answer.to_the_end else "not all rounds were done"
        new = clock(answer.forecast.total.middle_s)
        if answer.expected is not None:
            new += (
                f", and at {clock_interval(answer.expected)} with breaks and rests running over as "
                "they did last time, as in the list of plans"
            )
        said = [f"Last time {last}. The new plan is forecast at {new}."]
    return [*said, *filter(None, [largest_words(answer)])]


def way_words(answer: NextPlan) -> list[str]:
    """How the forecast of the new plan comes about: from the last attempt done again, the totals
    one after the other, and what all changes together are expected to save."""
    if answer.trouble is not None or answer.again is None or answer.forecast is None:
        return []
    known = sum(one.gain is not None for one in answer.suggestions)
    same = "done the same again" if answer.to_the_end else "the same to its end"
    many = len(answer.attempts)
    by = f", as {count(many, 'attempt')} have it," if many > 1 else ""
    said = [f"{same}{by} {clock(answer.again.middle_s)}"]
    if known:
        few = "this change" if known == 1 else "these changes"
        said.append(f"with {few} {clock(answer.changed_s)}")
    said.append(f"{_sets_words(answer)} {clock(answer.forecast.total.middle_s)}, the new plan")
    parts = [f"Forecast: {'; '.join(said)}."]
    if answer.together is not None:
        parts.append(
            f"Together the changes are expected to {saved_words(answer.together)}; their gains "
            "overlap."
        )
    if answer.sets is not None and _has_own_sets(answer):
        tell = f", which is {_TOO_SMALL}" if answer.sets.low_s <= 0 <= answer.sets.high_s else ""
        parts.append(
            f"The plan’s sets in place of those done are expected to {saved_words(answer.sets)}"
            f"{tell}; they are kept as the coach planned them, for the coach to change."
        )
    return parts


def _has_own_sets(answer: NextPlan) -> bool:
    """Whether the new plan has other sets than the attempt, though no change asks for it."""
    done = answer.ranking[0].patterns if answer.ranking else answer.plan.planned_sets()
    asked = any(one.kind == "pattern" for one in answer.suggestions)
    return not asked and done != answer.plan.planned_sets()


def _sets_words(answer: NextPlan) -> str:
    broken = "a set may be broken where nobody planned it"
    if _has_own_sets(answer):
        return f"with the plan’s sets, where {broken},"
    return f"counting that {broken}"


def _unforecast_words(answer: NextPlan) -> list[str]:
    """Why changes are suggested after an attempt that went badly, where no gain is forecast."""
    found, total_s = answer.trouble, answer.plan.planned_total_s
    unknown = [one for one in answer.suggestions if one.reason and one.gain is None]
    whole = found is not None and not found.unfinished
    parts = []
    if whole and answer.forecast and total_s is not None:
        said = (
            f"Last time {clock(answer.total_s)}. The new plan’s own total is {clock(total_s)}, "
            "with its breaks kept and reps as slow as they were filmed"
        )
        if answer.expected:
            said += (
                f"; its forecast is {clock_interval(answer.expected)}, with breaks and rests "
                "running over as they did last time"
            )
        parts.append(f"{said}.")
    if unknown and found is not None:
        aim = "hold the sets without unplanned stops" if found.stops else "keep reps from slowing"
        slower = answer.expected and answer.expected.middle_s >= (answer.total_s or 0.0)
        first = "What it saves is not known"
        if whole and slower:
            first = "No gain in time is expected from it"
        parts.append(
            f"{first}: it is meant to {aim}. Whether it does is not forecast; the coach decides."
        )
    return parts


# What a plan cannot change, or says already: of losses, by their kinds.
_AS_PLANNED = {"between-rounds": "between rounds", "start": "to the first rep"}
_UNPLANNED = ("transitions", "uncounted")


def largest_words(answer: NextPlan) -> str:
    """Why the largest loss is in none of the changes; empty where they are for it, or there is no
    change."""
    taken = any(one.shortens == "between-rounds" for one in answer.suggestions)
    if not answer.suggestions or not answer.losses:
        return ""
    most = answer.losses[0]
    said = f"The largest loss, {most.name} ({short(most.seconds)} s), is in none of these changes"
    if most.kind in _UNPLANNED:
        return f"{said}: no sets, breaks, pace or load are known to shorten it."
    if most.kind not in _AS_PLANNED or taken:
        return ""
    plan = answer.plan
    lengths = plan.between_rounds_s if most.kind == "between-rounds" else [plan.start_s or 0.0]
    return (
        f"{said}: the new plan has {seconds_words(lengths or [0.0])} {_AS_PLANNED[most.kind]} "
        "again, and keeping to that is what wins it back."
    )


def made_after(plan: Plan) -> str:
    """`after the attempt filmed 28 Nov 2026`, of a plan that was made after one; else empty."""
    first = (plan.notes or "").partition("\n")[0]
    return f"{first[:1].lower()}{first[1:].rstrip(':')}" if first.startswith(AFTER) else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def gain_words(gain: Span, inside_noise: bool) -> str:
    """What one change alone is expected to save, in a sentence."""
    said = f"Expected to {saved_words(gain)}, alone."
    if inside_noise:
        said += " Two attempts differ by more anyway: one alone would not show it."
    return said


def seconds_words(values: Sequence[float]) -> str:
    """`4.0 s each`, or `3.0, 4.5 s`."""
    if len(values) > 1 and len(set(values)) == 1:
        return f"{short(values[0])} s each"
    return f"{', '.join(map(short, values))} s"


def target_words(plan: Plan) -> str:
    """How a plan that is paced as forecast stands to its target; empty without one."""
    target_s, total_s = plan.target_s, plan.planned_total_s
    if target_s is None or total_s is None:
        return ""
    over_ms = to_ms(total_s) - to_ms(target_s)
    apart = f"{clock(abs(from_ms(over_ms)))} {'over' if over_ms > 0 else 'under'}"
    return (
        f"It is paced as forecast, {apart if over_ms else 'on'} the target of {clock(target_s)}, "
        "which stands."
    )


def parts_words(plan: Plan) -> str:
    """What a plan's total is made of: the parts as shown add up to it."""
    parts = [f"start {short(plan.start_s)}"] if plan.start_s else []
    parts.append(f"rounds {' + '.join(short(one.round_s) for one in plan.rounds)}")
    between = plan.between_rounds_s or []
    if any(between):
        parts.append(f"between them {' + '.join(map(short, between))}")
    return f"= {', '.join(parts)} s"


def next_page(answer: NextPlan, video: Path | None = None, folder: Path | None = None) -> str:
    """The decision as a page for print. Moments link into the video where it is known where it
    lies; `folder` is where the page will lie."""
    return sheet(
        "next.html",
        **next_parts(answer),
        zero=answer.clock_start_s or 0.0,
        filmed=recorded_words(answer.recorded_at),
        losses=[(loss, [(one, _link(one, answer, video, folder)) for one in loss.evidence])
                for loss in answer.losses],
    )  # fmt: skip


def next_parts(answer: NextPlan) -> dict[str, Any]:
    """What pages tell of a decision: the changes with what they save, and the new plan."""
    return {
        "answer": answer,
        "trouble": trouble_words(answer),
        "gains": [suggestion_words(answer, place) for place in range(len(answer.suggestions))],
        "lead": lead_words(answer),
        "way": way_words(answer),
        "target": target_words(answer.plan),
        **plan_parts(answer.plan),
        "fitted": [parameter_words(one) for one in answer.slowing],
        "ranking": [
            (one, clock_interval(one.forecast.total), _gain(one) if number else "the base")
            for number, one in enumerate(answer.ranking)
        ],
        "total": new_total(answer),
    }


def plan_parts(plan: Plan) -> dict[str, Any]:
    """What pages tell of a plan: its load, its rounds, and what its total is made of."""
    return {
        "load": kg_words(plan.workout.load_kg) if plan.workout.load_kg else "",
        "parts": parts_words(plan) if plan.planned_total_s is not None else "",
        "plan_rounds": [
            (number, one.round_s, str(one.pattern) if one.pattern else "", one.break_s)
            for number, one in enumerate(plan.rounds, 1)
        ],
    }


def changes_of(answer: NextPlan) -> list[str]:
    """The changes that the new plan has, in sentences, as its card has them."""
    made = [one.change for one in answer.suggestions if one.in_plan]
    return made or ["The plan is done again."]


# A change without its numbers, which a plan's own fields hold and its coach may change.
_AIMS: dict[str, str] = {
    "sets": "break into shorter sets",
    "breaks": "take longer breaks",
    "start": "start slower",
    "load": "take less load",
}
_SHORTENS = {"breaks": "keep the breaks short", "between-rounds": "go on soon after each round"}


def aim_words(one: Suggestion) -> str:
    """What a change is for, without numbers: `keep the breaks short`."""
    if one.shortens is not None:
        return _SHORTENS[one.shortens]
    if one.reason is None and one.kind == "pattern":
        return "break the sets another way" if one.gain else "plan no more than the load allows"
    return _AIMS[one.reason or "load"]


def next_toml(answer: NextPlan) -> str:
    """The new plan as the text of a plan file, with its cautions as comments; the attempt and what
    was suggested after it are in its notes, without the plan's numbers: these may be changed."""
    aims = [aim_words(one) for one in answer.suggestions if one.in_plan]
    said = f"Suggested then: {'; '.join(aims) or 'do the plan again'}."
    return plan_toml(noted(answer.plan, answer.recorded_at, answer.video, [said]), answer.cautions)


CHOSEN = "Chosen from the plans that were forecast then: "


def listed_toml(name: str, plan: Plan, recorded_at: str | None, video: str) -> str:
    """A plan of a list of forecasts as the text of a plan file; which one it was is in its notes,
    by its rule's name where it has one: a pattern stands in the plan."""
    said = f"{CHOSEN}{listed_words(name)}."
    return plan_toml(noted(plan, recorded_at, video, [said]), CAUTIONS)


def listed_words(name: str) -> str:
    """The name of a listed plan without its pattern: `long opening set`."""
    if not name[:1].isdigit():
        return name
    return name.partition("(")[2].rstrip(")") or "a pattern as typed"


def chosen_from(plan: Plan) -> str:
    """Which plan of a list of forecasts this one was kept from; empty where it is from none."""
    lines = [one for one in (plan.notes or "").splitlines() if one.startswith(CHOSEN)]
    return lines[0].removeprefix(CHOSEN).rstrip(".") if lines else ""


AFTER = "After the attempt"  # begins the notes of a plan that was made after one


def noted(plan: Plan, recorded_at: str | None, video: str, said: Sequence[str]) -> Plan:
    """A plan with notes on the attempt that it was made after, in place of those on an earlier
    one; what a coach has written stays below them. Without a day the attempt is that in `video`."""
    filmed = recorded_words(recorded_at)
    first = f"{AFTER} filmed {filmed}" if filmed else f"{AFTER} in {plain(video)}"
    kept = [one for one in (plan.notes or "").split("\n\n") if one and not one.startswith(AFTER)]
    notes = "\n\n".join(["\n".join([f"{first}:", *said]), *kept])
    return plan.model_copy(update={"notes": notes[:LONGEST_NOTES]})


def next_card(answer: NextPlan, athlete: str = "") -> Proposal:
    """The new plan with its clock card; for `athlete`, where the plan names none."""
    plan = answer.plan
    if athlete and not plan.athlete:
        plan = plan.model_copy(update={"athlete": athlete})
    return Proposal(
        plan=plan,
        card=clock_card(plan),
        chosen="as decided after the attempt",
        patterns=[],
        assumptions=changes_of(answer),
    )


@dataclass(frozen=True)
class RankedLine:
    """A plan of a ranking as a page shows it: its words, and its interval on a scale that all
    share. `times`: with what times it is kept, where not with those of its forecast; `kept`:
    whether it is the plan that was kept."""

    name: str
    pattern: str
    asks: str
    total: str
    gain: str
    chance: str
    untested: list[str]
    drawing: Markup
    times: str
    kept: bool


def ranked_lines(
    ranking: Ranking, plans: Mapping[str, Plan], kept: Plan | None = None
) -> list[RankedLine]:
    """The plans of a ranking, from the fastest on. `plans`: each as it would be kept, by its name;
    `kept`: the one that was."""
    totals = [one.forecast.total for one in ranking.plans]
    low = min((one.low_s for one in totals), default=0.0)
    high = max((one.high_s for one in totals), default=1.0)
    base = next(iter(plans.values())).workout.load_kg if plans else None
    return [
        RankedLine(
            name=one.forecast.name,
            pattern=" / ".join(dict.fromkeys(one.patterns)),
            asks=_asks(one, plans[one.forecast.name], base),
            total=clock_interval(one.forecast.total),
            gain=_gain(one) if number else "the others are compared with it",
            chance=""
            if one.forecast.chance_of_plan is None
            else f"{one.forecast.chance_of_plan:.0%}",
            untested=one.forecast.outside,
            drawing=interval_mark(one.forecast.total, low, high),
            times=_times_kept(one, plans[one.forecast.name]),
            kept=kept is not None and _unsigned(plans[one.forecast.name]) == _unsigned(kept),
        )
        for number, one in enumerate(ranking.plans)
    ]


def _asks(one: Ranked, plan: Plan, base_kg: float | None) -> str:
    """`breaks of 3.0 s, 65 kg`: its breaks, and its load where that is not the first plan's."""
    on_bar = plan.workout.load_kg
    return breaks_words(one) + (f", {kg_words(on_bar)}" if on_bar and on_bar != base_kg else "")


def _times_kept(one: Ranked, plan: Plan) -> str:
    if plan.planned_total_s is None:
        return "kept without times for its rounds: its forecast leaves them no time to work"
    total = clock(plan.planned_total_s)
    same = total == clock(one.forecast.total.middle_s)
    return "" if same else f"kept with its own times, {total}"


def _unsigned(plan: Plan) -> Plan:
    """A plan by its work and times alone, as its file has them."""
    plan = plan.model_copy(update={"athlete": None, "notes": None})
    return parse_plan(plan_toml(plan))


def _link(one: Evidence, answer: NextPlan, video: Path | None, folder: Path | None) -> str:
    """The moment in the video as a media fragment (W3C Media Fragments URI 1.0), or nothing."""
    if video is None or folder is None:
        return ""
    way = Path(os.path.relpath(video.resolve(), folder.resolve()))
    return f"{quote(way.as_posix())}#t={one.at_s * answer.slowed:.1f}"


# A history --------------------------------------------------------------------------------------


def kg_words(kg: float) -> str:
    """`60 kg (132.3 lb)`."""
    return f"{kg:g} kg ({kg / KG_PER_LB:.1f} lb)"


def change_words(one: Change) -> str:
    """The difference of a change, with what it says."""
    if one.unit == "s":
        cycle = one.what.startswith("Cycle")
        said = signed(one.difference)
        if cycle:
            said = ("+" if one.difference > 0 else "") + hundredths(one.difference)
    else:
        said = f"{one.difference:+g}".replace("-", "−") if one.difference else "0"
    if one.within_scatter:
        said += ", within scatter"
    return said


def _figure(value: float, unit: str, what: str) -> str:
    if unit != "s":
        return f"{value:g}"
    if what == "Total" or what.startswith("Clock"):
        return clock(value)
    return hundredths(value) if what.startswith("Cycle") else short(value)


def history_lines(history: History) -> list[str]:
    """Attempts side by side: at most six columns, the rest are in the page."""
    shown = history.attempts[:_REPS_SHOWN]
    lines = [f"{plain(history.workout)}: {len(history.attempts)} attempts side by side", ""]
    for number, one in enumerate(history.attempts, 1):
        load = f", {kg_words(one.load_kg)}" if one.load_kg else ""
        unfinished = f", {one.short}" if one.short else ""
        fixed = ", corrected by a person" if one.corrected else ""
        filmed = f", filmed {recorded_words(one.recorded_at)}" if one.recorded_at else ""
        lines += _wrapped(f"{one.name}{filmed}{load}{unfinished}{fixed}", 4, f"{number}.")
    lines += ["", f"{'seconds':<20}" + "".join(f"{n:>10}" for n in range(1, len(shown) + 1))]
    rows = [("Total", [_total_cell(one) for one in shown])]
    rows += [
        (f"Round {n}", [_round_cell(one, n) for one in shown])
        for n in range(1, len(history.attempts[0].rounds_s) + 1)
    ]
    if part := part_words(history):
        rows.append((part, [short(one.to_common_s) for one in shown]))
    rows += [
        ("Breaks", [f"{one.breaks}" for one in shown]),
        ("Time in breaks", [short(one.break_s) for one in shown]),
        ("Between rounds", [short(one.between_s) for one in shown]),
        ("Transitions", [short(one.transition_s) for one in shown]),
    ]
    for name in history.attempts[0].median_cycle_s:
        cycles = [one.median_cycle_s.get(name) for one in shown]
        rows.append((f"Cycle, {name}", [hundredths(c) for c in cycles]))
    lines += [fit(name, 20) + "".join(f"{cell:>10}" for cell in cells) for name, cells in rows]
    if any(one.short for one in shown):
        lines += _wrapped("In brackets: not every rep was counted.")
    if said := upto_words(history):
        lines += _wrapped(said)
    lines += ["", f"From 1 to {len(history.attempts)}{_compared_words(history)}"]
    lines += [
        f"  {fit(one.what, 30)}{_figure(one.first, one.unit, one.what):>9} to "
        f"{_figure(one.last, one.unit, one.what):>8}  {change_words(one)}"
        for one in history.changes
        if one.difference
    ]
    alike = "Nothing in how they were filmed and read stands in the way."
    lines += ["", "Cannot be compared" if history.not_comparable else alike]
    lines += [line for said in history.not_comparable for line in _wrapped(said, 2)]
    lines += [line for said in history.notes for line in _wrapped(said)]
    return lines


def _total_cell(one: AttemptColumn) -> str:
    return f"({clock(one.total_s)})" if one.short else clock(one.total_s)


def _round_cell(one: AttemptColumn, number: int) -> str:
    return short(one.rounds_s[number - 1])


def part_words(history: History) -> str:
    """`Round 3, 7 deadlift`: the part of an unfinished round that all have done; empty where all
    rounds that all began are over."""
    common = history.common
    if common is None or common.whole:
        return ""
    if all(one.rounds_s[common.round - 1] is not None for one in history.attempts):
        return ""
    return f"R{common.round} to {common.movement} {common.number}"


def upto_words(history: History) -> str:
    """Up to which rep the figures are, where they are not of the whole workout."""
    if history.common is None:
        return "One attempt has no counted rep: there is nothing to compare."
    if history.common.whole:
        return ""
    upto = common_words(history.common)
    return f"Breaks and what stands below them: up to {upto}, the last that all have done."


def _compared_words(history: History) -> str:
    """What the changes are of, where they are not of the whole workout."""
    clock = next((one for one in history.changes if one.what.startswith("Clock at")), None)
    if clock is None:
        return ""
    return f", up to {clock.what.removeprefix('Clock at ')}, which both did"


def history_page(
    history: History, back: Back = ALONE, links: Sequence[str] = (), moving: str = ""
) -> str:
    """Attempts side by side as a page, rep for rep. `links` are the addresses of the attempts' own
    pages, in their order; `moving` is where the first and the last are seen moving."""
    return sheet(
        "history.html",
        back=back,
        links=links,
        moving=moving,
        history=history,
        changes=[
            (
                one.what,
                _figure(one.first, one.unit, one.what),
                _figure(one.last, one.unit, one.what),
                change_words(one),
            )
            for one in history.changes
        ],
        filmed=[recorded_words(one.recorded_at) for one in history.attempts],
        part=part_words(history),
        upto=upto_words(history),
        compared=_compared_words(history).lstrip(",: "),
        loads=[kg_words(one.load_kg) if one.load_kg else "–" for one in history.attempts],
        movements=list(history.attempts[0].median_cycle_s),
    )
