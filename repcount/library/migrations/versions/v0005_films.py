"""When an attempt was filmed, and by what two rows are known to be one attempt."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
_COLUMNS: dict[str, Any] = {
    "recorded_at": sa.String(20),
    "sha256": sa.String(64),
    "film_begin_s": sa.Float,
    "film_end_s": sa.Float,
}


def upgrade() -> None:
    """Add the columns, filled from the results that lie beside the database."""
    for name, kind in _COLUMNS.items():
        op.add_column("attempts", sa.Column(name, kind, nullable=True))
    connection = op.get_bind()
    home = Path(connection.engine.url.database or "").parent / "attempts"
    rows = connection.execute(sa.text("SELECT id FROM attempts WHERE state = 'done'")).all()
    for (attempt_id,) in rows:
        try:
            found = _film(json.loads((home / attempt_id / "attempt.json").read_text("utf-8")))
        except (OSError, ValueError, TypeError, KeyError):  # shown without these figures
            continue
        connection.execute(
            sa.text(
                "UPDATE attempts SET recorded_at = :recorded_at, sha256 = :sha256, "
                "film_begin_s = :film_begin_s, film_end_s = :film_end_s WHERE id = :id"
            ),
            {"id": attempt_id, **found},
        )


def _film(attempt: dict[str, Any]) -> dict[str, Any]:
    video = attempt["video"]
    counted = [rep for rep in attempt["reps"] if rep["status"] == "counted"]
    slowed = video.get("slowed", 1.0)
    begin = min((rep["start_s"] for rep in counted), default=0.0)
    end = max((rep["top_s"] for rep in counted), default=video["duration_s"])
    return {
        "recorded_at": video.get("recorded_at"),
        "sha256": video["sha256"],
        "film_begin_s": begin * slowed,
        "film_end_s": end * slowed,
    }


def downgrade() -> None:
    """Drop them."""
    for name in _COLUMNS:
        op.drop_column("attempts", name)
