"""What the pages share: how they are filled in, and the policies of those that stand alone."""

from __future__ import annotations

import mimetypes
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import HTMLResponse

from repcount.heat.page import heat_page, sheet_and_script
from repcount.heat.records import Heat
from repcount.library.store import Library
from repcount.pipeline.results import load_results, with_stills
from repcount.reports.html import report_page
from repcount.reports.pages import ASSETS, Back, hashed
from repcount.web.templates import page

HOME = ("/", "Attempts")
BYTES = "application/octet-stream"
# Browsers judge by the type that is said: QuickTime's and 3GP's files are of MP4's family, and what
# of them a browser can play it plays as that.
TYPES = dict.fromkeys((".mov", ".m4v", ".qt", ".3gp", ".3g2"), "video/mp4")


def shown(request: Request, template: str, status: int = 200, **parts: object) -> HTMLResponse:
    """A page of the site, with what every page needs of who asks."""
    access = request.scope["state"]["access"]
    html = page(
        template,
        token=access.token,
        login=access.inside,
        path=request.url.path,
        **parts,
    )
    return HTMLResponse(html, status)


def names(library: Library) -> dict[int | None, str]:
    """The athletes' names by their ids."""
    return {one.id: one.name for one in library.athletes()}


def address(workout: str) -> str:
    """A workout's page."""
    return f"/workouts/{quote(workout, safe='')}"


def type_of(name: str) -> str:
    """The media type of a file, by its ending."""
    return TYPES.get(Path(name).suffix.lower()) or mimetypes.guess_type(name)[0] or BYTES


def sheet(html: str) -> HTMLResponse:
    """A page to print."""
    return _alone(html, _asset("sheet.css"))


def heat_sheet(
    heat: Heat,
    back: Back,
    links: Mapping[str, str] | None = None,
    moving: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """A heat's page; see `heat_page`."""
    return _alone(heat_page(heat, back, links, moving), *sheet_and_script())


def report(folder: Path, back: Back = ()) -> HTMLResponse:
    """The report of an attempt, made when it is asked for: the policy knows this version's script
    only."""
    found = with_stills(folder, load_results(folder))
    html = report_page(found.attempt, found.comparison, found.stills, back, found.plan)
    more = "img-src data:; media-src 'self' blob:; "
    return _alone(html, _asset("report.css"), _asset("report.js"), more)


def _alone(html: str, css: str, script: str | None = None, more: str = "") -> HTMLResponse:
    """A page that holds its style sheet and script: its policy allows these two and `more`."""
    by_script = f"script-src {hashed(script)}; " if script is not None else ""
    policy = (
        f"default-src 'none'; {by_script}style-src {hashed(css)}; {more}base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )
    return HTMLResponse(html, headers={"Content-Security-Policy": policy})


def _asset(name: str) -> str:
    return (ASSETS / name).read_text(encoding="utf-8")
