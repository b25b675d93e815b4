"""What a person's corrections do to a reading: its reps, floor rests and clock after them.

Corrections hold on to a rep's or floor rest's persistent id. One that does not apply (its target is
not in this reading, its times overlap what is) is left out and reported with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from repcount.attempt.movements import CATALOGUE, ERECT_ST, MOVEMENT_NAMES, ORDER
from repcount.attempt.records import (
    Edit,
    Edits,
    FailedStroke,
    FloorRest,
    Notice,
    Reading,
    Rep,
    Workout,
)
from repcount.errors import RecordError
from repcount.units import Seconds, to_ms
from repcount.wording import hint, listed, shown
from repcount.wording.moments import parse_recorded

BREAK_S = 1.5  # the bar on the floor this long is a break (common practice, no source)
TOP_ONLY = "top_only"  # flag of a rep that a person gave by its top alone
PICK_UP = "pick_up"  # flag of a lift that the reading took for a pick-up, and that may yet count
# Nobody pulls a loaded bar down: it rises to its top and falls from it no quicker than a thrown
# thing does, sqrt(2 h / g) for a path of h. The shortest path in the catalogue is a Romanian
# deadlift's, about 0.18 of the height (Winter's segments: hands hanging, to below the knee), 0.25 m
# for somebody of 1.4 m.
SHORTEST_RISE_S = math.sqrt(2 * 0.25 / 9.80665)
LONGEST_BEFORE_S = 86400.0  # a clock that started earlier than a day before the video is a slip
LIKELY = 0.3  # a pick-up less likely than this is not one of a movement


@dataclass
class Corrected:
    """A reading's parts after the corrections in force.

    Beside the reading's reps there are its pick-ups (flag `pick_up`, status `unplanned`): whether
    one counts depends on how many reps have been counted before it.
    """

    reps: list[Rep]
    floor_rests: list[FloorRest]
    failed: list[FailedStroke] = field(default_factory=list)
    clock_start_s: float | None = None
    clock_end_s: float | None = None
    notes: list[Notice] = field(default_factory=list)
    recorded_at: str | None = None
    orphaned: dict[str, str] = field(default_factory=dict)  # edit id to why it does not apply

    def rep(self, edit: Edit) -> int:
        """Place of the rep that a correction is about. Raises RecordError if it is not there."""
        return self._place(edit, self.reps, "rep")

    def rest(self, edit: Edit) -> int:
        """Place of the floor rest that a correction is about. Raises RecordError likewise."""
        return self._place(edit, self.floor_rests, "floor rest")

    def lift(self, edit: Edit) -> int | None:
        """Place of the missed lift that a correction is about, None where it is about none."""
        places = (n for n, one in enumerate(self.failed) if one.id == edit.target)
        return next(places, None)

    def _place(self, edit: Edit, things: Sequence[Rep | FloorRest], what: str) -> int:
        if edit.target is None:
            raise RecordError(f"{edit.action} needs the id of a {what} as its target.")
        for place, one in enumerate(things):
            if one.id == edit.target:
                return place
        raise RecordError(
            f"{edit.action}: there is no {what} with the id {shown(edit.target)} in the reading; "
            "take the id from attempt.json."
        )


def edits_in_force(edits: Edits) -> list[Edit]:
    """The corrections that no later one in force takes back, in their order."""
    back: set[str] = set()
    kept: list[Edit] = []
    for edit in reversed(edits.edits):
        if edit.id in back:
            continue
        kept.append(edit)
        if edit.reverts is not None:
            back.add(edit.reverts)
    return kept[::-1]


def _own(rep: Rep) -> Rep:
    """A copy that shares nothing with the rep that can be changed."""
    return rep.model_copy(update={"flags": [*rep.flags], "measures": [*rep.measures]})


def apply_edits(reading: Reading, edits: Edits | None) -> Corrected:
    """The reading's reps and floor rests after the corrections in force, with what is orphaned.

    Raises RecordError if the corrections belong to another video, or two share an id.
    """
    state = Corrected(
        reps=[_own(rep) for rep in reading.reps] + _pick_ups(reading),
        floor_rests=[rest.model_copy() for rest in reading.floor_rests],
        failed=[*reading.failed],
    )
    if edits is None:
        return state
    if edits.video_sha256 != reading.video.sha256:
        raise RecordError(
            "edits.json belongs to another video than reading.json (their SHA-256 differ); use the "
            "two that were made together."
        )
    place = {edit.id: number for number, edit in enumerate(edits.edits)}
    if len(place) < len(edits.edits):
        raise RecordError("edits.json has two corrections with one id; give each its own.")
    for edit in edits_in_force(edits):
        try:
            if edit.reverts is not None:
                _check_reverts(edit, place)
            else:
                _ACTIONS[edit.action](state, edit, reading)
        except RecordError as error:
            state.orphaned[edit.id] = str(error)
    return state


def is_pick_up(rep: Rep) -> bool:
    """Whether a rep is a pick-up that has no place in the workout yet."""
    return PICK_UP in rep.flags and rep.round is None


def _pick_ups(reading: Reading) -> list[Rep]:
    """Lifts from the floor that are neither reps nor failed, where they reach a finish.

    One that never stands erect counts as none.
    """
    if not reading.strokes:
        return []
    known = {rep.id for rep in reading.reps} | {stroke.id for stroke in reading.failed}
    found = []
    for stroke in reading.strokes:
        if stroke.id in known or not stroke.likelihoods:
            continue
        likely, chance = max(stroke.likelihoods.items(), key=lambda item: item[1])
        entry = CATALOGUE.get(likely)
        below = [one.value for one in stroke.measures if one.name == "shoulders_below_standing"]
        if (
            entry is None
            or chance < LIKELY
            or entry.begins != "floor"
            or stroke.path[:1] != ["floor"]
            or stroke.path[-1:] != [entry.ends]
            or any(value > ERECT_ST for value in below)
        ):
            continue
        found.append(
            Rep(
                id=stroke.id,
                movement=likely,
                status="unplanned",
                start_s=stroke.start_s,
                top_s=stroke.top_s,
                end_s=stroke.end_s,
                confidence=stroke.confidence,
                flags=[*stroke.flags, PICK_UP],
                measures=stroke.measures,
            )
        )
    return found


def _check_reverts(edit: Edit, place: dict[str, int]) -> None:
    if place.get(edit.reverts or "", len(place)) >= place[edit.id]:
        raise RecordError(
            f"correction {shown(edit.id)} takes back {shown(edit.reverts)}, which is no earlier "
            "correction; name one that stands before it."
        )
    if edit.target is not None or edit.values:
        raise RecordError(
            f"correction {shown(edit.id)} takes back {shown(edit.reverts)} and must do nothing "
            "else; leave target and values out."
        )


# What each action may say. Strict: a text is no number.


class _Values(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _Nothing(_Values):
    pass


class _RepTimes(_Values):
    start_s: Seconds | None = None
    top_s: Seconds | None = None
    end_s: Seconds | None = None


class _NewRep(_Values):
    movement: str
    top_s: Seconds
    start_s: Seconds | None = None
    end_s: Seconds | None = None
    round: int | None = None


class _Label(_Values):
    movement: str | None = None
    round: int | None = None


class _LiftLabel(_Values):
    movement: str


class _RestTimes(_Values):
    start_s: Seconds | None = None
    end_s: Seconds | None = None
    first_contact_s: Seconds | None = None


class _NewRest(_Values):
    start_s: Seconds
    end_s: Seconds
    first_contact_s: Seconds | None = None
    hands_off: bool = False


class _ClockTimes(_Values):
    start_s: Seconds | None = None
    end_s: Seconds | None = None


class _Recorded(_Values):
    recorded_at: str


class _NoteText(_Values):
    text: Annotated[str, Field(min_length=1, max_length=5000)]
    start_s: Seconds | None = None
    end_s: Seconds | None = None


V = TypeVar("V", bound=_Values)


def _values(kind: type[V], edit: Edit, at_least_one: bool = False) -> V:
    """A correction's values, checked. Raises RecordError naming the value and what is allowed."""
    allowed = list(kind.model_fields)
    try:
        found = kind.model_validate(edit.values)
    except ValidationError as error:
        first = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        key = str(first["loc"][0])
        if first["type"] == "extra_forbidden":
            raise RecordError(
                f"{edit.action}: {shown(key)} is none of its values{hint(key, allowed)}; allowed "
                f"are {listed(allowed) or 'none'}."
            ) from error
        if first["type"] == "missing":
            raise RecordError(f"{edit.action}: {key} is missing; give it.") from error
        reason = first["msg"][:1].lower() + first["msg"][1:]
        raise RecordError(
            f"{edit.action}: {key} = {shown(edit.values[key])} does not fit: {reason}."
        ) from error
    if at_least_one and not found.model_fields_set:
        raise RecordError(f"{edit.action}: give at least one of {listed(allowed)}.")
    return found


def _add_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    values = _values(_NewRep, edit)
    _check_movement(edit, values.movement)
    round_ = values.round
    if "round" not in values.model_fields_set:
        round_ = _likely_round(state, reading.workout, values.movement, values.top_s)
    _check_round(edit, round_, reading.workout)
    given = values.start_s is not None or values.end_s is not None
    rep = Rep(
        id=f"{edit.id}-rep",
        round=round_,
        movement=values.movement,
        status="counted" if round_ is not None else "unplanned",
        start_s=values.top_s if values.start_s is None else values.start_s,
        top_s=values.top_s,
        end_s=values.top_s if values.end_s is None else values.end_s,
        confidence=1.0,
        flags=[] if given else [TOP_ONLY],
        touched_by="person",
    )
    if any(rep.id == one.id for one in state.reps):
        raise RecordError(f"add_rep: the id {shown(rep.id)} is taken by another rep.")
    _check_rep(edit, rep, state, reading)
    _check_top(edit, rep, state)
    state.reps.append(rep)


def _remove_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    _values(_Nothing, edit)
    lift = state.lift(edit)
    if lift is not None:
        del state.failed[lift]
        return
    del state.reps[state.rep(edit)]


def _move_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    place = state.rep(edit)
    values = _values(_RepTimes, edit, at_least_one=True)
    rep = _touched(state.reps[place], **values.model_dump(exclude_none=True))
    rep.flags = [flag for flag in rep.flags if flag != TOP_ONLY]
    _check_rep(edit, rep, state, reading)
    if values.top_s is not None:
        _check_top(edit, rep, state)
    state.reps[place] = rep


def _relabel_lift(state: Corrected, edit: Edit, lift: int) -> None:
    """A missed lift as a person saw it: it stays one, and has been looked at."""
    movement = _values(_LiftLabel, edit).movement
    _check_movement(edit, movement)
    state.failed[lift] = state.failed[lift].model_copy(
        update={"movement": movement, "touched_by": "person"}
    )


def _confirm_lift(state: Corrected, edit: Edit, lift: int) -> None:
    """A missed lift that a person says is no rep: it stays one, with the reason."""
    _check_reason(edit)
    missed = state.failed[lift]
    if missed.reason:
        raise RecordError(f"mark_no_rep: lift {shown(missed.id)} is marked as a no-rep already.")
    state.failed[lift] = missed.model_copy(
        update={"reason": edit.why.strip(), "touched_by": "person"}
    )


def _count_lift(state: Corrected, edit: Edit, reading: Reading, lift: int) -> None:
    """A missed lift that a person lets count: a rep from there on."""
    missed = state.failed.pop(lift)
    round_ = _likely_round(state, reading.workout, missed.movement, missed.peak_s)
    rep = Rep(
        id=missed.id,
        round=round_,
        movement=missed.movement,
        status="counted" if round_ is not None else "unplanned",
        start_s=missed.start_s,
        top_s=missed.peak_s,
        end_s=missed.end_s,
        confidence=1.0,
        touched_by="person",
    )
    try:
        _check_rep(edit, rep, state, reading)
    except RecordError:
        state.failed.insert(lift, missed)
        raise
    state.reps.append(rep)


def _relabel_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    lift = state.lift(edit)
    if lift is not None:
        _relabel_lift(state, edit, lift)
        return
    place = state.rep(edit)
    values = _values(_Label, edit, at_least_one=True)
    rep = state.reps[place]
    movement = rep.movement if values.movement is None else values.movement
    _check_movement(edit, movement)
    if "round" in values.model_fields_set:
        round_ = values.round
    elif rep.round is not None:
        round_ = rep.round
    else:
        round_ = _likely_round(state, reading.workout, movement, rep.top_s)
    _check_round(edit, round_, reading.workout)
    status = rep.status
    if status != "no_rep":
        status = "unplanned" if round_ is None else "counted"
    rep = _touched(rep, movement=movement, round=round_, status=status)
    if not CATALOGUE[movement].styles:
        rep = rep.model_copy(update={"style": None, "style_confidence": None})
    rep.flags = [flag for flag in rep.flags if flag != PICK_UP]
    state.reps[place] = rep


def _mark_no_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    _values(_Nothing, edit)
    lift = state.lift(edit)
    if lift is not None:
        _confirm_lift(state, edit, lift)
        return
    place = state.rep(edit)
    rep = state.reps[place]
    _check_reason(edit)
    if rep.status == "no_rep":
        raise RecordError(f"mark_no_rep: rep {shown(rep.id)} is marked as a no-rep already.")
    if rep.status == "unplanned" and reading.workout is not None and not is_pick_up(rep):
        raise RecordError(
            f"mark_no_rep: rep {shown(rep.id)} is not of the workout, so it cannot miss a standard "
            "of it; relabel it first if it is."
        )
    state.reps[place] = _touched(rep, status="no_rep", reason=edit.why.strip())


def _clear_no_rep(state: Corrected, edit: Edit, reading: Reading) -> None:
    _values(_Nothing, edit)
    lift = state.lift(edit)
    if lift is not None:
        _check_reason(edit)
        _count_lift(state, edit, reading, lift)
        return
    place = state.rep(edit)
    rep = state.reps[place]
    _check_reason(edit)
    if rep.status != "no_rep":
        raise RecordError(f"clear_no_rep: rep {shown(rep.id)} is not marked as a no-rep.")
    state.reps[place] = _touched(rep, status="counted", reason="")


def _add_break(state: Corrected, edit: Edit, reading: Reading) -> None:
    values = _values(_NewRest, edit)
    contact = values.start_s if values.first_contact_s is None else values.first_contact_s
    rest = FloorRest(
        id=f"{edit.id}-rest",
        start_s=values.start_s,
        end_s=values.end_s,
        first_contact_s=contact,
        hands_off=values.hands_off,
        touched_by="person",
    )
    if any(rest.id == one.id for one in state.floor_rests):
        raise RecordError(f"add_break: the id {shown(rest.id)} is taken by another floor rest.")
    # a touch or a reset that was read within it is part of it
    others = [
        one
        for one in state.floor_rests
        if one.length_ms >= to_ms(BREAK_S) or not _overlap(one, rest)
    ]
    _check_rest(edit, rest, replace(state, floor_rests=others), reading)
    if rest.length_ms < to_ms(BREAK_S):
        raise RecordError(
            f"add_break: from {rest.start_s:g} s to {rest.end_s:g} s is shorter than a break; give "
            f"{BREAK_S:g} s or more."
        )
    state.floor_rests = [*others, rest]


def _overlap(one: FloorRest, other: FloorRest) -> bool:
    """Whether two floor rests have time in common."""
    return other.start_s < one.end_s and one.start_s < other.end_s


def _move_break(state: Corrected, edit: Edit, reading: Reading) -> None:
    place = state.rest(edit)
    values = _values(_RestTimes, edit, at_least_one=True)
    update = values.model_dump(exclude_none=True)
    old = state.floor_rests[place]
    if values.first_contact_s is None:
        update["first_contact_s"] = min(old.first_contact_s, update.get("start_s", old.start_s))
    # a person's times are of the bar at rest
    rest = old.model_copy(update={**update, "settled": True, "seen": True, "touched_by": "person"})
    _check_rest(edit, rest, state, reading)
    state.floor_rests[place] = rest


def _remove_break(state: Corrected, edit: Edit, reading: Reading) -> None:
    _values(_Nothing, edit)
    del state.floor_rests[state.rest(edit)]


def _set_clock(state: Corrected, edit: Edit, reading: Reading) -> None:
    values = _values(_ClockTimes, edit, at_least_one=True)
    start = state.clock_start_s if values.start_s is None else values.start_s
    end = state.clock_end_s if values.end_s is None else values.end_s
    if start is not None and start >= 0:  # below 0: the video begins after the clock
        _check_inside(edit, "start_s", start, reading)
    if start is not None and start < -LONGEST_BEFORE_S:
        raise RecordError(
            f"{edit.action}: start_s = {start:g} lies over {LONGEST_BEFORE_S:g} s before the "
            "video; give when the clock starts, in seconds from the first frame."
        )
    if end is not None:
        _check_inside(edit, "end_s", end, reading)
    runs_from = start
    if start is None and reading.start_signals:
        runs_from = reading.start_signals[0].at_s
    if runs_from is not None and end is not None and runs_from >= end:
        raise RecordError(
            f"set_clock: start_s = {runs_from:g} is not before end_s = {end:g}; the clock must run."
        )
    state.clock_start_s, state.clock_end_s = start, end


def _set_recorded(state: Corrected, edit: Edit, reading: Reading) -> None:
    try:
        state.recorded_at = parse_recorded(_values(_Recorded, edit).recorded_at)
    except ValueError as error:
        raise RecordError(f"{edit.action}: {error}.") from error


def _note(state: Corrected, edit: Edit, reading: Reading) -> None:
    values = _values(_NoteText, edit)
    start, end = values.start_s, values.end_s
    if edit.target is not None and start is None:
        start = state.reps[state.rep(edit)].top_s
    for name, at in (("start_s", start), ("end_s", end)):
        if at is not None:
            _check_inside(edit, name, at, reading)
    if start is not None and end is not None and start > end:
        raise RecordError(f"note: start_s = {start:g} is after end_s = {end:g}; swap them.")
    state.notes.append(Notice(code="note", text=values.text, start_s=start, end_s=end))


_ACTIONS: dict[str, Callable[[Corrected, Edit, Reading], None]] = {
    "add_rep": _add_rep,
    "remove_rep": _remove_rep,
    "move_rep": _move_rep,
    "relabel_rep": _relabel_rep,
    "mark_no_rep": _mark_no_rep,
    "clear_no_rep": _clear_no_rep,
    "add_break": _add_break,
    "move_break": _move_break,
    "remove_break": _remove_break,
    "set_clock": _set_clock,
    "set_recorded": _set_recorded,
    "note": _note,
}


def _touched(rep: Rep, **update: Any) -> Rep:
    """A rep as a person left it; one that was to be checked has been."""
    flags = [flag for flag in rep.flags if flag != "check"]
    return rep.model_copy(update={**update, "flags": flags, "touched_by": "person"})


def _likely_round(
    state: Corrected, workout: Workout | None, movement: str, top_s: float
) -> int | None:
    """The round of a rep at `top_s`: the one under way, or the next where that has all it asks for.

    None if neither asks for the movement.
    """
    if workout is None:
        return 1
    before = [rep for rep in state.reps if rep.round is not None and rep.top_s <= top_s]
    under_way = max((rep.round or 1 for rep in before), default=1)
    asking = [
        round_
        for round_ in (under_way, under_way + 1)
        if round_ <= len(workout.rounds) and workout.asked(round_, movement)
    ]
    for round_ in asking:
        counted = sum(
            rep.round == round_ and rep.movement == movement and rep.counts for rep in state.reps
        )
        if counted < workout.asked(round_, movement):
            return round_
    return asking[0] if asking else None


def _check_movement(edit: Edit, movement: str) -> None:
    if movement not in MOVEMENT_NAMES:
        raise RecordError(
            f"{edit.action}: movement = {shown(movement)} is not a movement known here"
            f"{hint(movement, MOVEMENT_NAMES)}; allowed are "
            f"{listed([shown(name) for name in MOVEMENT_NAMES])}."
        )


def _check_round(edit: Edit, round_: int | None, workout: Workout | None) -> None:
    rounds = len(workout.rounds) if workout else 1
    if round_ is not None and not 1 <= round_ <= rounds:
        allowed = f"1 to {rounds}" if rounds > 1 else "1"
        raise RecordError(
            f"{edit.action}: round = {round_} is none of the workout's; allowed: {allowed}, or "
            "null for a rep that is not of the workout."
        )


def _check_reason(edit: Edit) -> None:
    if not edit.why.strip():
        what, which = ("a no-rep", "missed") if edit.action == "mark_no_rep" else ("this", "met")
        raise RecordError(f"{what} needs a reason; say which standard was {which}.")


def _check_inside(edit: Edit, name: str, at_s: float, reading: Reading) -> None:
    end_s = max(reading.video.duration_s, reading.end_of_sight_s)
    if not 0 <= at_s <= end_s:
        raise RecordError(
            f"{edit.action}: {name} = {at_s:g} lies outside the video, which runs from 0 to "
            f"{end_s:g} s."
        )


def _check_rep(edit: Edit, rep: Rep, state: Corrected, reading: Reading) -> None:
    """Times in order and in the video, and one rep at a time."""
    for name in ("start_s", "top_s", "end_s"):
        _check_inside(edit, name, getattr(rep, name), reading)
    if not rep.start_s <= rep.top_s <= rep.end_s:
        raise RecordError(
            f"{edit.action}: start_s = {rep.start_s:g}, top_s = {rep.top_s:g}, end_s = "
            f"{rep.end_s:g} are not in order; a rep starts, tops, then ends."
        )
    for one in state.reps:
        if one.id == rep.id or is_pick_up(one):
            continue
        if (rep.start_s < one.top_s and one.start_s < rep.top_s) or rep.top_s == one.top_s:
            raise RecordError(
                f"{edit.action}: the rise from {rep.start_s:g} s to {rep.top_s:g} s overlaps that "
                f"of rep {shown(one.id)} ({one.start_s:g} s to {one.top_s:g} s); move or remove "
                "that rep first."
            )
    for rest in state.floor_rests:
        _check_apart(edit, rep, rest)


def _check_top(edit: Edit, rep: Rep, state: Corrected) -> None:
    """Between two tops there is time for the later one's rise, and for coming down before it where
    it begins lower than the earlier one ended."""
    for one in state.reps:
        if one.id == rep.id or is_pick_up(one):
            continue
        before, after = sorted((one, rep), key=lambda each: each.top_s)
        lower = ORDER[CATALOGUE[after.movement].begins] < ORDER[CATALOGUE[before.movement].ends]
        down = lower or before.movement == after.movement
        least = round(SHORTEST_RISE_S * (2 if down else 1), 2)
        apart = after.top_ms - before.top_ms
        if apart < to_ms(least):
            way = "come down and go up again" if down else "go up"
            raise RecordError(
                f"{edit.action}: top_s = {rep.top_s:g} lies {apart.seconds:g} s from the top of "
                f"rep {shown(one.id)} ({one.top_s:g} s), and the bar cannot {way} in under "
                f"{least:g} s; give another moment, or move or remove that rep first."
            )


def _check_rest(edit: Edit, rest: FloorRest, state: Corrected, reading: Reading) -> None:
    """Times in order and in the video, one rest at a time, and no rep's rise within."""
    for name in ("first_contact_s", "start_s", "end_s"):
        _check_inside(edit, name, getattr(rest, name), reading)
    if not rest.first_contact_s <= rest.start_s < rest.end_s:
        raise RecordError(
            f"{edit.action}: first_contact_s = {rest.first_contact_s:g}, start_s = "
            f"{rest.start_s:g}, end_s = {rest.end_s:g} are not in order; the bar touches the "
            "floor, rests, then leaves it."
        )
    for one in state.floor_rests:
        if one.id != rest.id and _overlap(one, rest):
            raise RecordError(
                f"{edit.action}: {rest.start_s:g} s to {rest.end_s:g} s overlaps the floor rest "
                f"{shown(one.id)} ({one.start_s:g} s to {one.end_s:g} s); move or remove that one."
            )
    for rep in state.reps:
        if not is_pick_up(rep):
            _check_apart(edit, rep, rest)


def _check_apart(edit: Edit, rep: Rep, rest: FloorRest) -> None:
    """The bar cannot rise in a rep while it lies on the floor for a break."""
    if rest.length_ms < to_ms(BREAK_S):
        return
    if rep.start_s < rest.end_s and rest.start_s < rep.top_s:
        raise RecordError(
            f"{edit.action}: the rise of rep {shown(rep.id)} ({rep.start_s:g} s to {rep.top_s:g} "
            f"s) overlaps the break {shown(rest.id)} ({rest.start_s:g} s to {rest.end_s:g} s); "
            "move or remove one of them first."
        )
