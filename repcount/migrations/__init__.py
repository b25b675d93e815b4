"""The library's schema, version by version (Alembic). `repcount.library` runs what is missing."""
