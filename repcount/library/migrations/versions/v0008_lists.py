"""What lists say of an attempt: the plan's time, and how many moments are to be checked by eye."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
_COLUMNS = {"planned_s": sa.Float, "to_check": sa.Integer}
_ASK_NOTHING = {"driven_through", "top_only", "pick_up"}  # flags


def upgrade() -> None:
    """Add the columns, filled from the results that lie beside the database."""
    for name, kind in _COLUMNS.items():
        op.add_column("attempts", sa.Column(name, kind, nullable=True))
    connection = op.get_bind()
    home = Path(connection.engine.url.database or "").parent / "attempts"
    rows = connection.execute(sa.text("SELECT id FROM attempts WHERE state = 'done'")).all()
    for (attempt_id,) in rows:
        folder = home / attempt_id
        try:
            to_check = _to_check(json.loads((folder / "attempt.json").read_text("utf-8")))
            compared = folder / "comparison.json"
            read = json.loads(compared.read_text("utf-8")) if compared.exists() else {}
            planned_s = read.get("planned_total_s")
        except (OSError, ValueError, TypeError, KeyError):  # shown without these figures
            continue
        connection.execute(
            sa.text(
                "UPDATE attempts SET planned_s = :planned_s, to_check = :to_check WHERE id = :id"
            ),
            {"id": attempt_id, "planned_s": planned_s, "to_check": to_check},
        )


def _to_check(attempt: dict[str, Any]) -> int:
    reps = sum(
        rep["status"] != "counted" or bool({*rep["flags"]} - _ASK_NOTHING)
        for rep in attempt["reps"]
    )
    return reps + len(attempt["failed"])


def downgrade() -> None:
    """Drop them."""
    for name in _COLUMNS:
        op.drop_column("attempts", name)
