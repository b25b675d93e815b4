"""What an analysis keeps while it goes on: tracks are taken up again, and only its own."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from repcount import tracking
from repcount.pipeline import analyze as pipeline
from repcount.pipeline.results import TRACKS
from repcount.tracking.tracks import save_tracks
from repcount.web.worker import kept_name
from sample_clips.render.specs import slate
from tests.media import write_video


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
    reported: list[float] = []
    results = pipeline.analyze(
        video, None, tmp_path / "out", progress=lambda share, _: reported.append(share), kept=kept
    )
    assert len(looks) == 1
    assert results.attempt.reps
    assert reported[0] > 0.8
    kept.write_bytes(kept.read_bytes()[:1000])  # cut off: it is made anew
    pipeline.analyze(video, None, tmp_path / "out", kept=kept)
    assert len(looks) == 2
    # another plan later: read anew from the tracks among the results
    pipeline.analyze(video, None, tmp_path / "out", kept=tmp_path / "out" / TRACKS)
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
