"""What the reports say, in words and numbers: shared by the terminal, the page and the captions.

Times shown to a person are rounded to tenths of a second (a phone's frame is about 0.03 s); the
files keep milliseconds. Where shown numbers are meant to add up, they are rounded together
(`tenths`), so that a reader with a pencil finds the same sum.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from repcount.records import (
    Attempt,
    BreakMatch,
    Comparison,
    FailedStroke,
    Measure,
    MovementReps,
    Notice,
    Rep,
    Workout,
    to_ms,
)

# Marks that turn the direction of the text after them (Unicode UAX 9): a name must not reorder
# the line it stands in.
_TURNING = {chr(code) for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F)}

FLAGS = {
    "check": "",
    "driven_through": "driven straight into the next movement",
    "top_only": "only its top was given by hand",
    "pick_up": "lifted to go on",
    "not_erect": "may not stand fully erect",
    "style_differs": "may be of another style than asked",
}
_NO_DOUBT = {"driven_through", "top_only", "pick_up"}  # flags that say something and ask nothing
_MEASURED = {"not_erect": "shoulders_below_standing", "style_differs": "re_bend"}
STATUSES = {
    "counted": "counted",
    "extra": "more than the round asks for",
    "unplanned": "not part of the workout",
    "no_rep": "marked as a no-rep",
}
KINDS = {
    "start": "Start",
    "between rounds": "Between rounds",
    "break": "Breaks",
    "breaks": "Breaks",
    "hold": "Holds",
    "transition": "Transitions",
    "transitions": "Transitions",
    "reset": "Resets",
    "touch": "Touches",
    "rep": "Reps",
    "handling": "Handling",
    "work": "Work",
}
KIND_MEANINGS = {
    "start": "from the start signal to the first rep",
    "between rounds": "from a round's last rep to the next round's first",
    "break": "bar on the floor for 1.5 s or more",
    "hold": "bar in the hands for 1.5 s or more without a rep",
    "transition": "from one movement to the next",
    "reset": "bar on the floor for 0.5 to 1.5 s between reps",
    "touch": "bar on the floor for less than 0.5 s between reps",
    "rep": "lifting, and lowering under control",
    "handling": "picking up, putting down, turning, falls and bounces",
    "work": "everything that has no line of its own here",
}
START_SOURCES = {
    "sound": "the start beep",
    "given": "the start given on the command line",
    "first lift-off": "the bar's first lift-off, as no start beep was found",
}


def plain(text: str) -> str:
    """Text safe to print on one line: no control characters, no marks that turn the direction."""
    return "".join(
        "�" if unicodedata.category(char) in ("Cc", "Cs") or char in _TURNING else char
        for char in text
    )


def capital(text: str) -> str:
    """The text with its first letter large, the rest left as it is."""
    return text[:1].upper() + text[1:]


def count(number: int, noun: str) -> str:
    """`1 rep`, `2 reps`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def as_tenths(seconds: float) -> int:
    """Seconds to whole tenths, halves away from zero."""
    ms = to_ms(seconds)
    return (abs(ms) + 50) // 100 * (1 if ms >= 0 else -1)


def tenths(values: Sequence[float], whole: int | None = None) -> list[int]:
    """Round seconds to whole tenths together, so that they add up to their rounded sum.

    Largest remainder: each is rounded down, then those that lost most are raised by one. `whole`
    is the sum to reach where it has been shown already; a sum that is another one is left alone.
    """
    ms = [to_ms(value) for value in values]
    shown = [value // 100 for value in ms]
    target = as_tenths(sum(ms) / 1000)
    if whole is not None and abs(whole - target) <= 1:
        target = whole
    lost = sorted(range(len(ms)), key=lambda i: shown[i] * 100 - ms[i])
    for index in lost[: max(0, target - sum(shown))]:
        shown[index] += 1
    return shown


def seconds_of(tenth: int | None) -> str:
    """`43.8` for 438 tenths; a dash for None."""
    return (
        "–" if tenth is None else f"{'−' if tenth < 0 else ''}{abs(tenth) // 10}.{abs(tenth) % 10}"
    )


def signed_of(tenth: int | None) -> str:
    """`+1.2`, `−0.3`, `0.0`; a dash for None."""
    return "–" if tenth is None else ("+" if tenth > 0 else "") + seconds_of(tenth)


def clock_of(tenth: int | None) -> str:
    """`2:46.9` for 1669 tenths; hours only when there are some."""
    if tenth is None:
        return "–"
    minutes, rest = divmod(abs(tenth), 600)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{'−' if tenth < 0 else ''}{head}:{rest // 10:02d}.{rest % 10}"


def clock(seconds: float | None) -> str:
    """A moment or a long time, `2:46.9`."""
    return clock_of(None if seconds is None else as_tenths(seconds))


def short(seconds: float | None) -> str:
    """A short time without its unit, `3.9`."""
    return seconds_of(None if seconds is None else as_tenths(seconds))


def signed(seconds: float | None) -> str:
    """A difference without its unit, `+1.2`."""
    return signed_of(None if seconds is None else as_tenths(seconds))


@dataclass(frozen=True)
class Row:
    """A line of planned beside real, in tenths of a second; None where there is none.

    `difference` is that of the shown numbers, so that a column of them adds up on paper.
    """

    label: str
    planned: int | None
    real: int | None
    difference: int | None = None
    note: str = ""
    round: int | None = None


def _together(values: Sequence[float | None]) -> list[int | None]:
    """`tenths`, with None kept where it stands."""
    shown = iter(tenths([value for value in values if value is not None]))
    return [None if value is None else next(shown) for value in values]


def round_rows(attempt: Attempt, comparison: Comparison | None) -> list[Row]:
    """Start, every round, the time between rounds and the total: they add up to the clock.

    A part that the plan gives no time for is planned as none, as in the plan's total.
    """
    total, begin = attempt.clock.total_s, attempt.clock.start_s
    spans = sorted(attempt.rounds, key=lambda span: span.start_s)
    if attempt.workout is None or total is None or begin is None or not spans:
        return []
    planned_kinds = {item.kind: item.planned_s for item in comparison.time} if comparison else {}
    asked = {item.round: item for item in comparison.rounds} if comparison else {}
    names: list[str | int] = ["Start"]
    planned: list[float | None] = [planned_kinds.get("start")]
    real: list[float | None] = [spans[0].start_s - begin]
    done = {span.round: span.duration_s for span in spans}
    for number in sorted({*done, *asked}):
        names.append(number)
        planned.append(asked[number].planned_s if number in asked else None)
        real.append(done.get(number))
    gaps = [gap.end_s - gap.start_s for gap in attempt.between_rounds]
    if gaps or "between rounds" in planned_kinds:
        names.append("Between rounds")
        planned.append(planned_kinds.get("between rounds"))
        real.append(sum(gaps))
    planned_tenths, real_tenths = _together(planned), _together(real)
    paced = comparison is not None and comparison.planned_total_s is not None
    rows = []
    for name, meant, took in zip(names, planned_tenths, real_tenths, strict=True):
        over = paced and took is not None and (not isinstance(name, int) or asked[name].finished)
        difference = took - (meant or 0) if over and took is not None else None
        if isinstance(name, int):
            rows.append(Row(f"Round {name}", meant, took, difference, round=name))
        elif meant or took:
            rows.append(Row(name, meant, took, difference))
    whole = as_tenths(total)
    if not paced or comparison is None or comparison.planned_total_s is None:
        return rows + [Row("Total", None, whole)]
    meant = as_tenths(comparison.planned_total_s)
    difference = None if comparison.difference_s is None else whole - meant
    return rows + [Row("Total", meant, whole, difference)]


def time_rows(comparison: Comparison | None) -> list[Row]:
    """Where the time went, planned beside real, with the total last; empty without a pace."""
    kinds = comparison.time if comparison else []
    if comparison is None or not kinds:
        return []
    planned = tenths([item.planned_s for item in kinds])
    real = tenths([item.real_s for item in kinds])
    rows = [
        Row(_kind_name(item.kind), meant, took, took - meant, _kind_meaning(item.kind))
        for item, meant, took in zip(kinds, planned, real, strict=True)
    ]
    label = "Total"
    if comparison.compared_rounds < len(comparison.workout.rounds):
        label = f"To the end of round {comparison.compared_rounds}"
    return rows + [Row(label, sum(planned), sum(real), sum(real) - sum(planned))]


def spent_rows(attempt: Attempt, comparison: Comparison | None = None) -> list[Row]:
    """The clock's run by kind, largest first, with the total last; real only.

    Beside a comparison of the whole clock, what its `work` is made of.
    """
    compared = comparison.time if comparison else []
    named = {item.kind for item in compared}
    every = [share for share in attempt.time_spent if to_ms(share.seconds)]
    inside = [s for s in every if s.kind not in named and f"{s.kind}s" not in named]
    shown = tenths([item.real_s for item in compared])
    label, whole = "Total", None
    # Where a plan times cycles, or a reset stands for a break, work is cut across these kinds.
    for item, took in zip(compared, shown, strict=True):
        if item.kind == "work" and sum(to_ms(s.seconds) for s in inside) == to_ms(item.real_s):
            every, label, whole = inside, "Work", took
    if not every:
        return []
    every = sorted(every, key=lambda share: -share.seconds)
    real = tenths([share.seconds for share in every], whole)
    rows = [
        Row(_kind_name(share.kind), None, took, note=_kind_meaning(share.kind))
        for share, took in zip(every, real, strict=True)
    ]
    return rows + [Row(label, None, sum(real))]


def _kind_name(kind: str) -> str:
    if kind.startswith("cycle "):
        return f"Cycles, {kind.removeprefix('cycle ')}"
    return KINDS.get(kind, capital(kind))


def _kind_meaning(kind: str) -> str:
    return KIND_MEANINGS.get(kind, KIND_MEANINGS.get(kind.removesuffix("s"), ""))


@dataclass(frozen=True)
class Verdict:
    """The first thing a reader sees: the time, against the plan, and what cost most."""

    time: str
    against: str
    costliest: str
    short: str

    @property
    def rest(self) -> list[str]:
        """The sentences after the time."""
        return [part for part in (self.against, self.short, self.costliest) if part]

    @property
    def text(self) -> str:
        """All of it in one line."""
        return " ".join([self.time, *self.rest])


def verdict(attempt: Attempt, comparison: Comparison | None) -> Verdict:
    """One line on the whole attempt."""
    run = attempt.clock
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    asked = (
        sum(part.reps for round_ in attempt.workout.rounds for part in round_)
        if attempt.workout
        else None
    )
    if not counted:
        time = "No reps were seen."
    elif attempt.workout is None:
        seen = tally(attempt.reps)
        time = f"{capital(seen)} in {clock(run.total_s)}." if run.total_s else f"{capital(seen)}."
    elif run.finished:
        time = f"Finished in {clock(run.total_s)}."
    else:
        cap = attempt.workout.time_cap_s
        capped = cap and run.total_s is not None and run.total_s >= cap
        where = " at the time cap" if capped else ""
        time = f"Not finished{where}: {clock(run.total_s)} on the clock."
    against = ""
    planned_s = comparison.planned_total_s if comparison else None
    if planned_s is not None and run.total_s is not None and counted:
        planned = as_tenths(planned_s)
        by = as_tenths(run.total_s) - planned
        if run.finished is False:
            against = f"The plan was {clock_of(planned)}."
        elif by:
            how = "behind" if by > 0 else "ahead of"
            against = f"{seconds_of(abs(by))} s {how} the plan of {clock_of(planned)}."
        else:
            against = f"On the plan of {clock_of(planned)}."
    missing = ""
    if asked is not None and counted and len(counted) < asked:
        missing = f"{len(counted)} of {count(asked, 'rep')} counted."
    return Verdict(time, against, (comparison.costliest or "") if comparison else "", missing)


def tally(reps: Sequence[Rep]) -> str:
    """`12 deadlift, 8 push press`, in order of first appearance, no-reps left out."""
    seen: dict[str, int] = {}
    for rep in reps:
        if rep.status != "no_rep":
            seen[rep.movement] = seen.get(rep.movement, 0) + 1
    return ", ".join(f"{number} {movement}" for movement, number in seen.items())


def missing_words(missing: Sequence[MovementReps]) -> str:
    """`1 hang power clean, 2 push press`."""
    return ", ".join(f"{part.reps} {part.movement}" for part in missing)


def heading(attempt: Attempt) -> str:
    """`Slate, 60 kg`, or the file's name where there is no workout."""
    if attempt.workout is None:
        return attempt.video.file_name
    load = attempt.workout.load_kg
    return attempt.workout.name + (f", {load:g} kg" if load else "")


def break_words(match: BreakMatch) -> str:
    """One sentence on a planned break and what came of it, without the round."""
    real, planned = match.real, match.planned
    where = f"after {real.after.movement} {real.after.number}" if real and real.after else ""
    meant = f"after {planned.after.movement} {planned.after.number}" if planned else ""
    if match.outcome == "moved" and real and planned:
        by = match.moved_by or 0
        way = "later" if by > 0 else "earlier"
        return (
            f"bar down {where or 'before the first rep'}, "
            f"{count(abs(by), 'rep')} {way} than planned"
        )
    if match.outcome == "unplanned":
        place = where or "before the first rep"
        return f"unplanned break {place}, {short(match.real_s)} s"
    if match.outcome == "not reached":
        return f"the break {meant} was not reached"
    if match.outcome == "skipped":
        return f"no break {meant}, though planned"
    if match.outcome == "reset":
        rest = match.real_reset
        length = f" of {short(rest.end_s - rest.start_s)} s" if rest else ""
        return f"a reset{length} {meant} where a break was planned"
    return f"bar down {where or meant} as planned"


@dataclass(frozen=True)
class Doubt:
    """A moment that a person should look at."""

    at_s: float
    what: str
    why: str
    rep_id: str | None = None


def doubtful(rep: Rep) -> bool:
    """Whether a person should look at the rep."""
    return rep.status != "counted" or any(flag not in _NO_DOUBT for flag in rep.flags)


def flag_words(rep: Rep) -> str:
    """Flags in words, each with what was measured for it; `check` itself says nothing more."""
    said = []
    for flag in rep.flags:
        word = FLAGS.get(flag, flag.replace("_", " ").replace("-", " "))
        found = [one for one in rep.measures if one.name == _MEASURED.get(flag)]
        if found:
            word += f" ({measure_words(found[0])})"
        said.append(word)
    return ", ".join(word for word in said if word)


def measure_words(measure: Measure) -> str:
    """A value with its doubt, never a verdict: `dip 18.6 ± 1.2 % of height`."""
    name = measure.name.replace("_", " ")
    if measure.unit == "stature":
        doubt = "" if measure.uncertainty is None else f" ± {100 * measure.uncertainty:.1f}"
        return f"{name} {100 * measure.value:.1f}{doubt} % of height"
    doubt = "" if measure.uncertainty is None else f" ± {measure.uncertainty:.2g}"
    unit = {"deg": "°", "": ""}.get(measure.unit, f" {measure.unit}")
    return f"{name} {measure.value:.3g}{doubt}{unit}"


def rep_words(rep: Rep, workout: Workout | None) -> str:
    """`Round 2, hang power clean 4`; the round is left out where there is no workout."""
    name = f"{rep.movement} {rep.number}" if rep.number is not None else rep.movement
    with_round = rep.round is not None and workout is not None
    return f"Round {rep.round}, {name}" if with_round else capital(name)


def doubts(attempt: Attempt) -> list[Doubt]:
    """Everything to look at by eye, in order of time: doubtful, extra, unplanned, failed."""
    found: list[Doubt] = []
    for rep in attempt.reps:
        if not doubtful(rep):
            continue
        why = [] if rep.status == "counted" else [STATUSES[rep.status]]
        if said := flag_words(rep):
            why.append(said)
        if "check" in rep.flags:
            why.append(f"confidence {rep.confidence:.0%}")
        found.append(Doubt(rep.top_s, rep_words(rep, attempt.workout), ", ".join(why), rep.id))
    found += [failed_doubt(stroke) for stroke in attempt.failed]
    return sorted(found, key=lambda doubt: doubt.at_s)


def failed_doubt(stroke: FailedStroke) -> Doubt:
    """A stroke that did not reach its finish."""
    reached = {"free": "the air", "unseen": "no known place", "floor": "the floor"}
    place = reached.get(stroke.reached, f"the {stroke.reached}")
    if stroke.reached == "overhead":
        place = "overhead"
    return Doubt(
        stroke.peak_s, f"{capital(stroke.movement)}, not counted", f"it only reached {place}"
    )


def set_patterns(attempt: Attempt) -> dict[int, str]:
    """The sets of each round as a coach writes them: `7 | 1+5 | 1+4`."""
    patterns: dict[int, list[str]] = {}
    for span in attempt.sets:
        patterns.setdefault(span.round, []).append("+".join(str(part.reps) for part in span.reps))
    return {number: " | ".join(terms) for number, terms in patterns.items()}


def set_lines(attempt: Attempt, comparison: Comparison | None) -> dict[int, tuple[str, str]]:
    """Each round's sets, planned and real, as written; empty where there is none."""
    real = set_patterns(attempt)
    if comparison is None:
        return {number: ("", pattern) for number, pattern in real.items()}
    rounds = max(len(comparison.planned_sets), len(comparison.real_sets), *real, 0)
    padded = comparison.planned_sets + [""] * rounds
    done = comparison.real_sets + [""] * rounds
    return {
        number: (padded[number - 1], done[number - 1] or real.get(number, ""))
        for number in range(1, rounds + 1)
    }


def notices(attempt: Attempt, comparison: Comparison | None = None) -> list[Notice]:
    """All warnings: the attempt's and the comparison's."""
    found = list(attempt.warnings)
    if comparison:
        found += [notice for notice in comparison.warnings if notice not in found]
    return found


def notice_words(notice: Notice) -> str:
    """The sentence, with its moment or stretch in the video where it has one."""
    if notice.start_s is None:
        return notice.text
    until = "" if notice.end_s is None else f" to {clock(notice.end_s)}"
    return f"{notice.text} ({clock(notice.start_s)}{until})"
