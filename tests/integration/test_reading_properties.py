"""What must not change a reading, and what must change it by exactly one.

Simulated attempts at the measured noise; every example is another attempt or another change.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt
from repcount.motion import measure
from repcount.plan import parse_plan
from repcount.reading import read_attempt
from repcount.tracking.tracks import attribute
from sample_clips.render.script import Act
from sample_clips.render.specs import Movements, RoundScript, Spec, View, stop
from tests.integration.test_behaviours import spec_of

FEW = settings(max_examples=5, deadline=None, derandomize=True)
SEEDS = st.integers(0, 3)
ASKED: Movements = (("deadlift", 4), ("hang power clean", 3), ("push jerk", 3))


def made(seed: int, **changes: object) -> Spec:
    given_round = {"stops": {2: stop(4.0), 5: stop(4.5, "put down")}, **changes}
    spec = spec_of([RoundScript(ASKED, **given_round), RoundScript(ASKED)], [ASKED] * 2, seed=seed)
    return replace(spec, view=View((30.0, -45.0, 10.0, 60.0)[seed]))


@cache
def tracks_of(seed: int) -> xr.Dataset:
    return made(seed).tracks()


def read(spec: Spec, tracks: xr.Dataset) -> Attempt:
    workout = parse_plan(spec.plan_toml, "plan.toml").workout
    return derive_attempt(read_attempt(measure(tracks), workout))


@cache
def plain(seed: int) -> Attempt:
    return read(made(seed), tracks_of(seed))


def counts(attempt: Attempt) -> list[tuple[object, ...]]:
    """What is counted, and after what the bar went down."""
    reps = [(rep.round, rep.movement, rep.number, rep.status) for rep in attempt.reps]
    stops = [(b.round, b.after and (b.after.movement, b.after.number)) for b in attempt.breaks]
    return [*reps, *stops]


def tops(attempt: Attempt) -> np.ndarray:
    return np.array([rep.top_s for rep in attempt.reps])


def changed(tracks: xr.Dataset, **video: object) -> xr.Dataset:
    """A copy whose record of the video says something else."""
    copy = tracks.copy(deep=True)
    copy.attrs["video"] = json.dumps({**attribute(tracks, "video"), **video})
    return copy


@FEW
@given(seed=SEEDS, shift_s=st.floats(0.0, 100.0))
def test_a_later_start_of_the_film_moves_everything_alike(seed: int, shift_s: float) -> None:
    tracks = tracks_of(seed)
    later = changed(tracks).assign_coords(time=tracks["time"] + shift_s)
    sounds = attribute(tracks, "sounds")
    later.attrs["sounds"] = json.dumps(
        [{**one, "onset_s": one["onset_s"] + shift_s} for one in sounds]
    )
    attempt = read(made(seed), later)
    assert counts(attempt) == counts(plain(seed))
    assert np.abs(tops(attempt) - shift_s - tops(plain(seed))).max() < 0.02


@FEW
@given(seed=SEEDS, scale=st.floats(0.4, 3.0))
def test_a_larger_frame_changes_nothing(seed: int, scale: float) -> None:
    tracks = tracks_of(seed)
    video = attribute(tracks, "video")
    size = {name: round(video[name] * scale) for name in ("width", "height")}
    larger = changed(tracks, **size)
    for name in ("position", "plate_semi_axis", "camera_shift"):
        larger[name] = larger[name] * scale
    attempt = read(made(seed), larger)
    assert counts(attempt) == counts(plain(seed))
    assert np.abs(tops(attempt) - tops(plain(seed))).max() < 0.02


@FEW
@given(seed=SEEDS)
def test_a_mirrored_frame_changes_nothing(seed: int) -> None:
    tracks = tracks_of(seed)
    width = attribute(tracks, "video")["width"]
    mirrored = tracks.copy(deep=True)
    names = [str(name) for name in tracks["keypoints"].values]
    # the frame's left hand is now taken for a right one, and the bar's ends change places
    other = [_other_side(name) for name in names]
    position = tracks["position"].sel(keypoints=other).values.copy()
    position[:, 0] = width - position[:, 0]
    mirrored["position"].values[:] = position
    mirrored["confidence"].values[:] = tracks["confidence"].sel(keypoints=other).values
    for name in ("plate_semi_axis", "confirmed", "interpolated"):
        mirrored[name].values[:] = tracks[name].values[:, ::-1]
    mirrored["camera_shift"].values[:, 0] *= -1
    attempt = read(made(seed), mirrored)
    assert counts(attempt) == counts(plain(seed))
    assert np.abs(tops(attempt) - tops(plain(seed))).max() < 0.02


def _other_side(name: str) -> str:
    for one, two in (("left", "right"), ("right", "left")):
        if one in name:
            return name.replace(one, two)
    return name


@FEW
@given(seed=SEEDS, rate=st.sampled_from([(15.0, 1), (25.0, 2), (30.0, 3), (50.0, 4), (60.0, 5)]))
def test_another_frame_rate_changes_nothing(seed: int, rate: tuple[float, int]) -> None:
    spec = made(seed)
    attempt = read(spec, spec.tracks(fps=rate[0], pose_every=rate[1]))
    assert counts(attempt) == counts(plain(seed))
    assert np.median(np.abs(tops(attempt) - tops(plain(seed)))) < 0.03


@FEW
@given(seed=SEEDS, idle_s=st.floats(1.0, 20.0), after_s=st.floats(0.0, 20.0))
def test_idle_time_before_and_after_changes_nothing(
    seed: int, idle_s: float, after_s: float
) -> None:
    spec = made(seed)
    script = spec.script
    acts = (Act("wait", seconds=idle_s), *script.acts, Act("wait", seconds=after_s))
    spec = replace(spec, script=replace(script, acts=acts))
    assert counts(read(spec, spec.tracks())) == counts(plain(seed))


@FEW
@given(seed=SEEDS, at=st.sampled_from([4, 6, 8, 9]))
def test_one_rep_more_is_one_more(seed: int, at: int) -> None:
    # one deadlift too many would lead straight on to the cleans: a pick-up, by the definition
    names = RoundScript(ASKED).names
    spec = made(seed, before={at: [Act("rep", names[at])]})
    attempt = read(spec, spec.tracks())
    assert len(attempt.reps) == len(plain(seed).reps) + 1
    assert [rep.movement for rep in attempt.reps if rep.status == "extra"] == [names[at]]
    assert len(attempt.breaks) == len(plain(seed).breaks)


@FEW
@given(seed=SEEDS, gone=st.sampled_from([2, 5]))
def test_one_break_less_is_one_less(seed: int, gone: int) -> None:
    stops = {at: one for at, one in {2: stop(4.0), 5: stop(4.5, "put down")}.items() if at != gone}
    spec = made(seed, stops=stops)
    attempt = read(spec, spec.tracks())
    assert len(attempt.breaks) == len(plain(seed).breaks) - 1
    assert [rep.movement for rep in attempt.reps] == [rep.movement for rep in plain(seed).reps]


def test_the_unchanged_attempts_are_read_as_they_were_made() -> None:
    for seed in range(4):
        truth = made(seed).truth()
        true = [(r["round"], r["movement"], r["number"], r["status"]) for r in truth["reps"]]
        true += [(b["round"], tuple(b["after"].values())) for b in truth["breaks"]]
        assert counts(plain(seed)) == true
