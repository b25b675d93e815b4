"""How heavy: the load of a workout from what an athlete can lift once.

The rule of the trade for rounds of deadlift, hang power clean and shoulder to overhead is about
half of the best shoulder-to-overhead, and of two loads the lighter, by 2.5 to 5 kg (common
practice, no source). For any other workout no rule is known here: half of the limiting max is then
an assumption and is called one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from pydantic import Field

from repcount.attempt.movements import CATALOGUE, ORDER
from repcount.attempt.records import MovementReps, Record
from repcount.errors import PlanError
from repcount.plan.barbell import BarLoad, Kit, at_most_kg, nearest_kg, side_words
from repcount.plan.break_rules import COMMON
from repcount.plan.set_limits import SOURCE, SPREAD, allowed_reps, mean_reps
from repcount.plan.strength import MaxEstimate, check_under, one_rep_max
from repcount.wording import listed

FRACTION = 0.5
LIGHTER_KG = (2.5, 5.0)  # of two loads the lighter, by so much
# Lighter plates are smaller than 450 mm in most places (common practice, no source).
SMALL_PLATE = {"kg": 10.0, "lb": 25.0}
FULL_RADIUS_CM = 21  # 22.5 cm, less the bar's own
HEAVY_SHARE = 0.7  # of a max; sets of several reps against the clock then end early (assumption)
# Push press : push jerk : split jerk in 18 men, 89.7 : 95.6 : 103.0 kg (Soriano et al., JSCR 2024,
# 38(8):1359). People differ; used only between these three, and said.
PRESS_MEANS_KG = {"push press": 89.7, "push jerk": 95.6, "split jerk": 103.0}
CAUTIONS = (
    "Lifting can hurt: choose load, breaks and pace with a qualified coach, and try them in "
    "training first.",
    "The numbers know nothing of health, history or technique: see a clinician about pain or "
    "illness, and follow the rules of the place.",
    # The position stand is quoted from memory.
    "Beginners learn each movement with a light bar and no clock first; for them a load is one "
    "that could be lifted 8 to 12 times (ACSM position stand, Med Sci Sports Exerc 2009;41:687).",
    "Stop when form goes, whatever the clock says.",
)
# What to mind where the load is heavy for a movement (all common practice, no source).
CLEAN_CAUTION = (
    "{what}: technique goes before strength does. Do single reps, drop each, and stop after the "
    f"first that is missed ({COMMON})."
)
OVERHEAD_CAUTION = (
    "{what}: know how to let a missed bar fall clear of you, keep the floor around it free, and "
    f"never press out a lift that is lost ({COMMON})."
)


class MovementShare(Record):
    """What a load is for one movement of the workout. Fractions of its max, 1 = the max."""

    movement: str
    best: MaxEstimate | None = Field(None, description="null: not given, so nothing is said")
    from_movement: str = Field("", description="where the max is another movement's")
    share: float | None = None
    share_low: float | None = None
    share_high: float | None = None
    set_reps: float | None = Field(
        None, description="reps to failure in one set at this share, mean of people tested"
    )
    longest_set: int | None = Field(None, description="reps that are planned in one set at most")


class LoadAdvice(Record):
    """A load for a workout, with its reason and a range."""

    load: BarLoad
    chosen_by: str = Field(description='"rule", "plan" or "given"')
    limiting: str | None = Field(None, description="the movement with the lowest max")
    limiting_max: MaxEstimate | None = None
    lightest: BarLoad | None = Field(None, description="of the range")
    heaviest: BarLoad | None = None
    reason: str
    source: str
    movements: list[MovementShare]
    notes: list[str] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))

    @property
    def shares(self) -> dict[str, float]:
        """The load as a fraction of the max, by movement, where one is known."""
        return {one.movement: one.share for one in self.movements if one.share is not None}


def movements_of(rounds: Sequence[Sequence[MovementReps]]) -> list[str]:
    """The movements of a workout, each once, in order."""
    return list(dict.fromkeys(part.movement for one in rounds for part in one))


def advise_load(
    rounds: Sequence[Sequence[MovementReps]],
    maxes: Mapping[str, MaxEstimate],
    kit: Kit,
    load_kg: float | None = None,
    *,
    given: bool = False,
) -> LoadAdvice:
    """The load of a workout: `load_kg` where it stands in the plan (or is `given` for this
    athlete), else by the rule.

    Raises PlanError where there is neither a load nor a max, where a max is under the load, or
    where the bar is heavier than the load.
    """
    asked = movements_of(rounds)
    notes = _unused(maxes, asked)
    known = {name: found for name in asked if (found := _max_of(name, maxes))}
    missing = [name for name in asked if name not in known]
    limiting = min(known, key=lambda name: known[name][0].middle_kg) if known else None
    if missing:
        notes.append(_unknown_words(missing, known))
    if load_kg is None:
        if limiting is None:
            raise PlanError(
                "there is no load in the plan and no max to choose one from; give the load, or the "
                f"max or best set of what limits the workout ({listed(asked)})."
            )
        advice = _by_rule(asked, known[limiting][0], limiting, kit)
    else:
        built = nearest_kg(load_kg, kit)
        if abs(built.total_kg - load_kg) > 0.005:
            notes.append(
                f"{load_kg:g} kg cannot be built with these plates; the nearest is "
                f"{built.total:g} {built.unit}."
            )
        advice = LoadAdvice(
            load=built,
            chosen_by="given" if given else "plan",
            reason="As given for this athlete." if given else "As the workout prescribes.",
            source="",
            movements=[],
        )
    if limiting is not None:
        advice.limiting, advice.limiting_max = limiting, known[limiting][0]
    kg = advice.load.total_kg
    heavy: dict[str, float] = {}
    for name, (best, source) in known.items():
        check_under(kg, best, name)
        advice.movements.append(_share(name, kg, best, source))
        if (share := kg / best.middle_kg) > HEAVY_SHARE:
            notes.append(
                f"{kg:g} kg is {share:.0%} of the {name} max: heavy for sets against the clock "
                f"({COMMON}); a lighter load may be the faster one."
            )
            heavy[name] = share
        if CATALOGUE[name].begins == "floor" and CATALOGUE[name].ends == "hang" and not best.lifted:
            # LeSuer and others 1997, from memory
            notes.append(f"The equations are said to underestimate the {name} (LeSuer 1997).")
    advice.cautions += _heavy_cautions(heavy)
    if known:
        notes.append(
            f"Sets are no longer than the mean less one standard deviation ({SOURCE}; spread from "
            "Richens and Cleather, Biol Sport 2014;31:157); none tested cleans or overhead work."
        )
    notes += _low_bar(advice.load, asked)
    if any(not best.lifted for best, _ in known.values()):
        notes.append("People differ more than the equations do: an estimate is a guide.")
    advice.movements += [MovementShare(movement=name) for name in missing]
    advice.movements.sort(key=lambda one: asked.index(one.movement))
    advice.notes = notes
    return advice


def _unknown_words(missing: Sequence[str], known: Collection[str]) -> str:
    """What is not known without a max."""
    return (
        f"No max is given for {listed(missing)}: how many reps in a set the load allows is not "
        "known" + (", and it may be what limits the workout instead." if known else ".")
    )


def known_maxes(
    rounds: Sequence[Sequence[MovementReps]], maxes: Mapping[str, MaxEstimate], load_kg: float
) -> tuple[dict[str, float], list[str]]:
    """The maxes in kilograms of a workout's movements, where they are known or follow from another
    movement's, and what is to be said of the rest.

    Raises PlanError where one is under the load.
    """
    asked = movements_of(rounds)
    known = {name: found[0] for name in asked if (found := _max_of(name, maxes))}
    for name, best in known.items():
        check_under(load_kg, best, name)
    missing = [name for name in asked if name not in known]
    said = _unused(maxes, asked)
    if missing:
        said.append(_unknown_words(missing, known))
    return {name: best.middle_kg for name, best in known.items()}, said


def _share(name: str, kg: float, best: MaxEstimate, source: str) -> MovementShare:
    middle, low, high = (kg / one for one in (best.middle_kg, best.high_kg, best.low_kg))
    return MovementShare(
        movement=name,
        best=best,
        from_movement=source,
        share=round(middle, 4),
        share_low=round(low, 4),
        share_high=round(high, 4),
        set_reps=round(mean_reps(middle), 2),
        longest_set=allowed_reps(middle),
    )


def _heavy_cautions(heavy: Mapping[str, float]) -> list[str]:
    """What to mind with movements at a high share of their max: lifts that are thrown up to the
    shoulders or higher, and work overhead."""
    thrown, overhead = [], []
    for name, share in heavy.items():
        entry = CATALOGUE[name]
        words = f"{name} at {share:.0%}"
        if entry.begins in ("floor", "hang") and ORDER[entry.ends] >= ORDER["rack"]:
            thrown.append(words)
        if "overhead" in (entry.begins, entry.ends):
            overhead.append(words)
    return [
        caution.format(what=f"{text[0].upper()}{text[1:]} of the max")
        for caution, words in ((CLEAN_CAUTION, thrown), (OVERHEAD_CAUTION, overhead))
        if (text := listed(words))
    ]


def _low_bar(load: BarLoad, asked: Sequence[str]) -> list[str]:
    """A word where the bar lies lower on the floor than on plates of full size."""
    from_floor = [name for name in asked if CATALOGUE[name].begins == "floor"]
    largest = max((one.plate for one in load.per_side), default=0.0)
    small = largest < SMALL_PLATE[load.unit]
    if not small:
        return []
    what = "has no plates" if not load.per_side else f"has plates of {largest:g} {load.unit} only"
    said = (
        f"The bar {what}: on the floor it lies up to {FULL_RADIUS_CM} cm lower than on plates of "
        "450 mm (IWF rules 3.3). Put it on blocks, or take light plates of full size"
    )
    return [f"{said}{f', for the {listed(from_floor)}' if from_floor else ''}."]


def _by_rule(asked: Sequence[str], best: MaxEstimate, limiting: str, kit: Kit) -> LoadAdvice:
    half = FRACTION * best.middle_kg
    chosen = at_most_kg(half, kit)
    if chosen is None:
        raise PlanError(
            f"half of the {limiting} max is {half:.1f} kg, under the bar of {kit.lightest:g} "
            f"{kit.unit}; take a lighter bar, or choose the load with a coach."
        )
    lightest = at_most_kg(FRACTION * best.low_kg - LIGHTER_KG[1], kit) or at_most_kg(
        chosen.total_kg, kit
    )
    paths = {(CATALOGUE[name].begins, CATALOGUE[name].ends) for name in asked}
    is_the_trades = ("floor", "hang") in paths and ("rack", "overhead") in paths
    what = f"about half of the {limiting} max of {best.middle_kg:.4g} kg"
    if not best.lifted:
        what += f" (the equations say {best.low_kg:.4g} to {best.high_kg:.4g})"
    return LoadAdvice(
        load=chosen,
        chosen_by="rule",
        lightest=lightest,
        heaviest=at_most_kg(FRACTION * best.high_kg, kit),
        reason=f"It is {what}, the movement that limits. Between two loads, take the "
        f"lighter, by {LIGHTER_KG[0]:g} to {LIGHTER_KG[1]:g} kg.",
        source=COMMON
        if is_the_trades
        else f"{COMMON}; known for rounds of deadlift, clean and overhead work, assumed for this",
        movements=[],
    )


def _max_of(name: str, maxes: Mapping[str, MaxEstimate]) -> tuple[MaxEstimate, str] | None:
    """A movement's max: its own; the largest of those that "any style" allows; else by the
    ratio of the three presses. With the movement that it is from, where it is another's."""
    if name in maxes:
        return maxes[name], ""
    alike = [other for other in CATALOGUE[name].also if other in maxes]
    if alike:
        best = max(alike, key=lambda other: maxes[other].middle_kg)
        return maxes[best], best
    if name in PRESS_MEANS_KG:
        for other in PRESS_MEANS_KG:
            if other in maxes:
                factor = PRESS_MEANS_KG[name] / PRESS_MEANS_KG[other]
                return _scaled(maxes[other], factor), other
    return None


def _scaled(best: MaxEstimate, factor: float) -> MaxEstimate:
    """The max of another press; a lifted one is no longer one."""
    scaled = one_rep_max(round(best.middle_kg * factor, 3))
    return scaled.model_copy(
        update={
            "reps": max(best.reps, 2),
            "low_kg": round(best.low_kg * factor, 3),
            "high_kg": round(best.high_kg * factor, 3),
        }
    )


def _unused(maxes: Mapping[str, MaxEstimate], asked: Sequence[str]) -> list[str]:
    used = set(asked)
    for name in asked:
        used |= CATALOGUE[name].also
        used |= set(PRESS_MEANS_KG) if name in PRESS_MEANS_KG else set()
    left = [name for name in maxes if name not in used]
    if not left:
        return []
    return [f"The max of {listed(left)} is not used: the workout does not ask for it."]


def load_lines(advice: LoadAdvice) -> list[str]:
    """The advice in sentences: the load, its reason, the range, every movement, notes."""
    load = advice.load
    lines = [f"{load_words(load)}: {side_words(load)}.", advice.reason]
    if advice.source:
        lines[-1] += f" ({advice.source})"
    if advice.lightest and advice.heaviest:
        low, high = advice.lightest, advice.heaviest
        lines.append(f"Range: {low.total:g} to {high.total:g} {high.unit}.")
    for one in advice.movements:
        if one.best is None or one.share is None:
            continue
        said = f"{one.movement}: {one.share:.0%} of "
        said += "the max lifted" if one.best.lifted else "the estimated max"
        if one.share_low is not None and one.share_high is not None and not one.best.lifted:
            said += f" ({one.share_low:.0%} to {one.share_high:.0%} by the equations)"
        if one.from_movement:
            said += f", taken from the {one.from_movement}"
        if one.set_reps is not None:
            fewer, more = (1 - SPREAD) * one.set_reps, (1 + SPREAD) * one.set_reps
            said += (
                f"; people do {one.set_reps:.0f} in a set (two of three {fewer:.0f} to "
                f"{more:.0f}), planned at most {one.longest_set}"
            )
        limits = " – this limits" if one.movement == advice.limiting else ""
        lines.append(said + limits + ".")
    return lines + advice.notes


def load_words(load: BarLoad) -> str:
    """`60 kg (132.3 lb)`, in the kit's own unit first."""
    if load.unit == "kg":
        return f"{load.total:g} kg ({load.total_lb:.1f} lb)"
    return f"{load.total:g} lb ({load.total_kg:.1f} kg)"
