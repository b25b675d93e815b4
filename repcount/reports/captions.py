"""Captions and chapters of the original video (WebVTT, W3C): the count, the round, and breaks as
they run; a chapter for each round.

Times are the file's own: for a slowed video the real seconds times the slow-motion factor.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from repcount.attempt.records import Attempt, Comparison, Rep, RoundSpan, Workout
from repcount.reports import words
from repcount.units import to_ms
from repcount.wording.numbers import short, whole

SHOWN_S = 3.0  # a count stays this long if nothing follows
_SHORTEST_MS = 100


def captions(attempt: Attempt) -> str:
    """The text of `captions.vtt`: one cue a count, one cue a second of a break."""
    reps = [*attempt.counted(), *attempt.uncounted()]
    pauses = [pause.span for pause in attempt.breaks]
    cues: list[tuple[int, int, str]] = []
    begins = sorted({rep.top_ms for rep in reps} | {begin for begin, _ in pauses})
    for rep in reps:
        begin = rep.top_ms
        follows = next((at for at in begins if at > begin), None)
        end = begin + to_ms(SHOWN_S)
        cues.append(
            (begin, end if follows is None else min(end, follows), count_words(rep, attempt))
        )
    for begin, end in pauses:
        steps = [begin, *range(begin + 500, end, 1000), end]  # where the nearest second changes
        for at, until in pairwise(steps):
            cues.append((at, until, f"Bar down {whole((at - begin) / 1000)} s"))
    return _vtt(sorted(cues), attempt.video.slowed)


def chapters(attempt: Attempt, comparison: Comparison | None = None) -> list[tuple[int, int, str]]:
    """(begin, end, title) of the film's chapters in milliseconds of real time, without gaps: what
    lies before the first round, each round with the rest after it, what lies after the last."""
    spans = sorted(attempt.rounds, key=lambda span: span.start_s)
    if not spans:
        return []
    planned = {one.round: one.planned_s for one in comparison.rounds} if comparison else {}
    marks: list[tuple[int, str]] = [
        (span.start_ms, _round_title(span, planned.get(span.round))) for span in spans
    ]
    length, over = to_ms(attempt.video.duration_s), spans[-1].end_ms
    if marks[0][0] > _SHORTEST_MS:
        marks.insert(0, (0, "Before"))
    if length - over > _SHORTEST_MS:
        marks.append((over, "After"))
    ends = [begin for begin, _ in marks[1:]] + [max(length, over)]
    return [(begin, end, title) for (begin, title), end in zip(marks, ends, strict=True)]


def chapters_text(attempt: Attempt, comparison: Comparison | None = None) -> str:
    """The text of `chapters.vtt`."""
    return _vtt(chapters(attempt, comparison), attempt.video.slowed)


def _round_title(span: RoundSpan, planned_s: float | None) -> str:
    """`Round 2: 45.7 s, planned 48.0 s`."""
    title = f"Round {span.round}: {short(span.duration_s)} s"
    return title if planned_s is None else f"{title}, planned {short(planned_s)} s"


def _vtt(cues: Iterable[tuple[int, int, str]], slowed: float) -> str:
    lines = ["WEBVTT", "", "NOTE Made by repcount. Times are those of the video file.", ""]
    for begin, end, text in cues:
        if end - begin >= _SHORTEST_MS:
            lines += [f"{_stamp(begin, slowed)} --> {_stamp(end, slowed)}", _escaped(text), ""]
    return "\n".join(lines)


def count_words(rep: Rep, attempt: Attempt) -> str:
    """`Deadlift 5 of 8 · round 2`."""
    name = words.capital(rep.movement)
    if rep.status == "no_rep":
        return f"{name}: no-rep"
    if rep.status == "extra":
        return f"{name}: extra"
    asked = _asked(attempt.workout, rep)
    count = name if rep.number is None else f"{name} {rep.number}"
    if asked is None:
        return count
    mark = " (check)" if words.needs_check(rep) else ""
    return f"{count} of {asked} · round {rep.round}{mark}"


def _asked(workout: Workout | None, rep: Rep) -> int | None:
    if workout is None or rep.round is None:
        return None
    return workout.asked(rep.round, rep.movement) or None


def _stamp(ms: int, slowed: float) -> str:
    """A WebVTT timestamp with hours."""
    seconds, rest = divmod(max(0, round(ms * slowed)), 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:03d}"


def _escaped(text: str) -> str:
    """Cue text on one line: the three signs that mean something in it are written as references."""
    text = " ".join(words.plain(text).split())
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
