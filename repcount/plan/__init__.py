"""The plan: workout, break pattern, pace and load, read from a TOML file."""

from repcount.plan.load import load_plan, parse_plan, plan_schema_text
from repcount.plan.model import Plan, PlannedRound, RoundPlan
from repcount.reading.movements import MOVEMENT_NAMES
from repcount.plan.pattern import Pattern, parse_pattern, position_of, write_sets

__all__ = [
    "MOVEMENT_NAMES",
    "Pattern",
    "Plan",
    "PlannedRound",
    "RoundPlan",
    "load_plan",
    "parse_pattern",
    "parse_plan",
    "plan_schema_text",
    "position_of",
    "write_sets",
]
