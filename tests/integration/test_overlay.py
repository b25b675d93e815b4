"""The overlay: true to the video it is made from, and to the records it tells of."""

from __future__ import annotations

import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest

from repcount.attempt.assemble import derive_attempt
from repcount.attempt.records import Attempt, Phase, Video
from repcount.errors import RepcountError
from repcount.plan import parse_plan
from repcount.reports.overlay import Drawn, write_overlay
from repcount.reports.overlay_picture import colour_matrix, to_planes
from repcount.reports.overlay_story import Points, Story
from repcount.tracking import faces
from repcount.tracking.faces import (
    AthleteHead,
    Head,
    Heads,
    HeadWatch,
    Links,
    Others,
    Run,
    hide,
    parts,
)
from repcount.tracking.tracks import KEYPOINTS, make_tracks
from repcount.video.footage import open_footage
from repcount.wording.numbers import clock
from tests.example_records import bare_attempt, example_attempt, example_comparison
from tests.media import card, ffprobe_times, run, tool, write_video
from tests.scripted_reading import SLATE, Script, slate


def tracks(count: int = 60, rate_hz: float = 10.0):
    """A body that stands still while the bar rises and falls once."""
    time = np.arange(count) / rate_hz
    position = np.full((count, 2, len(KEYPOINTS), 1), np.nan)
    position[:, 0] = 60.0
    position[:, 1] = np.linspace(20, 100, len(KEYPOINTS))[None, :, None]
    rise = 30 * np.sin(np.pi * time / time[-1])
    for name, x in (("bar_left", 30.0), ("bar_right", 90.0)):
        position[:, 0, KEYPOINTS.index(name), 0] = x
        position[:, 1, KEYPOINTS.index(name), 0] = 90 - rise
    return make_tracks(
        time,
        position,
        np.ones((count, len(KEYPOINTS), 1)),
        plate_semi_axis=np.full((count, 2, 1), 8.0),
    )


def attempt_of(path: Path) -> Attempt:
    with open_footage(path) as footage:
        info = footage.info
    values = example_attempt().video.model_dump() | {
        "file_name": path.name,
        "sha256": info.sha256,
        "duration_s": info.duration_s,
    }
    return example_attempt().model_copy(update={"video": Video(**values)})


# Colour ------------------------------------------------------------------------------------------


# The full colours of a test frame in eight bits: ITU-R BT.601-7 and BT.709-6 give the equations
# (3.2 to 3.4 of 709; 2.5 of 601); the rounded values are as printed in test-signal tables (from
# memory).
@pytest.mark.parametrize(
    ("number", "rgb", "expected"),
    [
        (1, (255, 255, 255), (235, 128, 128)),
        (1, (255, 0, 0), (63, 102, 240)),
        (1, (0, 255, 0), (173, 42, 26)),
        (1, (0, 0, 255), (32, 240, 118)),
        (6, (255, 0, 0), (81, 90, 240)),
        (6, (0, 255, 0), (145, 54, 34)),
        (6, (0, 0, 255), (41, 240, 110)),
        (6, (0, 0, 0), (16, 128, 128)),
    ],
)
def test_colours_are_those_of_the_standard(number, rgb, expected):
    found = to_planes(np.array(rgb, float)[None, None], colour_matrix(number, 1080))[0, 0]
    assert np.abs(found - expected).max() <= 1


# The film ----------------------------------------------------------------------------------------


def test_frames_keep_their_times_and_sound_its_samples(tmp_path):
    """Times as ffprobe reads them from the original; AAC is copied byte by byte."""
    times = np.cumsum([0.0, *np.tile([1 / 30, 1 / 20, 1 / 45], 8)])
    tone = np.sin(np.arange(48_000) * 0.05).astype(np.float32)
    video = write_video(tmp_path / "film.mp4", times, sound=tone)
    out = tmp_path / "overlay.mp4"
    with open_footage(video) as footage:
        write_overlay(out, footage, Drawn(attempt_of(video), tracks(), example_comparison()))
    assert np.abs(ffprobe_times(out) - ffprobe_times(video)).max() < 1e-3
    packets = []
    for path in (video, out):
        with av.open(str(path)) as file:
            packets.append([bytes(p) for p in file.demux(audio=0) if p.size and (p.pts or 0) >= 0])
    assert packets[0] == packets[1]
    with av.open(str(out)) as file:
        stream = file.streams.video[0]
        assert stream.codec_context.name == "h264"
        assert stream.width == 160
        assert stream.height > 120  # the strip stands below, on nothing that was filmed


def test_a_film_says_nothing_of_place_and_device(tmp_path):
    """Whose tags and sound's name the original has; read with ffprobe."""
    sound = np.zeros(48000, np.float32)
    plain = write_video(tmp_path / "plain.mp4", [n / 30 for n in range(30)], sound=sound)
    video = tmp_path / "video.mov"
    run(
        tool("ffmpeg"), "-v", "error", "-i", plain, "-c", "copy", "-movflags", "use_metadata_tags",
        "-metadata", "com.apple.quicktime.location.ISO6709=+47.3769+008.5417/",
        "-metadata", "com.apple.quicktime.make=Hobnail", "-metadata:s:a", "handler_name=Hobnail",
        video,
    )  # fmt: skip
    out = tmp_path / "overlay.mp4"
    with open_footage(video) as footage:
        write_overlay(out, footage, Drawn(attempt_of(video), tracks()))
    for path, kept in ((video, True), (out, False)):
        said = run(tool("ffprobe"), "-v", "error", "-show_format", "-show_streams", path)
        for word in (b"47.3769", b"Hobnail"):
            assert (word in said) == kept
            assert (word in path.read_bytes()) == kept


def test_chapters_are_the_rounds(tmp_path):
    video = write_video(tmp_path / "film.mp4", np.arange(20) / 10)
    attempt = attempt_of(video)
    with open_footage(video) as footage:
        write_overlay(tmp_path / "o.mp4", footage, Drawn(attempt, tracks(), example_comparison()))
    with av.open(str(tmp_path / "o.mp4")) as file:
        found = file.chapters()
    assert [one["metadata"]["title"].split(":")[0] for one in found] == [
        "Before", "Round 1", "Round 2", "Round 3"
    ]  # fmt: skip
    for span, chapter in zip(attempt.rounds, found[1:], strict=True):
        assert chapter["start"] * chapter["time_base"] == pytest.approx(span.start_s, abs=1e-3)
    assert all(a["end"] == b["start"] for a, b in pairwise(found))


# A matrix that asks for a quarter turn, as phones write it held upright (ISO/IEC 14496-12, 6.2.2).
TURNED = (0, 1 << 16, 0, -(1 << 16), 0, 0, 0, 0, 1 << 30)


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv444p", "yuvj420p"])
def test_a_phone_held_upright_stays_upright(tmp_path, pix_fmt):
    video = write_video(
        tmp_path / "film.mp4",
        np.arange(6) / 10,
        pictures=[card(320, 240)] * 6,
        matrix=TURNED,
        pix_fmt=pix_fmt,
        options={"crf": "1"},
    )
    out = tmp_path / "overlay.mp4"
    bare = bare_attempt()
    with open_footage(video) as footage:
        before = next(footage.frames()).rgb.astype(float)
        write_overlay(out, footage, Drawn(bare, tracks()))
    with open_footage(out) as footage:
        after = next(footage.frames()).rgb.astype(float)
    high, wide = before.shape[:2]
    assert (high, wide) == (320, 240)
    assert after.shape[1] == wide
    assert np.median(np.abs(after[:high] - before)) < 6


def test_sound_of_another_kind_is_coded_anew(tmp_path):
    plain = write_video(tmp_path / "a.mp4", np.arange(20) / 10)
    video = tmp_path / "film.mkv"
    tone = (20_000 * np.sin(np.arange(96_000) * 2 * np.pi * 440 / 48_000)).astype(np.int16)
    with av.open(str(plain)) as read, av.open(str(video), "w") as out:
        source = read.streams.video[0]
        copied = out.add_stream_from_template(source)
        coded = out.add_stream("pcm_s16le", rate=48_000, layout="mono")
        for packet in read.demux(source):
            if packet.size:
                packet.stream = copied
                out.mux(packet)
        frame = av.AudioFrame.from_ndarray(tone[None], format="s16", layout="mono")
        frame.sample_rate = 48_000
        frame.pts = 0
        out.mux(coded.encode(frame))
        out.mux(coded.encode(None))
    with open_footage(video) as footage:
        write_overlay(tmp_path / "o.mp4", footage, Drawn(attempt_of(video), tracks()))
    with open_footage(tmp_path / "o.mp4") as footage:
        heard, first_s = footage.sound(48_000)
    assert first_s == pytest.approx(0, abs=0.05)
    assert len(heard) / 48_000 == pytest.approx(2.0, abs=0.1)
    strongest = np.argmax(np.abs(np.fft.rfft(heard[24_000:72_000])))
    assert strongest == pytest.approx(440, abs=1)


def test_nothing_is_left_of_a_film_that_fails(tmp_path):
    video = write_video(tmp_path / "film.mp4", np.arange(6) / 10)

    def fail(planes, at_s):
        raise RepcountError("stopped")

    with open_footage(video) as footage, pytest.raises(RepcountError):
        write_overlay(tmp_path / "o.mp4", footage, Drawn(attempt_of(video), tracks()), fail)
    assert [path.name for path in tmp_path.iterdir()] == ["film.mp4"]


# What it tells -----------------------------------------------------------------------------------


def test_the_strip_counts_as_the_records_do():
    attempt = example_attempt()
    plan = parse_plan(SLATE)
    story = Story(attempt, example_comparison(), plan, [])
    first = next(rep for rep in attempt.reps if rep.status == "counted")
    assert story.at(first.top_s - 0.01).count == "0 of 8"
    assert story.at(first.top_s).count == "1 of 8"
    for span in attempt.rounds:
        said = story.at(span.end_s)
        assert said.heading == f"Round {span.round} of 3"
        assert said.count.endswith(" of 4")
        assert story.at(span.end_s + 0.05).heading == f"Round {span.round} of 3 done"
    pause = attempt.breaks[0]
    during = story.at(pause.start_s + 2.2)
    assert during.pausing
    assert during.note.startswith("bar down 2 s")
    assert story.at(pause.start_s + 2.6).note.startswith("bar down 3 s")
    assert not story.at(pause.end_s).pausing
    assert story.at(attempt.clock.start_s + 12.34).clock == "0:12.3"
    assert story.at(attempt.clock.start_s + 12.36).clock == "0:12.4"
    assert story.at(attempt.clock.end_s + 5).clock == clock(attempt.clock.total_s)


def test_a_round_with_reps_missing_is_not_done():
    script = Script(slate(3)).wait(1.0).sets("7|1+5").next_round().sets("7|1+5|1+3")
    attempt = derive_attempt(script.reading())
    story = Story(attempt, None, None, [])
    first, second = attempt.rounds
    assert story.at(first.end_s + 0.05).heading == "Round 1 of 3, 5 reps missing"
    assert story.at(second.end_s + 0.05).heading == "Round 2 of 3, 1 rep missing"


def test_the_plan_is_compared_at_the_end_of_each_round():
    attempt, plan, comparison = example_attempt(), parse_plan(SLATE), example_comparison()
    story = Story(attempt, comparison, plan, [])
    planned = {place.round: place.end_s for place in plan.planned_clock()}
    for span in attempt.rounds:
        if span.counted != span.prescribed:
            continue
        off = round(span.end_s - attempt.clock.start_s - planned[span.round], 1)
        said = story.at(span.end_s).against
        assert said.startswith(f"{abs(off):.1f} s")
        assert ("behind" in said) is (off > 0)


def test_zones_are_the_readings():
    phases = [
        Phase(zone="floor", start_s=0, end_s=1, probability=1),
        Phase(zone="hang", start_s=1, end_s=2, probability=1),
    ]
    story = Story(bare_attempt(), None, None, phases)
    assert [story.zone(at) for at in (0.5, 1.5, 2.5)] == ["floor", "hang", ""]


def test_points_are_bridged_over_short_gaps_only():
    seen = tracks()
    seen["position"].values[20:22, :, KEYPOINTS.index("bar_left")] = np.nan
    seen["position"].values[40:50, :, KEYPOINTS.index("bar_left")] = np.nan
    points = Points(seen)
    assert points.at("left", 2.05) is not None
    assert points.at("left", 4.5) is None
    assert points.at("hip", -1.0) is None


# Faces -------------------------------------------------------------------------------------------


def test_parts_cover_the_frame():
    for width, height in ((720, 1280), (1920, 1080), (100, 100)):
        covered = np.zeros((height, width), int)
        for x, y, side in parts(width, height):
            assert x >= 0
            assert y >= 0
            covered[y : y + side, x : x + side] += 1
        assert covered.min() >= 1


def linked(looks: Sequence[tuple[float, list[Head]]]) -> list[Run]:
    links = Links()
    for at, heads in looks:
        links.add(at, heads)
    return links.sure()


class ScriptedFinder:
    """Heads that come and go, some seen only once, as a look at a moment would find them."""

    def __enter__(self) -> ScriptedFinder:
        return self

    def __exit__(self, *error: object) -> None:
        return

    def __call__(self, rgb: np.ndarray, time_s: float) -> list[Head]:
        dice = np.random.default_rng(round(time_s * 1000))
        time.sleep(0.002)
        return [
            Head(60 * k + 4 * np.sin(time_s + k), 20.0, 6.0, 0.5)
            for k in range(1, 9)
            if dice.random() < 0.45
        ]


def test_heads_found_meanwhile_are_those_found_before(tmp_path, monkeypatch):
    video = write_video(tmp_path / "f.mp4", np.arange(200) / 10, pictures=[card(560, 120)] * 200)
    monkeypatch.setattr(faces, "HeadFinder", ScriptedFinder)
    seen = tracks()
    athlete = AthleteHead(seen)
    find, others = ScriptedFinder(), Others(seen, athlete)
    with open_footage(video) as footage:
        looks = [
            (frame.time_s, others(find(frame.rgb, frame.time_s), frame.time_s))
            for frame in footage.frames(rate_hz=faces.LOOKS_HZ)
        ]
        before = Heads(linked(looks), athlete, "all")
        moments = [n / 10 for n in range(200)]
        with HeadWatch(footage, seen, "all") as watch:
            assert [watch.at(at) for at in moments] == [before.at(at) for at in moments]
    assert any(before.at(at) for at in moments)


def test_what_ends_the_looking_is_raised_and_leaving_ends_it(tmp_path, monkeypatch):
    video = write_video(tmp_path / "f.mp4", np.arange(60) / 10)
    monkeypatch.setattr(faces, "HeadFinder", ScriptedFinder)
    with open_footage(video) as footage:
        with HeadWatch(footage, tracks(), "others"):
            pass
        monkeypatch.setattr(ScriptedFinder, "__call__", lambda *_: 1 / 0)
        with HeadWatch(footage, tracks(), "others") as watch, pytest.raises(ZeroDivisionError):
            watch.at(0.0)


def test_a_head_is_carried_between_looks_and_held_around_them():
    runs = linked([(0.0, [Head(100, 50, 20)]), (0.33, [Head(120, 50, 20)])])
    assert len(runs) == 1
    between = runs[0].at(0.165)
    assert between is not None
    assert between.x == pytest.approx(110)
    assert between.radius > 20
    assert runs[0].at(0.9) is not None
    assert runs[0].at(1.5) is None


def test_two_heads_stay_two():
    looks = [(i / 3, [Head(100, 50, 20), Head(300, 50, 20)]) for i in range(5)]
    assert [len(run.times) for run in linked(looks)] == [5, 5]


def test_what_was_seen_once_and_faintly_is_no_head():
    assert linked([(0.0, [Head(100, 50, 20, score=0.5)])]) == []
    assert len(linked([(0.0, [Head(100, 50, 20, score=0.9)])])) == 1
    assert len(linked([(0.0, [Head(100, 50, 20, 0.5), Head(102, 50, 20, 0.5)])])) == 1


def test_the_athlete_is_left_out_and_a_plate_is_no_face():
    seen = tracks()
    athlete = AthleteHead(seen)
    lifter = athlete.at(1.0)
    assert lifter is not None
    plate = Head(30, 90 - 30 * np.sin(np.pi / 5.9), 10, score=0.9)
    other = Head(140, 30, 10, score=0.9)
    assert Others(seen, athlete)([lifter, plate, other], 1.0) == [other]
    runs = [Run([1.0], [other])]
    assert Heads(runs, athlete, "others").at(1.0) == [runs[0].at(1.0)]
    assert len(Heads(runs, athlete, "all").at(1.0)) == 2


def test_hiding_leaves_nothing_of_a_face_and_all_around_it():
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 255, (200, 200), np.uint8)
    before = picture.copy()
    hide(picture, Head(100, 100, 40))
    y, x = np.mgrid[0:200, 0:200] + 0.5
    inside = ((x - 100) / 40) ** 2 + ((y - 100) / 46) ** 2 <= 1
    assert (picture[~inside] == before[~inside]).all()
    # of a noise with a spread of 74, what is left is flat
    assert picture[inside].std() < 8
    assert before[inside].std() > 60


@pytest.mark.parametrize("head", [Head(-30, 5, 20), Head(500, 500, 20), Head(0, 0, 400)])
def test_heads_at_the_edge_do_no_harm(head):
    hide(np.zeros((100, 100), np.uint8), head)
    hide(np.zeros((100, 100, 3), np.uint8), head)
