"""After the attempt: losses with their evidence, suggestions that the model supports, histories."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from repcount.analysis import next_plan
from repcount.analysis.compare import compare
from repcount.analysis.forecast import Filmed, Forecaster, Span, forecaster, rank_plans
from repcount.analysis.history import side_by_side
from repcount.analysis.losses import elsewhere, losses
from repcount.analysis.next_plan import Suggestion, as_done, decide_next
from repcount.analysis.same_film import Film, repeated
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, make_edit, new_edits
from repcount.attempt.records import FailedStroke, Notice
from repcount.errors import PlanError, RecordError
from repcount.plan import Plan, parse_plan
from repcount.plan.clock_card import clock_card
from repcount.plan.set_limits import SetLimits
from repcount.plan.strength import one_rep_max
from repcount.plan.writing import plan_toml
from repcount.reports.after import (
    aim_words,
    gain_words,
    history_lines,
    history_page,
    made_after,
    next_card,
    next_lines,
    next_page,
    next_toml,
    parameter_words,
    suggestion_words,
)
from repcount.reports.card import card_page
from repcount.reports.fitted import fitted_slowing
from repcount.reports.rows import round_rows, time_rows
from repcount.units import to_ms
from repcount.web.plan_text import parse_time
from repcount.wording.numbers import clock, short
from tests.example_records import example_attempt, example_comparison
from tests.scripted_reading import SLATE, Script, as_planned, slate
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
    # as the comparison and its report have it: the bar on the floor
    assert first.seconds == one.comparison.breaks[2].difference_s == pytest.approx(4.0)
    # from top to top: down 0.6, wait 0.4, wait 0.5 and up 0.8, less an ordinary cycle of 1.4
    assert "took 0.9 s besides" in first.what


def test_breaks_that_grow_are_listed_by_round():
    one = scripted(("7|1+5|1+4", 4.0), ("7|1+5|1+4", 5.0), ("7|1+5|1+4", 6.5))
    found = next(loss for loss in losses(one) if loss.kind == "longer-breaks")
    assert found.seconds == pytest.approx(2 * (0 + 1.0 + 2.5))
    assert "growing from 4.0 s to 6.5 s" in found.what
    assert found.against == "the plan"
    assert "round 3" in found.evidence[0].text


def test_cycles_that_slow_are_listed_from_their_round():
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


def test_no_lost_time_is_no_loss_listed():
    found = losses(scripted(("7|1+5|1+4", 4.0), ("7|1+5|1+4", 4.0)))
    # the script lowers the bar for 0.6 s before it rests for the planned 6 s
    assert [(one.kind, one.seconds) for one in found] == [("between-rounds", 0.6)]


def test_a_no_rep_at_the_end_of_a_round_makes_no_rest_longer():
    script = as_planned()
    reading = script.reading()
    ends = [one for one in reading.reps if one.movement == "push press" and one.round == 1]
    starts = [one for one in reading.reps if one.movement == "deadlift" and one.round == 2]
    for rep, aside in ((ends[-1], "1.4"), (starts[0], "1.4")):
        none = new_edits(reading)
        edit = make_edit(none, "mark_no_rep", who="Robin", why="bent", target=rep.id)
        edits = append_edit(reading, none, edit)
        attempt = derive_attempt(reading, edits)
        one = Filmed(attempt, compare(attempt, PLAN), "no-rep", PLAN)
        between = {loss.kind: loss for loss in losses(one)}["between-rounds"]
        whole = derive_attempt(reading)
        assert between.seconds == pytest.approx(sum(0.6 for _ in whole.between_rounds))
        assert f"; lifts in it that did not count took {aside} s more." in between.what
        rows = {row.label: row for row in round_rows(attempt, one.comparison)}
        assert rows["Between rounds"].note == f"{aside} s of it lifts that did not count"
        where = {row.label: row for row in time_rows(attempt, one.comparison)}
        assert where["Between rounds"].note == rows["Between rounds"].note
        # from the last top to the no-rep's, or from its start to the next: a cycle of 0.6 and 0.8
        longer = attempt.between_rounds[0].length_s - whole.between_rounds[0].length_s
        assert longer == pytest.approx(1.4)


def test_changes_of_movement_are_compared_with_their_like():
    """A pick-up after a break, or after a missed lift, is no slow change of movement."""
    script = Script(slate(4)).wait(1.0)
    missed = []
    for number in range(4):
        if number:
            script.next_round()
        script.rep("deadlift", 8)
        if number == 1:
            script.wait(0.7).rest(4.0).wait(1.5)
        script.wait(0.8 if number == 3 else 0.0).rep("hang power clean", 6)
        if number == 2:
            begin = script.now / 1000
            missed.append(
                FailedStroke(
                    id="f1", movement="push press", start_s=begin, peak_s=begin + 0.5,
                    end_s=begin + 1.0, reached="rack", confidence=0.9,
                )
            )  # fmt: skip
            script.wait(4.0)
        script.rep("push press", 4)
    attempt = derive_attempt(script.reading(failed=missed))
    found = {one.kind: one for one in losses(Filmed(attempt, None, "x"))}
    changes = found["transitions"]
    assert changes.seconds == pytest.approx(0.8)
    assert [one.text for one in changes.evidence] == [
        "round 4, deadlift to hang power clean: 1.4 s"
    ]
    assert found["uncounted"].seconds == pytest.approx(1.0)


def test_losses_are_in_order_and_each_has_evidence(filmed):
    found = losses(filmed)
    seconds = [one.seconds for one in found]
    assert seconds == sorted(seconds, reverse=True)
    assert all(one.evidence for one in found)
    # losses and what was won, or lost in parts too small to list, are the difference to the plan
    comparison = filmed.comparison
    rest = elsewhere(filmed, found)
    together = sum(seconds) + sum(left for _, left in rest)
    assert together == pytest.approx(comparison.difference_s, abs=0.0005)
    assert {one.kind for one in found} >= {
        "longer-breaks", "unplanned-breaks", "between-rounds", "holds", "uncounted", "slow-cycles"
    }  # fmt: skip


@pytest.mark.slow
def test_at_most_three_suggestions_each_with_a_gain_above_its_uncertainty(filmed):
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


@pytest.mark.slow
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
    assert changes == ["A lighter load: 50 kg (110.2 lb) in place of 60 kg (132.3 lb)."]
    gains = [one.gain for one in answer.suggestions if one.kind == "load"]
    assert gains[0].low_s > 0  # at a load that was filmed, the model knows
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


def heavy(filmed: Filmed) -> tuple[Filmed, Plan]:
    """The same lifts at 70 kg, in sets of up to 8 reps."""
    plan = parse_plan(SLATE.replace("load_kg = 60.0", "load_kg = 70.0"))
    attempt = filmed.attempt.model_copy(update={"workout": plan.workout})
    return Filmed(attempt, compare(attempt, plan), "heavy", plan), plan


def test_an_earlier_attempt_of_which_no_rep_was_seen_holds_nothing_up(filmed):
    nothing = derive_attempt(Script(slate(3)).wait(1.0).reading())
    before = Filmed(nothing, compare(nothing, PLAN), "nothing", PLAN)
    made = decide_next([before, filmed])
    assert made.attempts == ["nothing", "slate"]
    assert [one.change for one in made.suggestions] == [
        one.change for one in decide_next([filmed]).suggestions
    ]


def test_no_planned_set_is_longer_than_a_known_max_allows(filmed):
    """At 97 % of a push press max of 72 kg a set is one rep (Nuzzo and others, Sports Med
    2024;54:303: 3.28 reps to failure at 95 %, 1 at the max)."""
    last, _ = heavy(filmed)
    answer = decide_next([last], maxes={"push press": one_rep_max(72)})
    presses = [
        part.reps
        for one in answer.plan.rounds
        for sets in one.pattern.sets
        for part in sets
        if part.movement == "push press"
    ]
    assert sum(presses) == 12
    assert max(presses) == 1
    limits = SetLimits({"push press": 70 / 72})
    assert limits.hold(answer.plan, 4.0, 8.0) is answer.plan  # and its rests are long enough
    assert parse_plan(plan_toml(answer.plan)).planned_sets() == answer.plan.planned_sets()
    text = " ".join(" ".join(next_lines(answer)).split())
    assert "70 kg (154.3 lb) is 97% of the push press max" in text
    assert text.count("No max is given for deadlift, hang power clean:") == 1
    loose = decide_next([last], maxes={"push press": one_rep_max(200)})
    unknown = decide_next([last])
    assert loose.plan.planned_sets() == unknown.plan.planned_sets()
    assert "No max is given for deadlift, hang power clean, push press" in unknown.notes[0]


def test_a_max_under_the_load_is_refused(filmed):
    last, _ = heavy(filmed)
    said = r'70 kg is over the lifted max of 60 kg for "push press"'
    with pytest.raises(PlanError, match=said):
        decide_next([last], maxes={"push press": one_rep_max(60)})


def test_a_gain_counts_the_breaks_that_nobody_planned(filmed):
    """Where sets are hardly held, shorter rests bring the bar down again and save less."""

    def gains(held: float) -> dict[str, float]:
        model = forecaster([filmed])
        assert isinstance(model, Forecaster)
        model.holding = replace(model.holding, reps=np.full(model.count, held))
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(next_plan, "forecaster", lambda *_: model)
            found = decide_next([filmed])
        return {one.change: one.gain.middle_s for one in found.suggestions if one.kind == "pace"}

    fresh, worn = gains(1000.0), gains(9.0)
    change = next(one for one in fresh if one.startswith("Keep each break"))
    assert worn.get(change, 0.0) < fresh[change]


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


def renamed(filmed: Filmed, name: str, **video: object) -> Filmed:
    """The same lifts, as of another video unless `video` says otherwise."""
    changes: dict[str, object] = {"sha256": "0" * 64, **video}
    film = filmed.attempt.video.model_copy(update=changes)
    return replace(filmed, attempt=filmed.attempt.model_copy(update={"video": film}), name=name)


def test_the_same_lifts_in_another_video_changed_nothing(filmed):
    found = side_by_side([filmed, renamed(filmed, "other")])
    assert all(one.difference == 0 for one in found.changes)
    assert all(one.within_scatter in (None, True) for one in found.changes)
    assert found.not_comparable == []


@pytest.mark.slow
def test_one_video_counts_once_and_the_others_are_named(filmed):
    again = replace(filmed, name="again")
    other = renamed(Athlete(np.random.default_rng(2)).attempt(PLAN), "other", sha256="1" * 64)
    said = "again is left out: it is the same attempt in the same video as slate"
    answer = decide_next([again, other, filmed])
    alone = decide_next([other, filmed])
    assert answer.attempts == ["other", "slate"]
    assert answer.slowing == alone.slowing
    assert answer.notes[0].startswith(said)
    assert said in " ".join(" ".join(next_lines(answer)).split())
    assert said in next_page(answer)
    ranking = rank_plans([again, filmed], [("plan", PLAN)])
    assert ranking.attempts == ["slate"]
    assert ranking.notes[0].startswith(said)
    found = side_by_side([again, other, filmed])
    assert [one.name for one in found.attempts] == ["other", "slate"]
    assert found.notes[0].startswith(said)
    assert said in " ".join(" ".join(history_lines(found)).split())
    assert said in history_page(found)
    with pytest.raises(RecordError, match=said):
        side_by_side([again, filmed])


def test_two_attempts_in_one_video_are_two(filmed):
    """One after the other, or side by side: distinguished by the stretch, or by the part of the
    frame."""
    later = filmed.attempt.model_copy(
        update={
            "reps": [
                rep.model_copy(update={"start_s": rep.start_s + 300, "top_s": rep.top_s + 300})
                for rep in filmed.attempt.reps
            ]
        }
    )
    assert not repeated([Film.of(filmed.attempt), Film.of(later)])

    def lane(left: float, right: float) -> Film:
        options = {"tracking": {"region": [left, 0, right, 720]}}
        provenance = filmed.attempt.provenance.model_copy(update={"options": options})
        return Film.of(filmed.attempt.model_copy(update={"provenance": provenance}))

    assert not repeated([lane(0, 700), lane(600, 1280)])
    assert repeated([lane(0, 700), lane(50, 650), lane(600, 1280)]) == {0: 1}
    assert repeated([lane(0, 700), lane(50, 650)], keep="first") == {1: 0}


def test_what_both_did_of_an_unfinished_round_is_compared():
    whole = scripted(("7|1+5|1+4", 4.0), ("7|1+5|1+4", 4.0), ("7|1+5|1+4", 4.0))
    script = Script(slate(3)).wait(1.0).sets("7|1+5|1+4", 5.0).next_round().sets("7|1+5|1+4", 4.0)
    script.next_round().rep("deadlift", 7).wait(0.4).rest(9.0).wait(0.5).rep("deadlift")
    cut = Filmed(derive_attempt(script.reading()), None, "cut", None)
    for filmed in ([whole, cut], [cut, whole]):
        found = side_by_side(filmed)
        by = {one.what: one for one in found.changes}
        assert found.compared_rounds == [1, 2]
        assert {"Round 1", "Round 2"} <= by.keys()
        assert not {"Round 3", "Total"} & by.keys()
        # two breaks in each of two rounds and the one before deadlift 8, on both sides
        assert (by["Breaks"].first, by["Breaks"].last) == (5, 5)
        assert abs(by["Time in breaks"].difference) == pytest.approx(2.0 + 5.0)
        tops = [one.attempt.counted()[43].top_s - one.attempt.clock.start_s for one in filmed]
        clock = by["Clock at round 3, deadlift 8"]
        assert [clock.first, clock.last] == pytest.approx(tops)
        part = by["Round 3, to deadlift 8"]
        assert abs(part.difference) == pytest.approx(5.0)
        place = filmed.index(cut)
        assert found.attempts[place].rounds_s[2] is None
        assert found.attempts[1 - place].breaks == 5
        text = " ".join(" ".join(history_lines(found)).split())
        assert "up to round 3, deadlift 8, which both did" in text
        assert "Round 3 and the total of cut: not finished, 44 of 54 reps." in text
        assert "In brackets: not every rep was counted." in text
        page = history_page(found)
        assert "Up to round 3, deadlift 8, which both did." in page
        assert "not finished" in page


def test_attempts_stand_in_the_order_in_which_they_were_filmed(filmed):
    first = renamed(Athlete(np.random.default_rng(2)).attempt(PLAN), "first", sha256="1" * 64,
                    recorded_at="2026-03-01T10:00:00Z")  # fmt: skip
    last = renamed(filmed, "last", sha256="2" * 64, recorded_at="2026-03-08")
    found = side_by_side([last, first])
    assert [one.name for one in found.attempts] == ["first", "last"]
    assert found.notes == ["In the order filmed: first, last."]
    assert "filmed 08 Mar 2026" in " ".join(history_lines(found))
    assert side_by_side([first, last]).notes == []
    unknown = renamed(filmed, "unknown", sha256="3" * 64, recorded_at=None)
    found = side_by_side([last, unknown])
    assert [one.name for one in found.attempts] == ["last", "unknown"]
    assert "When unknown was filmed is not known" in found.notes[0]


def test_the_new_plan_and_its_card_show_one_time(filmed):
    answer = decide_next([filmed])
    card = clock_card(answer.plan)
    total = clock(card.total_s)
    assert clock(answer.forecast.total.middle_s) == total
    assert f"The new plan: {total} (" in "\n".join(next_lines(answer))
    assert f"The new plan: {total} (" in next_page(answer)
    parts = [one.round_s for one in answer.plan.rounds]
    assert f"rounds {' + '.join(map(short, parts))}" in "\n".join(next_lines(answer))
    whole = sum(map(to_ms, [*parts, *answer.plan.between_rounds_s, answer.plan.start_s]))
    assert whole == to_ms(card.total_s)


def test_the_way_from_the_attempt_to_the_new_plan_adds_up_in_what_is_shown(filmed):
    answer = decide_next([filmed])
    text = " ".join(" ".join(next_lines(answer)).split())
    said = re.search(
        r"Last time (\S+)\. The new plan is forecast at .*"
        r"Forecast: done the same again (\S+); with these changes (\S+); with "
        r"the plan’s sets, where a set may be broken where nobody planned it, (\S+), the new "
        r"plan\.",
        text,
    )
    assert said is not None
    last, again, changed, new = (round(10 * parse_time(one)) for one in said.groups())
    assert last == round(10 * filmed.attempt.clock.total_s)
    assert clock(new / 10) == clock(clock_card(answer.plan).total_s)
    gain = re.search(r"Together the changes are expected to save (\S+) s \(", text)
    cost = re.search(r"in place of those done are expected to cost (\S+) s \((\S+) to", text)
    assert again - changed == round(10 * float(gain[1]))
    assert new - changed == round(10 * float(cost[1]))
    assert cost[2].startswith("−")  # too small to tell, and said
    assert "which is too small to tell; they are kept as the coach planned them" in text
    # each change says its own gain with its interval
    assert text.count("), alone.") == len(answer.suggestions)


def test_a_kept_plan_has_its_changes_in_its_notes_and_those_of_the_coach_below(filmed):
    mine = PLAN.model_copy(
        update={
            "notes": "After the attempt filmed 01 Nov 2026:\nOld.\n\nChalk up.",
            "target_s": 155,
        }
    )
    answer = decide_next([filmed], mine)
    answer.recorded_at = "2026-11-28"
    kept = parse_plan(next_toml(answer))
    first, *said = kept.notes.splitlines()
    assert first == "After the attempt filmed 28 Nov 2026:"
    # the plan's own numbers stand in its fields, which may be changed, and nowhere else
    assert said == [
        "Suggested then: keep the breaks short; go on soon after each round.", "", "Chalk up."
    ]  # fmt: skip
    assert made_after(kept) == "after the attempt filmed 28 Nov 2026"
    assert made_after(PLAN) == ""
    page = card_page([next_card(answer)])
    assert answer.suggestions[0].change in page
    # a change that the new plan has not is in neither, and says so where it stands
    one = answer.suggestions[0]
    one.in_plan = False
    assert aim_words(one) not in parse_plan(next_toml(answer)).notes
    assert "Not in the new plan" in suggestion_words(answer, 0)
    assert one.change not in card_page([next_card(answer)])
    assert "more than its reps take" not in page  # advice to whoever writes the plan


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"kind": "pace", "shortens": "breaks"}, "keep the breaks short"),
        ({"kind": "pace", "shortens": "between-rounds"}, "go on soon after each round"),
        ({"kind": "pattern", "gain": {"middle_s": 3, "low_s": 1, "high_s": 5}},
         "break the sets another way"),
        ({"kind": "pattern"}, "plan no more than the load allows"),
        ({"kind": "pattern", "reason": "sets"}, "break into shorter sets"),
        ({"kind": "pace", "reason": "breaks"}, "take longer breaks"),
        ({"kind": "pace", "reason": "start"}, "start slower"),
        ({"kind": "load", "reason": "load"}, "take less load"),
        ({"kind": "load"}, "take less load"),
    ],
)  # fmt: skip
def test_every_change_has_words_without_numbers(given, said):
    assert aim_words(Suggestion(change="To 4.0 s.", why="", **given)) == said


@pytest.mark.slow
def test_report_and_next_show_one_slowing(filmed):
    said = [parameter_words(one) for one in decide_next([filmed]).slowing]
    shown = fitted_slowing(filmed.attempt).words
    assert len(shown) == 3
    assert set(shown) <= set(said)
    other = renamed(Athlete(np.random.default_rng(2)).attempt(PLAN), "other")
    notes = " ".join(decide_next([other, filmed]).notes)
    assert "fitted to 2 attempts together; each report fits its own" in notes


def test_what_was_filmed_differently_is_said(filmed):
    attempt = filmed.attempt
    changed = attempt.model_copy(
        update={
            "clock": attempt.clock.model_copy(update={"start_source": "first lift-off"}),
            "video": attempt.video.model_copy(update={"mean_rate_hz": 24.0, "sha256": "0" * 64}),
            "warnings": [Notice(code="side-on", text="From the side.")],
            "workout": attempt.workout.model_copy(update={"load_kg": 50.0}),
        }
    )
    text = " ".join(side_by_side([filmed, Filmed(changed, None, "other")]).not_comparable)
    for said in ("different signals", "24 frames a second", "side-on", "camera-moved", "50 kg"):
        assert said in text


def test_one_attempt_or_another_workout_is_refused(filmed):
    with pytest.raises(RecordError, match="two or more"):
        side_by_side([filmed])
    with pytest.raises(RecordError, match="whose rounds differ"):
        side_by_side([filmed, scripted(("7|1+5|1+4", 4.0))])


def test_a_gain_below_zero_is_a_cost() -> None:
    gain = Span(middle_s=-9.4, low_s=-12.0, high_s=1.5)
    assert gain_words(gain, inside_noise=False) == "Expected to cost 9.4 s (−1.5 to 12.0), alone."
