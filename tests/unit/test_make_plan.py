"""From a workout and numbers to a plan: patterns, pace, the clock card, and the file."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import MovementReps
from repcount.errors import PlanError
from repcount.plan import parse_pattern, parse_plan
from repcount.plan.athletes import file_stem, load_athletes
from repcount.plan.barbell import KITS
from repcount.plan.break_rules import COMMON, RULES, break_patterns
from repcount.plan.clock_card import clock_card
from repcount.plan.pace import Feasible, between_rounds, shares_of, spread
from repcount.plan.propose import Wishes, make_plan
from repcount.plan.strength import one_rep_max
from repcount.plan.tempo import CYCLE_RANGE_S, Tempo, leads_into, pick_up_lifts, steps_of
from repcount.plan.writing import plan_toml
from repcount.reports.card import card_lines, card_page
from repcount.units import to_ms
from tests.scripted_reading import SLATE

PLAN = parse_plan(SLATE)
WORKOUT = parse_plan(SLATE.split("[breaks]")[0])


def parts(*pairs: tuple[str, int]) -> list[MovementReps]:
    return [MovementReps(movement=name, reps=reps) for name, reps in pairs]


def workout_of(rounds: int, *pairs: tuple[str, int], more: str = "") -> str:
    tables = "".join(
        f'[[workout.movements]]\nmovement = "{name}"\nreps = {reps}\n' for name, reps in pairs
    )
    return f'[workout]\nname = "Gravel"\nrounds = {rounds}\nload_kg = 50\n{more}\n{tables}'


@st.composite
def any_round(draw: st.DrawFn) -> list[MovementReps]:
    names = draw(st.lists(st.sampled_from(MOVEMENT_NAMES), min_size=1, max_size=4))
    names = [name for i, name in enumerate(names) if i == 0 or names[i - 1] != name]
    return parts(*[(name, draw(st.integers(1, 15))) for name in names])


# Break patterns ----------------------------------------------------------------------------------


def test_the_rules_are_data_with_reasons_marked_as_common_practice():
    for rule in RULES:
        assert rule.reason
        assert rule.for_whom
    assert set(CYCLE_RANGE_S) == set(MOVEMENT_NAMES)
    assert {word for rule in RULES for word in rule.protects} == {
        "back", "grip", "shoulders", "lungs"
    }  # fmt: skip


def test_patterns_of_a_pull_a_clean_and_a_press():
    found = {one.name: one.patterns[0] for one in break_patterns(PLAN.workout.rounds)}
    assert found == {
        "one before the end": "7 | 1+5 | 1+4",
        "short sets early": "4 | 3 | 1+3 | 2 | 1+4",
        "long opening set": "8+3 | 3+4",
        "single dropped reps": "1 | 1 | 1 | 1 | 1 | 1 | 1 | 1+3 | 2 | 1+4",
        "unbroken": "8+6+4",
    }


def test_the_way_into_the_next_movement():
    assert leads_into("deadlift", "hang power clean")
    assert leads_into("power clean", "front squat")
    assert leads_into("snatch", "overhead squat")
    assert not leads_into("push press", "deadlift")
    assert not leads_into("Romanian deadlift", "hang clean")  # it begins at the hang itself
    assert not leads_into("front squat", "push press")


@settings(max_examples=75, deadline=None)
@given(movements=any_round())
def test_every_rule_adds_up_and_leaves_high_work_unbroken(movements):
    names = {part.movement for part in movements}
    only_high = all(pick_up_lifts(name) >= 2 for name in names)
    for offer in break_patterns([movements] * 2):
        assert offer.source == COMMON
        pattern = parse_pattern(offer.patterns[0], movements)
        assert offer.breaks == 2 * (len(pattern.sets) - 1)
        if only_high:
            continue
        steps = steps_of(movements, pattern)
        for step in steps:
            if step.kind == "break" and step.before == step.movement:
                assert pick_up_lifts(step.movement) < 2, offer


def test_what_the_coach_wants_protected_chooses_the_rule():
    chosen = {
        word: make_plan(WORKOUT, Wishes(protect=word)).chosen
        for word in ("back", "grip", "shoulders", "lungs")
    }
    assert chosen == {
        "back": "short sets early",
        "grip": "single dropped reps",
        "shoulders": "one before the end",
        "lungs": "one before the end",
    }


# Pace --------------------------------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(
    whole=st.integers(1, 10**7),
    weights=st.lists(st.fractions(Fraction(1, 50), 10), min_size=1, max_size=12),
)
def test_cutting_a_time_loses_no_millisecond(whole, weights):
    shares = [one / sum(weights) for one in weights]
    found = spread(whole, shares)
    assert sum(found) == whole
    unit = 100 if whole % 100 == 0 and whole >= 100 * len(shares) else 1
    for part, share in zip(found, shares, strict=True):
        assert abs(Fraction(part) - share * whole) < unit  # exact rational arithmetic


@settings(max_examples=60, deadline=None)
@given(
    rounds=st.integers(1, 6),
    target=st.integers(120_000, 1_200_000),
    between=st.integers(0, 15_000),
    start=st.integers(0, 5_000),
    stop=st.integers(0, 9_000),
    shape=st.sampled_from(["even", "ahead"]),
)
def test_the_pacing_identity_is_exact(rounds, target, between, start, stop, shape):
    base = parse_plan(workout_of(rounds, ("deadlift", 5), ("hang power clean", 4)))
    wishes = Wishes(
        target_s=target / 1000,
        between_s=between / 1000,
        start_s=start / 1000,
        break_s=stop / 1000,
        shape=shape,
    )
    try:
        plan = make_plan(base, wishes).plan
    except PlanError:
        with pytest.raises(PlanError, match="nearest feasible"):
            make_plan(base, wishes)
        return
    clock = Fraction(to_ms(plan.start_s), 1000)
    for number, one in enumerate(plan.rounds):
        breaks = sum((Fraction(to_ms(s), 1000) for s in one.break_s), Fraction(0))
        clock += breaks + (Fraction(to_ms(one.round_s), 1000) - breaks)
        if number < rounds - 1:
            clock += Fraction(to_ms(plan.between_rounds_s[number]), 1000)
    assert clock == Fraction(target, 1000)
    card = clock_card(plan)
    assert to_ms(card.total_s) == target == to_ms(card.rounds[-1].end_s)
    for round_ in card.rounds:
        assert to_ms(round_.sets[0].start_s) == to_ms(round_.start_s)
        assert to_ms(round_.sets[-1].end_s) == to_ms(round_.end_s)
        for one, after in zip(round_.sets, round_.sets[1:], strict=False):
            assert to_ms(one.bar_up_s) - to_ms(one.bar_down_s) == stop
            assert one.start_s < one.end_s <= one.bar_down_s <= one.bar_up_s == after.start_s


def test_the_first_round_can_be_ahead():
    """Common practice, no source: the first round a tenth or so faster, the others alike."""
    base = parse_plan(workout_of(4, ("power clean", 9), ("front squat", 7), ("push press", 5)))
    plan = make_plan(base, Wishes(target_s=320, shape="ahead", between_s=5, start_s=0)).plan
    first, *others = [one.round_s for one in plan.rounds]
    assert 0.8 < first / max(others) < 0.95
    assert max(others) - min(others) < 3
    assert plan.planned_total_s == 320


def test_a_relaxed_first_try():
    """Common practice, no source: 90 s a round with about 10 s between, four rounds in six and a
    half minutes."""
    base = parse_plan(workout_of(4, ("power clean", 9), ("front squat", 7), ("push press", 5)))
    plan = make_plan(base, Wishes(target_s=390, between_s=10, start_s=0)).plan
    assert [one.round_s for one in plan.rounds] == [90.0] * 4
    assert plan.planned_total_s == 390


def test_an_infeasible_target_names_the_reason_and_the_nearest():
    with pytest.raises(PlanError, match="nearest feasible target is ") as caught:
        make_plan(PLAN, Wishes(target_s=60))
    nearest = str(caught.value).rsplit(" ", 1)[1].rstrip(".")
    minutes, seconds = nearest.split(":")
    at = int(minutes) * 60 + float(seconds)
    assert make_plan(PLAN, Wishes(target_s=at)).plan.planned_total_s == at
    with pytest.raises(PlanError, match="nearest feasible"):
        make_plan(PLAN, Wishes(target_s=at - 0.1))
    assert "breaks 8.0 s" in str(caught.value)
    with pytest.raises(PlanError, match="over the time cap"):
        make_plan(PLAN, Wishes(target_s=500))
    with pytest.raises(PlanError, match="longer than a day; the nearest feasible target is 7:00"):
        make_plan(PLAN, Wishes(target_s=90_000))


def test_a_plan_over_the_cap_is_said():
    base = parse_plan(SLATE.split("[breaks]")[0].replace("= 420", "= 60"))
    assert any("over the time cap of 1:00" in note for note in make_plan(base).notes)
    assert not any("time cap" in note for note in make_plan(WORKOUT).notes)


def test_given_cycles_and_changes_bind():
    slow = Wishes(target_s=120, cycle_s={"deadlift": 4.0}, transition_s=3.0)
    with pytest.raises(PlanError, match="nearest feasible"):
        make_plan(PLAN, slow)
    assert make_plan(PLAN, Wishes(target_s=120)).plan.planned_total_s == 120


def test_the_target_of_a_file_is_met_where_it_has_no_round_times():
    aimed = WORKOUT.model_copy(update={"target_s": 150.0})
    made = make_plan(aimed).plan
    assert (made.planned_total_s, made.target_s) == (150, 150)
    kept = make_plan(PLAN.model_copy(update={"target_s": 150.0})).plan
    assert kept.planned_total_s == make_plan(PLAN).plan.planned_total_s
    assert kept.target_s == 150
    assert make_plan(aimed, Wishes(target_s=160)).plan.target_s == 160


def test_an_own_shape_is_taken_and_asked_for():
    shares = [Fraction(2, 10), Fraction(3, 10), Fraction(5, 10)]
    plan = make_plan(PLAN, Wishes(target_s=314, shape="own", start_s=2), own_shares=shares).plan
    times = [one.round_s for one in plan.rounds]
    assert [one / sum(times) for one in times] == pytest.approx([0.2, 0.3, 0.5], abs=0.001)
    with pytest.raises(PlanError, match="attempts"):
        make_plan(PLAN, Wishes(target_s=314, shape="own"))


def test_rounds_that_differ_share_by_their_work():
    base = parse_plan(
        '[workout]\nname = "Basalt"\n'
        + "".join(
            "[[workout.round]]\n[[workout.round.movements]]\n"
            f'movement = "thruster"\nreps = {reps}\n'
            for reps in (15, 10, 5)
        )
    )
    times = [one.round_s for one in make_plan(base, Wishes(target_s=140)).plan.rounds]
    assert times == sorted(times, reverse=True)
    shares = shares_of(base.rounds, "even")
    around = between_rounds(3, 0, [5, 5])
    made = Feasible(base.rounds, around, shares).times(90)
    assert sum(made.rounds) + sum(made.between) == 90_000


@pytest.mark.parametrize(
    ("wishes", "said"),
    [
        (Wishes(target_s=0), "target is 0 s"),
        (Wishes(target_s=-5), "target is -5 s"),
        (Wishes(break_s=-1), "break length is -1"),
        (Wishes(load_kg=-3), "load is -3 kg"),
        (Wishes(patterns=["7 | 1+5"]), "add up to 13 reps"),
        (Wishes(patterns=["8+6+4"] * 2), "2 patterns for 3 rounds"),
        (Wishes(rule="short sets erly"), 'did you mean "short sets early"'),
        (Wishes(protect="knees"), "allowed are back, grip, shoulders, lungs"),
        (Wishes(protect="back", rule="unbroken"), "three ways"),
        (Wishes(shape="fast"), "allowed are even, ahead, own"),  # type: ignore[arg-type]
        (Wishes(maxes={"push press": one_rep_max(50)}), "over the lifted max"),
        (Wishes(cycle_s={"deadlift": 0.0}), "cycle time of deadlift"),
    ],
)
def test_a_wish_that_cannot_be_is_one_sentence(wishes, said):
    with pytest.raises(PlanError) as caught:
        make_plan(PLAN, wishes)
    assert said in str(caught.value)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


# The card and the file ---------------------------------------------------------------------------


def test_the_card_by_hand():
    """One round: 2 deadlifts, a break of 4 s, 1 deadlift and 1 hang power clean."""
    tempo = Tempo({"deadlift": 2.0, "hang power clean": 2.0}, 0.6)
    # typical: first 0.9, cycle 2.0 as given, down 0.9, up and rise 0.9, change 0.6 as given and
    # rise 0.9: 6.2 s. Slow: what is not given takes 1 / 0.7 of that.
    slow = 0.9 / 0.7
    whole = 4 * slow + 2.6
    for work, first, down in (
        (6.2, 2.9, 0.9),
        (6.2 + (whole - 6.2) / 2, 2 + (0.9 + slow) / 2, (0.9 + slow) / 2),
        (2 * whole, 2 * (slow + 2), 2 * slow),  # beyond slow all is stretched
    ):
        base = parse_plan(
            workout_of(1, ("deadlift", 3), ("hang power clean", 1))
            + '[breaks]\npattern = "2 | 1+1"\nseconds = 4\n'
            + f"[pace]\nround_s = {work + 4}\nstart_s = 1\n"
        )
        one = clock_card(base, tempo).rounds[0]
        assert one.sets[0].end_s == pytest.approx(1 + first, abs=0.003)
        assert one.sets[0].bar_down_s == pytest.approx(1 + first + down, abs=0.003)
        assert one.sets[1].start_s == pytest.approx(5 + first + down, abs=0.003)
        assert one.sets[1].end_s == one.end_s == pytest.approx(work + 5, abs=0.001)


@settings(max_examples=80, deadline=None)
@given(
    movements=any_round(),
    rounds=st.integers(1, 4),
    rule=st.sampled_from([None, "unbroken", "short sets early"]),
    name=st.text(min_size=1, max_size=30),
    pounds=st.booleans(),
)
def test_a_written_plan_reads_back_the_same(movements, rounds, rule, name, pounds):
    base = parse_plan(workout_of(rounds, *[(one.movement, one.reps) for one in movements]))
    kit = KITS["lb" if pounds else "kg"]
    made = make_plan(base, Wishes(athlete=name, rule=rule, kit=kit)).plan
    assert parse_plan(plan_toml(made, ["a comment\nof two lines"])) == made


def test_card_texts_hold_their_width_and_escape_names():
    made = make_plan(WORKOUT, Wishes(athlete="<b>Sam</b>", maxes={"push press": one_rep_max(90)}))
    lines = card_lines(made)
    assert all(len(line) <= 80 for line in lines)
    text = " ".join(" ".join(lines).split())
    assert "Lifting can hurt" in text
    assert "common practice, no source" in text
    page = card_page([made])
    assert "<b>Sam" not in page
    assert "&lt;b&gt;Sam" in page
    assert "Lifting can hurt" in page


# Many athletes -----------------------------------------------------------------------------------


def test_a_copy_for_each_athlete(tmp_path):
    file = tmp_path / "athletes.toml"
    file.write_text(
        '[[athlete]]\nname = "Robin"\nmax = {"push press" = "135 lb"}\ntarget = "2:30"\n'
        '[[athlete]]\nname = "Sam"\nload = 50\nprotect = "back"\nbreaks = 3\npace = "ahead"\n'
    )
    one, two = load_athletes(file, WORKOUT, Wishes(target_s=170)).wishes
    assert one.maxes["push press"].middle_kg == 61.235
    assert (one.target_s, two.target_s) == (150, 170)
    assert (two.load_kg, two.protect, two.break_s, two.shape) == (50, "back", 3, "ahead")
    assert file_stem("Jörg / Ann") == "jörg-ann"


def test_the_former_name_of_protect_still_works(tmp_path):
    file = tmp_path / "athletes.toml"
    file.write_text('[[athlete]]\nname = "Sam"\nspare = "grip"\n')
    assert load_athletes(file, WORKOUT, Wishes()).wishes[0].protect == "grip"
    file.write_text('[[athlete]]\nname = "Sam"\nspare = "grip"\nprotect = "back"\n')
    assert "mean the same" in str(load_athletes(file, WORKOUT, Wishes()).faults[0])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "athlete is missing"),
        ("[[athlete]]\nload = 5\n", "athlete 1: name is missing"),
        ('[[athlete]]\nname = "A"\nlaod = 5\n', 'did you mean "load"'),
        ('[[athlete]]\nname = "A"\nload = -5\n', "not above 0"),
        ('[[athlete]]\nname = "A"\nbest = {deadlift = "0x5kg"}\n', "0 reps"),
        ('[[athlete]]\nname = "A"\n[[athlete]]\nname = "A"\n', "stands twice"),
        ('[[athlete]]\nname = "A"\npace = "fast"\n', "allowed are even"),
        ("[[athlete]\n", "not valid TOML"),
    ],
)
def test_a_file_of_athletes_that_does_not_fit_is_one_sentence(tmp_path, text, said):
    file = tmp_path / "athletes.toml"
    file.write_text(text)
    try:
        (fault,) = load_athletes(file, WORKOUT, Wishes()).faults
    except PlanError as error:
        fault = error
    assert said in str(fault)
    assert str(fault).startswith(str(file))


def test_one_bad_entry_stops_no_other_and_bars_may_differ(tmp_path):
    file = tmp_path / "athletes.toml"
    file.write_text(
        '[[athlete]]\nname = "Ann"\nbar = 15\n[[athlete]]\nname = "Bo"\nload = "heavy"\n'
        '[[athlete]]\nload = 40\n[[athlete]]\nname = "Cy"\nbar = -3\n[[athlete]]\nname = "Di"\n'
    )
    found = load_athletes(file, WORKOUT, Wishes())
    assert [(one.athlete, one.kit.bar) for one in found.wishes] == [("Ann", 15), ("Di", 20)]
    for fault, said in zip(
        found.faults,
        ('"Bo": the load "heavy"', "athlete 3: name", "the bar weighs -3"),
        strict=True,
    ):
        assert said in str(fault)
