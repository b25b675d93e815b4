"""Clock cards, next plans and histories in a real browser: quiet, and each on its paper."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from repcount.analysis.forecast import Filmed
from repcount.analysis.history import side_by_side
from repcount.analysis.next_plan import decide_next
from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import MOST_WORKOUT_REPS
from repcount.plan import parse_plan
from repcount.plan.clock_card import clock_card
from repcount.plan.propose import Proposal, Wishes, make_plan
from repcount.plan.strength import one_rep_max
from repcount.reports.after import history_page, next_page
from repcount.reports.card import card_page
from tests.example_records import example_attempt, example_comparison
from tests.scripted_reading import SLATE
from tests.simulated_athletes import Athlete
from tests.web.browser import CHROMIUM, Browser
from tests.web.test_report_page import STICKING_OUT

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

PLAN = parse_plan(SLATE)
MAXES = {"push press": one_rep_max(85, 5), "deadlift": one_rep_max(180)}
LONG = parse_plan(
    SLATE.split("[breaks]")[0].replace("rounds = 3", "rounds = 6").replace("= 420", "= 600")
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    card = make_plan(PLAN, Wishes(athlete="Robin", maxes=MAXES, target_s=160, shape="ahead"))
    full = make_plan(LONG, Wishes(maxes=MAXES, target_s=330, rule="short sets early"))
    hostile = make_plan(PLAN, Wishes(athlete='"><img src=x onerror=alert(1)>'))
    filmed = Filmed(example_attempt(), example_comparison(), "second", PLAN)
    other = Filmed(Athlete(np.random.default_rng(2)).attempt(PLAN).attempt, None, "first")
    texts = {
        "card": card_page([card]),
        "full": card_page([full]),
        "many": card_page([card, full, hostile]),
        "next": next_page(decide_next([filmed])),
        "history": history_page(side_by_side([other, filmed])),
    }
    folder = tmp_path_factory.mktemp("pages")
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


@pytest.mark.parametrize("width", [360, 820])
@pytest.mark.parametrize("name", ["card", "full", "many", "next", "history"])
def test_pages_open_quietly_and_ask_for_nothing(browser, pages, name, width):
    browser.shape(width, 900, phone=width < 600)
    browser.open(pages[name])
    assert browser.complaints() == []
    assert browser.requests() == []
    assert browser.value(STICKING_OUT) == []


# Inches: ISO 216, A4; ANSI/ASME Y14.1, letter.
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def sheets(browser: Browser, file: Path, paper: str) -> int:
    """Pages of the PDF that Chromium prints."""
    browser.paper(file, PAPERS[paper])
    return len(re.findall(rb"/Type\s*/Page\b", file.read_bytes()))


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(("name", "count"), [("card", 1), ("full", 1), ("many", 3)])
def test_a_card_is_one_sheet_of_paper(browser, pages, tmp_path, name, count, paper):
    browser.open(pages[name])
    assert sheets(browser, tmp_path / "page.pdf", paper) == count


def drawn_plan(seed: int) -> Proposal:
    """A plan of one to nine movements and 1 to 200 rounds, light or near the max."""
    rng = np.random.default_rng(seed)
    names = list(rng.choice(MOVEMENT_NAMES, rng.choice([1, 2, 3, 4, 6, 9]), replace=False))
    reps = [int(one) for one in rng.choice([1, 3, 8, 15, 30], len(names))]
    tables = "".join(
        f'[[workout.movements]]\nmovement = "{name}"\nreps = {count}\n'
        for name, count in zip(names, reps, strict=True)
    )
    drawn = int(rng.choice([1, 2, 3, 5, 8, 15, 40, 100, 200]))
    rounds = min(drawn, MOST_WORKOUT_REPS // sum(reps))
    text = f'[workout]\nname = "Gravel"\nrounds = {rounds}\nload_kg = 50\n{tables}'
    maxes = {str(name): one_rep_max(rng.uniform(58, 150)) for name in names if rng.random() < 0.6}
    rule = None if rng.random() < 0.5 else "short sets early"
    return make_plan(parse_plan(text), Wishes(athlete="Robin", maxes=maxes, rule=rule))


@pytest.mark.parametrize("seeds", [range(first, first + 8) for first in range(0, 32, 8)])
def test_drawn_plans_are_one_sheet_each(browser, tmp_path, seeds):
    for seed in seeds:
        page = tmp_path / f"{seed}.html"
        page.write_text(card_page([drawn_plan(seed)]), encoding="utf-8")
        browser.open(page)
        for paper in PAPERS:
            assert sheets(browser, tmp_path / "page.pdf", paper) == 1, (seed, paper)


def test_a_card_of_thrusters_shows_its_breaks(browser, tmp_path):
    text = '[workout]\nname = "Gravel"\nrounds = 1\nload_kg = 40\n[[workout.movements]]\n'
    base = parse_plan(text + 'movement = "thruster"\nreps = 15\n')
    made = make_plan(base, Wishes(patterns=["5 | 5 | 5"], break_s=6))
    (tmp_path / "card.html").write_text(card_page([made]), encoding="utf-8")
    browser.open(tmp_path / "card.html")
    cells = "[...document.querySelectorAll('td.down')].map(one => one.textContent)"
    shown = browser.value(cells)
    assert shown[0::2] == ["6.0", "6.0", ""]
    assert "not broken" not in browser.value("document.body.innerText")


def test_a_card_says_what_a_judge_calls(browser, pages):
    browser.open(pages["card"])
    text = browser.value("document.body.innerText")
    assert "2:40.0" in text
    assert text.count("7 deadlift") == 3
    assert re.search(r" s from 0:02\.0, rest \d+\.\d s", text)
    assert "from memory" not in text


def test_times_on_a_card_with_room_are_told_from_three_metres(browser, tmp_path):
    """An eye of acuity 1.0 tells signs of 5 minutes of arc (ISO 8596, from memory): 4.4 mm at 3 m.
    A numeral is 0.7 of its print's size high, or more."""
    made = make_plan(PLAN, Wishes(athlete="Robin", target_s=160))
    (tmp_path / "card.html").write_text(card_page([made]), encoding="utf-8")
    browser.open(tmp_path / "card.html")
    browser.call("Emulation.setEmulatedMedia", media="print")
    sizes = "[...document.querySelectorAll('.card .at')].map(e => getComputedStyle(e).fontSize)"
    mm = min(float(one.removesuffix("px")) for one in browser.value(sizes)) * 25.4 / 96
    browser.call("Emulation.setEmulatedMedia", media="")
    assert 0.7 * mm >= 3000 * math.tan(math.radians(5 / 60))
    for paper in PAPERS:
        assert sheets(browser, tmp_path / "page.pdf", paper) == 1


def test_the_words_of_a_card_are_large_beside_large_times_where_there_is_room(browser, tmp_path):
    few = parse_plan(SLATE.replace("7 | 1+5 | 1+4", "8+6 | 4"))
    many = parse_plan(SLATE.replace("7 | 1+5 | 1+4", "2 | 2 | 2 | 2+1 | 1 | 1 | 1 | 1 | 1 | 2 | 2"))
    words = "getComputedStyle(document.querySelector('.card tr:not(.round) > td')).fontSize"
    sizes = []
    for plan in (few, many):
        made = Proposal(plan=plan, card=clock_card(plan), chosen="as written", patterns=[])
        (tmp_path / "card.html").write_text(card_page([made]), encoding="utf-8")
        browser.open(tmp_path / "card.html")
        browser.call("Emulation.setEmulatedMedia", media="print")
        sizes.append(float(browser.value(words).removesuffix("px")))
        browser.call("Emulation.setEmulatedMedia", media="")
        assert all(sheets(browser, tmp_path / "page.pdf", paper) == 1 for paper in PAPERS)
    assert sizes[0] == pytest.approx(1.4 * sizes[1], rel=0.01)


def test_a_card_says_whose_say_load_and_breaks_are(browser, pages):
    browser.open(pages["card"])
    text = browser.value("document.body.innerText")
    assert "Lifting can hurt" in text
