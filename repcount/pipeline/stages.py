"""How far a whole analysis is: pixels, reading, stills and files, as one fraction of the work."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

Progress = Callable[[float, float], None]
T = TypeVar("T")

# Seconds of each stage for one second of tracking, measured on the sample clips with both cores
# also at other work: reading 0.7 and 1.1 %, stills 6.7 and 3.2 %, files 1.1 and 7.2 %. A still is
# decoded from the last frame before it that stands alone, which hangs on the camera: the first
# ones show how long the others will take.
READING, STILLS, FILES = 0.01, 0.05, 0.03
# Seconds of tracking for one second of video, where it was done before and is not timed again.
PACE = 0.5


class Stages:
    """Tells `progress` (fraction of the work, seconds left) as the stages of an analysis go on.

    The fraction is of work, not of time: work that an earlier run has left behind is done at once.
    """

    def __init__(self, progress: Progress | None, *, stills: bool) -> None:
        self._progress = progress
        self._begun = time.monotonic()
        self._tracking_s = 0.0
        self._told = 0.0
        self._work = {"reading": READING, "stills": STILLS if stills else 0.0, "files": FILES}

    def _tell(self, tracked: float, left_s: float) -> None:
        if self._progress is not None:
            whole = 1.0 + sum(self._work.values())
            self._told = max(self._told, min(tracked / whole, 1.0))
            self._progress(self._told, left_s)

    def tracking(self, fraction: float, left_s: float) -> None:
        """As `track` reports how far it is."""
        whole_s = time.monotonic() - self._begun + left_s
        self._tell(fraction, left_s + whole_s * sum(self._work.values()))

    def tracked(self, video_s: float | None = None) -> None:
        """Tracking is over; with `video_s` it had been before, on a video of so many seconds."""
        if video_s is None:
            self._tracking_s = time.monotonic() - self._begun
        else:
            self._tracking_s = PACE * video_s
        self.begin("reading")

    def begin(self, stage: str) -> None:
        """A stage after tracking: `reading`, `stills` or `files`."""
        self._part(stage, 0.0, self._work[stage] * self._tracking_s)

    def each(self, stage: str, items: Sequence[T]) -> Iterator[T]:
        """The items of a stage, each reported; what one took shows how long the others will."""
        begun = time.monotonic()
        expected_s = self._work[stage] * self._tracking_s
        for number, item in enumerate(items):
            if number:
                one_s = (time.monotonic() - begun) / number
                expected_s = one_s * (len(items) - number)
            self._part(stage, number / len(items), expected_s)
            yield item

    def _part(self, stage: str, fraction: float, left_s: float) -> None:
        names = list(self._work)
        place = names.index(stage)
        before = sum(self._work[name] for name in names[:place])
        after = sum(self._work[name] for name in names[place + 1 :])
        self._tell(1.0 + before + fraction * self._work[stage], left_s + after * self._tracking_s)
