"""repcount: reps, breaks, transitions and round splits of a barbell attempt, from one video."""

__version__ = "0.1.0"
