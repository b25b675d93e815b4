"""Pictures of every page, to be looked at: `python -m tests.web.pictures FOLDER`.

Fills a library with invented attempts, serves it, and opens every page in Chromium on a phone, a
tablet and a desk (390, 820 and 1440 pixels wide), light and dark. FOLDER gets a picture of each
(`PAGE-WIDTH-SCHEME.png`) and a sheet for each page with all of them (`PAGE.png`).

`--results DIR`: results of `repcount analyze sample_clips/slate.mp4 --plan sample_clips/slate.toml
--out DIR`; the attempt that is shown most has then stills, tracks and everything else that only an
analysis gives. `--only NAME` takes the pages whose name begins so (more than once).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import httpx
from PIL import Image

from repcount.attempt.records import Notice, Reading
from repcount.heat.collect import write_heat
from repcount.library import people
from repcount.library.layout import POSTER
from repcount.library.store import Library
from repcount.pipeline.results import RECOGNISED
from repcount.video.playable import write_poster
from repcount.web import security
from tests.conftest import REPOSITORY
from tests.heats import NAMES, heat_of
from tests.scripted_reading import Script, slate
from tests.web.browser import Browser
from tests.web.serving import PATIENCE_S, Server, with_token
from tests.web.stub_analysis import PLAN, stub_reading, write_stub
from tests.web.test_serve_pages import until, visit

WIDTHS, SCHEMES, HEIGHT = (390, 820, 1440), ("light", "dark"), 900
PASSPHRASE = "three stones and a bar"
CLIPS = REPOSITORY / "sample_clips"
MOST_HIGH, THUMB = 4000, 0.5  # of a picture on a sheet: pixels of the page, scale


# What is drawn, or worked out, only where it is looked at.
ALL_DRAWN = """(async () => {
  for (const one of document.querySelectorAll(".reps, .round-sets")) {
    one.style.contentVisibility = "visible";
  }
  const stood = scrollY;
  for (let y = 0; y < document.body.scrollHeight; y += 500) {
    scrollTo(0, y);
    await new Promise(requestAnimationFrame);
  }
  scrollTo(0, stood);
})()"""


@dataclass
class Place:
    """A served library, and where its pages are."""

    server: Server
    ids: dict[str, str]
    link: str
    invitation: str


def readings() -> dict[str, Reading]:
    """What was read of attempts, by their names."""
    sets = {
        "even": ("7|1+5|1+4", "7|1+5|1+4", "7|1+5|1+4"),
        "broken": ("5|3+3|3+4", "4|4+3|3+2|2", "4|2|2+3|3+1|3"),
        "brave": ("8+6+4", "8+6|4", "5|3+3|3+4"),
    }
    found = {}
    for name, rounds in sets.items():
        script = Script(slate(3)).wait(1.0)
        for number, one in enumerate(rounds):
            if number:
                script.next_round()
            script.sets(one, stop=4.0 + 1.5 * number)
        found[name] = script.reading()
    found["short"] = Script(slate(3)).wait(1.0).sets("7|1+5").reading()
    found["nobody"] = Script(slate(3)).wait(1.0).reading()
    text = "No athlete could be followed; film one person, whole, from 3 to 5 m away."
    found["nobody"].warnings = [Notice(code="nobody-lifting", text=text)]
    found["stub"] = stub_reading()
    return found


def filled(home: Path, results: Path | None) -> tuple[Library, dict[str, str]]:
    """A library of invented attempts; their ids by name."""
    library, ids = Library(home / "data"), {}
    plan = library.put_plan(f'athlete = "{NAMES[0]}"\n{PLAN}')
    library.put_plan((CLIPS / "basalt.toml").read_text(encoding="utf-8"))
    for number, (name, reading) in enumerate(readings().items()):
        reading.video.sha256 = f"{number:064x}"
        reading.video.recorded_at = f"2026-11-{10 + number:02d}T18:00:00Z" if number % 3 else None
        write_stub(home / name, reading)
        ids[name] = library.add_attempt(
            CLIPS / "slate.mp4", f"{name}.mp4", plan_toml=PLAN, results=home / name,
            athlete_id=library.athlete_named(NAMES[number % 4]),
        )  # fmt: skip
        if number % 2:
            write_poster(CLIPS / "slate.mp4", library.folder_of(ids[name]) / POSTER)
    recognised = PLAN.replace('"Slate"', '"3 rounds as done"')
    (library.folder_of(ids["stub"]) / RECOGNISED).write_text(recognised, encoding="utf-8")
    ids["best"] = ids["broken"]
    if results is not None:
        ids["best"] = library.add_attempt(
            CLIPS / "slate.mp4", "slate.mp4", results=results,
            athlete_id=library.athlete_named(NAMES[0]),
            plan_toml=(CLIPS / "slate.toml").read_text(encoding="utf-8"),
        )  # fmt: skip
    for state, said in (("failed", "The video is damaged after 12 s."), ("cancelled", "Stopped.")):
        ids[state] = library.add_attempt(CLIPS / "basalt.mp4", f"{state}.mp4")
        library.set_state(ids[state], state, said)
    write_heat(home / "heat", heat_of(12))
    ids["heat"], ids["plan"] = library.add_heat(home / "heat"), str(plan)
    return library, ids


def pages_of(place: Place) -> dict[str, tuple[str, str]]:
    """The address of every page, and a script that does something on it first."""
    ids = place.ids
    best = f"/attempts/{ids['best']}"
    four = "&".join(f"with={ids[name]}" for name in ("even", "broken", "brave", "short"))
    unfold = "document.querySelectorAll('details').forEach(one => one.open = true)"
    choose = "[...document.querySelectorAll('.pick input')].slice(0, 3).forEach(e => e.click())"
    return {
        "home": ("/", ""),
        "home-chosen": ("/", choose),
        "home-nothing": ("/?find=nowhere", ""),
        "attempt": (best, ""),
        "attempt-correct": (best, "document.querySelector('[data-act=next-rep]').click();"
                            "document.querySelector('[data-act=tools]').click()"),
        "attempt-unfolded": (best, f"{unfold}; window.scrollTo(0, 1e6)"),
        "attempt-asks": (best, "document.querySelector('[data-act=next-rep]').click();"
                         "document.querySelector('[data-act=relabel]').click()"),
        "attempt-short": (f"/attempts/{ids['short']}", ""),
        "attempt-nobody": (f"/attempts/{ids['nobody']}", ""),
        "attempt-recognised": (f"/attempts/{ids['stub']}", ""),
        "attempt-failed": (f"/attempts/{ids['failed']}", ""),
        "attempt-stopped": (f"/attempts/{ids['cancelled']}", ""),
        "next": (f"{best}/next", unfold),
        "next-card": (f"{best}/next/card", ""),
        "report": (f"{best}/files/report.html", ""),
        "link": (place.link, ""),
        "workouts": ("/workouts", ""),
        "workout": ("/workouts/Slate", ""),
        "side-by-side": (f"/workouts/Slate?{four}", ""),
        "heat": (f"/workouts/Slate?{four}&as=heat", ""),
        "moving": (f"/beside?first={ids['even']}&second={ids['broken']}", ""),
        "class": (f"/class?{four}", ""),
        "class-cards": (f"/class/cards?{four}", ""),
        "class-season": (f"/class/season?{four}", ""),
        "athletes": ("/athletes", ""),
        "athlete": ("/athletes/1", unfold),
        "heats": ("/heats", unfold),
        "heat-saved": (f"/heats/{ids['heat']}", ""),
        "plans": ("/plans", ""),
        "plan-new": ("/plans/new", ""),
        "plan": (f"/plans/{ids['plan']}", ""),
        "plan-text": (f"/plans/{ids['plan']}?text=1", ""),
        "plan-card": (f"/plans/{ids['plan']}/card", ""),
        "people": ("/people", ""),
        "missing": ("/nowhere", ""),
        "login": ("/login", ""),
        "join": (place.invitation, ""),
    }  # fmt: skip


def log_in(browser: Browser, place: Place) -> None:
    """As the coach who has the library's passphrase."""
    visit(browser, place.server.address + "/login")
    browser.value(f"document.querySelector('[name=passphrase]').value = {PASSPHRASE!r}")
    browser.value("document.querySelector('form').submit()")
    until(browser, "location.pathname === '/'")


def shared(server: Server, attempt: str) -> str:
    """A link to an attempt."""
    with httpx.Client(base_url=server.address, timeout=PATIENCE_S) as client:
        client.post("/login", data={"name": "", "passphrase": PASSPHRASE})
        return with_token(client).post(f"/api/attempts/{attempt}/shares", data={"days": "7"}).text


def pictured(browser: Browser, place: Place, out: Path, name: str, page: tuple[str, str]) -> None:
    """A page in all sizes and schemes, and their sheet."""
    address, first = page
    shots = []
    browser.shape(WIDTHS[0], HEIGHT, phone=True)
    visit(browser, address if "://" in address else place.server.address + address)
    if first:
        browser.value(f"{first}; 1")
    browser.value(ALL_DRAWN)
    time.sleep(1.0)  # pictures, and what is worked out after the page
    for scheme in SCHEMES:
        for width in WIDTHS:
            browser.shape(width, HEIGHT, scheme, phone=width < 600)
            browser.value("new Promise(done => setTimeout(done, 200))")
            shots.append(out / f"{name}-{width}-{scheme}.png")
            browser.frame(shots[-1])
    pictures = [Image.open(one).convert("RGB") for one in shots]
    pictures = [one.crop((0, 0, one.width, min(one.height, MOST_HIGH))) for one in pictures]
    pictures = [one.resize((int(one.width * THUMB), int(one.height * THUMB))) for one in pictures]
    width = sum(one.width + 8 for one in pictures)
    whole = Image.new("RGB", (width, max(one.height for one in pictures)), "#808080")
    place_at = 0
    for one in pictures:
        whole.paste(one, (place_at, 0))
        place_at += one.width + 8
    whole.save(out / f"{name}.png")


def main() -> None:
    """Fill a library, serve it, and take the pictures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--results", type=Path)
    parser.add_argument("--only", action="append", default=[])
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        library, ids = filled(Path(made), asked.results)
        security.set_passphrase(library, PASSPHRASE)
        token = people.invite(library, NAMES[1], people.ATHLETE)
        with Server(library.folder) as server, Browser() as browser:
            place = Place(
                server, ids, shared(server, ids["best"]), f"{server.address}/join/{token}"
            )
            log_in(browser, place)
            pages = pages_of(place)
            for name in [one for one in pages if one.startswith(tuple(asked.only) or "")]:
                if name in ("login", "join"):
                    browser.call("Network.clearBrowserCookies")
                pictured(browser, place, asked.folder, name, pages[name])
                print(name, flush=True)
        library.close()


if __name__ == "__main__":
    main()
