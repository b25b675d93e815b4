"""The page: valid HTML, one file, no way out to the network, names that stay names."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import time
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise

import html5lib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.records import MovementReps, SetSpeed, Trace
from repcount.reports.html import report_page
from repcount.reports.svg import rows_apart
from repcount.reports.trace_chart import height_at, simplify, trace_chart
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    hostile_attempt,
    long_attempt,
)

RECORDS = {
    "plan": (example_attempt(), example_comparison()),
    "no plan": (example_attempt(),),
    "no workout": (bare_attempt(),),
    "empty": (empty_attempt(),),
    "long": (long_attempt(),),
}
HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; alert(1); //",
    "</script><script>alert(1)</script>",
    "<!--<script>",
    "{{ 7*7 }}",
    "]]>",
    "=cmd()",
    "👩‍👩‍👧‍👦",
    "‮عربى",
    "\x00\x1b[31m",
]


@cache
def page_of(name: str) -> str:
    return report_page(*RECORDS[name])


class Elements(HTMLParser):
    """Every element with its attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)


@pytest.mark.parametrize("name", RECORDS)
def test_the_page_is_valid_html(name):
    # html5lib follows the parsing algorithm of the HTML standard; strict raises on every error.
    html5lib.HTMLParser(strict=True).parse(page_of(name))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_text(name):
    text = report_page(hostile_attempt(name), example_comparison())
    html5lib.HTMLParser(strict=True).parse(text)
    plain = Elements(page_of("plan"))
    hostile = Elements(text)
    kinds = {tag for tag, _ in plain.found}
    assert {tag for tag, _ in hostile.found} <= kinds
    for tag in ("script", "img", "iframe", "meta", "style"):
        assert sum(t == tag for t, _ in hostile.found) == sum(t == tag for t, _ in plain.found)
    assert not [key for _, attrs in hostile.found for key in attrs if key.startswith("on")]
    assert "\x00" not in text
    assert "\x1b" not in text


@given(st.text(min_size=1, max_size=40))
@settings(max_examples=6, deadline=None)
def test_any_name_gives_valid_html(name):
    html5lib.HTMLParser(strict=True).parse(report_page(hostile_attempt(name), example_comparison()))


@pytest.mark.parametrize("name", RECORDS)
def test_nothing_points_outside(name):
    text = page_of(name)
    assert not re.search(r"(?i)\b(?:https?|wss?|ftp):|//[a-z0-9-]+\.[a-z]", text)
    for _, attributes in Elements(text).found:
        assert not {"src", "href", "srcset", "action", "data"} & set(attributes)


def test_the_policy_forbids_the_network_and_other_scripts():
    """Content Security Policy level 3: default-src 'none', scripts and styles by their hash."""
    text = page_of("plan")
    elements = Elements(text).found
    policy = next(
        attributes["content"]
        for tag, attributes in elements
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(part.split(" ", 1) for part in policy.split("; "))
    assert rules["default-src"] == "'none'"
    assert "connect-src" not in rules
    assert "img-src" not in rules
    assert rules["media-src"] == "'self' file: blob:"
    for tag, rule in (("script", "script-src"), ("style", "style-src")):
        body = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.S)
        digest = base64.b64encode(hashlib.sha256(body[0].encode()).digest()).decode()
        assert rules[rule] == f"'sha256-{digest}'"
        assert len(body) == 1
    assert not [1 for _, attributes in elements if "style" in attributes]


def test_the_data_for_the_script_can_be_read():
    text = report_page(hostile_attempt("</script><b>"), example_comparison())
    data = json.loads(
        re.search(r'<script type="application/json" id="data">(.*?)</script>', text)[1]
    )
    attempt = example_attempt()
    assert [one[0] for one in data["moments"] if one[2] is None] == sorted(
        rep.top_s for rep in attempt.reps
    )
    assert [one[2] for one in data["moments"] if one[2] is not None] == [
        pause.end_s for pause in attempt.breaks
    ]


@pytest.mark.parametrize("name", ["a#b?c.mp4", "javascript:alert(1)", "//host/x.mp4", "a/../b.mp4"])
def test_a_video_name_is_only_ever_a_file_beside_the_page(name):
    text = report_page(hostile_attempt(name))
    data = json.loads(re.search(r'id="data">(.*?)</script>', text)[1])
    for place in data["videos"]:
        assert re.fullmatch(r"\.{1,2}/[A-Za-z0-9._~%-]+", place)


def test_the_sections_stand_in_their_order():
    text = page_of("plan")
    order = [
        "h-rounds",
        "h-sets",
        "h-trace",
        "h-time",
        "h-cycles",
        "h-breaks",
        "h-check",
        "h-seen",
        "h-made",
    ]
    places = [text.index(f'id="{name}"') for name in order]
    assert places == sorted(places)
    assert text.index("<h1>") < places[0]


def test_what_the_page_says_is_in_the_tables_not_only_in_drawings():
    """Screen readers get tables and text; every drawing is hidden from them."""
    text = page_of("plan")
    words = re.sub(r"<svg.*?</svg>", "", re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S))
    for part in ("Finished in 2:46.9", "+11.4", "6 | 2+5 | 1+4", "Push press", "2:02.6"):
        assert part in words
    for tag, attributes in Elements(text).found:
        if tag == "svg" and "time" not in (attributes.get("class") or "").split():
            assert attributes.get("aria-hidden") == "true"


def test_twenty_minutes_are_drawn_quickly_and_stay_small():
    attempt = long_attempt(rate_hz=30)
    begun = time.process_time()
    text = report_page(attempt)
    assert time.process_time() - begun < 5
    assert len(text.encode()) < 1_500_000


def test_the_drawn_curve_stays_by_the_trace():
    rng = np.random.default_rng(4)
    times = np.arange(0, 60, 1 / 30)
    heights = 0.6 + 0.4 * np.sin(times) + rng.normal(0, 0.002, len(times))
    seen: list[float | None] = [float(height) for height in heights]
    seen[300:330] = [None] * 30
    runs = simplify([float(time) for time in times], seen, tolerance=0.003)
    assert len(runs) == 2
    kept = np.array([point for run in runs for point in run])
    assert len(kept) < len(times)
    drawn = np.interp(times, kept[:, 0], kept[:, 1])
    looked = np.array([height is not None for height in seen])
    assert np.abs(drawn - heights)[looked].max() <= 0.003 + 1e-9


@given(
    st.lists(st.one_of(st.none(), st.floats(-1, 2)), max_size=60),
)
def test_the_drawn_curve_stays_by_any_trace(heights):
    times = [index / 10 for index in range(len(heights))]
    runs = simplify(times, heights, tolerance=0.01)
    for run in runs:
        moments = [moment for moment, _ in run]
        for at, height in zip(times, heights, strict=True):
            if height is not None and moments[0] <= at <= moments[-1]:
                drawn = np.interp(at, moments, [level for _, level in run])
                assert abs(drawn - height) <= 0.01 + 1e-9
    assert sum(len(run) for run in runs) <= sum(height is not None for height in heights)


def test_a_rep_where_the_bar_was_not_seen_has_no_height():
    trace = Trace(time_s=[0.0, 0.1, 0.2], bar_st=[0.5, None, 0.7], hip_st=[None] * 3)
    assert height_at(trace, 0.01) == 0.5
    assert height_at(trace, 5.0) is None
    assert trace_chart(empty_attempt()) is None


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(1, 200)), max_size=12))
def test_labels_on_one_row_never_overlap(labels):
    labels = sorted(labels)
    rows = rows_apart(labels)
    for row in set(rows):
        spans = [
            (centre * 290 - length / 2, centre * 290 + length / 2)
            for (centre, length), mine in zip(labels, rows, strict=True)
            if mine == row
        ]
        assert all(a[1] < b[0] for a, b in pairwise(spans))


def _luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(digit * 2 for digit in digits)
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_enough_in_both_schemes():
    """WCAG 2.2: text 4.5 : 1 (1.4.3), marks 3 : 1 (1.4.11); formula of its relative luminance."""
    assert _contrast("#000", "#fff") == pytest.approx(21)  # the standard's own extreme
    css = re.search(r"<style>(.*?)</style>", page_of("plan"), re.S)[1]
    schemes = re.findall(r":root \{(.*?)\}", css, re.S)
    assert len(schemes) == 3  # light, dark, paper
    for scheme in schemes:
        colour = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6});", scheme))
        for text, ground in (("ink", "paper"), ("soft", "paper"), ("soft", "raised")):
            assert _contrast(colour[text], colour[ground]) >= 4.5
        assert _contrast(colour["on-real"], colour["real"]) >= 4.5
        for mark in ("real", "pause", "hold", "turn"):
            assert _contrast(colour[mark], colour["paper"]) >= 3


def test_a_missed_lift_keeps_a_place_in_the_report_before_and_after_it_was_looked_at():
    attempt = example_attempt()
    (missed,) = attempt.failed
    said = "Push press, not counted"
    looked = {"touched_by": "person", "reason": "elbow not locked"}
    after = attempt.model_copy(update={"failed": [missed.model_copy(update=looked)]})
    for one, section, why in (
        (attempt, "h-check", "it only reached the rack"),
        (after, "h-not-counted", "elbow not locked"),
    ):
        text = report_page(one)
        of = text.split(f'aria-labelledby="{section}"')[1].split("</section>")[0]
        assert said in of
        assert why in of
        assert f"{len(one.reps)} reps and 1 missed lift with their times" in text
        row = next(line for line in text.splitlines() if f"<bdi>{missed.id}</bdi>" in line)
        assert ("Not counted." in row) == (one is attempt)
        assert ("Check by eye." in row) == (one is attempt)
    assert said not in text.split('aria-labelledby="h-check"')[1].split("</section>")[0]


def test_a_rep_that_was_not_counted_leaves_its_place_open():
    attempt = example_attempt()
    sets = list(attempt.sets)
    sets[0] = sets[0].model_copy(update={"reps": [MovementReps(movement="deadlift", reps=6)]})
    short = attempt.model_copy(update={"reps": attempt.reps[1:], "sets": sets})
    assert 'class="absent"' not in report_page(attempt, example_comparison())
    page = report_page(short, example_comparison())
    assert page.count('class="absent"') == 1
    place = re.search(r'class="absent" x="([\d.]+)%".*?width="([\d.]+)%"', page)
    # 7 of 8 deadlifts in a round of 18: the 8th place is open.
    assert float(place[1]) == pytest.approx(100 * 7 / 18, abs=0.01)
    assert float(place[2]) == pytest.approx(100 / 18, abs=0.01)


def test_a_coach_finds_how_reps_were_done_and_how_fast_sets_were():
    attempt = example_attempt()
    speed = SetSpeed(
        movement="deadlift", reps=7, mean_st_s=0.5, slope_share=-0.021, uncertainty=0.008
    )
    first = attempt.sets[0].model_copy(update={"speeds": [speed]})
    done = {"from_floor": "reset", "dropped": True}
    reps = [attempt.reps[0].model_copy(update=done), *attempt.reps[1:]]
    attempt = attempt.model_copy(update={"sets": [first, *attempt.sets[1:]], "reps": reps})
    text = report_page(attempt, example_comparison(attempt))
    assert "Set 1: deadlift 0.50 body heights/s, −2.1 ± 0.8 % each rep." in text
    assert "<td>From a reset, dropped after it</td>" in text  # in the table of all reps
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)[1]
    said = [moment[4] for moment in json.loads(data)["moments"]]
    assert sum("from a reset, dropped after it" in one for one in said) == 1
