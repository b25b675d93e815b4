"""From a workout, an athlete's numbers and a target to a complete plan with its clock card."""

from __future__ import annotations

import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from pydantic import Field

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import MovementReps, Record
from repcount.errors import PlanError
from repcount.plan.barbell import KITS, Kit
from repcount.plan.break_rules import (
    COMMON,
    OVERHEAD_BROKEN,
    OVERHEAD_RULE,
    PROTECTED,
    RULE_NAMES,
    USUAL_BREAK_S,
    PatternOffer,
    break_patterns,
    breaks_high,
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
    Feasible,
    Shape,
    Times,
    TimesAround,
    between_rounds,
    clock_words,
    floors,
    shares_of,
    typical_rounds,
)
from repcount.plan.pattern import Pattern, parse_pattern
from repcount.plan.set_limits import (
    LONGEST_BREAK_S,
    LONGEST_REST_S,
    RECOVERY_S,
    SOURCE,
    SPREAD,
    SetLimits,
    mean_reps,
)
from repcount.plan.strength import MaxEstimate
from repcount.plan.tempo import TYPICAL, Tempo
from repcount.plan.working_load import CAUTIONS, LoadAdvice, advise_load, movements_of
from repcount.units import from_ms, to_ms
from repcount.wording import hint, listed, plural, shown
from repcount.wording.numbers import short

TESTED_REPS = 20  # of an unbroken test, where no max is known


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
    advice: list[str] = Field(
        default_factory=list, description="to whoever writes the plan; not on the athlete's card"
    )
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
    said = Said()
    load = _load(workout, wishes)
    limits = SetLimits(load.shares if load else {})
    workout = _tested(workout, wishes, limits, said)
    rounds_asked = workout.workout.rounds
    offers = [] if workout.workout.to_max else break_patterns(rounds_asked, limits)
    chosen, patterns, break_s = _pattern(workout, wishes, offers, limits, said)
    cycle_s = dict(wishes.cycle_s or workout.cycle_s)
    transition_s = workout.transition_s if wishes.transition_s is None else wishes.transition_s
    tempo = Tempo(cycle_s, transition_s, limits.shares)
    rounds = [
        RoundPlan(movements=one.movements, pattern=pattern, break_s=seconds)
        for one, pattern, seconds in zip(workout.rounds, patterns, break_s, strict=True)
    ]
    rounds, around = _rested(workout, wishes, rounds, limits, tempo, said)
    times = _times(workout, wishes, rounds, around, tempo, own_shares, said)
    built = load.load if load else None
    plan = workout.model_copy(
        update={
            "athlete": wishes.athlete or workout.athlete,
            "workout": workout.workout.model_copy(
                update={"load_kg": built.total_kg if built else None}
            ),
            "load_lb": built.total if built and built.unit == "lb" else None,
            "rounds": [
                one.model_copy(
                    update={"round_s": from_ms(took), "break_s": [from_ms(ms) for ms in lengths]}
                )
                for one, took, lengths in zip(rounds, times.rounds, times.breaks, strict=True)
            ],
            "between_rounds_s": [from_ms(one) for one in times.between],
            "start_s": from_ms(around.start),
            "transition_s": transition_s,
            "cycle_s": cycle_s,
            "target_s": workout.target_s if wishes.target_s is None else wishes.target_s,
        }
    )
    check_time(plan)
    return Proposal(
        plan=plan,
        card=clock_card(plan, tempo),
        load=load,
        chosen=chosen,
        patterns=offers,
        assumptions=said.assumptions,
        notes=[*_notes(plan, load), *said.notes],
        advice=slow_rounds(plan, tempo),
    )


def _tested(workout: Plan, wishes: Wishes, limits: SetLimits, said: Said) -> Plan:
    """An unbroken test with the reps that it is planned to last for; any other as it is."""
    if not workout.workout.to_max:
        return workout
    if wishes.patterns or wishes.rule or wishes.protect:
        raise PlanError("an unbroken test is one set; leave out the pattern, rule and protect.")
    part = workout.workout.rounds[0][0]
    said.notes.append(
        "An unbroken test: as many reps as there are before the bar goes down for a break. It is a "
        f"set to failure: not alone, and over as soon as form goes ({COMMON})."
    )
    reps = TESTED_REPS
    if part.movement in limits.shares:
        reps = round(mean_reps(limits.shares[part.movement]))
    said.assumptions.append(
        f"The time is that of {plural(reps, 'rep')}"
        + ("." if part.movement in limits.shares else ", an assumption: no max is given.")
    )
    movements = [part.model_copy(update={"reps": reps})]
    one = workout.rounds[0].model_copy(
        update={"movements": movements, "pattern": Pattern(sets=[movements])}
    )
    return workout.model_copy(update={"workout": workout.workout.tested(reps), "rounds": [one]})


@dataclass
class Said:
    """What a plan stands on and what else there is to say, as it is found."""

    assumptions: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def _notes(plan: Plan, load: LoadAdvice | None) -> list[str]:
    patterns = [one.pattern for one in plan.rounds if one.pattern]
    notes = [OVERHEAD_BROKEN if breaks_high(patterns) else OVERHEAD_RULE]
    if load is None:
        notes.append("No load is planned: neither a load nor a max was given.")
    cap_s, total_s = plan.workout.time_cap_s, plan.planned_total_s
    if cap_s is not None and total_s is not None and total_s > cap_s:
        notes.append(
            f"The planned total of {clock_words(to_ms(total_s))} is over the time cap of "
            f"{clock_words(to_ms(cap_s))}."
        )
    return notes


def slow_rounds(plan: Plan, tempo: Tempo = TYPICAL) -> list[str]:
    """A sentence where planned rounds leave more time than their reps take at a slow pace."""
    if any(one.round_s is None for one in plan.rounds):
        return []
    over = [
        (number, to_ms(one.round_s or 0.0) - slow)
        for number, (one, slow) in enumerate(
            zip(plan.rounds, floors(plan.rounds, tempo, "slow"), strict=True), 1
        )
    ]
    longest = max(over, key=lambda pair: pair[1])
    if longest[1] < 100 * plan.rounds[longest[0] - 1].reps:  # a tenth of a second a rep
        return []
    return [
        f"Round {longest[0]} leaves {short(from_ms(longest[1]))} s more than its reps take at a "
        "slow pace: make its breaks longer, or the round shorter."
    ]


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
    workout: Plan,
    wishes: Wishes,
    offers: Sequence[PatternOffer],
    limits: SetLimits,
    said: Said,
) -> tuple[str, list[Pattern], list[list[float]]]:
    """Where the pattern is from, the pattern of every round, and the length of its breaks."""
    rounds = workout.workout.rounds
    length = wishes.break_s
    if wishes.patterns:
        chosen, found = "as given", _given_patterns(wishes.patterns, rounds, limits, said)
    elif wishes.rule is None and wishes.protect is None and workout.has_breaks:
        chosen, found, lengths = _filed_pattern(workout, limits, said)
        if length is None:
            return chosen, found, lengths
    else:
        offer = _offer(workout, wishes, offers, limits)
        chosen = offer.name
        found = [
            parse_pattern(text, movements)
            for text, movements in zip(offer.patterns, rounds, strict=True)
        ]
        if length is None:
            length = offer.break_s
            if offer.breaks:
                said.assumptions.append(f"Breaks of {short(length)} s ({COMMON}).")
    if length is None:
        length = USUAL_BREAK_S
        if any(len(one.sets) > 1 for one in found):
            said.assumptions.append(f"Breaks of {short(length)} s ({COMMON}).")
    return chosen, found, [[length] * (len(one.sets) - 1) for one in found]


def _given_patterns(
    texts: Sequence[str], rounds: Sequence[Sequence[MovementReps]], limits: SetLimits, said: Said
) -> list[Pattern]:
    """Patterns that a coach gives: kept, with a word, where sets are longer than planned here, and
    refused where hardly anybody could do them."""
    if len(texts) == 1:
        texts = list(texts) * len(rounds)
    if len(texts) != len(rounds):
        raise PlanError(
            f"{plural(len(texts), 'pattern')} for {plural(len(rounds), 'round')}; give one "
            "for every round, or one a round."
        )
    found = [
        parse_pattern(text, movements, f"the pattern of round {number}")
        for number, (text, movements) in enumerate(zip(texts, rounds, strict=True), 1)
    ]
    sets = [one for pattern in found for one in pattern.sets]
    if all(map(limits.holds, sets)):
        return found
    worst = max((one for one in sets if not limits.holds(one)), key=limits.used)
    words = (
        f"the set {' + '.join(f'{part.reps} {part.movement}' for part in worst)} asks for "
        f"{limits.used(worst):.0%} of what people could do in one set at this share of the max "
        f"({SOURCE})"
    )
    if not limits.holds(worst, SPREAD):
        held = limits.cut(Pattern(sets=[worst]))
        raise PlanError(f"{words}, over {1 + SPREAD:.0%}; break it as {held}, or take less load.")
    said.notes.append(f"{words[0].upper()}{words[1:]}; {1 - SPREAD:.0%} is planned here.")
    return found


def _filed_pattern(
    workout: Plan, limits: SetLimits, said: Said
) -> tuple[str, list[Pattern], list[list[float]]]:
    """The pattern of the file, its sets cut to what the load allows, and the length of breaks."""
    filed = [one.pattern for one in workout.rounds if one.pattern is not None]
    if workout.workout.to_max:
        return "none, one unbroken set", filed, [[]]
    cut = [
        limits.cut_round(pattern, one.break_s, USUAL_BREAK_S)
        for pattern, one in zip(filed, workout.rounds, strict=True)
    ]
    found, lengths = [held for held, _ in cut], [seconds for _, seconds in cut]
    if found == filed:
        return "as in the file", filed, lengths
    said.notes.append("Sets of the file's pattern are cut to what the load allows.")
    return "as in the file, with shorter sets", found, lengths


def _offer(
    workout: Plan, wishes: Wishes, offers: Sequence[PatternOffer], limits: SetLimits
) -> PatternOffer:
    """The offer that the wishes choose: by name, by what it protects, else the first."""
    if not offers:
        raise PlanError(
            "no break pattern fits: at this share of the max a round falls into more sets than "
            "anybody can follow; take less load, or fewer reps."
        )
    if wishes.rule is not None:
        if wishes.rule not in RULE_NAMES:
            raise PlanError(
                f"the break rule {shown(wishes.rule)} is not known here"
                f"{hint(wishes.rule, RULE_NAMES)}; allowed are "
                f"{listed([shown(name) for name in RULE_NAMES])}."
            )
        found = offer_named(wishes.rule, workout.workout.rounds, limits)
        if found is None:
            raise PlanError(
                f"the break rule {shown(wishes.rule)} does not fit this workout"
                f"{' at this share of the max' if limits.shares else ''}; those that do are "
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


def _rested(
    workout: Plan,
    wishes: Wishes,
    rounds: list[RoundPlan],
    limits: SetLimits,
    tempo: Tempo,
    said: Said,
) -> tuple[list[RoundPlan], TimesAround]:
    """The rounds and what lies around them: breaks and times between as long as the load asks for.
    Lengths that were given are kept, with a word where they are shorter."""
    start = workout.start_s if wishes.start_s is None else wishes.start_s
    if start is None:
        start = START_S
        said.assumptions.append(f"{START_S:g} s from the signal to the first rep (assumption).")
    between = _between(workout, wishes, said)
    lengths, rests = limits.rests_needed(rounds, between, tempo)
    asked: list[str] = []
    given: list[str] = []
    planned = [list(one.break_s) for one in rounds]
    if lengths != planned:
        words = f"breaks of {_up_to(lengths, planned)} s"
        (asked if wishes.break_s is None else given).append(words)
    if rests != list(between):
        words = f"{_up_to([rests], [between])} s between rounds"
        (asked if wishes.between_s is None else given).append(words)
    why = f"so that enough comes back for the next set (recovery {RECOVERY_S:g} s, an assumption)"
    if asked:
        said.assumptions.append(f"The load asks for {' and '.join(asked)}, {why}.")
    if given:
        said.notes.append(
            f"The load asks for {' and '.join(given)}, {why}; what was given is shorter."
        )
    if wishes.break_s is None:
        rounds = [
            one.model_copy(update={"break_s": seconds})
            for one, seconds in zip(rounds, lengths, strict=True)
        ]
    return rounds, between_rounds(
        len(rounds),
        start,
        rests if wishes.between_s is None else between,
        longest_break_s=LONGEST_BREAK_S if wishes.break_s is None else 0.0,
        longest_rest_s=LONGEST_REST_S if wishes.between_s is None else 0.0,
    )


def _up_to(lengths: Sequence[Sequence[float]], planned: Sequence[Sequence[float]]) -> str:
    """The lengths that are longer than planned, as a range."""
    longer = [
        one
        for pair in zip(lengths, planned, strict=True)
        for one, other in zip(*pair, strict=True)
        if one > other
    ]
    low, high = short(min(longer)), short(max(longer))
    return high if low == high else f"{low} to {high}"


def _between(workout: Plan, wishes: Wishes, said: Said) -> Sequence[float]:
    gaps = len(workout.rounds) - 1
    if wishes.between_s is not None:
        return [wishes.between_s] * gaps
    if workout.between_rounds_s is not None:
        return workout.between_rounds_s
    if gaps:
        said.assumptions.append(f"{BETWEEN_S:g} s between rounds ({COMMON}).")
    return [BETWEEN_S] * gaps


def _times(
    workout: Plan,
    wishes: Wishes,
    rounds: Sequence[RoundPlan],
    around: TimesAround,
    tempo: Tempo,
    own_shares: Sequence[Fraction] | None,
    said: Said,
) -> Times:
    """Rounds, breaks and times between, in ms: for the target, as in the file, or typical."""
    if wishes.shape == "own" and own_shares is None:
        raise PlanError(
            "a pace in the athlete's own shape needs attempts that show it; give their folders, "
            "or choose an even pace."
        )
    target_s = wishes.target_s
    if target_s is None and any(one.round_s is None for one in workout.rounds):
        target_s = workout.target_s
    if target_s is None:
        breaks: list[list[int]] = [list(map(to_ms, one.break_s)) for one in rounds]
        filed = _filed_times(workout, wishes, rounds, tempo, said)
        return Times(filed or typical_rounds(rounds, tempo), breaks, list(around.between))
    if wishes.shape == "own" and own_shares is not None:
        shares: Sequence[Fraction] = own_shares
    else:
        shares = shares_of(rounds, wishes.shape)
        if wishes.shape == "ahead" and len(rounds) > 1:
            said.assumptions.append(
                f"The first round is a tenth under an even split, the others hold ({COMMON})."
            )
    times = Feasible(rounds, around, shares, tempo).times(target_s, workout.workout.time_cap_s)
    planned = [list(map(to_ms, one.break_s)) for one in rounds]
    if times.breaks != planned or times.between != list(around.between):
        said.assumptions.append(
            "The target leaves more time than reps take at a slow pace: breaks and the time "
            "between rounds are longer."
        )
    return times


def _filed_times(
    workout: Plan, wishes: Wishes, rounds: Sequence[RoundPlan], tempo: Tempo, said: Said
) -> list[int]:
    """The round times of the file, in ms; none where others are asked for, or where they leave too
    little for breaks that the load made longer."""
    kept = [one.round_s for one in workout.rounds if one.round_s is not None]
    if kept and not wishes.patterns and wishes.rule is None and wishes.protect is None:
        times: list[int] = list(map(to_ms, kept))
        same = all(
            one.break_s == filed.break_s for one, filed in zip(rounds, workout.rounds, strict=True)
        )
        if same or all(map(operator.ge, times, floors(rounds, tempo))):
            return times
        said.notes.append(
            "The file's round times are too short for the breaks that are planned; typical ones "
            "stand in their place."
        )
    said.assumptions.append(
        "No target was given: rounds are as long as typical cycle times make them (assumption)."
    )
    return []


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
