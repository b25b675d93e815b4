"""Motion to Reading: zones, lifts, their names and their place in the workout."""

from repcount.reading.options import ReadOptions
from repcount.reading.read import read_attempt

__all__ = ["ReadOptions", "read_attempt"]
