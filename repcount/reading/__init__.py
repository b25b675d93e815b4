"""Motion → Attempt: zones, strokes, the workout's count, sets and breaks."""

from repcount.reading.assemble import derive_attempt
from repcount.reading.read import read_attempt

__all__ = ["derive_attempt", "read_attempt"]
