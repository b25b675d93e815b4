"""The page of a heat in a real browser: quiet, complete, and readable by pointer and by keys."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import html5lib
import pytest

from repcount.heat.page import heat_page
from tests.heats import heat_of
from tests.web.browser import CHROMIUM, Browser
from tests.web.test_report_page import READOUT, STICKING_OUT

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

SHOWN_ROWS = (
    "[...document.querySelectorAll('section[aria-labelledby=h-result] tbody tr')]"
    ".filter(e => !e.hidden).map(e => e.querySelector('bdi').textContent)"
)
ON = "[...document.querySelectorAll('tr.on bdi')].map(e => e.textContent)[0] || ''"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    heat = heat_of()
    heat.attempts[2].athlete = '"><img src=x onerror=alert(1)>'
    path = tmp_path_factory.mktemp("heat") / "heat.html"
    path.write_text(heat_page(heat), encoding="utf-8")
    return path


def test_it_is_valid_html(page: Path) -> None:
    html5lib.HTMLParser(strict=True).parse(page.read_text(encoding="utf-8"))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 820, 1440])
def test_nothing_sticks_out_and_nothing_is_said(
    browser: Browser, page: Path, width: int, scheme: str
) -> None:
    browser.shape(width, 900, scheme, phone=width < 500)
    browser.open(page)
    assert browser.value(STICKING_OUT) == []
    assert not [
        e for e in browser.events if e["method"] in ("Log.entryAdded", "Runtime.exceptionThrown")
    ]
    asked = [
        event["params"]["request"]["url"]
        for event in browser.events
        if event["method"] == "Network.requestWillBeSent"
    ]
    assert asked == [page.resolve().as_uri()]


SCROLLS = """[...document.querySelectorAll('.scroll')].filter(e => e.clientWidth).map(e =>
    [e.scrollWidth - e.clientWidth, e.previousElementSibling.matches('.more') &&
     e.previousElementSibling.checkVisibility()])"""


def test_tables_fold_on_a_phone_and_say_that_they_go_on_where_they_are_wider(
    browser: Browser, page: Path
) -> None:
    browser.shape(620, 844, phone=True)
    browser.open(page)
    browser.value("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    wide = browser.value(SCROLLS)
    assert sum(over > 2 for over, _ in wide) >= 3
    assert all(said is (over > 2) for over, said in wide)
    # drawn to its end, a table says so no more
    browser.value("document.querySelectorAll('.scroll').forEach(one => { one.scrollLeft = 9999; })")
    browser.value("new Promise(done => setTimeout(done, 200))")
    assert not any(said for _, said in browser.value(SCROLLS))
    browser.shape(390, 844, phone=True)
    browser.open(page)
    browser.value("document.querySelectorAll('details').forEach(one => one.open = true)")
    browser.value("new Promise(done => setTimeout(done, 200))")
    assert [over for over, _ in browser.value(SCROLLS) if over > 2] == []
    assert not any(said for _, said in browser.value(SCROLLS))
    row = "document.querySelector('section[aria-labelledby=h-splits] tbody td')"
    assert "round 1" in browser.value(f"getComputedStyle({row}, '::before').content")
    # nothing is said of a row in words that are out of sight, however many there are
    heights = browser.value(
        "[...document.querySelectorAll('tbody tr')].map(e => e.getBoundingClientRect().height)"
    )
    assert max(heights) < 844 / 3
    cut = browser.value(
        "[...document.querySelectorAll('.where')].map(e => e.getBoundingClientRect().right)"
    )
    assert max(cut) <= 390
    # and whose row it is stays in sight
    names = browser.value(
        "[...document.querySelectorAll('.scroll th[scope=row]')].filter(e => e.checkVisibility())"
        ".map(e => e.getBoundingClientRect().left)"
    )
    assert names
    assert min(names) >= 0


def test_pointing_reads_out_the_nearest_athlete(browser: Browser, page: Path) -> None:
    browser.shape(1440, 900)
    browser.open(page)
    box = browser.value(
        "(() => { const b = document.querySelector('svg.time').getBoundingClientRect();"
        " return [b.left, b.top, b.width, b.height]; })()"
    )
    browser.mouse("mouseMoved", box[0] + box[2] * 0.3, box[1] + box[3] * 0.5)
    said = browser.value(READOUT)
    assert " of 54 reps" in said
    assert said.startswith(browser.value(ON))
    assert "chosen" in browser.value("document.getElementById('race').getAttribute('class')")


def test_keys_go_through_time_and_athletes(browser: Browser, page: Path) -> None:
    browser.open(page)
    browser.value("document.getElementById('plot').focus()")
    browser.key("Home")
    assert ": 0 of 54 reps" in browser.value(READOUT)
    first = browser.value(ON)
    browser.call("Input.dispatchKeyEvent", type="keyDown", key="ArrowDown")
    assert browser.value(ON) != first
    browser.key("End")
    assert "54 of 54 reps" in browser.value(READOUT)
    browser.key("Enter")
    held = browser.value(ON)
    assert browser.value("Number(document.getElementById('athlete').value) >= 0")
    browser.mouse("mouseMoved", 5, 5)
    assert browser.value(ON) == held
    browser.call("Input.dispatchKeyEvent", type="keyDown", key="Escape")
    assert browser.value(ON) == ""


def test_a_division_alone(browser: Browser, page: Path) -> None:
    browser.open(page)
    everybody = browser.value(SHOWN_ROWS)
    browser.value(
        "(() => { const s = document.getElementById('division'); s.value = '40 and over';"
        " s.dispatchEvent(new Event('change')); })()"
    )
    some = browser.value(SHOWN_ROWS)
    assert 0 < len(some) < len(everybody)
    lines = browser.value("document.querySelectorAll('.one:not([hidden])').length")
    assert lines == len(some) - 1  # one of them could not be read and has no line


def test_lines_have_their_names_and_styles_at_their_ends(browser: Browser, page: Path) -> None:
    for width in (390, 1440):
        browser.shape(width, 900, phone=width < 500)
        browser.open(page)
        ends = browser.value(
            "[...document.querySelectorAll('.race text.end')].map(e => [e.textContent,"
            " ...['left', 'right', 'top', 'bottom'].map(s => e.getBoundingClientRect()[s])])"
        )
        assert len(ends) == 13
        assert any(name.startswith("1 ") for name, *_ in ends)
        assert "Hanno Wick" in [name for name, *_ in ends]
        for n, (_, left, right, top, bottom) in enumerate(ends):
            assert 0 <= left < right <= width
            for _, other_left, other_right, other_top, other_bottom in ends[n + 1 :]:
                across = min(right, other_right) - max(left, other_left)
                down = min(bottom, other_bottom) - max(top, other_top)
                assert across <= 1 or down <= 3
    look = (
        "[...document.querySelectorAll('.one .run')].map(e => (s => s.stroke + s.strokeDasharray)"
    )
    styles = browser.value(f"{look}(getComputedStyle(e)))")
    assert len(set(styles)) == len(styles) == 13


def test_a_name_in_the_table_holds_its_line(browser: Browser, page: Path) -> None:
    browser.open(page)
    browser.value("document.querySelectorAll('.pick')[1].click()")
    assert browser.value("document.querySelector('.one.on').dataset.i") == "1"


def test_without_its_script_the_page_is_complete(browser: Browser, page: Path) -> None:
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(page)
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
    assert len(browser.value(SHOWN_ROWS)) == 14
