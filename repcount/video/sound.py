"""Find start signals in the sound: short steady tones that stand out of noise, music and voices.

A tone counts if it is level in pitch and loudness, lasts 0.15 to 1.5 s, lies between 500 and
4000 Hz, and stands out of what is beside it in pitch and of what is around it in time. A held note
of a melody can look just like that; `start_signals` therefore wants the pattern of a countdown and
says when there is more than one.

Sound takes 2.9 ms a metre (343 m/s); nothing is taken off for that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, ndimage

LOWEST_HZ, HIGHEST_HZ = 500.0, 4000.0
SHORTEST_BEEP_S, LONGEST_BEEP_S = 0.15, 1.5
# A duration read at half maximum in noise is off by this much.
DURATION_SLACK_S = 0.01

# 64 ms tell pitches 31 Hz apart (the main lobe of a Hann window is four bins wide) and fit twice in
# the shortest tone.
WINDOW_S = 0.064
HOP_S = 0.01
# In noise, the power of a bin is exponentially distributed, so it lies 12 dB above its median
# (11 times the mean) with probability e^-11, about 2 in 100,000; the shortest tone is two windows
# long, hence fewer than one false tone in an hour.
PROMINENCE_DB = 12.0
# "Beside it in pitch": the bins within 220 Hz. "Around it in time": 4 s, in which even the longest
# tone is the smaller part, so that the median is the sound without it.
BESIDE_BINS = 14
AROUND_S = 4.0
# A note of a melody is as loud as the notes around it; a signal is meant to be heard above them. It
# has at least twice the power of the strongest pitch of four moments in five of the 30 s around it
# (a long countdown sounds for a tenth of that).
USUAL_S, USUAL_PERCENT, OUTSTANDING_DB = 30.0, 80, 3.0
# A signal is level. What dies away at a steady rate, a struck plate or a plucked string, falls by
# at least 6 dB between its half heights, so by 2.4 dB over the two fifths that are compared.
FALL_DB, RIPPLE_DB = 1.8, 3.0
# A signal is switched on. The filter below takes 14 ms from a quarter to three quarters of a step;
# a voice or two partials that beat take a good part of what they last.
RISE_S = 0.03
# Notes of a chord are about as loud as each other; a tenth of the power is a side effect.
CHORD_DB = 10.0
# Chunks keep memory flat; the overlap holds the longest tone and what is around it.
CHUNK_S, OVERLAP_S = 60.0, USUAL_S / 2 + LONGEST_BEEP_S

# DESIGN: beeps of a group follow each other within 1.5 s.
GROUP_SPACING_S = 1.5
# A countdown has one pitch, and a second for its last beep; semitones are 6 % apart. It is even to
# within a tenth of a second (common practice, no source).
SAME_PITCH = 0.03
IN_TIME_S = 0.1
# Level of one loudspeaker's beeps among themselves, and the shortest lone signal (common practice,
# no source): a timer's start tone lasts half a second or more, a struck plate rings for less.
SAME_DEVICE_DB = 15.0
LONE_BEEP_S = 0.25


@dataclass(frozen=True)
class Tone:
    """A steady tone: onset (s, on the frames' clock), pitch (Hz), duration (s) at half maximum,
    and how far it stands above the sound around it at its pitch (dB)."""

    onset_s: float
    frequency_hz: float
    duration_s: float
    level_db: float


def find_tones(samples: np.ndarray, rate_hz: int, start_s: float = 0.0) -> list[Tone]:
    """Steady tones in `samples` (N,) mono, whose first sample is at `start_s` seconds, by onset.

    Raises ValueError if `rate_hz` is too low to hold 4000 Hz.
    """
    if rate_hz <= 2 * HIGHEST_HZ:
        raise ValueError(f"rate_hz is {rate_hz}, more than {2 * HIGHEST_HZ:.0f} is needed")
    tones: list[Tone] = []
    step, overlap = round(CHUNK_S * rate_hz), round(OVERLAP_S * rate_hz)
    for first in range(0, len(samples), step):
        begin = max(0, first - overlap)
        chunk = np.asarray(samples[begin : first + step + overlap], np.float64)
        low_s, high_s = (first - begin) / rate_hz, (first - begin + step) / rate_hz
        tones += [
            replace(tone, onset_s=tone.onset_s + start_s + begin / rate_hz)
            for tone in _tones_in(chunk, rate_hz)
            if low_s <= tone.onset_s < high_s
        ]
    return sorted(tones, key=lambda tone: tone.onset_s)


def _tones_in(samples: np.ndarray, rate_hz: int) -> list[Tone]:
    window = round(WINDOW_S * rate_hz)
    hop = round(HOP_S * rate_hz)
    if len(samples) < 4 * window:
        return []
    taps = _hann(window + 1)[:-1].astype(np.float32)
    pieces = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), window)[::hop]
    frame_s = (np.arange(len(pieces)) * hop + window / 2) / rate_hz
    bins = np.fft.rfftfreq(window, 1 / rate_hz)
    band = (bins >= LOWEST_HZ - 250) & (bins <= HIGHEST_HZ + 250)
    bins, power = bins[band], np.abs(fft.rfft(pieces * taps)[:, band].T) ** 2
    level_db = 10 * np.log10(power + 1e-12 * power.max() + 1e-20)

    thin = max(1, round(0.1 / HOP_S))  # ten values a second are enough for a median over seconds
    around = _running_median(level_db[:, ::thin], round(AROUND_S / HOP_S / thin) + 1)
    around = np.repeat(around, thin, axis=1)[:, : level_db.shape[1]]
    beside = _running_median(level_db.T, 2 * BESIDE_BINS + 1).T
    prominence = level_db - np.maximum(beside, around)
    strongest = level_db[(bins >= LOWEST_HZ) & (bins <= HIGHEST_HZ), ::thin].max(axis=0)
    usual = ndimage.percentile_filter(
        strongest, USUAL_PERCENT, size=round(USUAL_S / HOP_S / thin), mode="reflect"
    )
    usual = np.repeat(usual, thin)[: level_db.shape[1]]
    # Quieter notes are left out here, or a signal would grow together with its neighbours.
    seen = (prominence > PROMINENCE_DB) & (level_db > usual - OUTSTANDING_DB)
    patches, _ = ndimage.label(seen, structure=np.ones((3, 3)))

    found: list[tuple[Tone, float]] = []
    for index, place in enumerate(ndimage.find_objects(patches), 1):
        rows, columns = place
        lasts_s = (columns.stop - columns.start) * HOP_S
        if not SHORTEST_BEEP_S - WINDOW_S < lasts_s < LONGEST_BEEP_S + 2 * WINDOW_S:
            continue
        patch = np.where(patches[place] == index, level_db[place], -np.inf)
        loudness = patch.max(axis=0)
        if np.median(loudness - usual[columns]) < OUTSTANDING_DB:
            continue
        tone = _measured(samples, rate_hz, patch, bins[rows], frame_s[columns])
        if tone is not None:
            rise = float(np.max(np.where(patches[place] == index, prominence[place], 0)))
            found.append((Tone(*tone, rise), float(np.median(loudness))))
    return _single_voices(found)


def _running_median(rows: np.ndarray, width: int) -> np.ndarray:
    """Median over `width` values along each row, mirrored at its ends. All rows go through SciPy's
    one-dimensional filter in one piece, which is many times faster than its two-dimensional one."""
    half = width // 2
    padded = np.pad(rows.astype(np.float32), ((0, 0), (half, half)), mode="symmetric")
    flat = ndimage.median_filter(padded.ravel(), size=2 * half + 1)
    return flat.reshape(padded.shape)[:, half : half + rows.shape[1]]


def _measured(
    samples: np.ndarray,
    rate_hz: int,
    patch: np.ndarray,
    bins: np.ndarray,
    frame_s: np.ndarray,
) -> tuple[float, float, float] | None:
    """(onset, pitch, duration) of the tone in a patch of the spectrogram (bins, frames; dB, -inf
    outside), or None if its pitch or loudness is not steady or its size is not a signal's."""
    middle = slice(len(frame_s) // 4, max(len(frame_s) // 4 + 1, 3 * len(frame_s) // 4))
    ridge = np.argmax(patch, axis=0)
    inner = ridge[len(ridge) // 6 : len(ridge) - len(ridge) // 6]
    if np.ptp(inner) > 2:  # the pitch glides or the patch holds several notes
        return None
    about_hz = float(bins[int(np.median(inner))])

    begin = max(0, round((frame_s[0] - 0.25) * rate_hz))
    end = min(len(samples), round((frame_s[-1] + 0.25) * rate_hz))
    narrow = _narrow_band(samples[begin:end], rate_hz, about_hz)
    envelope = np.abs(narrow)
    time_s = (begin + np.arange(len(envelope))) / rate_hz
    inside = (time_s >= frame_s[middle][0]) & (time_s <= frame_s[middle][-1])
    plateau = float(np.median(envelope[inside])) if inside.any() else 0.0
    peak = int(np.argmin(np.abs(time_s - (frame_s[0] + frame_s[-1]) / 2)))
    if plateau <= 0 or envelope[peak] < plateau / 2:
        return None
    onset_s = _crossing(time_s, envelope, plateau / 2, peak, -1)
    offset_s = _crossing(time_s, envelope, plateau / 2, peak, +1)
    early_s = _crossing(time_s, envelope, plateau / 4, peak, -1)
    late_s = _crossing(time_s, envelope, plateau * 3 / 4, peak, -1)
    if onset_s is None or offset_s is None or early_s is None or late_s is None:
        return None
    if late_s - early_s > RISE_S:
        return None
    duration_s = offset_s - onset_s
    if not SHORTEST_BEEP_S - DURATION_SLACK_S <= duration_s <= LONGEST_BEEP_S + DURATION_SLACK_S:
        return None
    held = (time_s > onset_s + 0.2 * duration_s) & (time_s < offset_s - 0.2 * duration_s)
    thirds = 20 * np.log10([np.median(part) for part in np.array_split(envelope[held], 3)])
    if thirds[0] - thirds[2] > FALL_DB or np.ptp(thirds) > RIPPLE_DB:
        return None
    turns = np.diff(np.unwrap(np.angle(narrow[held]))).mean() / (2 * np.pi)
    frequency_hz = about_hz + float(turns) * rate_hz
    if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
        return None
    return onset_s, frequency_hz, duration_s


def _narrow_band(samples: np.ndarray, rate_hz: int, frequency_hz: float) -> np.ndarray:
    """Complex amplitude (N,) in a band about 80 Hz wide at `frequency_hz`. The filter is symmetric,
    so a step keeps its place: it crosses half its height exactly where it happens."""
    turned = samples * np.exp(-2j * np.pi * frequency_hz * np.arange(len(samples)) / rate_hz)
    taps = _hann(round(0.05 * rate_hz) | 1)
    size = fft.next_fast_len(len(turned) + len(taps) - 1)
    full = fft.ifft(fft.fft(turned, size) * fft.fft(taps / taps.sum(), size))
    first = len(taps) // 2
    return np.asarray(2 * full[first : first + len(turned)])


def _hann(count: int) -> np.ndarray:
    """(count,) a Hann window, zero at both ends. `scipy.signal` has it, but takes longer to load
    than the tones of a whole attempt take to find."""
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(count) / (count - 1))


def _crossing(
    time_s: np.ndarray, envelope: np.ndarray, level: float, peak: int, step: int
) -> float | None:
    """Where the envelope, followed from `peak` in the direction `step`, first falls under `level`,
    between samples; None if it never does."""
    run = envelope[peak:] if step > 0 else envelope[peak::-1]
    below = np.nonzero(run < level)[0]
    if not len(below):
        return None
    inner, outer = peak + step * (int(below[0]) - 1), peak + step * int(below[0])
    part = (envelope[inner] - level) / (envelope[inner] - envelope[outer])
    return float(time_s[inner] + part * (time_s[outer] - time_s[inner]))


def _single_voices(found: Sequence[tuple[Tone, float]]) -> list[Tone]:
    """One tone for each signal, of (tone, loudness in dB) pairs: overtones go with the lowest of a
    stack; what sounds together in three or more pitches that are no overtones of one is a chord,
    and goes altogether."""
    kept: list[Tone] = []
    left = sorted(found, key=lambda pair: pair[1], reverse=True)
    while left:
        loudest, loudness = left[0]
        together = [pair for pair in left if _together(pair[0], loudest)]
        left = [pair for pair in left if pair not in together]
        voices = [tone for tone, level in together if level > loudness - CHORD_DB]
        lowest = min(voices, key=lambda tone: tone.frequency_hz)
        if sum(not _overtone(tone, lowest) for tone in voices) < 2:
            kept.append(lowest)
    return kept


def _together(one: Tone, other: Tone) -> bool:
    return (
        abs(one.onset_s - other.onset_s) < WINDOW_S
        and abs(one.duration_s - other.duration_s) < 2 * WINDOW_S
    )


def _overtone(tone: Tone, ground: Tone) -> bool:
    ratio = tone.frequency_hz / ground.frequency_hz
    # Buzzers have a ground tone below the band too: halves and thirds of it are overtones as well.
    return min(abs(ratio * part - round(ratio * part)) / part for part in (1, 2, 3)) < 0.01


def signal_onsets(tones: Iterable[Tone]) -> list[float]:
    """Moments (s, rising) at which a start signal may have sounded: the last beep of each group.

    A group is a chain of tones with onsets under 1.5 s apart, at least half of them of one pitch;
    its last beep may have another pitch if it comes in time. More pitches are a melody and no
    signal. One device gives the signals: tones much softer than the loudest are something else. A
    tone alone has to last as a signal does; what rings shorter is metal.
    """
    tones = sorted(tones, key=lambda tone: tone.onset_s)
    loudest = max((tone.level_db for tone in tones), default=0.0)
    chains: list[list[Tone]] = []
    for tone in tones:
        if tone.level_db < loudest - SAME_DEVICE_DB:
            continue
        if chains and tone.onset_s - chains[-1][-1].onset_s < GROUP_SPACING_S:
            chains[-1].append(tone)
        else:
            chains.append([tone])
    onsets = []
    for chain in chains:
        last = _last_beep(chain)
        if last is None or (len(chain) == 1 and last.duration_s < LONE_BEEP_S):
            continue
        onsets.append(last.onset_s)
    return onsets


def _last_beep(chain: Sequence[Tone]) -> Tone | None:
    """The last beep of the countdown in `chain`, None if there is none."""
    if len(chain) <= 2:
        return chain[-1] if chain else None

    def of_pitch(tone: Tone) -> list[Tone]:
        return [
            other for other in chain if abs(other.frequency_hz / tone.frequency_hz - 1) < SAME_PITCH
        ]

    beeps = max((of_pitch(tone) for tone in chain), key=len)
    if len(beeps) < 2 or 2 * len(beeps) < len(chain):
        return None
    spacing_s = float(np.median(np.diff([beep.onset_s for beep in beeps])))
    due_s = beeps[-1].onset_s + spacing_s
    final = [tone for tone in chain if abs(tone.onset_s - due_s) < IN_TIME_S]
    return min(final, key=lambda tone: abs(tone.onset_s - due_s)) if final else beeps[-1]
