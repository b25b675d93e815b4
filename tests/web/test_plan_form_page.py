"""The plan form as a coach meets it: written with units, faults at their fields, a plan changed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from repcount.library.store import Library
from repcount.plan import parse_plan
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server
from tests.web.stub_analysis import PLAN
from tests.web.test_report_page import STICKING_OUT
from tests.web.test_serve_pages import Hand, quiet, until, visit

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
SAID = "document.getElementById('plan-said').textContent"
MARKED = "[...document.querySelectorAll('[aria-invalid=true]')].map(one => one.name).join()"
# What a screen reader reads out after a field's name and value.
DESCRIBED = (
    "document.querySelector('[name={0}]').getAttribute('aria-describedby').split(' ')"
    ".map(id => document.getElementById(id).textContent).join(' ').trim()"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("form") / "data") as one:
        yield one


def text_of(server: Server, plan: int) -> str:
    library = Library(server.folder)
    try:
        return next(row.toml for row in library.plans() if row.id == plan)
    finally:
        library.close()


def saved(browser: Browser) -> int:
    """The id of the plan that the page was sent on to."""
    until(browser, "/^.plans.[0-9]+$/.test(location.pathname) && document.readyState==='complete'")
    return int(browser.value("location.pathname").rpartition("/")[2])


def written_in(browser: Browser, fields: dict[str, str]) -> Hand:
    hand = Hand(browser)
    for name, text in fields.items():
        one, chosen = f"document.querySelector('[name={name}]')", name.startswith("movement")
        browser.value(f"{one}.value = {text if chosen else ''!r}")
        browser.value(f"{one}.dispatchEvent(new Event('input', {{bubbles: true}}))")
        if not chosen:
            hand.write(f"[name={name}]", text)
    return hand


GRAVEL = {
    "name": "Gravel", "rounds": "3", "load": "60kg", "cap": "7:00",
    "movement1": "deadlift", "reps1": "8", "movement2": "push press", "reps2": "4",
    "pattern": "5 | 3+4", "seconds": "4s", "round_s": "1:30", "between": "0:06",
}  # fmt: skip


@pytest.mark.parametrize("width", [390, 1440])
def test_a_plan_is_written_as_people_write_times_and_loads(browser, server, width):
    browser.shape(width, 900, phone=width < 600)
    visit(browser, server.address + "/plans/new")
    hand = written_in(browser, GRAVEL)
    fits = "3 rounds, 36 reps in all, 3 breaks (1 in each round, 0:04 each), planned 4:42"
    until(browser, f"{SAID}.startsWith('Complete: {fits}')")
    assert browser.value(MARKED) == ""
    hand.click("button.main")
    text = tomllib.loads(text_of(server, saved(browser)))
    assert text["workout"]["load_kg"] == 60
    assert text["workout"]["time_cap_s"] == 420
    assert text["breaks"]["seconds"] == 4
    assert text["pace"]["round_s"] == [90, 90, 90]
    assert text["pace"]["between_rounds_s"] == [6, 6]
    quiet(browser)


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1440, "light")])
def test_all_faults_are_said_at_once_at_their_fields_in_plain_words(browser, server, width, scheme):
    browser.shape(width, 900, scheme, phone=width < 600)
    visit(browser, server.address + "/plans/new")
    wrong = {"rounds": "three", "load": "heavy", "cap": "7:0x", "seconds": "4q"}
    hand = written_in(browser, GRAVEL | {"name": "", "movement2": "deadlift"} | wrong)
    hand.click("button.main")
    names = ["name", "rounds", "load", "cap", "movement2", "seconds"]
    until(browser, f"{MARKED} === {','.join(names)!r}", 60)
    for name in names:
        fault = browser.value(f"document.getElementById('fault-{name}').innerText")
        assert len(fault.split()) > 3
        assert fault in browser.value(DESCRIBED.format(name))
        below = f"(n => document.querySelector(n).getBoundingClientRect())('[name={name}]').bottom"
        at = f"document.getElementById('fault-{name}').getBoundingClientRect().top"
        assert 0 <= browser.value(f"{at} - {below}") < 12
    assert browser.value("document.activeElement.name") == "name"
    page = browser.value("document.querySelector('main').innerText")
    assert not re.search(r"TOML|\w_\w|(workout|breaks|pace)\.\w|\[\[", page)
    assert browser.value(STICKING_OUT) == []
    assert browser.value("document.documentElement.scrollWidth") <= width
    browser.value(AXE + "; 1")
    ids = "axe.run(document).then(r => r.violations.map(v => v.id + v.nodes.map(n => n.html)))"
    assert browser.value(ids) == []
    # what is mended is no longer marked
    written_in(browser, {"rounds": "3"})
    until(browser, f"!{MARKED}.includes('rounds')")
    assert "load" in browser.value(MARKED)
    assert server.process.poll() is None


PATTERN = "document.querySelector('[name=pattern]').value"
BEADS_IN_LINES = (
    "[...document.querySelectorAll('.string')].flatMap(line => Object.values(Object.groupBy("
    "[...line.children], rep => rep.getBoundingClientRect().top)).map(reps => reps.length))"
)
TOTAL = "document.getElementById('total').textContent"


def test_a_plan_is_made_by_touch_and_the_fields_follow(browser, server):
    browser.shape(390, 844, phone=True)
    visit(browser, server.address + "/plans")
    hand = Hand(browser)
    hand.click("main a[href='/plans/new']")
    until(browser, "!!document.querySelector('#chips:not([hidden])')")
    for movement, reps in (("deadlift", 7), ("hang power clean", 6), ("push press", 5)):
        hand.click(f"[data-movement='{movement}']")
        hand.click(f".quick:not([hidden]) [data-reps='{reps}']")
    hand.click("[data-after='7']")
    hand.click("[data-after='12']")
    assert browser.value(PATTERN) == "7 | 5 | 1+5"
    assert "taken as 0:04, a usual length" in browser.value("document.body.innerText")
    until(browser, f"{SAID}.includes('6 breaks (2 in each round, 0:04 each)')")
    assert min(browser.value(BEADS_IN_LINES)) > 1  # no bead alone in a line
    hand.click("button.main")
    assert hand.steps <= 12
    number = saved(browser)
    plan = parse_plan(text_of(server, number))
    assert [part.reps for part in plan.rounds[0].movements] == [7, 6, 5]
    assert (len(plan.rounds), len(plan.planned_breaks())) == (3, 6)
    # what is typed moves the beads, and a break stays after its rep when reps change
    down = "[...document.querySelectorAll('.gap[aria-pressed=true]')].map(e => e.dataset.after)"
    until(browser, "!!document.querySelector('.gap')")
    assert browser.value("document.getElementById('saved').textContent") == "Saved."
    written_in(browser, {"pattern": "4 | 3+6 | 5"})
    assert browser.value(down) == ["4", "13"]
    hand.click("[data-for=reps1][data-step='1']")
    assert browser.value(PATTERN) == "4 | 4+6 | 5"
    browser.value("document.querySelector('.gap').focus()")
    browser.key("ArrowRight")
    assert browser.value("document.activeElement.getAttribute('aria-label')") == (
        "Bar down after deadlift 2"
    )
    # a total that moves, a pace for a target, and a rule's pattern
    until(browser, f"{TOTAL}.startsWith('About 2:')")
    written_in(browser, {"target": "2:40", "cap": "7:00"})
    until(browser, f"{TOTAL}.includes('under the target of 2:40.0')")
    hand.click("#pace")
    until(browser, f"{TOTAL}.startsWith('2:40.0 planned, on the target of 2:40.0, 4:20.0 under')")
    hand.click("#offers li:first-child button")
    assert browser.value(PATTERN) == "7 | 1+5 | 1+5"
    small = browser.value(
        "[...document.querySelectorAll('main button')].filter(e => e.checkVisibility())"
        ".map(e => e.getBoundingClientRect()).filter(b => b.width < 44 || b.height < 44).length"
    )
    assert small == 0
    browser.value(AXE + "; 1")
    ids = "axe.run(document).then(r => r.violations.map(v => v.id + v.nodes.map(n => n.html)))"
    assert browser.value(ids) == []
    assert browser.value(STICKING_OUT) == []
    # saved again, it is where it was, with the target that it was made for
    hand.click("button.main")
    until(browser, "document.getElementById('saved').textContent === 'Saved.'")
    assert browser.value("document.querySelector('[name=target]').value") == "2:40"
    until(browser, "scrollY > 0")
    visit(browser, browser.value("location.href"))  # the target is part of what was saved
    assert browser.value("document.querySelector('[name=target]').value") == "2:40"
    quiet(browser)


def test_a_field_is_not_marked_while_it_is_first_written(browser, server):
    browser.shape(1440, 900)
    visit(browser, server.address + "/plans/new")
    hand = written_in(browser, {"name": "Gravel", "cap": "7:0x"})
    until(browser, f"{SAID}.includes('7:0x')")
    assert browser.value(MARKED) == ""
    hand.click("[name=load]")  # left
    assert browser.value(MARKED) == "cap"


def test_a_cap_under_the_plan_s_own_time_is_a_fault_with_both_numbers(browser, server):
    browser.shape(1440, 900)
    with server.client() as client:
        made = client.post("/api/plans", data={"toml": PLAN}).headers["HX-Redirect"]
    visit(browser, server.address + made)
    until(browser, f"{SAID}.startsWith('Complete')")
    hand = written_in(browser, {"cap": "100"})
    until(browser, f"{SAID}.includes('1:40.0') && {SAID}.includes('2:34.0')")
    assert "Complete" not in browser.value(SAID)
    hand.click("button.main")
    until(browser, f"{SAID}.startsWith('Not saved.')")
    assert browser.value(MARKED) == "cap"
    assert "1:40.0" in browser.value(DESCRIBED.format("cap"))


KEPT = (
    "# made for a wet day\n" + PLAN + "cycle_s = { deadlift = 2.5 } # by the watch\n",
    """notes = "\\n two lines\\n"
[workout]
name = "Basalt  and Slate"
load_lb = 95
[[workout.round]]
[[workout.round.movements]]
movement = "deadlift"
reps = 9
[[workout.round]]
[[workout.round.movements]]
movement = "push press"
reps = 6
[breaks]
patterns = ["5 | 4", "6"]
seconds = [[4.125], []]
""",
)


@pytest.mark.parametrize("text", KEPT)
@pytest.mark.parametrize("width", [390, 1440])
def test_a_saved_plan_is_changed_in_its_fields_and_loses_nothing(browser, server, text, width):
    before = parse_plan(text)
    browser.shape(width, 900, phone=width < 600)
    with server.client() as client:
        made = client.post("/api/plans", data={"toml": text}).headers["HX-Redirect"]
    visit(browser, server.address + made)
    page = browser.value("document.querySelector('main').innerText")
    named = "cycle times (deadlift 2.5 s)" if before.cycle_s else "9 deadlift; 6 push press"
    assert named in page
    assert "Kept as they are" in page
    browser.value("window.before = 1")
    Hand(browser).click("button.main")  # as it is
    until(browser, "window.before === undefined")
    number = saved(browser)
    assert parse_plan(text_of(server, number)) == before
    until(browser, f"{SAID}.startsWith('Complete')")
    written_in(browser, {"load": "135 lb"}).click("button.main")
    until(browser, "document.querySelector('[name=load]').value === '135'")
    until(browser, f"{SAID}.startsWith('Complete')")
    after = parse_plan(text_of(server, number))
    assert after.load_lb == 135
    workout = before.workout.model_copy(update={"load_kg": after.workout.load_kg})
    assert after == before.model_copy(update={"load_lb": 135.0, "workout": workout})
    if "#" in text:
        assert "# made for a wet day" in text_of(server, number)
        assert "# by the watch" in text_of(server, number)
    Hand(browser).click("a[href$='text=1']")
    until(browser, "!!document.querySelector('textarea[name=toml]')")
    shown = browser.value("document.querySelector('textarea[name=toml]').value")
    assert parse_plan(shown) == after
    quiet(browser)
