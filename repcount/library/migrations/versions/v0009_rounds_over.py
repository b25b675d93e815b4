"""Whether all rounds of an attempt were done to their ends, with a rep missing here or there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the column, filled from the results that lie beside the database."""
    op.add_column("attempts", sa.Column("rounds_over", sa.Boolean, nullable=True))
    connection = op.get_bind()
    home = Path(connection.engine.url.database or "").parent / "attempts"
    rows = connection.execute(sa.text("SELECT id FROM attempts WHERE state = 'done'")).all()
    for (attempt_id,) in rows:
        try:
            over = _over(json.loads((home / attempt_id / "attempt.json").read_text("utf-8")))
        except (OSError, ValueError, TypeError, LookupError):  # shown as not finished, as before
            continue
        connection.execute(
            sa.text("UPDATE attempts SET rounds_over = :over WHERE id = :id"),
            {"id": attempt_id, "over": over},
        )


def _over(attempt: dict[str, Any]) -> bool:
    asked, done = (attempt["workout"] or {"rounds": []})["rounds"], attempt["rounds"]
    if not asked or not done or done[-1]["round"] < len(asked):
        return False
    final = asked[-1][-1]["movement"]
    return all(part["movement"] != final for part in done[-1]["missing"])


def downgrade() -> None:
    """Drop it."""
    op.drop_column("attempts", "rounds_over")
