"""A class from one list: who is in it, what each is told, and the season by date."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from repcount.analysis.class_members import judge
from repcount.analysis.forecast import Filmed, read_attempts
from repcount.analysis.next_plan import decide_next
from repcount.analysis.season import season
from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import load_record, save_record
from repcount.errors import ManifestError
from repcount.heat.build import make_heat
from repcount.heat.gathering import gather
from repcount.heat.manifest import load_manifest, load_members
from repcount.heat.records import Heat
from repcount.plan import parse_plan
from repcount.plan.athletes import load_athletes
from repcount.plan.propose import Wishes
from repcount.reports.class_sheet import class_lines, class_messages, class_sheet, pattern_words
from repcount.reports.season_page import season_parts
from repcount.wording.numbers import clock
from tests.heats import PLAN, row, simulated, unfinished, write_attempt
from tests.scripted_reading import SLATE, Script, slate
from tests.simulated_athletes import Athlete
from tests.unit.test_unbroken import TEST
from tests.unit.test_unbroken import read as unbroken

pytestmark = pytest.mark.slow  # whole attempts are drawn or judged

LIST = """
[[athlete]]
name = "Oren Vale"
load = "55 kg"
video = "oren"
earlier = ["before"]
[[athlete]]
name = "Juna Mirek"
video = "juna.mp4"
[[athlete]]
name = "Tova Quist"
load = "40 kg"
"""


def dated(filmed: Filmed, day: str | None, load_kg: float | None = None) -> Filmed:
    """The attempt as filmed on a day, in a video of its own, at another load."""
    attempt = filmed.attempt
    video = attempt.video.model_copy(update={"recorded_at": day, "sha256": f"{day}{load_kg}"})
    workout = attempt.workout
    if load_kg is not None and workout is not None:
        workout = workout.model_copy(update={"load_kg": load_kg})
    return replace(filmed, attempt=attempt.model_copy(update={"video": video, "workout": workout}))


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A list, two results folders and a video that it names."""
    (tmp_path / "class.toml").write_text(LIST, encoding="utf-8")
    (tmp_path / "juna.mp4").write_bytes(b"film")
    write_attempt(tmp_path / "before", dated(simulated(1), "2026-11-02"))
    write_attempt(tmp_path / "oren", dated(simulated(2), "2026-11-28"))
    return tmp_path


def heat_in(folder: Path, name: str, video: str, seed: int) -> Path:
    """A heat's folder with one athlete who was read in it."""
    filmed = dated(simulated(seed), "2026-11-28")
    write_attempt(folder / "results" / "key", filmed)
    made = make_heat([row(filmed, name)], "Quarry Lane Barbell")
    made.attempts[0].results, made.attempts[0].video = "results/key", video
    save_record(made, folder / "heat.json")
    return folder


def test_one_list_is_for_plans_heats_and_classes(place):
    file = place / "class.toml"
    planned = load_athletes(file, PLAN, Wishes())
    assert planned.faults == []
    assert [(one.athlete, one.load_kg) for one in planned.wishes] == [
        ("Oren Vale", 55.0), ("Juna Mirek", None), ("Tova Quist", 40.0),
    ]  # fmt: skip
    assert [one.entry.athlete for one in load_manifest(file)] == ["Oren Vale", "Juna Mirek"]
    assert [one.athlete for one in load_members(file)] == ["Oren Vale", "Juna Mirek", "Tova Quist"]
    assert load_members(file)[0].earlier == (place / "before",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[athlete]]\nname = "J"\nvidoe = "x"\n', 'line 3: "vidoe" is not a key of an athlete'),
        ('[[athlete]]\nname = "J"\nvideo = "orne"\n', "is not there (did you mean"),
        ('[[athlete]]\nname = "J"\nearlier = ["juna.mp4"]\n', "is no folder with attempt.json"),
        ('[[athlete]]\nname = "J"\n[[athlete]]\nname = "j"\n', '"j" stands in line 1 already'),
        ('[[athlete]]\nname = "J"\n[[entry]]\nathlete = "K"\n', "give one kind"),
        ("[[athlete]]\nload = 40\n", "line 1: name"),
        ('[[athlete]]\nname = "J"\nplan = "none.toml"\n', "plan ="),
    ],
)
def test_what_is_wrong_in_a_list_is_said_with_its_line(place, text, said):
    file = place / "wrong.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ManifestError) as caught:
        load_members(file)
    assert said in str(caught.value)


def test_a_heat_of_a_list_without_videos_says_so(place):
    file = place / "numbers.toml"
    file.write_text('[[athlete]]\nname = "J"\nload = 40\n', encoding="utf-8")
    with pytest.raises(ManifestError, match="gives a video for nobody"):
        load_manifest(file)


def test_attempts_are_gathered_by_name_from_lists_and_heats(place):
    heat = heat_in(place / "heat", "juna  MIREK", "juna.mp4", 3)
    oren, juna, tova = gather([place / "class.toml", heat])
    assert oren.folders == [place / "before", place / "oren"]
    assert juna.folders == [heat / "results" / "key"]
    assert (tova.folders, tova.reason) == ([], "")
    unread = gather([place / "class.toml"])[1]
    assert unread.reason.startswith("juna.mp4 has not been read")
    # without a list everybody who is found, a folder by its own name
    assert [one.athlete for one in gather([heat, place / "oren"])] == ["juna  MIREK", "oren"]
    assert [one.athlete for one in gather([place])] == ["before", "oren"]


def test_a_heat_that_keeps_no_results_says_where_they_are(tmp_path):
    save_record(make_heat([row(simulated(1), "Oren Vale")], "a heat"), tmp_path / "heat.json")
    assert load_record(Heat, tmp_path / "heat.json").attempts[0].results == ""
    with pytest.raises(ManifestError, match="keeps no results"):
        gather([tmp_path])


@pytest.mark.parametrize("seed", range(4))
def test_a_row_says_what_next_decides(tmp_path, seed):
    athlete = Athlete(np.random.default_rng(seed))
    days = ("2026-11-02", "2026-11-14", "2026-11-28")
    folders = [write_attempt(tmp_path / day, dated(athlete.attempt(PLAN), day)) for day in days]
    filmed = read_attempts(folders)
    answer = decide_next(filmed, PLAN)
    # the order given does not matter: they are judged as filmed
    made = class_sheet([judge("Oren Vale", filmed[::-1], PLAN)], "Class").athletes[0]
    first = answer.suggestions[0] if answer.suggestions else None
    assert made.attempts == answer.attempts
    assert (made.cue, made.gain) == (
        (first.change, first.gain) if first else ("Do the same again.", None)
    )
    assert made.more_changes == max(0, len(answer.suggestions) - 1)
    assert made.patterns == answer.plan.planned_sets()
    assert made.load_kg == answer.plan.workout.load_kg
    assert made.next_total_s == answer.plan.planned_total_s == made.round_ends_s[-1]
    assert (made.total_s, made.planned_s) == (answer.total_s, answer.planned_s)
    for said in (clock(made.total_s), clock(made.next_total_s), pattern_words(made.patterns)):
        assert said in made.message


SENTENCE_END = re.compile(r"[.!?](?=\s|$)")


@pytest.mark.parametrize("seed", range(6))
def test_a_message_is_three_sentences_in_one_line(seed):
    made = class_sheet([judge("Oren Vale", [dated(simulated(seed), "2026-11-28")], PLAN)], "Class")
    message = made.athletes[0].message
    assert len(SENTENCE_END.findall(message)) == 3
    happened, _, after = re.split(r"(?<=[.])\s", message)
    assert happened.startswith("Slate, 28 Nov 2026: finished in ")
    assert "the plan of 2:34.0" in happened
    assert "your coach" in after
    assert "clinician" in after
    assert class_messages(made) == f"Oren Vale\n{message}\n"
    assert all(len(line) <= 80 for line in class_lines(made))


def test_an_unfinished_attempt_is_told_in_reps_and_time_apart():
    message = class_sheet([judge("Hanno Wick", [unfinished()], PLAN)], "Class").athletes[0].message
    assert "not finished at the time cap: 7:00.0 on the clock" in message
    assert "12 of 54 reps counted" in message
    assert len(SENTENCE_END.findall(message)) == 3


def test_where_no_gain_is_known_the_sheet_says_what_speaks_for_the_change():
    made = [
        class_sheet([judge("Oren Vale", [simulated(seed)], PLAN)], "Class").athletes[0]
        for seed in range(12)
    ]
    unknown = [one for one in made if one.kind is not None and one.gain is None]
    assert unknown  # of a dozen drawn athletes some went badly
    for one in unknown:
        assert "how much it saves is not known" in one.message
        assert one.why
    for one in made:
        assert not (one.why and one.gain)


def test_an_unbroken_test_is_judged_by_its_plan():
    attempt = derive_attempt(unbroken(14).reading())
    judged = judge("Oren Vale", [Filmed(attempt, None, "test")], parse_plan(TEST))
    assert judged.reason == ""
    made = class_sheet([judged], "Class").athletes[0]
    assert made.happened == "14 push press unbroken in 0:20.0"
    assert made.patterns == ["14"]


def test_who_cannot_be_judged_stays_on_the_sheet():
    bare = simulated(1)
    bare = replace(bare, attempt=bare.attempt.model_copy(update={"workout": None}))
    judged = [judge("Oren Vale", [bare], None), judge("Juna Mirek", [], None)]
    assert all(one.decision is None for one in judged)
    made = class_sheet(judged, "Class")
    assert "without a workout" in made.athletes[0].reason
    assert made.athletes[1].reason == "there is no attempt"
    assert class_messages(made) == ""


def test_earlier_attempts_at_another_workout_are_of_the_season_only():
    other = parse_plan(SLATE.replace("reps = 8", "reps = 9").replace("7 | 1+5", "8 | 1+5"))
    elsewhere = dated(Athlete(np.random.default_rng(5)).attempt(other), "2026-11-01")
    last = replace(dated(simulated(5), "2026-11-28"), name="last")
    judged = judge("Oren Vale", [elsewhere, last], PLAN)
    assert judged.decision is not None
    assert judged.decision.attempts == ["last"]
    assert len(judged.season.attempts) == 2


# The season ---------------------------------------------------------------------------------------


def test_a_season_is_in_the_order_filmed_with_what_the_attempts_measure():
    late, early = dated(simulated(2), "2026-11-28T18:30:00Z"), dated(simulated(1), "2026-11-02")
    found = season([late, early])
    assert [one.name for one in found.attempts] == ["02 Nov 2026", "28 Nov 2026, 18:30 UTC"]
    for one, filmed in zip(found.attempts, (early, late), strict=True):
        attempt = filmed.attempt
        cycles = [rep.cycle_s for rep in attempt.counted() if rep.movement == "deadlift"]
        known = [cycle for cycle in cycles if cycle is not None]
        assert one.median_cycle_s["deadlift"] == pytest.approx(float(np.median(known)), abs=1e-3)
        assert one.break_s == pytest.approx(sum(stop.length_s for stop in attempt.breaks))
        assert one.breaks == len(attempt.breaks)
        assert one.load_kg == attempt.workout.load_kg


def test_tempo_is_compared_at_one_load_only():
    athlete = Athlete(np.random.default_rng(3))
    made = [
        dated(athlete.attempt(PLAN), day, load)
        for day, load in (("2026-11-01", 50.0), ("2026-11-08", 60.0), ("2026-11-15", 60.0))
    ]
    found = season(made)
    assert {(one.movement, one.first_at, one.last_at, one.load_kg) for one in found.tempo} == {
        (name, "2026-11-08", "2026-11-15", 60.0)
        for name in ("deadlift", "hang power clean", "push press")
    }
    assert any("the loads differ" in said for said in found.not_comparable)
    assert season(made[:2]).tempo == []


def test_one_video_read_twice_is_one_attempt_of_the_season():
    one = dated(simulated(2), "2026-11-28")
    found = season([replace(one, name="a"), replace(one, name="b")])
    assert len(found.attempts) == 1
    assert "left out" in found.notes[0]


def test_trends_lie_at_their_days():
    athlete = Athlete(np.random.default_rng(4))
    days = ("2026-11-01", "2026-11-02", "2026-11-11")
    part = season_parts(season([dated(athlete.attempt(PLAN), day) for day in days]))
    assert [one.name for one in part.trends] == [
        "deadlift, s a rep", "hang power clean, s a rep", "push press, s a rep", "load, kg",
        "in breaks, s",
    ]  # fmt: skip
    at = [float(x) for x in re.findall(r'cx="([\d.]+)%"', str(part.trends[0].chart))]
    assert (at[1] - at[0]) / (at[2] - at[0]) == pytest.approx(0.1, abs=1e-3)
    unknown = season_parts(season([dated(athlete.attempt(PLAN), None, load) for load in (1, 2, 3)]))
    at = [float(x) for x in re.findall(r'cx="([\d.]+)%"', str(unknown.trends[0].chart))]
    assert at[1] - at[0] == pytest.approx(at[2] - at[1], abs=1e-3)


def test_an_attempt_without_reps_is_in_the_season_and_has_no_tempo():
    nothing = Filmed(derive_attempt(Script(slate()).reading(after=60.0)), None, "nothing")
    judged = judge("Oren Vale", [nothing], PLAN)
    assert judged.season.attempts[0].median_cycle_s == {}
    assert "no reps were seen" in class_sheet([judged], "Class").athletes[0].happened
