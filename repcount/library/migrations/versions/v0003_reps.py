"""Whether an attempt is complete, and how many of the prescribed reps it counts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
_COLUMNS = {"complete": sa.Boolean, "counted": sa.Integer, "asked": sa.Integer}


def upgrade() -> None:
    """Add the columns, filled from the results that lie beside the database."""
    for name, kind in _COLUMNS.items():
        op.add_column("attempts", sa.Column(name, kind, nullable=True))
    connection = op.get_bind()
    home = Path(connection.engine.url.database or "").parent / "attempts"
    rows = connection.execute(sa.text("SELECT id FROM attempts WHERE state = 'done'")).all()
    for (attempt_id,) in rows:
        try:
            found = _reps(json.loads((home / attempt_id / "attempt.json").read_text("utf-8")))
        except (OSError, ValueError, TypeError, KeyError):  # shown without these figures
            continue
        connection.execute(
            sa.text(
                "UPDATE attempts SET complete = :complete, counted = :counted, asked = :asked "
                "WHERE id = :id"
            ),
            {"id": attempt_id, **found},
        )


def _reps(attempt: dict[str, Any]) -> dict[str, Any]:
    rounds = (attempt["workout"] or {"rounds": []})["rounds"]
    return {
        "complete": attempt["clock"]["finished"],
        "counted": sum(rep["status"] == "counted" for rep in attempt["reps"]),
        "asked": sum(part["reps"] for parts in rounds for part in parts) or None,
    }


def downgrade() -> None:
    """Drop them."""
    for name in _COLUMNS:
        op.drop_column("attempts", name)
