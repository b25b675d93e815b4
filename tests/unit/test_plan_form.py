"""The plan form: what people write in its fields, all faults at once, and there and back."""

from __future__ import annotations

import re
from contextlib import suppress

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.movements import MOVEMENT_NAMES
from repcount.plan import parse_plan
from repcount.web.plan_form import (
    LABELS,
    MOST_MOVEMENTS,
    PlanFaults,
    PlanForm,
    form_of,
    has_own_rounds,
    kept,
    over_cap,
    toml_of,
)
from repcount.web.plan_text import comments_of, parse_time, parse_times, time_text
from tests.scripted_reading import SLATE

GOOD = {
    "name": "Gravel", "rounds": "3", "load": "42.5",
    "movement1": "deadlift", "reps1": "9", "movement2": "push jerk", "reps2": "6",
    "pattern": "5 | 4 | 6", "seconds": "5", "round_s": "40, 42, 45", "between": "6",
}  # fmt: skip
DIFFERENT = """
# a comment of the coach's
notes = '''First line
# no comment, but a second line'''
[workout]
name = "Basalt # 2" # another comment
load_lb = 95
[[workout.round]]
[[workout.round.movements]]
movement = "deadlift"
reps = 9
[[workout.round.movements]]
movement = "push press"
reps = 6
[[workout.round]]
[[workout.round.movements]]
movement = "deadlift"
reps = 7
[breaks]
patterns = ["5 | 4+6", "7"]
seconds = [[4.125], []]
[pace]
round_s = [90, 61.5]
between_rounds_s = 0
cycle_s = { deadlift = 2.5 }
"""


def faults_of(base: str | None = None, **fields: str) -> dict[str, str]:
    with pytest.raises(PlanFaults) as found:
        toml_of(PlanForm(**fields), base)
    return {one.field: one.said for one in found.value.faults}


# Times as they stand on gym clocks, whiteboards and stopwatches: common practice, no source.
@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("7:00", 420), ("0:06", 6), ("1:30", 90), ("1:30.5", 90.5), ("1:02:03", 3723),
        ("4", 4), ("4s", 4), ("4 s", 4), ("4 sec", 4), ("4.5", 4.5), ("90 seconds", 90), ("0", 0),
        ("7 min", 420), ("7m", 420), ("1.5 min", 90), ("1 min 30 s", 90), ("1m30s", 90),
        ("1'30\"", 90), ("4″", 4), ("7:00 min", 420),
    ],
)  # fmt: skip
def test_times_are_read_as_people_write_them(text, seconds):
    assert parse_time(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "x", "7:0x", "1:75", "1:2:3:4", "-4", "4 kg", "٤", "1e3"])
def test_what_is_no_time_is_none(text):
    assert parse_time(text) is None


@pytest.mark.parametrize(
    "text",
    ["44, 48, 50", "44 48 50", "44s, 48s, 50s", "44 s 48 s 50 s", "0:44 0:48 0:50", "44,48,50,"],
)  # fmt: skip
def test_lists_of_times_take_commas_and_spaces(text):
    assert [seconds for _, seconds in parse_times(text)] == [44, 48, 50]


@given(st.integers(0, 86_400_000))
def test_a_time_shown_is_the_time_read(ms):
    assert round(1000 * (parse_time(time_text(ms / 1000)) or 0)) == ms


def test_a_plan_from_fields_with_units():
    fields = GOOD | {"load": "135 lb", "cap": "7:00", "seconds": "4s", "between": "0:06"}
    times = {"round_s": "1:30", "transition": "1,5 s", "target": "4:40"}
    plan = parse_plan(toml_of(PlanForm(**fields | times)))
    assert plan.load_lb == 135
    # the international pound (NIST Handbook 44, appendix C): 0.453 592 37 kg exactly
    assert plan.workout.load_kg == pytest.approx(135 * 0.45359237, abs=0.001)
    assert plan.workout.time_cap_s == 420
    assert plan.rounds[0].break_s == [4, 4]
    assert [one.round_s for one in plan.rounds] == [90, 90, 90]
    assert plan.between_rounds_s == [6, 6]
    assert plan.transition_s == 1.5
    assert plan.target_s == 280
    assert form_of(plan).target == "4:40"
    assert parse_plan(toml_of(PlanForm(**GOOD | {"load": "60kg"}))).workout.load_kg == 60


def test_all_that_is_wrong_is_said_at_once_each_at_its_field():
    found = faults_of(
        rounds="three", load="heavy", cap="7:0x", movement1="deadlift", reps1="",
        movement2="deadlft", reps2="6", seconds="4q", round_s="40, x", start="soon",
    )  # fmt: skip
    assert set(found) == {
        "name", "rounds", "load", "cap", "reps1", "movement2", "pattern", "round_s", "start",
    }  # fmt: skip
    assert all(said.endswith(".") for said in found.values())
    # what fits ill is said beside what is missing
    found = faults_of(**GOOD | {"name": "", "cap": "100", "pattern": "5 | 5 | 6"})
    assert set(found) == {"name", "cap", "pattern"}


def test_no_word_of_the_file_is_in_a_sentence():
    wrong = [
        {}, GOOD | {"round_s": "40, 42"}, GOOD | {"seconds": "5, 6, 7"}, GOOD | {"seconds": ""},
        GOOD | {"pattern": "5 | 5 | 6"}, GOOD | {"pattern": "9; 9"}, GOOD | {"round_s": "9"},
        GOOD | {"movement2": "deadlift"}, GOOD | {"cap": "100"}, GOOD | {"cap": "0"},
        GOOD | {"between": "6, 7, 8"}, GOOD | {"load": "0"}, GOOD | {"reps1": "1001"},
        GOOD | {"seconds": "5; 6"}, GOOD | {"name": "n" * 201}, GOOD | {"start": "2000:00"},
    ]  # fmt: skip
    for fields in wrong:
        with pytest.raises(PlanFaults) as found:
            toml_of(PlanForm(**fields))
        assert not re.search(r"\w_\w|(workout|breaks|pace)\.\w|\[|=", str(found.value)), fields


def test_a_cap_shorter_than_the_plan_is_said_with_both_numbers():
    found = faults_of(**GOOD | {"cap": "1:40"})
    assert set(found) == {"cap"}
    assert "1:40.0" in found["cap"]
    assert "2:19.0" in found["cap"]  # 40 + 42 + 45 s and 6 s twice
    assert over_cap(parse_plan(toml_of(PlanForm(**GOOD | {"cap": "2:19"})))) == ""


def test_what_the_form_does_not_show_is_named_and_kept():
    plan = parse_plan(DIFFERENT)
    named = ", ".join(kept(plan, DIFFERENT))
    for word in ("9 deadlift, 6 push press; 7 deadlift", "deadlift 2.5 s", "2 lines of notes"):
        assert word in named
    again = toml_of(form_of(plan), DIFFERENT)
    assert parse_plan(again) == plan
    assert comments_of(again) == ["a comment of the coach's", "another comment"]
    assert kept(parse_plan(SLATE), SLATE) == []
    # a cycle time is not lost without a word
    base = SLATE.rstrip() + "\n[pace.cycle_s]\ndeadlift = 2\n"
    form = form_of(parse_plan(base)).model_copy(update={"movement1": "power clean"})
    with pytest.raises(PlanFaults, match="cycle time for deadlift"):
        toml_of(form, base)


LETTERS = st.text(st.characters(codec="utf-8"), min_size=1, max_size=20)
TIMES = st.integers(1, 80_000_000).map(lambda ms: ms / 1000)


@st.composite
def plans(draw: st.DrawFn) -> str:
    """Plans in all forms of the file, as text."""
    from repcount.plan.writing import number

    def toml_string(text: str) -> str:
        return str(tomlkit.item(text).as_string())

    count = draw(st.integers(1, 4))

    def movements() -> list[tuple[str, int]]:
        names = draw(st.lists(st.sampled_from(MOVEMENT_NAMES), min_size=1, max_size=10))
        apart = [n for i, n in enumerate(names) if i == 0 or names[i - 1] != n]
        return [(name, draw(st.integers(1, 9))) for name in apart]

    rounds = [movements()] * count if draw(st.booleans()) else [movements() for _ in range(count)]
    lines = [f"notes = {toml_string(draw(LETTERS))}", f"athlete = {toml_string(draw(LETTERS))}"]
    lines += ["[workout]", f"name = {toml_string(draw(LETTERS))} # {draw(st.integers())}"]
    unit = draw(st.sampled_from(["kg", "lb"]))
    lines.append(f"load_{unit} = {draw(st.integers(1, 999_999)) / 1000}")
    for one in rounds:
        lines.append("[[workout.round]]")
        for name, reps in one:
            lines += ["[[workout.round.movements]]", f'movement = "{name}"', f"reps = {reps}"]
    if draw(st.booleans()):
        texts, lengths = [], []
        for one in rounds:
            marks = [draw(st.sampled_from(["|", "+"])) for _ in one[1:]]
            parts = [str(reps) for _, reps in one]
            texts.append("".join(a + b for a, b in zip(parts, [*marks, ""], strict=True)))
            lengths.append([number(draw(TIMES)) for mark in marks if mark == "|"])
        lines += ["[breaks]", f"patterns = {texts}".replace("'", '"')]
        lines.append(f"seconds = {lengths}".replace("'", ""))
    lines += ["[pace]", f"start_s = {number(draw(TIMES))}"]
    if count > 1:
        gaps = [number(draw(TIMES)) for _ in rounds[1:]]
        lines.append(f"between_rounds_s = [{', '.join(gaps)}]")
    return "\n".join(lines) + "\n"


def as_sent(form: PlanForm) -> PlanForm:
    """As a browser's fields have it: no line ends in a line, CR LF in a text (HTML, 4.10.5)."""
    values = form.model_dump()
    for name, value in values.items():
        if name == "notes":
            values[name] = re.sub(r"\r\n?|\n", "\r\n", value)
        else:
            values[name] = value.replace("\n", "").replace("\r", "")
    return PlanForm(**values)


@settings(max_examples=40, deadline=None)
@given(plans())
def test_there_and_back_through_the_form_loses_nothing(text):
    plan = parse_plan(text)
    form = as_sent(form_of(plan))
    assert parse_plan(toml_of(form, text)) == plan
    assert comments_of(toml_of(form, text)) == comments_of(text)
    if not has_own_rounds(plan):  # and every field says its part
        assert len([n for n in range(1, MOST_MOVEMENTS + 1) if getattr(form, f"reps{n}")]) == len(
            plan.rounds[0].movements
        )


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(st.sampled_from([*LABELS]), st.text(max_size=12), max_size=8))
def test_whatever_is_typed_is_a_plan_or_sentences(typed):
    typed.pop("unit", None)
    with suppress(PlanFaults):  # and nothing else
        parse_plan(toml_of(PlanForm(**GOOD | typed)))
