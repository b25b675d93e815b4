"""When something was filmed: ISO 8601, in UTC."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import av
import pytest

from repcount.video.footage import probe
from repcount.wording.moments import parse_recorded, recorded_words
from tests.media import card


@pytest.fixture
def in_lima(monkeypatch):
    """A machine five hours behind UTC all year (IANA: America/Lima)."""
    monkeypatch.setenv("TZ", "America/Lima")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_moment_without_a_zone_is_of_this_machines(in_lima):
    assert parse_recorded("2026-03-08 18:30") == "2026-03-08T23:30:00Z"
    assert parse_recorded("2026-03-08T18:30:12+01:00") == "2026-03-08T17:30:12Z"
    assert parse_recorded("2026-03-08T17:30:12.000000Z") == "2026-03-08T17:30:12Z"
    assert parse_recorded("2026-03-08T18:30:12+0100") == "2026-03-08T17:30:12Z"
    assert parse_recorded(" 2026-03-08 ") == "2026-03-08"


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13-01", "18:30", "1904-01-01T00:00:00Z"])
def test_what_is_no_moment_of_filming_is_refused(text):
    with pytest.raises(ValueError, match=r"is no moment|lies before"):
        parse_recorded(text)


def test_what_has_not_come_is_refused():
    later = datetime.now(UTC) + timedelta(days=3)
    with pytest.raises(ValueError, match="has not come"):
        parse_recorded(later.isoformat())


def test_words_are_as_exact_as_what_is_known():
    assert recorded_words("2026-03-08T17:30:12Z") == "08 Mar 2026, 17:30 UTC"
    assert recorded_words("2026-03-08") == "08 Mar 2026"
    assert recorded_words(None) == ""
    assert recorded_words("some day") == "some day"


@pytest.mark.parametrize(
    ("said", "recorded"),
    [
        ({"creation_time": "2026-03-08T17:30:12.000000Z"}, "2026-03-08T17:30:12Z"),
        ({"creation_time": "1904-01-01T00:00:00.000000Z"}, None),
        ({}, None),
    ],
)
def test_what_the_file_says_is_read_from_its_head(tmp_path, said, recorded):
    """FFmpeg writes the head of MP4 (mvhd, ISO/IEC 14496-12) and reads it back."""
    path = tmp_path / "film.mp4"
    with av.open(str(path), "w") as film:
        film.metadata.update(said)
        stream = film.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuv420p"
        for index in range(6):
            frame = av.VideoFrame.from_ndarray(card(index=index), format="rgb24")
            film.mux(stream.encode(frame))
        film.mux(stream.encode())
    assert probe(path).recorded_at == recorded
