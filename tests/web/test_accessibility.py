"""No page breaks a rule of axe-core, the accessibility rules engine (see `axe/README.md`).

All its rules that are on by default: WCAG 2.2 A and AA, contrast among them, and good practice.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from repcount.analysis.forecast import Filmed
from repcount.analysis.history import side_by_side
from repcount.analysis.next_plan import decide_next
from repcount.plan import parse_plan
from repcount.plan.propose import Wishes, make_plan
from repcount.plan.strength import one_rep_max
from repcount.reports.after import history_page, next_page
from repcount.reports.card import card_page
from repcount.reports.class_sheet import class_page, season_page
from repcount.reports.html import report_page
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    example_stills,
    long_attempt,
)
from tests.scripted_reading import SLATE
from tests.simulated_athletes import Athlete
from tests.web.browser import CHROMIUM, Browser
from tests.web.test_class_page import example_class

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

AXE = Path(__file__).parent / "axe" / "axe.min.js"
SHA256 = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"
RUN = """axe.run(document, {resultTypes: ['violations']}).then(found => found.violations.map(
    rule => rule.id + ': ' + rule.nodes.map(node => node.target + ' ' + node.failureSummary)))"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    attempt, comparison, plan = example_attempt(), example_comparison(), parse_plan(SLATE)
    filmed = Filmed(attempt, comparison, "second", plan)
    other = Filmed(Athlete(np.random.default_rng(2)).attempt(plan).attempt, None, "first")
    maxes = {"push press": one_rep_max(85, 5), "deadlift": one_rep_max(180)}
    texts = {
        "report": report_page(attempt, comparison, example_stills()),
        "report-no-workout": report_page(bare_attempt()),
        "report-empty": report_page(empty_attempt()),
        "report-long": report_page(long_attempt()),
        "card": card_page([make_plan(plan, Wishes(athlete="Robin", maxes=maxes, target_s=160))]),
        "next": next_page(decide_next([filmed])),
        "history": history_page(side_by_side([other, filmed])),
        "class": class_page(example_class()),
        "season": season_page(example_class()),
    }
    folder = tmp_path_factory.mktemp("pages")
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts}


def test_the_engine_is_the_one_that_was_published() -> None:
    assert hashlib.sha256(AXE.read_bytes()).hexdigest() == SHA256


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize(
    "name",
    [
        *("report", "report-no-workout", "report-empty", "report-long"),
        *("card", "next", "history", "class", "season"),
    ],
)
def test_no_rule_is_broken(browser, pages, name, width, scheme):
    browser.shape(width, 900, scheme, phone=width < 600)
    browser.open(pages[name])
    browser.value("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.value(AXE.read_text(encoding="utf-8") + "; 1")
    assert browser.value(RUN) == []


def test_a_broken_rule_would_be_found(browser, pages):
    """A frame without words and pale text: the engine does look."""
    browser.shape(1440, 900)
    browser.open(pages["report"])
    browser.value(
        "document.querySelector('.still img').removeAttribute('alt');"
        "document.querySelector('.lede').style.color = '#bbb'"
    )
    browser.value(AXE.read_text(encoding="utf-8") + "; 1")
    found = " ".join(browser.value(RUN))
    assert "image-alt" in found
    assert "color-contrast" in found
