"""A part of the frame is tracked like the whole, in the whole frame's pixels."""

from __future__ import annotations

import json

import numpy as np

from repcount.tracking import track
from repcount.tracking.tracks import BAR_KEYPOINTS
from repcount.video.footage import open_footage
from tests.conftest import REPOSITORY

CLIP = REPOSITORY / "sample_clips" / "slate.mp4"
REGION = (60, 200, 700, 1180)


def test_positions_are_those_of_the_whole_frame() -> None:
    """The renderer's exact joints are the reference."""
    with open_footage(CLIP, start_s=6.0, end_s=9.0) as footage:
        tracks = track(footage, region=REGION)
    frames = np.load(CLIP.with_suffix(".frames.npz"))
    names = list(frames["joint_names"])
    at = np.searchsorted(frames["time_s"], tracks.time.values - 1e-6)
    seen = tracks.position.isel(individuals=0)
    for side in ("left_shoulder", "right_shoulder"):
        true = frames["joints"][at, names.index(side)].astype(float)
        away = np.hypot(*(seen.sel(keypoints=side).values - true).T)
        assert np.nanmedian(away) < 25  # the torso is 150 pixels long
    for number, end in enumerate(BAR_KEYPOINTS):
        away = np.hypot(*(seen.sel(keypoints=end).values - frames["bar"][at, number]).T)
        assert np.isfinite(away).mean() > 0.8
        assert np.nanmedian(away) < 8
    assert json.loads(tracks.attrs["options"])["region"] == list(REGION)
