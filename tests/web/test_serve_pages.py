"""The server's pages in a real browser: a newcomer's way, the bench by key, tus by its client."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from repcount.heat.collect import write_heat
from repcount.library import Library
from tests.conftest import REPOSITORY
from tests.heats import heat_of
from tests.web.browser import CHROMIUM, Browser
from tests.web.serving import Server, finished, upload
from tests.web.stub_analysis import PLAN
from tests.web.test_report_page import STICKING_OUT

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
PANEL = "document.getElementById('panel').textContent"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("pages") / "data") as one, one.client() as client:
        client.post("/api/plans", data={"toml": PLAN})
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


def until(browser: Browser, expression: str, seconds: float = 30) -> None:
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


def test_a_newcomer_uploads_a_clip_and_corrects_a_rep(browser, server):
    browser.shape(390, 844, phone=True)
    visit(browser, server.address + "/")
    choose_file(browser, "#film-file", CLIP)
    browser.value("document.getElementById('plan').selectedIndex = 1")
    browser.value("document.getElementById('send').click()")
    until(browser, "!!document.getElementById('panel')", 60)  # sent, read, and the page is there
    until(browser, "document.readyState === 'complete'")
    quiet(browser)
    until(browser, "document.getElementById('video').readyState > 0")
    browser.value("document.getElementById('who').value = 'Robin'")
    browser.value("document.querySelector('.reps [data-rep]').click()")
    browser.value("document.querySelector('[data-act=no-rep]').click()")
    until(browser, "document.getElementById('ask').open")
    browser.value("document.querySelector('#ask [name=why]').value = 'elbow not locked'")
    browser.value("document.querySelector('#ask button[value=yes]').click()")
    until(browser, f"{PANEL}.includes('elbow not locked')")
    assert "marked as a no-rep" in browser.value(PANEL)
    assert "no-rep by a person" in browser.value(PANEL)
    quiet(browser)


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
    began = time.monotonic()
    browser.key("e")
    until(browser, f"{PANEL}.includes('end read')")
    assert time.monotonic() - began < 3
    browser.key("z")
    until(browser, f"{PANEL}.includes('took back e1')")
    browser.key("y")
    until(browser, f"{PANEL}.includes('took back e2')")
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
        "(b => [b.left + b.width / 2, b.top + 40])"
        "(document.querySelector('.handle:nth-child(3)').getBoundingClientRect())"
    )
    browser.mouse("mouseMoved", *place)
    browser.mouse("mousePressed", *place, down=True)
    browser.mouse("mouseMoved", place[0] + 2, place[1], down=True)
    browser.mouse("mouseReleased", place[0] + 2, place[1])
    until(browser, f"{PANEL}.includes('Sam moved a rep')")
    quiet(browser)


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
    until(browser, f"{said}.startsWith('Fits')")
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
    shots = os.environ.get("REPCOUNT_SHOTS")
    for width in (390, 820, 1440):
        for scheme in ("light", "dark"):
            browser.shape(width, 900, scheme, phone=width < 600)
            for page in pages:
                visit(browser, server.address + page)
                assert browser.value("document.documentElement.scrollWidth") <= width, page
                assert browser.value(STICKING_OUT) == [], page
                if shots:
                    name = page.strip("/").replace("/", "-") or "home"
                    browser.picture(Path(shots) / f"{name[:12]}-{width}-{scheme}.png")
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
