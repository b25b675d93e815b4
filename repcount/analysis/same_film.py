"""Attempts that are one and the same: read twice from the same stretch of the same video.

Counted twice, an attempt would make its athlete look surer, steadier or more often placed than
what was filmed says. Two readings are of one attempt where the video's bytes are the same
(SHA-256), their counted reps lie in overlapping stretches of it, and they looked at the same part
of the frame: one video may hold two attempts after each other, or athletes side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from repcount.attempt.records import Attempt


@dataclass(frozen=True)
class Film:
    """What an attempt was read from: the video, the stretch of it from the first counted start to
    the last counted top (seconds of the file; all of it where nothing was counted), and the left
    and right edge of the part of the frame (pixels; None for all of it)."""

    sha256: str
    begin_s: float
    end_s: float
    part: tuple[float, float] | None

    @classmethod
    def of(cls, attempt: Attempt) -> Film:
        """The film of an attempt."""
        counted = attempt.counted()
        factor = attempt.video.slowed
        begin = min((rep.start_s for rep in counted), default=0.0)
        end = max((rep.top_s for rep in counted), default=attempt.video.duration_s)
        region = (attempt.provenance.options.get("tracking") or {}).get("region")
        part = (region[0], region[2]) if region else None
        return cls(attempt.video.sha256, begin * factor, end * factor, part)

    def same_attempt(self, other: Film) -> bool:
        """Whether the two are readings of one attempt."""
        return (
            bool(self.sha256)
            and self.sha256 == other.sha256
            and self.begin_s <= other.end_s
            and other.begin_s <= self.end_s
            and self._shows_middle_of(other)
            and other._shows_middle_of(self)
        )

    def _shows_middle_of(self, other: Film) -> bool:
        """Whether the middle of the other's part of the frame is in this one's."""
        if self.part is None or other.part is None:
            return True
        return self.part[0] <= sum(other.part) / 2 <= self.part[1]


def repeated(films: Sequence[Film], keep: Literal["first", "last"] = "last") -> dict[int, int]:
    """The places of films that are left out, each with the place of the one that counts for it: of
    several of one attempt, the first or the last."""
    order = range(len(films)) if keep == "first" else range(len(films) - 1, -1, -1)
    kept: list[int] = []
    left_out: dict[int, int] = {}
    for place in order:
        match = next((one for one in kept if films[one].same_attempt(films[place])), None)
        if match is None:
            kept.append(place)
        else:
            left_out[place] = match
    return dict(sorted(left_out.items()))
