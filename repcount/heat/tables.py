"""Tables of a heat: one row an attempt (CSV and Parquet), one a rep and one a break (Parquet).

Their forms are those of all tables, see `repcount.reports.columns`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from repcount.heat.records import Heat, HeatAttempt
from repcount.reports.columns import Column, csv_text, write_parquet

KINDS = (
    ("start", "before the first rep"),
    ("between rounds", "between rounds"),
    ("break", "in breaks"),
    ("hold", "in holds"),
    ("transition", "in transitions"),
    ("reset", "in resets"),
    ("touch", "in touches of the floor"),
    ("rep", "in reps"),
    ("handling", "picking up, putting down and the like"),
)
SPREADS = (
    ("first_half", "in the first half of the prescribed reps"),
    ("last_half", "in the last half of the prescribed reps"),
    ("slope", "change a round, by least squares"),
    ("variation", "standard deviation over mean of the rounds"),
)
SPREAD_NAMES = ("breaks", "break length", "transition", "failed strokes")
# Quantities that people read by another name than the records keep.
_READ_AS = {"failed strokes": "missed lifts"}


def read_as(name: str) -> str:
    """A quantity's name as people read it."""
    return _READ_AS.get(name, name)


def _key(name: str) -> str:
    return "".join(one if one.isalnum() else "_" for one in name.casefold())


_UNITS = {"break length": "s", "transition": "s"}

WHO = (
    Column("athlete", "", "name, or a number where names are left out"),
    Column("division", "", "as in the list"),
    Column(
        "lane", "", "place in the frame from its left, where several lift in one video", "whole"
    ),
)
HEAT = (
    Column(
        "place", "", "among all, equal results share it; empty without a common workout", "whole"
    ),
    Column("place_in_division", "", "among those of the division", "whole"),
    *WHO,
    Column("result", "", "the time, or how many reps were done"),
    Column("state", "", "read, doubtful or failed"),
    Column("reason", "", "why doubtful or failed"),
    Column("finished", "", "true if every prescribed rep was counted within the time cap", "truth"),
    Column("total_s", "s", "start signal to last counted rep, or to the time cap", "number"),
    Column("reps_done", "", "counted reps", "whole"),
    Column("reps_asked", "", "prescribed reps", "whole"),
    Column("last_top_s", "s", "the last counted rep, on the heat's clock", "number"),
    Column(
        "close", "", "true if a neighbour's time is nearer than the uncertainty of both", "truth"
    ),
    Column("start_source", "", "sound, given or first lift-off"),
    Column(
        "start_uncertainty_s",
        "s",
        "standard deviation of the start; empty: a clock of its own",
        "number",
    ),
    Column("workout", "", "its name"),
    Column("load_kg", "kg", "the load", "number"),
    Column("planned_s", "s", "planned total", "number"),
    Column("difference_s", "s", "total less planned", "number"),
    Column("deviations", "", "from the plan, and where, separated by a semicolon"),
    Column("checks", "", "counted reps that a person should check", "whole"),
    Column("failed_strokes", "", "missed lifts: lifts that did not reach their finish", "whole"),
    Column("breaks", "", "number of breaks", "whole"),
    *(Column(f"{_key(kind)}_s", "s", f"seconds {meaning}", "number") for kind, meaning in KINDS),
    *(
        Column(
            f"{_key(name)}_{_key(part)}",
            _UNITS.get(name, ""),
            f"{read_as(name)}, {meaning}",
            "number",
        )
        for name in SPREAD_NAMES
        for part, meaning in SPREADS
    ),
    Column("rounds_variation", "", "standard deviation over mean of the round times", "number"),
    Column("slowest_round_s", "s", "the longest round", "number"),
    Column("sets", "", "sets of each round as done, rounds separated by a slash"),
    Column("video", "", "file name; empty where names are left out"),
)
ROUND = Column("round_N_s", "s", "length of round N, breaks included; one column a round", "number")
REPS = (
    *WHO,
    Column("round", "", "from 1", "whole"),
    Column("movement", "", "name of the movement"),
    Column("number", "", "from 1 in its movement and round", "whole"),
    Column("position", "", "place among all prescribed reps, from 1", "whole"),
    Column("top_s", "s", "when it counts, on the heat's clock", "number"),
    Column("cycle_s", "s", "top minus the top before it in the same set and movement", "number"),
    Column("confidence", "", "0 to 1", "number"),
    Column("check", "", "true if a person should check it", "truth"),
)
BREAKS = (
    *WHO,
    Column("round", "", "from 1", "whole"),
    Column("after_movement", "", "movement of the last counted rep before it"),
    Column("after_number", "", "number of that rep", "whole"),
    Column("position", "", "place of that rep among all prescribed, 0 before the first", "whole"),
    Column("start_s", "s", "the bar has settled, on the heat's clock", "number"),
    Column("end_s", "s", "next lift-off, on the heat's clock", "number"),
    Column("length_s", "s", "end minus start", "number"),
    Column("outcome", "", "as planned, moved or unplanned; empty without a plan"),
)
DICTIONARY: Mapping[str, tuple[Column, ...]] = {
    "heat.csv": (*HEAT, ROUND),
    "heat_reps.parquet": REPS,
    "heat_breaks.parquet": BREAKS,
}
CSV, PARQUET = "heat.csv", "heat.parquet"
REPS_PARQUET, BREAKS_PARQUET = "heat_reps.parquet", "heat_breaks.parquet"


def columns_of(heat: Heat) -> list[Column]:
    """The columns of `heat.csv`, with one for each round there is."""
    most = max((span.round for one in heat.attempts for span in one.rounds), default=0)
    rounds = [
        Column(f"round_{n}_s", "s", f"length of round {n}, breaks included", "number")
        for n in range(1, most + 1)
    ]
    return [*HEAT, *rounds]


def heat_csv(heat: Heat) -> str:
    """The text of `heat.csv`."""
    return csv_text(columns_of(heat), heat_rows(heat))


def heat_rows(heat: Heat) -> Iterable[dict[str, Any]]:
    """A row an attempt, by column name."""
    for one in heat.attempts:
        spent: dict[str, float] = {part.kind: part.seconds for part in one.time_spent}
        spread = {part.name: part for part in one.spread}
        row: dict[str, Any] = {
            **_who(one),
            "place": one.place,
            "place_in_division": one.place_in_division,
            "result": one.result,
            "state": one.state,
            "reason": one.reason,
            "finished": one.finished,
            "total_s": one.total_s,
            "reps_done": None if one.state == "failed" else one.done,
            "reps_asked": one.asked,
            "last_top_s": one.last_top_s,
            "close": None if one.state == "failed" else one.close,
            "start_source": one.start_source,
            "start_uncertainty_s": one.start_uncertainty_s,
            "workout": one.workout,
            "load_kg": one.load_kg,
            "planned_s": one.planned_s,
            "difference_s": one.difference_s,
            "deviations": "; ".join(one.deviations),
            "checks": None if one.state == "failed" else one.checks,
            "failed_strokes": None if one.state == "failed" else one.failed_strokes,
            "breaks": None if one.state == "failed" else len(one.breaks),
            "slowest_round_s": max((span.duration_s for span in one.rounds), default=None),
            "rounds_variation": _rounds_variation(one),
            "sets": " / ".join(span.sets for span in one.rounds),
            "video": one.video,
        }
        for kind, _ in KINDS:
            row[f"{_key(kind)}_s"] = None if one.state == "failed" else spent.get(kind, 0.0)
        for name in SPREAD_NAMES:
            for part, _ in SPREADS:
                value = getattr(spread[name], part) if name in spread else None
                row[f"{_key(name)}_{_key(part)}"] = value
        for span in one.rounds:
            row[f"round_{span.round}_s"] = span.duration_s
        yield row


def _rounds_variation(one: HeatAttempt) -> float | None:
    from repcount.heat.statistics import variation

    return variation([span.duration_s for span in one.rounds])


def _who(one: HeatAttempt) -> dict[str, Any]:
    return {"athlete": one.athlete, "division": one.division, "lane": one.lane}


def rep_rows(heat: Heat) -> Iterable[dict[str, Any]]:
    """A row a counted rep."""
    for one in heat.attempts:
        for rep in one.reps:
            yield {**_who(one), **rep.model_dump()}


def break_rows(heat: Heat) -> Iterable[dict[str, Any]]:
    """A row a break."""
    for one in heat.attempts:
        for pause in one.breaks:
            row = pause.model_dump()
            row["after_movement"], row["after_number"] = row.pop("movement"), row.pop("number")
            yield {**_who(one), **row}


def write_tables(folder: Path, heat: Heat) -> None:
    """Write `heat.csv` and the three Parquet files."""
    (folder / CSV).write_text(heat_csv(heat), encoding="utf-8", newline="")
    for name, columns, rows in (
        (PARQUET, columns_of(heat), heat_rows(heat)),
        (REPS_PARQUET, REPS, rep_rows(heat)),
        (BREAKS_PARQUET, BREAKS, break_rows(heat)),
    ):
        write_parquet(folder / name, columns, rows)
