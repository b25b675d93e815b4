"""Stills: the right frame of the right moment, of the athlete, and nobody else's files."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from repcount.attempt.records import save_record
from repcount.pipeline.results import correct
from repcount.plan import parse_plan
from repcount.reports import stills
from repcount.reports.html import report_page
from repcount.units import to_ms
from repcount.video.footage import open_footage
from tests.example_records import example_attempt, example_comparison, example_stills
from tests.integration.test_overlay import tracks
from tests.media import card, read_index, write_video
from tests.scripted_reading import SLATE, as_planned


def gray(jpeg: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)


@pytest.mark.parametrize("slowed", [1.0, 2.0])
def test_a_still_is_the_frame_that_a_player_shows(tmp_path, slowed):
    video = write_video(tmp_path / "film.mp4", np.arange(15) / 10, options={"crf": "1"})
    with open_footage(video, slowed=slowed) as footage:
        found = stills.take(footage, [round(at / slowed) for at in (0, 300, 1200)])
    shown = [read_index(cv2.resize(gray(data), (160, 120))) for data in found.values()]
    assert shown == [0, 3, 12]


def test_a_still_is_cut_to_the_athlete(tmp_path):
    # The athlete of these tracks is about 60 pixels wide in a frame of 640.
    video = write_video(tmp_path / "f.mp4", np.arange(5) / 10, pictures=[card(640, 480)] * 5)
    with open_footage(video) as footage:
        whole = stills.take(footage, [200])[200]
        near = stills.take(footage, [200], tracks())[200]
    size = (stills.HIGH, stills.WIDE)
    assert gray(whole).shape == gray(near).shape == size
    part = cv2.resize(cv2.cvtColor(card(640, 480), cv2.COLOR_RGB2GRAY)[0:120, 0:160], size[::-1])
    assert np.median(np.abs(part.astype(float) - gray(near))) < 12
    assert np.median(np.abs(part.astype(float) - gray(whole))) > 12


def test_a_moment_beyond_the_film_has_no_still(tmp_path):
    video = write_video(tmp_path / "film.mp4", np.arange(5) / 10)
    with open_footage(video) as footage:
        assert stills.take(footage, [99_000]) == {}


def test_only_stills_are_replaced(tmp_path):
    old, new = tmp_path / "stills", tmp_path / "aside"
    stills.save(old, {1000: b"old", 2000: b"old"})
    (old / "mine.jpg").write_bytes(b"mine")
    stills.save(new, {3000: b"new"})
    stills.replace(old, new)
    assert stills.load(old) == {3000: b"new"}
    assert (old / "mine.jpg").read_bytes() == b"mine"
    stills.replace(old, tmp_path / "nothing")
    assert [file.name for file in old.iterdir()] == ["mine.jpg"]


def test_a_still_stands_for_moments_near_it():
    assert stills.nearest({1000: b"a", 2000: b"b"}, 1.1) == b"a"
    assert stills.nearest({1000: b"a", 2000: b"b"}, 1.5) is None
    assert stills.nearest({}, 1.0) is None


def test_breaks_and_reps_to_check_are_shown_with_their_still():
    page = report_page(example_attempt(), example_comparison(), example_stills())
    assert page.count("<img ") >= len(example_attempt().breaks)
    assert page.count("<img ") == page.count(' alt="The video at ')
    assert "img-src data:" in page
    assert "<img " not in report_page(example_attempt(), example_comparison())


def test_a_correction_keeps_the_stills(tmp_path: Path):
    reading = as_planned().reading()
    save_record(reading, tmp_path / "reading.json")
    save_record(parse_plan(SLATE), tmp_path / "plan.json")
    before = correct(tmp_path, lambda results, edits: edits)
    at = to_ms(before.attempt.breaks[0].start_s)
    stills.save(tmp_path / "stills", {at: next(iter(example_stills().values()))})
    correct(tmp_path, lambda results, edits: edits)
    assert list(stills.load(tmp_path / "stills")) == [at]
    assert (tmp_path / "report.html").read_text(encoding="utf-8").count("<img ") == 1
