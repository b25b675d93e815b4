"""Tracks → Motion: heights of bar and body in the athlete's own frame."""

from repcount.motion.measure import Motion, measure

__all__ = ["Motion", "measure"]
