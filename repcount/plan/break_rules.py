"""Where to put the bar down: rules of the trade as data, applied to any round of the catalogue.

Every rule is common practice, without a source. A rule says how long sets may get by where reps
begin, whether the last rep of a movement is kept as the way into the next, and for whom it is; what
a break costs follows from the zones of the catalogue (`tempo.PICK_UP_LIFTS`). Sets that are too
long for an athlete at a load are cut (`set_limits.py`); a rule that is about one long set is then
not offered.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from pydantic import Field

from repcount.attempt.movements import CATALOGUE
from repcount.attempt.records import MovementReps, Record, Zone
from repcount.plan.pattern import Pattern, parse_pattern, write_sets
from repcount.plan.set_limits import SetLimits
from repcount.plan.tempo import leads_into, pick_up_lifts
from repcount.units import Seconds

COMMON = "common practice, no source"
Protected = Literal["back", "grip", "shoulders", "lungs"]
PROTECTED: tuple[Protected, ...] = ("back", "grip", "shoulders", "lungs")
USUAL_BREAK_S = 4.0
MOST_TERMS = 150  # of a pattern; more is no plan that anybody can follow
# Marked as the rules are. One of them stands in every plan.
OVERHEAD_RULE = (
    "Work that begins on the shoulders or overhead is not broken: a break there costs an extra "
    f"clean ({COMMON})."
)
OVERHEAD_BROKEN = (
    "Breaks fall in work that begins on the shoulders or overhead: each costs an extra clean that "
    f"counts for nothing ({COMMON})."
)


@dataclass(frozen=True)
class Longest:
    """The longest set of a movement: so many reps, or a fraction of its reps in the round."""

    reps: int = 1000
    fraction: float = 1.0

    def of(self, reps: int) -> int:
        """The longest set where the round asks for so many."""
        return max(1, min(self.reps, math.ceil(self.fraction * reps)))


@dataclass(frozen=True)
class BreakRule:
    """One rule of the trade.

    `longest` by the zone where a movement's reps begin; a zone that is not in it is never broken.
    `last_leads`: where a movement's last rep is the way into the next, the bar goes down one rep
    before the end; with `needs_lead` the rule is only for workouts that have such a movement.
    `opening`: the first set goes this fraction into the second movement, nothing else is broken.
    `protects` are the words that a coach may choose it by.
    """

    name: str
    for_whom: str
    reason: str
    longest: Mapping[Zone, Longest] = field(default_factory=dict)
    last_leads: bool = False
    needs_lead: bool = False
    opening: float | None = None
    break_s: float = USUAL_BREAK_S
    protects: tuple[Protected, ...] = ()


RULES: tuple[BreakRule, ...] = (
    BreakRule(
        "one before the end",
        for_whom="an athlete who holds sets of this length and wants each break to cost no lift",
        reason="the bar goes down one rep before a movement ends, so that its last rep is the way "
        "into the next",
        longest={"floor": Longest(reps=15), "hang": Longest(reps=10)},
        last_leads=True,
        needs_lead=True,
        protects=("shoulders", "lungs"),
    ),
    BreakRule(
        "short sets early",
        for_whom="an athlete whose back tires first",
        reason="sets are cut in half from the first round on, before the back is tired",
        longest={"floor": Longest(fraction=0.5, reps=8), "hang": Longest(fraction=0.5, reps=6)},
        last_leads=True,
        protects=("back", "lungs"),
    ),
    BreakRule(
        "long opening set",
        for_whom="an athlete whose grip is strong",
        reason="one set from the start into the middle of the second movement saves a break",
        opening=0.5,
    ),
    BreakRule(
        "single dropped reps",
        for_whom="an athlete who has to protect back and grip",
        reason="each rep from the floor is dropped and taken up anew; no lowering, no holding on",
        longest={"floor": Longest(reps=1), "hang": Longest(fraction=0.5)},
        last_leads=True,
        break_s=1.5,
        protects=("grip", "back"),
    ),
    BreakRule(
        "unbroken",
        for_whom="an athlete for whom the load is light",
        reason="every break costs its own length, a put-down and a pick-up",
    ),
)
RULE_NAMES: tuple[str, ...] = tuple(rule.name for rule in RULES)


class PatternOffer(Record):
    """A break pattern for every round of a workout, and for whom it is."""

    name: str
    patterns: list[str] = Field(description="one a round")
    for_whom: str
    reason: str
    source: str = COMMON
    spares: list[Protected] = Field(default_factory=list)
    break_s: Seconds
    breaks: int = Field(description="in all rounds")
    longest_set: int = Field(description="reps of the longest set")
    extra_lifts: int = Field(description="pick-ups that count for nothing, in all rounds")
    remark: str = ""


def break_patterns(
    rounds: Sequence[Sequence[MovementReps]], limits: SetLimits | None = None
) -> list[PatternOffer]:
    """The patterns that the rules give for a workout, each once, in the order of the rules.

    No set is longer than `limits` hold (None: no max is known). A rule that cannot be applied to
    this workout at this load gives none.
    """
    offers: list[PatternOffer] = []
    for rule in RULES:
        offer = _offer(rule, rounds, limits or SetLimits())
        if offer and all(offer.patterns != other.patterns for other in offers):
            offers.append(offer)
    return offers


def offer_named(
    name: str, rounds: Sequence[Sequence[MovementReps]], limits: SetLimits | None = None
) -> PatternOffer | None:
    """The pattern of one rule; None where it cannot be applied to the workout at this load."""
    rule = next(rule for rule in RULES if rule.name == name)
    return _offer(rule, rounds, limits or SetLimits())


def described(
    patterns: Sequence[Pattern], name: str, for_whom: str, reason: str, **more: object
) -> PatternOffer:
    """An offer of patterns with what they cost."""
    return PatternOffer.model_validate(
        {
            "name": name,
            "for_whom": for_whom,
            "reason": reason,
            "patterns": [str(one) for one in patterns],
            "breaks": sum(len(one.sets) - 1 for one in patterns),
            "longest_set": max(
                sum(part.reps for part in one_set) for one in patterns for one_set in one.sets
            ),
            "extra_lifts": sum(
                pick_up_lifts(one_set[0].movement) for one in patterns for one_set in one.sets[1:]
            ),
            **more,
        }
    )


def _offer(
    rule: BreakRule, rounds: Sequence[Sequence[MovementReps]], limits: SetLimits
) -> PatternOffer | None:
    patterns: list[Pattern] = []
    remark = ""
    pairs = [pair for movements in rounds for pair in itertools.pairwise(movements)]
    if rule.needs_lead and not any(leads_into(a.movement, b.movement) for a, b in pairs):
        return None
    for movements in rounds:
        marks = _opening(rule, movements) if rule.opening else _marks(rule, movements)
        if marks is None or len(marks) >= MOST_TERMS:
            return None
        if marks and _only_high(movements):
            remark = "Every break costs an extra clean: all of the round begins high."
        text = write_sets(_sets(movements, marks))
        pattern = parse_pattern(text, movements, f'the rule "{rule.name}"')
        held = limits.cut(pattern)
        if len(held.sets) > MOST_TERMS or (held != pattern and not rule.longest):
            return None
        if held != pattern:
            remark = "Sets are cut to what the load allows."
        patterns.append(held)
    return described(
        patterns,
        rule.name,
        rule.for_whom,
        rule.reason,
        spares=list(rule.protects),
        break_s=rule.break_s,
        remark=remark,
    )


def _only_high(movements: Sequence[MovementReps]) -> bool:
    """Whether no movement of a round begins where a break costs less than a clean."""
    return all(pick_up_lifts(part.movement) >= 2 for part in movements)


def _marks(rule: BreakRule, movements: Sequence[MovementReps]) -> list[int]:
    """After how many reps of the round the bar goes down."""
    limits = dict(rule.longest)
    if _only_high(movements) and "hang" in limits:
        limits |= dict.fromkeys(("rack", "back", "overhead"), limits["hang"])
    marks, done = [], 0
    for part, following in zip(movements, [*movements[1:], None], strict=True):
        longest = limits.get(CATALOGUE[part.movement].begins)
        leads = following is not None and leads_into(part.movement, following.movement)
        kept = int(rule.last_leads and leads and part.reps > 1)
        if longest:
            pieces = _balanced(part.reps - kept, longest.of(part.reps))
            ends = [done + sum(pieces[: index + 1]) for index in range(len(pieces))]
            marks += ends if kept else ends[:-1]
        done += part.reps
        goes_down = following is not None and pick_up_lifts(following.movement) == 0
        if rule.longest and goes_down:  # the bar goes to the floor there in any case
            marks.append(done)
    return marks


def _balanced(reps: int, longest: int) -> list[int]:
    """Sets that differ by one rep at most, the longer ones first."""
    count = math.ceil(reps / longest)
    return [reps // count + (index < reps % count) for index in range(count)]


def _opening(rule: BreakRule, movements: Sequence[MovementReps]) -> list[int] | None:
    """One break, in the second movement; None where the first does not lead into it, or where a
    break in it would cost a clean."""
    if len(movements) < 2 or rule.opening is None:
        return None
    first, second = movements[:2]
    if not leads_into(first.movement, second.movement):
        return None
    if pick_up_lifts(second.movement) >= 2 or second.reps < 2:
        return None
    return [first.reps + math.ceil(rule.opening * second.reps)]


def _sets(movements: Sequence[MovementReps], marks: Sequence[int]) -> list[list[int]]:
    """Reps of every set by movement, from the places where the bar goes down."""
    sets: list[list[int]] = [[]]
    done = 0
    for part in movements:
        left = part.reps
        while left:
            stop = next((mark - done for mark in marks if mark > done), left)
            took = min(stop, left)
            sets[-1].append(took)
            done, left = done + took, left - took
            if done in marks:
                sets.append([])
    return [one for one in sets if one]


def breaks_high(patterns: Sequence[Pattern]) -> bool:
    """Whether a break falls where going on costs a clean or more."""
    return any(
        pick_up_lifts(after[0].movement) >= 2 and after[0].movement == before[-1].movement
        for pattern in patterns
        for before, after in itertools.pairwise(pattern.sets)
    )
