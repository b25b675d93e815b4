"""What is read where the bar, one end of it, or the body is not to be seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import xarray as xr

from repcount.motion import measure
from repcount.reading import derive_attempt, read_attempt
from repcount.records import Attempt
from repcount.tracks import BAR_KEYPOINTS, POSE_KEYPOINTS
from sample_clips.render.specs import slate


@pytest.fixture(scope="module")
def tracks() -> xr.Dataset:
    return slate().tracks()


def without(tracks: xr.Dataset, ends: Sequence[str], from_s: float, to_s: float) -> Attempt:
    """The attempt read with these ends of the bar out of sight for a while."""
    tracks = tracks.copy(deep=True)
    there = (tracks.time.values >= from_s) & (tracks.time.values <= to_s)
    for name in ends:
        place = list(tracks.keypoints.values).index(name)
        tracks.position.values[there, :, place] = np.nan
        tracks.confidence.values[there, place] = 0.0
        tracks.plate_semi_axis.values[there, BAR_KEYPOINTS.index(name)] = np.nan
    return derive_attempt(read_attempt(measure(tracks), None))


@pytest.mark.parametrize("gone", BAR_KEYPOINTS)
def test_one_end_is_enough(tracks: xr.Dataset, gone: str) -> None:
    whole, half = without(tracks, [], 0, 0), without(tracks, [gone], 0, 1e9)
    assert [rep.movement for rep in half.reps] == [rep.movement for rep in whole.reps]
    assert len(half.breaks) == len(whole.breaks)
    for one, other in zip(half.breaks, whole.breaks, strict=True):
        assert one.first_contact_s == pytest.approx(other.first_contact_s, abs=0.1)
        assert one.end_s == pytest.approx(other.end_s, abs=0.05)
        # the two ends bounce by themselves, and one may lie before the other does
        assert one.start_s == pytest.approx(other.start_s, abs=0.4)
    # the one that is left is itself behind a leg now and then
    assert sum(not one.seen for one in half.breaks) <= 1


def test_a_bar_that_is_never_seen_is_said_and_every_end_told_by_hands_is_unsure(
    tracks: xr.Dataset,
) -> None:
    attempt = without(tracks, BAR_KEYPOINTS, 0, 1e9)
    assert "bar-unseen" in {notice.code for notice in attempt.warnings}
    assert attempt.reps
    assert all("by_hands" in rep.flags for rep in attempt.reps)
    assert not any(rest.seen for rest in attempt.floor_rests)
    assert not any(pause.seen for pause in attempt.breaks)


def test_only_the_breaks_whose_ends_were_out_of_sight_are_unsure(tracks: xr.Dataset) -> None:
    whole = without(tracks, [], 0, 0)
    second = whole.breaks[1]
    attempt = without(tracks, BAR_KEYPOINTS, second.end_s - 0.6, second.end_s + 0.6)
    assert [pause.seen for pause in whole.breaks] == [True] * len(whole.breaks)
    unsure = [pause for pause in attempt.breaks if not pause.seen]
    assert [pause.id for pause in unsure] == [attempt.breaks[1].id]


def test_where_the_pose_is_made_up_the_bar_alone_is_read_and_said(tracks: xr.Dataset) -> None:
    """Plates seen from the side hide the hands: the pose wanders about the athlete's place."""
    whole = without(tracks, [], 0, 0)
    tracks = tracks.copy(deep=True)
    rng = np.random.default_rng(8)
    body = [list(tracks.keypoints.values).index(name) for name in POSE_KEYPOINTS]
    hands = [k for k in body if "pinky" in str(tracks.keypoints.values[k])]
    hands += [k for k in body if "index" in str(tracks.keypoints.values[k])]
    place = tracks.position.values[:, :, body, 0]
    stature = np.nanquantile(np.ptp(place[:, 1], axis=1), 0.9)
    for k in hands:
        wanders = rng.normal(scale=0.15 * stature, size=(len(tracks.time), 2))
        centre = np.nanmean(tracks.position.values[:, :, k, 0], axis=0)
        seen = np.isfinite(tracks.position.values[:, 0, k, 0])
        tracks.position.values[seen, :, k, 0] = (centre + wanders)[seen]
    attempt = derive_attempt(read_attempt(measure(tracks), None))
    assert "body-unread" in {notice.code for notice in attempt.warnings}
    assert "body-unread" not in {notice.code for notice in whole.warnings}
    tops = [rep.top_s for rep in attempt.reps]
    assert len(tops) == pytest.approx(len(whole.reps), abs=1)
    # when the athlete stands up from the catch of a clean only the body tells
    found = [min(abs(top - rep.top_s) for top in tops) < 0.7 for rep in whole.reps]
    assert all(found)
    assert len(attempt.breaks) == len(whole.breaks)
