"""Two attempts rep for rep: gaps follow exactly from what the scripts did differently."""

from __future__ import annotations

import re

import pytest

from repcount.analysis.beside import aligned
from repcount.analysis.forecast import Filmed
from repcount.attempt.assemble import derive_attempt
from repcount.errors import RecordError
from repcount.reports.gap_chart import gap_chart
from tests.scripted_reading import Script, slate


def filmed(stop: float, wait: float = 1.0, rounds: int = 2) -> Filmed:
    """Rounds of Slate, of which there are two, with breaks of `stop` seconds."""
    script = Script(slate(2)).wait(wait)
    for number in range(rounds):
        if number:
            script.next_round()
        script.sets("7|1+5|1+4", stop)
    return Filmed(derive_attempt(script.reading()), None, "one")


def test_a_gap_is_what_breaks_were_longer_by_and_begins_anew_with_the_alignment():
    whole, second = aligned(filmed(4.0), filmed(5.5))
    assert (whole.name, second.name) == ("the start", "round 2")
    once = [0.0] * 7 + [1.5] * 6 + [3.0] * 5
    twice = once + [3.0 + one for one in once]
    assert [rep.gap_s for rep in whole.reps] == pytest.approx(twice)
    assert [rep.gap_s for rep in second.reps] == pytest.approx(once)
    # where a video begins is no part of a gap
    later = aligned(filmed(4.0), filmed(4.0, wait=3.0))[1]
    assert all(rep.gap_s == pytest.approx(0.0) for rep in later.reps)
    seen = [two - one for one, two in (rep.seen_s for rep in later.reps)]
    assert seen == pytest.approx([2.0] * len(seen))


def test_only_reps_of_both_are_matched_and_the_curve_goes_through_them():
    ways = aligned(filmed(4.0), filmed(5.5, rounds=1))
    assert [one.name for one in ways] == ["the start"]
    assert len(ways[0].reps) == 18
    found = re.search(r'class="gap-line" d="M0 (\d+)L([^"]+)"', str(gap_chart(ways[0]).drawing))
    assert found is not None
    points = [tuple(map(int, one.split())) for one in found[2].split("L")]
    assert [int(found[1]) - y for _, y in points] == [round(1000 * r.gap_s) for r in ways[0].reps]
    assert [x for x, _ in points] == [round(1000 * r.since_s[0]) for r in ways[0].reps]


def test_attempts_at_different_workouts_are_refused():
    other = Filmed(
        derive_attempt(Script(slate(3)).wait(1.0).sets("7|1+5|1+4").reading()), None, "b"
    )
    with pytest.raises(RecordError):
        aligned(filmed(4.0), other)
