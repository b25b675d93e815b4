"""How an attempt is read, as far as a caller chooses it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from repcount.errors import RepcountError


@dataclass(frozen=True)
class ReadOptions:
    """`start_s`: the clock's start, in seconds of real time from the first frame, where the sound
    does not give it; None: as heard, else the first lift-off.

    Raises RepcountError for what is out of bounds.
    """

    start_s: float | None = None

    def __post_init__(self) -> None:
        if self.start_s is not None and not (math.isfinite(self.start_s) and self.start_s >= 0):
            raise RepcountError(f"start_s is {self.start_s:g}; give seconds from 0 on.")
