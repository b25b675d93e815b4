"""Two passes over the same frames give the same Tracks, whichever thread is faster."""

from __future__ import annotations

import xarray as xr

from repcount.tracking import track
from repcount.video.footage import open_footage
from tests.conftest import REPOSITORY


def test_two_runs_give_identical_tracks() -> None:
    video = REPOSITORY / "sample_clips" / "slate.mp4"
    # Four seconds: the first pull and its lowering.
    one, other = (track(open_footage(video, start_s=5.0, end_s=9.0)) for _ in range(2))
    xr.testing.assert_identical(one, other)
