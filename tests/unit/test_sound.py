"""Start signals in made-up gym sound: the truth is exact because the sound is computed.

Outside references: the synthesis itself (a sine switched on at a known sample), AAC coding and
decoding by FFmpeg, and FFmpeg's own test source `sine` with its beep option.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from repcount.video.footage import open_footage
from repcount.video.sound import Tone, find_tones, signal_onsets
from tests.media import run, tool, write_video

RATE = 16000
COUNTDOWN = [(10.0123, 1000, 0.2), (11.0123, 1000, 0.2), (12.0123, 1000, 0.2), (13.0123, 1400, 0.6)]


def beep(count: int, at_s: float, pitch_hz: float, lasts_s: float, rate_hz: int = RATE):
    """(count,) a sine of amplitude 1 that is half up at `at_s`, with edges of 5 ms."""
    time = np.arange(count) / rate_hz
    up = np.clip((time - at_s) / 0.005 + 0.5, 0, 1)
    down = np.clip((at_s + lasts_s - time) / 0.005 + 0.5, 0, 1)
    return up * down * np.sin(2 * np.pi * pitch_hz * time)


def countdown(count: int, rate_hz: int = RATE) -> np.ndarray:
    return sum(beep(count, *which, rate_hz) for which in COUNTDOWN)


def notes(count: int, rng, lowest_hz: float, chord: tuple, overtones: int, decay: float):
    """Music: a new note or chord every half second."""
    out, length = np.zeros(count), RATE // 2
    for first in range(0, count, length):
        time = np.arange(min(length, count - first)) / RATE
        shape = np.minimum(1, time / 0.01) * np.minimum(1, (0.5 - time) / 0.01)
        root = lowest_hz * 2 ** (rng.integers(0, 12) / 12)
        for ratio in chord:
            for overtone in range(1, overtones + 1):
                wave = np.sin(2 * np.pi * root * ratio * overtone * time + rng.uniform(0, 6))
                out[first : first + len(time)] += shape * np.exp(-decay * time) * wave / overtone
    return out


def voices(count: int, rng) -> np.ndarray:
    """Speech-like bursts: gliding voices with formants, 80 to 350 ms long."""
    out, at_s = np.zeros(count), 0.0
    while at_s < count / RATE - 0.5:
        lasts_s, pitch_hz = rng.uniform(0.08, 0.35), rng.uniform(100, 250)
        time = np.arange(int(lasts_s * RATE)) / RATE
        glide = 1 + rng.choice([-1, 1]) * rng.uniform(0.1, 0.3) * time / lasts_s
        phase = 2 * np.pi * np.cumsum(pitch_hz * glide) / RATE
        formants = rng.uniform([300, 900, 2200], [800, 1800, 3000])
        wave = sum(
            np.sin(k * phase) * np.exp(-(((k * pitch_hz - formants) / 120) ** 2)).sum()
            for k in range(1, 25)
        )
        first = int(at_s * RATE)
        out[first : first + len(time)] += wave * np.hanning(len(time))
        at_s += lasts_s + rng.uniform(0, 0.2)
    return out


def clangs(count: int, rng) -> np.ndarray:
    """Plates and racks: eight partials that die away, every 2.3 s."""
    out = np.zeros(count)
    for first in range(int(0.7 * RATE), count, int(2.3 * RATE)):
        time = np.arange(count - first) / RATE
        for pitch_hz in rng.uniform(400, 5000, 8):
            out[first:] += np.exp(-time * rng.uniform(4, 15)) * np.sin(2 * np.pi * pitch_hz * time)
    return out


BACKGROUNDS = {
    "noise": lambda n, rng: rng.normal(0, 1, n),
    "held chords": lambda n, rng: notes(n, rng, 220, (1, 5 / 4, 3 / 2), 8, 0.0),
    "plucked chords": lambda n, rng: notes(n, rng, 220, (1, 5 / 4, 3 / 2), 8, 5.0),
    "melody": lambda n, rng: notes(n, rng, 600, (1,), 1, 0.0),
    "voices": voices,
    "clangs": clangs,
}


def background(kind: str, count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    sound = BACKGROUNDS[kind](count, rng)
    return 0.1 * sound / sound.std() + rng.normal(0, 0.02, count)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", BACKGROUNDS)
def test_countdown_twice_as_loud_as_the_gym(kind, seed):
    """Beeps with twice the root mean square of everything else: all are found within 10 ms, the
    start signal is the last."""
    count = 24 * RATE
    sound = background(kind, count, seed) + 0.2 * np.sqrt(2) * countdown(count)
    tones = find_tones(sound, RATE)
    near = [tone for tone in tones if 9.9 < tone.onset_s < 14]
    assert len(near) >= 3
    for tone in near:
        at_s, pitch_hz, lasts_s = min(COUNTDOWN, key=lambda truth: abs(truth[0] - tone.onset_s))
        assert tone.onset_s == pytest.approx(at_s, abs=0.01)
        assert tone.frequency_hz == pytest.approx(pitch_hz, abs=5)
        assert tone.duration_s == pytest.approx(lasts_s, abs=0.03)
    assert signal_onsets([tone for tone in tones if tone.onset_s < 20])[-1] == pytest.approx(
        13.0123, abs=0.01
    )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", BACKGROUNDS)
def test_gym_without_a_countdown(kind, seed):
    """Sound without a signal gives hardly a tone."""
    assert len(find_tones(background(kind, 40 * RATE, seed), RATE)) <= 1


@pytest.mark.parametrize("level_db", [0, -5])
def test_beeps_deep_in_noise(level_db):
    """Under broad noise of the same power, and of three times that."""
    count = 20 * RATE
    noise = np.random.default_rng(5).normal(0, 0.1, count)
    beeps = np.sqrt(2) * 0.1 * 10 ** (level_db / 20) * countdown(count)
    tones = find_tones(noise + beeps, RATE)
    assert [tone.onset_s for tone in tones] == pytest.approx([t[0] for t in COUNTDOWN], abs=0.01)


@pytest.mark.slow
def test_noise_alone_gives_no_tone():
    noise = np.random.default_rng(6).normal(0, 0.1, 300 * RATE)
    assert find_tones(noise, RATE) == []


@given(at_s=st.floats(2, 3), pitch_hz=st.floats(520, 3900), lasts_s=st.floats(0.16, 1.45))
@settings(max_examples=12, deadline=None)
def test_any_signal_is_measured(at_s, pitch_hz, lasts_s):
    count = 12 * RATE
    sound = 0.3 * beep(count, at_s, pitch_hz, lasts_s)
    sound += np.random.default_rng(7).normal(0, 0.01, count)
    (tone,) = find_tones(sound, RATE)
    assert tone.onset_s == pytest.approx(at_s, abs=0.003)
    assert tone.duration_s == pytest.approx(lasts_s, abs=0.006)
    assert tone.frequency_hz == pytest.approx(pitch_hz, abs=3)


@pytest.mark.slow
def test_chunks_join_without_a_seam():
    """Beeps on both sides of a chunk's edge are found once, whatever the start of the clock."""
    count = 130 * RATE
    truth = [59.7, 60.05, 60.6, 119.9]
    sound = sum(0.3 * beep(count, at_s, 800, 0.2) for at_s in truth)
    sound += np.random.default_rng(8).normal(0, 0.01, count)
    tones = find_tones(sound, RATE, start_s=-0.5)
    assert [tone.onset_s + 0.5 for tone in tones] == pytest.approx(truth, abs=0.003)


@pytest.mark.parametrize(
    ("lasts_s", "pitch_hz"), [(0.05, 1000), (2.5, 1000), (0.3, 300), (0.3, 5000)]
)
def test_what_is_no_signal(lasts_s, pitch_hz):
    count = 12 * RATE
    sound = 0.3 * beep(count, 5.0, pitch_hz, lasts_s)
    sound += np.random.default_rng(9).normal(0, 0.01, count)
    assert find_tones(sound, RATE) == []


def test_bell_and_siren_are_no_signal():
    count = 12 * RATE
    time = np.arange(count) / RATE
    noise = np.random.default_rng(10).normal(0, 0.01, count)
    bell = 0.5 * np.exp(-4 * np.maximum(0, time - 5)) * (time > 5) * np.sin(6283 * time)
    glide = 2 * np.pi * (800 * time + 150 * (time - 5) ** 2)  # 800 to 1100 Hz in a second
    siren = 0.3 * ((time > 5) & (time < 6)) * np.sin(glide)
    assert find_tones(bell + noise, RATE) == []
    assert find_tones(siren + noise, RATE) == []


def test_buzzer_is_one_tone():
    """A square wave has overtones at 3, 5, 7 times its pitch (Fourier)."""
    count = 10 * RATE
    square = sum(beep(count, 5.0, 600 * odd, 0.5) / odd for odd in (1, 3, 5, 7, 9, 11, 13))
    sound = 0.3 * square + np.random.default_rng(11).normal(0, 0.01, count)
    (tone,) = find_tones(sound, RATE)
    assert tone.onset_s == pytest.approx(5.0, abs=0.005)
    assert tone.frequency_hz == pytest.approx(600, abs=5)


@pytest.mark.parametrize("count", [0, 1, 100, RATE // 10])
def test_short_and_silent_sound(count):
    assert find_tones(np.zeros(count, np.float32), RATE) == []
    assert find_tones(np.zeros(20 * RATE, np.float32), RATE) == []


def test_rate_too_low():
    with pytest.raises(ValueError, match="8000"):
        find_tones(np.zeros(1000), 8000)


@pytest.mark.slow
def test_through_aac_in_a_video(tmp_path):
    """The whole way: coded as AAC beside frames that start late, decoded, resampled, found."""
    rate = 48000
    count = 16 * rate
    rng = np.random.default_rng(12)
    music = np.repeat(background("held chords", 16 * RATE, 12), 3)[:count]
    sound = 0.8 * music + 0.25 * countdown(count, rate) + rng.normal(0, 0.01, count)
    path = write_video(
        tmp_path / "a.mp4", 0.4 + np.arange(480) / 30, sound=sound, sound_rate_hz=rate
    )
    with open_footage(path) as footage:
        samples, first_s = footage.sound(RATE)
    tones = find_tones(samples, RATE, first_s)
    truth = [at_s - 0.4 for at_s, _, _ in COUNTDOWN]
    assert [tone.onset_s for tone in tones] == pytest.approx(truth, abs=0.01)


def test_beeps_of_ffmpeg(tmp_path):
    """Outside reference: FFmpeg's `sine` source with `beep_factor` beeps every second, on the
    second, at that multiple of the pitch (libavfilter documentation), for 1/25 s (its source, from
    memory). Played four times slower a beep is long enough: every 4 s for 0.16 s."""
    path = tmp_path / "beeps.wav"
    run(
        *(tool("ffmpeg"), "-v", "error", "-f", "lavfi", "-i"),
        *("sine=frequency=440:beep_factor=8:sample_rate=64000:duration=8", path),
    )
    data = np.frombuffer(path.read_bytes()[-2 * 8 * 64000 :], "<i2") / 32768
    tones = find_tones(data, RATE)
    assert [tone.onset_s for tone in tones] == pytest.approx(np.arange(4, 32, 4), abs=0.01)
    assert {round(tone.frequency_hz, -1) for tone in tones} == {880.0}


# --- which one is the start -----------------------------------------------------------------------


def at(onset_s: float, pitch_hz: float = 1000.0, level_db: float = 30.0, lasts: float = 0.2):
    return Tone(onset_s, pitch_hz, lasts, level_db)


def test_last_beep_of_the_group():
    assert signal_onsets([at(3), at(4), at(5), at(6, 1400)]) == [6]


def test_single_beep_and_pair():
    assert signal_onsets([at(3, lasts=0.5)]) == [3]
    assert signal_onsets([at(3), at(4, 1500)]) == [4]


def test_two_groups_are_two_candidates():
    assert signal_onsets([at(3), at(4), at(8), at(9)]) == [4, 9]


def test_nothing_is_no_signal():
    assert signal_onsets([]) == []


def test_melody_is_no_countdown():
    assert signal_onsets([at(3, 600), at(3.5, 700), at(4, 900), at(4.5, 800)]) == []


def test_countdown_with_a_stray_tone():
    tones = [at(3), at(3.4, 700), at(4), at(5), at(6, 1400), at(6.3, 650)]
    assert signal_onsets(tones) == [6]


def test_a_soft_ring_after_the_signal_does_not_move_it():
    beeps = [at(2.5, level_db=60), at(3.5, level_db=60), at(4.5, level_db=60)]
    final = at(5.5, level_db=60, lasts=0.5)
    assert signal_onsets([*beeps, final, at(6.9, 1850, level_db=20, lasts=0.14)]) == [5.5]


def test_a_short_ring_alone_is_no_signal():
    assert signal_onsets([at(3, 1850, lasts=0.14)]) == []
