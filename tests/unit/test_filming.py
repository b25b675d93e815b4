"""What a clip breaks of the filming guide, on simulated tracks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr

from repcount.motion.filming import filming_notices
from repcount.tracking.tracks import KEYPOINTS, make_tracks

HEIGHT = 1280
STATURE = 500.0


def still_athlete(**change: object) -> xr.Dataset:
    """Ten seconds of somebody standing 500 px tall, the plates 250 px to either side."""
    count = 150
    place = {name: index for index, name in enumerate(KEYPOINTS)}
    position = np.zeros((count, 2, len(KEYPOINTS), 1))
    feet = 1100.0
    # heights over stature: Winter 2009, Fig. 4.1 (from memory)
    levels = {"eye": 0.936, "shoulder": 0.818, "hip": 0.53, "ankle": 0.056, "wrist": 0.485}
    for name, level in levels.items():
        for side, sign in (("left", 1), ("right", -1)):
            key = place[f"{side}_{name}"]
            position[:, 0, key] = 360 + sign * 45
            position[:, 1, key] = feet - level * STATURE
    for name, x in (("bar_left", 110.0), ("bar_right", 610.0)):
        position[:, 0, place[name]] = x
        position[:, 1, place[name]] = feet - 0.43 * STATURE
    options: dict = {
        "video": {"height": HEIGHT, "mean_rate_hz": 30.0},
        "brightness": np.full(count, 110.0),
        "camera_shift": np.zeros((count, 2)),
    }
    edit = change.pop("edit", None)
    confidence = np.full((count, len(KEYPOINTS), 1), 0.95)
    if callable(edit):
        edit(position, confidence, place)
    return make_tracks(
        np.arange(count) / 15,
        position,
        confidence,
        plate_semi_axis=np.full((count, 2, 1), 65.0),
        **{**options, **change},
    )


def codes(tracks: xr.Dataset) -> set[str]:
    return {notice.code for notice in filming_notices(tracks)}


def test_a_clip_that_keeps_to_the_guide_breaks_nothing() -> None:
    assert codes(still_athlete()) == set()


def moving() -> np.ndarray:
    return np.stack([np.linspace(0, 100, 150), np.zeros(150)], 1)


def one_cut() -> np.ndarray:
    cut = np.zeros(150)
    cut[70] = 1
    return cut


def overhead(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
    for name in ("bar_left", "bar_right", "left_wrist", "right_wrist"):
        position[60:90, 1, place[name]] = 60.0


def side_on(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
    position[:, 0, place["left_shoulder"]] = 370
    position[:, 0, place["right_shoulder"]] = 350


def hidden(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
    confidence[:60, [place["left_wrist"], place["right_wrist"]]] = 0.2


def no_plates(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
    position[:100, :, [place["bar_left"], place["bar_right"]]] = np.nan


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"brightness": np.full(150, 30.0)}, "dark"),
        ({"camera_shift": moving()}, "camera-moved"),
        ({"cut": one_cut()}, "cuts"),
        ({"video": {"height": HEIGHT, "mean_rate_hz": 15.0}}, "few-frames"),
        ({"video": {"height": HEIGHT, "mean_rate_hz": 30.0, "slowed": 4}}, "slow-motion"),
        ({"edit": overhead}, "leaves-picture"),
        ({"edit": side_on}, "side-on"),
        ({"edit": hidden}, "hands-hidden"),
        ({"edit": no_plates}, "bar-unseen"),
    ],
)
def test_each_broken_rule_is_said_and_no_other(change: dict, code: str) -> None:
    assert codes(still_athlete(**change)) == {code}


def test_nobody_seen_is_said() -> None:
    def nobody(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
        position[:] = np.nan
        confidence[:] = np.nan

    assert "nobody-lifting" in codes(still_athlete(edit=nobody))


def away(since: int, until: int, towards_px: float = 0.0) -> Callable[..., None]:
    """The athlete is not seen in some frames, after walking so far to the right before."""

    def edit(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
        body = slice(0, place["bar_left"])
        position[since - 8 : since, 0, body] += np.linspace(0, towards_px, 8)[:, None, None]
        position[since:until, :, body] = np.nan
        confidence[since:until, body] = np.nan

    return edit


def lifted_meanwhile(position: np.ndarray, confidence: np.ndarray, place: dict[str, int]) -> None:
    away(40, 110, 300.0)(position, confidence, place)
    position[60:80, 1, place["bar_left"] :] -= 200.0


def said(code: str, **change: object) -> str:
    video = {"height": HEIGHT, "width": 720, "mean_rate_hz": 30.0}
    notices = filming_notices(still_athlete(video=video, **change))
    return next((notice.text for notice in notices if notice.code == code), "")


def test_an_absence_is_said_with_its_times_and_whether_reps_may_be_missing() -> None:
    still = said("athlete-away", edit=away(40, 110, 300.0))
    assert "from 0:02.6 to 0:07.3" in still
    assert "the bar lay still" in still
    moved = said("athlete-away", edit=lifted_meanwhile)
    assert "from 0:02.6 to 0:07.3" in moved
    assert "reps may be missing" in moved
    assert said("athlete-away", edit=away(40, 55)) == ""


def test_an_athlete_who_vanishes_in_mid_frame_is_reported_and_one_who_walks_out_is_not() -> None:
    assert "0:02.6" in said("film-jumps", edit=away(40, 110))
    assert said("film-jumps", edit=away(40, 110, 300.0)) == ""
    # never seen again: the pose was lost, and nothing of the attempt lies beyond
    assert said("film-jumps", edit=away(40, 150)) == ""
    cut = np.arange(150) == 41
    assert said("film-jumps", edit=away(40, 110), cut=cut) == ""
    assert "2.7 s" in said("cuts", cut=cut)


def test_a_wipe_at_either_end_of_the_film_is_no_cut_of_the_attempt() -> None:
    assert said("cuts", cut=np.isin(np.arange(150), (2, 147))) == ""


def test_a_change_of_athlete_and_an_uncertain_one_are_reported() -> None:
    person = np.repeat([0.0, 1.0], 75)[:, None]
    sure, unsure = np.full((150, 1), 0.99), np.full((150, 1), 0.55)
    assert "from 0:05.0 on" in said("athlete-changes", person=person, identity=sure)
    assert said("athlete-changes", person=0 * person, identity=sure) == ""
    assert "not sure who lifts" in said("athlete-unsure", person=0 * person, identity=unsure)
    assert said("athlete-unsure", person=0 * person, identity=sure) == ""
