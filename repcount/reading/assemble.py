"""Reading and corrections to an attempt: always derived, never edited."""

from __future__ import annotations

from repcount.records import Attempt, Edits, FloorRest, Reading, RestKind


def rest_kind(rest: FloorRest, *, reset_s: float = 0.5, break_s: float = 1.5) -> RestKind:
    """What a floor rest is, by its length in whole milliseconds.

    Picked up before it has settled: touch. Shorter than `reset_s`: touch-and-go. From `reset_s` to
    under `break_s`: reset. From `break_s` on: break (common practice, no source).
    """
    raise NotImplementedError


def derive_attempt(
    reading: Reading,
    edits: Edits | None = None,
    *,
    reset_s: float = 0.5,
    break_s: float = 1.5,
) -> Attempt:
    """The attempt that a reading and a person's corrections make.

    Without a workout there is one implicit round: every rep is counted in round 1, nothing is
    prescribed and `clock.finished` is null.

    Raises RecordError if the corrections belong to another video.
    """
    raise NotImplementedError
