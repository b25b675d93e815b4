"""The review page as a hand meets it: keys after clicks, messages in view, handles apart."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from repcount.attempt.records import FailedStroke
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, finished, upload
from tests.web.stub_analysis import PLAN, stub_reading, write_stub
from tests.web.test_serve_pages import (
    CLIP,
    NOW,
    PANEL,
    SAID,
    Hand,
    answered,
    quiet,
    until,
    visit,
)

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
CHOSEN = "document.getElementById('chosen').textContent"
PAUSED = "document.getElementById('video').paused"
FIRST, LAST = ".reps tbody tr:first-child [data-rep]", ".reps tbody tr:last-child [data-rep]"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("bench") / "data") as one, one.client() as client:
        client.post("/api/plans", data={"toml": PLAN})
        client.post("/api/athletes", data={"name": "Robin"})
        yield one


@pytest.fixture
def attempt(server: Server) -> str:
    with server.client() as client:
        made = upload(client, CLIP.read_bytes(), plan="1", athlete="1")
        assert finished(client, made)["state"] == "done"
    return made


def bench(browser: Browser, server: Server, attempt: str, width: int = 1440) -> Hand:
    """An attempt on the bench, of a person who has given a name; the person's hand."""
    browser.shape(width, 844 if width < 600 else 900, phone=width < 600)
    visit(browser, f"{server.address}/attempts/{attempt}")
    until(browser, "document.getElementById('video').readyState > 0")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    return Hand(browser)


def settled(browser: Browser) -> None:
    """Wait until what a key or a click began in the player is over."""
    browser.value("new Promise(done => setTimeout(done, 400))")


def scroll_to_chart(browser: Browser) -> None:
    """Bring the chart into view; the page may be scrolling itself, so wait until it is still."""
    browser.value(
        "(async e => { let y = NaN; const at = () => e.getBoundingClientRect().top;"
        "for (let still = 0; still < 5; still = at() === y ? still + 1 : 0) {"
        "  y = at(); e.scrollIntoView({block: 'center', behavior: 'instant'});"
        "  await new Promise(requestAnimationFrame); } })(document.getElementById('plot'))"
    )


def test_the_dialog_shows_only_what_it_asks_for(browser, server, attempt):
    hand = bench(browser, server, attempt)
    hand.click(FIRST)
    asked = (
        "[...document.querySelectorAll('#ask label')].filter(one => one.getClientRects().length)"
        ".map(one => one.id.slice(4)).join()"
    )
    for button, fields in (
        ("no-rep", "why"),
        ("relabel", "movement,round,why"),
        ("add", "movement,round,why"),
        ("note", "text"),
    ):
        hand.click(f"[data-act={button}]")
        until(browser, "document.getElementById('ask').open")
        assert browser.value(asked) == fields, button
        hand.click("#ask button[value=no]")
        until(browser, "!document.getElementById('ask').open")
    quiet(browser)


def test_space_plays_once_after_a_click_on_the_video(browser, server, attempt):
    hand = bench(browser, server, attempt)
    browser.value(
        "window.heard = []; for (const kind of ['play', 'pause'])"
        "  document.getElementById('video').addEventListener(kind, () => heard.push(kind)); 1"
    )
    hand.click("#video")  # which plays by itself
    until(browser, "heard.join() === 'play'")
    for press in range(1, 4):
        browser.key(" ")
        settled(browser)
        assert browser.value("heard.length") == 1 + press, browser.value("heard.join()")
    assert browser.value(PAUSED) is True
    # with the keyboard in the player, Space is the player's, and once as well
    browser.value("document.getElementById('video').focus()")
    browser.key(" ")
    settled(browser)
    assert browser.value("heard.length") == 5


def test_space_plays_after_a_click_on_a_button(browser, server, attempt):
    hand = bench(browser, server, attempt)
    hand.click("[data-act=next-break]")
    break_, at = browser.value(CHOSEN), browser.value(NOW)
    assert "Break" in break_
    browser.key(" ")
    until(browser, f"!{PAUSED}")
    until(browser, f"{NOW} > {at}")
    browser.key(" ")
    until(browser, PAUSED)
    assert browser.value(CHOSEN) == break_
    assert at < browser.value(NOW) < at + 3
    # a button that the keyboard went to is pressed by Space, as buttons are
    browser.value("document.querySelector('[data-act=next-break]').focus()")
    before = browser.value(NOW)
    browser.key(" ")
    until(browser, f"{NOW} > {before} + 3")
    assert browser.value(PAUSED) is True


IN_VIEW = (
    "(e => { const b = e.getBoundingClientRect();"
    "const hit = document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2);"
    "return b.height > 0 && b.top >= 0 && b.left >= 0 && b.right <= innerWidth"
    "  && b.bottom <= innerHeight && (hit === e || e.contains(hit)) && e.role === 'alert'; })"
    "(document.getElementById('said'))"
)


@pytest.mark.parametrize("width", [390, 1440])
def test_what_is_said_is_in_view_wherever_the_page_stands(browser, server, attempt, width):
    hand = bench(browser, server, attempt, width)
    if width < 600:  # there the tools are behind a button
        hand.click("[data-act=tools]")
    hand.click("[data-act=no-rep]")
    assert "Choose a rep first" in browser.value(SAID)
    assert browser.value(IN_VIEW) is True
    hand.click("[data-act=next-rep]")
    assert browser.value(SAID) == ""
    # two people: the other one was quicker
    with server.client() as client:
        body = {"version": 0, "who": "Kit", "action": "note", "values": {"text": "mine"}}
        assert client.post(f"/api/attempts/{attempt}/edits", json=body).status_code == 200
    browser.value("scrollTo(0, document.documentElement.scrollHeight)")
    browser.key("[")
    until(browser, f"{SAID}.includes('omeone else')")
    assert browser.value(IN_VIEW) is True
    until(browser, f"{PANEL}.includes('mine')")
    assert browser.value(IN_VIEW) is True


GRIPS = (
    "[...document.querySelectorAll('.handle')].map(e => { const b = e.getBoundingClientRect();"
    "const hit = document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2);"
    "const text = document.createRange(); text.selectNodeContents(e.querySelector('span'));"
    "return {left: b.left, right: b.right, top: b.top, bottom: b.bottom, word: e.innerText.trim(),"
    "  name: e.ariaLabel, lines: text.getClientRects().length, hit: e === hit || e.contains(hit)};"
    "})"
)


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("rep", [FIRST, LAST])
def test_handles_are_apart_and_whole_words_with_all_in_view(browser, server, attempt, width, rep):
    """Targets of 44 by 44 CSS pixels: WCAG 2.2, success criterion 2.5.5."""
    hand = bench(browser, server, attempt, width)
    hand.click(rep)
    hand.click("[data-act=zoom-whole]")
    scroll_to_chart(browser)
    grips = browser.value(GRIPS)
    assert len(grips) == 3
    for one in grips:
        assert one["left"] >= 0
        assert one["right"] <= width
        assert one["lines"] == 1
        assert one["hit"], one
        for other in grips:
            apart = (
                one["right"] <= other["left"]
                or other["right"] <= one["left"]
                or one["bottom"] <= other["top"]
                or other["bottom"] <= one["top"]
            )
            assert one is other or apart, (one, other)
        assert one["right"] - one["left"] >= 44
        assert one["bottom"] - one["top"] >= 44
        assert one["name"].startswith(f"{one['word']} of Round ")
    assert [one["word"] for one in grips] == ["Start", "Top", "End"]
    browser.value(AXE + "; 1")
    run = "axe.run(document).then(r => r.violations.map(v => v.id + v.nodes.map(n => n.html)))"
    assert browser.value(run) == []
    assert browser.value("document.documentElement.scrollWidth") <= width
    quiet(browser)


def test_each_handle_is_dragged_with_all_in_view(browser, server, attempt):
    hand = bench(browser, server, attempt)
    span = browser.value("JSON.parse(document.getElementById('data').textContent)")
    second = browser.value("document.getElementById('plot').clientWidth") / (
        span["end"] - span["begin"]
    )
    hand.click(FIRST)
    hand.click("[data-act=zoom-whole]")
    rep = span["reps"][0]
    for edge, seconds in (("start", -0.4), ("top", 0.2), ("end", 0.4)):
        scroll_to_chart(browser)
        x, y = browser.value(
            "(b => [b.left + b.width / 2, b.top + b.height / 2])"
            f"(document.querySelector('.handle.{edge}').getBoundingClientRect())"
        )
        browser.mouse("mouseMoved", x, y)
        browser.mouse("mousePressed", x, y, down=True)
        browser.mouse("mouseMoved", x + seconds * second, y, down=True)
        browser.mouse("mouseReleased", x + seconds * second, y)
        until(browser, f"{PANEL}.includes('{edge} read')")
        now = browser.value("JSON.parse(document.getElementById('data').textContent).reps[0]")
        assert now[edge] == pytest.approx(rep[edge] + seconds, abs=1 / second)
    quiet(browser)


VIEW = "document.querySelector('#trace svg.time').getAttribute('viewBox').split(' ').map(Number)"
LABELS = (
    "[...document.querySelectorAll('#trace text, .gutter text')]"
    ".filter(e => e.getAttribute('visibility') !== 'hidden' && e.textContent)"
    ".map(e => { const b = e.getBoundingClientRect();"
    "  return [e.textContent, b.left, b.top, b.right, b.bottom]; })"
)


def apart(labels: list[list]) -> None:
    for number, (name, left, top, right, bottom) in enumerate(labels):
        for other, l2, t2, r2, b2 in labels[:number]:
            beside = right <= l2 or r2 <= left or bottom <= t2 or b2 <= top
            assert beside, (name, other)


@pytest.mark.parametrize("width", [320, 1440])
def test_the_chart_follows_the_rep_and_its_labels_stay_apart(browser, server, attempt, width):
    hand = bench(browser, server, attempt, width)
    reps = browser.value("JSON.parse(document.getElementById('data').textContent).reps")
    hand.click("[data-act=zoom-whole]")
    scroll_to_chart(browser)
    apart(browser.value(LABELS))
    for rep in reps[:3]:
        browser.key("n")
        begin, _, span, _ = browser.value(VIEW)
        assert span == pytest.approx(8, abs=0.01)
        assert begin + span / 2 == pytest.approx(rep["top"], abs=0.01)
        named = "document.querySelector('#rep-names .chosen')"
        assert browser.value(f"{named}.textContent") == rep["name"]
        assert browser.value(f"{named}.getBoundingClientRect().width") > 20
    for step in ("+", "+", "-", "-", "-", "-"):
        apart(browser.value(LABELS))
        browser.key(step)
    # the strip shows where that is, and leads elsewhere
    browser.key("n")
    scroll_to_chart(browser)
    x, y, wide = browser.value(
        "(b => [b.left, b.top + b.height / 2, b.width])"
        "(document.getElementById('overview').getBoundingClientRect())"
    )
    browser.mouse("mousePressed", x + wide * 0.6, y, down=True)
    browser.mouse("mouseReleased", x + wide * 0.6, y)
    begin, _, span, _ = browser.value(VIEW)
    full = browser.value("JSON.parse(document.getElementById('data').textContent).full")
    assert (begin + span / 2) / full == pytest.approx(0.6, abs=0.02)
    assert browser.value("Number(document.getElementById('in-view').getAttribute('x'))") == begin
    quiet(browser)


def test_two_fingers_and_the_wheel_zoom_a_drag_moves_along(browser, server, attempt):
    bench(browser, server, attempt, 390)
    scroll_to_chart(browser)
    x, y, wide = browser.value(
        "(b => [b.left, b.top + 120, b.width])(document.getElementById('plot')"
        ".getBoundingClientRect())"
    )

    def touch(kind: str, *places: float) -> None:
        points = [{"x": x + wide * at, "y": y, "id": n} for n, at in enumerate(places)]
        browser.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)

    began = browser.value(VIEW)
    touch("touchStart", 0.4)
    touch("touchStart", 0.4, 0.6)
    for apart_by in (0.15, 0.2, 0.3, 0.4):
        touch("touchMove", 0.5 - apart_by, 0.5 + apart_by)
    touch("touchEnd")
    near = browser.value(VIEW)
    assert near[2] == pytest.approx(began[2] / 4, rel=0.15)  # from a fifth of it to four fifths
    middle = began[0] + began[2] / 2
    assert near[0] + near[2] / 2 == pytest.approx(middle, abs=0.05 * began[2])
    touch("touchStart", 0.8)
    for at in (0.7, 0.6, 0.5):
        touch("touchMove", at)
    touch("touchEnd")
    moved = browser.value(VIEW)
    assert moved[2] == pytest.approx(near[2], rel=0.01)
    assert moved[0] > near[0] + 0.1 * near[2]
    turn = {"type": "mouseWheel", "x": x + wide / 2, "y": y, "deltaX": 0, "deltaY": 200}
    browser.call("Input.dispatchMouseEvent", **turn, modifiers=2)  # Ctrl
    until(browser, f"{VIEW}[2] > {moved[2]} * 1.3")
    browser.call("Input.dispatchMouseEvent", **turn)  # scrolls the page, as everywhere
    settled(browser)
    quiet(browser)


def test_a_loss_is_a_clip_that_plays_and_stops(browser, server, attempt):
    hand = bench(browser, server, attempt, 390)
    asked = "JSON.parse(document.getElementById('data').textContent).clip"
    before, after = browser.value(asked)
    assert (before, after) == (3, 1)
    first = browser.value("document.querySelector('.clip').getBoundingClientRect().bottom")
    assert first < 844  # on the first screen of a phone
    at = float(browser.value("document.querySelector('.clip').dataset.clip"))
    end = float(browser.value("document.querySelector('.clip').dataset.until"))
    assert end > at
    browser.value("document.getElementById('video').playbackRate = 4")
    hand.click(".clip")
    until(browser, f"!{PAUSED}")
    assert at - before - 0.1 <= browser.value(NOW) < at
    until(browser, PAUSED)
    # the loss is seen whole; `timeupdate` comes every 250 ms at the latest (HTML standard, 4.8.11),
    # here of a film at four times its speed
    assert -0.1 <= browser.value(NOW) - end - after < 4 * 0.25 + 0.1
    box = "document.getElementById('video').getBoundingClientRect()"
    until(browser, f"{box}.top > -1 && {box}.bottom <= innerHeight")
    # the tools are behind one button
    assert not browser.value("document.querySelector('[data-act=no-rep]').checkVisibility()")
    hand.click("[data-act=tools]")
    assert browser.value("document.querySelector('[data-act=no-rep]').checkVisibility()")
    # what is corrected is seen: video, chosen rep, tools and chart on one screen
    browser.value("document.querySelector('[data-act=next-rep]').click()")
    for part in ("#video", "#chosen", "[data-act=play]", "[data-act=no-rep]", "#plot"):
        box = f"document.querySelector('{part}').getBoundingClientRect()"
        until(browser, f"{box}.top > -1 && {box}.bottom <= innerHeight")
    quiet(browser)


def test_what_comes_next_stands_on_the_page_and_is_kept(browser, server, attempt):
    hand = bench(browser, server, attempt)
    hand.click(".jumps [href='#next']")
    until(browser, "!!document.querySelector('#next .ranked li')")
    top = "document.getElementById('next').getBoundingClientRect().top"
    until(browser, f"{top} > -1 && {top} < innerHeight / 2")  # although it fills in after the jump
    before = browser.value("document.getElementById('ranking').innerText")
    hand.write("#forecast [name=breaks]", "2 s")
    until(browser, "document.getElementById('ranking').innerText.includes('The plan, changed')")
    typed = browser.value("document.getElementById('typed').innerText")
    assert typed.startswith("As typed: the plan, changed, breaks of 2.0 s: ")
    assert browser.value("document.getElementById('ranking').innerText") != before
    browser.value(AXE + "; 1")
    run = "axe.run(document).then(r => r.violations.map(v => v.id + v.nodes.map(n => n.html)))"
    assert browser.value(run) == []
    # after a correction it is worked out anew, where it is in view
    browser.value("document.activeElement.blur()")
    browser.key("[")
    until(browser, f"{PANEL}.includes('set the clock: start')")
    until(browser, "document.querySelector('#forecast [name=breaks]').value === ''")
    until(browser, "!!document.querySelector('#next .ranked li')")
    # a sentence's place takes no page in, whatever is answered
    browser.value(
        "htmx.ajax('POST', document.getElementById('forecast').getAttribute('hx-post'),"
        "{target: '.ranked .said', swap: 'textContent'})"
    )
    poured = browser.value("document.querySelector('.ranked .said').textContent")
    assert poured.startswith("The server answered something else")
    browser.value("document.querySelector('.ranked .said').textContent = ''; 1")
    hand.click("#decision button.main")
    until(browser, "location.pathname.startsWith('/plans/')")
    until(browser, "!!document.getElementById('kept-plan')")
    assert browser.value("document.getElementById('kept-plan').innerText").startswith("Saved.")
    said = "document.getElementById('plan-said').textContent"
    until(browser, f"{said}.startsWith('Complete: ')")
    assert "slow pace" not in browser.value(said)  # it finds no fault with what it proposed
    assert browser.value("document.getElementById('not-paced').textContent") == ""
    assert browser.value("document.querySelector('[name=notes]').value").startswith("After the")
    quiet(browser)


@pytest.mark.parametrize("width", [390, 1440])
def test_a_plan_of_the_list_is_kept_by_mouse_and_by_touch(browser, server, attempt, width):
    """The list, the plan's page, its total and its card say the same; the list knows it again."""
    bench(browser, server, attempt, width)
    hand = Hand(browser, finger=width < 600)
    hand.click(".jumps [href='#next']")
    until(browser, "!!document.querySelector('#next .ranked li')")
    hand.write("#forecast [name=breaks]", "3.5")
    until(browser, "document.getElementById('ranking').innerText.includes('The plan, changed')")
    browser.value("document.activeElement.blur()")
    row = ".ranked li:has([value='long opening set'])"
    total = browser.value(
        f"document.querySelector({row!r}).querySelector('.figures-of b').innerText"
    )
    total = total.partition(" (")[0]
    browser.value(
        "addEventListener('submit', event => sessionStorage.setItem("
        "  'held', String(event.submitter === document.activeElement)), true)"
    )
    hand.click(f"{row} button")
    there = "location.pathname.startsWith('/plans/') && !!document.getElementById('total')"
    until(browser, there, seconds=60)
    # what is pressed is still the form's when it is sent: its name would go with it
    assert browser.value("sessionStorage.getItem('held')") == "true"
    kept = browser.value("location.pathname")
    said = browser.value("document.getElementById('kept-plan').innerText")
    assert said.startswith(f"Saved: long opening set, from the list of plans, planned {total}. ")
    until(browser, "document.getElementById('total').innerText.includes('planned')")
    assert total in browser.value("document.getElementById('total').innerText")
    # who edits it has the notes in sight
    notes = "document.querySelector('[name=notes]')"
    assert "long opening set" in browser.value(f"{notes}.value")
    assert browser.value(f"{notes}.getBoundingClientRect().bottom") < 844
    until(browser, "!!document.getElementById('plan-said').textContent")
    assert "slow pace" not in browser.value("document.getElementById('plan-said').textContent")
    quiet(browser)
    visit(browser, f"{server.address}{kept}/card")
    assert total in browser.value("document.querySelector('.total').innerText")
    visit(browser, f"{server.address}/attempts/{attempt}/next")
    heading = browser.value("document.getElementById('kept').innerText")
    assert heading.startswith(f"Kept as plan: {total}")
    until(browser, "!!document.querySelector('.ranked li')")
    hand.write("#forecast [name=breaks]", "3.5")
    until(browser, "!!document.querySelector('.ranked a.button')")
    again = browser.value("document.querySelector('.ranked li:has(a.button)').innerText")
    assert again.startswith("Long opening set")
    assert total in again
    assert browser.value("document.querySelector('.ranked a.button').pathname") == kept
    quiet(browser)


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("place", ["share", "next"])
def test_a_jump_from_the_head_lands_and_stays(browser, server, attempt, width, place):
    hand = bench(browser, server, attempt, width)
    hand.click(f".jumps [href='#{place}']")
    off = (
        "(e => Math.min(Math.abs(e.getBoundingClientRect().top),"
        "document.documentElement.scrollHeight - innerHeight - scrollY))"
        f"(document.getElementById('{place}'))"
    )
    until(browser, f"{off} < 2", seconds=10)
    if place == "next":
        until(browser, "!!document.querySelector('#next .ranked li')")
    settled(browser)
    assert browser.value(off) < 2
    # who moves on is not taken back
    browser.call("Input.dispatchMouseEvent", type="mouseWheel", x=200, y=300, deltaX=0, deltaY=-400)
    settled(browser)
    browser.value("document.querySelector('.head').style.paddingTop = '30px'")
    settled(browser)
    assert browser.value(f"document.getElementById('{place}').getBoundingClientRect().top") > 100


def test_what_is_to_check_is_found_chosen_and_closed(browser, server, attempt):
    reading = stub_reading()
    between = reading.reps[-1].end_s + 1.0
    reading.failed = [
        FailedStroke(
            id="f1", movement="push press", start_s=between, peak_s=between + 0.4,
            end_s=between + 0.8, reached="rack", confidence=0.9,
        )
    ]  # fmt: skip
    write_stub(server.folder / "attempts" / attempt, reading)
    hand = bench(browser, server, attempt)
    missed = "Push press, not counted"
    assert "1 to check by eye" in browser.value("document.querySelector('.jumps').innerText")
    squares = "document.querySelector('#trace .unsure').getAttribute('d')"
    assert browser.value(squares) != ""
    row = "[...document.getElementById('rep-f1').cells].map(one => one.textContent).join(' | ')"
    assert browser.value(row).endswith(
        "| Push press | not counted, to check it only reached the rack | machine"
    )
    browser.key("d")
    until(browser, f"{CHOSEN} === '{missed} (to check)'")
    # away from it, it is chosen no more, and no button acts on it
    browser.value("document.querySelector('.at[data-to]').click()")
    until(browser, f"{CHOSEN}.startsWith('No rep chosen')")
    hand.click("[data-act=remove]")
    until(browser, f"{SAID}.startsWith('Choose a rep first')")
    hand.click(".checks [data-rep]")
    until(browser, f"{CHOSEN}.startsWith('{missed}')")
    hand.click("[data-seen]")
    until(browser, f"{PANEL}.includes('looked at push press')")
    assert browser.value("document.getElementById('check') === null")
    assert "to check" not in browser.value("document.querySelector('.jumps').innerText")
    assert browser.value(squares) == ""
    undo = "document.querySelector('[data-act=undo]').innerText.replace(/\\s+/g, ' ')"
    assert browser.value(undo).startswith("Undo: looked at")
    # looked at, it stands among what was not counted; taken back, it is asked for again
    told = "document.querySelector('[aria-labelledby=h-not-counted]')?.innerText"
    assert browser.value(told).endswith(f"{missed}: it only reached the rack")
    browser.key("z")
    until(browser, "document.getElementById('check') !== null")
    # a no-rep is one with its reason, whoever had not counted it before
    hand.click(".checks [data-rep]")
    until(browser, f"{CHOSEN}.startsWith('{missed}')")
    answered(browser, "m", why="elbow not locked")
    until(browser, f"{PANEL}.includes('marked a no-rep: push press, at')")
    assert browser.value(undo).startswith("Undo: no-rep")
    assert browser.value(told).endswith(f"{missed}: elbow not locked")
    assert browser.value(row).endswith(
        "| marked as a no-rep: elbow not locked it only reached the rack | a person"
    )
    assert browser.value("document.getElementById('check') === null")
    hand.click(".log [data-rep]")
    until(browser, f"{CHOSEN}.startsWith('{missed}')")
    quiet(browser)


def test_a_click_on_a_handle_moves_nothing(browser, server, attempt):
    hand = bench(browser, server, attempt)
    hand.click(FIRST)
    hand.click(".handle.top")
    settled(browser)
    assert "None. All on this page" in browser.value(PANEL)


def test_a_handle_says_where_it_is_at_each_arrow_key(browser, server, attempt):
    """A slider's value is what `aria-valuenow` and `aria-valuetext` say (WAI-ARIA 1.2)."""
    hand = bench(browser, server, attempt)
    hand.click(FIRST)
    hand.click("[data-act=zoom-whole]")
    handle = "document.querySelector('.handle.end')"
    text, value = f"{handle}.ariaValueText", f"Number({handle}.ariaValueNow)"
    hand.click(".handle.end")
    heard, began = [browser.value(text)], browser.value(value)
    for _ in range(3):
        browser.key("ArrowRight")
        heard.append(browser.value(text))
    assert len(set(heard)) == 4
    assert browser.value(value) == pytest.approx(began + 3 / 30, abs=0.01)
    # the words are on the workout's clock, the value is on the video's
    said_s = [60 * int(one.split(":")[0]) + float(one.split(":")[1]) for one in heard]
    assert said_s[-1] - said_s[0] == pytest.approx(browser.value(value) - began, abs=0.011)
    # zooming leaves it where it was put, and Enter keeps it and stays there
    browser.key("+")
    assert browser.value(text) == heard[-1]
    browser.key("Enter")
    until(browser, f"{PANEL}.includes('end read')")
    assert browser.value("document.activeElement.dataset.edge") == "end"
    assert browser.value(text) == heard[-1]
    # left without Enter, it goes back and says so
    browser.key("ArrowRight")
    browser.key("Tab")
    assert browser.value(text) == heard[-1]
    assert "kept with Enter" in browser.value(SAID)
    quiet(browser)


def test_the_history_says_what_was_taken_back(browser, server, attempt):
    hand = bench(browser, server, attempt)
    browser.key("n")
    answered(browser, "m", why="elbow not locked")
    until(browser, f"{PANEL}.includes('elbow not locked')")
    named = r"marked a no-rep: Round 1, the try (before|after) deadlift \d, at 0:\d\d"
    assert re.search(named, browser.value(PANEL))
    # the entry leads to the rep, and the row gives the reason once, and who said it
    hand.click(".log [data-rep]")
    until(browser, f"{CHOSEN}.includes(', no-rep, ')")
    row = "document.querySelector('.reps tr.touched').innerText"
    assert "marked as a no-rep: elbow not locked\ta person" in browser.value(row)
    missed = "document.querySelector('.notes[aria-labelledby=h-not-counted]').innerText"
    assert browser.value(missed).endswith("elbow not locked")
    assert browser.value("document.querySelector('.dot.missed').getAttribute('d').length") > 0
    browser.key("z")
    until(browser, f"{PANEL}.includes('Robin took back “marked a no-rep: Round 1, deadlift')")
    browser.value("document.getElementById('who').value = 'Kit'")
    browser.key("y")
    until(browser, f"{PANEL}.includes('Kit brought back Robin’s “marked a no-rep: Round 1')")
    browser.key("b")
    answered(browser, "x")
    until(browser, f"{PANEL}.includes('removed a break at 0:')")
    answered(browser, "f", lasts="2.5")  # and is put back, shorter, where the film stands
    until(browser, f"{CHOSEN} === 'Break of 2.5 s'")
    assert browser.value("document.querySelectorAll('.handle').length") == 2
    browser.key("z")
    until(browser, f"{PANEL}.includes('took back “added a break')")
    answered(browser, "a", movement="deadlift")
    until(browser, f"{PANEL}.includes('added a rep')")
    browser.key("z")
    until(browser, f"{PANEL}.includes('took back “added a rep: movement deadlift, top 0:')")
    assert "took back e" not in browser.value(PANEL)
    quiet(browser)
