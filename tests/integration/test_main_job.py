"""The main job on pixels: sample clips against their exact truth, real clips against what is seen.

The truth of the sample clips is computed from the choreography itself at 1 kHz by the written
definitions (`sample_clips/render/truth.py`), which shares no code with the reading. What is seen in
the real clips was noted by eye by the people who collected them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt, Reading, load_record
from repcount.motion import measure
from repcount.reading import read_attempt
from repcount.tracking import track
from repcount.tracking.tracks import attribute, load_tracks
from tests.conftest import REPOSITORY
from tests.no_network import reaches_out
from tests.readme import run

CLIPS = REPOSITORY / "sample_clips"


@pytest.fixture(scope="module", params=["basalt", "slate"])
def attempt(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """(results folder, attempt, truth) of a sample clip, through the command line."""
    if request.param == "slate":
        out, ran = request.getfixturevalue("slate_read")
    else:
        out = tmp_path_factory.mktemp(request.param)
        command = ["analyze", str(CLIPS / f"{request.param}.mp4")]
        command += ["--plan", str(CLIPS / f"{request.param}.toml"), "--out", str(out)]
        ran = run(command, REPOSITORY)
    assert ran.returncode == 0, ran.stderr
    assert max(map(len, ran.stdout.splitlines())) <= 80
    truth = json.loads((CLIPS / f"{request.param}.truth.json").read_text(encoding="utf-8"))
    return out, load_record(Attempt, out / "attempt.json"), truth


def named(rep: Any) -> tuple[int, str, int]:
    rep = rep if isinstance(rep, dict) else rep.model_dump()
    return rep["round"], rep["movement"], rep["number"]


def test_every_rep_is_found_labelled_and_numbered(attempt: Any) -> None:
    _, read, truth = attempt
    assert [named(rep) for rep in read.reps if rep.status == "counted"] == [
        named(rep) for rep in truth["reps"] if rep["status"] == "counted"
    ]
    assert [rep for rep in read.reps if rep.status != "counted"] == []


def test_tops_within_a_tenth_and_half_of_them_within_40_ms(attempt: Any) -> None:
    _, read, truth = attempt
    true = {named(rep): rep for rep in truth["reps"] if rep["status"] == "counted"}
    error = np.array([abs(rep.top_s - true[named(rep)]["top_s"]) for rep in read.reps])
    assert error.max() <= 0.10
    assert np.median(error) < 0.04


def test_each_break_after_the_right_rep_with_its_ends(attempt: Any) -> None:
    _, read, truth = attempt

    def places(breaks: list[dict]) -> list[tuple]:
        return [(b["round"], b["after"]["movement"], b["after"]["number"]) for b in breaks]

    found = [item.model_dump() for item in read.breaks]
    assert places(found) == places(truth["breaks"])
    pairs = list(zip(found, truth["breaks"], strict=True))
    lift_off = np.array([abs(one["end_s"] - other["end_s"]) for one, other in pairs])
    settled = np.array([abs(one["start_s"] - other["start_s"]) for one, other in pairs])
    assert lift_off.max() <= 0.10
    assert np.median(np.concatenate([lift_off, settled])) < 0.04


def test_the_clock_starts_at_the_beep_and_adds_up(attempt: Any) -> None:
    _, read, truth = attempt
    assert read.clock.start_source == "sound"
    assert read.clock.start_s == pytest.approx(truth["clock"]["start_s"], abs=0.01)
    assert read.clock.total_s == pytest.approx(truth["clock"]["total_s"], abs=0.05)
    total = sum(round(fraction.seconds * 1000) for fraction in read.time_spent)
    assert total == round(read.clock.total_s * 1000)


def test_a_falling_bar_falls_at_9_81(attempt: Any) -> None:
    """Standard gravity, 9.80665 m/s² (CGPM 1901), from the bar's ends and the plates' 450 mm."""
    out, _, truth = attempt
    tracks = load_tracks(out / "tracks.nc")
    times = tracks["time"].values
    place = list(tracks["keypoints"].values)
    axis = tracks["plate_semi_axis"].values[..., 0]
    found = []
    for drop in truth["drops"]:
        fall = drop["contact_s"] - drop["release_s"]
        if 9.81 * fall**2 / 2 < 1.0:
            continue
        during = (times > drop["release_s"] + 0.03) & (times < drop["contact_s"] - 0.03)
        for side, name in enumerate(("bar_left", "bar_right")):
            y = tracks["position"].values[:, 1, place.index(name), 0]
            use = during & np.isfinite(y)
            radius = np.nanmedian(axis[use, side]) if use.any() else np.nan
            if use.sum() < 8 or not np.isfinite(radius):
                continue
            curve = np.polyfit(times[use] - drop["release_s"], y[use] * 0.225 / radius, 2)
            found.append(2 * curve[0])
    assert len(found) >= 3
    assert np.median(found) == pytest.approx(9.80665, rel=0.10)


def test_falls_and_lifts_are_given_in_metres(attempt: Any) -> None:
    """Standard gravity again, as the report tells it; heights against the choreography's own."""
    out, _, truth = attempt
    reading = load_record(Reading, out / "reading.json")
    read_at = {
        rest.first_contact_s: {one.name: one.value for one in rest.measures}
        for rest in reading.floor_rests
        if rest.measures
    }
    high = [drop for drop in truth["drops"] if drop["height_m"] >= 1.0]
    seen = 0
    for drop in high:
        near = [one for at, one in read_at.items() if abs(at - drop["contact_s"]) < 0.1]
        if near:
            seen += 1
            assert near[0]["fall_acceleration"] == pytest.approx(9.80665, rel=0.10)
    assert seen >= 0.7 * len(high)
    assert not [notice for notice in reading.warnings if notice.code == "falls-oddly"]


def test_tracks_read_back_give_the_same_attempt(attempt: Any) -> None:
    out, read, _ = attempt
    again = derive_attempt(
        read_attempt(measure(load_tracks(out / "tracks.nc")), read.workout)
    ).model_dump(exclude={"provenance"})
    assert again == read.model_dump(exclude={"provenance"})


def test_the_models_are_named_by_their_checksums(attempt: Any) -> None:
    _, read, _ = attempt
    listed = json.loads((REPOSITORY / "models" / "checksums.json").read_text(encoding="utf-8"))
    assert read.provenance.models == {name: listed[name] for name in ("pose_full.task", "bar.onnx")}


def test_the_tracks_say_nothing_of_the_machine(attempt: Any) -> None:
    out, _, _ = attempt
    video = attribute(load_tracks(out / "tracks.nc"), "video")
    assert str(REPOSITORY) not in json.dumps(video)


def counted(video: Path, start_s: float = 0.0, end_s: float = np.inf) -> list[str]:
    reps = read_attempt(measure(track(video))).reps
    return [rep.movement for rep in reps if start_s <= rep.top_s <= end_s]


JERKS = {"push jerk", "split jerk", "push press"}


def test_one_deadlift_in_its_shot_and_none_in_the_audience(real_clips: Path) -> None:
    video = real_clips / "video" / "deadlift_front_with_cuts.mp4"
    assert counted(video) == ["deadlift"]


def test_one_jerk_and_no_rep_from_the_bounces(real_clips: Path) -> None:
    found = counted(real_clips / "video" / "jerk_front.mp4")
    assert len(found) == 1
    assert found[0] in JERKS


@pytest.mark.parametrize(
    ("name", "names"), [("deadlift_pingpong5", {"deadlift"}), ("jerk_pingpong5", JERKS)]
)
def test_five_of_five(real_clips: Path, name: str, names: set[str]) -> None:
    found = counted(real_clips / "video" / f"{name}.mp4")
    assert len(found) == 5
    assert set(found) <= names


def test_nobody_lifting_nothing_counted(real_clips: Path) -> None:
    assert counted(real_clips / "video" / "no_barbell.mp4") == []


def test_the_main_job_opens_no_network_connection(tmp_path: Path) -> None:
    video, plan = CLIPS / "slate.mp4", CLIPS / "slate.toml"
    code = f"""
from repcount.cli.main import main
import sys
sys.argv = ["repcount", "analyze", {str(video)!r}, "--plan", {str(plan)!r}, "--to", "10",
            "--out", {str(tmp_path / "out")!r}, "--quiet"]
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
"""
    assert reaches_out(code, tmp_path) == []
    assert (tmp_path / "out" / "report.html").is_file()
