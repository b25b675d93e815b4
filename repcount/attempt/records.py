"""The artifacts that pass between stages and that a person can open (JSON).

`reading.json` is the machine's and is never rewritten by a person; `edits.json` is an append-only
list of a person's corrections; `attempt.json` is always derived from the two; `comparison.json`
sets an attempt beside its plan. A JSON Schema of each is generated from these models.

Times are stored as seconds from the first frame, rounded once to whole milliseconds; what is
computed with them is computed in whole milliseconds (`Ms`), which a record gives as `start_ms`,
`top_ms`, `length_ms` and so on. Heights named `_st` are in body heights (the athlete's own height).
"""

from __future__ import annotations

import json
import operator
from collections import Counter
from collections.abc import Set
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, NamedTuple, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from repcount.attempt.time_budget import Span
from repcount.errors import RecordError
from repcount.files import ordinary_bytes
from repcount.units import Ms, Seconds, to_ms

Probability = Annotated[float, Field(ge=0, le=1), AfterValidator(lambda value: round(value, 4))]

RepStatus = Literal["counted", "extra", "unplanned", "no_rep"]
Zone = Literal["floor", "hang", "rack", "back", "overhead", "free", "unseen"]
HoldPlace = Literal["hang", "rack", "back", "overhead"]
RestKind = Literal["touch", "touch-and-go", "reset", "break"]
StartSource = Literal["sound", "given", "first lift-off"]
Flag = Literal[
    "check",
    "driven_through",
    "top_only",
    "pick_up",
    "by_hands",
    "by_bar",
    "begun_before",
    "not_erect",
    "not_locked_out",
    "not_deep",
    "count_short",
    "count_unsure",
    "near_cap",
    "top_unsure",
    "style_differs",
]
TimeKind = Literal[
    "start",
    "between rounds",
    "break",
    "hold",
    "transition",
    "reset",
    "touch",
    "rep",
    "handling",
]


MOST_WORKOUT_REPS = 5000  # more than anybody lifts in a day (common practice, no source)


class Record(BaseModel):
    """Base of all artifacts: unknown fields and non-finite numbers are refused."""

    # validators are built when first used: a command uses few of the models
    model_config = ConfigDict(
        extra="forbid", allow_inf_nan=False, validate_assignment=True, defer_build=True
    )
    REMEDY: ClassVar[str] = "make it again with `repcount analyze`"  # where its file is damaged


class Timed:
    """What begins and ends: its instants and its length as whole milliseconds."""

    if TYPE_CHECKING:
        start_s: float
        end_s: float

    @property
    def start_ms(self) -> Ms:
        """Where it begins."""
        return to_ms(self.start_s)

    @property
    def end_ms(self) -> Ms:
        """Where it ends."""
        return to_ms(self.end_s)

    @property
    def span(self) -> Span:
        """Where it begins and ends."""
        return self.start_ms, self.end_ms

    @property
    def length_ms(self) -> Ms:
        """How long it lasts."""
        return self.end_ms - self.start_ms

    @property
    def length_s(self) -> float:
        """How long it lasts, in seconds."""
        return self.length_ms.seconds


class Notice(Record):
    """Something the reader should know: something unsure, a limit met, a filming rule broken."""

    code: str = Field(description="stable name in kebab-case, for example `start-ambiguous`")
    text: str = Field(description="one sentence for a person")
    start_s: Seconds | None = None
    end_s: Seconds | None = None


class Video(Record):
    """The footage an attempt was read from."""

    file_name: str
    sha256: str
    duration_s: Seconds
    width: int = Field(description="pixels of the upright frame")
    height: int = Field(description="pixels of the upright frame")
    mean_rate_hz: float
    variable_rate: bool = False
    has_sound: bool = False
    rotation_deg: int = 0
    codec: str = ""
    slowed: float = Field(1.0, gt=0, description="slow-motion factor the user gave")
    recorded_at: str | None = Field(
        None, description="when it was filmed: UTC (ISO 8601), or the day alone; null: not known"
    )


class Provenance(Record):
    """What made an artifact, so that it can be made again."""

    version: str = Field(description="version of repcount")
    made_at: str = Field(description="UTC time of making, ISO 8601")
    options: dict[str, Any] = Field(default_factory=dict)
    models: dict[str, str] = Field(default_factory=dict, description="model name to SHA-256")


class MovementReps(Record):
    """One movement of a round and how often it is asked for."""

    movement: str
    reps: int = Field(ge=1, le=MOST_WORKOUT_REPS)
    to_max: bool = Field(
        False,
        exclude_if=operator.not_,
        description="as many as there are in one unbroken set; `reps` are then the most looked for,"
        " and in an attempt those that were done",
    )


class PrescribedRep(NamedTuple):
    """A rep that a workout asks for; `number` counts from 1 in its movement and round."""

    round: int
    movement: str
    number: int


class Workout(Record):
    """What is to be done: rounds of movements, at one load."""

    name: str
    rounds: list[list[MovementReps]] = Field(min_length=1)
    load_kg: float | None = Field(None, gt=0)
    time_cap_s: Seconds | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _of_reasonable_length(self) -> Self:
        if self.reps > MOST_WORKOUT_REPS:
            raise ValueError(f"a workout has at most {MOST_WORKOUT_REPS} reps")
        return self

    def demand_rounds(self, named: Set[int]) -> None:
        """Raises ValueError where a number (from 1) is that of no round."""
        if named and not 1 <= min(named) <= max(named) <= len(self.rounds):
            raise ValueError("a round is named that the workout does not have")

    @property
    def to_max(self) -> bool:
        """Whether it is an unbroken test: one movement, as many reps as there are in one set."""
        return self.rounds[0][0].to_max

    def tested(self, reps: int) -> Workout:
        """An unbroken test with the reps that it came to."""
        return self.model_copy(
            update={"rounds": [[self.rounds[0][0].model_copy(update={"reps": max(1, reps)})]]}
        )

    @property
    def reps(self) -> int:
        """Prescribed reps of all rounds."""
        return self.reps_before(len(self.rounds) + 1)

    def reps_before(self, round_: int) -> int:
        """Prescribed reps of the rounds before one (counted from 1)."""
        return sum(part.reps for parts in self.rounds[: round_ - 1] for part in parts)

    def movements(self, round_: int) -> list[str]:
        """The movements of a round (counted from 1) in order; one asked for twice stands twice."""
        return [part.movement for part in self.rounds[round_ - 1]]

    def sequence(self) -> list[PrescribedRep]:
        """Every prescribed rep in order."""
        found = []
        for round_, parts in enumerate(self.rounds, 1):
            done: Counter[str] = Counter()
            for movement in (part.movement for part in parts for _ in range(part.reps)):
                done[movement] += 1
                found.append(PrescribedRep(round_, movement, done[movement]))
        return found

    def asked(self, round_: int, movement: str) -> int:
        """How many reps of a movement a round (counted from 1) asks for; 0 where none."""
        return sum(part.reps for part in self.rounds[round_ - 1] if part.movement == movement)


class Measure(Record):
    """A measured value with its uncertainty (one standard deviation), never a verdict."""

    name: str
    value: float
    unit: str
    uncertainty: float | None = Field(None, ge=0)


class Rep(Timed, Record):
    """One repetition. `number` counts from 1 in its movement and round, for counted reps only."""

    id: str = Field(description="persistent: edits hold on to it")
    round: int | None = None
    movement: str
    number: int | None = None
    status: RepStatus
    start_s: Seconds
    top_s: Seconds
    end_s: Seconds
    confidence: Probability
    flags: list[str] = Field(default_factory=list, description="for example driven_through, check")
    measures: list[Measure] = Field(default_factory=list)
    cycle_s: Seconds | None = Field(
        None, description="top minus the top before it in the same set and movement"
    )
    from_floor: RestKind | None = Field(
        None, description="how the bar had lain before a lift from the floor, if it was seen to"
    )
    dropped: bool = Field(False, description="the bar fell free after this rep")
    style: str | None = Field(
        None, description="of a hang clean: slow dip, fast thigh rebound, or unsure"
    )
    style_confidence: Probability | None = Field(
        None, description="probability of the style; of the likelier one where unsure"
    )
    touched_by: Literal["machine", "person"] = "machine"
    after_number: int | None = Field(
        None,
        description="of a no-rep, which has no number: that of the rep of its movement and round "
        "that counted last before it, or 0",
    )
    reason: str = Field("", description="of a no-rep: which standard was missed, as a person wrote")

    @property
    def counts(self) -> bool:
        """Whether it is counted."""
        return self.status == "counted"

    @property
    def top_ms(self) -> Ms:
        """Where it is finished."""
        return to_ms(self.top_s)


class FailedStroke(Timed, Record):
    """A missed lift: one that never reached its finishing zone."""

    id: str
    movement: str
    start_s: Seconds
    peak_s: Seconds
    end_s: Seconds
    reached: Zone
    confidence: Probability
    touched_by: Literal["machine", "person"] = "machine"
    reason: str = Field("", description="why it is no rep, as a person wrote who looked at it")

    @property
    def peak_ms(self) -> Ms:
        """Where it turned."""
        return to_ms(self.peak_s)


class FloorRest(Timed, Record):
    """The bar on the floor: settled contact to the next lift-off."""

    id: str
    start_s: Seconds = Field(description="settled contact, after bounces")
    end_s: Seconds = Field(description="next lift-off, or the end of what was seen")
    first_contact_s: Seconds
    hands_off: bool = False
    dropped: bool = False
    settled: bool = Field(True, description="false: picked up before it had settled (touch)")
    seen: bool = Field(
        True,
        description="false: the bar was not seen at an end of it, which the hands alone give",
    )
    confidence: Probability = 1.0
    measures: list[Measure] = Field(default_factory=list, description="of the fall before it")
    kind: RestKind | None = Field(None, description="by its length; set in the attempt only")
    touched_by: Literal["machine", "person"] = "machine"


class Hold(Timed, Record):
    """1.5 s or more without a rep while the bar is in the hands."""

    start_s: Seconds
    end_s: Seconds
    where: HoldPlace
    round: int | None = None


class Phase(Record):
    """A stretch of time in which the bar is in one zone (part 1 of the reading)."""

    zone: Zone
    start_s: Seconds
    end_s: Seconds
    probability: Probability


class Stroke(Record):
    """A movement of the bar through zones, knowing nothing of the workout (part 1)."""

    id: str
    path: list[Zone]
    start_s: Seconds
    top_s: Seconds
    end_s: Seconds
    likelihoods: dict[str, Probability] = Field(description="movement name to probability")
    confidence: Probability
    flags: list[str] = Field(default_factory=list)
    measures: list[Measure] = Field(default_factory=list)


class StartSignal(Record):
    """A moment at which the clock may have started."""

    at_s: Seconds
    source: StartSource


class Trace(Record):
    """Thinned heights for charts, in body heights above the floor; null where not seen."""

    time_s: list[Seconds] = Field(default_factory=list)
    bar_st: list[float | None] = Field(default_factory=list)
    hip_st: list[float | None] = Field(default_factory=list)

    @model_validator(mode="after")
    def _of_one_length(self) -> Self:
        if not len(self.time_s) == len(self.bar_st) == len(self.hip_st):
            raise ValueError("the lists of a trace have one length")
        return self


class Reading(Record):
    """What the machine read (`reading.json`). Never rewritten by a person."""

    format: Literal["repcount-reading/1"] = "repcount-reading/1"
    provenance: Provenance
    video: Video
    workout: Workout | None = None
    start_signals: list[StartSignal] = Field(
        default_factory=list, description="candidates; the first is the one used"
    )
    end_of_sight_s: Seconds = Field(description="last moment at which anything was seen")
    phases: list[Phase] = Field(default_factory=list)
    strokes: list[Stroke] = Field(default_factory=list)
    floor_rests: list[FloorRest] = Field(default_factory=list)
    holds: list[Hold] = Field(default_factory=list)
    reps: list[Rep] = Field(default_factory=list, description="lifts in the workout (part 2)")
    failed: list[FailedStroke] = Field(default_factory=list)
    trace: Trace = Field(default_factory=Trace)
    warnings: list[Notice] = Field(default_factory=list)


EditAction = Literal[
    "add_rep",
    "remove_rep",
    "move_rep",
    "relabel_rep",
    "mark_no_rep",
    "clear_no_rep",
    "add_break",
    "move_break",
    "remove_break",
    "set_clock",
    "set_recorded",
    "note",
]


class Edit(Record):
    """One correction by a person: who, when and why. Entries are appended, never changed."""

    id: str
    action: EditAction
    who: str
    when: str = Field(description="UTC, ISO 8601")
    why: str = ""
    target: str | None = Field(
        None, description="id of the rep, missed lift or floor rest it is about"
    )
    values: dict[str, Any] = Field(
        default_factory=dict,
        description="what changes: start_s, top_s, end_s, movement, round, text ...",
    )
    reverts: str | None = Field(None, description="id of an earlier edit that this one takes back")


class Edits(Record):
    """All corrections of one attempt (`edits.json`), in the order they were made."""

    REMEDY = "bring it back from a copy, or move it away, which takes all corrections away"

    format: Literal["repcount-edits/1"] = "repcount-edits/1"
    video_sha256: str
    edits: list[Edit] = Field(default_factory=list)


class Clock(Record):
    """From the start signal to the last counted top (or the time cap, if given and unfinished)."""

    start_s: Seconds | None
    end_s: Seconds | None
    start_source: StartSource
    finished: bool | None = Field(description="null where there is no workout to finish")
    total_s: Seconds | None

    @property
    def start_ms(self) -> Ms | None:
        """Where it starts."""
        return None if self.start_s is None else to_ms(self.start_s)

    @property
    def end_ms(self) -> Ms | None:
        """Where it stops."""
        return None if self.end_s is None else to_ms(self.end_s)

    @property
    def span(self) -> Span | None:
        """Its run; None where it has no start or no end."""
        if self.start_ms is None or self.end_ms is None:
            return None
        return self.start_ms, self.end_ms

    def since_start_s(self, at: Ms) -> float | None:
        """Seconds on the clock at an instant; None where the clock has no start."""
        return None if self.start_ms is None else (at - self.start_ms).seconds


class After(Record):
    """The counted rep after which something happened."""

    movement: str
    number: int


class Break(Timed, Record):
    """The bar on the floor for 1.5 s or more, inside a round."""

    id: str
    start_s: Seconds
    end_s: Seconds
    first_contact_s: Seconds
    round: int | None
    after: After | None = Field(description="null: before the round's first counted rep")
    after_no_reps: int = Field(0, description="no-reps of that movement and round before it")
    hands_off: bool
    seen: bool = Field(
        True, description="false: the bar was not seen at an end of it, whose time is unsure"
    )
    touched_by: Literal["machine", "person"] = "machine"


class BetweenRounds(Timed, Record):
    """Last top of a round to the first start of the next."""

    after_round: int
    start_s: Seconds
    end_s: Seconds
    bar_down_s: Seconds


class Transition(Timed, Record):
    """From one movement to the next within a round, less the breaks and holds inside it."""

    round: int
    from_movement: str
    to_movement: str
    start_s: Seconds
    end_s: Seconds
    gross_s: Seconds
    net_s: Seconds

    @property
    def net_ms(self) -> Ms:
        """Its time less the breaks and holds inside it."""
        return to_ms(self.net_s)


class RoundSpan(Timed, Record):
    """First counted start to last counted top of a round."""

    round: int
    start_s: Seconds
    end_s: Seconds
    duration_s: Seconds
    counted: int
    prescribed: int | None
    missing: list[MovementReps] = Field(default_factory=list)


class SetSpeed(Record):
    """The bar's greatest rising speeds in a set and movement of three reps and more."""

    movement: str
    reps: int
    mean_st_s: float = Field(description="body heights a second")
    slope_share: float = Field(description="change a rep, as a fraction of the mean; least squares")
    uncertainty: float | None = Field(None, ge=0, description="standard error of slope_share")


class SetSpan(Timed, Record):
    """Reps between two breaks; touch-and-go and resets do not end a set."""

    round: int
    number: int = Field(description="from 1 in its round")
    reps: list[MovementReps] = Field(description="in the order done; a set may run on")
    speeds: list[SetSpeed] = Field(default_factory=list)
    start_s: Seconds
    end_s: Seconds


class TimeShare(Record):
    """One kind of the clock's run and the seconds that are of it."""

    kind: TimeKind
    seconds: Seconds


class Attempt(Record):
    """Reading plus edits (`attempt.json`), always derived."""

    format: Literal["repcount-attempt/1"] = "repcount-attempt/1"
    provenance: Provenance
    video: Video
    workout: Workout | None = None
    clock: Clock
    reps: list[Rep]
    failed: list[FailedStroke] = Field(default_factory=list)
    breaks: list[Break] = Field(default_factory=list)
    between_rounds: list[BetweenRounds] = Field(default_factory=list)
    holds: list[Hold] = Field(default_factory=list)
    transitions: list[Transition] = Field(default_factory=list)
    rounds: list[RoundSpan] = Field(default_factory=list)
    sets: list[SetSpan] = Field(default_factory=list)
    floor_rests: list[FloorRest] = Field(default_factory=list)
    time_spent: list[TimeShare] = Field(
        default_factory=list, description="adds up to clock.total_s exactly"
    )
    notes: list[Notice] = Field(default_factory=list, description="a person's notes")
    orphaned_edits: list[str] = Field(default_factory=list)
    trace: Trace = Field(default_factory=Trace)
    warnings: list[Notice] = Field(default_factory=list)

    @model_validator(mode="after")
    def _in_rounds_of_the_workout(self) -> Self:
        if self.workout is not None:
            parts = (self.reps, self.breaks, self.transitions, self.rounds, self.sets)
            named = {one.round for part in parts for one in part if one.round is not None}
            self.workout.demand_rounds(named | {one.after_round for one in self.between_rounds})
        return self

    def counted(self, round_: int | None = None) -> list[Rep]:
        """Counted reps in the order of their tops: all of them, or those of one round."""
        found = [rep for rep in self.reps if (round_ is None or rep.round == round_) and rep.counts]
        return sorted(found, key=lambda rep: rep.top_s)

    def uncounted(self) -> list[Rep]:
        """Reps done in the workout that do not count: no-reps and those beyond what is asked."""
        return [rep for rep in self.reps if rep.status in ("extra", "no_rep")]

    def lifted_between(self, gap: BetweenRounds) -> Ms:
        """How much of a time between rounds was lifting still, or already: up to the top of the
        round's last lift, and from the next round's first, which do not count."""
        inside = [one for one in self.uncounted() if gap.start_s <= one.start_s < gap.end_s]
        last = [one.top_ms for one in inside if one.round == gap.after_round]
        first = [one.start_ms for one in inside if one.round == gap.after_round + 1]
        before = max([gap.start_ms, *last]) - gap.start_ms
        return before + gap.end_ms - min([gap.end_ms, *first])

    def round_spans(self) -> dict[int, RoundSpan]:
        """The rounds that were begun, by their number."""
        return {span.round: span for span in self.rounds}

    def breaks_in(self, round_: int) -> list[Break]:
        """The breaks of a round."""
        return [stop for stop in self.breaks if stop.round == round_]


class RoundDifference(Record):
    """A round's split against plan. Differences are real minus planned."""

    round: int
    planned_s: Seconds | None
    real_s: Seconds | None
    difference_s: Seconds | None
    planned_breaks: int
    real_breaks: int
    finished: bool = Field(
        True, description="false: the attempt ended in it or before it; then it has no difference"
    )


class PlannedBreak(Record):
    """Where the plan puts the bar down, and for how long."""

    round: int
    after: After
    seconds: Seconds


BreakOutcome = Literal["as planned", "moved", "unplanned", "skipped", "reset", "not reached"]


class BreakMatch(Record):
    """A planned break and the real one that answers it, or one of them alone.

    Outcome `reset`: the planned `|` was met by 0.5 to 1.5 s on the floor. Outcome `not reached`:
    the attempt ended before the place of the planned break.
    """

    round: int
    outcome: BreakOutcome
    planned: PlannedBreak | None = None
    real: Break | None = None
    real_reset: FloorRest | None = None
    moved_by: int | None = Field(None, description="reps later (+) or earlier (-) than planned")
    planned_s: Seconds | None = None
    real_s: Seconds | None = None
    difference_s: Seconds | None = Field(
        None, description="an unplanned break counts whole, a skipped one as its time saved"
    )
    length: Literal["as planned", "longer", "shorter"] | None = None


class TimeDifference(Record):
    """One kind of time, planned beside real. The differences add up to the total's exactly."""

    kind: str
    planned_s: Seconds
    real_s: Seconds
    difference_s: Seconds


class Comparison(Record):
    """An attempt beside its plan (`comparison.json`)."""

    format: Literal["repcount-comparison/1"] = "repcount-comparison/1"
    provenance: Provenance
    workout: Workout
    planned_total_s: Seconds | None
    real_total_s: Seconds | None
    difference_s: Seconds | None = Field(
        description="null where it ended early, and without a pace"
    )
    compared_rounds: int = Field(
        0,
        description="`time` compares the clock's run to the end of this round (the last finished)",
    )
    rounds: list[RoundDifference]
    breaks: list[BreakMatch]
    planned_sets: list[str] = Field(description="the pattern as written, one a round")
    real_sets: list[str] = Field(description="the real pattern in the same notation")
    time: list[TimeDifference] = Field(
        description="of the compared rounds; adds up to difference_s where that is given"
    )
    lost_s: Seconds | None = Field(
        None, description="the losses together; what is over difference_s was won elsewhere"
    )
    costliest: str | None = Field(
        None, description="one sentence: the largest loss, and what it is measured against"
    )
    warnings: list[Notice] = Field(default_factory=list)

    @model_validator(mode="after")
    def _in_rounds_of_the_workout(self) -> Self:
        compared = {self.compared_rounds} - {0}
        self.workout.demand_rounds(compared | {one.round for one in self.rounds})
        return self


R = TypeVar("R", bound=Record)
LARGEST_RECORD = 64_000_000  # bytes; an hour with its trace has a tenth of that


def save_record(record: Record, path: Path) -> None:
    """Write a record as indented JSON. The file appears whole or not at all."""
    path = Path(path)
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(record.model_dump_json(indent=1) + "\n", encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def load_record(kind: type[R], path: Path) -> R:
    """Read a record. Raises RecordError naming the file, the field and what to do."""
    path = Path(path)
    try:
        text = ordinary_bytes(path, LARGEST_RECORD).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordError(f"{path}: cannot be read ({reason.lower()}); check the path.") from error
    try:
        return kind.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        said = first["msg"].removeprefix("Value error, ")
        raise RecordError(
            f"{path}: not a usable {kind.__name__.lower()} file: {where}: {said}; {kind.REMEDY}."
        ) from error


def schema_text(kind: type[Record]) -> str:
    """The JSON Schema (2020-12) of an artifact, as text."""
    schema = kind.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True) + "\n"
