"""The plan: workout, break pattern, pace and load, read from a TOML file."""

from repcount.plan.file import plan_schema_text
from repcount.plan.load import load_plan, parse_plan
from repcount.plan.model import Plan, PlannedRound, RoundPlan
from repcount.plan.pattern import Pattern, parse_pattern, position_of, write_sets

__all__ = [
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
