"""What an athlete could lift once, from a set of up to ten.

Seven published equations, as read in the R source befitteR/R/one_rm.R, which cites LeSuer et al.,
J Strength Cond Res 1997;11:211. They disagree, and people differ more than the equations do (5 to
20 reps at 80 % of the maximum, Jovanović, hex-bar deadlift): the answer is a middle with the spread
of the equations, never one number. All of them are said to underestimate the deadlift (LeSuer 1997,
from memory).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass

from pydantic import Field

from repcount.attempt.records import Record
from repcount.errors import PlanError
from repcount.wording import shown

# Linear forms break beyond ten reps (Reynolds, Gordon, Robergs, JSCR 2006;20:584).
MOST_SET_REPS = 10
HEAVIEST_KG = 600.0  # more than anybody has lifted


@dataclass(frozen=True)
class Equation:
    """One published equation: the maximum as a factor of the load lifted `reps` times to failure.

    The form is kept as published, also where it does not return the load at one rep.
    """

    name: str
    year: int
    factor: Callable[[float], float]


EQUATIONS: tuple[Equation, ...] = (
    Equation("Epley", 1985, lambda r: 1 + 0.0333 * r),
    Equation("Brzycki", 1993, lambda r: 1 / (1.0278 - 0.0278 * r)),
    Equation("Lander", 1985, lambda r: 100 / (101.3 - 2.67123 * r)),
    Equation("Lombardi", 1989, lambda r: r**0.10),
    Equation("Mayhew", 1992, lambda r: 100 / (52.2 + 41.9 * math.exp(-0.055 * r))),
    Equation("O'Conner", 1989, lambda r: 1 + 0.025 * r),
    Equation("Wathan", 1994, lambda r: 100 / (48.8 + 53.8 * math.exp(-0.075 * r))),
)


class MaxEstimate(Record):
    """A one-rep max, lifted or estimated. All in kilograms; `low` to `high` is the spread of the
    equations, none where the maximum was lifted."""

    load_kg: float = Field(gt=0)
    reps: int = Field(ge=1, le=MOST_SET_REPS)
    low_kg: float
    middle_kg: float = Field(description="median of the equations")
    high_kg: float
    by_equation: dict[str, float] = Field(default_factory=dict)

    @property
    def lifted(self) -> bool:
        """Whether it was lifted once, so that nothing is estimated."""
        return self.reps == 1


def one_rep_max(load_kg: float, reps: int = 1, what: str = "the best set") -> MaxEstimate:
    """The one-rep max that a set of `reps` to failure with `load_kg` speaks for.

    One rep is its own maximum: most of the equations would not return it. `what` opens the sentence
    of the PlanError raised for a load that is not above 0 or not possible, or for reps under 1 or
    over 10.
    """
    if not math.isfinite(load_kg) or load_kg <= 0:
        raise PlanError(f"{what} has a load of {load_kg:g} kg; give a load above 0.")
    if load_kg > HEAVIEST_KG:
        raise PlanError(
            f"{what} has a load of {load_kg:g} kg, more than anybody lifts; check the number and "
            "its unit."
        )
    if reps < 1:
        raise PlanError(f"{what} has {reps} reps; give a set of 1 to {MOST_SET_REPS} reps.")
    if reps > MOST_SET_REPS:
        raise PlanError(
            f"{what} has {reps} reps; beyond {MOST_SET_REPS} the equations say little about one "
            f"rep: give a heavier set of 1 to {MOST_SET_REPS} reps, or the max itself."
        )
    load_kg = round(load_kg, 3)
    if reps == 1:
        return MaxEstimate(
            load_kg=load_kg, reps=1, low_kg=load_kg, middle_kg=load_kg, high_kg=load_kg
        )
    by = {one.name: round(load_kg * one.factor(reps), 3) for one in EQUATIONS}
    return MaxEstimate(
        load_kg=load_kg,
        reps=reps,
        low_kg=min(by.values()),
        middle_kg=statistics.median(by.values()),
        high_kg=max(by.values()),
        by_equation=by,
    )


def share_of_max(load_kg: float, best: MaxEstimate) -> tuple[float, float, float]:
    """A load as a fraction of a max: by the middle, by the highest and by the lowest estimate."""
    return (load_kg / best.middle_kg, load_kg / best.high_kg, load_kg / best.low_kg)


def check_under(load_kg: float, best: MaxEstimate, movement: str) -> None:
    """Raise PlanError where a load is above the max of a movement that it is meant for."""
    if load_kg > best.high_kg:
        how = "lifted" if best.lifted else "estimated"
        raise PlanError(
            f"the load of {load_kg:g} kg is over the {how} max of {best.high_kg:.4g} kg for "
            f"{shown(movement)}; give a lighter load, or correct the max."
        )
