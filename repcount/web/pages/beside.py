"""Two attempts moving side by side, with the gap between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from repcount.analysis.beside import Aligned, aligned
from repcount.analysis.forecast import read_attempts
from repcount.library.layout import POSTER
from repcount.library.playable import Playables
from repcount.library.rows import AttemptRow
from repcount.library.store import Library
from repcount.reports import words
from repcount.reports.gap_chart import gap_chart
from repcount.web.depends import LibraryDep, PlayablesDep
from repcount.web.pages.answers import address, names, shown
from repcount.web.roles import AccessDep, own_attempt
from repcount.web.templates import day
from repcount.wording.moments import recorded_words
from repcount.wording.numbers import clock, signed

Id = Annotated[str, Query(pattern="^[0-9a-f]{16}$")]

routes = APIRouter()


@routes.get("/beside")
def beside(
    request: Request,
    first: Id,
    second: Id,
    library: LibraryDep,
    playables: PlayablesDep,
    access: AccessDep,
) -> HTMLResponse:
    """Two attempts at one workout, aligned at the start or at a round; an athlete's both own."""
    rows = [own_attempt(library, access, one) for one in (first, second)]
    mine = access.athlete_id
    who = names(library)
    found = [
        replace(one, name=name)
        for one, name in zip(
            read_attempts([library.folder_of(row.id) for row in rows]),
            _called(rows, who),
            strict=True,
        )
    ]
    ways = aligned(*found)
    every = library.attempts(state="done", workout=rows[0].workout, athlete_id=mine)
    others = [row for row in every if row.counted]
    return shown(
        request,
        "beside.html",
        workout=rows[0].workout,
        workout_at=address(rows[0].workout),
        films=[_film(row, library, playables) for row in rows],
        called=[one.name for one in found],
        rows=rows,
        others=others,
        names=who,
        ways=[(one.name, gap_chart(one), one) for one in ways],
        data=[_data(one) for one in ways],
        slowed=[one.attempt.video.slowed for one in found],
        clock=clock,
        signed=signed,
    )


def _called(rows: Sequence[AttemptRow], who: Mapping[int | None, str]) -> list[str]:
    """What two attempts are called: by their athletes, where those are one by the day too, and
    where that is one by the moment."""
    called = [who.get(row.athlete_id, "") or row.file_name for row in rows]
    for more in (
        [recorded_words(row.when[:10]) for row in rows],
        [row.filmed or day(row.created_at) for row in rows],
    ):
        if called[0] != called[1]:
            break
        if more[0] != more[1]:
            called = [f"{name}, {said}" for name, said in zip(called, more, strict=True)]
    return called


def _film(row: AttemptRow, library: Library, playables: Playables) -> dict[str, str]:
    """Where an attempt's video is played from, and its picture."""
    own = playables.of(row) is None
    poster = (library.folder_of(row.id) / POSTER).is_file()
    return {
        "src": f"/attempts/{row.id}/" + (f"files/{row.file_name}" if own else "film.mp4"),
        "poster": f"/attempts/{row.id}/poster.jpg" if poster else "",
    }


def _data(one: Aligned) -> dict[str, object]:
    """What the page's script needs of an alignment."""
    return {
        "begin": one.begin_s,
        "reps": [
            {
                "words": f"{words.plain(rep.movement)} {rep.number}, round {rep.round}",
                "since": rep.since_s,
                "gap": rep.gap_s,
            }
            for rep in one.reps
        ],
    }
