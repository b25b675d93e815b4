"""The pages, one module a subject."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from repcount.web.pages import (
    athletes,
    attempts,
    beside,
    classes,
    following,
    heats,
    links,
    login,
    people,
    plans,
    workouts,
)

routes = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
for subject in (
    following,
    attempts,
    beside,
    classes,
    links,
    athletes,
    workouts,
    heats,
    plans,
    login,
    people,
):
    routes.include_router(subject.routes)
