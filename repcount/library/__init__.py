"""Attempts kept for good: rows in SQLite, files in folders."""
