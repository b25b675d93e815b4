"""From a workout, an athlete's numbers and a target to a complete plan with its clock card."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from pydantic import Field

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import Record
from repcount.errors import PlanError
from repcount.plan.barbell import KITS, Kit
from repcount.plan.break_rules import (
    COMMON,
    OVERHEAD_RULE,
    PROTECTED,
    RULE_NAMES,
    USUAL_BREAK_S,
    PatternOffer,
    break_patterns,
    described,
    offer_named,
)
from repcount.plan.clock_card import ClockCard, clock_card
from repcount.plan.load import check_time
from repcount.plan.model import Plan, RoundPlan
from repcount.plan.pace import (
    BETWEEN_S,
    SHAPES,
    START_S,
    Frame,
    Shape,
    clock_words,
    frame_of,
    rounds_for,
    shares_of,
    typical_rounds,
)
from repcount.plan.pattern import Pattern, parse_pattern
from repcount.plan.strength import MaxEstimate
from repcount.plan.tempo import Tempo
from repcount.plan.working_load import CAUTIONS, LoadAdvice, advise_load, movements_of
from repcount.units import from_ms, to_ms
from repcount.wording import hint, listed, plural, shown


@dataclass(frozen=True)
class Wishes:
    """What is wanted of a plan; what is None is taken from the workout's file, or by rule.

    `maxes`: by movement. `load_kg`: for this athlete. `patterns`: one for every round, or one a
    round. `rule`: the name of a break rule; `protect`: what the coach wants protected, which
    chooses one. `shape`: of the pace. Times in seconds.
    """

    athlete: str | None = None
    maxes: Mapping[str, MaxEstimate] = field(default_factory=dict)
    load_kg: float | None = None
    kit: Kit = KITS["kg"]
    patterns: Sequence[str] = ()
    rule: str | None = None
    protect: str | None = None
    break_s: float | None = None
    target_s: float | None = None
    shape: Shape = "even"
    between_s: float | None = None
    start_s: float | None = None
    cycle_s: Mapping[str, float] = field(default_factory=dict)
    transition_s: float | None = None


class Proposal(Record):
    """A complete plan with what it stands on."""

    format: Literal["repcount-proposal/1"] = "repcount-proposal/1"
    plan: Plan
    card: ClockCard
    load: LoadAdvice | None = Field(None, description="null: no load and no max are known")
    chosen: str = Field(description="the break pattern taken: a rule's name, or where it is from")
    patterns: list[PatternOffer] = Field(description="what the rules offer for this workout")
    assumptions: list[str] = Field(default_factory=list)
    notes: list[str] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))


def make_plan(
    workout: Plan, wishes: Wishes | None = None, *, own_shares: Sequence[Fraction] | None = None
) -> Proposal:
    """A complete plan: load, break pattern, pace and the clock card.

    `workout` is a plan of which the workout alone may be filled; its breaks and pace are kept where
    the wishes say nothing else. `own_shares` is what part of the rounds' time each round gets when
    the shape is "own" (`forecast.own_shares`).

    Raises PlanError, in one sentence, where a wish cannot be or a target cannot be met.
    """
    wishes = wishes or Wishes()
    _check(wishes)
    assumptions: list[str] = []
    load = _load(workout, wishes)
    offers = break_patterns(workout.workout.rounds)
    chosen, patterns, break_s = _pattern(workout, wishes, offers, assumptions)
    rounds = [
        RoundPlan(movements=one.movements, pattern=pattern, break_s=seconds)
        for one, pattern, seconds in zip(workout.rounds, patterns, break_s, strict=True)
    ]
    cycle_s = dict(wishes.cycle_s or workout.cycle_s)
    transition_s = workout.transition_s if wishes.transition_s is None else wishes.transition_s
    tempo = Tempo(cycle_s, transition_s)
    frame = _frame(workout, wishes, assumptions)
    times = _round_times(workout, wishes, rounds, frame, tempo, own_shares, assumptions)
    built = load.load if load else None
    plan = workout.model_copy(
        update={
            "athlete": wishes.athlete or workout.athlete,
            "workout": workout.workout.model_copy(
                update={"load_kg": built.total_kg if built else None}
            ),
            "load_lb": built.total if built and built.unit == "lb" else None,
            "rounds": [
                one.model_copy(update={"round_s": from_ms(took)})
                for one, took in zip(rounds, times, strict=True)
            ],
            "between_rounds_s": [from_ms(one) for one in frame.between],
            "start_s": from_ms(frame.start),
            "transition_s": transition_s,
            "cycle_s": cycle_s,
        }
    )
    check_time(plan)
    notes = [OVERHEAD_RULE]
    if load is None:
        notes.append("No load is planned: neither a load nor a max was given.")
    cap_s, total_s = plan.workout.time_cap_s, plan.planned_total_s
    if cap_s is not None and total_s is not None and total_s > cap_s:
        notes.append(
            f"The planned total of {clock_words(to_ms(total_s))} is over the time cap of "
            f"{clock_words(to_ms(cap_s))}."
        )
    return Proposal(
        plan=plan,
        card=clock_card(plan, tempo),
        load=load,
        chosen=chosen,
        patterns=offers,
        assumptions=assumptions,
        notes=notes,
    )


def _check(wishes: Wishes) -> None:
    """Raise PlanError for wishes that cannot be, whatever the workout."""
    for what, value in (
        ("the break length", wishes.break_s),
        ("the time between rounds", wishes.between_s),
        ("the start piece", wishes.start_s),
        ("the time of a transition", wishes.transition_s),
    ):
        if value is not None and not 0 <= value <= 3600:
            raise PlanError(f"{what} is {value:g} s; give 0 to 3600 seconds.")
    for name, value in wishes.cycle_s.items():
        if not 0.3 <= value <= 60:
            raise PlanError(f"the cycle time of {name} is {value:g} s; give 0.3 to 60 seconds.")
    if wishes.shape not in SHAPES:
        raise PlanError(
            f"the pace {shown(wishes.shape)} is not known here; allowed are {listed(SHAPES)}."
        )
    if wishes.protect is not None and wishes.protect not in PROTECTED:
        raise PlanError(
            f"{shown(wishes.protect)} is nothing that a pattern can protect; allowed are "
            f"{listed(PROTECTED)}."
        )
    ways = [bool(wishes.patterns), wishes.rule is not None, wishes.protect is not None]
    if sum(ways) > 1:
        raise PlanError(
            "a pattern, a rule and what to protect are three ways to choose the breaks; give one."
        )


def _load(workout: Plan, wishes: Wishes) -> LoadAdvice | None:
    given = wishes.load_kg is not None
    load_kg = wishes.load_kg if given else workout.workout.load_kg
    if load_kg is not None and load_kg <= 0:
        raise PlanError(f"the load is {load_kg:g} kg; give a load above 0.")
    if load_kg is None and not wishes.maxes:
        return None
    return advise_load(workout.workout.rounds, wishes.maxes, wishes.kit, load_kg, given=given)


def _pattern(
    workout: Plan, wishes: Wishes, offers: Sequence[PatternOffer], assumptions: list[str]
) -> tuple[str, list[Pattern], list[list[float]]]:
    """Where the pattern is from, the pattern of every round, and the length of its breaks."""
    rounds = workout.workout.rounds
    length = wishes.break_s
    if wishes.patterns:
        texts = list(wishes.patterns)
        if len(texts) == 1:
            texts *= len(rounds)
        if len(texts) != len(rounds):
            raise PlanError(
                f"{plural(len(texts), 'pattern')} for {plural(len(rounds), 'round')}; give one "
                "for every round, or one a round."
            )
        chosen = "as given"
        found = [
            parse_pattern(text, movements, f"the pattern of round {number}")
            for number, (text, movements) in enumerate(zip(texts, rounds, strict=True), 1)
        ]
    elif wishes.rule is None and wishes.protect is None and workout.has_breaks:
        kept = [one.pattern for one in workout.rounds if one.pattern is not None]
        if length is None:
            return "as in the file", kept, [list(one.break_s) for one in workout.rounds]
        chosen, found = "as in the file", kept
    else:
        offer = _offer(workout, wishes, offers)
        chosen = offer.name
        if length is None:
            length = offer.break_s
            if offer.breaks:
                assumptions.append(f"Breaks of {length:g} s ({COMMON}).")
        found = [
            parse_pattern(text, movements)
            for text, movements in zip(offer.patterns, rounds, strict=True)
        ]
    if length is None:
        length = USUAL_BREAK_S
        if any(len(one.sets) > 1 for one in found):
            assumptions.append(f"Breaks of {length:g} s ({COMMON}).")
    return chosen, found, [[length] * (len(one.sets) - 1) for one in found]


def _offer(workout: Plan, wishes: Wishes, offers: Sequence[PatternOffer]) -> PatternOffer:
    """The offer that the wishes choose: by name, by what it protects, else the first."""
    if wishes.rule is not None:
        if wishes.rule not in RULE_NAMES:
            raise PlanError(
                f"the break rule {shown(wishes.rule)} is not known here"
                f"{hint(wishes.rule, RULE_NAMES)}; allowed are "
                f"{listed([shown(name) for name in RULE_NAMES])}."
            )
        found = offer_named(wishes.rule, workout.workout.rounds)
        if found is None:
            raise PlanError(
                f"the break rule {shown(wishes.rule)} does not fit this workout; those that do are "
                f"{listed([shown(one.name) for one in offers])}."
            )
        return found
    if wishes.protect is not None:
        # the rule that has it first among what it protects
        ranked = [one for one in offers if wishes.protect in one.spares]
        if not ranked:
            raise PlanError(
                f"no break rule that protects the {wishes.protect} fits this workout; give a "
                f"pattern or one of the rules {listed([shown(one.name) for one in offers])}."
            )
        protected = wishes.protect
        return min(ranked, key=lambda one: [str(word) for word in one.spares].index(protected))
    return offers[0]


def _frame(workout: Plan, wishes: Wishes, assumptions: list[str]) -> Frame:
    gaps = len(workout.rounds) - 1
    between: Sequence[float]
    if wishes.between_s is not None:
        between = [wishes.between_s] * gaps
    elif workout.between_rounds_s is not None:
        between = workout.between_rounds_s
    else:
        between = [BETWEEN_S] * gaps
        if gaps:
            assumptions.append(f"{BETWEEN_S:g} s between rounds ({COMMON}).")
    start = workout.start_s if wishes.start_s is None else wishes.start_s
    if start is None:
        start = START_S
        assumptions.append(f"{START_S:g} s from the signal to the first rep (assumption).")
    return frame_of(len(workout.rounds), start, between)


def _round_times(
    workout: Plan,
    wishes: Wishes,
    rounds: Sequence[RoundPlan],
    frame: Frame,
    tempo: Tempo,
    own_shares: Sequence[Fraction] | None,
    assumptions: list[str],
) -> list[int]:
    given = [one.round_s for one in workout.rounds]
    cap_s = workout.workout.time_cap_s
    if wishes.shape == "own" and own_shares is None:
        raise PlanError(
            "a pace in the athlete's own shape needs attempts that show it; give their folders, "
            "or choose an even pace."
        )
    if wishes.target_s is None:
        kept = [one for one in given if one is not None]
        if kept and not wishes.patterns and wishes.rule is None and wishes.protect is None:
            return [to_ms(one) for one in kept]
        assumptions.append(
            "No target was given: rounds are as long as typical cycle times make them (assumption)."
        )
        return typical_rounds(rounds, tempo)
    if wishes.shape == "own" and own_shares is not None:
        shares: Sequence[Fraction] = own_shares
    else:
        shares = shares_of(rounds, wishes.shape)
        if wishes.shape == "ahead" and len(rounds) > 1:
            assumptions.append(
                f"The first round is a tenth under an even split, the others hold ({COMMON})."
            )
    return rounds_for(wishes.target_s, rounds, frame, shares, tempo, cap_s=cap_s)


def offers_for(workout: Plan, patterns: Sequence[Pattern] = ()) -> list[PatternOffer]:
    """What the rules offer for a workout, after the pattern that it already has."""
    offers = break_patterns(workout.workout.rounds)
    if patterns and all(offer.patterns != [str(one) for one in patterns] for offer in offers):
        mine = described(patterns, "as planned", "an athlete who knows it", "it stands in the plan")
        return [mine, *offers]
    return offers


def known_movement(name: str, workout: Plan, what: str) -> str:
    """The movement's name as the catalogue has it.

    Raises PlanError for one that is not known; `what` opens the sentence.
    """
    name = " ".join(name.split())
    folded = {one.casefold(): one for one in MOVEMENT_NAMES}
    if name.casefold() not in folded:
        raise PlanError(
            f"{what} names {shown(name)}, which is not a movement known here"
            f"{hint(name, MOVEMENT_NAMES)}; the workout has "
            f"{listed(movements_of(workout.workout.rounds))}."
        )
    return folded[name.casefold()]
