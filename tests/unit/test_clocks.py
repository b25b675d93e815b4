"""The workout's clock, beside the video's; the clock at every set, planned beside real."""

from __future__ import annotations

import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.edits import append_edit, make_edit, new_edits
from repcount.cli.options import CLOCK_START, MOMENT
from repcount.errors import RecordError
from repcount.heat.manifest import load_manifest
from repcount.plan import parse_plan
from repcount.plan.clock_card import clock_card
from repcount.reports.clocks import both_clocks, offset_words, on_clock, set_clocks, set_table
from repcount.reports.html import report_page
from repcount.reports.terminal import report_lines
from tests.scripted_reading import SLATE, SLATE_MOVEMENTS, Script, as_planned, slate

PLAN = parse_plan(SLATE)


def test_planned_clocks_are_the_cards_and_real_ones_count_from_the_signal():
    attempt = derive_attempt(as_planned().reading())
    rows = set_clocks(attempt, PLAN)
    card = [one for round_ in clock_card(PLAN).rounds for one in round_.sets]
    assert [row.planned.last_rep_s for row in rows] == [one.end_s for one in card]
    assert [row.planned.bar_up_s for row in rows] == [one.bar_up_s for one in card]
    start = attempt.clock.start_s
    assert [row.real.last_rep_s for row in rows] == pytest.approx(
        [span.end_s - start for span in attempt.sets]
    )
    downs = [row.real.bar_down_s for row in rows if row.real.bar_down_s is not None]
    assert downs == pytest.approx([stop.start_s - start for stop in attempt.breaks])
    assert rows[-1].real.last_rep_s == pytest.approx(attempt.clock.total_s)
    assert rows[0].difference_s == pytest.approx(
        rows[0].real.last_rep_s - rows[0].planned.last_rep_s
    )
    page = report_page(attempt, plan=PLAN)
    assert "The clock at every set" in page
    assert set_table(attempt, PLAN) in page
    assert set_clocks(attempt, None)[0].planned is None


def test_a_set_is_not_compared_with_one_that_ended_elsewhere():
    """Planned are 7 | 1+5 | 1+4: an unplanned break, a skipped one, and an end before the end."""
    script = Script(slate(3)).wait(1.0).sets("7|1+3|2|1+4")
    script.next_round().sets("7|1+5+1+4")
    script.next_round().sets("7|1+2", movements=SLATE_MOVEMENTS)
    rows = set_clocks(derive_attempt(script.reading()), PLAN)
    found = [(row.round, row.reps, row.difference_s is not None) for row in rows]
    assert found == [
        (1, "7", True),
        (1, "1+3", False),
        (1, "1+5 → 2", True),
        (1, "1+4", True),
        (2, "7", True),
        (2, "1+5", False),
        (2, "1+4 → 1+6+4", True),
        (3, "7", True),
        (3, "1+2", False),
        (3, "1+5", False),
        (3, "1+4", False),
    ]


def test_moments_are_said_on_the_workouts_clock_and_the_videos_beside():
    attempt = derive_attempt(as_planned().reading())
    assert attempt.clock.start_s == 3.0
    assert on_clock(attempt, 63.0) == "1:00.0"
    assert both_clocks(attempt, 63.0) == "1:00.0 (video 1:03.0)"
    assert offset_words(attempt) == "a player shows 0:03.0 more"
    marked = attempt.model_copy(
        update={"reps": [attempt.reps[0].model_copy(update={"flags": ["check"]})]}
    )
    top = attempt.reps[0].top_s
    shown = both_clocks(attempt, top)
    assert any(shown in str(line) for line in report_lines(marked))
    page = report_page(marked)
    assert f'data-at="{top}">{on_clock(attempt, top)}<' in page


def test_a_clock_may_start_before_the_video():
    reading = as_planned().reading()
    edits = new_edits(reading)
    edit = make_edit(edits, "set_clock", who="Robin", values={"start_s": -4.5})
    attempt = derive_attempt(reading, append_edit(reading, edits, edit))
    assert attempt.clock.start_s == -4.5
    whole = derive_attempt(reading)
    assert attempt.clock.total_s == pytest.approx(whole.clock.total_s + 3.0 + 4.5)
    assert offset_words(attempt) == "a player shows 0:04.5 less"
    assert "at −0:04.5 of the video" in report_page(attempt)
    early = make_edit(edits, "set_clock", who="Robin", values={"start_s": -1e6})
    with pytest.raises(RecordError, match="before the"):
        append_edit(reading, edits, early)
    assert CLOCK_START.convert("-0:04.5", None, None) == -4.5
    assert CLOCK_START.convert("\u22124.5", None, None) == -4.5
    with pytest.raises(Exception, match="is no time"):
        MOMENT.convert("-4.5", None, None)


def test_a_heats_start_may_lie_before_a_video(tmp_path):
    (tmp_path / "a.mp4").write_bytes(b"x")
    (tmp_path / "plan.toml").write_text(SLATE)
    (tmp_path / "heat.csv").write_text(
        "athlete,video,plan,start_offset_s\nRobin,a.mp4,plan.toml,-0:02.5\n"
    )
    assert load_manifest(tmp_path / "heat.csv")[0].entry.start_s == -2.5
