"""The records of an attempt, the catalogue of movements, corrections, and what is counted."""
