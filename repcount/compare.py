"""An attempt beside its plan: splits, breaks matched, where the time went."""

from __future__ import annotations

from repcount.plan import Plan
from repcount.records import Attempt, Comparison


def compare(attempt: Attempt, plan: Plan, *, length_tolerance_s: float = 0.5) -> Comparison:
    """Set an attempt beside its plan.

    A break whose length is within `length_tolerance_s` of the planned one is as long as planned.

    Raises RecordError if the attempt was not read against the plan's workout.
    """
    raise NotImplementedError
