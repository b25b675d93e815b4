"""Upright frames and true times, against FFmpeg's own tools where they are installed."""

from __future__ import annotations

import math
import os
import resource
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.errors import FootageError
from repcount.video.footage import (
    Frame,
    join_blocks,
    nearest_to_grid,
    open_footage,
    orientation,
    probe,
    upright,
)
from tests.media import card, ffprobe_times, read_index, run, tool, write_video

ONE = 1 << 16
# The eight ways to lay a frame on a rectangle, as (a, b, c, d) of the display matrix: a point
# (x, y) goes to (a x + c y, b x + d y), y down (ISO/IEC 14496-12, 6.2.2, from memory).
EIGHT = [
    (1, 0, 0, 1),
    (0, 1, -1, 0),
    (-1, 0, 0, -1),
    (0, -1, 1, 0),
    (-1, 0, 0, 1),
    (1, 0, 0, -1),
    (0, 1, 1, 0),
    (0, -1, -1, 0),
]


def matrix_of(turn: tuple[int, int, int, int]) -> list[int]:
    a, b, c, d = (ONE * value for value in turn)
    return [a, b, 0, c, d, 0, 0, 0, 1 << 30]


def all_frames(path: Path, **options) -> list[Frame]:
    with open_footage(path, **options) as footage:
        frames = list(footage.frames())
        for frame in frames:
            _ = frame.gray
    return frames


def times(frames: list[Frame]) -> np.ndarray:
    return np.array([frame.time_s for frame in frames])


# --- orientation ----------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", EIGHT)
def test_upright_is_what_the_matrix_says(turn):
    """Every pixel goes where the definition of the display matrix sends it."""
    a, b, c, d = turn
    picture = np.arange(6).reshape(2, 3)
    where = {(a * x + c * y, b * x + d * y): picture[y, x] for y in range(2) for x in range(3)}
    left, top = min(x for x, _ in where), min(y for _, y in where)
    turned = upright(picture, *orientation(tuple(matrix_of(turn))))
    assert {(x + left, y + top): turned[y, x] for y, x in np.ndindex(turned.shape)} == where
    assert turned.flags.c_contiguous


@pytest.mark.parametrize("turn", EIGHT)
def test_upright_matches_ffmpeg_pixel_for_pixel(turn, tmp_path):
    """Outside reference: FFmpeg's own automatic rotation, without loss (H.264, QP 0, no chroma
    subsampling, so that no rounding of chroma depends on the turn)."""
    path = write_video(
        tmp_path / "turned.mp4",
        [0, 1 / 30],
        matrix=matrix_of(turn),
        pix_fmt="yuv444p",
        options={"qp": "0"},
    )
    raw = run(
        *(tool("ffmpeg"), "-v", "error", "-i", path, "-f", "rawvideo", "-pix_fmt", "rgb24", "-")
    )
    info = probe(path)
    frame = all_frames(path)[0]
    assert (info.width, info.height) == (frame.rgb.shape[1], frame.rgb.shape[0])
    assert info.mirrored == (turn[0] * turn[3] - turn[1] * turn[2] < 0)
    reference = np.frombuffer(raw, np.uint8)[: frame.rgb.size].reshape(frame.rgb.shape)
    np.testing.assert_array_equal(frame.rgb, reference)


def test_angle_that_is_no_right_angle_goes_to_the_nearest():
    cos, sin = round(ONE * math.cos(0.2)), round(ONE * math.sin(0.2))
    assert orientation((cos, sin, 0, -sin, cos, 0, 0, 0, 1 << 30)) == (0, False)


def test_pixel_aspect_follows_the_turn(tmp_path):
    """Anamorphic pixels are kept as stored; their aspect is for the upright frame, as ffprobe
    gives it for the coded one."""
    flat = write_video(tmp_path / "flat.mp4", [0, 0.1], aspect=Fraction(4, 3))
    turned = write_video(
        tmp_path / "turned.mp4", [0, 0.1], aspect=Fraction(4, 3), matrix=matrix_of(EIGHT[1])
    )
    assert probe(flat).pixel_aspect == pytest.approx(4 / 3)
    assert probe(turned).pixel_aspect == pytest.approx(3 / 4)
    assert (probe(turned).width, probe(turned).height) == (120, 160)


# --- frames -------------------------------------------------------------------------------------


def test_frames_are_scaled_down_never_up(tmp_path):
    path = write_video(tmp_path / "a.mp4", [0, 0.1], matrix=matrix_of(EIGHT[1]))
    with open_footage(path) as footage:
        small = next(footage.frames(max_side=80))
        large = next(footage.frames(max_side=4000))
    assert small.rgb.shape == (80, 60, 3)
    assert small.gray.shape == (80, 60)
    assert small.scale == pytest.approx(2.0)
    assert (large.width, large.height, large.scale) == (120, 160, 1.0)
    for picture in (small.rgb, small.gray, large.rgb, large.gray):
        assert picture.flags.c_contiguous
        assert picture.dtype == np.uint8


def test_gray_runs_from_black_to_white(tmp_path):
    """Luma 16 and 235 of the video range are black and white (ITU-R BT.709, 5.5, from memory)."""
    bars = np.zeros((120, 160, 3), np.uint8)
    bars[:, 80:] = 255
    path = write_video(tmp_path / "bars.mp4", [0, 0.1], pictures=[bars, bars], options={"qp": "0"})
    gray = all_frames(path)[0].gray
    assert gray[60, 20] <= 2
    assert gray[60, 140] >= 253


@pytest.mark.parametrize(
    ("codec", "pix_fmt", "name"),
    [
        ("libx264", "yuv420p", "a.mp4"),
        ("libx264", "yuv420p10le", "a.mp4"),
        ("libx265", "yuv420p", "a.mov"),
        ("libx265", "yuv420p10le", "a.mov"),
        ("libvpx-vp9", "yuv420p", "a.webm"),
        ("libx264", "yuv420p", "a.mkv"),
        ("libx264", "yuv420p", "a.ts"),
        ("mpeg4", "yuv420p", "a.avi"),
        ("libx264", "yuv420p", "a.3gp"),
    ],
)
def test_what_phones_and_cameras_write(codec, pix_fmt, name, tmp_path):
    """Every frame comes once, in order, at its time, in 8 bits, whatever wrote it."""
    wanted = np.arange(16) / 30
    tick = Fraction(1, 30) if name.endswith("avi") else Fraction(1, 90000)
    path = write_video(tmp_path / name, wanted, codec=codec, pix_fmt=pix_fmt, tick=tick)
    frames = all_frames(path)
    assert [read_index(frame.gray) for frame in frames] == list(range(16))
    np.testing.assert_allclose(times(frames), wanted, atol=0.0006)  # Matroska counts milliseconds
    info = probe(path)
    assert info.pix_fmt == pix_fmt
    assert info.frames == 16
    assert info.duration_s == pytest.approx(16 / 30, abs=0.002)
    assert not info.has_sound
    card_luma = card().mean()
    assert abs(frames[0].gray.mean() - card_luma) < 25


def test_ten_bit_hlg_is_named(tmp_path):
    """Transfer characteristic 18 is HLG (ITU-T H.273, table 3: value 18, ARIB STD-B67; from
    memory)."""
    path = write_video(
        tmp_path / "hlg.mov",
        [0, 0.1],
        codec="libx265",
        pix_fmt="yuv420p10le",
        transfer=18,
    )
    info = probe(path)
    assert (info.codec, info.pix_fmt, info.transfer) == ("hevc", "yuv420p10le", "hlg")


# --- times ----------------------------------------------------------------------------------------


def uneven_times(count: int = 40) -> np.ndarray:
    """Frames that come at 30 a second, then 60, then with a pause."""
    steps = np.where(np.arange(count) < count // 2, 1 / 30, 1 / 60)
    steps[3 * count // 4] = 0.3
    return np.round(np.cumsum(steps) * 90000) / 90000


@pytest.mark.parametrize("bframes", ["0", "3"])
def test_variable_rate_times_match_ffprobe(bframes, tmp_path):
    wanted = uneven_times()
    path = write_video(tmp_path / "vfr.mp4", wanted, options={"bf": bframes})
    frames = all_frames(path)
    np.testing.assert_allclose(times(frames), wanted - wanted[0], atol=1e-6)
    np.testing.assert_allclose(times(frames), ffprobe_times(path), atol=1e-6)
    info = probe(path)
    assert info.variable_rate
    # Index over mean rate, the mistake this guards against, is far off.
    assert np.abs(np.arange(40) / info.mean_rate_hz - times(frames)).max() > 0.1


@pytest.mark.parametrize("rate", [24, 25, Fraction(30000, 1001), 50, 60, 120, 240])
def test_constant_rates(rate, tmp_path):
    wanted = [float(index / Fraction(rate)) for index in range(30)]
    path = write_video(tmp_path / "cfr.mp4", wanted)
    info = probe(path)
    assert info.mean_rate_hz == pytest.approx(float(rate), rel=1e-3)
    assert not info.variable_rate
    np.testing.assert_allclose(times(all_frames(path)), wanted, atol=1e-4)


def test_first_frame_is_time_zero(tmp_path):
    path = write_video(tmp_path / "late.mp4", 5 + np.arange(10) / 30)
    assert times(all_frames(path))[0] == 0.0


@pytest.mark.parametrize("name", ["cut.mp4", "cut.mov", "cut.mkv", "cut.ts"])
def test_trimmed_without_recoding(name, tmp_path):
    """A clip trimmed as phones do it: the file still holds frames before the cut, and an edit
    list hides them (ISO/IEC 14496-12, 8.6.6). Outside reference: ffprobe."""
    whole = write_video(tmp_path / "whole.mp4", np.arange(60) / 30, options={"bf": "2", "g": "30"})
    path = tmp_path / name
    run(tool("ffmpeg"), "-v", "error", "-ss", "1.2", "-i", whole, "-c", "copy", path)
    frames = all_frames(path)
    reference = ffprobe_times(path)
    assert len(frames) == len(reference)
    np.testing.assert_allclose(times(frames), reference, atol=1e-6)
    if name.endswith(("mp4", "mov")):
        assert read_index(frames[0].gray) == 36 % 16


def test_frames_without_time_stamps(tmp_path):
    """AVI stores none; with reordered frames a decoder has only decoding times to go by."""
    path = write_video(
        tmp_path / "a.avi", np.arange(16) / 30, tick=Fraction(1, 30), options={"bf": "2"}
    )
    frames = all_frames(path)
    assert [read_index(frame.gray) for frame in frames] == list(range(16))
    np.testing.assert_allclose(times(frames), np.arange(16) / 30, atol=1e-6)


def test_clock_that_starts_again(tmp_path):
    """Two camera files joined end to end: the second one's clock starts again at the front."""
    part = write_video(tmp_path / "part.ts", np.arange(60) / 30, options={"bf": "0"})
    path = tmp_path / "joined.ts"
    path.write_bytes(part.read_bytes() * 2)
    with open_footage(path) as footage:
        found = np.array([frame.time_s for frame in footage.frames()])
    assert np.all(np.diff(found) > 0)
    assert len(found) > 100
    assert any("starts again" in warning for warning in footage.warnings)
    assert found[-1] == pytest.approx(119 / 30, abs=0.1)


def test_gap_in_the_frames_is_reported(tmp_path):
    wanted = np.r_[np.arange(10) / 30, 3 + np.arange(10) / 30]
    warnings = probe(write_video(tmp_path / "gap.mp4", wanted)).warnings
    assert any("No frame between 0.30 s and 3.00 s" in warning for warning in warnings)


def test_low_rate_is_reported(tmp_path):
    slow = probe(write_video(tmp_path / "slow.mp4", np.arange(12) / 12))
    film = probe(write_video(tmp_path / "film.mp4", np.arange(24) * 1001 / 24000))
    assert any("12.0 frames a second" in warning for warning in slow.warnings)
    assert film.warnings == ()


@pytest.mark.parametrize("options", [{"rate_hz": 0}, {"rate_hz": -1}, {"max_side": 0}])
def test_impossible_rate_and_size(options, tmp_path):
    with (
        open_footage(write_video(tmp_path / "a.mp4", [0, 0.04])) as footage,
        pytest.raises(ValueError, match="above zero"),
    ):
        footage.frames(**options)


@given(
    steps=st.lists(st.floats(0.004, 0.9), min_size=2, max_size=25),
    rate_hz=st.one_of(st.none(), st.floats(1, 120)),
)
@settings(max_examples=15, deadline=None)
def test_times_rise_strictly(steps, rate_hz, tmp_path_factory):
    path = tmp_path_factory.mktemp("rise") / "a.mp4"
    picture = card(128, 112)
    write_video(path, np.cumsum(steps), pictures=[picture] * len(steps))
    with open_footage(path) as footage:
        frames = list(footage.frames(rate_hz))
    assert np.all(np.diff(times(frames)) > 0)
    assert [frame.index for frame in frames] == list(range(len(frames)))


# --- thinning -------------------------------------------------------------------------------------


def test_thinning_keeps_true_times(tmp_path):
    wanted = np.arange(48) / 240
    path = write_video(tmp_path / "fast.mp4", wanted)
    with open_footage(path) as footage:
        frames = list(footage.frames(rate_hz=30))
    np.testing.assert_allclose(times(frames), wanted[::8], atol=1e-4)
    assert [read_index(frame.gray) for frame in frames] == [0, 8, 0, 8, 0, 8]


@given(steps=st.lists(st.floats(0.001, 0.2), min_size=1, max_size=60), rate_hz=st.floats(5, 100))
@settings(deadline=None)
def test_thinning_keeps_the_nearest(steps, rate_hz):
    """Against the definition, computed the slow way."""
    stamps = np.cumsum(steps)
    grid = stamps[0] + np.arange(int((stamps[-1] - stamps[0]) * rate_hz) + 1) / rate_hz
    kept = [time for time, _ in nearest_to_grid(((time, None) for time in stamps), rate_hz)]
    distance = np.abs(grid[:, None] - stamps)
    clear = np.sort(distance, 1)
    clear = clear[:, 1] - clear[:, 0] > 1e-9 if len(stamps) > 1 else np.ones(len(grid), bool)
    assert set(stamps[np.argmin(distance, 1)][clear]) <= set(kept)
    assert np.all(np.diff(kept) > 0)


@pytest.mark.parametrize(("have", "want"), [(30, 30), (29.97, 30), (24, 30), (25, 240)])
def test_thinning_loses_nothing_that_is_slow_enough(have, want):
    stamps = [index / have for index in range(500)]
    assert len(list(nearest_to_grid(((time, None) for time in stamps), want))) == 500


# --- parts and slow motion ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_part_is_the_same_as_in_the_whole(name, tmp_path):
    path = write_video(tmp_path / name, np.arange(300) / 30, options={"bf": "3", "g": "48"})
    whole = all_frames(path)
    part = all_frames(path, start_s=6.5, end_s=8.0)
    wanted = [frame for frame in whole if 6.5 - 1e-9 <= frame.time_s <= 8.0]
    np.testing.assert_array_equal(times(part), times(wanted))
    assert [read_index(f.gray) for f in part] == [read_index(f.gray) for f in wanted]


@pytest.mark.parametrize(("start_s", "end_s"), [(5.0, None), (0.4, 0.2), (None, 0.0)])
def test_an_empty_part_is_refused(start_s, end_s, tmp_path):
    path = write_video(tmp_path / "a.mp4", np.arange(30) / 30)
    with pytest.raises(FootageError, match="nothing lies between"):
        open_footage(path, start_s=start_s, end_s=end_s)


def test_slowed_divides_the_times(tmp_path):
    path = write_video(tmp_path / "slow.mp4", np.arange(40) / 30)
    frames = all_frames(path, slowed=8, start_s=0.5)
    assert frames[0].time_s == pytest.approx(0.5 / 8)
    assert np.diff(times(frames)) == pytest.approx(1 / 240, abs=1e-5)


@pytest.mark.parametrize("slowed", [0, -1, math.nan, math.inf])
def test_slowed_must_be_a_number_above_zero(slowed, tmp_path):
    with pytest.raises(FootageError, match="slow-motion factor"):
        open_footage(tmp_path / "a.mp4", slowed=slowed)


# --- sound ----------------------------------------------------------------------------------------


def beep(at_s: float, lasts_s: float, total_s: float, rate_hz: int = 48000) -> np.ndarray:
    time = np.arange(int(total_s * rate_hz)) / rate_hz
    inside = (time >= at_s) & (time < at_s + lasts_s)
    return (0.5 * np.sin(2 * np.pi * 1000 * time) * inside).astype(np.float32)


def onset(samples: np.ndarray, first_s: float, rate_hz: int) -> float:
    return first_s + np.argmax(np.abs(samples) > 0.25) / rate_hz


@pytest.mark.parametrize("name", ["a.mp4", "a.mov", "a.mkv", "a.ts"])
def test_sound_is_on_the_clock_of_the_frames(name, tmp_path):
    """The coder's delay (AAC puts 1024 samples in front, 21 ms at 48 kHz) does not show."""
    path = write_video(tmp_path / name, np.arange(60) / 30, sound=beep(1.0, 0.3, 2.0))
    with open_footage(path) as footage:
        samples, first_s = footage.sound(16000)
        assert footage.info.has_sound
    assert samples.dtype == np.float32
    assert onset(samples, first_s, 16000) == pytest.approx(1.0, abs=0.003)


def test_sound_that_starts_before_the_frames(tmp_path):
    path = write_video(tmp_path / "a.mp4", 0.5 + np.arange(60) / 30, sound=beep(1.0, 0.3, 2.0))
    with open_footage(path) as footage:
        samples, first_s = footage.sound(16000)
    assert first_s == pytest.approx(-0.5, abs=0.03)
    assert onset(samples, first_s, 16000) == pytest.approx(0.5, abs=0.003)


def test_sound_of_a_part(tmp_path):
    path = write_video(tmp_path / "a.mp4", np.arange(60) / 30, sound=beep(1.0, 0.3, 2.0))
    with open_footage(path, start_s=0.8, end_s=1.5) as footage:
        samples, first_s = footage.sound(16000)
    assert first_s == pytest.approx(0.8, abs=1e-4)
    assert len(samples) == pytest.approx(0.7 * 16000, abs=2)
    assert onset(samples, first_s, 16000) == pytest.approx(1.0, abs=0.003)


def test_no_sound_is_no_error(tmp_path):
    with open_footage(write_video(tmp_path / "a.mp4", [0, 0.1])) as footage:
        samples, _ = footage.sound()
    assert samples.shape == (0,)


def test_blocks_of_sound_go_to_their_times():
    one = np.ones(1600, np.float32)
    samples, first_s = join_blocks([(0.5, one), (None, one), (1.0, one)], 16000, 10.0)
    assert first_s == 0.5
    assert len(samples) == 9600
    assert samples[3199] == 1
    assert not samples[3200:8000].any()
    assert samples[8000:].all()
    overlapping, _ = join_blocks([(0.0, one), (0.05, one)], 16000, 10.0)
    assert len(overlapping) == 2400
    cut, _ = join_blocks([(0.0, one), (1e9, one)], 16000, 0.2)
    assert len(cut) <= 3201


# --- keeping the house clean ----------------------------------------------------------------------


def test_many_openings_leave_nothing_open(tmp_path):
    path = write_video(tmp_path / "a.mp4", np.arange(30) / 30, sound=beep(0.2, 0.2, 1.0))
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(60):
        with open_footage(path) as footage:
            next(footage.frames())  # left in the middle
            footage.sound()
    assert len(os.listdir("/proc/self/fd")) == before


def test_memory_stays_flat(tmp_path):
    """Two hundred 1080p frames are 1.2 GB as RGB; only a few may be alive at once."""
    picture = card(1920, 1080)
    path = write_video(
        tmp_path / "a.mp4",
        np.arange(200) / 60,
        pictures=(picture for _ in range(200)),
        options={"preset": "ultrafast"},
    )
    peak_kb = []
    with open_footage(path) as footage:
        for frame in footage.frames():
            _ = frame.rgb
            if frame.index in (40, 199):
                peak_kb.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    assert peak_kb[1] - peak_kb[0] < 60_000
