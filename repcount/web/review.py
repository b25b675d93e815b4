"""The review of one attempt: what the page shows, and corrections that follow each other.

A page says which list of corrections it has seen by its length, which only grows: where it has
grown meanwhile, the correction is refused, whoever made the other, from a page or a command.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Any
from zlib import crc32

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from repcount.attempt.corrected import BREAK_S
from repcount.attempt.edits import append_edit, edits_in_force, make_edit, revert_edit
from repcount.attempt.records import (
    Attempt,
    Edit,
    EditAction,
    Edits,
    FailedStroke,
    Reading,
    Rep,
)
from repcount.errors import RecordError
from repcount.library.store import Conflict, Library
from repcount.pipeline.results import STILLS, Results, correct, load_results
from repcount.reports import stills, words
from repcount.reports.clips import AFTER_S, BEFORE_S, balance, clips
from repcount.reports.clocks import offset_words, on_clock, set_table, zero_s
from repcount.reports.html import time_parts
from repcount.reports.lifts import lift_lines
from repcount.reports.trace_chart import trace_chart
from repcount.web.depends import AttemptId, LibraryDep, RebuilderDep
from repcount.web.rebuild import Rebuilder
from repcount.web.roles import AccessDep, corrector
from repcount.web.templates import moment, page
from repcount.wording import numbers

ERRORS: dict[int | str, dict[str, Any]] = {
    status: {
        "description": "refused, with the reason in a sentence",
        "content": {"text/plain": {"schema": {"type": "string"}}},
    }
    for status in (403, 404, 409, 422)
}
routes = APIRouter(prefix="/api/attempts/{attempt_id}", tags=["review"], responses=ERRORS)
_ACTIONS = {
    "add_rep": "added a rep",
    "remove_rep": "removed a rep",
    "move_rep": "moved a rep",
    "relabel_rep": "renamed a rep",
    "mark_no_rep": "marked a no-rep",
    "clear_no_rep": "let it count",
    "add_break": "added a break",
    "move_break": "moved a break",
    "remove_break": "removed a break",
    "set_clock": "set the clock",
    "set_recorded": "set when it was filmed",
    "note": "noted",
}

_IN_SHORT = {
    "add_rep": "new rep",
    "remove_rep": "deleted rep",
    "move_rep": "moved rep",
    "relabel_rep": "new name",
    "mark_no_rep": "no-rep",
    "clear_no_rep": "counted rep",
    "add_break": "new break",
    "move_break": "moved break",
    "remove_break": "deleted break",
    "set_clock": "clock",
    "set_recorded": "day",
    "note": "note",
}


class Change(BaseModel):
    """Who changes something, and how many corrections that person had seen."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    version: int = Field(ge=0, description="corrections in the list that the page shows")
    who: str = Field(
        "", max_length=100, description="name of who corrects, where the session does not say it"
    )
    why: str = Field("", max_length=500)


class Correction(Change):
    """One correction, as `repcount.attempt.edits.make_edit` takes it."""

    action: EditAction
    target: str | None = Field(None, max_length=40, description="id of the rep or floor rest")
    values: dict[Annotated[str, Field(max_length=40)], str | int | float | bool | None] = Field(
        default_factory=dict, max_length=8
    )


class Reverting(Change):
    """Take back one correction by its id."""

    edit_id: str = Field(max_length=20)


class Part(BaseModel):
    """A part of the page that stands by itself, so that one that is as it was need not be drawn
    again."""

    of: str = Field(description="the same as long as the HTML is the same")
    html: str


class Reviewed(BaseModel):
    """The page's parts that a correction changes, made anew, and how many corrections there are."""

    version: int
    result: str = Field(description="HTML: what the attempt came to, and what cost most")
    panel: list[Part] = Field(description="all that follows, from the chart on")


@routes.get("/panel")
def look(attempt_id: AttemptId, library: LibraryDep) -> Reviewed:
    """The attempt as it stands."""
    library.attempt(attempt_id)
    folder = library.folder_of(attempt_id)
    return _reviewed(folder, load_results(folder))


@routes.post("/edits")
def add(
    attempt_id: AttemptId,
    change: Correction,
    library: LibraryDep,
    rebuilder: RebuilderDep,
    access: AccessDep,
) -> Reviewed:
    """Make a correction."""
    who = corrector(access, library, change.who)

    def make(reading: Reading, edits: Edits) -> Edits:
        edit = make_edit(
            edits, change.action, who=who, why=change.why, target=change.target,
            values=dict(change.values),
        )  # fmt: skip
        return append_edit(reading, edits, edit)

    return _apply(library, rebuilder, attempt_id, change, make)


@routes.post("/revert")
def revert(
    attempt_id: AttemptId,
    change: Reverting,
    library: LibraryDep,
    rebuilder: RebuilderDep,
    access: AccessDep,
) -> Reviewed:
    """Take back one correction."""
    who = corrector(access, library, change.who)

    def make(reading: Reading, edits: Edits) -> Edits:
        return revert_edit(reading, edits, change.edit_id, who=who, why=change.why)

    return _apply(library, rebuilder, attempt_id, change, make)


@routes.post("/undo")
def undo(
    attempt_id: AttemptId,
    change: Change,
    library: LibraryDep,
    rebuilder: RebuilderDep,
    access: AccessDep,
) -> Reviewed:
    """Take back the last correction in force."""
    who = corrector(access, library, change.who)
    step = partial(_step, who=who, why=change.why, back=True)
    return _apply(library, rebuilder, attempt_id, change, step)


@routes.post("/redo")
def redo(
    attempt_id: AttemptId,
    change: Change,
    library: LibraryDep,
    rebuilder: RebuilderDep,
    access: AccessDep,
) -> Reviewed:
    """Bring back what was undone last."""
    who = corrector(access, library, change.who)
    step = partial(_step, who=who, why=change.why, back=False)
    return _apply(library, rebuilder, attempt_id, change, step)


def _apply(
    library: Library,
    rebuilder: Rebuilder,
    attempt_id: str,
    change: Change,
    make: Callable[[Reading, Edits], Edits],
) -> Reviewed:
    """Correct an attempt, if nobody else has meanwhile."""
    if library.attempt(attempt_id).state != "done":
        raise Conflict("this attempt is not read yet; wait for its analysis to end.")

    def checked(reading: Reading, edits: Edits) -> Edits:
        if len(edits.edits) != change.version:
            raise Conflict(
                "someone else has corrected this attempt meanwhile; it is shown as it is now, "
                "please look and correct again."
            )
        return make(reading, edits)

    folder = library.folder_of(attempt_id)
    results = correct(folder, checked, rest_later=True)
    library.finish(attempt_id, results.attempt)
    rebuilder.later(attempt_id)
    return _reviewed(folder, results)


def _reviewed(folder: Path, results: Results) -> Reviewed:
    return Reviewed(
        version=len(_edits(results)),
        result=result(folder, results, f"/attempts/{folder.name}/"),
        panel=panel(results),
    )


def _step(reading: Reading, edits: Edits, *, who: str, why: str, back: bool) -> Edits:
    undone, redone = undo_and_redo(edits.edits)
    ids = undone if back else redone
    if not ids:
        raise RecordError(f"there is nothing to {'undo' if back else 'redo'}.")
    return revert_edit(reading, edits, ids[-1], who=who, why=why)


def undo_and_redo(edits: list[Edit]) -> tuple[list[str], list[str]]:
    """Ids whose reverting is an undo, and ids whose reverting is a redo; the next one last.

    A new correction ends what could be redone, as in any editor.
    """
    named = {one.id: one for one in edits}
    undo: list[str] = []
    redo: list[str] = []
    for edit in edits:
        if edit.reverts is None:
            undo.append(edit.id)
            redo.clear()
            continue
        root, steps = _root(edit, named)
        if steps % 2:  # takes the root out of force
            undo = [one for one in undo if one != root.id]
            redo.append(edit.id)
        else:
            redo = [one for one in redo if one != edit.reverts]
            undo.append(root.id)
    return undo, redo


def _edits(results: Results) -> list[Edit]:
    return results.edits.edits if results.edits else []


def has_next(attempt: Attempt) -> bool:
    """Whether something can be said of the next attempt."""
    return attempt.workout is not None and bool(attempt.counted())


def result(folder: Path, results: Results, at: str, *, shared: bool = False) -> str:
    """What is read first, as HTML: the time against the plan, and what cost most as clips. `at` is
    the address under which the attempt's stills lie; `shared` as in `panel`."""
    attempt, comparison = results.attempt, results.comparison
    return page(
        "result.html",
        shared=shared,
        with_next=has_next(attempt),
        attempt=attempt,
        summary=words.summary(attempt, comparison, balanced=True),
        not_counted=words.not_counted(attempt),
        why_nothing=[] if attempt.reps else attempt.warnings,
        heading=words.heading(attempt),
        clips=clips(attempt, comparison, results.plan, stills.listed(folder / STILLS)),
        balance=balance(attempt, comparison, results.plan),
        difference_s=comparison.difference_s if comparison else None,
        still=lambda ms: f"{at}{STILLS}/{stills.name_of(ms)}",
        to_check=len(words.review_marks(attempt)),
        on_clock=partial(on_clock, attempt),
    )


_NEXT_PART = "<!-- next part -->"


def panel(results: Results, *, shared: bool = False) -> list[Part]:
    """Everything else that a correction may change, in parts, always as many; for whoever has a
    link (`shared`) without who corrected what, and without what changes anything. The bar's curve,
    which no correction changes, stands beside it on the page (`curves`)."""
    attempt, comparison = results.attempt, results.comparison
    trace = trace_chart(attempt, apart=True)
    undo, redo = undo_and_redo(_edits(results))
    machine: dict[str, Rep | FailedStroke] = {rep.id: rep for rep in results.reading.reps}
    machine |= {lift.id: lift for lift in results.reading.failed}
    html = page(
        "panel.html",
        shared=shared,
        attempt=attempt,
        comparison=comparison,
        filmed=attempt.video.recorded_at,
        on_clock=partial(on_clock, attempt),
        offset=offset_words(attempt),
        set_table=set_table(attempt, results.plan, comparison),
        trace=trace,
        **time_parts(attempt, comparison),
        marks=words.review_marks(attempt),
        notices=words.notices(attempt, comparison),
        lifts=[(line, _changed(line.lift, machine, attempt)) for line in lift_lines(attempt)],
        place_words=words.place_words,
        log=[] if shared else _log(results),
        data=_data(results, trace)
        | {"undo": _named(results, undo), "redo": _named(results, redo), "kept": _kept(results)},
    )
    return [Part(of=f"{crc32(one.encode()):x}", html=one) for one in html.split(_NEXT_PART)]


def _named(results: Results, ids: list[str]) -> str:
    """What an undo or a redo is of, in a word or two; empty where there is none."""
    if not ids:
        return ""
    named = {one.id: one for one in _edits(results)}
    root = _root(named[ids[-1]], named)[0]
    return "looked at" if _as_read(root, results.reading) else _IN_SHORT[root.action]


def _kept(results: Results) -> str:
    """The last correction in words; empty where there is none."""
    edits = results.edits
    if edits is None or not edits.edits:
        return ""
    named = {edit.id: edit for edit in edits.edits}
    return words.plain(_what(edits.edits[-1], named, _names(results, edits), results))


def _changed(
    rep: Rep | FailedStroke, machine: Mapping[str, Rep | FailedStroke], attempt: Attempt
) -> str:
    """What a person changed of a lift, beside what was read."""
    read = machine.get(rep.id)
    if isinstance(rep, FailedStroke):
        renamed = read is not None and read.movement != rep.movement
        looked = "a person" if rep.touched_by == "person" else ""
        return f"read as {read.movement}" if read is not None and renamed else looked
    if read is None:
        return "added by a person"
    if isinstance(read, FailedStroke):
        return "read as a missed lift"
    said = [
        f"{name} read {on_clock(attempt, was)}"
        for name, was, now in (
            ("start", read.start_s, rep.start_s),
            ("top", read.top_s, rep.top_s),
            ("end", read.end_s, rep.end_s),
        )
        if was != now
    ]
    if read.movement != rep.movement:
        said.append(f"read as {read.movement}")
    if not said and rep.status == "no_rep":
        return "a person"
    return "; ".join(said) or ("corrected by a person" if rep.touched_by == "person" else "")


def _log(results: Results) -> list[dict[str, Any]]:
    """The corrections in words, the newest first."""
    edits = results.edits or Edits(video_sha256=results.reading.video.sha256)
    force = {edit.id for edit in edits_in_force(edits)}
    named = {edit.id: edit for edit in edits.edits}
    names = _names(results, edits)
    tops = {line.lift.id: line.top_s for line in lift_lines(results.attempt)}
    starts = {rest.id: rest.start_s for rest in results.attempt.floor_rests}
    rows = []
    for edit in reversed(edits.edits):
        root = _root(edit, named)[0]
        of = f"{root.id}-rep" if root.action == "add_rep" else root.target or ""
        noted = root.values.get("start_s") if root.action == "note" else None
        rows.append(
            {
                "edit": edit,
                "rep": of if of in tops else "",
                "at": tops.get(of, starts.get(of, noted)),
                "when": _moment(edit.when),
                "what": _what(edit, named, names, results, beside_its_time=True),
                "in_force": edit.id in force,
                "lost": edit.id in results.attempt.orphaned_edits,
                "revertible": edit.id in force and edit.reverts is None,
            }
        )
    return rows


def _names(results: Results, edits: Edits) -> dict[str, str]:
    """What reps and floor rests are called, by id; also those that a correction made."""
    found = {}
    for edit in edits.edits:
        moment_s = edit.values.get("top_s", edit.values.get("start_s"))
        at = _value_words("at_s", moment_s, results.attempt)
        if edit.action == "add_rep":
            found[f"{edit.id}-rep"] = f"{edit.values.get('movement')} {at}"
        elif edit.action == "add_break":
            found[f"{edit.id}-rest"] = at
    for rest in results.reading.floor_rests:
        found[rest.id] = f"at {on_clock(results.attempt, rest.start_s)}"
    for lift in results.reading.failed:
        found[lift.id] = f"{lift.movement}, at {on_clock(results.attempt, lift.peak_s)}"
    for rep in [*results.reading.reps, *results.attempt.reps]:
        said = words.rep_words(rep, results.attempt.workout)
        said = said.replace("no-rep, ", "").replace(", no-rep", "")
        found[rep.id] = f"{said}, at {on_clock(results.attempt, rep.top_s)}"
    return found


def _what(
    edit: Edit,
    named: Mapping[str, Edit],
    names: Mapping[str, str],
    results: Results,
    *,
    beside_its_time: bool = False,
) -> str:
    """A correction in words; one that takes another back says what that other was. Where its time
    stands beside it, a note does not say it again."""
    attempt = results.attempt
    if edit.reverts is not None:
        root, steps = _root(edit, named)
        if root.reverts is not None:
            return f"took back {root.reverts}, which is not in the list"
        verb = "took back" if steps % 2 else "brought back"
        whose = f"{root.who}’s " if root.who != edit.who else ""
        return f"{verb} {whose}“{_what(root, named, names, results)}”"
    if _as_read(edit, results.reading):
        return f"looked at {names.get(edit.target or '', '')}, which stands as it was read"
    if edit.action == "note":
        at = edit.values.get("start_s")
        when = "" if at is None or beside_its_time else f" at {on_clock(attempt, float(at))}"
        return f"noted{when}: {edit.values.get('text', '')}"
    of = names.get(edit.target or "", edit.target or "")
    mark = "" if not of or of.startswith("at ") else "," if edit.values else ":"
    parts = [_ACTIONS[edit.action] + mark, of]
    if edit.action == "set_clock":  # the clock itself is set by the video's time
        values = ", ".join(
            f"{_value_words(key, value)} of the video" for key, value in edit.values.items()
        )
    else:
        values = ", ".join(_value_words(key, value, attempt) for key, value in edit.values.items())
    said = " ".join(part for part in parts if part)
    return f"{said}: {values}" if values else said


def _as_read(edit: Edit, reading: Reading) -> bool:
    """Whether a new name is the one that was read: somebody has looked, and it stands."""
    if edit.action != "relabel_rep":
        return False
    for lift in reading.failed:
        if lift.id == edit.target:
            return edit.values == {"movement": lift.movement}
    for rep in reading.reps:
        if rep.id == edit.target:
            return {"round": rep.round, **edit.values} == {
                "round": rep.round,
                "movement": rep.movement,
            } and (rep.round is not None or "round" in edit.values)
    return False


def _root(edit: Edit, named: Mapping[str, Edit]) -> tuple[Edit, int]:
    """The correction that is taken back or brought back in the end, and over how many steps."""
    root, steps = edit, 0
    while root.reverts is not None and root.reverts in named:
        root, steps = named[root.reverts], steps + 1
    return root, steps


def _moment(when: str) -> str:
    """As the pages show moments; as it stands where the list was written by hand."""
    try:
        return moment(int(datetime.fromisoformat(when).timestamp()))
    except (ValueError, OverflowError):
        return words.plain(when)


def _value_words(key: str, value: Any, attempt: Attempt | None = None) -> str:
    """A correction's value; moments on the workout's clock, on the video's without an attempt."""
    if key.endswith("_s") and isinstance(value, float | int):
        value = on_clock(attempt, value) if attempt else numbers.clock(value)
    return str(value) if key == "text" else f"{key.removesuffix('_s').replace('_', ' ')} {value}"


def _name_in_chart(rep: Rep) -> str:
    """A rep in few words: `Push jerk 3`, `Push jerk, no-rep`."""
    if rep.status == "no_rep":
        return f"{words.capital(rep.movement)}, no-rep"
    return words.rep_words(rep, None)


def _data(results: Results, trace: Any) -> dict[str, Any]:
    """What the page's script needs."""
    attempt = results.attempt
    reps = sorted(attempt.reps, key=lambda rep: rep.top_s)
    video = attempt.video
    return {
        "version": len(_edits(results)),
        "begin": trace.begin_s if trace else 0.0,
        "end": trace.end_s if trace else video.duration_s,
        "full": trace.full_s if trace else video.duration_s,
        "zero": zero_s(attempt),
        "slowed": video.slowed,
        "frame_s": 1 / video.mean_rate_hz if video.mean_rate_hz else 1 / 30,
        "clock": [attempt.clock.start_s, attempt.clock.end_s],
        "clip": [BEFORE_S, AFTER_S],
        "break_s": BREAK_S,
        "notes": [
            {"at": one.start_s, "text": words.plain(one.text)}
            for one in attempt.notes
            if one.start_s is not None
        ],
        "reps": [
            {
                "id": rep.id, "start": rep.start_s, "top": rep.top_s, "end": rep.end_s,
                "words": words.plain(words.rep_words(rep, attempt.workout)),
                "name": words.plain(_name_in_chart(rep)),
                "movement": rep.movement, "round": rep.round, "status": rep.status,
                "check": words.needs_check(rep), "missed": False,
            }
            for rep in reps
        ]
        + [
            {
                "id": lift.id, "start": lift.start_s, "top": lift.peak_s, "end": lift.end_s,
                "words": words.plain(words.missed_words(lift)),
                "name": words.plain(words.missed_words(lift)),
                "movement": lift.movement, "round": None, "status": "missed",
                "check": words.needs_check(lift), "missed": True,
            }
            for lift in attempt.failed
        ],
        "breaks": [
            {"id": one.id, "start": one.start_s, "end": one.end_s} for one in attempt.breaks
        ],
    }  # fmt: skip
