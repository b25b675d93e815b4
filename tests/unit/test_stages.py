"""How far an analysis is: one share over all stages, never ahead of the work, and what is kept."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from repcount import tracking
from repcount.pipeline import analyze as pipeline
from repcount.pipeline.stages import FILES, READING, STILLS, Stages
from repcount.tracking.tracks import save_tracks
from repcount.web.queue import Running
from repcount.web.worker import kept_name
from sample_clips.render.specs import slate
from tests.media import write_video

WHOLE = 1 + READING + STILLS + FILES


class Clock:
    """Seconds that pass when they are told to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = 1000.0
        monkeypatch.setattr(time, "monotonic", lambda: self.now)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


def test_the_end_of_tracking_is_not_the_end(clock):
    told: list[tuple[float, float]] = []
    going = Stages(lambda *now: told.append(now), stills=True)
    clock.now += 100
    going.tracking(1.0, 0.0)
    assert told[-1][0] == pytest.approx(1 / WHOLE)
    assert told[-1][1] == pytest.approx(100 * (WHOLE - 1))
    going.tracked()
    for number, _ in enumerate(going.each("stills", range(10))):
        if number:
            # 2 s each so far, and the files come after them
            assert told[-1][1] == pytest.approx(2 * (10 - number) + 100 * FILES)
        clock.now += 2
    going.begin("files")
    assert told[-1][0] == pytest.approx((WHOLE - FILES) / WHOLE)
    assert told[-1][1] == pytest.approx(100 * FILES)
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert shares[-1] < 1


def test_work_done_before_counts_from_the_beginning(clock):
    told: list[tuple[float, float]] = []
    Stages(lambda *now: told.append(now), stills=True).tracked(200.0)
    assert told[0][0] == pytest.approx(1 / WHOLE)
    assert 0 < told[0][1] < 200


def test_between_two_reports_time_goes_on(clock):
    one = Running(process=None, kills_before=0)  # type: ignore[arg-type]
    assert one.now() == (None, None)
    one.fraction, one.left_s, one.told_at = 0.9, 20.0, clock.now
    assert one.now() == (0.9, 20.0)
    clock.now += 10
    share, left = one.now()
    assert left == 10
    assert share == pytest.approx(0.95)
    clock.now += 30  # overdue: it does not say for half a minute that a second is left
    share, left = one.now()
    assert left == 10
    assert 0.95 < share < 1


def test_what_was_killed_after_tracking_is_not_tracked_again(tmp_path, monkeypatch):
    video = write_video(tmp_path / "film.mp4", [n / 10 for n in range(60)])
    looks: list[Path] = []

    def look(footage, options, progress, cancel):
        looks.append(video)
        progress(0.5, 1.0)
        made = slate().tracks()
        about = json.loads(made.attrs["video"]) | {"sha256": footage.info.sha256}
        return made.assign_attrs(video=json.dumps(about))

    def killed(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(tracking, "track", look)
    kept = tmp_path / kept_name({"version": "1"})
    assert kept.name != kept_name({"version": "2"})
    with monkeypatch.context() as broken:
        broken.setattr(pipeline, "read_attempt", killed)
        with pytest.raises(KeyboardInterrupt):
            pipeline.analyze(video, None, tmp_path / "out", kept=kept)
    assert not (tmp_path / "out").exists()
    told: list[float] = []
    results = pipeline.analyze(
        video, None, tmp_path / "out", progress=lambda share, _: told.append(share), kept=kept
    )
    assert len(looks) == 1
    assert results.attempt.reps
    assert told[0] > 0.8
    kept.write_bytes(kept.read_bytes()[:1000])  # cut off: it is made anew
    pipeline.analyze(video, None, tmp_path / "out", kept=kept)
    assert len(looks) == 2


def test_tracks_of_another_video_are_not_taken(tmp_path, monkeypatch):
    """A file of tracks that a copy or a restored folder has brought beside another video."""
    video = write_video(tmp_path / "film.mp4", [n / 10 for n in range(60)])
    kept = tmp_path / "kept.nc"
    save_tracks(slate().tracks(), kept)
    looks = []

    def look(footage, *_):
        looks.append(footage)
        made = slate().tracks()
        about = json.loads(made.attrs["video"]) | {"sha256": footage.info.sha256}
        return made.assign_attrs(video=json.dumps(about))

    monkeypatch.setattr(tracking, "track", look)
    pipeline.analyze(video, None, tmp_path / "out", kept=kept)
    assert len(looks) == 1
