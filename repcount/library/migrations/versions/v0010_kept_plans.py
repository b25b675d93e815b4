"""After which attempt a plan was kept, and by whom."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add the columns, empty: of plans that were kept before, it is not known."""
    op.add_column("plans", sa.Column("kept_after", sa.String(32), nullable=True))
    op.add_column("plans", sa.Column("kept_by", sa.String(100), nullable=True))


def downgrade() -> None:
    """Drop them."""
    op.drop_column("plans", "kept_by")
    op.drop_column("plans", "kept_after")
