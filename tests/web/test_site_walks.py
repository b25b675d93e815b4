"""Ways that people walk through the site, in a real browser: each ended in a fault once."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
import uvicorn

from repcount.attempt.records import Notice, Reading
from repcount.library import people
from repcount.library.checking import findings
from repcount.library.layout import OVERLAY
from repcount.library.people import ATHLETE
from repcount.library.store import Library
from repcount.pipeline.results import RECOGNISED, TRACKS
from repcount.tracking.tracks import save_tracks
from repcount.web import security
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.conftest import REPOSITORY
from tests.integration.test_overlay import tracks
from tests.media import write_video
from tests.scripted_reading import Script, slate
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, announce, finished, free_port, upload
from tests.web.slow_line import SlowLine
from tests.web.stub_analysis import PLAN, stub_reading, write_stub
from tests.web.test_accessibility import AXE, RUN
from tests.web.test_serve_pages import Hand, choose_file, quiet, until, visit

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
ZONE = "Asia/Kolkata"  # five and a half hours before UTC, summer and winter
SHOWN = "document.getElementById('main').innerText"
MISSING = "Not finished, 13 of 54 reps"


def reading_of(name: str) -> Reading:
    """What was read of the attempt of a name."""
    if name == "short":
        return Script(slate(3)).wait(1.0).sets("7|1+5").reading()
    if name == "nobody":
        text = "No athlete could be followed; film one person, whole, from 3 to 5 m away."
        made = Script(slate(3)).wait(1.0).reading()
        made.warnings = [Notice(code="nobody-lifting", text=text)]
        return made
    made = stub_reading()
    if name == "hevc":
        made.video.codec = "hevc"
    return made


class Site:
    """A server on a library that holds attempts: `first`, `second`, `short`, `nobody`, `hevc`."""

    def __init__(self, folder: Path) -> None:
        times = [n / 30 for n in range(30)]
        tone = (8000 * np.sin(np.arange(48_000) / 20)).astype(np.int16)
        films = {
            "h264": write_video(folder / "film.mp4", times),
            "hevc": write_video(folder / "h.mp4", times, codec="libx265", sound=tone),
        }
        library = Library(folder / "data")
        library.put_plan(PLAN)
        self.ids = {}
        for name, athlete in (
            ("first", "Robin"), ("second", "Robin"), ("short", "Kit"), ("nobody", "Kit"),
            ("hevc", "Kit"),
        ):  # fmt: skip
            write_stub(folder / name, reading_of(name))
            self.ids[name] = library.add_attempt(
                films["hevc" if name == "hevc" else "h264"],
                "IMG_4711.MOV" if name in ("second", "hevc") else f"{name}.mp4",
                athlete_id=library.athlete_named(athlete),
                plan_toml=PLAN,
                results=folder / name,
            )
        library.close()
        self.server = Server(folder / "data")

    def __getitem__(self, name: str) -> str:
        return f"{self.server.address}/attempts/{self.ids[name]}"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        one.call("Emulation.setTimezoneOverride", timezoneId=ZONE)
        yield one


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    made = Site(tmp_path_factory.mktemp("site"))
    with made.server:
        yield made


@pytest.fixture
def line(site: Site) -> Iterator[SlowLine]:
    one = SlowLine(lambda: site.server.port, 2_000_000)
    yield one
    one.close()


# Lists -------------------------------------------------------------------------------------------


def test_an_unfinished_attempt_is_marked_and_never_the_best(browser, site):
    browser.shape(390, 844, phone=True)
    address = site.server.address
    visit(browser, address + "/")
    of_short = f"document.querySelector('a[href$=\"{site.ids['short']}\"]').innerText"
    assert MISSING in browser.value(of_short)
    time_of_short = re.search(r"\d:\d\d\.\d", browser.value(of_short))
    assert time_of_short
    row = f"document.querySelector('a[href$=\"{site.ids['short']}\"]')"
    assert browser.value(f"{row}.querySelector('.time').innerText") == "13/54"
    # how a reading stands is long, and leaves the name its place
    browser.value(f"{row}.querySelector('.time').className = 'time standing'")
    browser.value(
        f"{row}.querySelector('.time').textContent = 'Being read: 16 %, about 6 min left'"
    )
    assert browser.value(f"{row}.querySelector('b').getBoundingClientRect().width") > 150
    hand = Hand(browser)
    hand.click("nav [href='/workouts']")
    until(browser, "location.pathname === '/workouts' && document.readyState === 'complete'")
    said = browser.value(SHOWN)
    assert "best " in said
    assert f"best {time_of_short[0]}" not in said
    hand.click("main a[href^='/workouts/']")
    until(browser, "location.pathname === '/workouts/Slate' && document.readyState === 'complete'")
    assert browser.value(SHOWN).count(MISSING) == 1
    hand.click("nav summary")
    hand.click("nav .rest [href='/athletes']")
    until(browser, "location.pathname === '/athletes'")
    hand.click("main a[href^='/athletes/']")  # Kit, by the alphabet
    until(browser, "location.pathname.startsWith('/athletes/') && !!document.body")
    until(browser, f"{SHOWN}.includes({MISSING!r})")
    assert browser.value(SHOWN).count(MISSING) == 1
    quiet(browser)


def test_the_command_marks_the_unfinished_too(site):
    done = subprocess.run(
        [sys.executable, "-m", "repcount.cli.main", "library", "list",
         "--data", site.server.folder],
        cwd=REPOSITORY, capture_output=True, text=True, check=True,
    )  # fmt: skip
    marked = [row for row in done.stdout.splitlines() if "not finished, 13 of 54 reps" in row]
    assert [row.split()[0] for row in marked] == [site.ids["short"]]


def test_a_name_keeps_its_ending_and_the_video_plays(browser, site):
    visit(browser, site["second"])
    until(browser, "document.getElementById('video').videoWidth > 0")
    assert browser.value("document.getElementById('video').src").endswith("/IMG_4711.MOV")
    with site.server.client() as client:
        made = upload(client, (site.server.folder.parent / "film.mp4").read_bytes(),
                      filename="IMG_0815.MOV")  # fmt: skip
        assert finished(client, made)["state"] == "done"
        client.post(f"/api/attempts/{made}/delete")
    library = Library(site.server.folder)
    assert library.attempt(site.ids["second"]).file_name == "IMG_4711.MOV"
    library.close()


def test_times_are_in_the_readers_zone(browser, site):
    library = Library(site.server.folder)
    at = library.attempt(site.ids["first"]).created_at
    library.close()
    there = datetime.fromtimestamp(at, ZoneInfo(ZONE)).strftime("%d %b %Y, %H:%M")
    utc = datetime.fromtimestamp(at, ZoneInfo("UTC")).strftime("%d %b %Y, %H:%M UTC")
    for page in ("/", "/workouts/Slate", f"/attempts/{site.ids['first']}"):
        visit(browser, site.server.address + page)
        until(browser, "!!document.querySelector('time[data-local]')")
        times = browser.value(
            "[...document.querySelectorAll('time')].map(e => [e.textContent, e.title])"
        )
        assert [there, utc] in times, page
        assert "UTC" not in browser.value(SHOWN), page
    # two attempts of one athlete are distinguished by their times
    visit(browser, site.server.address + "/workouts/Slate")
    hand = Hand(browser)
    for name in ("first", "second", "short", "nobody", "hevc"):
        box = f"document.querySelector('[value=\"{site.ids[name]}\"]')"
        browser.value(f"{box}.checked = {str(name in ('first', 'second')).lower()}")
    hand.click("[name=as]")
    until(browser, "!!document.getElementById('h-result')")
    assert f"Robin, {there}" in browser.value("document.body.innerText")


def test_a_correction_is_logged_in_the_readers_zone(browser, site):
    browser.shape(1440, 900)
    visit(browser, site["first"])
    until(browser, "!!document.getElementById('data')")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    browser.key("[")
    until(browser, "!!document.querySelector('.log time[data-local]')")
    assert "UTC" not in browser.value("document.querySelector('.log').textContent")


# Videos ------------------------------------------------------------------------------------------


def test_a_video_that_cannot_be_shown_is_said_at_the_video(browser, site):
    """HEVC, which this browser decodes no more than many others: its sound plays, its video is
    black, and no error is raised."""
    browser.shape(390, 844, phone=True)
    visit(browser, site["hevc"])
    until(browser, "document.getElementById('video').readyState > 0"
                   " || document.getElementById('video').error")  # fmt: skip
    said = "document.getElementById('no-film')"
    until(browser, f"{said}.checkVisibility()")
    assert "HEVC" in browser.value(f"{said}.innerText")
    until(browser, f"{said}.innerText.includes('H.264')")
    near = browser.value(
        f"{said}.getBoundingClientRect().top"
        " - document.getElementById('video').getBoundingClientRect().bottom"
    )
    assert 0 <= near < 40
    # the copy is made meanwhile, and then plays; the original stays
    until(browser, "document.getElementById('video').videoWidth > 0")
    assert not browser.value(f"{said}.checkVisibility()")
    folder = site.server.folder / "attempts" / site.ids["hevc"]
    assert (folder / "IMG_4711.MOV").read_bytes() == (folder.parents[2] / "h.mp4").read_bytes()
    visit(browser, site["hevc"])
    until(browser, "document.getElementById('video').videoWidth > 0")
    assert browser.value("document.getElementById('video').poster").endswith("/poster.jpg")
    quiet(browser)
    visit(browser, site["first"])
    until(browser, "document.getElementById('video').videoWidth > 0")
    assert not browser.value(f"{said}.checkVisibility()")


def test_a_clip_with_the_reading_is_made_handed_out_and_known_to_be_old(browser, site, tmp_path):
    library = Library(site.server.folder)
    made = attempt_with_tracks(library, site.server.folder.parent / "film.mp4", tmp_path)
    page, folder = f"{site.server.address}/attempts/{made}", library.folder_of(made)
    said = "document.getElementById('clip').innerText"
    download = "[...document.querySelectorAll('a[download]')].map(one => one.href)"
    browser.shape(390, 844, phone=True)
    hand = Hand(browser)
    visit(browser, page)
    hand.click("#clip summary")
    hand.click("#overlay button")
    until(browser, f"/turn|being made/.test({said})")
    site.server.kill()  # what was asked for is not forgotten
    site.server.start()
    visit(browser, page)
    hand.click("#clip summary")
    until(browser, f"{download}.length === 1")
    assert "later corrections" not in browser.value(said)
    with site.server.client() as client:
        link = client.post(f"/api/attempts/{made}/shares", data={"days": "1"}).text
        (own,) = browser.value(download)
        visit(browser, link)
        (shared,) = browser.value(download)
        clip = client.get(own)
        assert clip.headers["content-type"] == "video/mp4"
        assert clip.content == httpx.get(shared).content == _only(folder).read_bytes()
        # after a correction it is said to be older, and the link, which shows what holds, is silent
        visit(browser, page)
        browser.value("document.getElementById('who').value = 'Robin'")
        browser.value("document.activeElement.blur()")
        browser.key("[")
        until(browser, "document.getElementById('overlay').innerHTML.includes('later corr')")
        assert httpx.get(shared).status_code == 404
        assert client.get(own).status_code == 200
        visit(browser, link)
        assert browser.value(download) == []
        visit(browser, page)
        hand.click("#clip summary")
        browser.value("document.querySelector('#overlay [name=faces]').value = 'others'")
        hand.click("#overlay button")
        until(browser, "/may have been missed/.test(document.getElementById('overlay').innerText)")
        until(browser, f"{download}.length === 1 && !/later|turn|being made/.test({said})")
        quiet(browser)
        assert client.get(own).content == _only(folder).read_bytes() != clip.content
        assert [one for one in findings(library) if made in one] == []
        assert client.post(f"/api/attempts/{made}/delete").status_code == 204
    assert not folder.exists()
    library.close()


def attempt_with_tracks(library: Library, film: Path, aside: Path) -> str:
    """An attempt of which bar and body are kept, as after an analysis."""
    reading = stub_reading()
    reading.video.sha256 = hashlib.sha256(film.read_bytes()).hexdigest()
    write_stub(aside / "read", reading)
    save_tracks(tracks(), aside / "read" / TRACKS)
    return library.add_attempt(film, "overlay.mp4", plan_toml=PLAN, results=aside / "read")


def _only(folder: Path) -> Path:
    (found,) = folder.glob(OVERLAY.format("*"))
    return found


def test_a_file_that_is_gone_is_said_at_the_video(browser, site):
    visit(browser, site["first"])
    browser.value("document.getElementById('video').src = '/attempts/0/files/none.mp4'")
    until(browser, "document.getElementById('no-film').checkVisibility()")


# Uploads -----------------------------------------------------------------------------------------


def test_of_a_refused_file_only_the_reason_is_shown(browser, site, tmp_path):
    (tmp_path / "holiday.mp4").write_bytes(b"no video at all, " * 1000)
    visit(browser, site.server.address + "/")
    choose_file(browser, "#film-file", tmp_path / "holiday.mp4")
    Hand(browser).click("#send")
    until(browser, "document.getElementById('upload-said').textContent !== ''")
    time.sleep(0.5)
    shown = browser.value("document.getElementById('upload').innerText")
    assert "Not a video in a format" in shown
    assert "connection" not in shown
    assert "left" not in shown
    assert not browser.value("document.getElementById('bar').checkVisibility()")
    assert browser.value("document.getElementById('send').disabled") is False


def half_an_upload(browser: Browser, line: SlowLine) -> None:
    """Begin to send the clip, and close the page."""
    visit(browser, line.address + "/")
    choose_file(browser, "#film-file", CLIP)
    browser.value("document.getElementById('send').click()")
    until(browser, "document.getElementById('bar').value > 0.4")
    browser.call("Page.navigate", url="about:blank")
    visit(browser, line.address + "/")
    until(browser, "!!document.querySelector('#begun li')")


def test_a_half_done_upload_is_mentioned_and_goes_on(browser, site, line):
    half_an_upload(browser, line)
    said = browser.value("document.getElementById('begun').innerText")
    assert CLIP.name in said
    come = float(re.search(r"([\d.]+) MB of", said)[1]) * 1e6
    assert 0.02 * CLIP.stat().st_size < come < CLIP.stat().st_size
    choose_file(browser, "#film-file", CLIP)
    browser.value("document.getElementById('send').click()")
    until(browser, "document.getElementById('bar').value > 0")
    assert browser.value("document.getElementById('bar').value") > 0.02
    until(browser, "location.pathname.startsWith('/attempts/')", 60)
    visit(browser, line.address + "/")
    time.sleep(0.5)
    assert browser.value("document.querySelectorAll('#begun li').length") == 0
    with site.server.client() as client:
        for found in re.findall(r'/attempts/(\w{16})"', client.get("/").text):
            if found not in site.ids.values():
                client.post(f"/api/attempts/{found}/delete")


def test_a_half_done_upload_can_be_deleted(browser, site, line):
    half_an_upload(browser, line)
    hand = Hand(browser)
    while browser.value("!!document.querySelector('#begun li')"):
        hand.click("#begun button")  # refused while the closed page's last request is still heard
        time.sleep(1)
    assert not list((site.server.folder / "uploads").iterdir())
    visit(browser, line.address + "/")
    time.sleep(0.5)
    assert browser.value("document.querySelectorAll('#begun li').length") == 0


# An analysis that runs ---------------------------------------------------------------------------

TELLS = """
import json, sys, time
sys.path.insert(0, {repository!r})
from pathlib import Path
from tests.web.stub_analysis import write_stub
folder = Path(sys.argv[1])
mark = folder / "again"
print(json.dumps({{"fraction": 0.93 if mark.exists() else 0.4, "left_s": 8.0}}), flush=True)
mark.touch()
time.sleep({seconds})
write_stub(folder)
"""


def telling(seconds: float) -> tuple[str, ...]:
    """An analysis that tells once how far it is, and then is silent."""
    return (sys.executable, "-c", TELLS.format(repository=str(REPOSITORY), seconds=seconds))


STAND = "document.getElementById('stand').textContent"


def test_what_is_shown_of_an_analysis_is_true_at_every_moment(browser, tmp_path):
    with Server(tmp_path / "data", worker=telling(12)) as server:
        with server.client() as client:
            made = upload(client, CLIP.read_bytes())
        visit(browser, f"{server.address}/attempts/{made}")
        until(browser, f"{STAND}.includes('about 8 s left')")
        until(browser, f"{STAND}.includes('about 5 s left')")  # nothing new was reported meanwhile
        share = int(re.search(r"(\d+) %", browser.value(STAND))[1])
        assert 40 < share < 75
        server.kill()
        until(browser, f"{STAND}.includes('out of reach')")
        assert "left" not in browser.value(SHOWN)
        assert not browser.value("document.getElementById('bar').checkVisibility()")
        server.start()
        # from where the work before the kill had come, and why it begins again is said
        until(browser, f"/9[3-9] %/.test({STAND})")
        assert "interrupted and has begun again" in browser.value(SHOWN)
        until(browser, "!!document.getElementById('panel')", 60)


def test_before_anything_is_known_no_figure_is_shown(browser, tmp_path):
    silent = (sys.executable, "-c", "import time; time.sleep(60)")
    with Server(tmp_path / "data", worker=silent) as server:
        with server.client() as client:
            made = upload(client, CLIP.read_bytes())
        visit(browser, f"{server.address}/attempts/{made}")
        until(browser, f"{STAND} === 'Being read.'")
        assert browser.value("document.getElementById('bar').position") == -1
        with server.client() as client:
            client.post(f"/api/attempts/{made}/cancel")
        until(browser, f"{SHOWN}.includes('Stopped by hand')")


# Ways back ---------------------------------------------------------------------------------------


def test_heat_comparison_and_card_lead_back_and_on(browser, site):
    browser.shape(390, 844, phone=True)
    address, hand = site.server.address, Hand(browser)
    for button, way in (("[name=as]", "#h-result"), (".main", ".dense")):
        visit(browser, address + "/workouts/Slate")
        browser.value(
            "document.querySelectorAll('[name=with]').forEach(one => one.checked = "
            f"{[site.ids['first'], site.ids['short']]}.includes(one.value))"
        )
        hand.click(f"form .row {button}")
        until(browser, f"!!document.querySelector({way!r})")
        assert browser.value("document.documentElement.scrollWidth") <= 390
        hand.click(f"table a[href='/attempts/{site.ids['short']}']")
        until(browser, f"location.pathname === '/attempts/{site.ids['short']}'")
        browser.call("Page.navigateToHistoryEntry", entryId=_before(browser))
        until(browser, f"!!document.querySelector({way!r})")
        hand.click(".back a")
        until(browser, "location.pathname === '/workouts/Slate'")
    # the menu stands on every page, on a phone in one row; a place is known before its style sheet
    until(browser, "document.readyState === 'complete'")
    assert browser.value("document.querySelector('.places').getBoundingClientRect().height") < 60
    # the two of them moving, by the comparison's link: one clock, and the gap at each rep
    both = f"?with={site.ids['first']}&with={site.ids['short']}"
    visit(browser, f"{address}/workouts/Slate{both}")
    hand.click("main a[href^='/beside']")
    until(browser, "location.pathname === '/beside' && !!document.querySelector('.gap-line')")
    until(browser, "[...document.querySelectorAll('video')].every(one => one.videoWidth > 0)")
    for _ in range(2):
        browser.key("n")
    assert "deadlift 2, round 1 the second was" in browser.value(SHOWN)
    stood = browser.value("document.getElementById('at').textContent")
    browser.key(" ")
    until(browser, f"document.getElementById('at').textContent > '{stood}'")
    browser.key(" ")
    assert "Pause" not in browser.value("document.getElementById('play').textContent")
    quiet(browser)
    visit(browser, f"{address}/workouts/Slate{both}&as=heat")
    assert browser.value("document.querySelectorAll('a[href^=\"/beside\"]').length") == 1
    visit(browser, address + "/plans/1/card")
    hand.click(".places summary")
    hand.click(".places .rest [href='/heats']")
    until(browser, "location.pathname === '/heats'")
    visit(browser, address + "/plans/1/card")
    assert "60 kg" in browser.value("document.querySelector('.who').innerText")
    assert browser.value("document.querySelector('[data-print]').checkVisibility()")
    hand.click(".back a")
    until(browser, "location.pathname === '/plans/1'")
    visit(browser, f"{site['first']}/files/report.html")
    hand.click(".back a")
    until(browser, f"location.pathname === '/attempts/{site.ids['first']}'")


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1440, "light")])
def test_pages_fit_and_break_no_rule_of_accessibility(browser, site, width, scheme):
    """By axe-core, as `test_accessibility` has it."""
    browser.shape(width, 900, scheme, phone=width < 600)
    two = f"with={site.ids['first']}&with={site.ids['short']}"
    pages = (
        "/", "/workouts", "/workouts/Slate", f"/workouts/Slate?{two}", "/plans/1/card",
        f"/workouts/Slate?{two}&as=heat", f"/attempts/{site.ids['nobody']}",
        f"/attempts/{site.ids['hevc']}", f"/attempts/{site.ids['first']}/files/report.html",
        f"/attempts/{site.ids['first']}/next", _link(site),
        f"/beside?first={site.ids['first']}&second={site.ids['short']}", "/plans/1",
        f"/class?{two}", f"/class/cards?{two}", f"/class/season?{two}",
    )  # fmt: skip
    found = {}
    for page in pages:
        visit(browser, page if "://" in page else site.server.address + page)
        assert browser.value("document.documentElement.scrollWidth") <= width, page
        browser.value(AXE.read_text(encoding="utf-8") + "; 1")
        if broken := browser.value(RUN):
            found[page] = broken
    assert not found, found


def _link(site: Site) -> str:
    with site.server.client() as client:
        address = f"/api/attempts/{site.ids['first']}/shares"
        return client.post(address, data={"days": "1"}).text


def _before(browser: Browser) -> int:
    history = browser.call("Page.getNavigationHistory")
    return int(history["entries"][history["currentIndex"] - 1]["id"])


def test_who_has_a_shared_link_is_led_nowhere_else(browser, site):
    visit(browser, _link(site))
    until(browser, "document.getElementById('video').readyState > 0")
    assert browser.value(
        "[...document.querySelectorAll('a')].map(e => e.getAttribute('href'))"
        ".filter(to => !to.startsWith('#') && to !== './report.html')"
    ) == []  # fmt: skip
    # looked at by the same keys, corrected by none
    browser.key("n")
    assert "deadlift" in browser.value("document.getElementById('chosen').textContent")
    assert browser.value("document.querySelectorAll('.handle').length") == 0
    for key in "mxe[oz":
        browser.key(key)
    assert browser.value("document.querySelectorAll('dialog').length") == 0
    quiet(browser)


def test_attempts_are_found_and_chosen_in_the_list(browser, site):
    browser.shape(390, 844, phone=True)
    visit(browser, site.server.address + "/")
    hand = Hand(browser)
    hand.write("#find input", "kit")
    until(browser, "document.querySelectorAll('#found .attempts li').length === 3")
    assert browser.value("document.querySelectorAll('#found .attempts li').length") == 3
    shown = "document.querySelector('form.chosen').checkVisibility()"
    assert not browser.value(shown)
    for name in ("short", "hevc"):
        hand.click(f"#found .pick:has([value='{site.ids[name]}'])")
    assert browser.value(shown)
    hand.click("form.chosen [value=heat]")
    until(browser, "!!document.getElementById('h-result')")
    assert browser.value("location.pathname") == "/workouts/Slate"
    quiet(browser)
    # as a class: a sheet, a message to copy, the way to the attempt
    visit(browser, site.server.address + "/")
    for name in ("short", "first"):
        hand.click(f"#found .pick:has([value='{site.ids[name]}'])")
    hand.click("form.chosen [value=class]")
    until(browser, "location.pathname === '/class' && document.readyState === 'complete'")
    assert browser.value("[...document.querySelectorAll('.one h2')].map(e => e.innerText)") == [
        "Kit", "Robin",
    ]  # fmt: skip
    hand.click("[data-copy]")
    until(browser, "document.querySelector('[data-copy]').innerText.startsWith('Copied')")
    quiet(browser)
    hand.click(".back a[href^='/class/cards']")
    until(browser, "document.querySelectorAll('main.page, main .card, .page').length > 0")
    quiet(browser)
    hand.click(".back a")
    until(browser, "location.pathname === '/class' && document.readyState === 'complete'")
    hand.click(".one h2 a")
    until(browser, f"location.pathname === '/attempts/{site.ids['short']}'")


# What a person knows and the video does not ------------------------------------------------------


def test_what_was_recognised_is_kept_as_a_plan_by_one_button(browser, site, tmp_path):
    write_stub(tmp_path / "read")
    (tmp_path / "read" / RECOGNISED).write_text(PLAN.replace('"Slate"', '"Basalt"'))
    library = Library(site.server.folder)
    film = site.server.folder.parent / "film.mp4"
    made = library.add_attempt(film, "film.mp4", results=tmp_path / "read")
    before = len(library.plans())
    browser.shape(390, 844, phone=True)
    for _ in range(2):  # the second time it leads to the plan that is there
        visit(browser, f"{site.server.address}/attempts/{made}")
        Hand(browser).click("[hx-post$='/keep-plan']")
        until(
            browser,
            "location.pathname.startsWith('/plans/') && !!document.querySelector('form.plan')",
        )
        assert browser.value("document.querySelector('form.plan [name=name]').value") == "Basalt"
    assert len(library.plans()) == before + 1
    kept = int(browser.value("location.pathname").rpartition("/")[2])
    assert library.plan(kept).toml == (tmp_path / "read" / RECOGNISED).read_text()
    quiet(browser)
    with site.server.client() as client:
        none = client.post(f"/api/attempts/{site.ids['first']}/keep-plan")
        assert (none.status_code, "o workout was recognised" in none.text) == (404, True)
    with httpx.Client(
        base_url=site.server.address, timeout=60
    ) as stranger:  # without the page's token
        assert stranger.post(f"/api/attempts/{made}/keep-plan").status_code == 403
    library.delete_plan(kept)
    library.delete(made)
    library.close()


def test_athlete_and_plan_are_said_after_the_upload(browser, site, tmp_path):
    write_stub(tmp_path / "read")
    library = Library(site.server.folder)
    film = site.server.folder.parent / "film.mp4"
    made = library.add_attempt(film, "film.mp4", results=tmp_path / "read")
    other = PLAN.replace('"Slate"', '"Basalt"')
    plan, athlete = library.put_plan(other), library.athlete_named("Robin")
    visit(browser, f"{site.server.address}/attempts/{made}")
    form = "form[hx-post$='/belongs']"
    browser.value(f"document.querySelector(\"{form}\").closest('details').open = true")
    for name, value in (("athlete", athlete), ("plan", plan)):
        browser.value(f"document.querySelector(\"{form} [name={name}]\").value = '{value}'")
    Hand(browser).click(f"{form} button")
    with site.server.client() as client:
        deadline = time.monotonic() + 60
        while library.attempt(made).plan_toml != other:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert finished(client, made)["state"] == "done"
        row = library.attempt(made)
        assert (row.plan_toml, row.athlete_id) == (other, athlete)
        assert (library.folder_of(made) / "plan.toml").read_text() == other
        asked = client.post(f"/api/attempts/{made}/belongs", data={"athlete": "", "plan": "none"})
        assert asked.status_code == 204, asked.text
        assert finished(client, made)["state"] == "done"
        assert not (library.folder_of(made) / "plan.toml").exists()
        gone = client.post(f"/api/attempts/{made}/belongs", data={"athlete": "999", "plan": "same"})
        assert (gone.status_code, "no such athlete" in gone.text) == (404, True)
        client.post(f"/api/attempts/{made}/delete")
    library.delete_plan(plan)
    library.close()


def test_a_clock_that_began_before_the_video_is_set_on_the_page(browser, site):
    browser.shape(1440, 900)
    visit(browser, site["hevc"])
    until(browser, "!!document.getElementById('data')")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    Hand(browser).click("[data-act=clock-before]")
    until(browser, "document.getElementById('ask').open")
    browser.value("document.querySelector('#ask [name=before]').value = '4.5'")
    browser.key("Enter")
    until(browser, "JSON.parse(document.getElementById('data').textContent).clock[0] === -4.5")
    log = browser.value("document.querySelector('.log').textContent")
    assert "start −0:04.5 of the video" in log
    browser.key("z")
    until(browser, "JSON.parse(document.getElementById('data').textContent).clock[0] !== -4.5")


def test_an_upload_says_when_it_was_filmed(browser, site):
    visit(browser, site.server.address + "/")
    choose_file(browser, "#film-file", site.server.folder.parent / "film.mp4")
    browser.value("document.getElementById('filmed').value = '2026-03-14T18:30'")
    Hand(browser).click("#send")
    until(browser, "location.pathname.startsWith('/attempts/')", 60)
    made = browser.value("location.pathname").rpartition("/")[2]
    with site.server.client() as client:
        assert finished(client, made)["state"] == "done"
        library = Library(site.server.folder)
        assert library.attempt(made).recorded_at == "2026-03-14T13:00:00Z"  # of ZONE, in UTC
        library.close()
        for page in ("/", f"/attempts/{made}"):  # and is shown as the reader's clock has it
            visit(browser, site.server.address + page)
            until(browser, "/filmed 14 Mar 2026, 18:30/i.test(document.body.innerText)")
        client.post(f"/api/attempts/{made}/delete")
        refused = announce(client, 1000, recorded="2031-02-30")
        assert (refused.status_code, "When it was filmed" in refused.text) == (400, True)


# Small things ------------------------------------------------------------------------------------


def test_why_nothing_was_read_comes_first(browser, site):
    browser.shape(390, 844, phone=True)
    visit(browser, site["nobody"])
    until(browser, "!!document.getElementById('data')")
    head, *rest = browser.value(SHOWN).split("No athlete could be followed")
    assert rest
    assert len(head.splitlines()) <= 6, head  # athlete and day, workout
    assert browser.value("document.getElementById('why-1').getBoundingClientRect().bottom") < 300
    visit(browser, site.server.address + "/")
    row = browser.value(f"document.querySelector('a[href$=\"{site.ids['nobody']}\"]').innerText")
    assert "no reps seen" in row


def test_enter_saves_in_every_field_of_the_rename_dialog(browser, site):
    browser.shape(1440, 900)
    visit(browser, site["second"])
    until(browser, "!!document.getElementById('data')")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    log = "document.querySelectorAll('.log li').length"
    for number, field in enumerate(("movement", "round", "why")):
        browser.key("n")
        browser.key("r")
        until(browser, "document.getElementById('ask').open")
        browser.value("document.querySelector('#ask [name=movement]').value = 'thruster'")
        browser.value(f"document.querySelector('#ask [name={field}]').focus()")
        browser.key("Enter")
        until(browser, f"{log} === {number + 1}")
    assert browser.value("document.querySelector('.log').textContent").count("thruster") == 3


def test_a_rep_is_deleted_only_after_a_question(browser, site):
    visit(browser, site["second"])
    until(browser, "!!document.getElementById('data')")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    rows = "document.querySelectorAll('.reps tbody tr').length"
    before = browser.value(rows)
    browser.key("n")
    browser.key("x")
    until(browser, "document.getElementById('ask').open")
    assert "Delete" in browser.value("document.getElementById('ask-title').textContent")
    Hand(browser).click("#ask button[value=no]")
    until(browser, "!document.getElementById('ask').open")
    time.sleep(0.5)
    assert browser.value(rows) == before
    browser.key("x")
    until(browser, "document.getElementById('ask').open")
    browser.key("Enter")
    until(browser, f"{rows} === {before - 1}")


def deleting(browser: Browser) -> int:
    """How many requests asked to delete; pictures and a form's total may come at any time."""
    return sum(one.endswith("/delete") for one in browser.requests())


@pytest.mark.parametrize("page", ["first", "plans/1", "athletes/1"])
def test_what_is_deleted_for_good_is_asked_about(browser, site, page):
    visit(browser, site[page] if page in site.ids else f"{site.server.address}/{page}")
    browser.value("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.events.clear()
    asked = deleting(browser)
    browser.says_yes = False
    try:
        browser.value(
            "setTimeout(() => document.querySelector('[hx-post$=\"/delete\"]').click(), 50)"
        )
        deadline = time.monotonic() + 20
        while not any(one["method"] == "Page.javascriptDialogOpening" for one in browser.events):
            assert time.monotonic() < deadline
            browser.call("Page.getNavigationHistory")
            time.sleep(0.05)
    finally:
        browser.says_yes = True
    time.sleep(0.3)
    assert deleting(browser) == asked


def test_an_athlete_comes_by_an_invitation_to_the_own_plan(browser, tmp_path):
    port = free_port()
    app = create_app(Settings(data=tmp_path, login=True))
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="error"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    try:
        visit(browser, f"http://127.0.0.1:{port}/plans")
        assert browser.value("location.pathname") == "/login"
        assert "Passphrase" in browser.value(SHOWN)
        assert "Log out" not in browser.value("document.body.innerText")
        # an athlete who comes by an invitation finds the newest own plan chosen
        library = Library(tmp_path)
        security.set_passphrase(library, "three stones and a bar")
        token = people.invite(library, "Oren Vale", ATHLETE)
        own = library.put_plan('athlete = "Oren Vale"\n' + re.sub("(?m)^athlete.*$", "", PLAN))
        library.close()
        visit(browser, f"http://127.0.0.1:{port}/join/{token}")
        Hand(browser).write("[name=passphrase]", "four stones and a bar")
        Hand(browser).click("button.main")
        until(browser, "!!document.getElementById('plan')")
        until(browser, f"document.getElementById('plan').value === '{own}'")
    finally:
        server.should_exit = True
        thread.join(20)


def test_a_choice_of_plans_of_one_name_tells_their_times(browser, site):
    library = Library(site.server.folder)
    plan = library.put_plan(PLAN)
    at = library.plans()[0].changed_at
    visit(browser, site.server.address + "/")
    there = datetime.fromtimestamp(at, ZoneInfo(ZONE)).strftime("%d %b %Y, %H:%M")
    until(browser, f"document.getElementById('plan').innerText.includes({json.dumps(there)})")
    library.delete_plan(plan)
    library.close()
