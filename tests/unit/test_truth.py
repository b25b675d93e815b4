"""The truth of a scripted attempt, on signals whose crossings can be computed by hand.

The signals are piecewise linear, so that each expected instant is (level distance) / (slope). The
athlete is 2 m tall: the crossing level is 0.02 m. The bar rests on the floor at 0.225 m (half of
the 450 mm disc, IWF TCRR).
"""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from sample_clips.render import truth as truth_module
from sample_clips.render.choreography import Choreography
from sample_clips.render.human import ASSETS, Human
from sample_clips.render.script import Act, Script, Stroke
from sample_clips.render.specs import basalt, random_spec, slate
from sample_clips.render.truth import Signals, Workout, floor_rests, paint, read_truth, truth_of

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

FLOOR, HANG, RACK, OVER = 0.225, 0.825, 1.6, 2.4
STATURE = 2.0


def line(*corners: tuple[float, float]) -> np.ndarray:
    """A piecewise linear signal at 1 kHz through (time, value) corners."""
    times, values = zip(*corners, strict=True)
    return np.interp(np.arange(round(times[-1] * 1000) + 1) / 1000, times, values)


def signals(
    bar: np.ndarray, hip: np.ndarray | None = None, off: tuple[tuple[float, float], ...] = ()
) -> Signals:
    contact = np.ones(len(bar), bool)
    for a, b in off:
        contact[round(a * 1000) + 1 : round(b * 1000)] = False
    return Signals(bar, np.full(len(bar), 1.0) if hip is None else hip, contact, STATURE, FLOOR)


def rep(movement: str, rising: float, finish: float, leave: float, **more) -> Stroke:
    zone = {"deadlift": "hang", "hang power clean": "rack", "front squat": "rack"}.get(
        movement, "overhead"
    )
    return Stroke("rep", movement, more.pop("round", 1), zone, rising, finish, leave, **more)


def read(given: Signals, strokes, *movements, rounds: int = 1, **more):
    return read_truth(given, strokes, Workout((tuple(movements),) * rounds), **more)


def times(record: dict) -> tuple[float, float, float]:
    return record["start_s"], record["top_s"], record["end_s"]


# Two touch-and-go deadlifts at 1 m/s: up 1.0-1.6, down 2.0-2.6, up 2.9-3.5, down 4.0-4.6.
TWO_DEADLIFTS = (
    (0, FLOOR), (1.0, FLOOR), (1.6, HANG), (2.0, HANG), (2.6, FLOOR), (2.9, FLOOR), (3.5, HANG),
    (4.0, HANG), (4.6, FLOOR), (6.0, FLOOR),
)  # fmt: skip
DEADLIFT_STROKES = [rep("deadlift", 1.3, 1.6, 2.0), rep("deadlift", 3.2, 3.5, 4.0)]


def test_deadlifts_cross_the_level_above_the_floor_and_below_the_top():
    found = read(signals(line(*TWO_DEADLIFTS)), DEADLIFT_STROKES, ("deadlift", 2))
    assert times(found["reps"][0]) == (1.02, 1.58, 2.58)
    assert times(found["reps"][1]) == (2.92, 3.48, 4.58)
    assert found["reps"][1]["cycle_s"] == 1.9
    (rest,) = found["floor_rests"]
    assert (rest["start_s"], rest["end_s"], rest["kind"]) == (2.58, 2.92, "touch-and-go")
    assert found["clock"] == {
        "start_s": 1.02, "end_s": 3.48, "start_source": "first lift-off", "finished": True,
        "total_s": 2.46,
    }  # fmt: skip
    spent = {one["kind"]: one["seconds"] for one in found["time_spent"]}
    assert spent["rep"] == pytest.approx(2.12)
    assert spent["touch"] == pytest.approx(0.34)
    assert spent["handling"] == 0


def test_the_clock_starts_at_the_last_tone_before_the_first_lift():
    found = read(
        signals(line(*TWO_DEADLIFTS)), DEADLIFT_STROKES, ("deadlift", 2), beeps_s=(0.2, 0.5, 3.0)
    )
    assert (found["clock"]["start_s"], found["clock"]["start_source"]) == (0.5, "sound")
    assert found["time_spent"][0] == {"kind": "start", "seconds": 0.52}


@pytest.mark.parametrize(
    ("seconds", "kind"),
    [(0.499, "touch-and-go"), (0.5, "reset"), (1.499, "reset"), (1.5, "break")],
)
def test_the_length_of_a_floor_rest_decides_its_kind(seconds, kind):
    # the bar is below the level 0.02 s before it lies and 0.02 s after it leaves the floor
    lift = 2.6 + seconds - 0.04
    bar = line(
        (0, FLOOR), (1.0, FLOOR), (1.6, HANG), (2.0, HANG), (2.6, FLOOR), (lift, FLOOR),
        (lift + 0.6, HANG), (lift + 1.5, HANG),
    )  # fmt: skip
    strokes = [rep("deadlift", 1.3, 1.6, 2.0), rep("deadlift", lift + 0.3, lift + 0.6, lift + 1)]
    found = read(signals(bar), strokes, ("deadlift", 2))
    assert found["floor_rests"][0]["kind"] == kind
    assert len(found["breaks"]) == (kind == "break")


def dropped() -> Signals:
    """A deadlift dropped at 2.0 s: down at 2.6, bounces to 0.345 and 0.245, lies from 3.1."""
    bar = line(
        (0, FLOOR), (1.0, FLOOR), (1.6, HANG), (2.0, HANG), (2.6, FLOOR), (2.8, 0.345),
        (3.0, FLOOR), (3.05, 0.243), (3.1, FLOOR), (6.0, FLOOR), (6.6, HANG), (7.5, HANG),
    )  # fmt: skip
    return signals(bar, off=((2.0, 5.0),))


def test_a_break_begins_when_the_bar_has_settled_and_keeps_its_first_contact():
    found = read(
        dropped(), [rep("deadlift", 1.3, 1.6, 2.0), rep("deadlift", 6.3, 6.6, 7.0)], ("deadlift", 2)
    )
    # the first bounce falls at 0.6 m/s: 0.02 m above the floor 0.0333 s before 3.0; the second
    # bounce (0.243) stays below the level
    assert found["breaks"] == [
        {
            "start_s": 2.967, "end_s": 6.02, "first_contact_s": 2.58, "round": 1,
            "after": {"movement": "deadlift", "number": 1}, "hands_off": True,
        }
    ]  # fmt: skip
    assert found["reps"][0]["end_s"] == 2.0  # let go
    assert found["drops"] == [{"release_s": 2.0, "contact_s": 2.58, "height_m": 0.6}]


def test_bounces_with_empty_hands_are_no_lift_offs():
    rests = floor_rests(dropped())
    assert [(rest.first_contact, rest.settled, rest.lift_off) for rest in rests] == [
        (2580, 2967, 6020)
    ]


def test_a_push_press_starts_above_its_dip_and_ends_above_the_next():
    # rack 1.6, dip to 1.5 at 1.2 s, up at 1.5 m/s to 2.4, down at 1.6 m/s straight into a dip
    bar = line(
        (0, RACK), (1.0, RACK), (1.2, 1.5), (1.8, OVER), (2.2, OVER), (2.7625, 1.5), (3.3625, OVER),
        (4.0, OVER), (4.5, RACK), (5.5, RACK),
    )  # fmt: skip
    strokes = [rep("push press", 1.5, 1.8, 2.2), rep("push press", 3.0, 3.3625, 4.0)]
    found = read(signals(bar), strokes, ("push press", 2))
    assert times(found["reps"][0]) == (1.213, 1.787, 2.75)
    # after the last one the bar rests in the rack: the level above that
    assert times(found["reps"][1]) == (2.776, 3.349, 4.488)


def test_a_squat_is_read_at_the_hip():
    # hip: 1.0, bottom 0.5 at 2 s, up in 1 s, pause, down to 0.5 at 5 s
    hip = line((0, 1.0), (1, 1.0), (2, 0.5), (3, 1.0), (4, 1.0), (5, 0.5), (6, 1.0), (7, 1.0))
    bar = hip + 0.6
    found = read(
        signals(bar, hip), [rep("front squat", 2.5, 3.0, 4.0), rep("front squat", 5.5, 6.0, 7.0)],
        ("front squat", 2),
    )  # fmt: skip
    assert times(found["reps"][0]) == (2.04, 2.96, 4.96)
    assert times(found["reps"][1])[:2] == (5.04, 5.96)


def test_a_thruster_starts_at_the_hip_and_finishes_at_the_bar():
    hip = line((0, 1.0), (1, 1.0), (2, 0.5), (3, 1.0), (5, 1.0))
    bar = line((0, RACK), (1, RACK), (2, 1.1), (3.3, OVER), (4, OVER), (4.5, RACK), (5, RACK))
    found = read(signals(bar, hip), [rep("thruster", 2.5, 3.3, 4.0)], ("thruster", 1))
    assert times(found["reps"][0]) == (2.04, 3.28, 4.488)


def driven() -> tuple[Signals, list[Stroke]]:
    # hang 0.8 at 1 s, peak 1.5 at 1.7, caught at 1.4 (2.0 s), driven to 2.4 (3.0 s) at 1 m/s
    bar = line((0, 0.9), (1, 0.8), (1.7, 1.5), (2.0, 1.4), (3.0, OVER), (4, OVER), (4.5, RACK),
               (5, RACK))  # fmt: skip
    strokes = [
        rep("hang power clean", 1.4, 2.0, 2.0, driven_through=True),
        rep("push press", 2.5, 3.0, 4.0),
    ]
    return signals(bar), strokes


def test_a_clean_driven_through_shares_one_instant_with_the_press():
    given, strokes = driven()
    found = read(given, strokes, ("hang power clean", 1), ("push press", 1))
    clean, press = found["reps"]
    assert times(clean) == (1.02, 2.02, 2.02)
    assert press["start_s"] == 2.02
    assert clean["flags"] == ["driven_through"]
    assert found["transitions"][0]["gross_s"] == found["transitions"][0]["net_s"] == 0


def deadlifts_and_cleans(before: int, after: int) -> tuple[Signals, list[Stroke]]:
    """`before` deadlifts, a break of about 2 s, a pick-up and `after` hang power cleans."""
    corners, strokes, t = [(0.0, FLOOR), (1.0, FLOOR)], [], 1.0
    for _ in range(before):
        corners += [(t + 0.6, HANG), (t + 0.8, HANG), (t + 1.4, FLOOR), (t + 1.6, FLOOR)]
        strokes.append(rep("deadlift", t + 0.3, t + 0.6, t + 0.8))
        t += 1.6
    t += 1.8
    corners += [(t, FLOOR), (t + 0.6, HANG), (t + 0.9, HANG)]
    strokes.append(Stroke("pick_up", "", 1, "hang", t + 0.3, t + 0.6, t + 0.9))
    t += 0.9
    for _ in range(after):
        corners += [(t + 0.2, 0.7), (t + 0.8, RACK), (t + 1.0, RACK), (t + 1.6, HANG)]
        strokes.append(rep("hang power clean", t + 0.5, t + 0.8, t + 1.0))
        t += 1.6
    corners.append((t + 1.0, HANG))
    return signals(line(*corners)), strokes


@pytest.mark.parametrize(
    ("done", "counted", "number"), [(7, "deadlift", 8), (8, None, None), (6, "deadlift", 7)]
)
def test_a_pick_up_is_the_next_deadlift_only_while_some_are_missing(done, counted, number):
    given, strokes = deadlifts_and_cleans(done, 2)
    found = read(given, strokes, ("deadlift", 8), ("hang power clean", 2))
    assert found["pick_ups"][0]["counted_as"] == counted
    pick_ups = [one for one in found["reps"] if "pick_up" in one["flags"]]
    assert [one["number"] for one in pick_ups] == ([number] if counted else [])
    assert found["clock"]["finished"] == (done >= 7)
    short = {6: [{"movement": "deadlift", "reps": 1}]}.get(done, [])
    assert found["rounds"][0]["missing"] == short


def test_a_transition_is_net_of_the_break_inside_it():
    given, strokes = deadlifts_and_cleans(8, 1)
    found = read(given, strokes, ("deadlift", 8), ("hang power clean", 1))
    (between,), (pause,) = found["transitions"], found["breaks"]
    length = pause["end_s"] - pause["start_s"]
    assert between["net_s"] == pytest.approx(between["gross_s"] - length, abs=1e-9)
    assert pause["after"] == {"movement": "deadlift", "number": 8}


def test_one_stroke_too_many_is_extra_and_has_no_number():
    given, strokes = deadlifts_and_cleans(5, 0)
    found = read(given, strokes[:5], ("deadlift", 4))
    assert [one["status"] for one in found["reps"]] == ["counted"] * 4 + ["extra"]
    assert [one["number"] for one in found["reps"]] == [1, 2, 3, 4, None]


def test_what_is_not_of_the_workout_is_unplanned():
    given, strokes = deadlifts_and_cleans(2, 1)
    found = read(given, strokes, ("deadlift", 2))
    assert [one["status"] for one in found["reps"]] == ["counted", "counted", "unplanned"]
    early = read(given, strokes, ("deadlift", 2), beeps_s=())
    assert early["clock"]["start_source"] == "first lift-off"


def test_a_rep_before_the_signal_or_outside_any_round_is_unplanned():
    given, strokes = deadlifts_and_cleans(3, 0)
    warm = Stroke("rep", "deadlift", None, "hang", 1.3, 1.6, 1.8)
    found = read(given, [warm, *strokes[1:3]], ("deadlift", 2), beeps_s=(2.5,))
    assert [one["status"] for one in found["reps"]] == ["unplanned", "counted", "counted"]
    assert found["clock"]["start_s"] == 2.5


def test_a_time_cap_ends_the_clock_of_an_unfinished_attempt():
    given, strokes = deadlifts_and_cleans(3, 0)
    capped = Workout(((("deadlift", 3),),), time_cap_s=3.0)
    found = read_truth(given, strokes[:3], capped, beeps_s=(0.5,))
    # tops at 1.58, 3.18 and 4.78 s; the cap falls at 3.5 s
    assert [one["status"] for one in found["reps"]] == ["counted", "counted", "unplanned"]
    assert found["clock"]["end_s"] == 3.5
    assert not found["clock"]["finished"]


def test_a_failed_stroke_is_no_rep():
    bar = line((0, RACK), (1, RACK), (1.2, 1.5), (1.6, 1.9), (2.0, RACK), (4, RACK))
    stroke = Stroke("failed", "push press", 1, "rack", 1.4, 1.6, 1.6)
    found = read(signals(bar), [stroke], ("push press", 1))
    assert found["reps"] == []
    (failed,) = found["failed"]
    assert (failed["start_s"], failed["peak_s"], failed["end_s"]) == (1.22, 1.6, 1.973)


def test_a_hold_runs_from_entering_to_leaving_the_plateau():
    # overhead from 1.8 to 4.0 s at 2 m/s on both sides
    bar = line((0, RACK), (1.0, RACK), (1.2, 1.5), (1.65, OVER), (4.0, OVER), (4.4, RACK),
               (5.5, RACK))  # fmt: skip
    found = read(
        signals(bar), [rep("push press", 1.4, 1.65, 4.0), rep("push press", 9, 9, 9)][:1],
        ("push press", 2), beeps_s=(0.5,),
    )  # fmt: skip
    assert found["holds"] == []  # the clock ended with the only counted rep
    more = line((0, RACK), (1.0, RACK), (1.2, 1.5), (1.65, OVER), (4.0, OVER), (4.4, RACK),
                (5.0, RACK), (5.2, 1.5), (5.65, OVER), (6.0, OVER))  # fmt: skip
    both = [rep("push press", 1.4, 1.65, 4.0), rep("push press", 5.4, 5.65, 6.0)]
    found = read(signals(more), both, ("push press", 2), beeps_s=(0.5,))
    assert found["holds"] == [{"start_s": 1.64, "end_s": 4.01, "where": "overhead", "round": 1}]


def test_earlier_kinds_of_time_win_and_the_rest_is_handling():
    layers = [("start", [(0, 10)]), ("break", [(5, 30)]), ("rep", [(20, 40)])]
    spent = paint(0, 50, layers)
    assert (spent["start"], spent["break"], spent["rep"], spent["handling"]) == (10, 20, 10, 10)


@pytest.mark.parametrize("spec", [slate(), basalt(), random_spec(23)], ids=lambda s: s.name)
def test_times_of_a_whole_attempt_add_up_exactly(spec):
    found = spec.truth()

    def ms(seconds: float) -> int:
        return round(seconds * 1000)

    total = ms(found["clock"]["total_s"])
    assert sum(ms(one["seconds"]) for one in found["time_spent"]) == total
    start = ms(found["rounds"][0]["start_s"]) - ms(found["clock"]["start_s"])
    rounds = sum(ms(one["duration_s"]) for one in found["rounds"])
    between = sum(ms(b["end_s"]) - ms(b["start_s"]) for b in found["between_rounds"])
    assert start + rounds + between == total
    for before, after in zip(found["reps"], found["reps"][1:], strict=False):
        assert before["start_s"] < before["top_s"] <= before["end_s"] <= after["start_s"]


def test_the_truth_shares_no_code_with_the_reading():
    tree = ast.parse(Path(truth_module.__file__).read_text(encoding="utf-8"))
    modules = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    modules |= {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    assert not [name for name in modules if name and name.startswith("repcount")]


def test_one_deadlift_too_many_that_leads_into_a_clean_is_a_pick_up() -> None:
    """By the definition of a pick-up: neither rep nor extra. On the floor between, it is extra."""
    workout = Workout(((("deadlift", 1), ("hang power clean", 1)),))
    deadlifts = [Act("rep", "deadlift", 1), Act("rep", "deadlift", 1)]
    clean = Act("rep", "hang power clean", 1)
    human = Human.from_npz(ASSETS / "asset_male.npz", 1.78)
    for between, extra in (([], 0), ([Act("break", seconds=2.0, how="put down")], 1)):
        script = Script((Act("beep"), *deadlifts, *between, clean))
        truth = truth_of(Choreography(human, script, 1), workout)
        statuses = [rep["status"] for rep in truth["reps"]]
        assert statuses.count("counted") == 2
        assert statuses.count("extra") == extra
