"""Places and numbers of a heat against scipy, statsmodels, pandas and a worked case by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repcount.heat.build import make_heat
from repcount.heat.ranking import Result, places
from repcount.heat.records import HeatAttempt
from repcount.heat.rows import Entry, attempt_row
from repcount.heat.statistics import (
    associations,
    rank_correlation,
    rank_interval,
    slope,
    variation,
)
from repcount.units import to_ms
from tests.heats import heat_of, row, simulated, unfinished
from tests.scripted_reading import Script, slate, workout

numbers = st.lists(st.floats(-1e3, 1e3).map(lambda x: round(x, 2)), min_size=3, max_size=12)


@given(st.lists(st.tuples(st.integers(0, 1), st.integers(-60, 60)), max_size=40))
def test_places_are_scipys_min_ranks(results: list[Result]) -> None:
    """scipy.stats.rankdata(method="min") over one number that orders the same way."""
    expected = stats.rankdata([1000 * kind + value for kind, value in results], method="min")
    assert places(results) == list(map(int, expected))


def test_what_has_no_result_has_no_place_and_takes_none() -> None:
    assert places([(0, 5), None, (0, 5), (1, -57), (0, 9)]) == [1, None, 1, 4, 3]


@settings(deadline=None)
@given(numbers)
def test_slope_and_its_error_are_those_of_ordinary_least_squares(values: list[float]) -> None:
    """statsmodels' regression, which solves by singular values and not by sums of products."""
    import statsmodels.api as sm

    found = slope(values)
    expected = sm.OLS(values, sm.add_constant(np.arange(len(values)))).fit()
    assert found is not None
    assert found[0] == pytest.approx(expected.params[1], abs=1e-7)
    # SciPy goes by way of the correlation, which rounds where the line is nearly exact
    assert found[1] == pytest.approx(expected.bse[1], abs=1e-3)


def test_rounds_of_one_length_have_no_slope_and_no_error() -> None:
    assert slope([40.0, 40.0, 40.0]) == (0.0, 0.0)


def test_a_missing_round_keeps_its_place_in_the_slope() -> None:
    assert slope([1.0, None, 3.0, 4.0]) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-9))
    assert slope([1.0, None, 3.0]) is None


@given(numbers)
def test_variation_is_pandas_and_scipys(values: list[float]) -> None:
    series = pd.Series(values)
    found = variation(values)
    if found is None:
        assert series.mean() == 0
    else:
        assert found == pytest.approx(series.std() / series.mean(), rel=1e-9)
        assert found == pytest.approx(stats.variation(values, ddof=1), rel=1e-9)


@settings(deadline=None)
@given(numbers, st.integers(0, 1000))
def test_rank_correlation_is_spearmans(values: list[float], seed: int) -> None:
    other = list(np.random.default_rng(seed).permutation(values))
    """Pearson's correlation of the mean ranks, as pandas ranks (Spearman's definition)."""
    found = rank_correlation(values, other)
    if found is None:
        assert len(set(values)) == 1
    else:
        ranks = [pd.Series(one).rank() for one in (values, other)]
        assert found == pytest.approx(np.corrcoef(*ranks)[0, 1], abs=1e-9)


def test_the_interval_covers_as_often_as_it_says() -> None:
    """Bivariate normal pairs with a known rank correlation, 6/pi asin(r/2) (Pearson 1907, as every
    handbook has it): 95 % of intervals hold it, within four standard errors of 2,000 draws."""
    rng = np.random.default_rng(3)
    r, n = 0.6, 15
    truth = 6 / math.pi * math.asin(r / 2)
    inside = 0
    for _ in range(2000):
        x = rng.normal(size=n)
        y = r * x + math.sqrt(1 - r**2) * rng.normal(size=n)
        rho = rank_correlation(list(x), list(y))
        assert rho is not None
        low, high = rank_interval(rho, n)
        inside += low <= truth <= high
    assert abs(inside / 2000 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 2000)


def test_finishers_stand_before_the_others_who_are_ranked_by_reps() -> None:
    heat = make_heat(
        [
            row(unfinished(12), "Hanno"),
            row(simulated(1), "Juna"),
            row(unfinished(14), "Wim"),
            row(simulated(2), "Tova"),
            row(unfinished(12), "Ada"),
        ],
        "Slate",
    )
    assert [one.athlete for one in heat.attempts[2:]] == ["Wim", "Ada", "Hanno"]
    assert [one.place for one in heat.attempts] == [1, 2, 3, 4, 4]
    assert heat.attempts[2].result == "unfinished, 14 reps"
    assert heat.attempts[0].total_s is not None
    assert heat.attempts[1].total_s is not None
    assert heat.attempts[0].total_s < heat.attempts[1].total_s


def test_equal_times_share_a_place_and_near_ones_are_marked() -> None:
    one, other = simulated(3), simulated(4)
    heat = make_heat([row(one, "Ada"), row(one, "Bram"), row(other, "Cleo")], "Slate")
    assert sorted(x.place or 0 for x in heat.attempts) in ([1, 1, 3], [1, 2, 2])
    assert {x.athlete: x.close for x in heat.attempts} == {
        "Ada": True,
        "Bram": True,
        "Cleo": False,
    }


def test_divisions_have_places_of_their_own() -> None:
    heat = heat_of()
    for division in heat.divisions:
        inside = [one for one in heat.attempts if one.division == division and one.finished]
        times = [one.total_s for one in inside]
        assert [one.place_in_division for one in inside] == list(
            map(int, stats.rankdata([round(t or 0, 1) for t in times], method="min"))
        )


def test_another_workout_has_no_place() -> None:
    script = Script(workout((("deadlift", 3),), name="Gravel")).wait(1.0).rep("deadlift", 3)
    from repcount.analysis.forecast import Filmed
    from repcount.attempt.assemble import derive_attempt

    odd = Filmed(derive_attempt(script.reading()), None, "gravel")
    heat = make_heat([row(simulated(1), "A"), row(simulated(2), "B"), row(odd, "C")], "Slate")
    last = heat.attempts[-1]
    assert (last.athlete, last.place, last.state) == ("C", None, "doubtful")
    assert "another workout" in last.reason
    assert len(heat.workout) == 3


def test_a_given_start_moves_the_clock_and_not_the_lengths() -> None:
    filmed = simulated(5)
    plain = attempt_row(Entry("Juna"), filmed.attempt, filmed.comparison)
    moved = attempt_row(
        Entry("Juna", start_s=filmed.attempt.clock.start_s - 1.5), filmed.attempt, filmed.comparison
    )
    assert to_ms(moved.total_s or 0) == to_ms(plain.total_s or 0) + 1500
    assert [
        to_ms(a.top_s) - to_ms(b.top_s) for a, b in zip(moved.reps, plain.reps, strict=True)
    ] == [1500] * len(plain.reps)
    assert [a.length_s for a in moved.breaks] == [b.length_s for b in plain.breaks]
    assert to_ms(moved.difference_s or 0) == to_ms(plain.difference_s or 0) + 1500
    assert moved.start_source == "given"
    assert moved.start_uncertainty_s == 0.07


def test_a_row_kept_by_an_older_version_is_read() -> None:
    plain = simulated(5)
    kept = attempt_row(Entry("Juna", start_s=1.0), plain.attempt).model_dump(mode="json")
    kept["start_doubt_s"] = kept.pop("start_uncertainty_s")
    assert HeatAttempt.model_validate(kept).start_uncertainty_s == 0.07


def test_a_start_after_the_first_rep_is_doubtful() -> None:
    filmed = simulated(5)
    late = attempt_row(Entry("Juna", start_s=filmed.attempt.reps[3].top_s), filmed.attempt)
    assert late.state == "doubtful"
    assert "the start given lies after its first rep" in late.reason


def test_a_start_that_comes_later_lets_the_cap_fall_later() -> None:
    filmed = simulated(5)
    total = filmed.attempt.clock.total_s or 0
    capped = filmed.attempt.model_copy(
        update={"workout": slate(cap=total - 5)}  # as if it had been read with this cap
    )
    late = attempt_row(Entry("Juna", start_s=(filmed.attempt.clock.start_s or 0) + 6), capped)
    early = attempt_row(Entry("Juna"), capped)
    assert late.finished is True
    assert early.finished is False
    assert early.total_s == pytest.approx(total - 5)
    assert early.done < late.done
    assert early.result == f"unfinished, {early.done} reps"


def test_break_places_count_who_came_that_far() -> None:
    heat = heat_of(6)
    by_position = {place.position: place for place in heat.break_places}
    assert by_position[7].athletes == 6  # every simulated athlete follows the plan's pattern
    assert by_position[7].reached == 7  # the one who did not finish got to the twelfth rep
    assert by_position[18 + 7].reached == 6
    lengths = [
        pause.length_s for one in heat.attempts for pause in one.breaks if pause.position == 7
    ]
    assert by_position[7].mean_s == pytest.approx(np.mean(lengths), abs=5e-4)
    assert by_position[7].median_s == pytest.approx(pd.Series(lengths).median(), abs=5e-4)


def test_halves_are_halves_of_the_prescribed_reps() -> None:
    """By hand: 54 reps, so that the break after the seventh clean of the second half is in it."""
    filmed = simulated(7)
    one = attempt_row(Entry("Juna"), filmed.attempt, filmed.comparison)
    breaks = next(part for part in one.spread if part.name == "breaks")
    early = [pause for pause in one.breaks if (pause.position or 0) <= 27]
    assert breaks.first_half == len(early) == 3
    assert breaks.last_half == len(one.breaks) - 3
    length = next(part for part in one.spread if part.name == "break length")
    assert length.first_half == pytest.approx(np.mean([pause.length_s for pause in early]))
    per_round = [
        np.mean([pause.length_s for pause in one.breaks if pause.round == n]) for n in (1, 2, 3)
    ]
    assert length.slope == pytest.approx(stats.linregress([1, 2, 3], per_round).slope)
    rate = next(part for part in one.spread if part.name == "rep rate, deadlift")
    cycles = [rep.cycle_s for rep in one.reps if rep.movement == "deadlift" and rep.cycle_s]
    first = [
        rep.cycle_s
        for rep in one.reps
        if rep.movement == "deadlift" and rep.cycle_s and (rep.position or 0) <= 27
    ]
    assert rate.first_half == pytest.approx(60 / np.mean(first))
    assert min(cycles) <= 60 / (rate.first_half or 1) <= max(cycles)


def test_associations_want_ten_and_say_n() -> None:
    few, many = heat_of(9), heat_of(12)
    assert few.associations == []
    assert {one.n for one in many.associations} == {12}
    finished = [one for one in many.attempts if one.finished]
    expected = stats.spearmanr(
        [max(span.duration_s for span in one.rounds) for one in finished],
        [one.total_s for one in finished],
    ).statistic
    slowest = next(one for one in many.associations if one.quantity == "slowest round")
    assert slowest.rho == pytest.approx(expected, abs=5e-4)
    assert slowest.part_of_total
    assert associations([("nobody", [])]) == []
