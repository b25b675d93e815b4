"""Plans: what a plan file may say, and one clear sentence for everything else."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.attempt.records import After, MovementReps, PlannedBreak, load_record, schema_text
from repcount.errors import PlanError, RecordError
from repcount.plan import Plan, PlannedRound, load_plan, parse_plan, plan_schema_text
from repcount.plan.file import PlanFile
from repcount.plan.findings import finding_sentence
from repcount.plan.load import resolve
from repcount.wording import near_spelling
from tests.scripted_reading import SLATE, slate

DIFFERENT = """
[workout]
name = "Basalt"
[[workout.round]]
[[workout.round.movements]]
movement = "thruster"
reps = 15
[[workout.round]]
[[workout.round.movements]]
movement = "thruster"
reps = 12
[[workout.round]]
[[workout.round.movements]]
movement = "thruster"
reps = 9
[breaks]
patterns = ["9 | 6", "7 | 5", "5 | 4"]
seconds = [5, 6, 7]
"""


def refused(text: str) -> str:
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "slate.toml")
    sentence = str(caught.value)
    assert sentence.startswith("slate.toml: ")
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert len(sentence) < 800
    return sentence


def changed(old: str, new: str) -> str:
    assert old in SLATE
    return SLATE.replace(old, new)


def test_the_design_s_plan(tmp_path: Path) -> None:
    file = tmp_path / "slate.toml"
    file.write_text(SLATE, encoding="utf-8")
    plan = load_plan(file)
    assert plan.workout == slate(cap=420)
    assert plan.planned_sets() == ["7 | 1+5 | 1+4"] * 3
    assert plan.planned_breaks()[:2] == [
        PlannedBreak(round=1, after=After(movement="deadlift", number=7), seconds=4.0),
        PlannedBreak(round=1, after=After(movement="hang power clean", number=5), seconds=4.0),
    ]
    assert len(plan.planned_breaks()) == 6
    assert [one.work_s for one in plan.rounds] == [36.0, 40.0, 42.0]


def test_planned_total_is_start_rounds_and_the_times_between() -> None:
    plan = parse_plan(SLATE)
    assert plan.planned_total_s == 44 + 48 + 50 + 2 * 6
    assert parse_plan(SLATE + "start_s = 2.5\n").planned_total_s == 156.5
    assert parse_plan(changed("round_s = [44, 48, 50]", "")).planned_total_s is None
    assert parse_plan(changed("round_s = [44, 48, 50]", "round_s = 45")).planned_total_s == 147
    assert parse_plan(changed("rounds_s = 6", "rounds_s = [6, 8.5]")).planned_total_s == 156.5
    assert parse_plan(changed("between_rounds_s = 6", "")).planned_total_s == 142
    assert plan.planned_clock() == [
        PlannedRound(round=1, start_s=0, end_s=44),
        PlannedRound(round=2, start_s=50, end_s=98),
        PlannedRound(round=3, start_s=104, end_s=154),
    ]


def test_a_workout_whose_rounds_differ() -> None:
    """A workout whose rounds differ lists [[workout.round]] tables, [breaks] patterns one a
    round."""
    plan = parse_plan(DIFFERENT)
    assert plan.workout.rounds == [
        [MovementReps(movement="thruster", reps=reps)] for reps in (15, 12, 9)
    ]
    assert plan.planned_sets() == ["9 | 6", "7 | 5", "5 | 4"]
    assert [one.break_s for one in plan.rounds] == [[5], [6], [7]]
    assert parse_plan(DIFFERENT.replace("[5, 6, 7]", "5")).rounds[2].break_s == [5]


def test_lengths_of_breaks_in_all_forms() -> None:
    """seconds: one number, or one a |, or one list a round."""

    def lengths(written: str) -> list[list[float]]:
        return [one.break_s for one in parse_plan(changed("4.0", written)).rounds]

    assert lengths("4") == [[4, 4]] * 3
    assert lengths("[4, 5.5]") == [[4, 5.5]] * 3
    assert lengths("[1, 2, 3, 4, 5, 6]") == [[1, 2], [3, 4], [5, 6]]
    assert lengths("[[1, 2], [3, 4], [5, 6]]") == [[1, 2], [3, 4], [5, 6]]


def test_pounds() -> None:
    """1 lb = 0.453 592 37 kg exactly: NIST Special Publication 811 (2008), appendix B.8."""
    plan = parse_plan(changed("load_kg = 60.0", "load_lb = 135"))
    assert plan.workout.load_kg == pytest.approx(135 * 0.45359237, abs=0.0005)
    assert plan.load_lb == 135
    assert parse_plan(changed("load_kg = 60.0\n", "")).workout.load_kg is None


def test_cycles_and_changes_of_movement() -> None:
    """optional: cycle_s per movement, transition_s, start_s."""
    plan = parse_plan(
        SLATE + 'transition_s = 1.5\n[pace.cycle_s]\ndeadlift = 1.8\n"push press" = 2\n'
    )
    # 7 and 1 deadlifts in two sets: 6 cycles; 4 push presses in one: 3
    assert plan.planned_cycle_s(1) == {"deadlift": 10.8, "push press": 6.0}
    assert plan.planned_transition_s(1) == 3.0


def test_athlete_and_notes() -> None:
    plan = parse_plan('athlete = "R. Okonjo"\nnotes = "Chalk early."\n' + SLATE)
    assert (plan.athlete, plan.notes) == ("R. Okonjo", "Chalk early.")


def test_names_of_movements_are_the_catalogue_s() -> None:
    """The names the design lists, all of them and no other."""
    assert set(MOVEMENT_NAMES) == {
        *("deadlift", "sumo deadlift", "Romanian deadlift", "hang power clean", "power clean"),
        *("hang clean", "clean", "hang power snatch", "power snatch", "hang snatch", "snatch"),
        *("strict press", "push press", "push jerk", "split jerk", "shoulder to overhead"),
        *("front squat", "back squat", "overhead squat", "thruster", "cluster"),
        *("sumo deadlift high pull", "bent-over row", "other bar movement"),
    }


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        # misspelt values
        (
            '"hang power clean"',
            '"hang power claen"',
            'workout.movements[2].movement = "hang power claen" is not a movement known here '
            '(did you mean "hang power clean"?); allowed are "deadlift", ',
        ),
        ('"deadlift"', '"DEADLIFT"', '(did you mean "deadlift"?)'),
        ('"deadlift"', '"qqq"', 'workout.movements[1].movement = "qqq" is not a movement'),
        # misspelt keys
        ("reps = 6", "rep = 6", 'movements[2].rep is not a key of a plan (did you mean "reps"?)'),
        ("load_kg", "load_gk", 'workout.load_gk is not a key of a plan (did you mean "load_kg"?)'),
        ("[pace]", "[pcae]", 'pcae is not a key of a plan (did you mean "pace"?)'),
        ("round_s =", "rounds_s =", 'pace.rounds_s is not a key of a plan (did you mean "round_s"'),
        ("seconds =", "second =", 'breaks.second is not a key of a plan (did you mean "seconds"?)'),
        ("[pace]", "[pace]\n[lanes]", "allowed at the top are athlete, notes, workout, breaks"),
        # missing
        ('name = "Slate"', "", "workout.name is missing; give the workout's name"),
        ("rounds = 3", "", "workout.rounds is missing"),
        ("reps = 6", "", "workout.movements[2].reps is missing"),
        ("seconds = 4.0", "", "breaks.seconds is missing"),
        ('pattern = "7 | 1+5 | 1+4"', "", "breaks.pattern is missing"),
        # of the wrong kind or size
        ("rounds = 3", 'rounds = "3"', 'workout.rounds = "3" does not fit; allowed: a whole'),
        ("rounds = 3", "rounds = 3.0", "workout.rounds = 3.0 does not fit"),
        ("rounds = 3", "rounds = true", "workout.rounds = true does not fit"),
        ("rounds = 3", "rounds = 0", "workout.rounds = 0 does not fit"),
        ("rounds = 3", "rounds = 1000000000", "a whole number from 1 to 200"),
        ("reps = 6", "reps = -6", "workout.movements[2].reps = -6 does not fit"),
        ("60.0", "nan", "workout.load_kg = NaN does not fit"),
        ("60.0", "inf", "workout.load_kg = Infinity does not fit"),
        ("60.0", "-60", "workout.load_kg = -60 does not fit; allowed: kilograms, more than 0"),
        ("420", "2026-03-14", 'workout.time_cap_s = "2026-03-14" does not fit'),
        ("4.0", "[[4, 5], 6]", "breaks.seconds = [[4, 5], 6] does not fit"),
        ("4.0", '"4"', 'breaks.seconds = "4" does not fit'),
        ("[44, 48, 50]", "[44, 0, 50]", "pace.round_s = [44, 0, 50] does not fit"),
        # parts that do not fit each other
        (
            "load_kg = 60.0",
            "load_kg = 60\nload_lb = 135",
            "workout.load_kg = 60 and workout.load_lb = 135 both stand in the plan; give one",
        ),
        ("4.0", "[4, 5, 6]", "breaks.seconds = [4.0, 5.0, 6.0] has 3 numbers, but the rounds have"),
        ("4.0", "[[4, 5], [4], [4, 5]]", "breaks.seconds[2] = [4.0] has 1 number, but the pattern"),
        ("4.0", "[[4, 5], [4, 5]]", "has 2 lists, but the workout has 3 rounds"),
        ("[44, 48, 50]", "[44, 48]", "pace.round_s = [44.0, 48.0] has 2 numbers, but the workout"),
        ("rounds_s = 6", "rounds_s = [6, 6, 6]", "pace.between_rounds_s = [6.0, 6.0, 6.0] has 3"),
        ("[44, 48, 50]", "[44, 8, 50]", "for round 2 leaves no time to work: the breaks planned"),
        ("7 | 1+5 | 1+4", "7 | 1+6 | 4 |", "whose end is no |"),
        ("7 | 1+5 | 1+4", "9 | 5 | 4", 'slate.toml: breaks.pattern "9 | 5 | 4": term 1 ("9")'),
        ("pattern =", 'patterns = ["8+6+4"]\npattern =', "breaks.pattern and breaks.patterns both"),
        ("push press", "hang power clean", "repeats the movement before it"),
        (
            "between_rounds_s = 6",
            "[pace.cycle_s]\nthruster = 2",
            "pace.cycle_s.thruster = 2 is for a movement that the workout does not have",
        ),
        (
            "between_rounds_s = 6",
            "[pace.cycle_s]\ndedlift = 2",
            'pace.cycle_s.dedlift is not a movement known here (did you mean "deadlift"?)',
        ),
        # not TOML
        ("[pace]", "[pace", "line 19, column 6: is not valid TOML"),
        ("rounds = 3", "rounds = ", "line 4, column 10: is not valid TOML (invalid value)"),
        ("rounds = 3", "rounds = 3\nrounds = 3", "line 5, column 11: is not valid TOML"),
    ],
)
def test_what_does_not_fit_is_said_in_one_sentence(old: str, new: str, message: str) -> None:
    assert message in refused(changed(old, new))


@pytest.mark.parametrize(
    "sets",
    [
        [[("push jerk", 8)], [("hang power clean", 6), ("push press", 4)]],  # of another movement
        [[("hang power clean", 6), ("deadlift", 8)], [("push press", 4)]],  # in another order
        [[("deadlift", 8)], [], [("hang power clean", 6), ("push press", 4)]],  # a set of nothing
    ],
)
def test_a_kept_plan_whose_pattern_is_another_s_is_refused(
    sets: list[list[tuple[str, int]]], tmp_path: Path
) -> None:
    kept = parse_plan(SLATE).model_dump(mode="json")
    kept["rounds"][0]["pattern"]["sets"] = [
        [{"movement": name, "reps": reps} for name, reps in one] for one in sets
    ]
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(kept), encoding="utf-8")
    with pytest.raises(RecordError, match=r"rounds\.0: a pattern uses up the reps of its round"):
        load_record(Plan, file)


def test_a_kept_plan_whose_parts_are_not_of_one_length_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    whole = parse_plan(SLATE)
    for damage, said in (
        (lambda kept: kept["rounds"][0]["break_s"].append(4.0), "one length for each break"),
        (lambda kept: kept.update(between_rounds_s=[9.0] * 7), "one time between each two rounds"),
        (lambda kept: kept["rounds"][0].update(pattern=None, break_s=[]), "or none has"),
    ):
        kept = whole.model_dump(mode="json")
        damage(kept)
        file.write_text(json.dumps(kept), encoding="utf-8")
        with pytest.raises(RecordError, match=said):
            load_record(Plan, file)


def test_a_kept_plan_of_no_known_movement_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    text = parse_plan(SLATE).model_dump_json().replace("push press", "sled")
    file.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match="are of those known here"):
        load_record(Plan, file)


def test_rounds_that_differ_want_a_pattern_each() -> None:
    message = refused(DIFFERENT.replace('s = ["9 | 6", "7 | 5", "5 | 4"]', ' = "9 | 6"'))
    assert "in round 2; where rounds differ, give breaks.patterns" in message
    message = refused(DIFFERENT.replace(', "5 | 4"', ""))
    assert "breaks.patterns has 2 entries, but the workout has 3 rounds" in message
    message = refused(DIFFERENT.replace('"7 | 5"', '"7 | 6"'))
    assert 'breaks.patterns[2] "7 | 6": term 2' in message
    message = refused(DIFFERENT.replace('"Basalt"', '"Basalt"\nrounds = 4'))
    assert "workout.rounds = 4, but there are 3 [[workout.round]] tables" in message
    table = "[[workout.round]]\n[[workout.round.movements]]\n"
    message = refused(SLATE + table + 'movement="clean"')
    assert "workout.round[1].movements[1].reps is missing" in message
    message = refused(DIFFERENT + '[[workout.movements]]\nmovement = "clean"\nreps = 3\n')
    assert "workout.movements and workout.round both stand" in message
    assert "workout = 3 does not fit; allowed: a [workout] table" in refused("workout = 3")
    assert "workout.movements is missing" in refused('[workout]\nname = "Gravel"\nrounds = 2\n')


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe[\x00", "is no UTF-8 text"),
        (b" " * 1_000_001, "it holds over 1 million bytes"),
        (b"", "workout is missing; give a [workout] table"),
        (b"a = " + b"[" * 5000, "plan"),
        (b'"\x1b[31m" = 1', "is not valid TOML"),
        (b'"\\u001b[31m" = 1', '"\\u001b[31m" is not a key of a plan'),
    ],
)
def test_files_that_are_no_plans(content: bytes, message: str, tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert message in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"none\.toml: cannot be read \(no such file"):
        load_plan(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(tmp_path)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SLATE.encode())
    assert load_plan(file).workout.name == "Slate"


def test_the_schema_of_the_file_is_json_schema_and_agrees() -> None:
    """Outside standard: JSON Schema draft 2020-12, by the library `jsonschema`."""
    schema = json.loads(plan_schema_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    valid = jsonschema.Draft202012Validator(schema)
    for text in (SLATE, DIFFERENT, 'athlete = "R. Okonjo"\n' + SLATE):
        valid.validate(tomllib.loads(text))
    for old, new in [
        ("reps = 6", "rep = 6"),
        ('"hang power clean"', '"hang power claen"'),
        ("rounds = 3", 'rounds = "3"'),
        ("rounds = 3", "rounds = 0"),
        ('name = "Slate"', ""),
        ("4.0", "[[4, 5], 6]"),
        ("60.0", "-1"),
    ]:
        assert not valid.is_valid(tomllib.loads(changed(old, new)))
        refused(changed(old, new))


def test_a_plan_as_it_is_used_is_a_record_too() -> None:
    plan = parse_plan(SLATE)
    text = plan.model_dump_json()
    jsonschema.Draft202012Validator(json.loads(schema_text(Plan))).validate(json.loads(text))
    assert Plan.model_validate_json(text) == plan


@pytest.mark.parametrize(
    ("word", "meant"), [("load", "load_kg"), ("ROUND", "rounds"), ("nmae", "name"), ("zzz", None)]
)
def test_the_nearest_spelling_is_offered_the_first_of_equals(word: str, meant: str | None) -> None:
    assert near_spelling(word, ["name", "rounds", "load_kg", "load_lb"]) == meant


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "plan.toml")
    assert str(caught.value).isprintable()


VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-5, 10**12),
        st.floats(),
        st.text(max_size=5),
        st.sampled_from(["deadlift", "7 | 1+5 | 1+4", "8"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["movement", "reps", "movements", "deadlift"]), inner, max_size=3
        ),
    ),
    max_leaves=6,
)


@given(
    st.sampled_from(
        [
            *("workout.name", "workout.rounds", "workout.load_kg", "workout.load_lb"),
            *("workout.time_cap_s", "workout.movements", "workout.round"),
            *("breaks.pattern", "breaks.patterns", "breaks.seconds", "breaks"),
            *("pace.round_s", "pace.between_rounds_s", "pace.cycle_s", "pace.transition_s"),
            *("pace.start_s", "pace.target_s", "pace", "workout", "athlete", "notes"),
        ]
    ),
    VALUES,
)
def test_any_value_anywhere_is_taken_or_refused_in_one_sentence(key: str, value: object) -> None:
    """The same through TOML's data model: a sound plan with one value replaced by any other."""
    data = tomllib.loads(SLATE)
    *tables, last = key.split(".")
    place = data
    for table in tables:
        place = place[table]
    place[last] = value
    message = "."
    try:
        resolve(PlanFile.model_validate(data))
    except ValidationError as error:
        message = finding_sentence(error, data)
    except PlanError as error:
        message = str(error)
    assert message.endswith(".")
