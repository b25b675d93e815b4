"""How files come into being: written aside, then put in their place whole."""

from __future__ import annotations

ASIDE = ".repcount-"  # how the names of files and folders begin that are written aside
