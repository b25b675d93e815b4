"""What the reports say, in words: shared by the terminal, the page, tables and captions."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from repcount.analysis.compare import counted_words
from repcount.attempt.assemble import all_rounds_over
from repcount.attempt.corrected import edits_in_force
from repcount.attempt.records import (
    After,
    Attempt,
    Break,
    BreakMatch,
    Comparison,
    Edits,
    FailedStroke,
    Measure,
    MovementReps,
    Notice,
    Rep,
    SetSpan,
    Workout,
)
from repcount.wording.numbers import as_tenths, clock, load, seconds_of, short

# Marks that turn the direction of the text after them (Unicode UAX 9): a name must not reorder
# the line it stands in.
_TURNING = {chr(code) for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F)}

FLAGS = {
    "check": "",
    "driven_through": "went straight on into the next movement",
    "top_only": "only its top was given by hand",
    "pick_up": "lifted to go on",
    "by_hands": "read from the hands alone, the bar's ends were not seen",
    "by_bar": "read from the bar alone, the athlete's body could not be made out",
    "begun_before": "the film begins in the middle of it",
    "not_erect": "may not stand fully erect",
    "not_locked_out": "arms may not be locked overhead",
    "not_deep": "hip may not be below the knee",
    "count_short": "fewer reps were seen than the round asks for",
    "count_unsure": "how many of these the round has is unsure",
    "near_cap": "may fall on the other side of the time cap",
    "top_unsure": "the bar creeps to its top, so the moment is open",
    "style_differs": "may be of another style than asked",
}
# Flags that are a reason to check whatever the confidence.
_REASONS = {"count_short", "count_unsure", "near_cap", "top_unsure"}
_NO_CHECK = {"driven_through", "top_only", "pick_up"}  # flags that say something and ask nothing
_MEASURED = {
    "not_erect": "shoulders_below_standing",
    "not_locked_out": "lockout_angle",
    "not_deep": "hip_depth",
    "style_differs": "re_bend",
}
STATUSES = {
    "counted": "counted",
    "extra": "more than the round asks for",
    "unplanned": "not part of the workout",
    "no_rep": "marked as a no-rep",
}
START_SOURCES = {
    "sound": "the start beep",
    "given": "the start that a person gave",
    "first lift-off": "the bar's first lift-off, as no start beep was found",
}


def plain(text: str) -> str:
    """Text safe to print on one line: no control characters, no marks that turn the direction."""
    if text.isprintable():  # none of those is, and most texts are
        return text
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


@dataclass(frozen=True)
class Summary:
    """The first thing a reader sees: the time, against the plan, and what cost most."""

    time: str
    against: str
    costliest: str
    short: str

    @property
    def rest(self) -> list[str]:
        """The sentences after the time."""
        return [part for part in (self.short, self.against, self.costliest) if part]

    @property
    def text(self) -> str:
        """All of it in one line."""
        return " ".join([self.time, *self.rest])


def summary(attempt: Attempt, comparison: Comparison | None, *, balanced: bool = False) -> Summary:
    """One line on the whole attempt; `balanced` with what all losses come to, for where each of
    them is listed."""
    run = attempt.clock
    counted = attempt.counted()
    asked = attempt.workout.reps if attempt.workout else None
    if not counted:
        time = "No reps were seen."
    elif attempt.workout is None:
        seen = tally(attempt.reps)
        time = f"{capital(seen)} in {clock(run.total_s)}." if run.total_s else f"{capital(seen)}."
    elif run.finished and attempt.workout.to_max:
        time = f"{tally(counted)} unbroken in {clock(run.total_s)}."
    elif run.finished:
        time = f"Finished in {clock(run.total_s)}."
    elif all_rounds_over(attempt):
        time = f"All rounds done in {clock(run.total_s)}."
    else:
        cap = attempt.workout.time_cap_s
        capped = cap and run.total_s is not None and run.total_s >= cap
        where = " at the time cap" if capped else ""
        time = f"Not finished{where}: {clock(run.total_s)} on the clock."
    against = ""
    planned_s = comparison.planned_total_s if comparison else None
    if planned_s is not None and run.total_s is not None and counted:
        planned, by = clock(planned_s), as_tenths(run.total_s - planned_s)
        if run.finished is False and not all_rounds_over(attempt):
            against = f"The plan was {planned}."
        elif by:
            how = "behind" if by > 0 else "ahead of"
            against = f"{seconds_of(abs(by))} s {how} the plan of {planned}"
            against += (_lost_and_won(comparison, by) if balanced else "") + "."
        else:
            against = f"On the plan of {planned}."
    missing = ""
    no_reps = sum(rep.status == "no_rep" for rep in attempt.reps)
    if asked is not None and counted and (len(counted) < asked or no_reps):
        missing = f"{len(counted)} of {count(asked, 'rep')} counted"
        missing += f", {count(no_reps, 'no-rep')}." if no_reps else "."
        if is_short(attempt):
            few = count(asked - len(counted), "rep")
            missing += (
                f" {few} short, it is not finished as asked: the time is of a shorter workout."
            )
    costliest = (comparison.costliest or "") if comparison else ""
    other = next((one.text for one in attempt.warnings if one.code == "other-workout"), None)
    if other is not None:  # what cost most against a plan of another workout says nothing
        costliest = other.split(". ")[0] + "."
    return Summary(time, against, costliest, missing)


def is_short(attempt: Attempt) -> bool:
    """Whether all rounds were done, with fewer reps than asked for."""
    return attempt.clock.finished is False and all_rounds_over(attempt)


def _lost_and_won(comparison: Comparison | None, by: int) -> str:
    """What a difference of `by` tenths comes of, where it comes of both: `: 16.8 s lost, 13.9 s won
    elsewhere`."""
    lost = 0 if comparison is None else as_tenths(comparison.lost_s or 0)
    won = lost - by
    if lost <= 0 or won <= 0:
        return ""
    return f": {seconds_of(lost)} s lost, {seconds_of(won)} s won elsewhere"


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
    """`Slate, 60 kg (132.3 lb)`, or the file's name where there is no workout."""
    if attempt.workout is None:
        return attempt.video.file_name
    kg = attempt.workout.load_kg
    return attempt.workout.name + (f", {load(kg)}" if kg else "")


def after_words(after: After) -> str:
    """`deadlift 6`."""
    return f"{after.movement} {after.number}"


def place_words(stop: Break) -> str:
    """`after deadlift 6`, `after deadlift 6 and 1 no-rep`; empty before the first rep."""
    if stop.after is None:
        return ""
    missed = f" and {count(stop.after_no_reps, 'no-rep')}" if stop.after_no_reps else ""
    return f"after {after_words(stop.after)}{missed}"


def break_words(match: BreakMatch) -> str:
    """One sentence on a planned break and what came of it, without the round."""
    real, planned = match.real, match.planned
    where = place_words(real) if real else ""
    meant = f"after {after_words(planned.after)}" if planned else ""
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
class ReviewMark:
    """A moment that a person should check, and why."""

    at_s: float
    what: str
    why: str
    rep_id: str | None = None


def needs_check(lift: Rep | FailedStroke) -> bool:
    """Whether a person should check a lift; what one has corrected has been looked at. All that
    tells what is to be checked asks this."""
    if lift.touched_by == "person":
        return False
    return (
        isinstance(lift, FailedStroke)
        or not lift.counts
        or any(flag not in _NO_CHECK for flag in lift.flags)
    )


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


# Units of measures as people read them; others stand as they are.
_UNITS = {
    "": "",
    "deg": "°",
    "stature/s": " body heights/s",
    "share of standing to hip level with knee": " of the way from standing to hip level with knee",
}


def measure_words(measure: Measure) -> str:
    """A value with its uncertainty, never a verdict: `dip 18.6 ± 1.2 % of height`."""
    name = measure.name.replace("_", " ")
    if measure.unit == "stature":
        within = "" if measure.uncertainty is None else f" ± {100 * measure.uncertainty:.1f}"
        return f"{name} {100 * measure.value:.1f}{within} % of height"
    within = "" if measure.uncertainty is None else f" ± {measure.uncertainty:.2g}"
    unit = _UNITS.get(measure.unit, f" {measure.unit}")
    return f"{name} {measure.value:.3g}{within}{unit}"


_LAY = {
    "touch": "touched the floor before",
    "touch-and-go": "touch-and-go",
    "reset": "from a reset",
    "break": "from a bar at rest",
}


def way_words(rep: Rep) -> str:
    """How a rep was done: `from a reset, dropped after it`, `fast thigh rebound (93 %)`."""
    said = [_LAY[rep.from_floor]] if rep.from_floor else []
    if rep.style == "unsure":
        said.append("style unsure")
    elif rep.style:
        sure = "" if rep.style_confidence is None else f" ({_sure(rep.style_confidence)})"
        said.append(rep.style + sure)
    if rep.dropped:
        said.append("dropped after it")
    return ", ".join(said)


def _sure(probability: float) -> str:
    """`93 %`; never all of it."""
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def speed_words(span: SetSpan) -> str:
    """`set 2: deadlift 0.94 body heights/s, -2.1 ± 0.8 % each rep`; empty without speeds."""
    said = []
    for speed in span.speeds:
        change = f"{100 * speed.slope_share:+.1f}".replace("-", "−")
        if speed.uncertainty is not None:
            change += f" ± {100 * speed.uncertainty:.1f}"
        said.append(f"{speed.movement} {speed.mean_st_s:.2f} body heights/s, {change} % each rep")
    return f"set {span.number}: {'; '.join(said)}" if said else ""


def rep_words(rep: Rep, workout: Workout | None) -> str:
    """`Round 2, hang power clean 4`; the round is left out where there is no workout. A no-rep has
    no number and is named by the one before: `Round 2, no-rep, the try after push jerk 4`."""
    name = f"{rep.movement} {rep.number}" if rep.number is not None else rep.movement
    if rep.status == "no_rep":
        after = rep.after_number
        place = f"before {name} 1" if after == 0 else f"after {name} {after}"
        name = f"{name}, no-rep" if after is None else f"no-rep, the try {place}"
    with_round = rep.round is not None and workout is not None
    return f"Round {rep.round}, {name}" if with_round else capital(name)


def status_words(rep: Rep) -> str:
    """`counted`, `marked as a no-rep: elbow not locked`."""
    return STATUSES[rep.status] + (f": {rep.reason}" if rep.reason else "")


def review_marks(attempt: Attempt) -> list[ReviewMark]:
    """Everything to check by eye, in order of time: unsure, extra, unplanned, missed."""
    found: list[ReviewMark] = []
    for rep in attempt.reps:
        if not needs_check(rep):
            continue
        why = [] if rep.counts else [status_words(rep)]
        if said := flag_words(rep):
            why.append(said)
        if "check" in rep.flags and not _REASONS & set(rep.flags):
            why.append(f"confidence {rep.confidence:.0%}")
        found.append(ReviewMark(rep.top_s, rep_words(rep, attempt.workout), ", ".join(why), rep.id))
    found += [
        ReviewMark(lift.peak_s, missed_words(lift), reached_words(lift), lift.id)
        for lift in attempt.failed
        if needs_check(lift)
    ]
    return sorted(found, key=lambda mark: mark.at_s)


def not_counted(attempt: Attempt) -> list[ReviewMark]:
    """The lifts that do not count and that nobody needs to look at any more, in order of time, with
    the reason: those that do stand among what is to be checked."""
    found = [
        ReviewMark(
            rep.top_s,
            rep_words(rep, attempt.workout),
            rep.reason or ("" if rep.status == "no_rep" else status_words(rep)),
            rep.id,
        )
        for rep in attempt.uncounted()
        if not needs_check(rep)
    ]
    found += [
        ReviewMark(lift.peak_s, missed_words(lift), lift.reason or reached_words(lift), lift.id)
        for lift in attempt.failed
        if not needs_check(lift)
    ]
    return sorted(found, key=lambda mark: mark.at_s)


def missed_words(lift: FailedStroke) -> str:
    """`Push jerk, not counted`."""
    return f"{capital(lift.movement)}, not counted"


def missed_status(lift: FailedStroke) -> str:
    """`not counted`, `marked as a no-rep: elbow not locked`."""
    return f"{STATUSES['no_rep']}: {lift.reason}" if lift.reason else "not counted"


def reached_words(lift: FailedStroke) -> str:
    """How far a lift came that did not reach its finish: `it only reached the rack`."""
    reached = {
        "free": "the air",
        "unseen": "no known place",
        "floor": "the floor",
        "overhead": "overhead",
    }
    return f"it only reached {reached.get(lift.reached, f'the {lift.reached}')}"


def corrected_words(edits: Edits | None, *, by_name: bool = True) -> str:
    """`Corrected by Coach Ivo: 3 corrections.`, or `by a person`; empty where nobody did."""
    made = [edit for edit in edits_in_force(edits) if edit.reverts is None] if edits else []
    made = [edit for edit in made if edit.action not in ("note", "set_recorded")]
    if not made:
        return ""
    who = ", ".join(dict.fromkeys(edit.who for edit in made)) if by_name else "a person"
    return f"Corrected by {who}: {count(len(made), 'correction')}."


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
        said = {number: counted_words(attempt, number) for number in real}
        return {
            number: ("", f"{pattern} ({said[number]})" if said[number] else pattern)
            for number, pattern in real.items()
        }
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


def notice_words(notice: Notice, zero_s: float = 0.0) -> str:
    """The sentence, with its moment or stretch where it has one, on the clock that starts at
    `zero_s` of the video."""
    if notice.start_s is None:
        return notice.text
    until = "" if notice.end_s is None else f" to {clock(notice.end_s - zero_s)}"
    return f"{notice.text} ({clock(notice.start_s - zero_s)}{until})"
