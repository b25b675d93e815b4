"""A plan as a form: fields for what most plans need, or TOML text for every rule of the file.

Every field is read on its own, so that all that is wrong is said at once, each at its field. What
the form has no field for (rounds that differ, cycle times, comments) is taken over from the plan
that it changes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import MovementReps
from repcount.errors import PlanError
from repcount.plan.file import (
    LONGEST_NOTES,
    LONGEST_S,
    MOST_REPS,
    MOST_ROUNDS,
    MOST_TESTED,
    PlanFile,
)
from repcount.plan.load import fitted, parse_plan, without_time
from repcount.plan.model import Plan
from repcount.plan.pattern import parse_pattern
from repcount.plan.working_load import CAUTIONS
from repcount.plan.writing import number as digits
from repcount.plan.writing import plan_toml
from repcount.reports.after import made_after
from repcount.units import to_ms
from repcount.web.plan_text import comments_of, parse_time, parse_times, parse_whole, time_text
from repcount.wording import plural
from repcount.wording.numbers import clock, load

MOST_MOVEMENTS = 8
FEW_MOVEMENTS = 4  # rows of an empty form
_SHORT = 400
_LONGEST_TEXT = 200
_HEAVIEST = {"kg": 1000, "lb": 2200}
_TIMES = "as 7:00, 0:04 or 90 s"
_NONE = "–"  # stands for a round without a break among the lengths of breaks

LABELS = {
    "name": "Workout",
    "athlete": "Athlete",
    "rounds": "Rounds",
    "load": "Load",
    "unit": "Unit",
    "cap": "Time cap",
    **{f"movement{n}": f"Movement {n}" for n in range(1, MOST_MOVEMENTS + 1)},
    **{f"reps{n}": f"Reps {n}" for n in range(1, MOST_MOVEMENTS + 1)},
    "pattern": "Break pattern",
    "seconds": "Length of breaks",
    "round_s": "Round times",
    "between": "Between rounds",
    "start": "To the first rep",
    "transition": "Transitions",
    "target": "Target",
    "notes": "Notes",
}


class PlanForm(BaseModel):
    """The fields as typed. `toml`, where it is given, stands for all others."""

    model_config = ConfigDict(extra="forbid")
    toml: str = Field("", max_length=100_000)
    name: str = Field("", max_length=_SHORT)
    athlete: str = Field("", max_length=_SHORT)
    rounds: str = Field("", max_length=_SHORT)
    load: str = Field("", max_length=_SHORT)
    unit: str = Field("kg", pattern="^(kg|lb)$")
    cap: str = Field("", max_length=_SHORT)
    movement1: str = Field("", max_length=_SHORT)
    reps1: str = Field("", max_length=_SHORT)
    movement2: str = Field("", max_length=_SHORT)
    reps2: str = Field("", max_length=_SHORT)
    movement3: str = Field("", max_length=_SHORT)
    reps3: str = Field("", max_length=_SHORT)
    movement4: str = Field("", max_length=_SHORT)
    reps4: str = Field("", max_length=_SHORT)
    movement5: str = Field("", max_length=_SHORT)
    reps5: str = Field("", max_length=_SHORT)
    movement6: str = Field("", max_length=_SHORT)
    reps6: str = Field("", max_length=_SHORT)
    movement7: str = Field("", max_length=_SHORT)
    reps7: str = Field("", max_length=_SHORT)
    movement8: str = Field("", max_length=_SHORT)
    reps8: str = Field("", max_length=_SHORT)
    pattern: str = Field("", max_length=100_000)
    seconds: str = Field("", max_length=100_000)
    round_s: str = Field("", max_length=10_000)
    between: str = Field("", max_length=10_000)
    start: str = Field("", max_length=_SHORT)
    transition: str = Field("", max_length=_SHORT)
    target: str = Field("", max_length=_SHORT, description="what the pace is made for")
    notes: str = Field("", max_length=2 * LONGEST_NOTES)


class Fault(BaseModel):
    """What is wrong with one field; `missing` where it is still empty."""

    field: str
    said: str
    missing: bool = False


class PlanFaults(PlanError):
    """All that is wrong with a form, in the order of its fields."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        order = list(LABELS)
        self.faults = sorted(faults, key=lambda one: order.index(one.field))
        wrong = [f"{LABELS[one.field]}: {one.said}" for one in self.faults if not one.missing]
        missing = [_asked(one.field) for one in self.faults if one.missing]
        if missing:
            wrong.append(f"Still to give: {', '.join(missing)}.")
        super().__init__(" ".join(wrong))


def _asked(field: str) -> str:
    """A field in the words of a question: `how many reps of movement 1`."""
    if field.startswith("reps"):
        return f"how many reps of movement {field.removeprefix('reps')}"
    return "how many rounds" if field == "rounds" else LABELS[field].lower()


def toml_of(form: PlanForm, base: str | None = None) -> str:
    """The plan file that the form means; `base` is the file that it changes.

    Raises PlanFaults with everything that is wrong.
    """
    if form.toml.strip():
        return form.toml.replace("\r\n", "\n")
    plan = _Reader(form, parse_plan(base) if base else None).plan()
    return plan_toml(plan, comments_of(base or ""))


def draft_of(form: PlanForm, base: str | None = None) -> Plan | None:
    """What can be said already of a plan that is still being written: without the fields that are
    wrong, None while rounds and movements are. Raises PlanError where the whole is given as text
    that is no plan.
    """
    if form.toml.strip():
        return parse_plan(form.toml)
    reader = _Reader(form, parse_plan(base) if base else None)
    with suppress(PlanFaults):
        reader.plan()
    return reader.draft


def form_of(plan: Plan) -> PlanForm:
    """The fields that mean the plan."""
    rows: dict[str, str] = {}
    if not has_own_rounds(plan):
        for number, part in enumerate(plan.rounds[0].movements, 1):
            reps = "max" if part.to_max else str(part.reps)
            rows |= {f"movement{number}": part.movement, f"reps{number}": reps}
    patterns = plan.planned_sets()
    load = plan.workout.load_kg if plan.load_lb is None else plan.load_lb
    return PlanForm(
        name=plan.workout.name,
        athlete=plan.athlete or "",
        rounds=str(len(plan.rounds)),
        load="" if load is None else f"{load:.10g}",
        unit="kg" if plan.load_lb is None else "lb",
        cap=_one_text(plan.workout.time_cap_s),
        pattern="; ".join(patterns if len(set(patterns)) > 1 else patterns[:1]),
        seconds=_breaks_text([one.break_s for one in plan.rounds]),
        round_s=_list_text([one.round_s for one in plan.rounds if one.round_s is not None]),
        between=_list_text(plan.between_rounds_s or []),
        start=_one_text(plan.start_s),
        target=_one_text(plan.target_s),
        transition=_one_text(plan.transition_s),
        notes=plan.notes or "",
        **rows,
    )


def has_own_rounds(plan: Plan) -> bool:
    """Whether the form has no fields for the plan's movements: rounds differ, or have very many."""
    first = plan.rounds[0].movements
    return len(first) > MOST_MOVEMENTS or any(one.movements != first for one in plan.rounds)


def kept(plan: Plan, text: str) -> list[str]:
    """What the form does not show of a plan and its file, and keeps; without the cautions, which
    the program writes itself."""
    found = []
    if has_own_rounds(plan):
        rounds = [
            ", ".join(f"{part.reps} {part.movement}" for part in one.movements)
            for one in plan.rounds
        ]
        found.append("rounds and movements (" + "; ".join(rounds) + ")")
    if plan.cycle_s:
        cycles = [f"{name} {digits(took)} s" for name, took in plan.cycle_s.items()]
        found.append(f"cycle times ({', '.join(cycles)})")
    if comments := [one for one in comments_of(text) if one not in CAUTIONS]:
        found.append(plural(len(comments), "line") + " of notes, written as comments")
    return found


@lru_cache(maxsize=500)
def athlete_of(toml: str) -> str | None:
    """Whom a plan file names; None where it names nobody, or is no plan any more."""
    with suppress(PlanError):
        return parse_plan(toml).athlete
    return None


@lru_cache(maxsize=500)
def in_short(toml: str) -> tuple[str, ...]:
    """What tells a plan from others of its name: whose it is, its reps, load and total, and the
    attempt that it was made after; empty where the file is no plan any more."""
    try:
        plan = parse_plan(toml)
    except PlanError:
        return ()
    count, total = len(plan.rounds), plan.planned_total_s
    reps = ", ".join(
        f"{'most' if part.to_max else part.reps} {part.movement}"
        for part in plan.rounds[0].movements
    )
    parts = [plan.athlete, f"{plural(count, 'round')}: {reps}"]
    if has_own_rounds(plan):
        parts[1] = f"{plural(count, 'round')} that differ" if count > 1 else "1 round"
    parts.append(load(plan.workout.load_kg) if plan.workout.load_kg else None)
    parts.append(f"planned {clock(total)}" if total is not None else None)
    parts.append(made_after(plan))
    return tuple(part for part in parts if part)


@lru_cache(maxsize=500)
def apart(toml: str) -> str:
    """What tells a plan from others of its name and athlete, for a line of a list: its load, its
    total and the attempt that it was made after."""
    with suppress(PlanError):
        plan = parse_plan(toml)
        total = "" if plan.planned_total_s is None else clock(plan.planned_total_s)
        on_bar = load(plan.workout.load_kg) if plan.workout.load_kg else ""
        return "".join(f", {one}" for one in (on_bar, total, made_after(plan)) if one)
    return ""


def with_athlete(toml: str, name: str) -> str:
    """A plan file that names an athlete: the one given, where it names nobody."""
    plan = parse_plan(toml)
    if not name or plan.athlete:
        return toml
    return plan_toml(plan.model_copy(update={"athlete": name}), comments_of(toml))


def breaks_in_all(plan: Plan) -> str:
    """`6 breaks (2 in each round, 0:04 each)`, as far as rounds and lengths are alike."""
    counts = {len(one.break_s) for one in plan.rounds}
    lengths = {seconds for one in plan.rounds for seconds in one.break_s}
    said = plural(len(plan.planned_breaks()), "break")
    if not lengths:
        return "no break" if not plan.planned_breaks() else said
    alike = [f"{max(counts)} in each round"] if len(counts) == 1 and len(plan.rounds) > 1 else []
    each = " each" if len(plan.planned_breaks()) > 1 else ""
    alike += [f"{time_text(max(lengths))}{each}"] if len(lengths) == 1 else []
    return f"{said} ({', '.join(alike)})" if alike else said


def over_cap(plan: Plan) -> str:
    """A sentence where the plan takes longer than its time cap; else empty."""
    cap, total = plan.workout.time_cap_s, plan.planned_total_s
    if cap is None or total is None or to_ms(total) <= to_ms(cap):
        return ""
    return (
        f"A cap of {clock(cap)} is shorter than the plan, which takes {clock(total)}; "
        "make the cap longer or the plan shorter."
    )


def _one_text(seconds: float | None) -> str:
    return "" if seconds is None else time_text(seconds)


def _list_text(values: Sequence[float]) -> str:
    """Times as a field shows them, one where all are the same."""
    same = len(set(values)) == 1
    return ", ".join(map(time_text, values[:1] if same else values))


def _breaks_text(lengths: Sequence[Sequence[float]]) -> str:
    """Lengths of breaks: one for all, one for each break of a round, or a list for each round."""
    every = {seconds for one in lengths for seconds in one}
    if len(every) <= 1:
        return "".join(map(time_text, every))
    if all(one == lengths[0] for one in lengths):
        return ", ".join(map(time_text, lengths[0]))
    return "; ".join(", ".join(map(time_text, one)) or _NONE for one in lengths)


class _Reader:
    """From the fields, and the plan that they change, to a plan. Collects what is wrong."""

    def __init__(self, form: PlanForm, base: Plan | None) -> None:
        self.form, self.base = form, base
        self.faults: list[Fault] = []
        self.draft: Plan | None = None

    def plan(self) -> Plan:
        """The plan. Raises PlanFaults."""
        workout: dict[str, Any] = {"name": self._name()}
        rounds = self._rounds()
        cap = self._time("cap", above_0=True)
        if (load := self._load()) is not None:
            workout[f"load_{load[1]}"] = load[0]
        if cap is not None:
            workout["time_cap_s"] = cap
        breaks = self._breaks(rounds)
        pace = {
            "round_s": self._times("round_s", len(rounds), "round", above_0=True),
            "between_rounds_s": self._times("between", len(rounds) - 1, "gap"),
            "start_s": self._time("start"),
            "transition_s": self._time("transition"),
            "cycle_s": self._cycles(rounds),
            "target_s": self._time("target", above_0=True),
        }
        file = {
            "athlete": self._text("athlete", self.base.athlete if self.base else None) or None,
            "notes": self._notes(),
            "workout": workout | {"round": [_movements(one) for one in rounds]},
            "breaks": breaks,
            "pace": pace,
        }
        if not self._unsure_of_rounds() and not self._unsure_of_reps():
            self.draft = self._fitted(file)
        if self.draft is None or self.faults:
            raise PlanFaults(self.faults)
        return self.draft

    def _fitted(self, file: dict[str, Any]) -> Plan:
        """The plan, without the fields that are wrong: what is too long even so is said too."""
        file["workout"]["name"] = file["workout"]["name"] or "–"
        try:
            plan = fitted(PlanFile.model_validate(file))
        except ValidationError as error:
            raise PlanError(f"The plan does not fit: {error.errors()[0]['msg']}.") from error
        for number, parts, took in without_time(plan):
            planned = plan.rounds[number - 1].round_s
            self._fault(
                "round_s",
                f"Round {number} is planned for {clock(planned)}, but {parts} in it take "
                f"{clock(took)}; make the round longer or them shorter.",
            )
        if said := over_cap(plan):
            self._fault("cap", said)
        return plan

    def _fault(self, field: str, said: str, *, missing: bool = False) -> None:
        if all(one.field != field for one in self.faults):  # one at a time at a field
            self.faults.append(Fault(field=field, said=said, missing=missing))

    def _text(self, field: str, base: str | None) -> str:
        """A line of text; spaces and line ends that a field does not show are kept as they were."""
        text = " ".join(getattr(self.form, field).split())
        if base is not None and text == " ".join(re.sub(r"[\r\n]", "", base).split()):
            return base
        if len(text) > _LONGEST_TEXT:
            self._fault(field, f"Write at most {_LONGEST_TEXT} characters.")
        return text[:_LONGEST_TEXT]

    def _name(self) -> str:
        name = self._text("name", self.base.workout.name if self.base else None)
        if not name:
            self._fault("name", "Give the workout’s name, for example Slate.", missing=True)
        return name

    def _notes(self) -> str | None:
        notes = re.sub(r"\r\n?", "\n", self.form.notes)
        base = self.base.notes if self.base else None
        if base is not None and notes == re.sub(r"\r\n?", "\n", base):
            return base
        if len(notes) > LONGEST_NOTES:
            self._fault("notes", f"Write at most {LONGEST_NOTES} characters.")
        return notes[:LONGEST_NOTES] or None

    def _whole(self, field: str, most: int, what: str) -> int:
        """A whole number from 1; 1 where there is none, with a fault."""
        text = getattr(self.form, field).strip()
        number = parse_whole(text)
        if number is None or not 1 <= number <= most:
            said = f"{what}: a whole number from 1 to {most}."
            self._fault(field, said, missing=not text)
            return 1
        return number

    def _load(self) -> tuple[float, str] | None:
        text = self.form.load.strip()
        if not text:
            return None
        match = re.fullmatch(r"(\d{1,6}(?:[.,]\d{1,6})?)\s*(kg|kgs|lbs?)?\.?", text, re.I | re.A)
        unit = (match[2] if match and match[2] else self.form.unit).lower()[:2]
        number = float(match[1].replace(",", ".")) if match else 0.0
        if not 0 < number <= _HEAVIEST[unit]:
            most = f"above 0 and up to {_HEAVIEST[unit]} {unit}"
            self._fault("load", f"The load is a number {most}, for example 60 kg or 135 lb.")
            return None
        return number, unit

    def _time(self, field: str, *, above_0: bool = False) -> float | None:
        text = getattr(self.form, field).strip()
        if not text:
            return None
        return self._possible(field, text, parse_time(text.replace(",", ".")), above_0=above_0)

    def _possible(
        self, field: str, text: str, seconds: float | None, *, above_0: bool = False
    ) -> float | None:
        """The time, None where it cannot be one of a plan."""
        if seconds is None:
            self._fault(field, f"“{text[:40]}” is no time; write it {_TIMES}.")
        elif seconds > LONGEST_S:
            self._fault(field, f"“{text[:40]}” is longer than a day.")
        elif above_0 and to_ms(seconds) == 0:
            self._fault(field, "Give a time above 0, or leave the field empty.")
        else:
            return seconds
        return None

    def _times(
        self, field: str, count: int, what: str, *, above_0: bool = False
    ) -> float | list[float] | None:
        """One time, or one for each of `count`."""
        found = self._list(field, getattr(self.form, field), above_0=above_0)
        if not found or self._is_wrong(field):
            return None
        if len(found) == 1:
            return found[0]
        if len(found) != count and not self._unsure_of_rounds():
            self._fault(
                field,
                f"There are {plural(len(found), 'time')} for {plural(count, what)}; give one time "
                f"for all, or {count} with commas between.",
            )
            return None
        return found

    def _list(self, field: str, text: str, *, above_0: bool = False) -> list[float]:
        found = []
        for part, seconds in parse_times(text):
            found.append(self._possible(field, part, seconds, above_0=above_0) or 0.0)
        return found

    def _is_wrong(self, field: str) -> bool:
        return any(one.field == field for one in self.faults)

    def _unsure_of_rounds(self) -> bool:
        return self._is_wrong("rounds")

    def _unsure_of_reps(self) -> bool:
        return any(one.field.startswith(("movement", "reps")) for one in self.faults)

    def _rounds(self) -> list[list[MovementReps]]:
        """The movements of every round."""
        if self.base is not None and has_own_rounds(self.base):
            return [list(one.movements) for one in self.base.rounds]
        rounds = self._whole("rounds", MOST_ROUNDS, "How many rounds")
        found: list[MovementReps] = []
        for number in range(1, MOST_MOVEMENTS + 1):
            name, reps = f"movement{number}", f"reps{number}"
            movement = getattr(self.form, name).strip()
            if not movement and not getattr(self.form, reps).strip():
                continue
            if not movement:
                self._fault(name, "Choose the movement of these reps.", missing=True)
            elif movement not in MOVEMENT_NAMES:
                self._fault(name, f"“{movement[:40]}” is no movement known here; choose one.")
            elif found and found[-1].movement == movement:
                said = "The movement before is the same; write the two as one, reps added up."
                self._fault(name, said)
            to_max = getattr(self.form, reps).strip().casefold() == "max"
            if to_max and rounds == number == 1:
                found.append(MovementReps(movement=movement, reps=MOST_TESTED, to_max=True))
                continue
            found.append(
                MovementReps(movement=movement, reps=self._whole(reps, MOST_REPS, "How many reps"))
            )
        if not found:
            self._fault("movement1", "Choose the first movement.", missing=True)
            self._fault("reps1", "Give its reps, for example 8.", missing=True)
        return [found] * rounds

    def _cycles(self, rounds: Sequence[Sequence[MovementReps]]) -> dict[str, float]:
        """Cycle times, for which the form has no field."""
        cycles = dict(self.base.cycle_s) if self.base else {}
        used = {part.movement for one in rounds for part in one}
        for movement in cycles:
            if movement not in used and not self._unsure_of_reps():
                self._fault(
                    "movement1",
                    f"The plan’s text gives a cycle time for {movement}, which is no longer among "
                    "the movements; put it back, or take its cycle time out of the text first.",
                )
        return {movement: took for movement, took in cycles.items() if movement in used}

    def _breaks(self, rounds: Sequence[Sequence[MovementReps]]) -> dict[str, Any] | None:
        """Break patterns and lengths of breaks."""
        texts = [one.strip() for one in re.split(r"[\n;]", self.form.pattern) if one.strip()]
        lengths = self.form.seconds.strip()
        if not texts:
            if lengths:
                said = "There is a length of breaks, but no pattern that says where they are."
                self._fault("pattern", said, missing=True)
            return None
        groups = [self._group(text) for text in re.split(r"[\n;]", lengths)] if lengths else []
        if self._unsure_of_rounds() or self._unsure_of_reps():
            return None
        if len(texts) not in (1, len(rounds)):
            said = f"There are {len(texts)} patterns for {plural(len(rounds), 'round')}; give one "
            self._fault("pattern", said + "for all rounds, or one for each with ; between.")
            return None
        patterns = texts * len(rounds) if len(texts) == 1 else texts
        try:
            sets = [
                parse_pattern(text, movements, "The pattern").sets
                for text, movements in zip(patterns, rounds, strict=True)
            ]
        except PlanError as error:
            self._fault("pattern", str(error))
            return None
        marks = [len(one) - 1 for one in sets]
        seconds = self._lengths(groups, marks)
        return None if self._is_wrong("seconds") else {"patterns": patterns, "seconds": seconds}

    def _group(self, text: str) -> list[float]:
        return [] if text.strip() in ("", "-", _NONE) else self._list("seconds", text)

    def _lengths(self, groups: list[list[float]], marks: list[int]) -> Any:
        """Lengths as the file takes them: one, one for each break of a round, or a list a round."""
        if not any(groups):
            if sum(marks):
                said = "Give the length of the breaks, for example 4 s."
                self._fault("seconds", said, missing=not groups)
            return None
        if len(groups) == 1:
            flat = groups[0]
            if len(flat) == 1:
                return flat[0]
            if len(flat) == sum(marks) or all(len(flat) == count for count in marks):
                return flat
        elif [len(one) for one in groups] == marks:
            return groups
        given = " and ".join(str(len(one)) for one in groups)
        counts = ", ".join(map(str, marks)) if len(set(marks)) > 1 else f"{marks[0]} in each round"
        self._fault(
            "seconds",
            f"There are {given} lengths, but the pattern’s breaks are {counts}; give one length "
            "for all, or one for each break with commas, and ; between rounds that differ.",
        )
        return None


def _movements(one: Sequence[MovementReps]) -> dict[str, Any]:
    return {
        "movements": [
            {"movement": part.movement, "reps": "max" if part.to_max else part.reps} for part in one
        ]
    }
