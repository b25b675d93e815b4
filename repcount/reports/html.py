"""The report as one page in one file: no network, no dependency, from disk, on paper too."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from repcount.attempt.records import Attempt, Break, Comparison, Rep
from repcount.plan import Plan
from repcount.reports import words
from repcount.reports.clocks import offset_words, on_clock, set_table, zero_s
from repcount.reports.cycles_chart import cycle_charts
from repcount.reports.fitted import fitted_slowing
from repcount.reports.lifts import lift_lines
from repcount.reports.pages import ALONE, ASSETS, Back, environment, hashed, style_sheet
from repcount.reports.rows import Row, round_rows, spent_rows, time_rows
from repcount.reports.sets_chart import set_charts
from repcount.reports.stills import nearest
from repcount.reports.svg import bar_pair
from repcount.reports.trace_chart import TraceChart, trace_chart
from repcount.units import to_ms
from repcount.wording import numbers
from repcount.wording.moments import recorded_words

_SPEEDS = ("mean_speed", "peak_speed")


def report_page(
    attempt: Attempt,
    comparison: Comparison | None = None,
    stills: Mapping[int, bytes] | None = None,
    back: Back = ALONE,
    plan: Plan | None = None,
    *,
    whose: str = "",
    corrected: str = "",
) -> str:
    """The whole page as text. Everything that comes from the records is escaped.

    `stills` are JPEGs by their moment in milliseconds; they become part of the page. `plan` gives
    the planned clock at every set. `whose` stands above the heading: who lifted, and when;
    `corrected` says by whom it was corrected.
    """
    css = style_sheet("report.css")
    script = (ASSETS / "report.js").read_text(encoding="utf-8")
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src {hashed(script)}",
            f"style-src {hashed(css)}",
            *(["img-src data:"] if stills else []),  # stills, which are part of the page
            "media-src 'self' file: blob:",  # the video beside the report, or one chosen by hand
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    page = environment().get_template("report.html")
    return page.render(
        attempt=attempt,
        comparison=comparison,
        whose=whose or filmed_words(attempt),
        corrected=corrected,
        back=back,
        policy=policy,
        css=Markup(css),
        script=Markup(script),
        **_parts(attempt, comparison, stills or {}),
        on_clock=partial(on_clock, attempt),
        offset=offset_words(attempt),
        set_table=set_table(attempt, plan, comparison),
    )


def filmed_words(attempt: Attempt) -> str:
    """`filmed 28 Nov 2026, 17:30 UTC`; empty where it is not known."""
    recorded = recorded_words(attempt.video.recorded_at)
    return f"filmed {recorded}" if recorded else ""


def write_report(
    path: Path,
    attempt: Attempt,
    comparison: Comparison | None = None,
    stills: Mapping[int, bytes] | None = None,
    plan: Plan | None = None,
    corrected: str = "",
) -> None:
    """Write `report.html`."""
    page = report_page(attempt, comparison, stills, plan=plan, corrected=corrected)
    Path(path).write_text(page, encoding="utf-8")


def _still(stills: Mapping[int, bytes], at_s: float | None) -> str:
    """The still of a moment as a data URL (RFC 2397), or nothing."""
    data = None if at_s is None else nearest(stills, at_s)
    return "" if data is None else f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"


def _parts(
    attempt: Attempt, comparison: Comparison | None, stills: Mapping[int, bytes]
) -> dict[str, Any]:
    trace = trace_chart(attempt)
    fitted = fitted_slowing(attempt)
    return {
        **time_parts(attempt, comparison),
        "heading": words.heading(attempt),
        "summary": words.summary(attempt, comparison),
        "start_source": words.START_SOURCES[attempt.clock.start_source],
        "trace": trace,
        "script_data": _script_data(attempt, trace),
        "cycles": cycle_charts(attempt, fitted.cycles),
        "fitted": fitted,
        "breaks": [
            line | {"still": _still(stills, line["at_s"])}
            for line in _break_lines(attempt, comparison)
        ],
        "marks": [(mark, _still(stills, mark.at_s)) for mark in words.review_marks(attempt)],
        "with_stills": bool(stills),
        "notices": words.notices(attempt, comparison),
        "not_counted": words.not_counted(attempt),
        "lifts": lift_lines(attempt),
        "break_plan": bool(comparison and comparison.planned_sets),
        "provenance": _provenance(attempt),
    }


def time_parts(attempt: Attempt, comparison: Comparison | None) -> dict[str, Any]:
    """What `times.html` tells: rounds, sets and kinds of time, each line with its bar."""
    rows = round_rows(attempt, comparison)
    return {
        "starts": {span.round: span.start_s for span in attempt.rounds if attempt.workout},
        "ends": {span.round: span.end_s for span in attempt.rounds},
        "rounds": [(row, _round_bar(row, rows, attempt)) for row in rows],
        "sets": set_charts(attempt, comparison),
        "against": _with_bars(time_rows(attempt, comparison)),
        "spent": _with_bars(spent_rows(attempt, comparison)),
    }


def _round_bar(row: Row, rows: list[Row], attempt: Attempt) -> Markup | None:
    """Planned above real; a round's breaks lie where they were."""
    if row is rows[-1]:
        return None
    full = max(max(other.planned or 0, other.real or 0) for other in rows[:-1])
    if full <= 0:
        return None
    span = attempt.round_spans().get(row.round or 0)
    pauses = [
        (pause.start_s - span.start_s, pause.end_s - pause.start_s)
        for pause in attempt.breaks
        if span and pause.round == span.round
    ]
    return bar_pair(row.planned, row.real, full, pauses)


def _with_bars(rows: list[Row]) -> list[tuple[Row, Markup | None]]:
    """Rows with their bars; the last row is the total and has none."""
    full = max((max(row.planned or 0, row.real or 0) for row in rows[:-1]), default=0)
    return [
        (
            row,
            None if row is rows[-1] or full <= 0 else bar_pair(row.planned, row.real or 0, full),
        )
        for row in rows
    ]


def _break_lines(attempt: Attempt, comparison: Comparison | None) -> list[dict[str, Any]]:
    """Every break, planned or real, in order."""
    if comparison is None or not comparison.planned_sets:
        return [
            {
                "round": pause.round if attempt.workout else None,
                "after": words.place_words(pause).removeprefix("after "),
                "at_s": pause.start_s,
                "planned": None,
                "real": pause.end_s - pause.start_s,
                "difference": None,
                "outcome": "",
                "hands_off": pause.hands_off,
                "unsure": not pause.seen,
                "by_person": pause.touched_by == "person",
            }
            for pause in attempt.breaks
        ]
    lines = []
    for match in comparison.breaks:
        real, planned = match.real, match.planned
        meant = words.after_words(planned.after) if planned else ""
        at = real.start_s if real else match.real_reset.start_s if match.real_reset else None
        outcome: str = match.outcome
        if match.outcome == "moved" and match.moved_by:
            way = "later" if match.moved_by > 0 else "earlier"
            outcome = f"{words.count(abs(match.moved_by), 'rep')} {way}"
        if match.length in ("longer", "shorter"):
            outcome = match.length if outcome == "as planned" else f"{outcome}, {match.length}"
        lines.append(
            {
                "round": match.round,
                "after": (words.place_words(real).removeprefix("after ") if real else "") or meant,
                "at_s": at,
                "planned": match.planned_s,
                "real": match.real_s,
                "difference": match.difference_s,
                "outcome": outcome,
                "hands_off": bool(real and real.hands_off),
                "unsure": bool(real and not real.seen),
                "by_person": bool(real and real.touched_by == "person"),
            }
        )
    return lines


def _script_data(attempt: Attempt, trace: TraceChart | None) -> dict[str, Any] | None:
    """What the page's script needs: the stretch of time, and reps and breaks with their words."""
    if trace is None:
        return None
    return {
        "begin": trace.begin_s,
        "end": trace.end_s,
        "full": trace.full_s,
        "zero": zero_s(attempt),
        "slowed": attempt.video.slowed,
        "videos": _video_sources(attempt.video.file_name),
        "rounds": [[span.round, span.start_s, span.end_s] for span in attempt.rounds],
        "moments": sorted(
            [
                [
                    rep.top_s,
                    rep.start_s,
                    None,
                    words.plain(words.rep_words(rep, attempt.workout)),
                    _rep_detail(rep, attempt),
                ]
                for rep in attempt.reps
            ]
            + [
                [pause.start_s, pause.first_contact_s, pause.end_s, *_break_said(pause, attempt)]
                for pause in attempt.breaks
            ],
            key=lambda moment: moment[0],
        ),
    }


def _break_said(pause: Break, attempt: Attempt) -> tuple[str, str]:
    """`Round 2, break after deadlift 6` and its time, length and hands."""
    name = f"break {words.place_words(pause)}".rstrip()
    with_round = attempt.workout is not None and pause.round is not None
    name = f"Round {pause.round}, {name}" if with_round else words.capital(name)
    length = f"{numbers.short(pause.end_s - pause.start_s)} s"
    hands = "hands off the bar" if pause.hands_off else "hands on the bar"
    hands += "" if pause.seen else " · bar not seen, its ends are unsure"
    return words.plain(name), f"{on_clock(attempt, pause.start_s)} · {length} · {hands}"


def _rep_detail(rep: Rep, attempt: Attempt) -> str:
    parts = [on_clock(attempt, rep.top_s)]
    if rep.cycle_s is not None:
        parts.append(f"cycle {numbers.short(rep.cycle_s)} s")
    elif rep.counts:
        parts.append("first of its set")
    if way := words.way_words(rep):
        parts.append(way)
    speeds = [one for one in rep.measures if one.name in _SPEEDS]
    parts += map(words.measure_words, speeds)
    if not rep.counts:
        parts.append(words.status_words(rep))
    parts.append(f"confidence {rep.confidence:.0%}")
    if words.needs_check(rep):
        parts.append("check by eye")
    others = ", ".join(words.measure_words(one) for one in rep.measures if one not in speeds)
    parts += [part for part in (words.flag_words(rep), others) if part]
    if rep.touched_by == "person":
        parts.append("corrected by a person")
    return words.plain(" · ".join(parts))


def _provenance(attempt: Attempt) -> list[tuple[str, str]]:
    video, made = attempt.video, attempt.provenance
    rate = f"{video.mean_rate_hz:.2f} frames a second"
    lines = [
        ("Video", video.file_name),
        ("Filmed", recorded_words(video.recorded_at) or "not known"),
        ("Length", f"{numbers.clock(video.duration_s)}"),
        (
            "Frames",
            f"{video.width} × {video.height}, {rate}"
            + (", uneven" if video.variable_rate else "")
            + (f", {video.codec}" if video.codec else ""),
        ),
        ("Sound", "yes" if video.has_sound else "no"),
        ("SHA-256", video.sha256),
    ]
    if to_ms(video.slowed) != 1000:
        lines.append(
            (
                "Slow motion",
                f"{video.slowed:g} times slower than real time, as given; times are real seconds",
            )
        )
    lines += [("Read by", f"repcount {made.version}"), ("Made at", made.made_at)]
    lines += [(f"Option {name}", value) for name, value in _options(made.options)]
    lines += [(f"Model {name}", digest) for name, digest in sorted(made.models.items())]
    return lines


def _options(options: dict[str, Any], inside: str = "") -> list[tuple[str, str]]:
    """Options by name, those of a stage under the stage's name; what was not given is left out."""
    found = []
    for name, value in sorted(options.items()):
        if isinstance(value, dict):
            found += _options(value, f"{inside}{name}.")
        elif value is not None:
            found.append((inside + name, str(value)))
    return found


def _video_sources(file_name: str) -> list[str]:
    """Where the video may lie: beside the report, or beside its folder."""
    name = quote(Path(file_name).name)
    return [f"./{name}", f"../{name}"] if name else []
