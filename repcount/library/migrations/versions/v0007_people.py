"""People with passphrases of their own, and whose a session is."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Make the table, and the sessions anew with the column: sessions that there are stay."""
    op.create_table(
        "people",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("name", sa.String(100), nullable=False, unique=True),
        sa.Column("role", sa.String(12), nullable=False),
        sa.Column(
            "athlete_id",
            sa.Integer,
            sa.ForeignKey("athletes.id", ondelete="CASCADE"),
            nullable=True,
        ),
        sa.Column("passphrase", sa.Text, nullable=True),
        sa.Column("invitation", sa.String(64), nullable=True, unique=True),
        sa.Column("invited_until", sa.Integer, nullable=True),
        sa.Column("created_at", sa.Integer, nullable=False),
    )
    person = sa.ForeignKey("people.id", name="fk_sessions_person", ondelete="CASCADE")
    with op.batch_alter_table("sessions") as table:
        table.add_column(sa.Column("person_id", sa.Integer, person, nullable=True))


def downgrade() -> None:
    """Drop both; sessions are begun anew."""
    op.drop_table("sessions")
    op.create_table(
        "sessions",
        sa.Column("digest", sa.String(64), primary_key=True),
        sa.Column("created_at", sa.Integer, nullable=False),
        sa.Column("expires_at", sa.Integer, nullable=False),
    )
    op.drop_table("people")
