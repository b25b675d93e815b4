"""The library's schema, version by version (Alembic); `library.opening` runs what is missing."""
