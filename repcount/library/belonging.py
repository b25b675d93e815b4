"""Whose an attempt is and which plan it was for, said after the video has come."""

from __future__ import annotations

from sqlalchemy import update

from repcount.library.layout import PLAN_SOURCE
from repcount.library.rows import AthleteRow, AttemptRow
from repcount.library.store import Conflict, Library, Missing
from repcount.pipeline.results import ATTEMPT
from repcount.plan import parse_plan


def set_athlete(library: Library, attempt_id: str, athlete_id: int | None) -> None:
    """Say whose an attempt is; None: nobody's. Raises Missing where there is no such one."""
    with library.session() as session:
        if athlete_id is not None and session.get(AthleteRow, athlete_id) is None:
            raise Missing("there is no such athlete; it may have been deleted.")
        row = session.get(AttemptRow, attempt_id)
        if row is None:
            raise Missing("there is no such attempt; it may have been deleted.")
        row.athlete_id = athlete_id


def set_plan(library: Library, attempt_id: str, toml: str | None) -> None:
    """Give an attempt another plan (None: take it away). It waits to be read anew with it, from the
    tracks that are there; corrections stay.

    Raises PlanError where the text is no plan, Conflict while the attempt is being read.
    """
    workout = parse_plan(toml).workout.name if toml is not None else ""
    folder = library.folder_of(attempt_id)
    with library.session() as session:
        changed = session.execute(
            update(AttemptRow)
            .where(AttemptRow.id == attempt_id, AttemptRow.state != "running")
            .values(plan_toml=toml, workout=workout, state="waiting", message="", tries=0)
        )
        if changed.rowcount != 1:  # type: ignore[attr-defined]  # of every UPDATE's result
            library.attempt(attempt_id)
            raise Conflict("this attempt is being read; wait until that has ended, or stop it.")
        source = folder / PLAN_SOURCE
        if toml is None:
            source.unlink(missing_ok=True)
        else:
            source.write_text(toml, encoding="utf-8")
        # what a kill interrupts is then read anew, not taken for done
        (folder / ATTEMPT).unlink(missing_ok=True)
