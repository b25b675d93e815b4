"""Stage parameters are bounded, and body proportions agree with each other."""

from __future__ import annotations

import math

import pytest

from repcount.attempt import anthropometry as body
from repcount.errors import RepcountError
from repcount.motion import MotionOptions
from repcount.reading import ReadOptions
from repcount.tracking import TrackOptions


@pytest.mark.parametrize(
    ("kind", "values", "word"),
    [
        (MotionOptions, {"plate_mm": 99.0}, "plate_mm"),
        (MotionOptions, {"plate_mm": 601.0}, "plate_mm"),
        (MotionOptions, {"plate_mm": math.nan}, "plate_mm"),
        (ReadOptions, {"start_s": -0.1}, "start_s"),
        (ReadOptions, {"start_s": math.inf}, "start_s"),
        (TrackOptions, {"rate_hz": 0.0}, "rate_hz"),
        (TrackOptions, {"pose_rate_hz": math.nan}, "pose_rate_hz"),
        (TrackOptions, {"max_side": 0}, "max_side"),
        (TrackOptions, {"model": "huge"}, "full, lite"),
    ],
)
def test_what_is_out_of_bounds_is_refused_by_name(kind, values, word):
    with pytest.raises(RepcountError, match=word):
        kind(**values)


@pytest.mark.parametrize("kind", [MotionOptions, ReadOptions, TrackOptions])
def test_defaults_are_in_bounds_and_nothing_changes_afterwards(kind):
    with pytest.raises(AttributeError):
        kind().other = 1


def test_heights_of_joints_differ_by_the_lengths_of_the_segments_between():
    """In Drillis and Contini's figure heights and lengths are of one body: thigh, shank and trunk
    are what lies between the heights of their ends, the upper arm to a rounding of 0.002."""
    assert pytest.approx(body.THIGH_ST) == body.HIP_HEIGHT_ST - body.KNEE_HEIGHT_ST
    assert pytest.approx(body.SHANK_ST) == body.KNEE_HEIGHT_ST - body.ANKLE_HEIGHT_ST
    assert pytest.approx(body.TRUNK_ST) == body.SHOULDER_HEIGHT_ST - body.HIP_HEIGHT_ST
    arm = body.SHOULDER_HEIGHT_ST - body.ELBOW_HEIGHT_ST
    assert pytest.approx(arm, abs=0.0021) == body.UPPER_ARM_ST
    forearm = body.ELBOW_HEIGHT_ST - body.WRIST_HEIGHT_ST
    assert pytest.approx(forearm, abs=0.0011) == body.FOREARM_ST
    assert pytest.approx(body.WRIST_HEIGHT_ST - body.FINGERTIP_HEIGHT_ST) == body.HAND_ST
    reach = body.SHOULDER_HEIGHT_ST + body.UPPER_ARM_ST + body.FOREARM_ST + body.GRIP_ST
    assert 0 < body.BAR_OVERHEAD_ST - reach < 0.05  # raised shoulders
