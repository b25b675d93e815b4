"""After the attempt: losses with their evidence, suggestions that the model supports, histories."""

from __future__ import annotations

import numpy as np
import pytest

from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed
from repcount.analysis.history import side_by_side
from repcount.analysis.losses import losses
from repcount.analysis.next_plan import as_done, decide_next
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Notice
from repcount.errors import RecordError
from repcount.plan import parse_plan
from repcount.plan.writing import plan_toml
from repcount.reports.after import history_lines, history_page, next_lines, next_page
from tests.example_records import example_attempt, example_comparison
from tests.scripted_reading import SLATE, Script, slate
from tests.simulated_athletes import Athlete

PLAN = parse_plan(SLATE)


@pytest.fixture(scope="module")
def filmed() -> Filmed:
    return Filmed(example_attempt(), example_comparison(), "slate", PLAN)


def scripted(*rounds: tuple[str, float]) -> Filmed:
    """An attempt at Slate by patterns and break lengths, beside its plan."""
    script = Script(slate(len(rounds))).wait(1.0)
    for number, (pattern, stop) in enumerate(rounds):
        if number:
            script.next_round()
        script.sets(pattern, stop)
    attempt = derive_attempt(script.reading())
    plan = parse_plan(
        SLATE.replace("rounds = 3", f"rounds = {len(rounds)}").replace(
            "[44, 48, 50]", str([45] * len(rounds))
        )
    )
    return Filmed(attempt, compare(attempt, plan), "scripted", plan)


def test_an_unplanned_break_in_the_overhead_work_comes_first():
    one = scripted(("7|1+5|1+2|2", 4.0), ("7|1+5|1+4", 4.0))
    first = losses(one)[0]
    assert first.kind == "unplanned-breaks"
    assert "push press" in first.what
    assert "costs an extra clean" in first.what
    stop = one.attempt.breaks[2]
    assert [seen.at_s for seen in first.evidence] == [stop.start_s]
    # from top to top: down, wait, break, wait and up; less an ordinary cycle
    assert first.seconds == pytest.approx(0.6 + 0.4 + 4.0 + 0.5 + 0.8 - 1.4)


def test_breaks_that_grow_are_told_by_round():
    one = scripted(("7|1+5|1+4", 4.0), ("7|1+5|1+4", 5.0), ("7|1+5|1+4", 6.5))
    found = next(loss for loss in losses(one) if loss.kind == "longer-breaks")
    assert found.seconds == pytest.approx(2 * (0 + 1.0 + 2.5))
    assert "growing from 4.0 s to 6.5 s" in found.what
    assert found.against == "the plan"
    assert "round 3" in found.evidence[0].text


def test_cycles_that_slow_are_told_from_their_round():
    script = Script(slate(3)).wait(1.0)
    for number, down in enumerate((0.6, 0.6, 1.0)):
        if number:
            script.next_round()
        for name, reps in (("deadlift", 8), ("hang power clean", 6), ("push press", 4)):
            script.rep(name, reps, down=down if name == "deadlift" else 0.6)
    attempt = derive_attempt(script.reading())
    found = [one for one in losses(Filmed(attempt, None, "x")) if one.kind == "slow-cycles"]
    assert [one.what for one in found] == [
        "Deadlift slower from round 3 on: 1.8 s a rep where 1.4 s was the median of round 1."
    ]
    assert found[0].seconds == pytest.approx(7 * 0.4)
    assert found[0].against == "the athlete's own round 1"


def test_nothing_over_is_nothing_told():
    found = losses(scripted(("7|1+5|1+4", 4.0), ("7|1+5|1+4", 4.0)))
    # the script lowers the bar for 0.6 s before it rests for the planned 6 s
    assert [(one.kind, one.seconds) for one in found] == [("between-rounds", 0.6)]


def test_losses_are_in_order_and_each_has_evidence(filmed):
    found = losses(filmed)
    seconds = [one.seconds for one in found]
    assert seconds == sorted(seconds, reverse=True)
    assert all(one.evidence for one in found)
    assert {one.kind for one in found} >= {
        "longer-breaks", "unplanned-breaks", "between-rounds", "holds", "uncounted", "slow-cycles"
    }  # fmt: skip


def test_at_most_three_suggestions_each_with_a_gain_above_its_doubt(filmed):
    answer = decide_next([filmed])
    assert 1 <= len(answer.suggestions) <= 3
    gains = [one.gain.middle_s for one in answer.suggestions]
    assert gains == sorted(gains, reverse=True)
    assert all(one.gain.low_s > 0 for one in answer.suggestions)
    assert all(one.kind in ("load", "pattern", "pace") for one in answer.suggestions)
    assert answer.forecast is not None
    assert answer.forecast.outside == []
    assert parse_plan(plan_toml(answer.plan)).planned_sets() == answer.plan.planned_sets()
    done = next(one for one in answer.ranking if one.forecast.name == "as done")
    assert answer.forecast.total.middle_s < done.forecast.total.middle_s
    text = " ".join(next_lines(answer)).lower()
    for word in ("grip", "lungs", "your back", "injur"):  # no diagnosis of the body
        assert word not in text


def test_load_is_only_spoken_of_where_loads_differ(filmed):
    answer = decide_next([filmed])
    assert not any(one.kind == "load" for one in answer.suggestions)
    assert any("Not enough data on load" in note for note in answer.notes)
    athlete = Athlete(np.random.default_rng(3))
    heavy = athlete.attempt(PLAN)
    athlete.tempo -= 0.25
    light_plan = parse_plan(SLATE.replace("load_kg = 60.0", "load_kg = 50.0"))
    light = athlete.attempt(light_plan)
    answer = decide_next([light, Filmed(heavy.attempt, heavy.comparison, "heavy", PLAN)])
    changes = [one.change for one in answer.suggestions if one.kind == "load"]
    assert changes == ["Take 50 kg in place of 60 kg."]
    assert answer.plan.workout.load_kg == 50


def test_too_little_data_gives_losses_and_the_plan_again():
    script = Script(slate(1)).wait(1.0).rep("deadlift", 8)
    attempt = derive_attempt(script.reading())
    plan = parse_plan(SLATE.replace("rounds = 3", "rounds = 1").replace("[44, 48, 50]", "44"))
    answer = decide_next([Filmed(attempt, compare(attempt, plan), "x", plan)])
    assert answer.not_enough_data is not None
    assert "not enough data" in answer.not_enough_data
    assert answer.suggestions == []
    assert answer.plan.planned_sets() == plan.planned_sets()


def test_as_done_is_the_attempt_as_a_plan(filmed):
    done = as_done(filmed.attempt, PLAN)
    assert done.planned_sets()[0] == "7 | 1+5 | 1+4"
    assert [len(one.break_s) for one in done.rounds] == [2, 2, 3]
    assert as_done(filmed.attempt, None).planned_sets() == done.planned_sets()


def test_texts_and_pages_hold(filmed, tmp_path):
    answer = decide_next([filmed])
    assert all(len(line) <= 80 for line in next_lines(answer))
    video = tmp_path / "slate-quarry-lane.mp4"
    page = next_page(answer, video, tmp_path / "next")
    at = answer.losses[0].evidence[0].at_s
    assert f'href="../slate-quarry-lane.mp4#t={at:.1f}"' in page
    assert "href" not in next_page(answer)
    assert answer.cautions[0] in " ".join(next_lines(answer))


# Several attempts --------------------------------------------------------------------------------


def test_attempts_side_by_side_rep_for_rep(filmed):
    other = Filmed(Athlete(np.random.default_rng(2)).attempt(PLAN).attempt, None, "other")
    found = side_by_side([filmed, other])
    assert len(found.reps) == 54
    first = found.reps[0]
    assert (first.round, first.movement, first.number) == (1, "deadlift", 1)
    real = [rep for rep in filmed.attempt.reps if rep.status == "counted"]
    assert [row.seen_at_s[0] for row in found.reps] == [rep.top_s for rep in real]
    assert found.reps[0].clock_s[0] == pytest.approx(real[0].top_s - filmed.attempt.clock.start_s)
    total = next(one for one in found.changes if one.what == "Total")
    assert total.difference == pytest.approx(
        other.attempt.clock.total_s - filmed.attempt.clock.total_s, abs=1e-6
    )
    assert all(len(line) <= 80 for line in history_lines(found))
    assert "deadlift" in history_page(found)


def test_the_same_attempt_twice_changed_nothing(filmed):
    found = side_by_side([filmed, filmed])
    assert all(one.difference == 0 for one in found.changes)
    assert all(one.within_scatter in (None, True) for one in found.changes)
    assert found.not_comparable == []


def test_what_was_filmed_differently_is_said(filmed):
    attempt = filmed.attempt
    changed = attempt.model_copy(
        update={
            "clock": attempt.clock.model_copy(update={"start_source": "first lift-off"}),
            "video": attempt.video.model_copy(update={"mean_rate_hz": 24.0}),
            "warnings": [Notice(code="side-on", text="From the side.")],
            "workout": attempt.workout.model_copy(update={"load_kg": 50.0}),
        }
    )
    text = " ".join(side_by_side([filmed, Filmed(changed, None, "other")]).not_comparable)
    for said in ("different signals", "24 pictures a second", "side-on", "camera-moved", "50 kg"):
        assert said in text


def test_one_attempt_or_another_workout_is_refused(filmed):
    with pytest.raises(RecordError, match="two or more"):
        side_by_side([filmed])
    with pytest.raises(RecordError, match="whose rounds differ"):
        side_by_side([filmed, scripted(("7|1+5|1+4", 4.0))])
