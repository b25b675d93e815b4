"""Motion → Attempt: zones, strokes, the workout's count, sets and breaks.

The two functions are imported when first used: the catalogue of movements, which plans need, then
costs nothing of what reading a video costs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repcount.reading.assemble import derive_attempt
    from repcount.reading.read import read_attempt

__all__ = ["derive_attempt", "read_attempt"]

_HOMES = {"derive_attempt": "assemble", "read_attempt": "read"}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"repcount.reading.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
