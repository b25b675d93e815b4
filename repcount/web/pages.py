"""The pages: attempts and upload, review, athletes, workouts, heats, plans, login, shared links."""

from __future__ import annotations

import mimetypes
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse
from sqlalchemy import select
from starlette.concurrency import run_in_threadpool

from repcount.analysis.forecast import read_attempts
from repcount.analysis.history import side_by_side
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import load_record
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import PAGE, RECORD, Outcome, collect
from repcount.heat.manifest import Listed
from repcount.heat.page import heat_page, sheet_and_script
from repcount.heat.records import Heat
from repcount.heat.rows import Entry
from repcount.library.copies import Copies
from repcount.library.layout import ATTEMPTS
from repcount.library.rows import AttemptRow, PlanRow, Share, now
from repcount.library.store import Library, Missing
from repcount.pipeline.results import DERIVED, EDITS, FILES, REPORT, load_results, with_stills
from repcount.plan import parse_plan
from repcount.plan.clock_card import clock_card
from repcount.plan.propose import Proposal
from repcount.reports.after import history_page
from repcount.reports.card import card_page
from repcount.reports.html import report_page
from repcount.reports.pages import ASSETS, Back, hashed
from repcount.web.actions import RowId, address, shared, standing
from repcount.web.plan_form import (
    FEW_MOVEMENTS,
    LABELS,
    MOST_MOVEMENTS,
    PlanForm,
    form_of,
    has_own_rounds,
    kept,
)
from repcount.web.queue import Queue
from repcount.web.rebuild import Rebuilder
from repcount.web.review import AttemptId, panel
from repcount.web.security import Attempts, Sessions, TooMany, given_passphrase, is_passphrase
from repcount.web.settings import Settings
from repcount.web.templates import day_in, page

MOST_SIDE_BY_SIDE, MOST_IN_HEAT = 12, 100
HOME = ("/", "Attempts")
# What people call the formats that are named as FFmpeg's decoders.
CODECS = {
    "h264": "H.264", "hevc": "HEVC (H.265)", "av1": "AV1", "libdav1d": "AV1", "vp8": "VP8",
    "libvpx": "VP8", "vp9": "VP9", "libvpx-vp9": "VP9", "mpeg4": "MPEG-4 Visual", "h263": "H.263",
    "mjpeg": "Motion JPEG", "mpeg2video": "MPEG-2", "prores": "ProRes", "dvvideo": "DV",
}  # fmt: skip
BYTES = "application/octet-stream"
# Browsers judge by the type that is said: QuickTime's and 3GP's files are of MP4's family, and what
# of them a browser can play it plays as that.
TYPES = dict.fromkeys((".mov", ".m4v", ".qt", ".3gp", ".3g2"), "video/mp4")


def router(
    library: Library,
    queue: Queue,
    rebuilder: Rebuilder,
    settings: Settings,
    sessions: Sessions,
    copies: Copies,
) -> APIRouter:
    """All pages."""
    routes = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    tries = Attempts()

    def shown(request: Request, template: str, status: int = 200, **parts: object) -> HTMLResponse:
        access = request.scope["state"]["access"]
        html = page(
            template,
            token=access.token,
            login=access.inside,
            path=request.url.path,
            **parts,
        )
        return HTMLResponse(html, status)

    def names() -> dict[int | None, str]:
        return {one.id: one.name for one in library.athletes()}

    @routes.get("/")
    def home(request: Request) -> HTMLResponse:
        return shown(
            request,
            "home.html",
            rows=library.attempts(),
            names=names(),
            athletes=library.athletes(),
            plans=library.plans(),
            largest_gb=settings.largest_bytes / 1e9,
            longest_min=settings.longest_s / 60,
        )

    @routes.get("/attempts/{attempt_id}")
    def attempt(request: Request, attempt_id: AttemptId) -> HTMLResponse:
        row = library.attempt(attempt_id)
        with library.session() as session:
            shares = session.scalars(
                select(Share).where(Share.attempt_id == attempt_id, Share.expires_at > now())
            ).all()
        athlete = names().get(row.athlete_id, "")
        if row.state != "done":
            return shown(
                request, "waiting.html", row=row, athlete=athlete, standing=standing(row, queue)
            )
        results = load_results(library.folder_of(attempt_id))
        return shown(
            request,
            "review.html",
            row=row,
            athlete=athlete,
            panel=panel(results),
            why_nothing=[] if results.attempt.reps else results.attempt.warnings,
            coded_as=CODECS.get(results.attempt.video.codec, results.attempt.video.codec),
            movements=MOVEMENT_NAMES,
            rounds=len(results.attempt.workout.rounds) if results.attempt.workout else 0,
            shares=shares,
            workout_at=address(row.workout),
            files=[name for name in FILES if (library.folder_of(attempt_id) / name).exists()],
        )

    @routes.get("/attempts/{attempt_id}/files/{name}")
    def file_of(attempt_id: AttemptId, name: str) -> Response:
        row = library.attempt(attempt_id)
        file = library.folder_of(attempt_id) / name
        if name not in (row.file_name, *FILES, EDITS) or not file.is_file():
            raise Missing("there is no such file.")
        if name == REPORT:
            return report(attempt_id, ((f"/attempts/{attempt_id}", "Review"), HOME))
        if name in DERIVED:
            rebuilder.now(attempt_id)
        return FileResponse(file, media_type=_type_of(name))

    def report(attempt_id: str, back: Back = ()) -> HTMLResponse:
        """Made when it is asked for: the policy knows this version's script only."""
        folder = library.folder_of(attempt_id)
        found = with_stills(folder, load_results(folder))
        html = report_page(found.attempt, found.comparison, found.stills, back)
        more = "img-src data:; media-src 'self' blob:; "
        return _alone(html, _asset("report.css"), _asset("report.js"), more)

    @routes.get("/s/{token}/")
    def shared_page(token: str) -> Response:
        row = shared(library, token)
        if row.state != "done":
            raise Missing("this attempt is not read yet; come back later.")
        return report(row.id)

    @routes.get("/s/{token}/{name}")
    def shared_file(token: str, name: str) -> Response:
        row = shared(library, token)
        if name != row.file_name:
            raise Missing("there is no such file.")
        return FileResponse(copies.of(row), media_type=mimetypes.guess_type(name)[0] or BYTES)

    @routes.get("/athletes")
    def athletes(request: Request) -> HTMLResponse:
        rows = library.attempts()
        counts = {
            one.id: sum(row.athlete_id == one.id for row in rows) for one in library.athletes()
        }
        return shown(request, "athletes.html", athletes=library.athletes(), counts=counts)

    @routes.get("/athletes/{athlete_id}")
    def athlete(request: Request, athlete_id: RowId) -> HTMLResponse:
        name = names().get(athlete_id)
        if name is None:
            raise Missing("there is no such athlete.")
        rows = library.attempts(athlete_id=athlete_id)
        return shown(
            request, "athlete.html", name=name, athlete_id=athlete_id, rows=rows,
            names=names(), addresses={row.workout: address(row.workout) for row in rows},
        )  # fmt: skip

    @routes.get("/workouts")
    def workouts(request: Request) -> HTMLResponse:
        done = [row for row in library.attempts(state="done") if row.workout]
        found = sorted({row.workout for row in done})
        return shown(
            request,
            "workouts.html",
            workouts=[
                (name, address(name), rows, _best(rows))
                for name in found
                for rows in [[row for row in done if row.workout == name]]
            ],
        )

    @routes.get("/workouts/{workout:path}")
    def workout(
        request: Request,
        workout: str,
        with_: Annotated[list[str] | None, Query(alias="with")] = None,
        as_: Annotated[str, Query(alias="as")] = "",
        zone: Annotated[str, Query(max_length=80)] = "UTC",
    ) -> Response:
        rows = library.attempts(state="done", workout=workout)
        if not rows:
            raise Missing("there is no attempt at this workout.")
        asked = [row for row in reversed(rows) if row.id in (with_ or [])]
        back = ((address(workout), workout), HOME)
        if len(asked) >= 2 and as_ == "heat":
            found = collect(outcomes(asked[:MOST_IN_HEAT], zone), workout, library.folder)
            links = {f"{ATTEMPTS}/{row.id}": f"/attempts/{row.id}" for row in asked}
            return _heat(found, back, links)
        if len(asked) >= 2:
            asked = asked[:MOST_SIDE_BY_SIDE]
            filmed = read_attempts([library.folder_of(row.id) for row in asked])
            who = names()
            filmed = [
                replace(one, name=f"{who.get(row.athlete_id, '')} {row.file_name}".strip())
                for one, row in zip(filmed, asked, strict=True)
            ]
            own = [f"/attempts/{row.id}" for row in asked]
            return _sheet(history_page(side_by_side(filmed), back, own))
        return shown(request, "workout.html", workout=workout, rows=rows, names=names())

    def outcomes(rows: Sequence[AttemptRow], zone: str) -> list[Outcome]:
        """Attempts of the library as a heat takes them, by name; the day where one has several."""
        who = names()
        often = Counter(row.athlete_id for row in rows)
        made = []
        for row in rows:
            name = who.get(row.athlete_id, row.file_name)
            if often[row.athlete_id] > 1:
                name = f"{name}, {day_in(row.created_at, zone)}"
            folder = library.folder_of(row.id)
            made.append(Outcome(Listed(Entry(name), folder, None, row.id), folder))
        return made

    @routes.get("/heats")
    def heats(request: Request) -> HTMLResponse:
        return shown(request, "heats.html", heats=library.heats(), files=HEAT_FILES)

    @routes.get("/heats/{heat_id}")
    def heat(heat_id: AttemptId) -> Response:
        return _heat(load_record(Heat, heat_file(heat_id, RECORD)), (("/heats", "Heats"), HOME))

    @routes.get("/heats/{heat_id}/files/{name}")
    def file_of_heat(heat_id: AttemptId, name: str) -> Response:
        file = heat_file(heat_id, name)
        if name == PAGE:
            return heat(heat_id)
        return FileResponse(file, media_type=_type_of(name))

    def heat_file(heat_id: str, name: str) -> Path:
        file = library.heat_folder(heat_id) / name
        if name not in HEAT_FILES or not file.is_file():
            raise Missing("there is no such heat; it may have been deleted.")
        return file

    def plan_row(plan_id: int) -> PlanRow:
        with library.session() as session:
            found = session.get(PlanRow, plan_id)
        if found is None:
            raise Missing("there is no such plan; it may have been deleted.")
        return found

    @routes.get("/plans")
    def plans(request: Request) -> HTMLResponse:
        return shown(request, "plans.html", plans=library.plans())

    @routes.get("/plans/new")
    def new_plan(request: Request, text: bool = False) -> HTMLResponse:
        return plan_page(request, None, text=text)

    @routes.get("/plans/{plan_id}")
    def plan(request: Request, plan_id: RowId, text: bool = False) -> HTMLResponse:
        return plan_page(request, plan_row(plan_id), text=text)

    def plan_page(request: Request, row: PlanRow | None, *, text: bool) -> HTMLResponse:
        """A plan to be written: a new one, or one that is changed, in fields or as text."""
        made = parse_plan(row.toml) if row else None
        used = len(made.rounds[0].movements) + 1 if made else 0
        return shown(
            request, "plan.html", row=row, text=text, movements=MOVEMENT_NAMES, labels=LABELS,
            form=form_of(made) if made else PlanForm(),
            kept=kept(made, row.toml) if made and row else [],
            own_rounds=made is not None and has_own_rounds(made),
            rows=min(MOST_MOVEMENTS, max(FEW_MOVEMENTS, used)), athletes=library.athletes(),
            card=made is not None and made.planned_total_s is not None,
        )  # fmt: skip

    @routes.get("/plans/{plan_id}/card")
    def card(plan_id: RowId) -> Response:
        row = plan_row(plan_id)
        made = parse_plan(row.toml)
        one = Proposal(
            plan=made, card=clock_card(made), chosen="as written in the plan", patterns=[]
        )
        return _sheet(card_page([one], ((f"/plans/{row.id}", row.name), ("/plans", "Plans"))))

    @routes.get("/login")
    def login_page(request: Request) -> Response:
        if request.scope["state"]["access"].let_in:
            return RedirectResponse("/", 303)
        return shown(request, "login.html", said="")

    @routes.post("/login")
    async def login(request: Request) -> Response:
        where = request.client.host if request.client else ""
        given = await given_passphrase(request)
        if given is None:
            return shown(request, "login.html", 413, said="That is too much for a passphrase.")
        try:
            async with tries.turn(where):
                right = await run_in_threadpool(is_passphrase, library, given)
        except TooMany as error:
            minutes = (error.wait_s + 59) // 60
            answer = shown(
                request, "login.html", 429,
                said=f"Too many tries; wait {minutes} minute{'' if minutes == 1 else 's'}.",
            )  # fmt: skip
            answer.headers["Retry-After"] = str(error.wait_s)
            return answer
        if not right:
            return shown(request, "login.html", 403, said="That is not the passphrase.")
        tries.forget(where)
        inside = RedirectResponse("/", 303)
        sessions.put(inside, await run_in_threadpool(sessions.begin))
        return inside

    @routes.post("/logout")
    def logout(request: Request) -> Response:
        sessions.end(request.cookies.get(sessions.name))
        answer = Response(status_code=204, headers={"HX-Redirect": "/login"})
        answer.delete_cookie(
            sessions.name, path="/", secure=sessions.secure, httponly=True, samesite="strict"
        )
        return answer

    return routes


def _type_of(name: str) -> str:
    """The media type of a file, by its ending."""
    return TYPES.get(Path(name).suffix.lower()) or mimetypes.guess_type(name)[0] or BYTES


def _best(rows: Sequence[AttemptRow]) -> float | None:
    """The shortest total in seconds of those that did all that was asked."""
    return min((row.total_s for row in rows if row.complete and row.total_s), default=None)


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


def _sheet(html: str) -> HTMLResponse:
    return _alone(html, _asset("sheet.css"))


def _heat(heat: Heat, back: Back, links: Mapping[str, str] | None = None) -> HTMLResponse:
    return _alone(heat_page(heat, back, links), *sheet_and_script())
