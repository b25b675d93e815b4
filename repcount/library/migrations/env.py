"""Alembic's entry: runs on the connection that `repcount.library.opening` hands over."""

from __future__ import annotations

from alembic import context

from repcount.library.rows import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
