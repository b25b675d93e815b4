"""`tracks.nc` opens in `movement`, the open pose-analysis package whose layout it uses.

That package wants numpy 2, which the pose model's package cannot have, so it lives in an
environment of its own: `REPCOUNT_MOVEMENT` names the Python of one with `movement==0.15.0`.
`.ci/run` makes one.
"""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

from repcount.tracking.tracks import KEYPOINTS, load_tracks, save_tracks
from sample_clips.render.simulate import Noise, simulate_tracks
from sample_clips.render.specs import slate

PYTHON = os.environ.get("REPCOUNT_MOVEMENT", "")
pytestmark = pytest.mark.skipif(
    not PYTHON, reason="REPCOUNT_MOVEMENT names no Python with the package movement"
)

LOOK = """
import json, sys
import numpy as np, xarray as xr
from movement.filtering import filter_by_confidence
from movement.io import load_poses
from movement.kinematics import compute_speed
from movement.validators.datasets import ValidPosesInputs

tracks = xr.open_dataset(sys.argv[1], engine="h5netcdf").load()
own = load_poses.from_numpy(
    tracks.position.values, tracks.confidence.values,
    individual_names=list(tracks.individuals.values), keypoint_names=list(tracks.keypoints.values),
)
sure = filter_by_confidence(tracks.position, tracks.confidence, threshold=0.5)
speed = compute_speed(tracks.position)
print(json.dumps({
    "dims": list(tracks.position.dims), "wanted": list(ValidPosesInputs.DIM_NAMES),
    "variables": sorted(set(ValidPosesInputs.VAR_NAMES) - set(tracks.data_vars)),
    "ds_type": [tracks.attrs["ds_type"], own.attrs["ds_type"]],
    "time_unit": tracks.attrs["time_unit"],
    "coords": [name for name in ("space", "keypoints", "individuals")
               if list(own[name].values) != list(tracks[name].values)],
    "same": bool(np.array_equal(own.position.values, tracks.position.values, equal_nan=True)),
    "left_out": int((np.isnan(sure) & ~np.isnan(tracks.position)).sum()),
    "speed": speed.sel(keypoints="bar_left").isel(individuals=0).values.tolist(),
}))
"""


def test_the_package_takes_the_file_for_its_own(tmp_path: Path) -> None:
    spec = slate()
    path = tmp_path / "tracks.nc"
    save_tracks(simulate_tracks(spec.choreography(), spec.camera(), noise=Noise.none()), path)
    ran = subprocess.run(
        [PYTHON, "-c", LOOK, str(path)],
        capture_output=True,
        text=True,
        check=False,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
    )
    assert ran.returncode == 0, ran.stderr[-2000:]
    found = json.loads(ran.stdout.splitlines()[-1])
    assert found["dims"] == found["wanted"]
    assert found["variables"] == []
    assert found["coords"] == []
    assert found["ds_type"] == ["poses", "poses"]
    assert found["time_unit"] == "seconds"
    assert found["same"]
    # its speed of the bar's end, from our file's own times, against numpy's gradient of them
    tracks = load_tracks(path)
    time = tracks["time"].values
    end = tracks["position"].values[:, :, KEYPOINTS.index("bar_left"), 0]
    speed = np.hypot(*(np.gradient(end[:, i].astype(float), time) for i in (0, 1)))
    known = np.isfinite(speed) & np.isfinite(found["speed"])
    assert known.mean() > 0.9
    assert np.abs(speed - found["speed"])[known].max() < 0.01 * np.nanmax(speed)
