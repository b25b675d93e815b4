"""The attempts of the library by athlete, for a class."""

from __future__ import annotations

from collections.abc import Sequence

from repcount.heat.gathering import Gathered, key_of
from repcount.library.rows import AttemptRow, doubles
from repcount.library.store import Library


def gather_library(library: Library, into: list[Gathered] | None = None) -> list[Gathered]:
    """Every athlete's attempts that have been read, in the order filmed, each once.

    With `into`, the athletes of a list: theirs come before what the list names. Without it, who has
    an attempt, by name.
    """
    found = []
    for athlete in library.athletes():
        rows, _ = _in_order(library, athlete.id)
        if rows:
            found.append(Gathered(athlete.name, [library.folder_of(row.id) for row in rows]))
    if into is None:
        return found
    known = {key_of(one.athlete): one for one in found}
    for one in into:
        kept = known.get(key_of(one.athlete))
        if kept is not None:
            one.folders[:0] = kept.folders
    return into


def gather_chosen(library: Library, chosen: Sequence[AttemptRow]) -> list[Gathered]:
    """Who did the attempts that were chosen, by name: each athlete's attempts up to the last one of
    these, in the order filmed, each once. One that is nobody's is judged by itself, under the name
    of its file. Attempts are called by when they were filmed, else by their files."""
    found = []
    for athlete in library.athletes():
        rows, twice = _in_order(library, athlete.id)
        asked = {twice.get(row.id, row).id for row in chosen}
        last = max((place for place, row in enumerate(rows, 1) if row.id in asked), default=0)
        if last:
            found.append((athlete.name, rows[:last]))
    found += [(row.file_name, [row]) for row in chosen if row.athlete_id is None]
    return [
        Gathered(
            name,
            [library.folder_of(row.id) for row in rows],
            called={library.folder_of(row.id): row.filmed or row.file_name for row in rows},
        )
        for name, rows in found
    ]


def _in_order(library: Library, athlete_id: int) -> tuple[list[AttemptRow], dict[str, AttemptRow]]:
    """An athlete's attempts that have been read, in the order filmed, each once; and those left
    out, by id, each with the one that counts for it."""
    rows = library.attempts(state="done", athlete_id=athlete_id)
    twice = doubles(rows)
    once = [row for row in rows if row.id not in twice]
    return sorted(once, key=lambda row: (row.when, row.created_at)), twice
