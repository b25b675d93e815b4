"""The sample clips that lie in the repository belong to the code that makes them."""

from __future__ import annotations

import json
from pathlib import Path

import av
import numpy as np
import pytest

from repcount.plan import load_plan
from sample_clips.render.human import JOINTS
from sample_clips.render.specs import Spec, basalt, slate

FOLDER = Path(__file__).resolve().parents[2] / "sample_clips"


@pytest.mark.parametrize("spec", [slate(), basalt()], ids=lambda s: s.name)
def test_sample_clip(spec: Spec) -> None:
    truth = json.loads((FOLDER / f"{spec.name}.truth.json").read_text())
    now = json.loads(json.dumps(spec.truth()))
    assert {k: truth[k] for k in now} == now, "render the clip again: its motion has changed"
    assert (FOLDER / f"{spec.name}.toml").read_text() == spec.plan_toml
    assert load_plan(FOLDER / f"{spec.name}.toml").workout.name.lower() == spec.name
    video = FOLDER / f"{spec.name}.mp4"
    assert video.stat().st_size < 12e6
    with av.open(str(video)) as file:
        stream = file.streams.video[0]
        assert (stream.width, stream.height) == spec.view.size
        ticks = sorted(p.pts for p in file.demux(stream) if p.pts is not None)
        times = np.array(ticks) * float(stream.time_base)
    with np.load(FOLDER / f"{spec.name}.frames.npz") as frames:
        np.testing.assert_allclose(times - times[0], frames["time_s"], atol=1e-6)
        assert tuple(frames["joint_names"]) == tuple(JOINTS)
        bar = frames["bar"]
    assert bar.shape == (len(times), 2, 2)
    # the whole bar is in the frame all the time, overhead too
    assert (bar > 0).all()
    assert (bar < spec.view.size).all()
    assert truth["filmed_s"] == pytest.approx(times[-1] - times[0] + 1 / 30, abs=2e-3)
