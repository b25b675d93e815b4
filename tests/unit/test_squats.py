"""Squats with the bar on the back, with a stand, and without any bar; and the bar read alone."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from repcount.motion import Motion, measure
from repcount.motion.bar_height import STATURE_M
from repcount.reading import read_attempt
from repcount.reading.alone import grounded
from repcount.reading.chains import forward_evidence
from repcount.tracking.tracks import POSE_KEYPOINTS
from sample_clips.render.specs import basalt
from tests.drawn_motion import drawn

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

HANDS = [
    name for name in POSE_KEYPOINTS if name.split("_")[-1] in ("wrist", "pinky", "index", "thumb")
]
# A set of squats out of a stand: lifted off it, two steps back, three squats, forward, put back.
STAND, CARRIED, LOW = 0.79, 0.83, 0.46
SQUATS = ((6.0, 9.0), (9.5, 12.5), (13.0, 16.0))


def out_of_a_stand() -> Motion:
    corners = [(0.0, STAND), (2.0, STAND), (2.5, CARRIED), (3.5, CARRIED - 0.02), (4.5, CARRIED)]
    for first, last in SQUATS:
        corners += [(first, CARRIED), (first + 0.45 * (last - first), LOW), (last, CARRIED)]
    corners += [(17.5, CARRIED), (18.5, CARRIED + 0.02), (19.0, STAND), (21.0, STAND)]
    return drawn(*corners, squats=SQUATS)


def bar_alone(motion: Motion, lowest_m: float) -> Motion:
    """The same bar without a body: its height above its own lowest place, in view of a phone whose
    frame is 2.5 m high there and shows the floor at 0.9 of its height."""
    nothing = np.full(len(motion.time_s), np.nan)
    height_m = motion.bar_st * STATURE_M
    own = (height_m - height_m.min()) / STATURE_M
    assert height_m.min() == pytest.approx(lowest_m, abs=0.02)
    return replace(
        motion,
        **dict.fromkeys(
            ("hand_st", "shoulder_st", "hip_st", "knee_st", "head_st", "hands_off"), nothing
        ),
        bar_st=own,
        bar_sharp_st=own,
        own_floor=np.ones(len(own), bool),
        bar_share=0.9 - height_m / 2.5,
        metre_share=1 / 2.5,
    )


def read(motion: Motion) -> list[tuple[str, float]]:
    return [(rep.movement, rep.top_s) for rep in read_attempt(motion).reps]


def test_lifting_it_off_the_stand_and_putting_it_back_are_no_reps():
    reps = read(out_of_a_stand())
    assert [name for name, _ in reps] == ["back squat"] * 3
    assert [top for _, top in reps] == pytest.approx([last for _, last in SQUATS], abs=0.3)


def test_the_bar_alone_gives_the_same_squats():
    reps = read(bar_alone(out_of_a_stand(), LOW * STATURE_M))
    assert [name for name, _ in reps] == ["back squat"] * 3
    assert [top for _, top in reps] == pytest.approx([last for _, last in SQUATS], abs=0.3)


def test_the_bar_alone_tells_deadlifts_from_squats():
    """As high a lift as that of the squats, but it lies on the floor between."""
    floor, hang = 0.13, 0.47
    corners = [(0.0, floor), (3.0, floor)]
    for start in (3.0, 7.0, 11.0):
        corners += [(start + 1.2, hang), (start + 2.0, hang), (start + 3.2, floor)]
        corners += [(start + 4.0, floor)]
    reps = read(bar_alone(drawn(*corners), 0.225))
    assert [name for name, _ in reps] == ["deadlift"] * 3


def test_a_bar_overhead_stands_on_no_stand():
    """From the floor to arm's length: 1.9 m of way leave no other floor (Winter 2009)."""
    corners = [(0.0, 0.13), (2.0, 0.13), (3.0, 1.23), (5.0, 1.23), (6.5, 0.13), (8.0, 0.13)]
    placed = grounded(bar_alone(drawn(*corners), 0.225))
    assert placed.bar_st.min() * STATURE_M == pytest.approx(0.225, abs=0.06)


@pytest.fixture(scope="module")
def squats() -> tuple[xr.Dataset, list[float]]:
    """A film that begins with the bar on the shoulders, and the tops of the squats in it."""
    spec = basalt()
    truth = spec.truth()
    tops = [rep["top_s"] for rep in truth["reps"] if rep["movement"] == "front squat"][:3]
    starts = [rep["start_s"] for rep in truth["reps"] if rep["movement"] == "front squat"][:3]
    begin, end = starts[0] - 1.6, tops[2] + 0.3
    tracks = spec.tracks().sel(time=slice(begin, end)).copy(deep=True)
    tracks = tracks.assign_coords(time=tracks.time.values - tracks.time.values[0])
    return tracks, [top - begin for top in tops]


def test_a_bar_on_the_back_hides_the_hands_and_is_no_clean(squats):
    tracks, tops = squats
    hidden = [k for k, name in enumerate(tracks.keypoints.values) if str(name) in HANDS]
    tracks.confidence.values[:, hidden] = 0.05
    reps = read(measure(tracks))
    assert [name for name, _ in reps] == ["back squat"] * 3
    assert [top for _, top in reps] == pytest.approx(tops, abs=0.15)


def test_a_squat_in_a_workout_that_lifts_it_from_the_floor_is_a_front_squat():
    corners = [(0.0, 0.13), (1.5, 0.13), (2.5, 0.83), (4.0, 0.83)]
    corners += [(5.3, LOW), (7.0, 0.83), (9.0, 0.83), (10.5, 0.13), (12.0, 0.13)]
    reps = read(drawn(*corners, squats=((4.0, 7.0),)))
    assert [name for name, _ in reps] == ["power clean", "front squat"]


def test_who_squats_without_a_bar_does_no_deadlifts():
    """The arms hang all along, so the hands come down to where a bar would lie."""
    motion = out_of_a_stand()
    hands = motion.shoulder_st - 0.39
    motion = replace(
        motion,
        bar_st=hands,
        bar_sharp_st=hands,
        hand_st=hands,
        bar_source=0 * motion.bar_source + 1,
    )
    assert motion.bar_st.min() < 0.13
    assert read(motion) == []


def test_evidence_of_a_chain_is_the_sum_over_all_its_paths():
    """Brute force over every path of a small chain."""
    rng = np.random.default_rng(3)
    start, matrix = rng.dirichlet(np.ones(3)), rng.dirichlet(np.ones(3), 3)
    emit = rng.normal(size=(2, 5, 2))
    zone_of = np.array([0, 1, 1])
    for hypothesis, found in enumerate(forward_evidence(start, matrix, emit, zone_of)):
        total = 0.0
        for path in itertools.product(range(3), repeat=5):
            chance = start[path[0]] * np.prod([matrix[a, b] for a, b in itertools.pairwise(path)])
            seen = [emit[hypothesis, k, zone_of[state]] for k, state in enumerate(path)]
            total += chance * np.exp(np.sum(seen))
        assert found == pytest.approx(np.log(total))


def test_a_rep_with_nobody_in_sight_is_one_to_look_at():
    """Read from the bar's zones alone, it may be anything that moves so."""
    lift = ((2.4, 0.45), (3.0, 0.45), (4.0, 0.12), (5.0, 0.12))
    again = ((5.9, 0.45), (6.5, 0.45), (7.5, 0.12), (8.5, 0.12))
    motion = drawn((0.0, 0.12), (1.5, 0.12), *lift, *again)
    away = motion.time_s > 4.5
    body = {
        name: np.where(away, np.nan, getattr(motion, name))
        for name in ("shoulder_st", "hip_st", "knee_st", "head_st")
    }
    first, second = read_attempt(replace(motion, **body), None).reps
    assert "check" not in first.flags
    assert "check" in second.flags
