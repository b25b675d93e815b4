"""Captions over the original video (WebVTT, W3C): the count, the round, and breaks as they run.

Times are the file's own: for a slowed video the real seconds times the slow-motion factor.
"""

from __future__ import annotations

from repcount.records import Attempt, Rep, Workout, to_ms
from repcount.reports import words

SHOWN_S = 3.0  # a count stays this long if nothing follows
_SHORTEST_MS = 100


def captions(attempt: Attempt) -> str:
    """The text of `captions.vtt`: one cue a count, one cue a second of a break."""
    reps = [rep for rep in attempt.reps if rep.status in ("counted", "extra", "no_rep")]
    pauses = [(to_ms(pause.start_s), to_ms(pause.end_s)) for pause in attempt.breaks]
    cues: list[tuple[int, int, str]] = []
    begins = sorted({to_ms(rep.top_s) for rep in reps} | {begin for begin, _ in pauses})
    for rep in reps:
        begin = to_ms(rep.top_s)
        follows = next((at for at in begins if at > begin), None)
        end = begin + to_ms(SHOWN_S)
        cues.append((begin, end if follows is None else min(end, follows), _count(rep, attempt)))
    for begin, end in pauses:
        for second, at in enumerate(range(begin, end, 1000)):
            cues.append((at, min(at + 1000, end), f"Bar down {second} s"))
    slowed = attempt.video.slowed
    lines = ["WEBVTT", "", "NOTE Made by repcount. Times are those of the video file.", ""]
    for begin, end, text in sorted(cues):
        if end - begin >= _SHORTEST_MS:
            lines += [f"{_stamp(begin, slowed)} --> {_stamp(end, slowed)}", _escaped(text), ""]
    return "\n".join(lines)


def _count(rep: Rep, attempt: Attempt) -> str:
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
    doubt = " (check)" if "check" in rep.flags else ""
    return f"{count} of {asked} · round {rep.round}{doubt}"


def _asked(workout: Workout | None, rep: Rep) -> int | None:
    if workout is None or rep.round is None:
        return None
    return workout.asked(rep.round, rep.movement) or None


def _stamp(ms: int, slowed: float) -> str:
    """A WebVTT timestamp with hours."""
    whole = max(0, round(ms * slowed))
    seconds, rest = divmod(whole, 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:03d}"


def _escaped(text: str) -> str:
    """Cue text on one line: the three signs that mean something in it are written as references."""
    text = " ".join(words.plain(text).split())
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
