"""Pixels to Tracks: `track` looks at a video once and says what was seen where.

The functions are imported when first used: the Tracks data set, which everything after it reads,
then costs nothing of what looking at pixels costs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repcount.tracking.run import Cancelled, TrackOptions, track

__all__ = ["Cancelled", "TrackOptions", "track"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("repcount.tracking.run"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
