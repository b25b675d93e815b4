"""Pixels to Tracks: `track` looks at a video once and says what was seen where."""

from repcount.tracking.run import Cancelled, TrackOptions, track

__all__ = ["Cancelled", "TrackOptions", "track"]
