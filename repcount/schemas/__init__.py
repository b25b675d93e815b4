"""The published JSON Schemas (2020-12) of the artifacts and of the plan, made from the models."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from repcount.attempt.records import Record

FOLDER = Path(__file__).resolve().parent
NAMES: tuple[str, ...] = (
    "plan",
    "reading",
    "edits",
    "attempt",
    "comparison",
    "proposal",
    "ranking",
    "next",
    "history",
    "heat",
    "class",
)


def schema_of(name: str) -> str:
    """The schema of one of `NAMES`, as text, made from the model. Raises KeyError for others."""
    # the models take a while to load, and the command line needs the names alone
    from repcount.attempt.records import Attempt, Comparison, Edits, Reading, schema_text
    from repcount.plan import plan_schema_text

    if name == "plan":
        return plan_schema_text()
    if name in ("proposal", "ranking", "next", "history", "heat", "class"):
        return schema_text(_after(name))
    kinds: dict[str, type[Record]] = {
        "reading": Reading,
        "edits": Edits,
        "attempt": Attempt,
        "comparison": Comparison,
    }
    return schema_text(kinds[name])


def _after(name: str) -> type[Record]:
    """Records of planning, heats and classes; imported here, as few need their schemas."""
    from repcount.analysis.forecast import Ranking
    from repcount.analysis.history import History
    from repcount.analysis.next_plan import NextPlan
    from repcount.heat.records import Heat
    from repcount.plan.propose import Proposal
    from repcount.reports.class_sheet import ClassSheet

    kinds: dict[str, type[Record]] = {
        "proposal": Proposal,
        "ranking": Ranking,
        "next": NextPlan,
        "history": History,
        "heat": Heat,
        "class": ClassSheet,
    }
    return kinds[name]


def published(name: str) -> Path:
    """Where the schema of one of `NAMES` lies in the package."""
    return FOLDER / f"{name}.schema.json"
