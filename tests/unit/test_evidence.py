"""Hands without a bar in sight: what is taken for a lift with one, and what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from repcount.reading import read_attempt
from repcount.reading.decode import decode_zones
from repcount.reading.evidence import with_a_bar
from repcount.reading.strokes import body_of, find_strokes
from tests.drawn_motion import drawn

PULLS = tuple((3.0 * k + at, height) for k in range(3) for at, height in ((0, 0.13), (1.5, 0.43)))


@pytest.mark.parametrize("stands_up", [True, False])
def test_hands_come_up_to_the_hips_with_a_bar_only_where_the_shoulders_do(stands_up: bool) -> None:
    """Bent down to what lies on the floor and up again; or sitting, with the hands at work."""
    motion = drawn((-1, 0.13), *PULLS, (9, 0.13), (10, 0.13))
    motion = replace(motion, bar_source=np.ones(len(motion.time_s), np.int8))
    strokes, _ = find_strokes(body_of(motion, decode_zones(motion)))
    assert len(strokes) == 3
    if not stands_up:
        motion = replace(motion, shoulder_st=np.full(len(motion.time_s), 0.66))
    made = with_a_bar(motion, strokes)
    assert ["by_hands" in stroke.flags for stroke in made] == (3 * [True] if stands_up else [])
    # where nothing at all was taken for a lift with a bar, what moved is said
    said = [one.text for one in read_attempt(motion).warnings if one.code == "rise-unread"]
    assert ["hands go up as with a bar" in text for text in said] == ([] if stands_up else [True])
