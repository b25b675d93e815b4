"""The library's schema, version by version (Alembic); `library.store` runs what is missing."""
