"""A person's corrections: an append-only list beside the machine's reading, which stays as it is.

Each correction names who, when and why. A later one may take back an earlier one (`reverts`), also
one that itself takes back: the list only grows. Corrections hold on to a rep's or floor rest's
persistent id; one whose target a new reading no longer has is reported as orphaned, never dropped.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from repcount.records import Edit, EditAction, Edits, FloorRest, Notice, Reading, Rep


@dataclass
class Corrected:
    """A reading's parts after the corrections in force."""

    reps: list[Rep]
    floor_rests: list[FloorRest]
    clock_start_s: float | None = None
    clock_end_s: float | None = None
    notes: list[Notice] = field(default_factory=list)
    orphaned: dict[str, str] = field(default_factory=dict)  # edit id: why it does not apply


def new_edits(reading: Reading) -> Edits:
    """An empty list of corrections for a reading."""
    return Edits(video_sha256=reading.video.sha256)


def make_edit(
    edits: Edits,
    action: EditAction,
    *,
    who: str,
    why: str = "",
    target: str | None = None,
    values: dict[str, Any] | None = None,
    when: datetime | None = None,
) -> Edit:
    """A correction with the next free id, not yet appended.

    `values`, by action (times in seconds from the first frame):
    `add_rep`: movement, top_s; optional start_s, end_s, round. `move_rep`: start_s, top_s, end_s,
    at least one. `relabel_rep`: movement, round (null: not of the workout), at least one.
    `add_break`: start_s (at rest), end_s (lift-off); optional first_contact_s, hands_off.
    `move_break`: start_s, end_s, first_contact_s, at least one. `set_clock`: start_s, end_s, at
    least one. `note`: text; optional start_s, end_s, and target. The others take none;
    `mark_no_rep` and `clear_no_rep` need `why`.
    """
    raise NotImplementedError(datetime.now(UTC))


def append_edit(reading: Reading, edits: Edits, edit: Edit) -> Edits:
    """The corrections with one more at the end; the list given is left as it is.

    Raises RecordError (one sentence) where the correction does not fit: unknown target, times out
    of order or outside the video, overlap with another rep or rest, a value that is no value of the
    action, a no-rep without a reason; also where it would orphan an earlier correction.
    """
    raise NotImplementedError


def revert_edit(reading: Reading, edits: Edits, edit_id: str, *, who: str, why: str = "") -> Edits:
    """The corrections with one more that takes back `edit_id`. Raises RecordError as `append_edit`.

    Taking back a taking-back brings the first correction into force again.
    """
    raise NotImplementedError


def apply_edits(reading: Reading, edits: Edits | None) -> Corrected:
    """The reading's reps and floor rests after the corrections in force, with what is orphaned.

    Raises RecordError if the corrections belong to another video.
    """
    raise NotImplementedError
