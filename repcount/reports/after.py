"""What follows an attempt, on a terminal and on paper: the next plan, rankings, histories."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

from repcount.forecast import Ranked, Ranking, Span, Told
from repcount.history import Change, History
from repcount.losses import Evidence
from repcount.next_plan import NextPlan
from repcount.plan.model import KG_PER_LB
from repcount.reports.numbers import clock, short, signed
from repcount.reports.pages import Back, sheet
from repcount.reports.terminal import WIDTH, fit, wrap
from repcount.reports.words import plain

_LOSSES = 5
_REPS_SHOWN = 6  # columns of attempts that a terminal holds


def _wrapped(text: str, indent: int = 0, first: str = "") -> Iterator[str]:
    lines = wrap(plain(text), WIDTH - indent)
    for number, line in enumerate(lines):
        lead = first.ljust(indent) if number == 0 else " " * indent
        yield lead + line


def interval(span: Span, *, sign: bool = False) -> str:
    """`3.1 s (1.2 to 5.0)`."""
    form = signed if sign else short
    return f"{form(span.middle_s)} s ({form(span.low_s)} to {form(span.high_s)})"


def clock_interval(span: Span) -> str:
    """`2:31.4 (2:20.1 to 2:44.0)`."""
    return f"{clock(span.middle_s)} ({clock(span.low_s)} to {clock(span.high_s)})"


def told_words(one: Told) -> str:
    """A parameter with its interval, and whether the data say it."""
    unit = one.unit if one.unit.startswith("%") else f" {one.unit}".rstrip()
    unit = f" {unit}" if unit.startswith("%") else unit
    digits = 2 if one.unit == "s" and one.value < 10 else 1
    said = f"{one.name} {one.value:.{digits}f}{unit}"
    said += f" ({one.low:.{digits}f} to {one.high:.{digits}f})"
    said = said.replace("-0.0 ", "0.0 ").replace("-", "−")
    return said if one.told_by_data else f"{said}, hardly told by the data"


# A ranking --------------------------------------------------------------------------------------


def ranking_lines(ranking: Ranking) -> list[str]:
    """Plans from the fastest on, each with its interval; the first is the one compared with."""
    lines = [f"{plain(ranking.workout)}: what the plans would take (intervals of 90 %)", ""]
    if ranking.not_enough_data:
        return lines + list(_wrapped(f"{ranking.not_enough_data}."))
    lines += [*_plan_lines(ranking.plans), ""]
    lines += [line for one in ranking.slowing for line in _wrapped(told_words(one), 2)]
    for said in [*ranking.notes, *ranking.cautions]:
        lines += _wrapped(said)
    return lines


def _plan_lines(plans: Sequence[Ranked]) -> Iterator[str]:
    for number, one in enumerate(plans):
        total = clock_interval(one.forecast.total)
        yield f"{fit(one.forecast.name, 24)}{total:>27}  {_gain(one) if number else 'the base'}"
        for said in one.forecast.outside:
            yield from _wrapped(f"never seen: {said}", 4)
        if one.forecast.chance_of_plan is not None:
            yield f"    in the planned time or under: {one.forecast.chance_of_plan:.0%} of draws"


def _gain(one: Ranked) -> str:
    if one.gain is None:
        return ""
    word = "saves" if one.gain.middle_s >= 0 else "costs"
    said = f"{word} {short(abs(one.gain.middle_s))} s"
    return f"{said}, in the noise" if one.inside_noise else said


# The next plan ----------------------------------------------------------------------------------


def next_lines(answer: NextPlan) -> list[str]:
    """Losses, suggestions and the new plan, at most 80 cells a line."""
    planned = f", planned {clock(answer.planned_s)}" if answer.planned_s is not None else ""
    load = answer.plan.workout.load_kg
    lines = [f"{plain(answer.workout)}: {clock(answer.total_s)}{planned}", ""]
    lines.append("What went over" if answer.losses else "Nothing went over.")
    for loss in answer.losses[:_LOSSES]:
        lines += _wrapped(loss.what, 10, f"{short(loss.seconds):>7} s")
        moments = ", ".join(f"{clock(one.at_s)} {one.text}" for one in loss.evidence[:2])
        lines += _wrapped(f"against {loss.against}" + (f"; see {moments}" if moments else ""), 10)
    if len(answer.losses) > _LOSSES:
        lines.append(f"{'':10}and {len(answer.losses) - _LOSSES} smaller")
    lines += ["", "What to change" if answer.suggestions else "No change is suggested."]
    if answer.not_enough_data:
        lines += _wrapped(f"{answer.not_enough_data}.", 2)
    for number, one in enumerate(answer.suggestions, 1):
        lines += _wrapped(one.change, 4, f"{number}.")
        lines += _wrapped(f"{gain_words(one.gain, one.inside_noise)} {one.why}", 4)
    if answer.forecast:
        lines += ["", f"The new plan: {clock_interval(answer.forecast.total)}, kept as written"]
        lines += _wrapped(f"Load: {kg_words(load)}", 2) if load else []
        lines += _wrapped("Rounds: " + ", ".join(short(one.middle_s) for one in
                                                 answer.forecast.rounds) + " s", 2)  # fmt: skip
    if answer.ranking:
        lines += ["", "Patterns, against what was done", *_plan_lines(answer.ranking)]
    if answer.slowing:
        lines += ["", "Slowing as fitted"]
        lines += [line for told in answer.slowing for line in _wrapped(told_words(told), 2)]
    lines.append("")
    for said in [*answer.notes, *answer.cautions]:
        lines += _wrapped(said)
    return lines


def gain_words(gain: Span, inside_noise: bool) -> str:
    """An expected gain in a sentence."""
    said = f"Expected to save {interval(gain)}."
    if inside_noise:
        said += " Two attempts differ by more anyway: one alone would not show it."
    return said


def next_page(answer: NextPlan, video: Path | None = None, folder: Path | None = None) -> str:
    """The decision as a page for print. Moments link into the video where it is known where it
    lies; `folder` is where the page will lie."""
    return sheet(
        "next.html",
        answer=answer,
        losses=[(loss, [(one, _link(one, answer, video, folder)) for one in loss.evidence])
                for loss in answer.losses],
        gains=[gain_words(one.gain, one.inside_noise) for one in answer.suggestions],
        load=kg_words(answer.plan.workout.load_kg) if answer.plan.workout.load_kg else "",
        told=[told_words(one) for one in answer.slowing],
        ranking=[
            (one, clock_interval(one.forecast.total), _gain(one) if number else "the base")
            for number, one in enumerate(answer.ranking)
        ],
        total=clock_interval(answer.forecast.total) if answer.forecast else "",
        plan_rounds=[
            (number, one.round_s, str(one.pattern) if one.pattern else "", one.break_s)
            for number, one in enumerate(answer.plan.rounds, 1)
        ],
    )  # fmt: skip


def _link(one: Evidence, answer: NextPlan, video: Path | None, folder: Path | None) -> str:
    """The moment in the video as a media fragment (W3C Media Fragments URI 1.0), or nothing."""
    if video is None or folder is None:
        return ""
    way = Path(os.path.relpath(video.resolve(), folder.resolve()))
    return f"{quote(way.as_posix())}#t={one.at_s * answer.slowed:.1f}"


# A history --------------------------------------------------------------------------------------


def kg_words(kg: float) -> str:
    """`60 kg (132.3 lb)`."""
    return f"{kg:g} kg ({kg / KG_PER_LB:.1f} lb)"


def change_words(one: Change) -> str:
    """The difference of a change, with what it says."""
    if one.unit == "s":
        digits = 2 if one.what.startswith("Cycle") else 1
        said = f"{one.difference:+.{digits}f}".replace("-", "−")
    else:
        said = f"{one.difference:+g}".replace("-", "−")
    if one.within_scatter:
        said += ", within scatter"
    return said


def _figure(value: float, unit: str, what: str) -> str:
    if unit != "s":
        return f"{value:g}"
    if what == "Total":
        return clock(value)
    return f"{value:.2f}" if what.startswith("Cycle") else short(value)


def history_lines(history: History) -> list[str]:
    """Attempts side by side: at most six columns, the rest are in the page."""
    shown = history.attempts[:_REPS_SHOWN]
    lines = [f"{plain(history.workout)}: {len(history.attempts)} attempts side by side", ""]
    for number, one in enumerate(history.attempts, 1):
        load = f", {kg_words(one.load_kg)}" if one.load_kg else ""
        unfinished = "" if one.finished else ", not finished"
        fixed = ", corrected by a person" if one.corrected else ""
        lines += _wrapped(f"{one.name}{load}{unfinished}{fixed}", 4, f"{number}.")
    lines += ["", f"{'seconds':<20}" + "".join(f"{n:>10}" for n in range(1, len(shown) + 1))]
    rows = [("Total", [clock(one.total_s) for one in shown])]
    rows += [
        (f"Round {n}", [short(one.rounds_s[n - 1]) for one in shown])
        for n in range(1, len(history.attempts[0].rounds_s) + 1)
    ]
    rows += [
        ("Breaks", [f"{one.breaks}" for one in shown]),
        ("Time in breaks", [short(one.break_s) for one in shown]),
        ("Between rounds", [short(one.between_s) for one in shown]),
        ("Transitions", [short(one.transition_s) for one in shown]),
    ]
    for name in history.attempts[0].median_cycle_s:
        cycles = [one.median_cycle_s.get(name) for one in shown]
        rows.append((f"Cycle, {name}", ["–" if c is None else f"{c:.2f}" for c in cycles]))
    lines += [fit(name, 20) + "".join(f"{cell:>10}" for cell in cells) for name, cells in rows]
    lines += ["", f"From 1 to {len(history.attempts)}"]
    lines += [
        f"  {fit(one.what, 26)}{_figure(one.first, one.unit, one.what):>9} to "
        f"{_figure(one.last, one.unit, one.what):>8}  {change_words(one)}"
        for one in history.changes
        if one.difference
    ]
    lines += ["", "Cannot be compared" if history.not_comparable else "Filmed alike."]
    lines += [line for said in history.not_comparable for line in _wrapped(said, 2)]
    return lines


def history_page(history: History, back: Back = (), links: Sequence[str] = ()) -> str:
    """Attempts side by side as a page, rep for rep. `links` are the addresses of the attempts' own
    pages, in their order."""
    return sheet(
        "history.html",
        back=back,
        links=links,
        history=history,
        changes=[
            (
                one.what,
                _figure(one.first, one.unit, one.what),
                _figure(one.last, one.unit, one.what),
                change_words(one),
            )
            for one in history.changes
        ],
        loads=[kg_words(one.load_kg) if one.load_kg else "–" for one in history.attempts],
        movements=list(history.attempts[0].median_cycle_s),
    )
