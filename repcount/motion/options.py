"""How motion is measured, as far as a caller chooses it."""

from __future__ import annotations

from dataclasses import dataclass

from repcount.errors import RepcountError
from repcount.motion.metres import PLATE_MM

LEAST_PLATE_MM, MOST_PLATE_MM = 100.0, 600.0


@dataclass(frozen=True)
class MotionOptions:
    """`plate_mm`: diameter of the largest plates on the bar in millimetres, which gives metres; 450
    is that of competition discs (IWF Technical and Competition Rules). 100 to 600.

    Raises RepcountError for what is out of bounds.
    """

    plate_mm: float = PLATE_MM

    def __post_init__(self) -> None:
        if not LEAST_PLATE_MM <= self.plate_mm <= MOST_PLATE_MM:
            raise RepcountError(
                f"plate_mm is {self.plate_mm:g}; give the plates' diameter in millimetres, "
                f"{LEAST_PLATE_MM:g} to {MOST_PLATE_MM:g}."
            )
