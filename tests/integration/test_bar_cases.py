"""The bar where filming is hard: a phone that pans after the athlete while the bar is lifted.

Needs OpenGL over EGL (software will do); skips with the reason where that is missing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl", reason="moderngl is not installed (it comes with the render extra)")

from repcount.tracking import TrackOptions, track
from repcount.tracking.tracks import BAR_KEYPOINTS
from sample_clips.render import scene as drawing
from sample_clips.render.camera import orbit, project
from sample_clips.render.choreography import Choreography
from sample_clips.render.clip import Lane, Shot, camera_turns, film
from sample_clips.render.produce import SLATE
from sample_clips.render.scene import RenderUnavailable
from sample_clips.render.script import Act, Script
from sample_clips.render.specs import slate

DEADLIFT = Script(
    (Act("rep", "deadlift", 1), Act("end", how="put down", seconds=0.5)),
    lead_s=0.3,
    tail_s=0.3,
    hands_on_at_first=True,
)
# Radians to the side and up, 0.4 s each: together a tenth of the frame's width and height.
PANS = ((0.8, 0.05, 0.0), (1.5, 0.04, 0.05), (2.6, -0.04, -0.03))


def test_a_pan_moves_background_body_and_bar_together(tmp_path: Path) -> None:
    try:
        drawing.open_context().release()
    except RenderUnavailable as why:
        pytest.skip(str(why))
    choreography = Choreography(slate().human(), DEADLIFT, 3)
    lane = Lane(choreography, SLATE.person, SLATE.bar)
    camera = orbit(28.0, 4.2, 1.15, size=(360, 640))
    shot = Shot(fps=24, pans=PANS, sway_rad=0.003, sound=False)
    path = tmp_path / "pan.mp4"
    (truth,) = film(path, [lane], camera, SLATE.gym, shot, seed=6)
    tracks = track(path, TrackOptions())

    turns = camera_turns(truth.time_s, shot, 6)
    wall = [(0.0, 1.2, -3.0)]  # a point of the background
    seen = np.array([project(camera.turned(turn), wall)[0] for turn in turns])
    moved = seen - seen[0]
    assert np.ptp(moved, axis=0).min() > 20  # it does pan
    assert np.median(np.abs(tracks.camera_shift.values - moved)) < 2.0

    for side, name in enumerate(BAR_KEYPOINTS):
        given = tracks.position.sel(keypoints=name).values[:, :, 0]
        miss = np.hypot(*(given - truth.bar[:, side]).T) / (2 * truth.semi_axis[:, side])
        assert (miss[truth.visible[:, side] > 0.05] < 0.15).mean() > 0.95
