"""How far an analysis is: one fraction over all stages, never ahead of the work."""

from __future__ import annotations

import time

import pytest

from repcount.pipeline.stages import FILES, READING, STILLS, Stages
from repcount.web.queue import Running

WHOLE = 1 + READING + STILLS + FILES


class Clock:
    """Seconds that pass when they are told to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = 1000.0
        monkeypatch.setattr(time, "monotonic", lambda: self.now)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


def test_the_end_of_tracking_is_not_the_end(clock):
    reported: list[tuple[float, float]] = []
    going = Stages(lambda *now: reported.append(now), stills=True)
    clock.now += 100
    going.tracking(1.0, 0.0)
    assert reported[-1][0] == pytest.approx(1 / WHOLE)
    assert reported[-1][1] == pytest.approx(100 * (WHOLE - 1))
    going.tracked()
    for number, _ in enumerate(going.each("stills", range(10))):
        if number:
            # 2 s each so far, and the files come after them
            assert reported[-1][1] == pytest.approx(2 * (10 - number) + 100 * FILES)
        clock.now += 2
    going.begin("files")
    assert reported[-1][0] == pytest.approx((WHOLE - FILES) / WHOLE)
    assert reported[-1][1] == pytest.approx(100 * FILES)
    fractions = [done for done, _ in reported]
    assert fractions == sorted(fractions)
    assert fractions[-1] < 1


def test_work_done_before_counts_from_the_beginning(clock):
    reported: list[tuple[float, float]] = []
    Stages(lambda *now: reported.append(now), stills=True).tracked(200.0)
    assert reported[0][0] == pytest.approx(1 / WHOLE)
    assert 0 < reported[0][1] < 200


def test_between_two_reports_time_goes_on(clock):
    one = Running(None, 0, None)  # type: ignore[arg-type]
    assert one.now() == (None, None)
    one.fraction, one.left_s, one.told_at = 0.9, 20.0, clock.now
    assert one.now() == (0.9, 20.0)
    clock.now += 10
    done, left = one.now()
    assert left == 10
    assert done == pytest.approx(0.95)
    clock.now += 30  # overdue: it does not say for half a minute that a second is left
    done, left = one.now()
    assert left == 10
    assert 0.95 < done < 1
