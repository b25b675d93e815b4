"""The filled signals of bar and body that strokes are read from, and the athlete's own levels."""

from __future__ import annotations

import numpy as np

from repcount.attempt.anthropometry import HIP_ABOVE_KNEE_ST, HIP_HEIGHT_ST, SHOULDER_HEIGHT_ST
from repcount.motion import Motion
from repcount.motion.smoothing import runs
from repcount.reading.decode import HANG, OVERHEAD, RACK, Zones
from repcount.reading.instants import SLOW_ST_S, Heights

STAND_HIP_KNEE_ST = HIP_ABOVE_KNEE_ST
# Heights of hip and shoulder where the athlete never stands still.
HIP_ST, SHOULDER_ST = HIP_HEIGHT_ST, SHOULDER_HEIGHT_ST
# A bar in straight arms is so far above the shoulders, see `decode.py`; hanging it is rather less
# below the pose model's shoulders, which lie under the acromion.
ARM_ST, HANG_ST = 0.39, 0.35
# How far a body's own carrying height may be from that: arms of 0.32 to 0.46 of body height.
BODIES_VARY_ST = 0.07
# Slow for so long the bar is carried; a bar in flight turns within 2 x 0.05 / 5.6 s.
CARRIED_S = 0.08
# An athlete who stands for a moment at each rep and leans on the thighs for seconds between two
# stands where it is highest: stays count alike from this length on (an assumption; with
# a second, two cells of the 56 that were put down for this are read otherwise).
STAY_S = 0.3
# How far hip and shoulders of an athlete who stands are from Winter's fractions: bodies differ by
# 0.01 to 0.02, the measured scale by the rest (an assumption).
STANDING_SD_ST = 0.05
# On the toes an athlete is so much higher: a quarter of the foot's length (0.152; Winter 2009, from
# memory) and the noise. A pose is wrong in no more than one moment of ten (an assumption).
ON_TOES_ST, ASTRAY = 0.05, 0.1
# Noise breaks a stay for less than this; from one rep's stand to the next is a second and more.
APART_S = 0.5
# Noise of hip and shoulders together (each about 0.012 body heights, twice that for one in twenty).
SUNK_NOISE_ST = 0.035
# Where nothing tells, hands are half on the bar: held is what is told with four to one.
SURELY_HELD = 0.2
# How far the body's own estimate of a carrying height may be off: the pose's error at steep views.
LEVEL_REACH_ST = 0.06


class Body:
    """Signals on the motion's clock, gaps bridged linearly, and levels, in body heights.

    `level` gives for hang, rack and overhead the bar's height when carried standing, `slack` how
    far that may be off beyond the usual noise, `known` the zones in which it was seen to rest.
    `shoulder_line` are the shoulders. `hip_line` is the hip's height as the carried bar tells it:
    body and bar move as one there, and the bar is measured better; `hip_sd_st` is its standard
    deviation from the pose's hip.
    """

    def __init__(self, motion: Motion, zones: Zones) -> None:
        self.motion, self.zones = motion, zones
        self.time = motion.time_s
        at = _nearest(zones.time_s, self.time)
        self.state = zones.path[at]
        self.certain = zones.probability.max(1)[at]
        self.floor = zones.floor_st[at]
        self.line = Heights(self.time, _fill(motion.bar_st))
        self.bar, self.speed = self.line.values, self.line.speed
        self.sharp = _fill(motion.bar_sharp_st)
        self.hip, self.shoulder = _fill(motion.hip_st), _fill(motion.shoulder_st)
        held = motion.hands_off < SURELY_HELD
        self.shoulder_line = Heights(self.time, self.shoulder)
        self.stand_hip = standing_height(self.hip, self.time, held, HIP_ST)
        self.stand_shoulder = standing_height(self.shoulder, self.time, held, SHOULDER_ST)
        knee = motion.knee_st[np.isfinite(motion.knee_st)]
        drop = self.stand_hip - float(np.median(knee)) if len(knee) else STAND_HIP_KNEE_ST
        self.stand_hip_knee = max(drop, 0.6 * STAND_HIP_KNEE_ST)
        levels = {state: self._carrying_level(state) for state in (HANG, RACK, OVERHEAD)}
        self.level = {state: level for state, (level, _) in levels.items()}
        self.slack = {state: slack for state, (_, slack) in levels.items()}
        self.known = {state for state, slack in self.slack.items() if slack == 0.0}
        carried, self.hip_sd_st = self._hip_from_bar()
        self.hip_line = Heights(self.time, carried)

    def second(self, index: int) -> float:
        return float(self.time[min(max(index, 0), len(self.time) - 1)])

    def index(self, second: float) -> int:
        return min(int(self.time.searchsorted(second)), len(self.time) - 1)

    def _carrying_level(self, state: int) -> tuple[float, float]:
        """The bar's height in a zone carried by an athlete who stands, and how far off that may be.

        It is where the bar rests highest near the height that the shoulders suggest; where it never
        rests there, the proportions of a usual body, which vary by more.
        """
        usual = {HANG: -HANG_ST, RACK: 0.0, OVERHEAD: ARM_ST}[state]
        slow = (self.state == state) & (np.abs(self.speed) < SLOW_ST_S)
        slow &= np.isfinite(self.motion.bar_st)
        least = int(CARRIED_S * self.motion.rate_hz)
        for a, b in runs(slow):
            if b - a < least:
                slow[a:b] = False  # the turn of a bar in flight
        known = False
        if np.isfinite(self.shoulder).any():
            upright = slow & (np.abs(self.shoulder - self.stand_shoulder) < LEVEL_REACH_ST)
            carried = (self.bar - self.shoulder)[upright]
            # what no arms reach is no carrying, whatever zone it seems to be in
            likely = np.exp(-0.5 * ((carried - usual) / BODIES_VARY_ST) ** 2)
            known = likely.sum() >= 10
            if known:
                weights = _stays(upright, self.motion.rate_hz)[upright]
                usual = _quantile(carried, weights * likely, 0.5)
        level = self.stand_shoulder + usual
        near = slow & (np.abs(self.bar - level) < LEVEL_REACH_ST)
        weights = _stays(near, self.motion.rate_hz)[near]
        return _highest_mode(self.bar[near], weights, level), 0.0 if known else BODIES_VARY_ST

    def _hip_from_bar(self) -> tuple[np.ndarray, float]:
        """The hip (n,) with the carried bar's word where there is one, and how well that fits."""
        delta = np.full(len(self.time), np.nan)
        spread = []
        measured = np.isfinite(self.motion.hip_st) & np.isfinite(self.motion.bar_st)
        for state in (RACK, OVERHEAD):
            # locked arms or shoulders: above the carrying level the arms are at work
            inside = (self.state == state) & (self.bar < self.level[state] + 0.02)
            use = inside & measured
            if use.sum() < 60 or np.ptp(self.bar[use]) < 0.15:
                continue
            x, y = self.bar[use] - self.level[state], self.hip[use]
            keep = np.ones(len(x), bool)
            curve = np.zeros(4)
            for _ in range(3):
                curve = np.polyfit(x[keep], y[keep], 3)
                miss = y - np.polyval(curve, x)
                width = max(1.4826 * float(np.median(np.abs(miss))), 0.003)
                keep = np.abs(miss) < 3 * width
            low = float(np.quantile(x, 0.005))
            told = np.polyval(curve, np.clip(self.bar[inside] - self.level[state], low, 0.02))
            delta[inside] = told - self.hip[inside]
            spread.append(width)
        if not spread:
            return self.hip, 0.03
        known = np.isfinite(delta)
        places = np.arange(len(delta))
        reach = 0.3 * self.motion.rate_hz
        # fades out within 0.3 s of the carried stretches, so that no step arises
        after = np.searchsorted(places[known], places)
        before = np.clip(after - 1, 0, known.sum() - 1)
        after = np.clip(after, 0, known.sum() - 1)
        far = np.minimum(
            np.abs(places[known][after] - places), np.abs(places[known][before] - places)
        )
        filled = np.interp(places, places[known], delta[known])
        return self.hip + filled * np.clip(1 - far / reach, 0, 1), float(np.mean(spread))

    def depth(self, first: int, last: int, zone: int | None = None) -> float:
        """Deepest squat between two places: 0 standing, 1 hip level with the knee.

        The hip says so, and with it, where the bar is carried (`zone` rack or overhead), the bar,
        which sinks by as much; each alone where the other is not seen.
        """
        if last <= first:
            return np.nan
        told = []
        sunk_hip = self.stand_hip - self.motion.hip_st[first:last]
        # the hip sinks no further than the shoulders do: leaning only lowers them more
        sunk_most = self.stand_shoulder - self.shoulder[first:last] + SUNK_NOISE_ST
        drop = np.fmax.reduce(np.minimum(sunk_hip, sunk_most), initial=-np.inf)
        if np.isfinite(drop):
            told.append(float(drop) / self.stand_hip_knee)
        if zone in (RACK, OVERHEAD):
            sunk = self.level[zone] - float(self.bar[first:last].min())
            told.append(sunk / STAND_HIP_KNEE_ST)
        return float(np.mean(told)) if told else np.nan

    def erect_gap(self, index: int) -> float:
        """How far the shoulders are below their standing height; NaN where not seen."""
        return float(self.stand_shoulder - self.motion.shoulder_st[index])


def _nearest(times: np.ndarray, at: np.ndarray) -> np.ndarray:
    step = times[1] - times[0] if len(times) > 1 else 1.0
    return np.clip(np.round((at - times[0]) / step).astype(int), 0, len(times) - 1)


def _fill(values: np.ndarray) -> np.ndarray:
    """Bridge missing samples linearly (ends held); all NaN stays NaN."""
    good = np.isfinite(values)
    if not good.any():
        return values
    places = np.arange(len(values))
    return np.interp(places, places[good], values[good])


def _stays(where: np.ndarray, rate_hz: float) -> np.ndarray:
    """Weights (n,) of samples, 0 outside `where` (n,): a stay is one witness, however long. Samples
    of stays of up to `STAY_S` count one each; a longer stay counts as that much."""
    weights = np.zeros(len(where))
    joined = where.copy()
    for first, last in runs(~where):
        if first > 0 and last < len(where) and last - first <= APART_S * rate_hz:
            joined[first:last] = True
    for first, last in runs(joined):
        stay = where[first:last]
        weights[first:last] = stay * min(1.0, STAY_S * rate_hz / stay.sum())
    return weights


def _quantile(values: np.ndarray, weights: np.ndarray, share: float) -> float:
    """The value with such a share of the weights below it."""
    order = np.argsort(values)
    passed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(passed, share * passed[-1])])


def _highest_mode(values: np.ndarray, weights: np.ndarray, usual: float) -> float:
    """Where values pile up highest: the median around the topmost bin of note; else `usual`."""
    if len(values) < 10:
        return usual
    counts, edges = np.histogram(
        values, bins=np.arange(values.min() - 0.01, values.max() + 0.02, 0.01), weights=weights
    )
    smooth = np.convolve(counts, [1, 2, 1], "same")
    top = int(np.flatnonzero(smooth >= 0.35 * smooth.max())[-1])
    near = values[np.abs(values - edges[top] - 0.005) < 0.02]
    return float(np.median(near)) if len(near) else usual


def standing_height(values: np.ndarray, times: np.ndarray, held: np.ndarray, usual: float) -> float:
    """The height at which this signal rests highest: the athlete standing still.

    Told with the bar in the hands, since who walks about with free hands is nearer or further, or
    is another; but who only bends with it stands without: what is nearer to `usual` (Winter's
    fraction of body height) counts, which also stands in where nothing rests near it.
    """
    if not np.isfinite(values).any():
        return usual
    still = np.abs(np.gradient(values, times)) < 0.08
    near = np.abs(values - usual) < 0.15
    told = []
    rate_hz = 1 / float(np.median(np.diff(times)))
    for when in (near & held, near & still):
        rests = still & when
        if rests.sum() >= 30:
            likely = np.exp(-0.5 * ((values[rests] - usual) / STANDING_SD_ST) ** 2)
            weights = _stays(rests, rate_hz)[rests] * likely
            told.append(_highest_mode(values[rests], weights, usual))
        elif when.sum() >= 30:
            # never still, standing for an instant in each repetition
            told.append(float(np.quantile(values[when], 0.95)))
    stood = min(told, key=lambda height: abs(height - usual), default=usual)
    # nobody is higher than standing but on the toes; a wrong pose is, for a moment
    where = near & held
    if where.any():
        high = _quantile(values[where], _stays(where, rate_hz)[where], 1 - ASTRAY)
        stood = max(stood, high - ON_TOES_ST)
    return stood
