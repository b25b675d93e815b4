"""A class's pages in a real browser: quiet, on a phone and a desk, and on their paper."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from repcount.analysis.class_members import Judged, judge
from repcount.analysis.season import season
from repcount.cli.main import cli
from repcount.library.store import Library
from repcount.plan import parse_plan
from repcount.reports.class_sheet import ClassSheet, class_page, class_sheet, season_page
from repcount.web.app import create_app
from repcount.web.settings import Settings
from tests.heats import NAMES
from tests.media import write_video
from tests.scripted_reading import SLATE
from tests.simulated_athletes import Athlete
from tests.web.browser import CHROMIUM, Browser
from tests.web.inside import asking
from tests.web.stub_analysis import stub_reading, write_stub
from tests.web.test_report_page import STICKING_OUT

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

PLAN = parse_plan(SLATE)
HOSTILE = '"><img src=x onerror=alert(1)>'
ON_A_SHEET = 8
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
DAYS = ("2026-10-05", "2026-11-02", "2026-11-28")


def example_class(count: int = 3) -> ClassSheet:
    """So many athletes with three attempts each, and one who could not be judged."""
    judged = []
    for seed, name in enumerate((HOSTILE, *NAMES)[:count]):
        athlete = Athlete(np.random.default_rng(seed))
        filmed = []
        for day in DAYS:
            one = athlete.attempt(PLAN)
            video = one.attempt.video.model_copy(
                update={"recorded_at": day, "sha256": f"{seed}{day}"}
            )
            filmed.append(replace(one, attempt=one.attempt.model_copy(update={"video": video})))
        judged.append(judge(name, filmed, PLAN))
    judged[-1] = Judged(judged[-1].athlete, season([]), reason="oren.mp4 has not been read")
    return class_sheet(judged, "Quarry Lane Barbell")


def test_the_site_says_of_chosen_attempts_what_the_command_says(tmp_path):
    library = Library(tmp_path / "data")
    film = write_video(tmp_path / "film.mp4", [n / 30 for n in range(15)])
    chosen = []
    for number, name in enumerate(("Oren Vale", "Juna Mirek", None)):
        reading = stub_reading()
        reading.video.sha256 = f"{number:064x}"
        write_stub(tmp_path / str(number), reading)
        chosen.append(
            library.add_attempt(
                film, "film.mp4", results=tmp_path / str(number), plan_toml=SLATE,
                athlete_id=library.athlete_named(name) if name else None,
            )
        )  # fmt: skip
    app = create_app(Settings(data=library.folder, hosts=frozenset({"testserver"}), workers=0))
    done = CliRunner().invoke(cli, ["class", "--data", str(library.folder), "--json"])
    assert done.exit_code == 0, done.output
    said = {one["athlete"]: one["message"] for one in json.loads(done.stdout)["athletes"]}
    assert list(said) == ["Juna Mirek", "Oren Vale"]
    with asking(app) as client:
        ask = "&".join(f"with={one}" for one in chosen)
        html = client.get(f"/class?{ask}").text
        shown = [unescape(one) for one in re.findall(r'class="message"><bdi>(.*?)</bdi>', html)]
        assert shown[:2] == list(said.values())
        assert len(shown) == 3  # the attempt that is nobody's is judged by itself
        assert re.findall(r'<h2><a href="/attempts/(\w+)', html) == [
            chosen[1],
            chosen[0],
            chosen[2],
        ]
        cards = client.get(f"/class/cards?{ask}").text
        assert cards.count("<h1>") == 3
        assert "Juna Mirek" in client.get(f"/class/season?{ask}").text
        led = client.get(f"/chosen?{ask}&as=class").headers["location"]
        assert (led.partition("?")[0], led.count("with=")) == ("/class", 3)
        nothing = client.get("/class")
        assert (nothing.status_code, "choose one or more" in nothing.text.lower()) == (422, True)
    library.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("class")
    few, full = example_class(), example_class(ON_A_SHEET)
    texts = {"class": class_page(few), "season": season_page(few), "full": class_page(full)}
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ["class", "season", "full"])
def test_pages_open_quietly_and_ask_for_nothing(browser, pages, name, width):
    browser.shape(width, 900, phone=width < 600)
    browser.open(pages[name])
    assert browser.complaints() == []
    assert browser.requests() == []
    assert browser.value(STICKING_OUT) == []


@pytest.mark.parametrize("paper", PAPERS)
def test_eight_athletes_are_one_sheet_of_paper(browser, pages, tmp_path, paper):
    browser.open(pages["full"])
    assert browser.value("document.querySelectorAll('.one').length") == ON_A_SHEET
    browser.paper(tmp_path / "page.pdf", PAPERS[paper])
    data = (tmp_path / "page.pdf").read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 1


def test_messages_are_on_the_screen_and_not_on_paper(browser, pages):
    browser.shape(390, 900, phone=True)
    browser.open(pages["class"])
    shown = "getComputedStyle(document.querySelector('.messages')).display"
    assert browser.value(shown) != "none"
    assert browser.value("document.querySelectorAll('.message').length") == 2
    browser.call("Emulation.setEmulatedMedia", media="print")
    assert browser.value(shown) == "none"
    browser.call("Emulation.setEmulatedMedia", media="")
