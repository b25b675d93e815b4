"""The slowing model beside the measured cycles: what each cycle should have taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from repcount.analysis.forecast import parameters
from repcount.analysis.slowing import Slowing, course, fit_slowing, unrecovered
from repcount.attempt.records import Attempt
from repcount.plan.tempo import CYCLE_RANGE_S, TYPICAL
from repcount.reports.after import parameter_words


@dataclass(frozen=True)
class Fitted:
    """`cycles`: expected seconds of a cycle by the moment of its top; `words`: the parameters with
    their intervals, or why there is no model."""

    cycles: Mapping[float, float] = field(default_factory=dict)
    words: tuple[str, ...] = ()


def fitted_slowing(attempt: Attempt) -> Fitted:
    """Fit the model to one attempt, as `forecaster` does: the same numbers."""
    unknown = {rep.movement for rep in attempt.reps} - CYCLE_RANGE_S.keys()
    if unknown:
        return Fitted(words=(f"no typical tempo of {', '.join(sorted(unknown))} is known",))
    slowing = fit_slowing([attempt])
    if not isinstance(slowing, Slowing):
        return Fitted(words=(slowing.reason,))
    said = [
        parameter_words(one)
        for one in parameters(slowing)
        if not one.name.startswith("fresh cycle")
    ]
    return Fitted(_expected(slowing, attempt), tuple(said))


def _expected(slowing: Slowing, attempt: Attempt) -> dict[float, float]:
    """The middle of the draws of each cycle, without its own scatter."""
    way = course(attempt)
    weights = slowing.weights
    tired = unrecovered(way.rests_s, np.exp(slowing.nonlinear[:, 0]))
    own = 4 + len(slowing.keys)
    found = {}
    for one in way.observed:
        if one.step.kind != "cycle":
            continue
        in_set = weights[:, 1] + weights[:, own + slowing.movements[one.step.movement]]
        logs = (
            np.log(TYPICAL.step_s(one.step))
            + weights[:, 0]
            + weights[:, 4 + slowing.keys[one.step.key]]
            + in_set * tired[one.index]
            + weights[:, 2] * one.work
            + weights[:, -1]  # the day of the only attempt
        )
        found[one.at_s] = float(np.exp(np.median(logs)))
    return found
