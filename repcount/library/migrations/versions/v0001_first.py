"""Athletes, plans, attempts, uploads, share links, settings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "athletes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(100), nullable=False, unique=True),
        sa.Column("notes", sa.Text, nullable=False),
    )
    op.create_table(
        "plans",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("toml", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("changed_at", sa.Integer, nullable=False),
    )
    op.create_table(
        "attempts",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("athlete_id", sa.Integer, sa.ForeignKey("athletes.id"), nullable=True),
        sa.Column("file_name", sa.String(120), nullable=False),
        sa.Column("plan_toml", sa.Text, nullable=True),
        sa.Column("workout", sa.String(200), nullable=False),
        sa.Column("state", sa.String(12), nullable=False),
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("total_s", sa.Float, nullable=True),
        sa.Column("created_at", sa.Integer, nullable=False),
        sa.Column("finished_at", sa.Integer, nullable=True),
    )
    op.create_index("ix_attempts_state", "attempts", ["state", "created_at"])
    op.create_table(
        "uploads",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("file_name", sa.String(120), nullable=False),
        sa.Column("athlete_id", sa.Integer, nullable=True),
        sa.Column("plan_id", sa.Integer, nullable=True),
        sa.Column("created_at", sa.Integer, nullable=False),
        sa.Column("attempt_id", sa.String(32), nullable=True),
    )
    op.create_table(
        "shares",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column(
            "attempt_id",
            sa.String(32),
            sa.ForeignKey("attempts.id", ondelete="CASCADE"),
            nullable=False,
        ),
        sa.Column("created_at", sa.Integer, nullable=False),
        sa.Column("expires_at", sa.Integer, nullable=False),
    )
    op.create_table(
        "settings",
        sa.Column("key", sa.String(40), primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )


def downgrade() -> None:
    """Drop the tables."""
    for name in ("settings", "shares", "uploads", "attempts", "plans", "athletes"):
        op.drop_table(name)
