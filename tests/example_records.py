"""A made-up attempt at the workout "Slate", as records, for tests and for looking at reports.

Everything is invented (an athlete of Quarry Lane Barbell); nothing was measured. The attempt is
walked through as a script of lifts, so that reps, breaks, transitions, trace and the time budget
agree with one another as they would in a real one.

Each record is made once and handed to every test: a test that wants another takes a copy.
"""

from __future__ import annotations

import base64
import math
import random
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from repcount.attempt.records import (
    After,
    Attempt,
    BetweenRounds,
    Break,
    BreakMatch,
    Clock,
    Comparison,
    FailedStroke,
    FloorRest,
    Hold,
    Measure,
    MovementReps,
    Notice,
    PlannedBreak,
    Provenance,
    Rep,
    RoundDifference,
    RoundSpan,
    SetSpan,
    TimeDifference,
    TimeKind,
    TimeShare,
    Trace,
    Transition,
    Video,
    Workout,
)
from repcount.units import from_ms, to_ms

# Heights of the bar in body heights: Winter 2009, segment fractions, as in DEVELOPERS.md.
FLOOR, HANG, RACK, OVERHEAD = 0.129, 0.43, 0.82, 1.23
PATHS = {  # movement: from, to, seconds up, seconds held, seconds down
    "deadlift": (FLOOR, HANG, 0.75, 0.15, 0.95),
    "hang power clean": (HANG, RACK, 0.75, 0.35, 0.90),
    "push press": (RACK, OVERHEAD, 0.65, 0.25, 0.80),
}
SHA256 = "5e1ec7ed" * 8
MADE_AT = "2026-03-14T09:26:53Z"


@dataclass
class Script:
    """Walks through an attempt; `now_ms` is the clock's hand."""

    random: random.Random
    now_ms: int = 0
    tired: float = 1.0
    height: float = FLOOR
    moments: list[tuple[int, float | None]] = field(default_factory=list)
    spent: dict[TimeKind, int] = field(default_factory=dict)
    parts: dict[str, list[Any]] = field(default_factory=dict)

    def keep(self, name: str, thing: Any) -> None:
        self.parts.setdefault(name, []).append(thing)

    def got(self, name: str) -> list[Any]:
        return self.parts.get(name, [])

    def go(self, seconds: float, height: float, kind: TimeKind) -> None:
        """Spend time, moving the bar smoothly to a height."""
        spent = round(seconds * 1000)
        steps = max(1, spent // 50)
        for step in range(1, steps + 1):
            fraction = (1 - math.cos(math.pi * step / steps)) / 2
            self.moments.append(
                (
                    self.now_ms + spent * step // steps,
                    self.height + (height - self.height) * fraction,
                )
            )
        self.now_ms += spent
        self.height = height
        self.spent[kind] = self.spent.get(kind, 0) + spent

    def time(self, seconds: float) -> float:
        return seconds * self.tired * self.random.uniform(0.95, 1.06)

    def rep(self, movement: str, round_: int, number: int, **changes: Any) -> None:
        low, high, up, held, down = PATHS[movement]
        if self.height != low:
            self.go(0.4, low, "handling")
        start = self.now_ms
        self.go(self.time(up), high, "rep")
        top = self.now_ms
        self.go(self.time(held), high, "rep")
        self.go(self.time(down), low, "rep")
        values: dict[str, Any] = {
            "id": f"r{len(self.got('reps')) + 1:03d}",
            "round": round_,
            "movement": movement,
            "number": number,
            "status": "counted",
            "start_s": from_ms(start),
            "top_s": from_ms(top),
            "end_s": from_ms(self.now_ms),
            "confidence": round(self.random.uniform(0.93, 0.995), 3),
        }
        if movement == "push press":
            values["measures"] = [
                Measure(
                    name="elbow angle overhead",
                    value=round(self.random.uniform(166, 178), 1),
                    unit="deg",
                    uncertainty=6.0,
                )
            ]
        self.keep("reps", Rep(**(values | changes)))

    def rest(self, seconds: float, kind: TimeKind, *, hands_off: bool = False) -> FloorRest:
        """Put the bar down, leave it, pick nothing up yet."""
        if self.height > FLOOR:
            self.go(0.35 if self.height < 0.5 else 0.75, FLOOR, "handling")
        contact = self.now_ms
        if hands_off:
            self.go(0.3, FLOOR + 0.05, "handling")
            self.go(0.2, FLOOR, "handling")
        settled = self.now_ms
        self.go(seconds, FLOOR, kind)
        rest = FloorRest(
            id=f"f{len(self.got('floor_rests')) + 1:03d}",
            start_s=from_ms(settled),
            end_s=from_ms(self.now_ms),
            first_contact_s=from_ms(contact),
            hands_off=hands_off,
        )
        self.keep("floor_rests", rest)
        return rest


def slate() -> Workout:
    movements = [
        MovementReps(movement="deadlift", reps=8),
        MovementReps(movement="hang power clean", reps=6),
        MovementReps(movement="push press", reps=4),
    ]
    return Workout(name="Slate", rounds=[movements] * 3, load_kg=60.0, time_cap_s=420)


# Where the bar went down, as reps done in the round: seconds on the floor. The plan is
# "7 | 1+5 | 1+4" with 4 s a break in every round.
PLANNED = {7: 4.0, 13: 4.0}
REAL = {1: {7: 3.9, 13: 4.4}, 2: {6: 4.6, 13: 6.2}, 3: {7: 5.1, 11: 3.2, 13: 7.3}}
# What is odd about a rep, by its round and the reps done before it.
ODD_REPS: dict[tuple[int, int], dict[str, Any]] = {
    (1, 3): {"touched_by": "person"},
    (2, 11): {"confidence": 0.58, "flags": ["check"]},
    (3, 4): {"confidence": 0.64, "flags": ["check"]},
    (3, 16): {"flags": ["style_differs", "check"], "confidence": 0.49},
}
ROUND_S = {1: 44.0, 2: 48.0, 3: 50.0}
BETWEEN_S = 6.0
START_S = 1.5


def _after(done: int) -> After:
    for movement, reps in (("deadlift", 8), ("hang power clean", 6), ("push press", 4)):
        if done <= reps:
            return After(movement=movement, number=done)
        done -= reps
    raise ValueError("more reps than the round has")


def _notation(stops: list[int]) -> str:
    """The sets of a round of 8 + 6 + 4 as a coach writes them, from where the bar went down."""
    ends, terms, begin = sorted(stops) + [18], [], 0
    for end in ends:
        pieces, upto = [], 0
        for reps in (8, 6, 4):
            here = min(end, upto + reps) - max(begin, upto)
            if here > 0:
                pieces.append(str(here))
            upto += reps
        terms.append("+".join(pieces))
        begin = end
    return " | ".join(terms)


def _turn(script: Script, last: Rep, movement: str) -> None:
    """From one movement to the next."""
    turn = script.now_ms
    script.go(script.time(0.6), PATHS[movement][0], "transition")
    change = Transition(
        round=last.round or 0,
        from_movement=last.movement,
        to_movement=movement,
        start_s=last.top_s,
        end_s=from_ms(script.now_ms),
        gross_s=from_ms(script.now_ms) - last.top_s,
        net_s=from_ms(script.now_ms - turn),
    )
    script.keep("transitions", change)


def _failed(script: Script) -> None:
    """A push press that does not come up."""
    stroke = FailedStroke(
        id="x001",
        movement="push press",
        start_s=from_ms(script.now_ms),
        peak_s=from_ms(script.now_ms + 600),
        end_s=from_ms(script.now_ms + 1400),
        reached="rack",
        confidence=0.71,
    )
    script.keep("failed", stroke)
    script.go(0.6, 1.05, "handling")
    script.go(0.8, RACK, "handling")


def _end_set(script: Script, round_: int, began: int, movements: list[str]) -> None:
    one = SetSpan(
        round=round_,
        number=1 + sum(span.round == round_ for span in script.got("sets")),
        reps=[
            MovementReps(movement=name, reps=movements.count(name))
            for name in dict.fromkeys(movements)
        ],
        start_s=from_ms(began),
        end_s=script.got("reps")[-1].top_s,
    )
    script.keep("sets", one)


def _put_down(script: Script, round_: int, done: int) -> int:
    """A break; the next set begins where it ends, in ms."""
    rest = script.rest(REAL[round_][done], "break", hands_off=done == 13)
    stop = Break(
        id=rest.id,
        start_s=rest.start_s,
        end_s=rest.end_s,
        first_contact_s=rest.first_contact_s,
        round=round_,
        after=_after(done),
        hands_off=rest.hands_off,
    )
    script.keep("breaks", stop)
    began = script.now_ms
    if done >= 8:  # lift it from the floor to where the next rep starts
        script.go(0.8, HANG, "handling")
    return began


def _round(script: Script, round_: int) -> None:
    """One round with its sets and breaks."""
    script.tired = 1 + 0.05 * (round_ - 1)
    first = began = script.now_ms
    in_set: list[str] = []
    for done, (_, movement, number) in enumerate(slate().sequence()[:18]):
        last = script.got("reps")[-1] if done else None
        if last and last.movement != movement and in_set:
            _turn(script, last, movement)
        if (round_, done) == (2, 16):
            _failed(script)
        script.rep(movement, round_, number, **ODD_REPS.get((round_, done), {}))
        in_set.append(movement)
        if done + 1 in REAL[round_] or done + 1 == 18:
            _end_set(script, round_, began, in_set)
            in_set = []
        if done + 1 in REAL[round_]:
            began = _put_down(script, round_, done + 1)
        if (round_, done + 1) == (2, 15):
            held = from_ms(script.now_ms)
            script.go(1.9, RACK, "hold")
            end = from_ms(script.now_ms)
            script.keep("holds", Hold(start_s=held, end_s=end, where="rack", round=round_))
    top = script.got("reps")[-1].top_s
    whole = RoundSpan(
        round=round_,
        start_s=from_ms(first),
        end_s=top,
        duration_s=top - from_ms(first),
        counted=18,
        prescribed=18,
    )
    script.keep("rounds", whole)
    script.spent["rep"] -= script.now_ms - to_ms(top)


def _between(script: Script, round_: int) -> None:
    """The time after a round."""
    top = script.got("reps")[-1].top_s
    script.spent["between rounds"] = (
        script.spent.get("between rounds", 0) + script.now_ms - to_ms(top)
    )
    down = script.rest(5.6 if round_ == 1 else 5.0, "between rounds")
    script.spent["between rounds"] += 750
    script.spent["handling"] -= 750
    gap = BetweenRounds(
        after_round=round_,
        start_s=top,
        end_s=from_ms(script.now_ms),
        bar_down_s=down.end_s - down.start_s,
    )
    script.keep("between_rounds", gap)


def _with_cycles(script: Script) -> list[Rep]:
    before: dict[tuple[int, str], tuple[float, SetSpan]] = {}
    reps = []
    for rep in script.got("reps"):
        inside = next(s for s in script.got("sets") if s.start_s <= rep.top_s <= s.end_s)
        earlier = before.get((rep.round, rep.movement))
        cycle = rep.top_s - earlier[0] if earlier and earlier[1] is inside else None
        before[rep.round, rep.movement] = rep.top_s, inside
        reps.append(rep.model_copy(update={"cycle_s": cycle and round(cycle, 3)}))
    return reps


def _trace(script: Script) -> Trace:
    hidden = range(96_001, 97_200)  # the passer-by
    return Trace(
        time_s=[from_ms(at) for at, _ in script.moments],
        bar_st=[None if at in hidden else round(height or 0, 4) for at, height in script.moments],
        hip_st=[
            round(0.53 - 0.12 * max(0.0, 1 - abs((height or 0) - FLOOR) / 0.25), 4)
            for _, height in script.moments
        ],
    )


@cache
def example_attempt() -> Attempt:
    """The attempt, 3 rounds, with every kind of thing a report has to show."""
    script = Script(random.Random(11))
    script.go(4.2, FLOOR, "start")
    clock_start, lift_off = 2600, script.now_ms
    script.spent["start"] = lift_off - clock_start
    for round_ in (1, 2, 3):
        _round(script, round_)
        if round_ < 3:
            _between(script, round_)
    end = script.got("reps")[-1].top_s
    script.rest(6.0, "handling")
    script.spent["handling"] -= 6750
    last = Rep(
        id="r055",
        movement="deadlift",
        status="unplanned",
        start_s=end + 4.0,
        top_s=end + 4.9,
        end_s=end + 6.0,
        confidence=0.81,
    )
    total = to_ms(end) - clock_start
    script.spent["handling"] += total - sum(script.spent.values())
    return Attempt(
        provenance=Provenance(
            version="0.1.0", made_at=MADE_AT, options={"plate_mm": 450, "model": "full"}
        ),
        video=Video(
            file_name="slate-quarry-lane.mp4",
            sha256=SHA256,
            duration_s=script.now_ms / 1000 + 3,
            width=1080,
            height=1920,
            mean_rate_hz=59.94,
            has_sound=True,
            rotation_deg=90,
            codec="hevc",
        ),
        workout=slate(),
        clock=Clock(
            start_s=from_ms(clock_start),
            end_s=end,
            start_source="sound",
            finished=True,
            total_s=from_ms(total),
        ),
        reps=[*_with_cycles(script), last],
        failed=script.got("failed"),
        breaks=script.got("breaks"),
        between_rounds=script.got("between_rounds"),
        holds=script.got("holds"),
        transitions=script.got("transitions"),
        rounds=script.got("rounds"),
        sets=script.got("sets"),
        floor_rests=script.got("floor_rests"),
        time_spent=[TimeShare(kind=kind, seconds=from_ms(ms)) for kind, ms in script.spent.items()],
        trace=_trace(script),
        notes=[Notice(code="note", text="Chalk break wanted in round 2.", start_s=88.0)],
        warnings=[
            Notice(
                code="camera-moved",
                text="The camera was moved; heights near that moment are less certain.",
                start_s=71.2,
                end_s=73.0,
            ),
            Notice(
                code="bar-hidden",
                text="The bar was hidden by a passer-by; nothing was filled in.",
                start_s=96.0,
                end_s=97.2,
            ),
        ],
    )


def example_comparison(attempt: Attempt | None = None) -> Comparison:
    """The attempt beside its plan: a break moved, one unplanned, several longer than planned."""
    attempt = attempt or example_attempt()
    matches: list[BreakMatch] = []
    for round_, stops in REAL.items():
        real = [b for b in attempt.breaks if b.round == round_]
        pairs = {1: [(7, 0), (13, 1)], 2: [(7, 0), (13, 1)], 3: [(7, 0), (None, 1), (13, 2)]}
        for planned_at, index in pairs[round_]:
            bar = real[index]
            seconds = round(bar.end_s - bar.start_s, 3)
            planned = (
                PlannedBreak(round=round_, after=_after(planned_at), seconds=4.0)
                if planned_at
                else None
            )
            moved = sorted(stops)[index] - planned_at if planned_at else None
            matches.append(
                BreakMatch(
                    round=round_,
                    outcome="moved" if moved else "as planned" if planned else "unplanned",
                    planned=planned,
                    real=bar,
                    moved_by=moved,
                    planned_s=4.0 if planned else None,
                    real_s=seconds,
                    difference_s=seconds - (4.0 if planned else 0.0),
                    length=None if planned is None else "longer" if seconds > 4.5 else "as planned",
                )
            )
    broken = sum(round((b.end_s - b.start_s) * 1000) for b in attempt.breaks)
    between = sum(round((b.end_s - b.start_s) * 1000) for b in attempt.between_rounds)
    total = round((attempt.clock.total_s or 0) * 1000)
    start = round((attempt.rounds[0].start_s - (attempt.clock.start_s or 0)) * 1000)
    planned_total = round((sum(ROUND_S.values()) + 2 * BETWEEN_S + START_S) * 1000)
    kinds = [
        ("start", round(START_S * 1000), start),
        ("breaks", 24_000, broken),
        ("between rounds", round(2 * BETWEEN_S * 1000), between),
        (
            "work",
            planned_total - 24_000 - round(2 * BETWEEN_S * 1000) - round(START_S * 1000),
            total - broken - between - start,
        ),
    ]
    return Comparison(
        provenance=attempt.provenance,
        workout=slate(),
        planned_total_s=from_ms(planned_total),
        real_total_s=from_ms(total),
        difference_s=from_ms(total - planned_total),
        rounds=[
            RoundDifference(
                round=span.round,
                planned_s=ROUND_S[span.round],
                real_s=span.duration_s,
                difference_s=span.duration_s - ROUND_S[span.round],
                finished=True,
                planned_breaks=2,
                real_breaks=len(REAL[span.round]),
            )
            for span in attempt.rounds
        ],
        breaks=matches,
        planned_sets=["7 | 1+5 | 1+4"] * 3,
        real_sets=[_notation(list(stops)) for stops in REAL.values()],
        time=[
            TimeDifference(
                kind=kind,
                planned_s=from_ms(planned),
                real_s=from_ms(real),
                difference_s=from_ms(real - planned),
            )
            for kind, planned, real in kinds
        ],
        compared_rounds=3,
        lost_s=19.875,
        costliest="Largest loss: planned breaks, 7.5 s against the plan.",
    )


@cache
def bare_attempt() -> Attempt:
    """The same lifts read without a workout: generic, no rounds, no clock to finish."""
    full = example_attempt()
    return full.model_copy(
        update={
            "workout": None,
            "clock": full.clock.model_copy(
                update={"finished": None, "start_source": "first lift-off"}
            ),
            "reps": [
                rep.model_copy(update={"round": 1, "number": n, "status": "counted"})
                for n, rep in enumerate(full.reps, 1)
            ],
            "breaks": [b.model_copy(update={"round": 1}) for b in full.breaks],
            "rounds": [
                RoundSpan(
                    round=1,
                    start_s=full.reps[0].start_s,
                    end_s=full.clock.end_s,
                    duration_s=full.clock.end_s - full.reps[0].start_s,
                    counted=len(full.reps),
                    prescribed=None,
                )
            ],
            "sets": [],
            "between_rounds": [],
            "transitions": [],
        }
    )


@cache
def empty_attempt() -> Attempt:
    """A video in which nothing was lifted."""
    full = example_attempt()
    return Attempt(
        provenance=full.provenance,
        video=full.video,
        clock=Clock(
            start_s=None, end_s=None, start_source="first lift-off", finished=None, total_s=None
        ),
        reps=[],
        warnings=[Notice(code="no-bar", text="No barbell was seen in this video.")],
    )


@cache
def hostile_attempt(name: str = "<script>alert(1)</script>") -> Attempt:
    """The example with a name that tries to break out, everywhere a name can stand."""
    full = example_attempt()
    workout = slate().model_copy(update={"name": name})
    rounds = [[MovementReps(movement=name, reps=part.reps) for part in workout.rounds[0]]] * 3
    return full.model_copy(
        update={
            "workout": workout.model_copy(update={"rounds": rounds}),
            "video": full.video.model_copy(update={"file_name": name}),
            "reps": [
                rep.model_copy(
                    update={
                        "movement": name,
                        "flags": [name],
                        "id": name,
                        "measures": [Measure(name=name, value=1.0, unit=name)],
                    }
                )
                for rep in full.reps
            ],
            "breaks": [
                b.model_copy(update={"after": After(movement=name, number=1)}) for b in full.breaks
            ],
            "warnings": [Notice(code="x", text=name)],
            "notes": [Notice(code="note", text=name)],
            "orphaned_edits": [name],
        }
    )


@cache
def long_attempt(rounds: int = 20, rate_hz: int = 30) -> Attempt:
    """20 minutes of deadlifts, one every 2 s, for size and speed."""
    reps, times, heights = [], [], []
    for round_ in range(1, rounds + 1):
        for number in range(1, 31):
            start = ((round_ - 1) * 30 + number - 1) * 2.0
            reps.append(
                Rep(
                    id=f"r{len(reps) + 1:03d}",
                    round=round_,
                    movement="deadlift",
                    number=number,
                    status="counted",
                    start_s=start,
                    top_s=start + 0.9,
                    end_s=start + 2.0,
                    confidence=0.97,
                    cycle_s=2.0 if number > 1 else None,
                )
            )
    noise = random.Random(3)
    for index in range(rounds * 60 * rate_hz):
        at = index / rate_hz
        times.append(at)
        heights.append(
            0.28 - 0.15 * math.cos(2 * math.pi * at / 2.0) + noise.uniform(-0.002, 0.002)
        )
    full = example_attempt()
    total = rounds * 60.0 - 1.1
    return Attempt(
        provenance=full.provenance,
        video=full.video.model_copy(update={"duration_s": rounds * 60.0}),
        workout=Workout(
            name="Gravel",
            rounds=[[MovementReps(movement="deadlift", reps=30)]] * rounds,
            load_kg=80.0,
        ),
        clock=Clock(start_s=0.0, end_s=total, start_source="given", finished=True, total_s=total),
        reps=reps,
        rounds=[
            RoundSpan(
                round=round_,
                start_s=(round_ - 1) * 60.0,
                end_s=round_ * 60.0 - 1.1,
                duration_s=58.9,
                counted=30,
                prescribed=30,
            )
            for round_ in range(1, rounds + 1)
        ],
        sets=[
            SetSpan(
                round=round_,
                number=1,
                reps=[MovementReps(movement="deadlift", reps=30)],
                start_s=(round_ - 1) * 60.0,
                end_s=round_ * 60.0 - 1.1,
            )
            for round_ in range(1, rounds + 1)
        ],
        between_rounds=[
            BetweenRounds(
                after_round=round_,
                start_s=round_ * 60.0 - 1.1,
                end_s=round_ * 60.0,
                bar_down_s=0.0,
            )
            for round_ in range(1, rounds)
        ],
        time_spent=[
            TimeShare(kind="rep", seconds=rounds * 58.9),
            TimeShare(kind="between rounds", seconds=total - rounds * 58.9),
        ],
        trace=Trace(time_s=times, bar_st=heights, hip_st=[None] * len(times)),
    )


# One grey pixel, the smallest JPEG that every decoder takes, stands for a still.
_STILL = base64.b64decode(
    "/9j/4AAQSkZJRgABAQEASABIAAD/2wBDAP//////////////////////////////////////////////////////////////"
    "////////////////////////wgALCAABAAEBAREA/8QAFBABAAAAAAAAAAAAAAAAAAAAAP/aAAgBAQABPxA="
)


def example_stills() -> dict[int, bytes]:
    """A still for every moment that the example's report shows one for."""
    attempt = example_attempt()
    moments = [pause.start_s for pause in attempt.breaks] + [rep.top_s for rep in attempt.reps]
    return {to_ms(at): _STILL for at in moments}
