"""A class on one sheet: one change for each athlete, what is next, and a message to send.

All of it is said with what `next` has decided: the change is its first, the plan its new plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat
from typing import Literal

from pydantic import Field

from repcount.analysis.class_members import Judged
from repcount.analysis.forecast import Span
from repcount.analysis.season import Season
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import Record
from repcount.plan.clock_card import clock_card
from repcount.plan.working_load import CAUTIONS
from repcount.reports.after import saved_words
from repcount.reports.card_sheet import LONGEST_WORDS, short_pattern
from repcount.reports.pages import ALONE, Back, sheet
from repcount.reports.season_page import SeasonPart, season_parts
from repcount.reports.terminal import WIDTH, wrap
from repcount.reports.words import capital, plain, summary
from repcount.units import Seconds
from repcount.wording.moments import recorded_words
from repcount.wording.numbers import clock
from repcount.wording.numbers import load as load_words

ROUNDS_SHOWN = 6  # whose ends are on the sheet; of more, so many are chosen
SAME_AGAIN = "Do the same again."
NO_GAIN = "no change that was tried has a gain above its uncertainty"
# What a name of a movement that is written with a capital begins a sentence with.
_NAMES = tuple(name for name in MOVEMENT_NAMES if name[0].isupper())
MESSAGE_CAUTION = (
    "agree it with your coach, stop when form goes, and see a clinician about pain or illness"
)


class ClassRow(Record):
    """An athlete of a class. Where nothing is decided, `reason` says why and the rest is empty."""

    athlete: str
    reason: str = ""
    attempts: list[str] = Field(default_factory=list, description="the last is the one judged")
    workout: str = ""
    recorded_at: str | None = None
    total_s: Seconds | None = None
    planned_s: Seconds | None = None
    finished: bool | None = None
    happened: str = Field("", description="the last attempt against its plan, in words")
    cue: str = Field("", description="the one change that matters most, the first of `next`")
    kind: Literal["load", "pattern", "pace"] | None = None
    gain: Span | None = Field(None, description="expected seconds saved by this change alone")
    why: str = Field("", description="what speaks for the change, where its gain is not known")
    why_same: str = Field("", description="why no change is suggested; empty where one is")
    more_changes: int = Field(0, description="that `next` suggests beside it")
    load_kg: float | None = Field(None, description="of the next attempt, as all that follows")
    patterns: list[str] = Field(default_factory=list, description="one a round")
    round_ends_s: list[Seconds] = Field(default_factory=list, description="on the planned clock")
    next_total_s: Seconds | None = None
    message: str = Field("", description="three sentences, ready to send")
    season: Season


class ClassSheet(Record):
    """A class (`class.json`)."""

    format: Literal["repcount-class/1"] = "repcount-class/1"
    name: str
    athletes: list[ClassRow]
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))


def class_sheet(judged: Sequence[Judged], name: str) -> ClassSheet:
    """The sheet of a class, its athletes in the order given."""
    return ClassSheet(name=name, athletes=[_row(one) for one in judged])


def _row(one: Judged) -> ClassRow:
    decision = one.decision
    if decision is None or one.last is None:
        return ClassRow(athlete=one.athlete, reason=one.reason, season=one.season)
    first = decision.suggestions[0] if decision.suggestions else None
    row = ClassRow(
        athlete=one.athlete,
        attempts=decision.attempts,
        workout=decision.workout,
        recorded_at=decision.recorded_at,
        total_s=decision.total_s,
        planned_s=decision.planned_s,
        finished=one.last.attempt.clock.finished,
        happened=_sentence(summary(one.last.attempt, one.last.comparison).text),
        cue=first.change if first else SAME_AGAIN,
        kind=first.kind if first else None,
        gain=first.gain if first else None,
        why=first.why if first and first.gain is None else "",
        why_same="" if first else _sentence(decision.not_enough_data or NO_GAIN),
        more_changes=max(0, len(decision.suggestions) - 1),
        load_kg=decision.plan.workout.load_kg,
        patterns=decision.plan.planned_sets(),
        round_ends_s=[one.end_s for one in clock_card(decision.plan).rounds],
        next_total_s=decision.plan.planned_total_s,
        season=one.season,
    )
    row.message = _message(row)
    return row


def _sentence(text: str) -> str:
    """Several sentences as one, without its full stop, to stand after a colon."""
    parts = [part.strip().rstrip(".") for part in f"{' '.join(text.split())} ".split(". ")]
    return "; ".join(_small(part) for part in parts if part)


def _small(text: str) -> str:
    return text if text.startswith(_NAMES) else text[:1].lower() + text[1:]


def _message(row: ClassRow) -> str:
    """What happened, what to change, and what is next, a sentence each."""
    day = recorded_words((row.recorded_at or "")[:10])
    head = ", ".join(part for part in (row.workout, day) if part)
    said = [f"{head}: {row.happened}."]
    if row.kind is None:
        said.append(f"No change is suggested, do the same again: {row.why_same}.")
    else:
        said.append(f"One change: {_sentence(row.cue)}; {_gain_words(row)}.")
    said.append(f"Next time: {_next_words(row)}{_as_a_whole(row)}; {MESSAGE_CAUTION}.")
    return " ".join(" ".join(plain(one).split()) for one in said)


def _gain_words(row: ClassRow) -> str:
    if row.kind is None:
        return row.why_same
    if row.gain is None:
        return "how much it saves is not known"
    return f"alone it is expected to {saved_words(row.gain)}"


def _as_a_whole(row: ClassRow) -> str:
    return " by the new plan as a whole" if row.more_changes else ""


def pattern_words(patterns: Sequence[str]) -> str:
    """The patterns of the rounds, those alike once: `8 | 6 | 4`, or the first round's and so on."""
    said = " / ".join(dict.fromkeys(short_pattern(one) for one in patterns))
    return said if len(said) <= LONGEST_WORDS else f"{said[:LONGEST_WORDS].rpartition(' ')[0]} …"


def round_words(ends_s: Sequence[float]) -> str:
    """Where the planned clock stands as rounds end: `Round 1 at 0:46.0, 2 at 1:40.2`."""
    step = -(-len(ends_s) // ROUNDS_SHOWN)
    chosen = [n for n in range(1, len(ends_s) + 1) if n % step == 0 or n == len(ends_s)]
    said = [f"{number} at {clock(ends_s[number - 1])}" for number in chosen]
    return f"Round {', '.join(said)}" if said else ""


def class_messages(made: ClassSheet) -> str:
    """The messages as text: a name, its message in one line, an empty line."""
    return "\n".join(
        f"{plain(one.athlete)}\n{one.message}\n" for one in made.athletes if one.message
    )


def class_lines(made: ClassSheet) -> list[str]:
    """The sheet on a terminal, at most 80 cells a line."""
    lines = [line for line in wrap(plain(_title(made)), WIDTH)] + [""]
    for one in made.athletes:
        lines += wrap(plain(one.athlete), WIDTH)
        if one.reason:
            lines += _wrapped(f"not judged: {one.reason}")
            continue
        lines += _wrapped(f"last: {one.happened}")
        lines += _wrapped(f"change: {one.cue} {capital(_gain_words(one))}.")
        lines += _wrapped(f"next: {_next_words(one)}")
    lines.append("")
    return lines + [line for said in made.cautions for line in wrap(plain(said), WIDTH)]


def _wrapped(text: str) -> list[str]:
    return [f"  {line}" for line in wrap(plain(text), WIDTH - 2)]


def _next_words(one: ClassRow) -> str:
    load = f"{load_words(one.load_kg)}, " if one.load_kg else ""
    sets = f"sets {pattern_words(one.patterns)}, " if one.patterns else ""
    return f"{load}{sets}planned {clock(one.next_total_s)}"


def _title(made: ClassSheet) -> str:
    workouts = list(dict.fromkeys(one.workout for one in made.athletes if one.workout))
    return f"{made.name}: {', '.join(workouts)}" if workouts else made.name


def class_page(
    made: ClassSheet,
    back: Back = ALONE,
    links: Sequence[str] = (),
    script: str = "",
) -> str:
    """The sheet for print, with the messages below it on a screen. Where it is a page of a site,
    `links` are the addresses of the attempts that were judged, one an athlete, and `script` is that
    of the script by which messages are copied and sent."""
    days = {(one.recorded_at or "")[:10] for one in made.athletes if not one.reason}
    return sheet(
        "class.html",
        back=back,
        site_script=script,
        made=made,
        title=_title(made),
        filmed=recorded_words(days.pop()) if len(days) == 1 else "",
        rows=[
            {
                "row": one,
                "link": link,
                "filmed": recorded_words((one.recorded_at or "")[:10]) if len(days) else "",
                "load": load_words(one.load_kg) if one.load_kg else "",
                "pattern": pattern_words(one.patterns),
                "rounds": round_words(one.round_ends_s),
                "gain": _gain_words(one),
            }
            for one, link in zip(made.athletes, links or repeat(""), strict=False)
        ],
        messages=[one for one in made.athletes if one.message],
    )


def season_page(made: ClassSheet, back: Back = ALONE) -> str:
    """Everybody's attempts by date: tempo of each movement, load and breaks."""
    parts: list[tuple[str, SeasonPart]] = [
        (one.athlete, season_parts(one.season)) for one in made.athletes if one.season.attempts
    ]
    return sheet("season.html", back=back, made=made, parts=parts)
