"""Captions against the grammar of WebVTT (W3C Candidate Recommendation, 4 April 2019, section 4).

The small reader below follows the file's syntax as the standard writes it (4.1 file structure,
4.2.2 cue text) and refuses what it does not allow. Written from memory of the standard's text.
"""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
import webvtt
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.reports.captions import captions, chapters, chapters_text
from repcount.units import from_ms, to_ms
from tests.example_records import (
    bare_attempt,
    empty_attempt,
    example_attempt,
    example_comparison,
    hostile_attempt,
    long_attempt,
)

# "WebVTT timestamp": optional hours of two or more digits, minutes 00-59, seconds 00-59, three
# digits of a second's fraction.
_STAMP = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"
_TIMINGS = re.compile(rf"{_STAMP}[ \t]+-->[ \t]+{_STAMP}(?:[ \t]+\S.*)?")
# "WebVTT cue text span": any characters but newline, & and <; "HTML character references" beside.
_TEXT = re.compile(r"(?:[^\n\r&<]|&(?:amp|lt|gt|lrm|rlm|nbsp|#\d+|#x[0-9a-fA-F]+);)+")


def read_vtt(text: str) -> list[tuple[int, int, str]]:
    """The cues of a WebVTT file, (start ms, end ms, payload). Raises ValueError."""
    if "\x00" in text:
        raise ValueError("U+0000")
    blocks = re.split(r"\n{2,}", text.strip("\n"))
    header = blocks.pop(0)
    if not re.fullmatch(r"﻿?WEBVTT(?:[ \t][^\n]*)?", header):
        raise ValueError(f"header {header!r}")
    cues = []
    for block in blocks:
        lines = block.split("\n")
        if re.fullmatch(r"NOTE(?:[ \t].*)?", lines[0]):
            if "-->" in block:
                raise ValueError("--> in a comment")
            continue
        if "-->" not in lines[0]:  # "WebVTT cue identifier"
            lines.pop(0)
        timings = _TIMINGS.fullmatch(lines.pop(0))
        if not timings:
            raise ValueError(f"timings in {block!r}")
        numbers = [int(part or 0) for part in timings.groups()]
        start, end = (
            ((h * 60 + m) * 60 + s) * 1000 + ms for h, m, s, ms in (numbers[:4], numbers[4:])
        )
        if end <= start:
            raise ValueError("a cue ends before it starts")
        if cues and start < cues[-1][0]:
            raise ValueError("cues out of order")
        for line in lines:
            if "-->" in line or not _TEXT.fullmatch(line):
                raise ValueError(f"cue text {line!r}")
        cues.append((start, end, "\n".join(lines)))
    return cues


def test_the_reader_refuses_what_the_standard_does():
    good = "WEBVTT\n\n00:01.000 --> 00:02.000\nx\n"
    assert read_vtt(good) == [(1000, 2000, "x")]
    for bad in (
        good.replace("WEBVTT", "WEBVTTX"),
        good.replace("00:02.000", "00:02.00"),
        good.replace("00:02.000", "00:00.500"),
        good.replace("\nx", "\na < b"),
        good.replace("\nx", "\na & b"),
        good.replace("\nx", "\na --> b"),
    ):
        with pytest.raises(ValueError, match=r"."):
            read_vtt(bad)


@pytest.mark.parametrize(
    "attempt", [example_attempt(), bare_attempt(), empty_attempt(), long_attempt()]
)
def test_captions_keep_to_the_standard(attempt):
    read_vtt(captions(attempt))


def by_library(text: str) -> list[tuple[int, int, str]]:
    """The cues as webvtt-py reads them, in its strict way; references it leaves as they are."""
    return [
        (to_ms(cue.start_time.in_seconds()) + cue.start_time.milliseconds,
         to_ms(cue.end_time.in_seconds()) + cue.end_time.milliseconds, cue.raw_text)
        for cue in webvtt.from_string(text, strict=True).captions
    ]  # fmt: skip


@pytest.mark.parametrize(
    "attempt",
    [
        example_attempt(),
        bare_attempt(),
        empty_attempt(),
        long_attempt(),
        hostile_attempt("<v a&b>"),
    ],
)
def test_a_parser_library_reads_the_same_cues(attempt):
    """webvtt-py 0.6.0 (MIT), beside our own strict reader."""
    for text in (captions(attempt), chapters_text(attempt, example_comparison())):
        assert by_library(text) == read_vtt(text)


def test_the_parser_library_can_say_no():
    with pytest.raises(webvtt.errors.MalformedFileError):
        by_library("no captions")
    with pytest.raises(webvtt.errors.MalformedCaptionError):
        by_library("WEBVTT\n\n00:01.000 --> 00:02.00\nx\n")


@given(st.text(min_size=1))
@settings(max_examples=30, deadline=None)
def test_captions_of_any_name_keep_to_the_standard(name):
    text = captions(hostile_attempt(name))
    assert by_library(text) == read_vtt(text)


@pytest.mark.parametrize("name", ["<script>", "a --> b", "a\n\nb", "&amp;", "</c>", "NOTE"])
def test_names_cannot_leave_their_cue(name):
    plain = read_vtt(captions(example_attempt()))
    assert len(read_vtt(captions(hostile_attempt(name)))) == len(plain)


def test_every_counted_rep_is_shown_from_its_top():
    attempt = example_attempt()
    cues = read_vtt(captions(attempt))
    starts = {start: text for start, _, text in cues}
    counted = [rep for rep in attempt.reps if rep.status == "counted"]
    assert all(to_ms(rep.top_s) in starts for rep in counted)
    assert starts[to_ms(counted[8].top_s)] == "Hang power clean 1 of 6 · round 1"
    assert all(end <= after[0] for (_, end, _), after in pairwise(cues))


def test_breaks_run_in_seconds():
    attempt = example_attempt()
    down = [cue for cue in read_vtt(captions(attempt)) if cue[2].startswith("Bar down")]
    assert [text for _, _, text in down[:4]] == [f"Bar down {second} s" for second in range(4)]
    begin = to_ms(attempt.breaks[0].start_s)
    # the nearest whole second: "1 s" from half a second on
    assert [at - begin for at, _, _ in down[:4]] == [0, 500, 1500, 2500]
    assert sum(end - start for start, end, _ in down) == 34_700


def test_a_slowed_video_is_captioned_on_its_own_clock():
    attempt = example_attempt()
    slow = attempt.model_copy(update={"video": attempt.video.model_copy(update={"slowed": 4.0})})
    first = read_vtt(captions(slow))[0][0]
    assert from_ms(first) == pytest.approx(4 * attempt.reps[0].top_s, abs=0.001)


def test_chapters_are_rounds_without_gaps():
    attempt = example_attempt()
    cues = read_vtt(chapters_text(attempt, example_comparison()))
    assert cues[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(cues))
    assert cues[-1][1] == to_ms(attempt.video.duration_s)
    rounds = [cue for cue in cues if cue[2].startswith("Round")]
    assert [cue[0] for cue in rounds] == [to_ms(span.start_s) for span in attempt.rounds]
    assert rounds[0][2] == "Round 1: 43.8 s, planned 44.0 s"
    assert [title for _, _, title in chapters(attempt)][1] == "Round 1: 43.8 s"


@pytest.mark.parametrize("attempt", [bare_attempt(), empty_attempt(), long_attempt()])
def test_chapters_of_other_attempts_can_be_read(attempt):
    read_vtt(chapters_text(attempt))


def test_chapters_of_slow_motion_are_on_the_files_clock():
    attempt = example_attempt()
    slow = attempt.model_copy(update={"video": attempt.video.model_copy(update={"slowed": 4.0})})
    cues, plain = read_vtt(chapters_text(slow)), read_vtt(chapters_text(attempt))
    assert [cue[0] for cue in cues] == [4 * cue[0] for cue in plain]
