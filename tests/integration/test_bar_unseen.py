"""What is read where the bar, one end of it, or the body is not to be seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import xarray as xr

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt
from repcount.motion import measure
from repcount.reading import read_attempt
from repcount.reading.read import BAR_ALONE
from repcount.tracking.tracks import BAR_KEYPOINTS, POSE_KEYPOINTS
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


def test_a_bar_that_is_never_seen_is_reported_and_ends_from_hands_are_unsure(
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


def with_made_up_hands(tracks: xr.Dataset) -> xr.Dataset:
    """The hands wander about, by a sixth of a stature, in every look."""
    tracks = tracks.copy(deep=True)
    rng = np.random.default_rng(8)
    names = [str(name) for name in tracks.keypoints.values]
    body = [names.index(name) for name in POSE_KEYPOINTS]
    stature = np.nanquantile(np.ptp(tracks.position.values[:, 1, body, 0], axis=1), 0.9)
    for k in [k for k in body if "pinky" in names[k] or "index" in names[k]]:
        place = tracks.position.values[:, :, k, 0]
        seen = np.isfinite(place[:, 0])
        wanders = rng.normal(scale=0.15 * stature, size=place.shape)
        tracks.position.values[seen, :, k, 0] = (np.nanmean(place, axis=0) + wanders)[seen]
    return tracks


def as_well_as(tracks: xr.Dataset, whole: Attempt) -> Attempt:
    """Read from `tracks`, as many reps and breaks as the whole has, at the same times."""
    attempt = derive_attempt(read_attempt(measure(tracks), None))
    tops = [rep.top_s for rep in attempt.reps]
    assert len(tops) == len(whole.reps)
    # when the athlete stands up from the catch of a clean only the body tells
    assert all(min(abs(top - rep.top_s) for top in tops) < 0.7 for rep in whole.reps)
    assert len(attempt.breaks) == len(whole.breaks)
    return attempt


def test_where_the_hands_are_made_up_the_shoulders_carry_the_bar(tracks: xr.Dataset) -> None:
    """Plates seen from the side hide the hands: the pose wanders about the athlete's place."""
    whole = without(tracks, [], 0, 0)
    attempt = as_well_as(with_made_up_hands(tracks), whole)
    assert [rep.movement for rep in attempt.reps] == [rep.movement for rep in whole.reps]


def test_two_ends_that_go_together_are_a_bar_whoever_holds_it(tracks: xr.Dataset) -> None:
    """The pose is somebody else's, the bar's ends were never seen to move with any hands."""
    whole = without(tracks, [], 0, 0)
    tracks = with_made_up_hands(tracks)
    for name in BAR_KEYPOINTS:
        trust = tracks.confidence.values[:, list(tracks.keypoints.values).index(name)]
        np.minimum(trust, 0.6, out=trust)
    as_well_as(tracks, whole)


def test_a_cut_between_two_cameras_has_two_floors(tracks: xr.Dataset) -> None:
    whole = without(tracks, [], 0, 0)
    tracks = with_made_up_hands(tracks)
    cut = int(np.argmin(np.abs(tracks.time.values - whole.breaks[3].start_s - 0.5)))
    tracks.cut.values[cut] = True
    tracks.position.values[cut:, 1] += 60.0
    as_well_as(tracks, whole)


def without_body(tracks: xr.Dataset, names: Sequence[str] = POSE_KEYPOINTS) -> xr.Dataset:
    tracks = tracks.copy(deep=True)
    body = [k for k, name in enumerate(tracks.keypoints.values) if str(name) in names]
    tracks.confidence.values[:, body] = 0.0
    return tracks


def test_the_bar_alone_is_read_and_named_where_there_is_no_body(tracks: xr.Dataset) -> None:
    whole = without(tracks, [], 0, 0)
    attempt = as_well_as(without_body(tracks), whole)
    said = {notice.code: notice for notice in attempt.warnings}
    assert said["body-unread"].start_s == pytest.approx(0.0, abs=0.1)
    assert all("by_bar" in rep.flags for rep in attempt.reps)
    assert max(rep.confidence for rep in attempt.reps) <= BAR_ALONE
    # a press without knees has no style
    names = {"push jerk": "push press"}
    movements = [names.get(rep.movement, rep.movement) for rep in attempt.reps]
    assert movements == [names.get(rep.movement, rep.movement) for rep in whole.reps]


def test_without_the_bars_ends_and_one_hand_the_other_is_enough(tracks: xr.Dataset) -> None:
    """From the side one hand hides the other: how far apart they are is not seen."""
    whole = without(tracks, [], 0, 0)
    one_sided = without_body(tracks, ["left_pinky", "left_index", "left_wrist"])
    attempt = without(one_sided, BAR_KEYPOINTS, 0, 1e9)
    assert len(attempt.reps) == pytest.approx(len(whole.reps), abs=2)
    assert all("by_hands" in rep.flags and "check" in rep.flags for rep in attempt.reps)


def between(tracks: xr.Dataset, from_s: float, to_s: float) -> xr.Dataset:
    """The film from one time to another, its clock begun anew."""
    piece = tracks.sel(time=slice(from_s, to_s)).copy(deep=True)
    return piece.assign_coords(time=piece.time.values - piece.time.values[0])


def test_a_film_that_begins_in_mid_lift_counts_that_rep_and_says_so(tracks: xr.Dataset) -> None:
    first = without(tracks, [], 0, 0).reps[0]
    begin = (first.start_s + first.top_s) / 2
    attempt = derive_attempt(read_attempt(measure(between(tracks, begin, begin + 20.0)), None))
    rep = attempt.reps[0]
    assert rep.top_s == pytest.approx(first.top_s - begin, abs=0.05)
    assert "begun_before" in rep.flags
    assert "starts-late" in {notice.code for notice in attempt.warnings}


def test_a_film_that_ends_in_mid_lift_does_not_count_that_rep_and_says_so(
    tracks: xr.Dataset,
) -> None:
    whole = without(tracks, [], 0, 0)
    last = whole.reps[5]
    end = last.start_s + 0.5 * (last.top_s - last.start_s)
    attempt = derive_attempt(read_attempt(measure(between(tracks, 0.0, end)), None))
    assert len(attempt.reps) == 5
    said = {notice.code: notice for notice in attempt.warnings}
    assert said["rise-unread"].start_s == pytest.approx(last.start_s, abs=0.2)
    assert "film ends" in said["rise-unread"].text


def test_a_spare_plate_on_the_floor_does_not_stand_for_the_bar(tracks: xr.Dataset) -> None:
    whole = without(tracks, [], 0, 0)
    tracks = with_made_up_hands(tracks)
    place = list(tracks.keypoints.values).index("bar_right")
    lowest = np.nanquantile(tracks.position.values[:, 1, place, 0], 0.98)
    tracks.position.values[:, 1, place, 0] = lowest
    tracks.confidence.values[:, place] *= 0.6  # never seen to move with anything
    attempt = derive_attempt(read_attempt(measure(tracks), None))
    # the end that is left is hidden behind a leg now and then
    assert 0.85 * len(whole.reps) < len(attempt.reps) <= len(whole.reps)


def test_hands_and_plates_apart_are_said_where_nothing_tells_the_bars_height(
    tracks: xr.Dataset,
) -> None:
    tracks = with_made_up_hands(tracks)
    tracks = without_body(tracks, ["left_shoulder", "right_shoulder"])
    left, right = (list(tracks.keypoints.values).index(name) for name in BAR_KEYPOINTS)
    tracks.confidence.values[:, left] *= 0.6  # never seen to move with anybody's hands
    tracks.confidence.values[:, right] = 0.0
    tracks.position.values[:, :, right] = np.nan
    attempt = derive_attempt(read_attempt(measure(tracks), None))
    assert "hands-apart" in {notice.code for notice in attempt.warnings}
