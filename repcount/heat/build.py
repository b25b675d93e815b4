"""From the rows of all attempts to the heat: places, what they have in common, what to know."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import repcount
from repcount.attempt.records import Provenance, Workout
from repcount.heat.ranking import close_calls, places, result_of
from repcount.heat.records import Heat, HeatAttempt
from repcount.heat.statistics import associations, break_places
from repcount.wording import plural

Row = tuple[HeatAttempt, Workout | None]


def make_heat(rows: Sequence[Row], name: str, options: dict[str, Any] | None = None) -> Heat:
    """Rank attempts together. Each row comes with the workout its attempt was read as.

    Places within a division go to those who did its most common workout (rounds, movements and
    reps; loads may differ); places among all are given only where that workout is the same in all
    divisions. Whoever did another one is listed without a place, and why is said.
    """
    divisions = sorted({row.division for row, _ in rows}, key=str.casefold)
    common = {
        division: _most_common([w for row, w in rows if row.division == division and w])
        for division in divisions
    }
    attempts = []
    for row, workout in rows:
        ours = common[row.division]
        one = row.model_copy()
        if workout is not None and ours is not None and workout.rounds != ours.rounds:
            said = f'another workout ("{workout.name}") than most of its division: no place'
            one.state, one.reason = "doubtful", "; ".join(filter(None, [row.reason, said]))
            one.finished = None
        attempts.append(one)
    for division in divisions:
        inside = [one for one in attempts if one.division == division]
        for one, place in zip(inside, places(list(map(result_of, inside))), strict=True):
            one.place_in_division = place
    kinds = [workout for workout in common.values() if workout is not None]
    same = bool(kinds) and all(one.rounds == kinds[0].rounds for one in kinds)
    if same:
        for one, place in zip(attempts, places(list(map(result_of, attempts))), strict=True):
            one.place = place
    for one, close in zip(attempts, close_calls(attempts), strict=True):
        one.close = close
    plan = kinds[0].sequence() if same else []
    inside_one = [one for one in attempts if one.finished is not None] if same else []
    return Heat(
        provenance=Provenance(
            version=repcount.__version__,
            made_at=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
            options=options or {},
        ),
        name=name,
        attempts=sorted(attempts, key=_order),
        divisions=divisions,
        workout=[[f"{part.reps} {part.movement}" for part in parts] for parts in kinds[0].rounds]
        if same
        else [],
        round_ends=[
            place
            for place, (now, after) in enumerate(
                zip(plan, [*plan[1:], (0, "", 0)], strict=True), start=1
            )
            if now[0] != after[0]
        ]
        if plan
        else [],
        break_places=break_places(inside_one, plan),
        associations=associations(_groups(attempts, divisions, same)),
        notes=_notes(attempts, same, kinds),
    )


def _most_common(workouts: Sequence[Workout]) -> Workout | None:
    """The workout that most did; of equally many, the one that stands first."""
    if not workouts:
        return None
    counted = Counter(one.model_dump_json(include={"rounds"}) for one in workouts)
    return max(workouts, key=lambda one: counted[one.model_dump_json(include={"rounds"})])


def _order(one: HeatAttempt) -> tuple[bool, int, str, int, str]:
    """By place among all where there is one, else by division and the place in it."""
    place = one.place if one.place is not None else one.place_in_division
    unplaced = place is None
    by_division = "" if one.place is not None else one.division.casefold()
    return (unplaced, 0, by_division, place or 0, one.athlete.casefold())


def _groups(
    attempts: Sequence[HeatAttempt], divisions: Sequence[str], same: bool
) -> list[tuple[str, list[HeatAttempt]]]:
    """The attempts that may be set beside each other: of one division, and all if one load."""
    loads = {one.load_kg for one in attempts if one.finished}
    if same and (len(loads) == 1 or len(divisions) == 1):
        return [("all who finished", list(attempts))]
    return [
        (division or "no division", [one for one in attempts if one.division == division])
        for division in divisions
    ]


def _notes(attempts: Sequence[HeatAttempt], same: bool, kinds: Sequence[Workout]) -> list[str]:
    said = []
    if kinds and not same:
        said.append(
            "The divisions did different workouts, so there are places within them only, and no "
            "common chart of where breaks fell."
        )
    loads = {one.load_kg for one in attempts if one.load_kg}
    if len(loads) > 1:
        listed = ", ".join(f"{load:g} kg" for load in sorted(loads))
        said.append(f"Loads differ ({listed}); places do not take them into account.")
    own = sum(one.start_source == "first lift-off" for one in attempts if one.state != "failed")
    if own:
        said.append(
            f"{plural(own, 'attempt')} without a start signal: "
            + ("its" if own == 1 else "their")
            + " clock starts at the first lift-off and is not the heat's; give a start offset."
        )
    close = sum(one.close for one in attempts)
    if close:
        said.append(
            f"{plural(close, 'finishing time')} marked ≈ lie nearer to a neighbour's than two "
            "standard deviations of what can be measured: do not take their order for sure."
        )
    return said
