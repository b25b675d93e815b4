"""The attempts of the library by athlete, for a class."""

from __future__ import annotations

from repcount.heat.gathering import Gathered, key_of
from repcount.library.rows import doubles
from repcount.library.store import Library


def gather_library(library: Library, into: list[Gathered] | None = None) -> list[Gathered]:
    """Every athlete's attempts that have been read, in the order filmed, each once.

    With `into`, the athletes of a list: theirs come before what the list names. Without it, who has
    an attempt, by name.
    """
    rows = [row for row in library.attempts(state="done") if row.athlete_id is not None]
    twice = doubles(rows)
    found = []
    for athlete in library.athletes():
        mine = [row for row in rows if row.athlete_id == athlete.id and row.id not in twice]
        mine.sort(key=lambda row: (row.when, row.created_at))
        if mine:
            folders = [library.folder_of(row.id) for row in mine]
            found.append(Gathered(athlete.name, folders))
    if into is None:
        return found
    known = {key_of(one.athlete): one for one in found}
    for one in into:
        kept = known.get(key_of(one.athlete))
        if kept is not None:
            one.folders[:0] = kept.folders
    return into
