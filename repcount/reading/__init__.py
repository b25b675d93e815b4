"""Motion to Reading: zones, lifts, their names and their place in the workout."""

from repcount.reading.read import read_attempt

__all__ = ["read_attempt"]
