"""One plan for many: athletes with their own numbers, from a TOML file, and wishes from words.

The same file is the list of a heat and of a class (`repcount.heat.manifest`): where an athlete's
video lies is for these, the numbers are for the plan.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from repcount.errors import PlanError
from repcount.files import ordinary_bytes
from repcount.plan.barbell import parse_weight, with_bar
from repcount.plan.file import LARGEST_FILE, Table
from repcount.plan.findings import dotted, toml_data
from repcount.plan.model import Plan
from repcount.plan.pace import SHAPES
from repcount.plan.propose import Wishes, known_movement
from repcount.plan.strength import MaxEstimate, one_rep_max
from repcount.wording import hint, listed, shown

MOST_ATHLETES = 500


class AthleteTable(Table):
    """An athlete of the file. What is missing is as on the command line, or as in the workout."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    load: str | float | int | None = Field(None, description="60, 60kg or 135 lb")
    bar: float | int | None = Field(None, description="what the bar weighs, in the kit's unit")
    max: dict[str, str | float | int] = Field(default_factory=dict)
    best: dict[str, str] = Field(default_factory=dict, description="reps and load, 5x70kg")
    pattern: str | list[str] | None = None
    rule: str | None = None
    protect: str | None = None
    spare: str | None = Field(None, description="the former name of protect")
    breaks: float | int | None = Field(None, description="seconds")
    target: str | float | int | None = Field(None, description="seconds, or 4:30")
    pace: str | None = None
    between: float | int | None = Field(None, description="seconds")
    video: str | None = Field(None, description="for a heat or a class, as all that follows")
    lane: int | None = None
    division: str | None = None
    plan: str | None = Field(None, description="the plan that the attempt is compared with")
    start_offset_s: str | float | int | None = None
    start_uncertainty_s: str | float | int | None = None
    earlier: list[str] = Field(
        default_factory=list, description="results folders of earlier attempts, for a class"
    )


class AthletesFile(Table):
    """[[athlete]] tables, each read by itself; `plan` and `division` of all, for a heat."""

    plan: str | None = None
    division: str | None = None
    athlete: Annotated[list[dict[str, Any]], Field(min_length=1, max_length=MOST_ATHLETES)]


@dataclass(frozen=True)
class Listed:
    """The athletes of a file, in its order: wishes, or for an entry that does not fit its name
    and a sentence."""

    wishes: list[Wishes]
    faults: list[PlanError]


def parse_time(text: str | float | int, what: str) -> float:
    """Seconds of `83.4` or `1:23.4`. Raises PlanError, whose sentence `what` opens."""
    match = re.fullmatch(r"\s*(?:(?:(\d{1,2}):)?(\d{1,4}):)?(\d{1,6}(?:\.\d+)?)\s*", str(text))
    if not match:
        raise PlanError(
            f"{what} {shown(text)} is no time; give seconds (83.4) or minutes (1:23.4)."
        )
    return int(match[1] or 0) * 3600 + int(match[2] or 0) * 60 + float(match[3])


def parse_max(text: str | float | int, what: str) -> MaxEstimate:
    """A one-rep max from a weight as a person writes it."""
    return one_rep_max(parse_weight(str(text), what), 1, what)


def parse_best(text: str, what: str) -> MaxEstimate:
    """A max from a best set, `5x70kg`: reps and load."""
    match = re.fullmatch(r"\s*(-?\d{1,4})\s*[x×]\s*(.+)", text)
    if not match:
        raise PlanError(f"{what} {shown(text)} is no set; give reps and load, for example 5x70kg.")
    return one_rep_max(parse_weight(match[2], what), int(match[1]), what)


def parse_maxes(
    maxes: Mapping[str, str | float | int], best: Mapping[str, str], workout: Plan, where: str = ""
) -> dict[str, MaxEstimate]:
    """Maxes by movement, from those lifted and those estimated from a best set; where both are
    given, the one lifted is taken."""
    found: dict[str, MaxEstimate] = {}
    for name, text in best.items():
        movement = known_movement(name, workout, f"{where}the best set")
        found[movement] = parse_best(text, f"{where}the best set of {movement}")
    for name, value in maxes.items():
        movement = known_movement(name, workout, f"{where}the max")
        found[movement] = parse_max(value, f"{where}the max of {movement}")
    return found


def load_athletes(path: Path | str, workout: Plan, shared: Wishes) -> Listed:
    """The wishes of every athlete of a file; `shared` stands where the file says nothing. An entry
    that does not fit is among the faults and does not stop the others.

    Raises PlanError that names the file where it cannot be read as a list of athletes.
    """
    path = Path(path)
    try:
        text = ordinary_bytes(path, LARGEST_FILE).decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PlanError(f"{path}: cannot be read ({reason}); check the path.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: is no UTF-8 text; save it as UTF-8.") from error
    data = toml_data(text, str(path), PlanError)
    try:
        file = AthletesFile.model_validate(data)
    except ValidationError as error:
        raise PlanError(f"{path}: {_finding(error, AthletesFile)}") from error
    found = Listed([], [])
    names: set[str] = set()
    for number, entry in enumerate(file.athlete, 1):
        name = entry.get("name")
        said = shown(name) if isinstance(name, str) and name else f"athlete {number}"
        try:
            one = AthleteTable.model_validate(entry)
            if one.name in names:
                raise PlanError("stands twice; give each athlete once.")
            names.add(one.name)
            found.wishes.append(_wishes(one, workout, shared))
        except ValidationError as error:
            found.faults.append(PlanError(f"{path}: {said}: {_finding(error, AthleteTable)}"))
        except PlanError as error:
            found.faults.append(PlanError(f"{path}: {said}: {error}"))
    return found


def _wishes(one: AthleteTable, workout: Plan, shared: Wishes) -> Wishes:
    wishes = replace(shared, athlete=one.name)
    if one.max or one.best:
        wishes = replace(wishes, maxes=parse_maxes(one.max, one.best, workout))
    if one.bar is not None:
        wishes = replace(wishes, kit=with_bar(shared.kit, float(one.bar)))
    if one.load is not None:
        wishes = replace(wishes, load_kg=parse_weight(str(one.load), "the load", shared.kit.unit))
    if one.protect is not None and one.spare is not None:
        raise PlanError("protect and spare mean the same; give protect alone.")
    protect = one.spare if one.protect is None else one.protect
    if one.pattern is not None or one.rule is not None or protect is not None:
        patterns = [one.pattern] if isinstance(one.pattern, str) else one.pattern or []
        wishes = replace(wishes, patterns=patterns, rule=one.rule, protect=protect)
    if one.breaks is not None:
        wishes = replace(wishes, break_s=float(one.breaks))
    if one.target is not None:
        wishes = replace(wishes, target_s=parse_time(one.target, "the target"))
    if one.pace is not None:
        if one.pace not in SHAPES:
            raise PlanError(
                f"the pace {shown(one.pace)} is not known here; allowed are {listed(SHAPES)}."
            )
        wishes = replace(wishes, shape=one.pace)
    if one.between is not None:
        wishes = replace(wishes, between_s=float(one.between))
    return wishes


def _finding(error: ValidationError, table: type[Table]) -> str:
    """The most telling of pydantic's findings as a sentence, without the file's name."""
    first = min(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
    allowed = list(table.model_fields)
    key = dotted(first["loc"][:2])
    if first["type"] == "extra_forbidden":
        word = str(first["loc"][-1])
        return f"{key} is not a key here{hint(word, allowed)}; allowed are {listed(allowed)}."
    if first["type"] == "missing":
        return f"{key} is missing; give [[athlete]] tables, each with a name."
    return f"{key} = {shown(first['input'])} does not fit; see the README for what is allowed."


def file_stem(name: str) -> str:
    """A file name for an athlete: letters and digits, the rest as hyphens."""
    stem = "".join(one if one.isalnum() else "-" for one in name.casefold())
    return "-".join(part for part in stem.split("-") if part)[:60] or "athlete"
