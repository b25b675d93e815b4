"""The table of clips of real people: assignment against brute force, intervals, derived cases.

The clips here are made up; footage of people is no part of the project.
"""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from repcount.attempt.records import Attempt, Notice, Rep
from repcount.errors import RepcountError
from repcount.video.footage import open_footage
from tests.accuracy import derived, real
from tests.accuracy.real import Clip
from tests.example_records import empty_attempt
from tests.media import card, read_index, write_video

SQUAT = Clip(
    clip="a.mp4", movement="back squat", finish_s=[2.0, 4.0], tolerance_s=0.5, view="side",
    also_right=["front squat"], may_count=[6.0],
)  # fmt: skip


def attempt(*reps: tuple[float, str], flags: str = "", codes: str = "") -> Attempt:
    """An attempt with reps of these tops and names, each with the flags, and with the warnings."""
    bare = empty_attempt()
    made = [
        Rep(
            id=f"r{n}", movement=name, status="counted", start_s=top - 0.5, top_s=top,
            end_s=top + 0.5, confidence=0.9, flags=flags.split(),
        )
        for n, (top, name) in enumerate(reps)
    ]  # fmt: skip
    warnings = [Notice(code=code, text="Said.") for code in codes.split()]
    return bare.model_copy(update={"reps": made, "warnings": warnings})


# ---------------------------------------------------------------------- assignment


def best(
    tops: list[float], lifts: list[float], may: list[float], tolerance: float
) -> tuple[int, int, float]:
    """Brute force over all one-to-one assignments: most lifts, then most other moments, then the
    least sum of errors (negative)."""
    moments = [*lifts, *may]
    most = (0, 0, 0.0)
    for places in itertools.product([None, *range(len(moments))], repeat=len(tops)):
        used = [place for place in places if place is not None]
        if len(set(used)) < len(used):
            continue
        away = [
            abs(top - moments[place])
            for top, place in zip(tops, places, strict=True)
            if place is not None
        ]
        if all(one <= tolerance for one in away):
            at_lifts = sum(place < len(lifts) for place in used)
            most = max(most, (at_lifts, len(used) - at_lifts, -sum(away)))
    return most


MOMENTS = st.lists(st.integers(0, 60).map(lambda tenths: tenths / 8), max_size=4)


@given(MOMENTS, MOMENTS, MOMENTS.map(lambda some: some[:2]), st.sampled_from([0.25, 0.5, 1.0]))
def test_the_assignment_is_the_best_of_all(
    tops: list[float], lifts: list[float], may: list[float], tolerance: float
) -> None:
    found, left = real.matched(tops, lifts, may, tolerance)
    most_lifts, most_others, _ = best(tops, lifts, may, tolerance)
    assert len(found) == most_lifts
    assert len(tops) - len(found) - len(left) == most_others
    assert len(set(found.values())) == len(found)
    assert not set(found.values()) & set(left)
    for lift, rep in found.items():
        assert abs(tops[rep] - lifts[lift]) <= tolerance


@given(MOMENTS, MOMENTS, st.sampled_from([0.25, 0.5, 1.0]))
def test_of_equal_assignments_the_nearest_is_taken(
    tops: list[float], lifts: list[float], tolerance: float
) -> None:
    found, _ = real.matched(tops, lifts, [], tolerance)
    errors = sum(abs(tops[rep] - lifts[lift]) for lift, rep in found.items())
    assert errors == pytest.approx(-best(tops, lifts, [], tolerance)[2])


# ---------------------------------------------------------------------- what is right


@pytest.mark.parametrize(
    ("reps", "found", "named", "extra"),
    [
        ([(2.1, "back squat"), (4.0, "front squat")], 2, 2, 0),
        ([(2.1, "back squat"), (4.0, "clean")], 2, 1, 0),
        ([(2.1, "back squat")], 1, 1, 0),
        ([(2.1, "back squat"), (2.3, "back squat"), (4.4, "back squat")], 2, 2, 1),
        ([(2.0, "back squat"), (4.0, "back squat"), (6.4, "clean")], 2, 2, 0),
        ([(2.0, "back squat"), (4.0, "back squat"), (7.0, "back squat")], 2, 2, 1),
        ([(2.6, "back squat")], 0, 0, 1),
    ],
)
def test_lifts_are_found_named_or_extra(
    reps: list[tuple[float, str]], found: int, named: int, extra: int
) -> None:
    one = real.judged(SQUAT, attempt(*reps))
    assert (one["found"], one["named"], one["extra"]) == (found, named, extra)
    right = (found, named, extra) == (2, 2, 0)
    assert one["wrong"] == (not right)
    assert one["silent"] == (not right)


@pytest.mark.parametrize(
    ("flags", "codes", "silent"),
    [
        ("", "", True),
        ("", "no-metres camera-moved", True),
        ("check", "", False),
        ("", "no-metres bar-unseen", False),
    ],
)
def test_only_uncertainty_about_the_count_breaks_the_silence(
    flags: str, codes: str, silent: bool
) -> None:
    wrong = real.judged(SQUAT, attempt((2.0, "back squat"), flags=flags, codes=codes))
    assert wrong["silent"] == silent
    assert not wrong["doubted"]
    both = [(2.0, "back squat"), (4.0, "back squat")]
    right = real.judged(SQUAT, attempt(*both, flags=flags, codes=codes))
    assert not right["silent"]
    assert right["doubted"] == (not silent)


@pytest.mark.parametrize(
    ("right", "count", "low", "high"),
    # Newcombe, Statistics in Medicine 17:857 (1998), table I, score method; from memory
    [(81, 263, 26, 37), (15, 148, 6, 16), (0, 20, 0, 16), (1, 29, 1, 17)],
)
def test_wilsons_interval(right: int, count: int, low: int, high: int) -> None:
    said = [int(one) for one in re.findall(r"(\d+)%", real.wilson(right, count))]
    assert said[1:] == [low, high]


def result(clip: str, view: str, **judged: object) -> dict[str, object]:
    one = {**real.judged(SQUAT, attempt((2.0, "back squat"), (4.1, "back squat"))), **judged}
    seen = {"bar": 1.0, "athlete": 0.5}
    return {"clip": clip, "view": view, "who": clip, **seen, "alone": one, "asked": one}


def test_sums_and_what_changed() -> None:
    before = [result("a.mp4", "side"), result("b.mp4", "front")]
    now = [result("a.mp4", "side"), result("b.mp4", "front", found=1, wrong=True, silent=True)]
    numbers = real.summary(now)["alone"]
    assert numbers["all"]["lifts"] == 4
    assert numbers["all"]["found"] == 3
    assert numbers["by view"]["front"]["silent"] == 1
    assert numbers["all"]["worst_s"] == pytest.approx(0.1)
    assert "SILENTLY WRONG" in "\n".join(real.clip_lines("alone", now))
    kept = json.loads(json.dumps({"tracker": "0" * 64, "clips": before}))
    lines = list(real.changes(now, kept))
    assert "  alone: b.mp4: found 2 to 1, wrong False to True, silent False to True" in lines
    assert not any("a.mp4" in line for line in lines)


def test_a_truth_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "truth.json"
    with pytest.raises(RepcountError, match=r"truth\.json: cannot be read"):
        real.load_truth(path)
    good = SQUAT.model_dump()
    path.write_text(json.dumps([good, {**good, "tolerance_s": 0}]))
    with pytest.raises(RepcountError, match=r"1\.tolerance_s"):
        real.load_truth(path)
    path.write_text(json.dumps([{**good, "movement": "juggling"}]))
    with pytest.raises(RepcountError, match="juggling"):
        real.load_truth(path)


def test_only_what_an_earlier_run_wrote_is_compared_with(tmp_path: Path) -> None:
    path = tmp_path / "before.json"
    for text in (None, "{", "[]", "7", '{"tracker": ""}'):
        if text is not None:
            path.write_text(text)
        with pytest.raises(RepcountError, match=r"before\.json.*--out"):
            real.earlier(path)


# ---------------------------------------------------------------------- derived cases


def film(folder: Path, times: list[float]) -> Path:
    pictures = [card(index=k) for k in range(len(times))]
    return write_video(folder / "a.mp4", times, pictures=pictures, options={"crf": "10"})


def first_picture(path: Path) -> tuple[np.ndarray, list[float]]:
    """The first frame, and the times of all."""
    with open_footage(path) as footage:
        frames = [(frame.rgb.astype(float), frame.time_s) for frame in footage.frames()]
    return frames[0][0], [time_s for _, time_s in frames]


def indices(path: Path) -> tuple[list[int], list[float]]:
    with open_footage(path) as footage:
        seen = [(read_index(frame.gray), frame.time_s) for frame in footage.frames()]
    return [index for index, _ in seen], [time_s for _, time_s in seen]


@pytest.mark.parametrize("movement", ["deadlift", "back squat"])
def test_a_set_goes_up_and_down_with_its_truth(tmp_path: Path, movement: str) -> None:
    times = [0.0, 0.1, 0.25, 0.3, 0.5, 0.6, 0.7]
    clip = Clip(
        clip="a.mp4", movement=movement, finish_s=[0.5], tolerance_s=0.3, view="side",
        may_count=[0.0],
    )  # fmt: skip
    film(tmp_path, times)
    (tmp_path / "turns.json").write_text('{"a.mp4": [0.1, 0.6]}')
    into = tmp_path / "made"
    into.mkdir()
    (case,) = derived.derive("sets", [clip], tmp_path, into)
    shown, at = indices(into / case.clip)
    up = [1, 2, 3, 4, 5]
    ways = [up, up[::-1]] if movement == "deadlift" else [up[::-1], up]
    expected = ways[0][:1]
    for _ in range(derived.SET_REPS):
        expected += ways[0][1:] + ways[1][1:]
    assert shown == expected
    # at each finish of the truth a frame of the clip's finish is shown, on the way up
    assert len(case.finish_s) == derived.SET_REPS
    assert case.may_count == []
    for finish in case.finish_s:
        k = int(np.abs(np.array(at) - finish).argmin())
        assert at[k] == pytest.approx(finish, abs=1e-4)
        assert shown[k] == 4
        assert shown[k - 1] == 3


def test_other_kinds_keep_times_and_truth(tmp_path: Path) -> None:
    times = [0.0, 0.1, 0.25, 0.3]
    clip = Clip(clip="a.mp4", movement="deadlift", finish_s=[0.2], tolerance_s=0.3, view="side")
    film(tmp_path, times)
    whole, _ = first_picture(tmp_path / "a.mp4")
    pictures = {}
    for kind in derived.CHANGES:
        (case,) = derived.derive(kind, [clip], tmp_path, tmp_path)
        assert case.model_copy(update={"clip": "a.mp4"}) == clip
        pictures[kind], at = first_picture(tmp_path / case.clip)
        assert at == pytest.approx(times, abs=1e-4)
    # twice coded: some grey levels apart at the card's edges, against 70 where nothing is mirrored
    assert np.abs(pictures["mirrored"][:, ::-1] - whole).mean() < 4
    # three stops: an eighth of the light
    assert (pictures["dark"].mean() / whole.mean()) ** 2.2 == pytest.approx(1 / 8, abs=0.02)
    assert pictures["cropped"].shape == (120, 160 - 2 * 19, 3)
    assert max(derived.small(np.zeros((641, 360, 3), np.uint8)).shape) == derived.SMALL_PX


def test_turns_that_do_not_enclose_the_finish_are_refused(tmp_path: Path) -> None:
    clip = Clip(clip="a.mp4", movement="deadlift", finish_s=[0.2], tolerance_s=0.3, view="side")
    with pytest.raises(RepcountError, match=r"turns\.json"):
        derived.derive("sets", [clip], tmp_path, tmp_path)
    (tmp_path / "turns.json").write_text('{"a.mp4": [0.25, 0.3]}')
    with pytest.raises(RepcountError, match="enclose"):
        derived.derive("sets", [clip], tmp_path, tmp_path)
