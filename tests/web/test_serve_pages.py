"""The server's pages in a real browser: a newcomer's way, the bench by key, tus by its client."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from repcount.heat.collect import write_heat
from repcount.library.store import Library
from tests.conftest import REPOSITORY
from tests.heats import heat_of
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, finished, upload
from tests.web.slow_line import SlowLine
from tests.web.stub_analysis import PLAN
from tests.web.test_report_page import STICKING_OUT

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
# Whether what has an id can be seen, and nothing lies over it.
IN_SIGHT = (
    "(e => {{ const b = e.getBoundingClientRect();"
    "return e.contains(document.elementFromPoint(b.left + 5, b.top + b.height / 2)); }})"
    "(document.getElementById('{}'))"
)
PANEL = "document.getElementById('panel').textContent"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("pages") / "data") as one, one.client() as client:
        client.post("/api/plans", data={"toml": f'athlete = "Robin"\n{PLAN}'})
        client.post("/api/athletes", data={"name": "Robin"})
        write_heat(one.folder / "written", heat_of(3))
        library = Library(one.folder)
        library.add_heat(one.folder / "written")
        library.close()
        yield one


def visit(browser: Browser, address: str) -> None:
    """Open an address and wait until it has loaded."""
    browser.events.clear()
    browser.call("Page.navigate", url=address)
    until(browser, "document.readyState === 'complete' && location.href !== 'about:blank'")


def until(browser: Browser, expression: str, seconds: float = 300) -> None:
    deadline = time.monotonic() + seconds
    while True:
        try:
            if browser.value(expression):
                return
        except RuntimeError:  # between two pages
            pass
        assert time.monotonic() < deadline, expression
        time.sleep(0.05)


def choose_file(browser: Browser, selector: str, path: Path) -> None:
    root = browser.call("DOM.getDocument")["root"]["nodeId"]
    node = browser.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
    browser.call("DOM.setFileInputFiles", nodeId=node, files=[str(path)])


def quiet(browser: Browser) -> None:
    found = [one for one in browser.complaints() if "favicon" not in one]
    assert not found, found


class Hand:
    """A person with a mouse and a keyboard, or a `finger` in place of the mouse: points at what
    can be seen and types. Counts steps."""

    def __init__(self, browser: Browser, *, finger: bool = False) -> None:
        self.browser, self.finger, self.steps = browser, finger, 0

    def click(self, selector: str) -> None:
        place = (
            "(async e => { let y = NaN;"
            "const at = () => e.getBoundingClientRect();"
            "for (let still = 0; still < 5; still = at().top === y ? still + 1 : 0) {"
            "  y = at().top; e.scrollIntoView({block: 'center', behavior: 'instant'});"
            "  await new Promise(requestAnimationFrame); }"  # the page may be scrolling itself
            "const place = [at().left + at().width / 2, y + at().height / 2];"
            "const hit = document.elementFromPoint(...place);"
            "return e === hit || e.contains(hit) ? place : null; })"
            f"(document.querySelector({selector!r}))"
        )
        found: list[float] = []
        until(self.browser, f"!!document.querySelector({selector!r})")
        deadline = time.monotonic() + 60
        while not found:
            assert time.monotonic() < deadline, f"{selector} cannot be pointed at"
            found = self.browser.value(place) or []
        self.press(*found)
        self.steps += 1

    def press(self, x: float, y: float) -> None:
        if self.finger:
            self.browser.tap(x, y)
            return
        self.browser.mouse("mousePressed", x, y, down=True)
        self.browser.mouse("mouseReleased", x, y)

    def write(self, selector: str, text: str) -> None:
        self.click(selector)
        for sign in text:
            self.browser.key(sign)

    def choose(self, selector: str, path: Path) -> None:
        """In the system's own window, which no script can reach."""
        choose_file(self.browser, selector, path)
        self.steps += 1


def test_a_newcomer_uploads_a_clip_and_corrects_a_rep(browser, server):
    """In under three minutes without the analysis, which is a stand-in here: at most ten steps, of
    which each may take a newcomer ten seconds; what the server takes of it is measured."""
    browser.shape(390, 844, phone=True)
    visit(browser, server.address + "/")
    hand = Hand(browser)
    began = server.busy_s()
    hand.choose("#film-file", CLIP)
    browser.value(
        "(one => { one.selectedIndex = 1; one.dispatchEvent(new Event('change')); })"
        "(document.getElementById('athlete'))"
    )
    hand.steps += 2  # the list and the name in it; the athlete's plan comes by itself
    entry = browser.value("document.getElementById('plan').selectedOptions[0].text")
    assert entry == "Slate, 60 kg (132.3 lb), 2:34.0"
    hand.click("#send")
    assert hand.steps <= 5
    until(browser, "!!document.getElementById('panel')")  # sent, read, and the page is there
    until(browser, "document.readyState === 'complete'")
    quiet(browser)
    until(browser, "document.getElementById('video').readyState > 0")
    hand.click(".reps [data-rep]")
    hand.click("[data-act=tools]")
    hand.click("[data-act=no-rep]")
    until(browser, "document.getElementById('ask').open")
    hand.write("#ask [name=why]", "elbow not locked")
    hand.write("#ask [name=who]", "Robin")
    hand.click("#ask button[value=yes]")
    until(browser, f"{PANEL}.includes('elbow not locked')")
    took = server.busy_s() - began
    assert "marked as a no-rep" in browser.value(PANEL)
    assert hand.steps <= 10
    # beside the video it is said what was kept, of which rep, and what an undo takes back
    for one, said in (("chosen", ", no-rep, "), ("kept", "Kept: marked a no-rep: ")):
        assert said in browser.value(f"document.getElementById({one!r}).textContent")
        assert browser.value(IN_SIGHT.format(one))
    assert browser.value("document.querySelector('[data-act=undo]').innerText") == "Undo: no-rep"
    assert took + 10 * hand.steps < 180
    quiet(browser)


@pytest.fixture
def line(server: Server) -> Iterator[SlowLine]:
    one = SlowLine(lambda: server.port, 2_000_000)
    yield one
    one.close()


def arrived(server: Server) -> int:
    """How many bytes of uploads on their way lie on the disk."""
    return sum(file.stat().st_size for file in (server.folder / "uploads").iterdir())


# What stood there for a moment only counts as well; the next page can still read it.
KEEP_WHAT_IS_SAID = """
new MutationObserver(() => {
  sessionStorage.said = (sessionStorage.said || "") + document.getElementById("sent").textContent;
}).observe(document.getElementById("sent"), { childList: true });
sessionStorage.said = "";
"""
IS_LOST = "sessionStorage.said.includes('connection is lost')"


def begin_upload(browser: Browser, address: str, stalled_s: float | None = None) -> None:
    visit(browser, address + "/")
    if stalled_s is not None:
        browser.value(f"document.getElementById('upload').dataset.stalled = {stalled_s}")
    choose_file(browser, "#film-file", CLIP)
    browser.value(KEEP_WHAT_IS_SAID)
    browser.value("document.getElementById('send').click()")


def sent_whole(browser: Browser, server: Server) -> None:
    until(browser, "location.pathname.startsWith('/attempts/')", 60)
    made = browser.value("location.pathname").rpartition("/")[2]
    kept = server.folder / "attempts" / made / CLIP.name
    assert kept.read_bytes() == CLIP.read_bytes()


def test_an_upload_goes_on_after_a_lost_connection(browser, server, line):
    line.after(1_000_000, line.cut)
    begin_upload(browser, line.address)
    until(browser, IS_LOST)
    come = arrived(server)
    assert 0 < come < CLIP.stat().st_size
    line.mend()
    sent_whole(browser, server)
    asked = {one for one in browser.requests() if "/api/uploads/" in one}
    assert len(asked) == 2, asked  # where uploads are made, and one upload: no second was begun


def test_an_upload_goes_on_when_the_line_is_silent(browser, tmp_path):
    with Server(tmp_path / "data", stalled_s=1) as patient:
        line = SlowLine(lambda: patient.port, 6_000_000)
        line.after(1_000_000, line.stall)
        begin_upload(browser, line.address, stalled_s=4)
        sent_whole(browser, patient)
        assert browser.value(IS_LOST)
        line.close()


def test_an_upload_goes_on_in_a_new_page_of_a_new_server(browser, server, line):
    line.after(3_000_000, line.cut)
    begin_upload(browser, line.address)
    until(browser, IS_LOST)
    browser.call("Page.navigate", url="about:blank")
    server.kill()
    come = arrived(server)
    assert 0 < come < CLIP.stat().st_size
    server.start()
    line.mend()
    begin_upload(browser, line.address)
    until(browser, "document.getElementById('bar').value > 0")
    begun = browser.value("document.getElementById('bar').value")
    assert begun * CLIP.stat().st_size >= 0.9 * come
    assert not [one for one in browser.requests() if one.endswith("/api/uploads/")]
    sent_whole(browser, server)


@pytest.fixture(scope="module")
def attempt(server: Server) -> str:
    with server.client() as client:
        made = upload(client, CLIP.read_bytes(), plan="1", athlete="1")
        assert finished(client, made)["state"] == "done"
    return made


def test_the_bench_goes_by_keys(browser, server, attempt):
    browser.shape(1440, 900)
    visit(browser, f"{server.address}/attempts/{attempt}")
    until(browser, "document.getElementById('video').readyState > 0")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    now = "document.getElementById('video').currentTime"
    cursor = "Number(document.getElementById('cursor').getAttribute('d').slice(1).split(' ')[0])"
    browser.key("n")
    first = browser.value(now)
    browser.key("n")
    second = browser.value(now)
    assert second > first
    # chart and video in step
    until(browser, f"Math.abs({cursor} - {now}) < 0.001")
    browser.key(".")
    until(browser, f"Math.abs({now} - {second} - 1 / 30) < 0.01")
    browser.key("b")
    assert "Break" in browser.value("document.getElementById('chosen').textContent")
    browser.key("p")
    # an edge moved by key: the rep's end to the play head
    browser.value("document.querySelector('.reps [data-rep]').click()")
    for _ in range(3):
        browser.key(".")
    began = server.busy_s()
    browser.key("e")
    until(browser, f"{PANEL}.includes('end read')")
    assert server.busy_s() - began < 3
    browser.key("z")
    until(browser, f"{PANEL}.includes('took back “moved a rep')")
    browser.key("y")
    until(browser, f"{PANEL}.includes('brought back “moved a rep')")
    quiet(browser)


NOW = "document.getElementById('video').currentTime"
SAID = "document.getElementById('said').textContent"
ROWS = "document.querySelectorAll('.reps tbody tr').length"


def bench(browser: Browser, server: Server) -> str:
    """A new attempt on the bench at a desk; its id."""
    with server.client() as client:
        made = upload(client, CLIP.read_bytes(), plan="1", athlete="1")
        assert finished(client, made)["state"] == "done"
    browser.shape(1440, 900)
    visit(browser, f"{server.address}/attempts/{made}")
    until(browser, "document.getElementById('video').readyState > 0")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    return made


def answered(browser: Browser, key: str, **given: str) -> None:
    """Press a key that asks something, and answer."""
    browser.key(key)
    until(browser, "document.getElementById('ask').open")
    for name, value in given.items():
        browser.value(f"document.querySelector('#ask [name={name}]').value = {value!r}")
    browser.value("document.querySelector('#ask button[value=yes]').click()")


def test_every_key_that_moves_moves(browser, server):
    bench(browser, server)
    browser.key(" ")
    until(browser, f"!document.getElementById('video').paused && {NOW} > 0")
    browser.key(" ")
    until(browser, "document.getElementById('video').paused")
    browser.key("n")
    first = browser.value(NOW)
    browser.key("n")
    browser.key("p")
    assert browser.value(NOW) == pytest.approx(first, abs=0.001)
    browser.key("p")
    assert "no rep before" in browser.value(SAID)
    browser.key(".")
    browser.key(".")
    browser.key(",")
    until(browser, f"Math.abs({NOW} - {first} - 1 / 30) < 0.01")
    browser.key("d")
    assert browser.value(SAID) == "Nothing is to be checked."  # the stand-in marks nothing
    edge = "getComputedStyle(document.getElementById('said')).borderLeftWidth"
    assert browser.value(edge) == "1px"  # which is no fault
    view = "document.querySelector('#trace svg.time').getAttribute('viewBox')"
    assert float(browser.value(view).split()[2]) == pytest.approx(8, abs=0.01)  # round the rep
    browser.key("0")
    whole = browser.value(view)
    browser.key("+")
    near = browser.value(view)
    assert float(near.split()[2]) == pytest.approx(float(whole.split()[2]) / 2, rel=0.01)
    browser.key("-")
    assert float(browser.value(view).split()[2]) > float(near.split()[2])
    browser.key("+")
    browser.key("0")
    assert browser.value(view) == whole
    # what is typed is text
    browser.value("document.getElementById('who').focus()")
    for key in "xza":
        browser.key(key)
    assert browser.value("document.getElementById('who').value") == "Robinxza"
    assert "None. All on this page" in browser.value(PANEL)
    quiet(browser)


def test_every_key_that_corrects_corrects(browser, server):
    bench(browser, server)
    rows = browser.value(ROWS)
    browser.key("m")
    assert "Choose a rep first" in browser.value(SAID)
    browser.key("n")
    browser.key("n")
    answered(browser, "m", why="elbow not locked")
    until(browser, f"{PANEL}.includes('elbow not locked')")
    browser.value("document.querySelector('.reps [data-rep]').click()")
    browser.key("d")
    assert "Nothing is" in browser.value(SAID)  # what a person judged need not be checked again
    browser.key("n")
    assert "no-rep" in browser.value("document.getElementById('chosen').textContent")
    answered(browser, "c", why="it was")
    until(browser, f"{PANEL}.includes('let it count')")
    answered(browser, "r", movement="power clean", round="1")
    until(browser, f"{PANEL}.includes('read as deadlift')")
    answered(browser, "x")
    until(browser, f"{ROWS} === {rows - 1}")
    browser.key("z")
    until(browser, f"{ROWS} === {rows}")
    browser.key("Z", shift=True)
    until(browser, f"{ROWS} === {rows - 1}")
    browser.key("b")
    breaks = "document.querySelectorAll('[data-break]').length"
    before = browser.value(breaks)
    answered(browser, "a", movement="deadlift")  # where the break begins
    until(browser, f"{PANEL}.includes('added by a person')")
    browser.key("z")
    until(browser, f"!{PANEL}.includes('added by a person')")
    answered(browser, "Delete")
    until(browser, f"{breaks} === {before - 1}")
    browser.value("document.querySelector('.reps tr:nth-child(3) [data-rep]').click()")
    for frames, key, said in ((",,", "s", "start read"), ("...", "t", "top read")):
        for frame in frames:
            browser.key(frame)
        browser.key(key)
        until(browser, f"{PANEL}.includes('{said}')")
    # a handle goes by the arrow keys and stays with Enter
    browser.value("document.querySelector('.reps tr:nth-child(5) [data-rep]').click()")
    browser.value("document.querySelector('.handle.end').focus()")
    browser.key("ArrowRight")
    browser.key("ArrowRight")
    browser.key("Enter")
    until(browser, f"{PANEL}.includes('end read')")
    browser.value("document.activeElement.blur()")
    browser.key("[")
    until(browser, f"{PANEL}.includes('set the clock: start')")
    browser.value("document.querySelector('.reps tr:nth-last-child(1) [data-rep]').click()")
    browser.key("]")
    until(browser, f"{PANEL}.includes('set the clock: end')")
    answered(browser, "o", text="breath held here")
    until(browser, f"{PANEL}.includes('breath held here')")
    log = "document.querySelector('.log').textContent"
    taken_back = f"{log}.split(/took back|brought back/).length"
    before = browser.value(taken_back)
    for more, key in enumerate("zy", 1):
        browser.key(key)
        until(browser, f"{taken_back} === {before + more}")
    quiet(browser)


def test_a_click_on_the_chart_goes_there_and_a_drag_moves_an_edge(browser, server, attempt):
    browser.shape(1440, 900)
    visit(browser, f"{server.address}/attempts/{attempt}")
    until(browser, "document.getElementById('video').readyState > 0")
    browser.value("document.getElementById('who').value = 'Sam'")
    box = browser.value(
        "(b => [b.left, b.top, b.width])(document.getElementById('plot').getBoundingClientRect())"
    )
    x, y = box[0] + box[2] / 2, box[1] + 60
    browser.mouse("mousePressed", x, y, down=True)
    browser.mouse("mouseReleased", x, y)
    until(browser, "document.getElementById('video').currentTime > 10")
    browser.value("document.querySelector('.reps tr:nth-child(2) [data-rep]').click()")
    place = browser.value(
        "(b => [b.left + b.width / 2, b.top + 22])"
        "(document.querySelector('.handle.end').getBoundingClientRect())"
    )
    browser.mouse("mouseMoved", *place)
    browser.mouse("mousePressed", *place, down=True)
    browser.mouse("mouseMoved", place[0] + 2, place[1], down=True)
    browser.mouse("mouseReleased", place[0] + 2, place[1])
    until(browser, f"{PANEL}.includes('Sam moved a rep')")
    quiet(browser)


def test_who_corrects_is_asked_once_and_nothing_typed_is_lost(browser, server):
    bench(browser, server)
    browser.value("document.getElementById('who').value = ''")
    browser.key("[")
    until(browser, "document.getElementById('ask').open")
    browser.value("document.querySelector('#ask button[value=no]').click()")
    until(browser, "document.activeElement === document.body")
    browser.key("[")
    answer = "document.querySelector('#ask [name=who]')"
    until(browser, f"document.getElementById('ask').open && !{answer}.value")
    browser.value("document.querySelector('#ask button[value=yes]').click()")
    assert browser.value("document.getElementById('ask').open")  # it wants a name
    browser.value(f"{answer}.value = 'Kit'")
    browser.value("document.querySelector('#ask button[value=yes]').click()")
    until(browser, f"{PANEL}.includes('Kit set the clock')")
    answered(browser, "o", text="no name asked")
    until(browser, f"{PANEL}.includes('Kit noted')")
    assert browser.value("localStorage.getItem('who')") == "Kit"


def test_another_ones_correction_is_said_and_shown(browser, server, attempt):
    visit(browser, f"{server.address}/attempts/{attempt}")
    until(browser, "!!document.getElementById('data')")
    with server.client() as client:
        version = client.get(f"/api/attempts/{attempt}/panel").json()["version"]
        body = {"version": version, "who": "Kit", "action": "note", "values": {"text": "mine"}}
        assert client.post(f"/api/attempts/{attempt}/edits", json=body).status_code == 200
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.activeElement.blur()")
    browser.key("[")
    until(browser, "document.getElementById('said').textContent.includes('omeone else')")
    until(browser, f"{PANEL}.includes('mine')")


def test_a_plan_says_what_is_wrong_as_it_is_written(browser, server):
    browser.shape(820, 1000)
    visit(browser, server.address + "/plans/new?text=1")
    said = "document.getElementById('plan-said').textContent"
    write = (
        "((text) => {{ const box = document.querySelector('textarea'); box.value = text;"
        "box.dispatchEvent(new Event('input', {{bubbles: true}})); }})({})"
    )
    browser.value(write.format(repr(PLAN.replace("deadlift", "deadlft"))))
    until(browser, f"{said}.includes('deadlft')")
    browser.value(write.format(repr(PLAN)))
    until(browser, f"{said}.startsWith('Complete')")
    quiet(browser)


def test_pages_fit_every_width(browser, server, attempt):
    pages = (
        "/",
        "/athletes",
        "/workouts",
        "/heats",
        "/plans",
        "/plans/new",
        "/plans/1",
        f"/attempts/{attempt}",
    )
    for width in (390, 820, 1440):
        for scheme in ("light", "dark"):
            browser.shape(width, 900, scheme, phone=width < 600)
            for page in pages:
                visit(browser, server.address + page)
                assert browser.value("document.documentElement.scrollWidth") <= width, page
                assert browser.value(STICKING_OUT) == [], page
    quiet(browser)


def test_axe_core_finds_no_violation(browser, server, attempt):
    """Deque's axe-core 4.14.1 (MPL-2.0), every rule it has on by default."""
    axe = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
    run = (
        "axe.run(document).then(r => r.violations.map(v => v.id + ': ' "
        "+ v.nodes.slice(0, 3).map(n => n.html.slice(0, 120) + ' ' + n.failureSummary)"
        ".join(' | ')))"
    )
    found = {}
    pages = ("/", "/plans/new", "/plans/1", "/workouts/Slate", "/heats", f"/attempts/{attempt}")
    for width, scheme in ((390, "dark"), (1440, "light")):
        browser.shape(width, 900, scheme, phone=width < 600)
        for page in pages:
            visit(browser, server.address + page)
            browser.value(axe)  # by the debugger, which the page's policy does not bind
            if violations := browser.value(run):
                found[f"{page} {width} {scheme}"] = violations
    assert not found
