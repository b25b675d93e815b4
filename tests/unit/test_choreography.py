"""The scripted athlete and bar, against physics and published body proportions."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.plan import parse_plan
from sample_clips.render.choreography import Choreography
from sample_clips.render.fall import GRAVITY, flight
from sample_clips.render.human import ASSETS, JOINTS, Human
from sample_clips.render.poses import Postures, in_radians
from sample_clips.render.script import MOVEMENTS, SNATCHES, Act, Script
from sample_clips.render.skeleton import Bodies
from sample_clips.render.specs import pattern_of, positions_of, random_spec, slate
from sample_clips.render.truth import Workout, truth_of

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

STATURE = 1.78


@pytest.fixture(scope="module")
def man() -> Human:
    return Human.from_npz(ASSETS / "asset_male.npz", STATURE)


@pytest.fixture(scope="module")
def attempt() -> Choreography:
    return slate().choreography()


def test_all_postures_at_once_are_those_of_the_posable_person(man, attempt):
    times = np.linspace(0, attempt.duration_s, 37)
    joints = attempt.joints(times)
    for i, time in enumerate(times):
        one = man.joints(man.pose(attempt.q(time)))
        for name, position in zip(JOINTS, one, strict=True):
            name = name.replace("foot_index", "ball")  # the joint; the landmark is the toe's tip
            assert joints[name][i] == pytest.approx(position, abs=1e-9)


# Segment ends as fractions of stature: Drillis and Contini 1966 in Winter 2009, Fig. 4.1 (heights
# from memory). The mesh is one young man of ideal proportions, the table a mean: 4 % of stature.
@pytest.mark.parametrize(
    ("bone", "fraction"),
    [("foot_l", 0.039), ("calf_l", 0.285), ("thigh_l", 0.530), ("upperarm_l", 0.818)],
)
def test_joint_heights_are_those_of_the_table(man, bone, fraction):
    assert man.head_of(bone)[1] / STATURE == pytest.approx(fraction, abs=0.04)


@pytest.mark.parametrize(
    ("length", "fraction"), [("thigh_m", 0.245), ("shank_m", 0.246), ("forearm_m", 0.146)]
)
def test_segment_lengths_are_those_of_the_table(man, length, fraction):
    assert getattr(man, length) / STATURE == pytest.approx(fraction, abs=0.02)


# Bar heights follow from the same table: lockout = wrist less half a hand, rack = shoulder,
# overhead = shoulder + arm + raised shoulder. The mesh's arms are 3 % of stature shorter than the
# table's, so its lockout is that much higher and its overhead lower.
@pytest.mark.parametrize(
    ("posture", "fraction", "within"),
    [("lock", 0.43, 0.07), ("rack", 0.82, 0.04), ("over", 1.23, 0.05)],
)
def test_the_bar_stands_where_the_proportions_put_it(man, posture, fraction, within):
    assert Postures(man)[posture]["bar_y"] / STATURE == pytest.approx(fraction, abs=within)


def test_the_floor_posture_holds_the_bar_on_its_plates(man):
    assert Postures(man)["floor"]["bar_y"] == 0.225  # half of 450 mm (IWF TCRR)


def test_a_squat_takes_the_hip_below_the_knee(man):
    skeleton = man.pose(in_radians(Postures(man)["squat"]))
    hip, knee = (skeleton.position[man.index[bone]] for bone in ("thigh_l", "calf_l"))
    assert hip[1] < knee[1]


def test_a_dropped_bar_falls_at_standard_gravity(attempt):
    drop = max(attempt.drops, key=lambda d: d.contact_s - d.release_s)
    times = np.arange(drop.release_s + 0.01, drop.contact_s - 0.01, 0.001)
    height = attempt.bar(times).y
    assert len(times) > 300
    curvature = np.polyfit(times, height, 2)[0]
    assert -2 * curvature == pytest.approx(9.81, abs=0.005)
    assert drop.height(np.array([drop.release_s]))[0] - attempt.radius_m > 1.0
    # h = g t²/2 from rest, to the millisecond
    fall = drop.height(np.array([drop.release_s]))[0] - attempt.radius_m
    assert drop.contact_s - drop.release_s == pytest.approx(np.sqrt(2 * fall / GRAVITY), abs=0.01)


def test_each_bounce_returns_the_square_of_the_restitution():
    path = flight(0.0, 2.225, 0.0, 0.225, 0.4)
    tops = path.speed[1:] ** 2 / (2 * GRAVITY)
    assert tops[0] == pytest.approx(2.0 * 0.4**2)
    assert np.all(np.diff(tops) < 0)
    assert 1.3 < path.rest_s < 2.5  # several bounces over about two seconds
    assert path.at(np.array([path.rest_s + 1]))[0] == 0.225


def test_the_bar_never_jumps_and_never_sinks_into_the_floor(attempt):
    times = np.arange(0, attempt.duration_s, 0.001)
    bar = attempt.bar(times)
    assert bar.y.min() >= attempt.radius_m - 1e-6
    assert np.abs(np.diff(bar.y)).max() < 0.0075  # 7.5 m/s: faster than a fall from overhead
    assert np.abs(np.diff(bar.z)).max() < 0.002


def test_hands_that_hold_are_at_the_bar(attempt):
    times = np.arange(0, attempt.duration_s, 0.05)
    held = attempt.bar(times).held
    body = Bodies(attempt.human, attempt.parameters(times))
    # above 1 the hand could not get there
    assert body.arm_reach()[held].max() < 1.0


@pytest.mark.parametrize(
    ("movement", "slowest", "fastest"),
    [
        ("deadlift", 0.8, 1.6),
        # hang power clean: 1.74 +- 0.30 m/s at 1RM (Suchomel et al., JSCR 2024, 38(7):1321),
        # faster as the load falls (Takei et al., IJSPP 2020)
        ("hang power clean", 1.44, 2.4),
        # jerk drive: 1.4 to 1.9 m/s (weightlifting literature, from memory)
        ("push press", 1.2, 2.0),
    ],
)
def test_peak_bar_speeds_are_believable(attempt, movement, slowest, fastest):
    for stroke in attempt.strokes:
        if stroke.movement == movement:
            times = np.arange(stroke.rising_s - 0.3, stroke.finish_s, 0.001)
            peak = np.gradient(attempt.bar(times).y, times).max()
            assert slowest < peak < fastest


def test_the_same_seed_gives_the_same_attempt():
    first, again = random_spec(3).choreography(), random_spec(3).choreography()
    times = np.linspace(0, first.duration_s, 500)
    assert np.array_equal(first.bar(times).y, again.bar(times).y)
    assert first.strokes == again.strokes


def test_a_script_with_an_unknown_movement_is_refused(man):
    with pytest.raises(ValueError, match="no such movement"):
        Choreography(man, Script((Act("rep", "juggling", 1),)), 0)


def test_patterns_are_written_and_read():
    movements = (("deadlift", 8), ("hang power clean", 6), ("push press", 4))
    assert pattern_of(movements, [7, 13]) == "7 | 1+5 | 1+4"
    assert positions_of("7 | 1+5 | 1+4") == [7, 13]


@pytest.mark.parametrize("movement", MOVEMENTS)
def test_every_movement_is_done_and_found_where_it_should_be(man, movement):
    before = [Act("rep", "power snatch")] if movement == "overhead squat" else []
    acts = (*before, Act("rep", movement, 1), Act("rep", movement, 1), Act("end", how="drop"))
    wide = movement in (*SNATCHES, "overhead squat")
    attempt = Choreography(man, Script(acts, wide_grip=wide), 0)
    found = truth_of(attempt, Workout((((movement, 2),),)))
    assert [r["number"] for r in found["reps"] if r["status"] == "counted"] == [1, 2]
    for rep in found["reps"]:
        assert rep["start_s"] < rep["top_s"] <= rep["end_s"]
    times = np.arange(0, attempt.duration_s, 0.02)
    reach = Bodies(man, attempt.parameters(times)).arm_reach()
    assert reach[attempt.bar(times).held].max() < 1.0


@pytest.mark.parametrize("seed", range(0, 60, 12))
def test_varied_attempts_are_what_their_script_says(seed):
    spec = random_spec(seed)
    attempt = spec.choreography()
    found = spec.truth(attempt)
    asked = sum(count for movements in spec.workout.rounds for _, count in movements)
    counted = sum(rep["status"] == "counted" for rep in found["reps"])
    done = not any("missing" in note or "gave up" in note for note in spec.notes)
    assert found["clock"]["finished"] == done == (counted == asked)
    assert parse_plan(spec.plan_toml).workout.rounds
