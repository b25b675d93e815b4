"""Heats."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "heats",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("created_at", sa.Integer, nullable=False),
    )


def downgrade() -> None:
    """Drop it."""
    op.drop_table("heats")
