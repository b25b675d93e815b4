"""When the video of an upload was filmed, where that is said with it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the column."""
    op.add_column("uploads", sa.Column("recorded_at", sa.String(20), nullable=True))


def downgrade() -> None:
    """Drop it."""
    op.drop_column("uploads", "recorded_at")
