"""Corrections: each action, taking back, orphans, refusals. Quotations are the definitions."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, apply_edits, make_edit, new_edits, revert_edit
from repcount.attempt.records import (
    After,
    Attempt,
    Edits,
    FailedStroke,
    MovementReps,
    Notice,
    Reading,
    StartSignal,
    load_record,
    save_record,
    schema_text,
)
from repcount.errors import RecordError
from repcount.reports.lifts import lift_lines
from repcount.reports.words import not_counted, place_words, rep_words, review_marks, status_words
from tests.scripted_reading import Script, as_planned, slate, workout

WHO = "R. Okonjo"


def correct(reading: Reading, *steps: tuple[str, str | None, dict[str, Any]]) -> Edits:
    """Corrections by action, target and values, each checked as it is appended."""
    edits = new_edits(reading)
    for action, target, values in steps:
        edit = make_edit(
            edits,
            action,  # type: ignore[arg-type]
            who=WHO,
            why="seen on the video",
            target=target,
            values=values,
        )
        edits = append_edit(reading, edits, edit)
    return edits


def numbers(attempt: Attempt, movement: str, round_: int = 1) -> dict[str, int | None]:
    return {
        rep.id: rep.number
        for rep in attempt.reps
        if rep.movement == movement and rep.round == round_
    }


def test_marking_a_no_rep_renumbers_the_rest_and_pulls_an_extra_up() -> None:
    """ "If five strokes were made for four reps, the last is `extra` until a person marks one as
    no-rep, which renumbers the rest" """
    script = Script(slate(1)).sets("8+6+4").rep("push press", status="extra")
    reading = script.reading()
    ends = derive_attempt(reading).clock.end_s
    attempt = derive_attempt(reading, correct(reading, ("mark_no_rep", "r16", {})))
    assert numbers(attempt, "push press") == {
        "r15": 1,
        "r16": None,
        "r17": 2,
        "r18": 3,
        "r19": 4,
    }
    rep = next(one for one in attempt.reps if one.id == "r16")
    assert (rep.status, rep.touched_by, rep.round) == ("no_rep", "person", 1)
    # it keeps a name of its own, whatever the others are numbered, and its reason
    assert rep_words(rep, attempt.workout) == "Round 1, no-rep, the try after push press 1"
    assert status_words(rep) == "marked as a no-rep: seen on the video"
    first = derive_attempt(reading, correct(reading, ("mark_no_rep", "r15", {})))
    assert rep_words(first.reps[14], None) == "No-rep, the try before push press 1"
    # the fifth is now the last counted, and the clock stops at its top
    assert ends is not None
    assert attempt.clock.end_s == pytest.approx(ends + 1.4)


def test_no_rep_is_set_by_a_person_only_and_can_be_cleared() -> None:
    """ "`no_rep` (set by a person only)" """
    reading = as_planned(1).reading()
    plain = derive_attempt(reading)
    assert all(rep.status != "no_rep" for rep in plain.reps)
    marked = correct(reading, ("mark_no_rep", "r3", {}))
    assert derive_attempt(reading, marked).rounds[0].missing == [
        MovementReps(movement="deadlift", reps=1)
    ]
    cleared = correct(reading, ("mark_no_rep", "r3", {}), ("clear_no_rep", "r3", {}))
    assert [rep.number for rep in derive_attempt(reading, cleared).reps] == [
        rep.number for rep in plain.reps
    ]


def missed_after(reading: Reading) -> FailedStroke:
    """A push press that only reaches the rack, after the last rep."""
    begin_s = reading.reps[-1].end_s + 1.0
    return FailedStroke(
        id="f1", movement="push press", start_s=begin_s, peak_s=begin_s + 0.4,
        end_s=begin_s + 0.8, reached="rack", confidence=0.9,
    )  # fmt: skip


def test_a_missed_lift_is_looked_at_counted_or_taken_away() -> None:
    script = as_planned(1)
    missed = missed_after(script.reading())
    reading = script.reading(failed=[missed])
    attempt = derive_attempt(reading)
    assert [mark.rep_id for mark in review_marks(attempt)] == ["f1"]
    looked = derive_attempt(
        reading, correct(reading, ("relabel_rep", "f1", {"movement": "push press"}))
    )
    assert review_marks(looked) == []
    assert looked.failed[0].touched_by == "person"
    gone = derive_attempt(reading, correct(reading, ("remove_rep", "f1", {})))
    assert gone.failed == []
    assert review_marks(gone) == []
    counted = correct(reading, ("mark_no_rep", "r18", {}), ("clear_no_rep", "f1", {}))
    made = derive_attempt(reading, counted)
    assert made.failed == []
    assert next(rep for rep in made.reps if rep.id == "f1").number == 4  # the round's last
    assert derive_attempt(reading, revert_edit(reading, counted, "e2", who=WHO)).failed


def test_a_missed_lift_that_a_person_says_is_no_rep_stays_one_with_the_reason() -> None:
    script = as_planned(1)
    missed = missed_after(script.reading())
    reading = script.reading(failed=[missed])
    none = new_edits(reading)
    with pytest.raises(RecordError, match="a no-rep needs a reason"):
        append_edit(reading, none, make_edit(none, "mark_no_rep", who=WHO, target="f1"))
    edits = correct(reading, ("mark_no_rep", "f1", {}))
    attempt = derive_attempt(reading, edits)
    seen = "seen on the video"
    assert [(one.reason, one.touched_by) for one in attempt.failed] == [(seen, "person")]
    assert (attempt.reps, attempt.time_spent) == (
        derive_attempt(reading).reps,
        derive_attempt(reading).time_spent,
    )
    assert review_marks(attempt) == []
    assert [(one.rep_id, one.why) for one in not_counted(attempt)] == [("f1", seen)]
    with pytest.raises(RecordError, match="marked as a no-rep already"):
        append_edit(reading, edits, make_edit(edits, "mark_no_rep", who=WHO, why="x", target="f1"))
    assert derive_attempt(reading, revert_edit(reading, edits, "e1", who=WHO)).failed == [missed]
    # a record of before there were reasons is one without
    old = missed.model_dump()
    del old["reason"]
    assert FailedStroke.model_validate(old) == missed


def test_every_lift_that_does_not_count_is_to_be_checked_or_listed() -> None:
    script = as_planned(1)
    missed = missed_after(script.reading())
    script.rep("push press", 2)
    reading = script.reading(failed=[missed])
    same = {"movement": "push press"}
    looks = [("mark_no_rep", "r3", {}), ("relabel_rep", "r20", same), ("relabel_rep", "f1", same)]
    for looked in range(len(looks) + 1):
        attempt = derive_attempt(reading, correct(reading, *looks[:looked]))
        uncounted = {rep.id for rep in attempt.uncounted()} | {"f1"}
        marks = [one.rep_id for one in review_marks(attempt)]
        listed = [one.rep_id for one in not_counted(attempt)]
        assert sorted([*marks, *listed]) == sorted(uncounted)
        assert len(listed) == looked
        assert [line.lift.id for line in lift_lines(attempt) if line.to_check] == marks
        assert len(lift_lines(attempt)) == len(attempt.reps) + 1


def test_a_pick_up_counts_once_a_rep_before_it_does_not() -> None:
    """ "It counts as the next deadlift (or clean) if it meets that movement's finish and fewer than
    prescribed have been counted in this round, whatever the plan's breaks say; else it is handling,
    no rep and no extra." """
    script = Script(slate(1)).rep("deadlift", 8).wait(0.4).rest(4.0).pick_up("deadlift", "hang")
    script.rep("hang power clean", 3).rest(2.0).pick_up("deadlift", "hang")
    reading = script.rep("hang power clean", 3).rep("push press", 4).reading()
    plain = derive_attempt(reading)
    assert [rep.id for rep in plain.reps if rep.id.startswith("s")] == []

    attempt = derive_attempt(reading, correct(reading, ("mark_no_rep", "r2", {})))
    counted = {rep.id: rep.number for rep in attempt.reps if rep.status == "counted"}
    assert counted["s1"] == 8  # the pick-up after the break, on the way to the cleans
    assert "s2" not in counted  # the cleans had begun: no deadlift
    assert attempt.rounds[0].missing == []
    assert attempt.breaks[0].after == After(movement="deadlift", number=7)
    assert place_words(attempt.breaks[0]) == "after deadlift 7 and 1 no-rep"
    assert place_words(plain.breaks[0]) == "after deadlift 8"

    # two missing: only one pick-up can make up for it
    attempt = derive_attempt(
        reading, correct(reading, ("mark_no_rep", "r2", {}), ("remove_rep", "r3", {}))
    )
    assert attempt.rounds[0].missing == [MovementReps(movement="deadlift", reps=1)]

    # and a person may say of the pick-up, too, that it missed the standard
    edits = correct(reading, ("mark_no_rep", "r2", {}), ("mark_no_rep", "s1", {}))
    attempt = derive_attempt(reading, edits)
    assert {rep.id: rep.status for rep in attempt.reps}["s1"] == "no_rep"
    assert attempt.rounds[0].missing == [MovementReps(movement="deadlift", reps=1)]


def test_a_pick_up_that_never_stands_erect_counts_as_none() -> None:
    """ "A pick-up that never stands erect counts as none" """
    script = Script(slate(1)).rep("deadlift", 8).rest(4.0).pick_up("deadlift", "hang", below=0.2)
    reading = script.rep("hang power clean", 6).rep("push press", 4).reading()
    attempt = derive_attempt(reading, correct(reading, ("mark_no_rep", "r2", {})))
    assert attempt.rounds[0].missing == [MovementReps(movement="deadlift", reps=1)]


def test_adding_a_rep_between_others() -> None:
    script = Script(slate(1)).wait(1).rep("deadlift", 3).wait(3.0).rep("deadlift", 4)
    reading = script.rep("hang power clean", 6).rep("push press", 4).reading()
    assert derive_attempt(reading).rounds[0].missing == [MovementReps(movement="deadlift", reps=1)]
    gap = reading.reps[2].end_s
    times = {"start_s": gap + 1.0, "top_s": gap + 1.8, "end_s": gap + 2.4}
    edits = correct(reading, ("add_rep", None, {"movement": "deadlift", **times}))
    attempt = derive_attempt(reading, edits)
    assert numbers(attempt, "deadlift") == {
        "r1": 1,
        "r2": 2,
        "r3": 3,
        "e1-rep": 4,
        "r4": 5,
        "r5": 6,
        "r6": 7,
        "r7": 8,
    }
    added = next(rep for rep in attempt.reps if rep.id == "e1-rep")
    assert (added.touched_by, added.confidence, added.flags) == ("person", 1.0, [])
    assert attempt.rounds[0].missing == []


def test_a_rep_may_be_added_by_its_top_alone() -> None:
    script = Script(slate(1)).rep("deadlift", 3).wait(3.0).rep("deadlift", 4)
    reading = script.reading()
    top = reading.reps[2].end_s + 1.5
    edits = correct(reading, ("add_rep", None, {"movement": "deadlift", "top_s": top}))
    added = derive_attempt(reading, edits).reps[3]
    assert (added.start_s, added.top_s, added.end_s) == (top, top, top)
    assert added.flags == ["top_only"]


def test_an_added_rep_goes_to_the_round_under_way_or_the_next_that_asks_for_it() -> None:
    script = Script(slate(2)).sets("8+6+4").next_round(9.0).wait(3.0).rep("deadlift", 7)
    reading = script.reading()
    end = reading.reps[17].end_s
    edits = correct(reading, ("add_rep", None, {"movement": "deadlift", "top_s": end + 10.5}))
    assert numbers(derive_attempt(reading, edits), "deadlift", 2)["e1-rep"] == 1


def test_removing_and_moving_a_rep() -> None:
    reading = as_planned(1).reading()
    attempt = derive_attempt(reading, correct(reading, ("remove_rep", "r1", {})))
    assert numbers(attempt, "deadlift")["r2"] == 1
    assert attempt.rounds[0].start_s == reading.reps[1].start_s

    rep = reading.reps[0]
    edits = correct(reading, ("move_rep", "r1", {"start_s": rep.start_s - 0.25}))
    attempt = derive_attempt(reading, edits)
    assert attempt.rounds[0].start_s == rep.start_s - 0.25
    assert attempt.reps[0].top_s == rep.top_s
    assert attempt.reps[0].touched_by == "person"


def test_relabelling() -> None:
    script = Script(slate(1)).rep("deadlift", 8).rep("deadlift", status="extra")
    reading = script.rep("hang power clean", 5).rep("push press", 4).reading()
    edits = correct(reading, ("relabel_rep", "r9", {"movement": "hang power clean"}))
    attempt = derive_attempt(reading, edits)
    assert numbers(attempt, "hang power clean")["r9"] == 1
    assert attempt.rounds[0].missing == []

    edits = correct(reading, ("relabel_rep", "r9", {"round": None}))
    rep = derive_attempt(reading, edits).reps[8]
    assert (rep.status, rep.round) == ("unplanned", None)

    script = Script(slate(1)).rep("thruster", status="unplanned").rep("deadlift", 7)
    reading = script.reading()
    edits = correct(reading, ("relabel_rep", "r1", {"movement": "deadlift"}))
    assert numbers(derive_attempt(reading, edits), "deadlift")["r1"] == 1


@pytest.mark.parametrize(
    ("movement", "least"),
    [
        # down and up again: twice what a thing takes to fall 0.25 m, sqrt(2 h / g) (uniform
        # acceleration, standard gravity)
        ("deadlift", 2 * math.sqrt(2 * 0.25 / 9.80665)),
        ("hang power clean", 2 * math.sqrt(2 * 0.25 / 9.80665)),  # from the hang to the rack
        ("push press", math.sqrt(2 * 0.25 / 9.80665)),  # on from where the clean ended
    ],
)
def test_a_rep_needs_the_time_that_its_bar_needs(movement: str, least: float) -> None:
    reading = Script(slate(1)).rep(movement.replace("push press", "hang power clean")).reading()
    top = reading.reps[0].top_s
    for off in (0.001, least - 0.02):
        with pytest.raises(RecordError, match=r"the bar cannot .*go up.* in under 0\.\d\d? s"):
            correct(reading, ("add_rep", None, {"movement": movement, "top_s": top + off}))
    late = round(top + least + 0.02, 3)
    values = {"movement": movement, "top_s": late, "start_s": late, "end_s": late}
    assert len(derive_attempt(reading, correct(reading, ("add_rep", None, values))).reps) == 2


def test_a_top_is_not_moved_onto_another() -> None:
    reading = Script(slate(1)).rep("deadlift", 2).reading()
    first, second = reading.reps
    moved = {"start_s": first.top_s + 0.1, "top_s": first.top_s + 0.2}
    with pytest.raises(RecordError, match="cannot come down"):
        correct(reading, ("move_rep", second.id, moved))
    # what is near already may still be started or ended elsewhere
    correct(reading, ("move_rep", second.id, {"start_s": second.start_s + 0.1}))


def test_what_a_person_checked_is_no_longer_marked() -> None:
    script = Script(slate(1)).rep("deadlift", 2, flags=["check", "not_erect"])
    reading = script.reading()
    edits = correct(reading, ("relabel_rep", "r1", {"movement": "deadlift"}))
    flags = [rep.flags for rep in derive_attempt(reading, edits).reps]
    assert flags == [["not_erect"], ["check", "not_erect"]]


def test_adding_moving_and_removing_a_break() -> None:
    script = Script(slate(1)).rep("deadlift", 5).wait(3.0).rep("deadlift", 3)
    reading = script.wait(0.2).rest(2.0).rep("hang power clean", 6).reading()
    gap = reading.reps[4].end_s
    added = ("add_break", None, {"start_s": gap + 0.5, "end_s": gap + 2.5, "hands_off": True})
    attempt = derive_attempt(reading, correct(reading, added))
    assert [stop.id for stop in attempt.breaks] == ["e1-rest", "f1"]
    stop = attempt.breaks[0]
    assert stop.after == After(movement="deadlift", number=5)
    assert (stop.touched_by, stop.hands_off, stop.first_contact_s) == ("person", True, stop.start_s)
    assert [one.reps[0].reps for one in attempt.sets[:2]] == [5, 3]

    rest = reading.floor_rests[0]
    moved = ("move_break", "f1", {"end_s": rest.end_s - 1.0})
    attempt = derive_attempt(reading, correct(reading, added, moved))
    assert [stop.id for stop in attempt.breaks] == ["e1-rest"]
    assert [one.kind for one in attempt.floor_rests] == ["break", "reset"]

    attempt = derive_attempt(reading, correct(reading, added, ("remove_break", "f1", {})))
    assert [stop.id for stop in attempt.breaks] == ["e1-rest"]
    assert len(attempt.floor_rests) == 1


def test_a_break_that_is_added_takes_in_the_shorter_rests_that_it_covers() -> None:
    script = Script(slate(1)).rep("deadlift", 4).rest(0.3).wait(0.5).rest(1.2).wait(0.5)
    reading = script.rep("deadlift", 4).rep("hang power clean", 6).rep("push press", 4).reading()
    first, second = reading.floor_rests
    span = {"start_s": first.start_s, "end_s": second.end_s}
    attempt = derive_attempt(reading, correct(reading, ("add_break", None, span)))
    assert [(one.start_s, one.end_s) for one in attempt.breaks] == [(first.start_s, second.end_s)]
    assert len(attempt.floor_rests) == 1
    # one that fits nowhere takes nothing away
    edits = new_edits(reading)
    lifted = make_edit(edits, "add_break", who=WHO, values={**span, "end_s": second.end_s + 2.0})
    with pytest.raises(RecordError, match="the rise of rep"):
        append_edit(reading, edits, lifted)
    spoiled = apply_edits(reading, edits.model_copy(update={"edits": [lifted]}))
    assert len(spoiled.floor_rests) == 2


def test_setting_the_clock() -> None:
    reading = as_planned(1).reading(
        warnings=[Notice(code="start-ambiguous", text="Two signals.")],
    )
    attempt = derive_attempt(reading, correct(reading, ("set_clock", None, {"start_s": 1.5})))
    assert (attempt.clock.start_s, attempt.clock.start_source) == (1.5, "given")
    assert attempt.warnings == []
    both = (("set_clock", None, {"start_s": 1.5}), ("set_clock", None, {"end_s": 42.0}))
    attempt = derive_attempt(reading, correct(reading, *both))
    assert (attempt.clock.start_s, attempt.clock.end_s) == (1.5, 42.0)
    assert attempt.rounds[-1].end_s == 42.0


def test_an_earlier_start_brings_in_the_reps_after_it() -> None:
    """ "`unplanned` (not of this workout, or before the start ...)": no longer before it."""
    script = Script(slate(1), signal=None).wait(2).rep("deadlift", 2, status="unplanned")
    start = script.now / 1000
    script.rep("deadlift", 6).rep("hang power clean", 6).rep("push press", 4)
    reading = script.reading(start_signals=[StartSignal(at_s=start, source="sound")])
    assert derive_attempt(reading).rounds[0].counted == 16
    attempt = derive_attempt(reading, correct(reading, ("set_clock", None, {"start_s": 1.0})))
    assert attempt.rounds[0].counted == 18


def test_a_later_start_and_an_earlier_end_leave_reps_out() -> None:
    reading = as_planned(1).reading()
    start, end = reading.reps[1].end_s, reading.reps[16].end_s
    values = {"start_s": start, "end_s": end}
    attempt = derive_attempt(reading, correct(reading, ("set_clock", None, values)))
    assert [rep.id for rep in attempt.reps if rep.status == "unplanned"] == ["r1", "r2", "r18"]
    assert attempt.clock.total_s == pytest.approx(end - start)


def test_notes() -> None:
    reading = as_planned(1).reading()
    edits = correct(
        reading,
        ("note", None, {"text": "Chalk.", "start_s": 9.0}),
        ("note", "r4", {"text": "Slow."}),
        ("note", None, {"text": "Good day."}),
    )
    attempt = derive_attempt(reading, edits)
    assert [(note.code, note.text, note.start_s) for note in attempt.notes] == [
        ("note", "Chalk.", 9.0),
        ("note", "Slow.", reading.reps[3].top_s),
        ("note", "Good day.", None),
    ]


def test_the_list_only_grows_and_says_who_when_and_why() -> None:
    """An append-only list, each with who, when and why; the reading stays as it is."""
    reading = as_planned(1).reading()
    before = reading.model_dump_json()
    first = correct(reading, ("remove_rep", "r1", {}))
    when = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)
    edit = make_edit(first, "mark_no_rep", who=WHO, why="not erect", target="r2", when=when)
    second = append_edit(reading, first, edit)
    assert [one.id for one in first.edits] == ["e1"]
    assert [one.id for one in second.edits] == ["e1", "e2"]
    assert second.edits[0] == first.edits[0]
    assert second.edits[1].model_dump(exclude={"values", "reverts"}) == {
        "id": "e2",
        "action": "mark_no_rep",
        "who": WHO,
        "when": "2026-03-14T09:26:53Z",
        "why": "not erect",
        "target": "r2",
    }
    assert reading.model_dump_json() == before


def test_every_correction_can_be_taken_back_and_that_too() -> None:
    script = as_planned(1)
    script.rep("thruster", status="unplanned").rest(2.0)
    reading = script.reading()
    plain = derive_attempt(reading).model_dump(exclude={"provenance"})
    end = reading.reps[-1].end_s
    steps: list[tuple[str, str | None, dict[str, Any]]] = [
        ("add_rep", None, {"movement": "deadlift", "top_s": end + 3.0, "round": None}),
        ("remove_rep", "r1", {}),
        ("move_rep", "r1", {"end_s": reading.reps[0].end_s - 0.1}),
        ("relabel_rep", "r1", {"round": None}),
        ("mark_no_rep", "r1", {}),
        ("add_break", None, {"start_s": end + 3.0, "end_s": end + 5.0}),
        ("move_break", "f1", {"end_s": reading.floor_rests[0].end_s - 0.5}),
        ("remove_break", "f1", {}),
        ("set_clock", None, {"start_s": 1.0}),
        ("note", None, {"text": "x"}),
    ]
    for step in steps:
        edits = correct(reading, step)
        changed = derive_attempt(reading, edits).model_dump(exclude={"provenance"})
        assert changed != plain, step
        back = revert_edit(reading, edits, "e1", who=WHO)
        assert len(back.edits) == 2
        assert derive_attempt(reading, back).model_dump(exclude={"provenance"}) == plain, step
        again = revert_edit(reading, back, "e2", who=WHO)
        assert derive_attempt(reading, again).model_dump(exclude={"provenance"}) == changed, step


def test_taking_back_twice_or_what_is_not_there_is_refused() -> None:
    reading = as_planned(1).reading()
    edits = correct(reading, ("remove_rep", "r1", {}))
    back = revert_edit(reading, edits, "e1", who=WHO)
    with pytest.raises(RecordError, match='"e1" has been taken back already'):
        revert_edit(reading, back, "e1", who=WHO)
    with pytest.raises(RecordError, match='no correction with the id "e9"; there are e1, e2'):
        revert_edit(reading, back, "e9", who=WHO)


def test_taking_back_what_a_later_one_stands_on_is_refused() -> None:
    script = Script(slate(1)).rep("deadlift", 3).wait(3.0).rep("deadlift", 4)
    reading = script.reading()
    top = reading.reps[2].end_s + 1.5
    edits = correct(
        reading,
        ("add_rep", None, {"movement": "deadlift", "top_s": top}),
        ("mark_no_rep", "e1-rep", {}),
    )
    with pytest.raises(RecordError, match='"e2" would lose what it is about'):
        revert_edit(reading, edits, "e1", who=WHO)
    edits = revert_edit(reading, edits, "e2", who=WHO)
    edits = revert_edit(reading, edits, "e1", who=WHO)
    assert derive_attempt(reading, edits).reps == derive_attempt(reading).reps


def test_orphans_are_reported_and_nothing_else_is_lost() -> None:
    """ "Edits hold on to a rep's persistent id; a new reading that loses the id reports the
    orphaned edit." """
    reading = as_planned(1).reading()
    edits = correct(reading, ("mark_no_rep", "r3", {}), ("mark_no_rep", "r4", {}))
    new = reading.model_copy(update={"reps": [rep for rep in reading.reps if rep.id != "r3"]})
    attempt = derive_attempt(new, edits)
    assert attempt.orphaned_edits == ["e1"]
    (notice,) = attempt.warnings
    assert notice.code == "orphaned-edit"
    assert 'there is no rep with the id "r3" in the reading' in notice.text
    assert {rep.id: rep.status for rep in attempt.reps}["r4"] == "no_rep"
    # more corrections can be made, and the orphan finds its rep again when it is back
    more = append_edit(new, edits, make_edit(edits, "remove_rep", who=WHO, target="r5"))
    assert derive_attempt(new, more).orphaned_edits == ["e1"]
    assert derive_attempt(reading, more).orphaned_edits == []


REFUSED: list[tuple[str, str | None, dict[str, Any], str]] = [
    ("remove_rep", "r99", {}, 'there is no rep with the id "r99" in the reading'),
    ("remove_rep", None, {}, "remove_rep needs the id of a rep as its target"),
    ("remove_break", "r1", {}, 'there is no floor rest with the id "r1"'),
    ("remove_rep", "r1", {"x": 1}, '"x" is none of its values; allowed are none'),
    ("move_rep", "r1", {}, "give at least one of start_s, top_s, end_s"),
    ("move_rep", "r1", {"strat_s": 1}, '"strat_s" is none of its values (did you mean "start_s"?)'),
    ("move_rep", "r1", {"top_s": "4"}, 'top_s = "4" does not fit: input should be a valid number'),
    ("move_rep", "r1", {"top_s": float("nan")}, "top_s = NaN does not fit"),
    ("move_rep", "r1", {"top_s": 3.0}, "start_s = 4, top_s = 3, end_s = 5.4 are not in order"),
    ("move_rep", "r1", {"end_s": 4.7}, "are not in order; a rep starts, tops, then ends"),
    ("move_rep", "r1", {"start_s": -1.0}, "start_s = -1 lies outside the video"),
    ("move_rep", "r2", {"start_s": 4.5}, 'overlaps that of rep "r1" (4 s to 4.8 s)'),
    ("move_rep", "r7", {"end_s": 999.0}, "end_s = 999 lies outside the video, which runs from 0"),
    ("add_rep", None, {"movement": "deadlift"}, "top_s is missing"),
    ("add_rep", None, {"movement": "dedlift", "top_s": 50.0}, '(did you mean "deadlift"?)'),
    ("add_rep", None, {"movement": "deadlift", "top_s": 4.8}, 'overlaps that of rep "r1"'),
    ("add_rep", None, {"movement": "deadlift", "top_s": 15.0}, 'overlaps the break "f1"'),
    ("add_rep", None, {"movement": "clean", "top_s": 1.0, "round": 4}, "allowed: 1, or null"),
    ("relabel_rep", "r1", {"round": 0}, "round = 0 is none of the workout's"),
    ("relabel_rep", "r1", {"movement": "x"}, 'movement = "x" is not a movement known here'),
    ("clear_no_rep", "r1", {}, 'rep "r1" is not marked as a no-rep'),
    ("add_break", None, {"start_s": 14.0, "end_s": 16.0}, 'overlaps the floor rest "f1"'),
    ("add_break", None, {"start_s": 1.0, "end_s": 2.0}, "is shorter than a break; give 1.5 s"),
    (
        "add_break",
        None,
        {"start_s": 3.0, "end_s": 5.0},
        'the rise of rep "r1" (4 s to 4.8 s) overl',
    ),
    ("add_break", None, {"start_s": 2.0, "end_s": 1.0}, "are not in order; the bar touches"),
    ("move_break", "f1", {"end_s": 13.0}, "are not in order; the bar touches"),
    ("set_clock", None, {"start_s": 9.0, "end_s": 8.0}, "start_s = 9 is not before end_s = 8"),
    ("set_clock", None, {"end_s": 1.0}, "start_s = 3 is not before end_s = 1; the clock must run"),
    ("set_clock", None, {}, "give at least one of start_s, end_s"),
    ("note", None, {"text": ""}, 'text = "" does not fit'),
    ("note", None, {"text": "x", "start_s": 3.0, "end_s": 2.0}, "is after end_s = 2; swap them"),
]


@pytest.mark.parametrize(("action", "target", "values", "message"), REFUSED)
def test_nonsense_is_refused_in_one_sentence(
    action: str, target: str | None, values: dict[str, Any], message: str
) -> None:
    reading = as_planned(1).reading()
    with pytest.raises(RecordError) as caught:
        correct(reading, (action, target, values))
    assert message in str(caught.value)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


def test_who_and_the_reason_of_a_no_rep_are_asked_for() -> None:
    """ "mark or clear a no-rep with a reason ... each with who, when and why" """
    reading = as_planned(1).reading()
    edits = new_edits(reading)
    with pytest.raises(RecordError, match="a no-rep needs a reason"):
        append_edit(reading, edits, make_edit(edits, "mark_no_rep", who=WHO, target="r1"))
    with pytest.raises(RecordError, match="names who makes it"):
        append_edit(reading, edits, make_edit(edits, "remove_rep", who=" ", target="r1"))
    with pytest.raises(RecordError, match=r"did you mean .remove_rep.*allowed are add_rep"):
        make_edit(edits, "removerep", who=WHO)  # type: ignore[arg-type]
    marked = correct(reading, ("mark_no_rep", "r1", {}))
    with pytest.raises(RecordError, match="is marked as a no-rep already"):
        append_edit(
            reading, marked, make_edit(marked, "mark_no_rep", who=WHO, why="x", target="r1")
        )
    other = Script(workout((("clean", 2),))).rep("thruster", status="unplanned").reading()
    with pytest.raises(RecordError, match="is not of the workout"):
        correct(other, ("mark_no_rep", "r1", {}))


def test_corrections_of_another_video_are_refused() -> None:
    reading = as_planned(1).reading()
    with pytest.raises(RecordError, match="belongs to another video"):
        apply_edits(reading, Edits(video_sha256="cd" * 32))
    edits = correct(reading, ("remove_rep", "r1", {}))
    edits.edits.append(edits.edits[0])
    with pytest.raises(RecordError, match="two corrections with one id"):
        derive_attempt(reading, edits)


def test_a_list_mended_by_hand_loses_nothing() -> None:
    """What does not apply is reported, and the rest stands."""
    reading = as_planned(1).reading()
    edits = correct(reading, ("remove_rep", "r1", {}), ("remove_rep", "r2", {}))
    edits.edits[0].values = {"nonsense": 1}
    edits.edits[1].reverts = "e9"
    attempt = derive_attempt(reading, edits)
    assert attempt.orphaned_edits == ["e1", "e2"]
    assert len(attempt.reps) == 18


def test_corrections_are_a_file_with_a_schema(tmp_path: Path) -> None:
    """Outside standard: JSON Schema draft 2020-12, by the library `jsonschema`."""
    reading = as_planned(1).reading()
    edits = correct(reading, ("mark_no_rep", "r1", {}), ("note", None, {"text": "x"}))
    save_record(edits, tmp_path / "edits.json")
    assert load_record(Edits, tmp_path / "edits.json") == edits
    schema = json.loads(schema_text(Edits))
    jsonschema.Draft202012Validator.check_schema(schema)
    data = json.loads((tmp_path / "edits.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(data)
    schema = json.loads(schema_text(Reading))
    jsonschema.Draft202012Validator(schema).validate(json.loads(reading.model_dump_json()))


ANY_VALUE = st.one_of(
    st.floats(-5, 80),
    st.integers(-2, 80),
    st.text(max_size=3),
    st.none(),
    st.sampled_from(["deadlift", "hang power clean"]),
)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                [
                    *("add_rep", "remove_rep", "move_rep", "relabel_rep", "mark_no_rep"),
                    *("clear_no_rep", "add_break", "move_break", "remove_break", "set_clock"),
                ]
            ),
            st.sampled_from([None, "r1", "r2", "r17", "f1", "f2", "e1-rep"]),
            st.dictionaries(
                st.sampled_from(["start_s", "top_s", "end_s", "movement", "round"]), ANY_VALUE
            ),
        ),
        max_size=6,
    )
)
def test_any_corrections_are_refused_or_leave_sums_exact(
    steps: list[tuple[str, str | None, dict[str, Any]]],
) -> None:
    reading = as_planned(1).reading()
    edits = new_edits(reading)
    for action, target, values in steps:
        edit = make_edit(edits, action, who=WHO, why="x", target=target, values=values)  # type: ignore[arg-type]
        try:
            edits = append_edit(reading, edits, edit)
        except RecordError:
            continue
    attempt = derive_attempt(reading, edits)
    assert attempt.orphaned_edits == []
    assert all(rep.start_s <= rep.top_s <= rep.end_s for rep in attempt.reps)
    total = attempt.clock.total_s
    if total is not None:
        spent = sum(round(one.seconds * 1000) for one in attempt.time_spent)
        assert spent == round(total * 1000)
