"""The grammar of break patterns. Quotations are the project's own definitions."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.attempt.records import After, MovementReps
from repcount.errors import PlanError
from repcount.plan import parse_pattern, position_of, write_sets
from tests.scripted_reading import SLATE_MOVEMENTS

ROUND = [MovementReps(movement=name, reps=reps) for name, reps in SLATE_MOVEMENTS]


def sets(text: str, movements: list[MovementReps] = ROUND) -> list[list[tuple[str, int]]]:
    pattern = parse_pattern(text, movements)
    return [[(part.movement, part.reps) for part in one] for one in pattern.sets]


def test_the_design_s_pattern_reads_as_it_is_meant() -> None:
    """ "7 | 1+5 | 1+4": the bar goes down at |; + joins consecutive movements in one set."""
    assert sets("7 | 1+5 | 1+4") == [
        [("deadlift", 7)],
        [("deadlift", 1), ("hang power clean", 5)],
        [("hang power clean", 1), ("push press", 4)],
    ]
    pattern = parse_pattern("7 | 1+5 | 1+4", ROUND)
    assert pattern.positions() == [7, 13]
    assert pattern.breaks_after() == [
        After(movement="deadlift", number=7),
        After(movement="hang power clean", number=5),
    ]


@pytest.mark.parametrize(
    ("reps", "text", "after"), [(15, "9 | 6", 9), (12, "7 | 5", 7), (9, "5 | 4", 5)]
)
def test_patterns_of_a_workout_whose_rounds_differ(reps: int, text: str, after: int) -> None:
    """patterns = ["9 | 6", "7 | 5", "5 | 4"], one a round."""
    pattern = parse_pattern(text, [MovementReps(movement="thruster", reps=reps)])
    assert pattern.breaks_after() == [After(movement="thruster", number=after)]


def test_a_break_may_fall_between_two_movements_or_nowhere() -> None:
    assert sets("8 | 6 | 4")[1] == [("hang power clean", 6)]
    assert sets("8+6+4") == [[("deadlift", 8), ("hang power clean", 6), ("push press", 4)]]
    assert parse_pattern("8+6+4", ROUND).positions() == []


@pytest.mark.parametrize("text", ["7|1+5|1+4", " 7 |1 + 5|  1+4 ", "7\t|\n1+5 | 1+4"])
def test_blanks_say_nothing(text: str) -> None:
    assert str(parse_pattern(text, ROUND)) == "7 | 1+5 | 1+4"


@pytest.mark.parametrize(
    ("rule", "text", "message"),
    [
        ("use up the round's reps", "7 | 1+5", "add up to 13 reps, but the round has 18"),
        ("use up the round's reps", "7", "11 reps after the last term are in no set"),
        ("use up the round's reps", "", "has no terms"),
        ("use up the round's reps", "8+6+4 | 2", "term 4 comes after the end of the round"),
        ("no term crosses the end of a movement", "9 | 5 | 4", 'term 1 ("9") crosses the end of'),
        ("no term crosses the end of a movement", "7 | 2+4 | 1+4", "of which 1 is left"),
        ("no term crosses the end of a movement", "99999999999", "crosses the end of deadlift"),
        ("+ stands only there", "7+1 | 6 | 4", "the + after term 1 stands inside a movement"),
        ("+ stands only there", "8+6+4+", "the + after term 3 has no movement to join"),
        ("whose end is no |", "7 | 1+5 | 1+4 |", "take the last | away"),
        ("read left to right", "| 8+6+4", "the | at its start"),
        ("read left to right", "7 || 1+5 | 1+4", "the | after term 1"),
        ("read left to right", "7 1", 'term 2 ("1") needs a | or a + before it'),
        ("read left to right", "7 | one", '"o" has no place in a pattern'),
        ("read left to right", "7 | -1", '"-" has no place in a pattern'),
        ("read left to right", "7 | 1.5", '"." has no place in a pattern'),
        ("read left to right", "٧ | 1+5 | 1+4", "has no place in a pattern"),
        ("every set has a rep", "0 | 8+6+4", "term 1 is 0"),
        ("every set has a rep", "1" * 2001, "is longer than 2000 characters"),
    ],
)
def test_a_pattern_that_does_not_fit_is_refused_with_its_term(
    rule: str, text: str, message: str
) -> None:
    with pytest.raises(PlanError) as caught:
        parse_pattern(text, ROUND, "slate.toml: breaks.pattern")
    sentence = str(caught.value)
    assert message in sentence
    assert sentence.startswith('slate.toml: breaks.pattern "')
    assert "\n" not in sentence


def all_patterns(movements: list[int]) -> dict[str, list[list[int]]]:
    """Every pattern of a round, by brute force: cut the row of reps at any inner place.

    Reps stand in a row; between two of them there is a `|`, or there is not. This is the meaning
    of a pattern, built without its grammar.
    """
    owner = [index for index, reps in enumerate(movements) for _ in range(reps)]
    found = {}
    for cuts in itertools.product([False, True], repeat=len(owner) - 1):
        rows: list[list[int]] = [[owner[0]]]
        for index, cut in zip(owner[1:], cuts, strict=True):
            if cut:
                rows.append([])
            rows[-1].append(index)
        sets = [[len(list(group)) for _, group in itertools.groupby(row)] for row in rows]
        found[" | ".join("+".join(map(str, one)) for one in sets)] = sets
    return found


def test_the_grammar_accepts_exactly_the_ways_to_cut_a_round() -> None:
    """Outside reference: brute force over all texts of a small round, 3 reps of 2 movements."""
    movements = [MovementReps(movement="clean", reps=2), MovementReps(movement="thruster", reps=1)]
    right = all_patterns([2, 1])
    accepted = set()
    for length in range(1, 4):
        for terms in itertools.product("0123", repeat=length):
            for marks in itertools.product(["+", " | "], repeat=length - 1):
                text = "".join(a + b for a, b in zip(terms, [*marks, ""], strict=True))
                try:
                    assert str(parse_pattern(text, movements)) == text
                except PlanError:
                    continue
                accepted.add(text)
    assert accepted == set(right)


@given(st.lists(st.integers(1, 6), min_size=1, max_size=3), st.data())
def test_reading_and_writing_are_inverse(reps: list[int], data: st.DataObject) -> None:
    names = ["deadlift", "hang power clean", "push press"]
    movements = [MovementReps(movement=n, reps=r) for n, r in zip(names, reps, strict=False)]
    owner = [index for index, count in enumerate(reps) for _ in range(count)]
    cuts = data.draw(st.lists(st.booleans(), min_size=len(owner) - 1, max_size=len(owner) - 1))
    rows: list[list[int]] = [[owner[0]]]
    for index, cut in zip(owner[1:], cuts, strict=True):
        rows = [*rows, [index]] if cut else [*rows[:-1], [*rows[-1], index]]
    sets = [[len(list(group)) for _, group in itertools.groupby(row)] for row in rows]
    pattern = parse_pattern(write_sets(sets), movements)
    assert str(pattern) == write_sets(sets)
    positions = [place + 1 for place, cut in enumerate(cuts) if cut]
    assert pattern.positions() == positions
    assert [position_of(after, movements) for after in pattern.breaks_after()] == positions


@given(st.text(alphabet="0123456789|+ -x.", max_size=30))
def test_any_text_is_read_or_refused_in_one_sentence(text: str) -> None:
    reps, message = 18, "."
    try:
        reps = sum(part.reps for one in parse_pattern(text, ROUND).sets for part in one)
    except PlanError as error:
        message = str(error)
    assert reps == 18
    assert message.endswith(".")


def test_a_place_in_the_round_does_not_shift_with_missed_reps() -> None:
    assert position_of(None, ROUND) == 0
    assert position_of(After(movement="deadlift", number=7), ROUND) == 7
    assert position_of(After(movement="hang power clean", number=5), ROUND) == 13
    assert position_of(After(movement="push press", number=4), ROUND) == 18


def test_a_movement_that_comes_twice_in_a_round_is_numbered_on() -> None:
    """Counted reps are numbered from 1 in their movement and round."""
    twice = [
        MovementReps(movement="deadlift", reps=3),
        MovementReps(movement="push press", reps=2),
        MovementReps(movement="deadlift", reps=3),
    ]
    pattern = parse_pattern("3+2+1 | 2", twice)
    assert pattern.breaks_after() == [After(movement="deadlift", number=4)]
    assert position_of(After(movement="deadlift", number=4), twice) == 6
