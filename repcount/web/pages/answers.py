"""What the pages share: how they are filled in, and the policies of those that stand alone."""

from __future__ import annotations

import mimetypes
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import FileResponse, HTMLResponse

from repcount.attempt.records import Attempt
from repcount.heat.page import heat_page, sheet_and_script
from repcount.heat.records import Heat
from repcount.library.layout import POSTER
from repcount.library.rows import AttemptRow
from repcount.library.store import Library, Missing
from repcount.pipeline.results import STILLS, load_results, with_stills
from repcount.reports import stills
from repcount.reports.html import report_page
from repcount.reports.pages import ASSETS, Back, hashed, style_sheet
from repcount.reports.words import corrected_words
from repcount.web.roles import access_of
from repcount.web.templates import page

# How the video with the reading drawn in is handed out. No video of an attempt is called so, since
# their names have one dot.
CLIP_NAME = "repcount.overlay.mp4"
BYTES = "application/octet-stream"
# Browsers judge by the type that is said: QuickTime's and 3GP's files are of MP4's family, and what
# of them a browser can play it plays as that.
TYPES = dict.fromkeys((".mov", ".m4v", ".qt", ".3gp", ".3g2"), "video/mp4")

# What people call the formats that are named as FFmpeg's decoders.
CODECS = {
    "h264": "H.264", "hevc": "HEVC (H.265)", "av1": "AV1", "libdav1d": "AV1", "vp8": "VP8",
    "libvpx": "VP8", "vp9": "VP9", "libvpx-vp9": "VP9", "mpeg4": "MPEG-4 Visual", "h263": "H.263",
    "mjpeg": "Motion JPEG", "mpeg2video": "MPEG-2", "prores": "ProRes", "dvvideo": "DV",
}  # fmt: skip


def shown(request: Request, template: str, status: int = 200, **parts: object) -> HTMLResponse:
    """A page of the site, with what every page needs of who asks."""
    html = page(template, path=request.url.path, **frame(request), **parts)
    return HTMLResponse(html, status)


def frame(request: Request) -> dict[str, object]:
    """What every page needs of who asks."""
    access = access_of(request)
    return {
        "token": access.token, "login": access.inside, "let_in": access.let_in,
        "coach": access.coach, "me": access.name, "people": access.coach and access.asked,
    }  # fmt: skip


def within(request: Request, *ways: tuple[str, str]) -> Back:
    """What stands above a page that stands alone: the menu, and the pages that it was reached
    from. Without the session's token, since nothing on it is sent."""
    parts = frame(request) | {"token": ""}
    return Back(ways, page("places.html", path=request.url.path, **parts))


def names(library: Library) -> dict[int | None, str]:
    """The athletes' names by their ids."""
    return {one.id: one.name for one in library.athletes()}


def thumbnails(library: Library, rows: Iterable[AttemptRow]) -> dict[str, str]:
    """The address of a small picture for each attempt that has one, by the attempt's id: its first
    still, else the poster of its video."""
    found = {}
    for row in rows:
        folder = library.folder_of(row.id)
        if taken := stills.listed(folder / STILLS):
            found[row.id] = f"/attempts/{row.id}/{STILLS}/{stills.name_of(taken[0])}"
        elif (folder / POSTER).is_file():
            found[row.id] = f"/attempts/{row.id}/poster.jpg"
    return found


def address(workout: str) -> str:
    """A workout's page."""
    return f"/workouts/{quote(workout, safe='')}"


def type_of(name: str) -> str:
    """The media type of a file, by its ending."""
    return TYPES.get(Path(name).suffix.lower()) or mimetypes.guess_type(name)[0] or BYTES


def coded_as(attempt: Attempt) -> str:
    """What people call the format of an attempt's video."""
    return CODECS.get(attempt.video.codec, attempt.video.codec)


def still_of(folder: Path, name: str) -> FileResponse:
    """A still of an attempt by its name. Missing if there is none."""
    if not re.fullmatch(r"\d{8}\.jpg", name) or not (folder / STILLS / name).is_file():
        raise Missing("there is no such still.")
    return FileResponse(folder / STILLS / name, media_type="image/jpeg")


def handed_out(clip: Path | None) -> FileResponse:
    """A video with the reading drawn in, to be kept. Missing if there is none."""
    if clip is None:
        raise Missing("there is no such clip; ask for it on the attempt's page.")
    return FileResponse(clip, media_type="video/mp4", filename=CLIP_NAME)


# The site's own script, for the sheets that have buttons.
SCRIPT = "/static/web.js"


def sheet(html: str, *, scripted: bool = False) -> HTMLResponse:
    """A page to print; `scripted` if it has the site's own script."""
    return _alone(html, style_sheet("sheet.css"), more="script-src 'self'; " if scripted else "")


def heat_sheet(
    heat: Heat,
    back: Back,
    links: Mapping[str, str] | None = None,
    moving: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """A heat's page; see `heat_page`."""
    return _alone(heat_page(heat, back, links, moving), *sheet_and_script())


def report(folder: Path, back: Back, whose: str = "", *, shared: bool = False) -> HTMLResponse:
    """The report of an attempt, made when it is asked for: the policy knows this version's script
    only. `whose` it is stands above it; for whoever has a link (`shared`) nobody is named."""
    found = with_stills(folder, load_results(folder))
    html = report_page(
        found.attempt,
        found.comparison,
        found.stills,
        back,
        found.plan,
        whose=whose,
        corrected=corrected_words(found.edits, by_name=not shared),
    )
    more = "img-src data:; media-src 'self' blob:; "
    script = (ASSETS / "report.js").read_text(encoding="utf-8")
    return _alone(html, style_sheet("report.css"), script, more)


def _alone(html: str, css: str, script: str | None = None, more: str = "") -> HTMLResponse:
    """A page that holds its style sheet and script: its policy allows these two and `more`."""
    by_script = f"script-src {hashed(script)}; " if script is not None else ""
    policy = (
        f"default-src 'none'; {by_script}style-src {hashed(css)}; {more}base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )
    return HTMLResponse(html, headers={"Content-Security-Policy": policy})
