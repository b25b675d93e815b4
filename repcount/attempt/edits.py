"""A person's corrections: an append-only list beside the machine's reading, which stays as it is.

Each correction names who, when and why. A later one may take back an earlier one (`reverts`), also
one that itself takes back: the list only grows. What corrections do to a reading is in
`repcount.attempt.corrected`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, get_args

from repcount.attempt.corrected import apply_edits, edits_in_force
from repcount.attempt.records import Edit, EditAction, Edits, Reading
from repcount.errors import RecordError
from repcount.wording import hint, listed, shown

__all__ = ["append_edit", "apply_edits", "edits_in_force", "make_edit", "new_edits", "revert_edit"]


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
    least one. `set_recorded`: recorded_at (ISO 8601). `note`: text; optional start_s, end_s, and
    target. The others take none; `mark_no_rep` and `clear_no_rep` need `why`.

    A missed lift (`Reading.failed`) is a target of `relabel_rep` (movement; the same movement says
    that somebody has looked at it), of `mark_no_rep`, after which it is a missed lift with a
    reason, of `clear_no_rep`, after which it is a rep that counts, and of `remove_rep`.

    Raises RecordError if the action is unknown.
    """
    if action not in get_args(EditAction):
        raise RecordError(
            f"{shown(action)} is no correction{hint(str(action), get_args(EditAction))}; "
            f"allowed are {listed(get_args(EditAction))}."
        )
    moment = (when or datetime.now(UTC)).astimezone(UTC)
    return Edit(
        id=_next_id(edits),
        action=action,
        who=who,
        when=moment.isoformat(timespec="seconds").replace("+00:00", "Z"),
        why=why,
        target=target,
        values=values or {},
    )


def append_edit(reading: Reading, edits: Edits, edit: Edit) -> Edits:
    """The corrections with one more at the end; the list given is left as it is.

    Raises RecordError (one sentence) where the correction does not fit: unknown target, times out
    of order or outside the video, overlap with another rep or rest, a value that is no value of the
    action, a no-rep without a reason; also where it would orphan an earlier correction.
    """
    if not edit.who.strip():
        raise RecordError(f"{edit.action}: a correction names who makes it; give a name.")
    before = apply_edits(reading, edits)
    longer = edits.model_copy(update={"edits": [*edits.edits, edit]})
    after = apply_edits(reading, longer)
    if edit.id in after.orphaned:
        raise RecordError(after.orphaned[edit.id])
    lost = [one for one in after.orphaned if one not in before.orphaned]
    if lost:
        raise RecordError(
            f"{edit.action}: correction {shown(lost[0])} would lose what it is about; take that "
            "back first."
        )
    return longer


def revert_edit(
    reading: Reading,
    edits: Edits,
    edit_id: str,
    *,
    who: str,
    why: str = "",
    when: datetime | None = None,
) -> Edits:
    """The corrections with one more that takes back `edit_id`. Raises RecordError as `append_edit`.

    Taking back a taking-back brings the first correction into force again.
    """
    named = {one.id: one for one in edits.edits}
    if edit_id not in named:
        raise RecordError(
            f"there is no correction with the id {shown(edit_id)}; there are "
            f"{listed([one.id for one in edits.edits]) or 'none'}."
        )
    if edit_id not in {one.id for one in edits_in_force(edits)}:
        raise RecordError(f"correction {shown(edit_id)} has been taken back already.")
    edit = make_edit(edits, named[edit_id].action, who=who, why=why, when=when)
    edit.reverts = edit_id
    return append_edit(reading, edits, edit)


def _next_id(edits: Edits) -> str:
    numbers = [int(one.id[1:]) for one in edits.edits if one.id[1:].isdecimal()]
    return f"e{max(numbers, default=0) + 1}"
