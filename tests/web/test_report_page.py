"""The page in a real browser: it opens without complaint or network, and works by key and mouse."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from repcount.reports.clocks import on_clock
from repcount.reports.html import write_report
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    example_stills,
    hostile_attempt,
    long_attempt,
)
from tests.media import write_video
from tests.web.browser import CHROMIUM, Browser

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path to open pages in")

RECORDS = {
    "plan": (example_attempt(), example_comparison()),
    "stills": (example_attempt(), example_comparison(), example_stills()),
    "no-plan": (example_attempt(),),
    "no-workout": (bare_attempt(),),
    "empty": (empty_attempt(),),
    "long": (long_attempt(),),
    "hostile": (hostile_attempt('"><img src=x onerror=alert(1)>'), example_comparison()),
}
# Pairs of texts that overlap by more than a pixel: boxes of visible text in one drawing or line.
OVERLAPS = """
[...document.querySelectorAll('svg')]
  .filter(drawing => !drawing.closest('svg svg') && drawing.clientWidth)
  .flatMap(drawing => {
    const box = text => text.getBoundingClientRect();
    const texts = [...drawing.querySelectorAll('text')]
      .filter(text => text.getAttribute('visibility') !== 'hidden');
    const found = [];
    texts.forEach((a, i) => texts.slice(i + 1).forEach(b => {
      const p = box(a), q = box(b);
      const w = Math.min(p.right, q.right) - Math.max(p.left, q.left);
      const h = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
      if (w > 1 && h > 3) found.push(a.textContent + ' / ' + b.textContent);
    }));
    return found;
  })
"""
# Elements that stick out of the window, scrolling regions and their insides left out.
STICKING_OUT = """
[...document.querySelectorAll('main *')].filter(e => !e.closest('.scroll, .time, thead')
  && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map(e => e.tagName + '.' + e.getAttribute('class') + ' ' + e.textContent.slice(0, 40))
"""
# Stills that lie on the words beside them.
COVERED = """
[...document.querySelectorAll('.still img')].flatMap(still => {
  const p = still.getBoundingClientRect();
  return [...still.closest('tr').querySelectorAll('td:not(.still)')].filter(cell => {
    const words = document.createRange();
    words.selectNodeContents(cell);
    const q = words.getBoundingClientRect();
    return q.width && Math.min(p.right, q.right) - Math.max(p.left, q.left) > 1
      && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 1;
  }).map(cell => cell.textContent);
})
"""
READOUT = "document.getElementById('readout').textContent"
SHOWN = "document.querySelector('svg.time').getAttribute('viewBox').split(' ').map(Number)"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as one:
        yield one


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    for name, records in RECORDS.items():
        write_report(folder / f"{name}.html", *records)
    return {name: folder / f"{name}.html" for name in RECORDS}


@pytest.mark.parametrize("width", [320, 390, 820, 1440])
@pytest.mark.parametrize("name", RECORDS)
def test_it_opens_quietly_at_every_width(browser, pages, name, width):
    for scheme in ("light", "dark"):
        browser.shape(width, 900, scheme, phone=width < 600)
        browser.open(pages[name])
        assert browser.complaints() == []
        assert browser.requests() == []
        assert browser.value(STICKING_OUT) == []
        assert browser.value(COVERED) == []
        if name != "hostile":  # names longer than a phone is wide may share a line
            assert browser.value(OVERLAPS) == []
        ground = browser.value("getComputedStyle(document.body).backgroundColor")
        lightness = sum(map(int, re.findall(r"\d+", ground)))
        assert (lightness > 384) is (scheme == "light")


def test_the_policy_blocks_what_a_name_could_smuggle_in(browser, pages):
    browser.shape(820, 900)
    browser.open(pages["plan"])
    browser.value(
        "document.body.insertAdjacentHTML('beforeend',"
        '\'<img src="http://127.0.0.1:9/x.png" onerror="window.ran = 1">\')'
    )
    blocked = browser.value("fetch('http://127.0.0.1:9/').then(() => 'through', () => 'blocked')")
    assert blocked == "blocked"
    assert browser.value("window.ran") is None
    assert any("Content Security Policy" in text for text in browser.complaints())


def test_keys_go_from_rep_to_rep_and_zoom(browser, pages):
    browser.shape(1440, 900)
    browser.open(pages["plan"])
    browser.value("document.getElementById('plot').focus()")
    whole = browser.value(SHOWN)
    browser.key("ArrowRight")
    # on the workout's clock, which starts after the video's first frame
    first, second = (on_clock(example_attempt(), one.top_s) for one in example_attempt().reps[:2])
    assert browser.value(READOUT).startswith(f"Round 1, deadlift 1 · {first} · first of its set")
    browser.key("ArrowRight")
    assert browser.value(READOUT).startswith(f"Round 1, deadlift 2 · {second} · cycle 1.9 s")
    spoken = browser.value("document.getElementById('plot').getAttribute('aria-valuetext')")
    assert spoken.startswith("Round 1, deadlift 2")
    assert browser.value("document.getElementById('plot').getAttribute('role')") == "slider"
    browser.key("+")
    browser.key("+")
    near = browser.value(SHOWN)
    assert near[2] == pytest.approx(whole[2] / 4)
    assert near[0] <= 6.855 <= near[0] + near[2]
    browser.key("End")
    last = browser.value(SHOWN)
    assert last[0] <= example_attempt().reps[-1].top_s <= last[0] + last[2]
    browser.key("0")
    assert browser.value(SHOWN) == whole
    browser.key("Home")
    assert "deadlift 1 " in browser.value(READOUT)


def test_everything_can_be_reached_by_tab(browser, pages):
    browser.shape(1440, 900)
    browser.open(pages["plan"])
    reached = set()
    for _ in range(60):
        browser.key("Tab")
        reached.add(
            browser.value(
                "document.activeElement.id || document.activeElement.dataset.do"
                " || document.activeElement.className || document.activeElement.tagName"
            )
        )
    assert {"plot", "in", "out", "left", "right", "whole", "video", "at", "SUMMARY"} <= reached


def test_hover_reads_out_and_a_drag_zooms(browser, pages):
    browser.shape(1440, 900)
    browser.open(pages["plan"])
    browser.value(
        "document.getElementById('plot').scrollIntoView({block: 'center', behavior: 'instant'})"
    )
    box = browser.value(
        "(b => [b.left, b.top, b.width, b.height])"
        "(document.getElementById('plot').getBoundingClientRect())"
    )
    y = box[1] + 120
    browser.mouse("mouseMoved", box[0] + box[2] / 2, y)
    middle = browser.value(READOUT)
    assert re.match(r"Round \d, [a-z ]+ \d+ · \d:\d\d\.\d", middle)
    begin, _, span, _ = browser.value(SHOWN)
    browser.mouse("mousePressed", box[0] + 0.25 * box[2], y, down=True)
    browser.mouse("mouseMoved", box[0] + 0.4 * box[2], y, down=True)
    browser.mouse("mouseReleased", box[0] + 0.5 * box[2], y)
    shown = browser.value(SHOWN)
    assert shown[0] == pytest.approx(begin + span / 4, abs=0.5)
    assert shown[2] == pytest.approx(span / 4, abs=0.5)
    assert browser.value(OVERLAPS) == []
    browser.value("document.querySelector('[data-do=whole]').click()")
    assert browser.value(SHOWN)[2] == span


def test_buttons_and_moments_lead_to_their_place(browser, pages):
    browser.shape(820, 900)
    browser.open(pages["plan"])
    browser.value("document.querySelectorAll('#round-buttons button')[1].click()")
    second = example_attempt().rounds[1]
    begin, _, span, _ = browser.value(SHOWN)
    assert begin <= second.start_s
    assert begin + span >= second.end_s
    browser.value("document.querySelector('section[aria-labelledby=h-check] button.at').click()")
    begin, _, span, _ = browser.value(SHOWN)
    assert begin <= 83.4 <= begin + span
    assert "hang power clean 4" in browser.value(READOUT)
    browser.value("document.getElementById('show-hip').click()")
    assert browser.value("getComputedStyle(document.querySelector('.hip')).visibility") == "visible"


def test_a_missing_video_is_said_and_one_beside_the_page_plays(browser, pages, tmp_path):
    browser.shape(820, 900)
    browser.open(pages["plan"])
    browser.value("document.querySelector('[data-do=video]').click()")
    wait = "new Promise(done => setTimeout(() => done({0}), 1500))"
    assert browser.value(wait.format("!document.getElementById('choose').hidden"))
    assert browser.value("document.getElementById('film').hidden")

    attempt = example_attempt()
    name = "a film #1.mp4"
    video = attempt.video.model_copy(update={"file_name": name})
    write_video(tmp_path / name, [i / 10 for i in range(100)])
    write_report(tmp_path / "page.html", attempt.model_copy(update={"video": video}))
    browser.open(tmp_path / "page.html")
    h264 = """document.createElement('video').canPlayType('video/mp4; codecs="avc1.640028"')"""
    if not browser.value(h264):
        pytest.skip("this Chromium cannot play H.264")
    browser.value("document.getElementById('plot').focus()")
    browser.key("Home")
    browser.key("Enter")
    playing = (
        "[document.getElementById('film').hidden, document.getElementById('video').currentTime]"
    )
    hidden, at = browser.value(wait.format(playing))
    assert not hidden
    assert at >= attempt.reps[0].start_s


H264 = """document.createElement('video').canPlayType('video/mp4; codecs="avc1.640028"')"""
AT = "document.getElementById('video').currentTime"
PLAYHEAD = "Number(document.getElementById('playhead').getAttribute('d').slice(1).split(' ')[0])"


@pytest.fixture(scope="module")
def filmed(browser, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example's report with a film beside it that lasts as long, at one frame a second."""
    if not browser.value(H264):
        pytest.skip("this Chromium cannot play H.264")
    folder = tmp_path_factory.mktemp("filmed")
    attempt = example_attempt()
    video = attempt.video.model_copy(update={"file_name": "film.mp4"})
    write_video(folder / "film.mp4", list(range(int(video.duration_s) + 1)))
    write_report(
        folder / "report.html", attempt.model_copy(update={"video": video}), example_comparison()
    )
    return folder / "report.html"


def settled(browser: Browser, wanted: float) -> float:
    """The film's time once it has come to play from near `wanted`, or after four seconds."""
    return browser.value(
        f"""new Promise(done => {{
          const begun = performance.now();
          const look = () => {{
            const at = {AT};
            if (Math.abs(at - {wanted}) < 1.5 || performance.now() - begun > 4000) done(at);
            else setTimeout(look, 50);
          }};
          look();
        }})"""
    )


def click(browser: Browser, x: float, y: float) -> None:
    browser.mouse("mouseMoved", x, y)
    browser.mouse("mousePressed", x, y, down=True)
    browser.mouse("mouseReleased", x, y)


def test_a_click_on_rep_break_or_round_plays_from_there(browser, filmed):
    browser.shape(1440, 900)
    browser.open(filmed)
    attempt = example_attempt()
    browser.value(
        "document.getElementById('plot').scrollIntoView({block: 'start', behavior: 'instant'})"
    )
    box = browser.value(
        "(b => [b.left, b.top, b.width, b.height])"
        "(document.getElementById('plot').getBoundingClientRect())"
    )
    begin, _, span, _ = browser.value(SHOWN)

    def across(at_s: float) -> float:
        return box[0] + (at_s - begin) / span * box[2]

    rep = attempt.reps[20]
    click(browser, across(rep.top_s), box[1] + 120)
    assert settled(browser, rep.start_s) == pytest.approx(rep.start_s, abs=1.5)
    assert rep.movement in browser.value(READOUT)
    pause = attempt.breaks[3]
    click(browser, across((pause.start_s + pause.end_s) / 2), box[1] + 120)
    assert settled(browser, pause.start_s) == pytest.approx(pause.first_contact_s, abs=1.5)
    assert f"break after {pause.after.movement} {pause.after.number}" in browser.value(READOUT)
    third = attempt.rounds[2]
    click(browser, across((third.start_s + third.end_s) / 2), box[1] + 10)
    assert settled(browser, third.start_s) == pytest.approx(third.start_s, abs=1.5)
    assert browser.value(READOUT).startswith("Round 3")


def test_the_play_head_runs_along_and_space_stops_it(browser, filmed):
    browser.shape(1440, 900)
    browser.open(filmed)
    browser.value("document.getElementById('plot').focus()")
    browser.key("Home")
    browser.key("Enter")
    first = example_attempt().reps[0]
    settled(browser, first.start_s)
    wait = "new Promise(done => setTimeout(() => done({0}), 1200))"
    before = browser.value(f"({PLAYHEAD})")
    after = browser.value(wait.format(PLAYHEAD))
    assert before < after < before + 5
    assert "deadlift" in browser.value(READOUT)
    browser.key(" ")
    assert browser.value("document.getElementById('video').paused")
    # the head turns the page of a chart that is zoomed in
    browser.value("document.getElementById('video').play()")
    for _ in range(6):
        browser.key("+")
    browser.value(f"{AT} = 60")
    settled(browser, 60)
    browser.value(wait.format("1"))
    begin, _, span, _ = browser.value(SHOWN)
    assert begin <= browser.value(f"({PLAYHEAD})") <= begin + span


def test_tables_and_pictures_play_too(browser, filmed):
    browser.shape(820, 900)
    browser.open(filmed)
    attempt = example_attempt()
    browser.value(
        "document.querySelectorAll('section[aria-labelledby=h-rounds] button')[1].click()"
    )
    assert settled(browser, attempt.rounds[1].start_s) == pytest.approx(
        attempt.rounds[1].start_s, abs=1.5
    )
    browser.value("document.querySelector('section[aria-labelledby=h-breaks] button').click()")
    at = attempt.breaks[0].start_s
    assert settled(browser, at) == pytest.approx(at, abs=2)
    browser.value("document.querySelector('rect.set.real').dispatchEvent(new MouseEvent('click'))")
    at = attempt.sets[0].start_s
    assert settled(browser, at) == pytest.approx(at, abs=2)


@pytest.mark.parametrize("name", ["plan", "stills", "no-plan"])
def test_on_paper_it_is_two_sheets(browser, pages, tmp_path, name):
    browser.shape(1440, 900)
    browser.open(pages[name])
    browser.paper(tmp_path / "page.pdf")
    data = (tmp_path / "page.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 2


def test_twenty_minutes_are_drawn_within_a_second_and_weigh_little(browser, pages):
    """First contentful paint (W3C Paint Timing), from disk; the better of three on a shared
    machine."""
    assert pages["long"].stat().st_size < 1.5e6
    painted = []
    for _ in range(3):
        browser.shape(1440, 900)
        browser.open(pages["long"])
        painted.append(
            browser.value(
                "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 1e9"
            )
        )
    assert min(painted) < 1000


def test_it_stands_without_its_script(browser, pages, tmp_path):
    text = re.sub(r"<script>.*?</script>", "", pages["plan"].read_text(), flags=re.S)
    (tmp_path / "still.html").write_text(text)
    browser.shape(820, 900)
    browser.open(tmp_path / "still.html")
    assert browser.value("document.getElementById('tools').hidden")
    assert (
        browser.value("document.querySelector('.trace .bar').getBoundingClientRect().width") > 300
    )
    assert browser.value(OVERLAPS) == []
    assert "2:02.6" in browser.value("document.body.textContent")


def test_twenty_minutes_zoom_fast(browser, pages):
    browser.shape(1440, 900)
    browser.open(pages["long"])
    spent = browser.value(
        """(() => {
          const press = name => document.querySelector(`[data-do=${name}]`).click();
          const begun = performance.now();
          for (let i = 0; i < 20; i += 1) {
            press(i % 5 ? 'in' : 'whole');
            document.body.getBoundingClientRect();
          }
          return (performance.now() - begun) / 20;
        })()"""
    )
    assert spent < 200  # milliseconds a step, script and layout
