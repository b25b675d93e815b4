"""Pages of a class: what to change next, for each athlete of attempts that a coach has chosen. What
`repcount class` says, by the same functions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response

from repcount.analysis.class_members import Judged
from repcount.errors import RecordError
from repcount.library.gathering import gather_chosen
from repcount.library.store import Library
from repcount.reports.after import next_card
from repcount.reports.card import card_page
from repcount.reports.class_sheet import class_page, class_sheet, season_page
from repcount.reports.pages import Back
from repcount.web.depends import LibraryDep
from repcount.web.pages.answers import SCRIPT, sheet, within

MOST_IN_CLASS = 100
NAME = "Class"

Chosen = Annotated[list[str] | None, Query(alias="with", max_length=MOST_IN_CLASS)]

routes = APIRouter()


def class_address(ids: Sequence[str], page: str = "/class") -> str:
    """The address of a class's page."""
    return f"{page}?{urlencode([('with', one) for one in ids])}"


@routes.get("/class")
def class_(request: Request, library: LibraryDep, with_: Chosen = None) -> Response:
    """The sheet of a class, with a message for each athlete."""
    judged, links = _class(library, with_)
    back = [("/", "Attempts")]
    if any(one.decision for one in judged):
        back.append((class_address(with_ or [], "/class/cards"), "Clock cards to print"))
    back.append((class_address(with_ or [], "/class/season"), "The season"))
    html = class_page(class_sheet(judged, NAME), within(request, *back), links, SCRIPT)
    return sheet(html, scripted=True)


@routes.get("/class/cards")
def cards(request: Request, library: LibraryDep, with_: Chosen = None) -> Response:
    """The clock cards of all new plans."""
    decided = [one.decision for one in _class(library, with_)[0] if one.decision is not None]
    if not decided:
        raise RecordError("no plan follows from these attempts; the sheet of the class says why.")
    page = card_page([next_card(one) for one in decided], _back(request, with_), SCRIPT)
    return sheet(page, scripted=True)


@routes.get("/class/season")
def season(request: Request, library: LibraryDep, with_: Chosen = None) -> Response:
    """Everybody's attempts by date."""
    judged, _ = _class(library, with_)
    return sheet(season_page(class_sheet(judged, NAME), _back(request, with_)))


def _class(library: Library, ids: Sequence[str] | None) -> tuple[list[Judged], list[str]]:
    """What is decided for each athlete, and the address of the attempt that was judged. Raises
    RecordError where no attempt that has been read is chosen."""
    rows = [row for row in library.attempts(state="done") if row.id in (ids or [])]
    if not rows:
        raise RecordError("choose one or more attempts that have been read.")
    everybody = gather_chosen(library, rows)
    inside = f"{library.folder}/"  # where the library lies is not told to whoever asks
    judged = [
        replace(found, reason=found.reason.replace(inside, ""))
        for found in (one.judged() for one in everybody)
    ]
    return judged, [f"/attempts/{one.folders[-1].name}" for one in everybody]


def _back(request: Request, ids: Sequence[str] | None) -> Back:
    return within(request, (class_address(ids or []), "Class"))
