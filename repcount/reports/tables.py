"""Tables for spreadsheets and statistics: reps, sets, breaks, rounds; each as CSV and Parquet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from repcount.attempt.records import Attempt, BreakMatch, Comparison, Measure
from repcount.reports import words
from repcount.reports.columns import Column, csv_text, write_parquet
from repcount.units import Ms

REPS = (
    Column("id", "", "persistent id, for corrections"),
    Column("round", "", "round, from 1; empty for a rep that is not of the workout", "whole"),
    Column("movement", "", "name of the movement"),
    Column("number", "", "from 1 in its movement and round; counted reps only", "whole"),
    Column("status", "", "counted, extra, unplanned or no_rep"),
    Column("reason", "", "of a no-rep: which standard was missed, as a person wrote"),
    Column("set", "", "set in its round, from 1; counted reps of a workout only", "whole"),
    Column("start_s", "s", "start, from the video's first frame", "number"),
    Column("top_s", "s", "the moment at which it counts, from the first frame", "number"),
    Column("end_s", "s", "end, from the first frame", "number"),
    Column("cycle_s", "s", "top minus the top before it in the same set and movement", "number"),
    Column("travel_m", "m", "way up of the bar from start to top; empty without a scale", "number"),
    Column("mean_speed_m_s", "m/s", "mean upward speed of the bar from start to top", "number"),
    Column(
        "peak_speed_m_s", "m/s", "highest upward speed; smoothing takes 1 to 4 % of it", "number"
    ),
    Column(
        "from_floor",
        "",
        "how the bar had lain before a lift from the floor: touch, touch-and-go, reset or break",
    ),
    Column("dropped", "", "true where the bar fell free after it", "truth"),
    Column("style", "", "of a hang clean: slow dip, fast thigh rebound, or unsure"),
    Column("style_confidence", "", "0 to 1; of the likelier style where unsure", "number"),
    Column("confidence", "", "0 to 1", "number"),
    Column("flags", "", "separated by a semicolon; check: a person should check it"),
    Column("measures", "", "name value ± standard deviation unit, separated by a semicolon"),
    Column("touched_by", "", "machine, or person where a person corrected it"),
)
SETS = (
    Column("round", "", "round, from 1", "whole"),
    Column("set", "", "set in its round, from 1", "whole"),
    Column("movement", "", "one row for each movement of the set, in the order done"),
    Column("reps", "", "counted reps of that movement in the set", "whole"),
    Column("start_s", "s", "the set's first start, from the video's first frame", "number"),
    Column("end_s", "s", "the set's last top, from the first frame", "number"),
    Column(
        "rise_speed",
        "body heights/s",
        "mean over the reps of the bar's highest upward speed; from three reps on",
        "number",
    ),
    Column(
        "speed_change",
        "fraction",
        "change of that speed a rep, as a fraction of the mean (least squares); below 0: slower",
        "number",
    ),
    Column("speed_change_se", "fraction", "standard error of that change", "number"),
)
BREAKS = (
    Column("id", "", "persistent id, for corrections; empty where no real break answers the plan"),
    Column("round", "", "round, from 1", "whole"),
    Column("after_movement", "", "movement of the last counted rep before it (planned if no real)"),
    Column("after_number", "", "number of that rep", "whole"),
    Column(
        "first_contact_s", "s", "the bar first touches the floor, from the first frame", "number"
    ),
    Column("start_s", "s", "the bar has settled, from the first frame", "number"),
    Column("end_s", "s", "next lift-off, from the first frame", "number"),
    Column("real_s", "s", "length: end minus start; of the reset where one met the plan", "number"),
    Column("planned_s", "s", "planned length", "number"),
    Column("difference_s", "s", "real minus planned; an unplanned break counts whole", "number"),
    Column(
        "outcome", "", "as planned, moved, unplanned, skipped, reset or not reached; empty: no plan"
    ),
    Column("moved_by", "reps", "reps later (+) or earlier (-) than planned", "whole"),
    Column("length", "", "as planned, longer or shorter"),
    Column("hands_off", "", "true where the hands left the bar", "truth"),
    Column("seen", "", "false where the bar was not seen at an end, whose time is unsure", "truth"),
    Column("touched_by", "", "machine, or person where a person corrected it"),
)
ROUNDS = (
    Column("round", "", "round, from 1", "whole"),
    Column("start_s", "s", "first counted start, from the video's first frame", "number"),
    Column("end_s", "s", "last counted top, from the first frame", "number"),
    Column("real_s", "s", "length, breaks included", "number"),
    Column("planned_s", "s", "planned length", "number"),
    Column("difference_s", "s", "real minus planned; empty for an unfinished round", "number"),
    Column("counted", "", "reps counted", "whole"),
    Column("prescribed", "", "reps asked for", "whole"),
    Column("missing", "", "reps not counted, by movement"),
    Column("breaks", "", "real breaks", "whole"),
    Column("break_s", "s", "seconds of real breaks", "number"),
    Column("planned_breaks", "", "planned breaks", "whole"),
    Column("sets", "", "real sets; | the bar went down, + a set runs into the next movement"),
    Column("planned_sets", "", "planned sets, in the same notation"),
    Column("rest_after_s", "s", "last top to the next round's first start", "number"),
    Column("bar_down_after_s", "s", "of that, seconds with the bar on the floor", "number"),
)
TABLES: Mapping[str, tuple[Column, ...]] = {
    "reps": REPS,
    "sets": SETS,
    "breaks": BREAKS,
    "rounds": ROUNDS,
}
FILES = tuple(f"{name}.{form}" for form in ("csv", "parquet") for name in TABLES)


def table_rows(
    attempt: Attempt, comparison: Comparison | None = None
) -> dict[str, list[dict[str, Any]]]:
    """The rows of every table, by its name; a value that there is not is None."""
    return {
        "reps": list(_reps(attempt)),
        "sets": list(_sets(attempt)),
        "breaks": list(_breaks(attempt, comparison)),
        "rounds": list(_rounds(attempt, comparison)),
    }


def tables(attempt: Attempt, comparison: Comparison | None = None) -> dict[str, str]:
    """The text of every table as CSV, by file name."""
    rows = table_rows(attempt, comparison)
    return {f"{name}.csv": csv_text(columns, rows[name]) for name, columns in TABLES.items()}


def write_tables(folder: Path, attempt: Attempt, comparison: Comparison | None = None) -> None:
    """Write every table into a folder, as CSV and as Parquet."""
    rows = table_rows(attempt, comparison)
    for name, columns in TABLES.items():
        text = csv_text(columns, rows[name])
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
        about = {
            "made_by": f"repcount {attempt.provenance.version}",
            "video_sha256": attempt.video.sha256,
        }
        write_parquet(folder / f"{name}.parquet", columns, rows[name], about)


def _reps(attempt: Attempt) -> Iterable[dict[str, Any]]:
    for rep in attempt.reps:
        inside = next(
            (
                span.number
                for span in attempt.sets
                if span.round == rep.round and span.start_s <= rep.top_s <= span.end_s
            ),
            None,
        )
        measured = {one.name: one.value for one in rep.measures}
        yield {
            "id": rep.id,
            "round": rep.round,
            "movement": rep.movement,
            "number": rep.number,
            "status": rep.status,
            "reason": words.plain(rep.reason) or None,
            "set": inside if rep.counts else None,
            "start_s": rep.start_s,
            "top_s": rep.top_s,
            "end_s": rep.end_s,
            "cycle_s": rep.cycle_s,
            "travel_m": measured.get("bar_travel"),
            "mean_speed_m_s": measured.get("mean_speed"),
            "peak_speed_m_s": measured.get("peak_speed"),
            "from_floor": rep.from_floor,
            "dropped": rep.dropped,
            "style": rep.style,
            "style_confidence": rep.style_confidence,
            "confidence": rep.confidence,
            "flags": ";".join(rep.flags),
            "measures": "; ".join(map(_measure, rep.measures)),
            "touched_by": rep.touched_by,
        }


def _sets(attempt: Attempt) -> Iterable[dict[str, Any]]:
    for span in attempt.sets:
        speeds = {speed.movement: speed for speed in span.speeds}
        done: dict[str, int] = {}
        for part in span.reps:
            done[part.movement] = done.get(part.movement, 0) + part.reps
        for movement, reps in done.items():
            speed = speeds.get(movement)
            yield {
                "round": span.round,
                "set": span.number,
                "movement": movement,
                "reps": reps,
                "start_s": span.start_s,
                "end_s": span.end_s,
                "rise_speed": speed.mean_st_s if speed else None,
                "speed_change": speed.slope_share if speed else None,
                "speed_change_se": speed.uncertainty if speed else None,
            }


def _measure(measure: Measure) -> str:
    within = "" if measure.uncertainty is None else f" ± {measure.uncertainty:g}"
    return f"{measure.name} {measure.value:g}{within} {measure.unit}".rstrip()


def _breaks(attempt: Attempt, comparison: Comparison | None) -> Iterable[dict[str, Any]]:
    if comparison is not None and comparison.planned_sets:
        matches = comparison.breaks
    else:
        matches = [
            BreakMatch(
                round=pause.round or 1,
                outcome="unplanned",
                real=pause,
                real_s=pause.length_s,
            )
            for pause in attempt.breaks
        ]
    planned = comparison is not None and bool(comparison.planned_sets)
    for match in matches:
        rest = match.real or match.real_reset
        after = match.real.after if match.real else None
        if after is None and match.planned:
            after = match.planned.after
        yield {
            "id": rest.id if rest else None,
            "round": match.round,
            "after_movement": after.movement if after else None,
            "after_number": after.number if after else None,
            "first_contact_s": rest.first_contact_s if rest else None,
            "start_s": rest.start_s if rest else None,
            "end_s": rest.end_s if rest else None,
            "real_s": match.real_s,
            "planned_s": match.planned_s,
            "difference_s": match.difference_s,
            "outcome": match.outcome if planned else None,
            "moved_by": match.moved_by,
            "length": match.length,
            "hands_off": rest.hands_off if rest else None,
            "seen": rest.seen if rest else None,
            "touched_by": match.real.touched_by if match.real else None,
        }


def _rounds(attempt: Attempt, comparison: Comparison | None) -> Iterable[dict[str, Any]]:
    spans = attempt.round_spans()
    asked = {item.round: item for item in comparison.rounds} if comparison else {}
    gaps = {gap.after_round: gap for gap in attempt.between_rounds}
    patterns = words.set_lines(attempt, comparison)
    for number in sorted({*spans, *asked}):
        span, plan, gap = spans.get(number), asked.get(number), gaps.get(number)
        pauses = attempt.breaks_in(number)
        planned_sets, sets = patterns.get(number, ("", ""))
        yield {
            "round": number,
            "start_s": span.start_s if span else None,
            "end_s": span.end_s if span else None,
            "real_s": span.duration_s if span else None,
            "planned_s": plan.planned_s if plan else None,
            "difference_s": plan.difference_s if plan else None,
            "counted": span.counted if span else 0,
            "prescribed": span.prescribed if span else None,
            "missing": words.missing_words(span.missing) if span else None,
            "breaks": len(pauses),
            "break_s": Ms(sum(pause.length_ms for pause in pauses)).seconds,
            "planned_breaks": plan.planned_breaks if plan else None,
            "sets": sets,
            "planned_sets": planned_sets,
            "rest_after_s": gap.length_s if gap else None,
            "bar_down_after_s": gap.bar_down_s if gap else None,
        }
