"""Tracks → Motion: heights of bar and body in the athlete's own frame."""

from repcount.motion.measure import Motion, measure
from repcount.motion.options import MotionOptions

__all__ = ["Motion", "MotionOptions", "measure"]
