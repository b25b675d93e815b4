"""The bar's height: from its ends where they are seen, held against hands, shoulders or plates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.ndimage import maximum_filter1d

from repcount.motion.ends import (
    ENDS_SD_ST,
    MOVING_S,
    MOVING_ST,
    WRONG_AT_FIRST,
    joined,
    middles,
    right_ends,
)
from repcount.motion.scene import MAX_GAP_S, SEEN, Scene
from repcount.tracking.tracks import BAR_KEYPOINTS

# Typical noise of one sample, body heights: hands about 5 % of the torso.
HANDS_SD_ST = 0.014
# A bar on the floor lies lower than this: the plates' radius (0.13) and half as much again for the
# view from above.
LYING_ST = 0.20
# A bar that rises by so much without one is lifted.
LIFTED_ST = 0.10
# A usual athlete, where the body height in metres is not known.
STATURE_M = 1.75
# What an end that was never seen to move with the hands is trusted, of what it would be else (an
# assumption); and the least trust of an end that was.
UNCONFIRMED, PROVEN = 0.6, 0.7


@dataclass(frozen=True)
class Ends:
    """Both ends of the bar as tracked, left and right: `places` (2, n, 2) in pixels, `trust`
    (2, n), `sizes` (n, 2), the plates' vertical semi-axes in pixels, and their diameter."""

    places: np.ndarray
    trust: np.ndarray
    sizes: np.ndarray
    plate_mm: float

    @property
    def slopes(self) -> tuple[float, float]:
        """How far the hands go in the frame for each end's way, by the plates' sizes: a hand in the
        middle of the bar is as far away as both ends are on average. NaN if not known."""
        both = np.isfinite(self.sizes).all(1)
        if not both.any():
            return np.nan, np.nan
        left, right = np.median(self.sizes[both], axis=0).tolist()
        return 2 * right / (left + right), 2 * left / (left + right)


@dataclass(frozen=True)
class BarHeight:
    """Height of the bar (n,) in body heights by its ends, NaN where neither is known; what each of
    them has `told` (2, n) of it, and the `weight` (2, n) of that.

    `hand` (n,) is the hands' height, NaN all along where they say nothing of the bar. `by_itself`
    (n,) is where the height is counted from the bar's own lowest place. `hands_hidden`: shoulders
    gave the height. `apart`: neither hands nor shoulders go with the ends, and `body_wrong` that
    the bar by itself gave its height then; `enough_seen`: enough of the moving ends was seen
    beside the hands to say so.
    """

    height: np.ndarray
    told: np.ndarray
    weight: np.ndarray
    hand: np.ndarray
    by_itself: np.ndarray
    hands_hidden: bool
    apart: bool
    body_wrong: bool
    enough_seen: bool


def bar_ends(tracks: xr.Dataset, individual: int, scene: Scene, plate_mm: float) -> Ends:
    """The bar's ends in a scene of `tracks`."""
    trust = np.stack([scene.trust(name) for name in BAR_KEYPOINTS])
    if "confirmed" in tracks:  # in files of earlier versions it is in the confidence
        confirmed = tracks["confirmed"].values[..., individual].T.astype(bool)
        seen = tracks["interpolated"].values[..., individual].T == 0
        trust = np.where(seen & ~confirmed, UNCONFIRMED * trust, trust)
    return Ends(
        places=np.stack([scene.seen(name, 0.0) for name in BAR_KEYPOINTS]),
        trust=trust,
        sizes=tracks["plate_semi_axis"].values[..., individual].astype(float),
        plate_mm=plate_mm,
    )


def bar_height(scene: Scene, ends: Ends, hand_y: np.ndarray) -> BarHeight:
    """Bring each end to the height that the hands, at `hand_y` (n,) in pixels, would have on the
    bar; without hands by the shoulders, and without a body by the plates."""
    rng = np.random.default_rng(0)
    times = scene.times
    hand = scene.height(hand_y)
    levels, agreeing, moved = _by_hands(scene, ends, hand, rng)
    hands_hidden = False
    if not agreeing.any():
        hands_hidden = _by_shoulders(scene, ends, levels, agreeing, rng)
        if hands_hidden:
            hand[:] = np.nan
    unknown = bool(np.isfinite(hand).mean() < HANDS_KNOWN)
    enough_seen = bool(moved.max() >= LEAST_SAMPLES)
    apart = bool(not agreeing.any() and (unknown or enough_seen))
    one_bar = unknown or _one_bar(times, ends.places[0, :, 1], ends.places[1, :, 1], ends.sizes)
    own, own_weight = _by_itself(scene, ends, levels, 0.0 if one_bar else PROVEN, everywhere=apart)
    by_itself = np.isfinite(joined(own, own_weight)[0])
    body_wrong = apart and bool(by_itself.any())
    if body_wrong:
        levels[:], hand[:] = np.nan, np.nan
    cuts = [int(np.argmax(inside)) for inside in scene.inside[1:] if inside.any()]
    sideways = ends.places[..., 0] / scene.stature_at
    told, weight = _by_both(times, levels, sideways, ends.trust, hand, agreeing, cuts)
    told, weight = np.where(by_itself, own, told), np.where(by_itself, own_weight, weight)
    return BarHeight(
        height=joined(told, weight)[0],
        told=told,
        weight=weight,
        hand=hand,
        by_itself=by_itself,
        hands_hidden=hands_hidden,
        apart=apart,
        body_wrong=body_wrong,
        enough_seen=enough_seen,
    )


def _by_hands(
    scene: Scene, ends: Ends, hand: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Heights (2, n) of both ends brought to the hands' (n,), how many samples of each agree, and
    how many moved."""
    levels = np.full((2, len(scene.times)), np.nan)
    agreeing, moved = np.zeros(2, int), np.zeros(2, int)
    for k, (end, weight) in enumerate(zip(ends.places, ends.trust, strict=True)):
        end_height = scene.height(end[:, 1])
        moving = _moving(scene.times, np.where(weight >= SEEN, end_height, np.nan), hand)
        line = held_line(end_height[moving], hand[moving], rng, ends.slopes[k])
        moved[k] = len(moving)
        if line is None and _lies(end_height[weight >= SEEN]):
            line = 1.0, 0.0, 0  # it has only lain there
        if line is not None:
            levels[k] = np.where(weight > 0, line[0] * end_height + line[1], np.nan)
            agreeing[k] = line[2]
    return levels, agreeing, moved


def _by_shoulders(
    scene: Scene,
    ends: Ends,
    levels: np.ndarray,
    agreeing: np.ndarray,
    rng: np.random.Generator,
) -> bool:
    """Bring the ends' `levels` (2, n) to the bar's height by the shoulders, in place, and count
    what is `agreeing` (2,); returns whether one of them goes with the shoulders."""
    found = False
    shoulder = _between_looks(scene.times, scene.height(scene.pair("shoulder")[:, 1]))
    for k, (end, weight) in enumerate(zip(ends.places, ends.trust, strict=True)):
        end_height = np.where(weight >= SEEN, scene.height(end[:, 1]), np.nan)
        line = _carried_line(scene.times, end_height, shoulder, rng, ends.slopes[k])
        if line is not None:
            levels[k] = line[0] * end_height + line[1]
            agreeing[k], found = line[2], True
    return found


def _by_itself(
    scene: Scene, ends: Ends, levels: np.ndarray, least: float, *, everywhere: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Height and weight (2, n) of the bar above its own lowest place by each end, in the pieces of
    film in which no end has a level (2, n), or `everywhere`; NaN elsewhere."""
    own, weight = np.full(levels.shape, np.nan), np.zeros(levels.shape)
    for inside in scene.inside:
        if everywhere or not np.isfinite(levels[:, inside]).any():
            own[:, inside], weight[:, inside] = _own_height(
                scene.times[inside],
                ends.places[:, inside],
                ends.sizes[inside].T,
                ends.trust[:, inside],
                ends.plate_mm / 2000 / STATURE_M,
                least,
            )
    return own, weight


# So many samples of a moving end and the hands, at least, show whether the two go together.
LEAST_SAMPLES = 20
# Of them so many agree while the bar is held, drops and bounces counted in: two fifths and more in
# rendered clips from all sides; hands that wander by a sixth of a body height agree in a sixth.
AGREEING = 0.35
# The slopes of such lines are so far from what the plates' sizes give (root mean square over 18
# ends of real clips of whose samples nine tenths agree).
BY_SIZE_SD = 0.09
# Sizes may be wrong altogether (an assumption): nearly all samples are believed against them.
SIZES_WRONG = 0.4
# Hands that are known in fewer looks than this are not known.
HANDS_KNOWN = 0.1


def _moving(times: np.ndarray, end: np.ndarray, hand: np.ndarray) -> np.ndarray:
    """Indices at which an end moves up or down while the hands are known."""
    known = np.flatnonzero(np.isfinite(end))
    if len(known) < LEAST_SAMPLES:
        return np.zeros(0, int)
    ahead = np.interp(times + MOVING_S, times[known], end[known])
    moving = np.abs(ahead - np.interp(times - MOVING_S, times[known], end[known])) > MOVING_ST
    return np.flatnonzero(np.isfinite(end) & np.isfinite(hand) & moving)


def held_line(
    x: np.ndarray, y: np.ndarray, rng: np.random.Generator, by_size: float = np.nan
) -> tuple[float, float, int] | None:
    """The line y = slope * x + offset that most samples share, and how many; or None. `x` and `y`
    (n,) are heights of a moving end and of the hands; `by_size` is the slope that the plates' sizes
    give, NaN if they do not.

    While the bar is held its end and the hands move together; a bar that flies alone does not fit,
    and one that lies still says nothing, however long. Random sample consensus (Fischler & Bolles
    1981), then least squares on the agreeing samples; the slope is held to what perspective allows
    for an end nearer or further than the hands (0.65 m of 3 m: 22 %).
    """
    if len(x) < LEAST_SAMPLES:
        return None
    enough = max(LEAST_SAMPLES, AGREEING * len(x))
    i, j = rng.integers(len(x), size=(2, 200))
    apart = np.abs(x[i] - x[j]) >= 0.15
    i, j = i[apart], j[apart]
    slopes = (y[i] - y[j]) / (x[i] - x[j])
    likely = (slopes > 0.7) & (slopes < 1.4)
    if not likely.any():
        agree = np.abs(y - x - np.median(y - x)) < 3 * HANDS_SD_ST
        if agree.sum() < enough:
            return None
        return 1.0, float(np.median((y - x)[agree])), int(agree.sum())
    slopes, through = slopes[likely], i[likely]
    offsets = y[through] - slopes * x[through]
    usual = np.nan_to_num(np.exp(-0.5 * ((slopes - by_size) / BY_SIZE_SD) ** 2), nan=1.0)
    usual = SIZES_WRONG + (1 - SIZES_WRONG) * usual
    # the lines are counted on some of the samples, the best one then on all
    few = slice(None, None, max(len(x) // 500, 1))
    votes = np.abs(y[few] - slopes[:, None] * x[few] - offsets[:, None]) < 3 * HANDS_SD_ST
    best = int((votes.sum(1) * usual).argmax())
    agree = np.abs(y - slopes[best] * x - offsets[best]) < 3 * HANDS_SD_ST
    if agree.sum() < LEAST_SAMPLES or agree.sum() * usual[best] < AGREEING * len(x):
        return None
    slope, offset = np.polyfit(x[agree], y[agree], 1)
    return float(np.clip(slope, 0.7, 1.4)), float(offset), int(agree.sum())


# Where a bar is carried against the shoulders: on them, in hanging arms, in locked arms (`reading`
# has the same), and how far perspective puts an end off that: 0.4 m above or below the camera, a
# fifth nearer than the shoulders.
CARRIED_ST, CARRIED_OFF_ST = (0.0, -0.37, 0.39), 0.12


def _between_looks(times: np.ndarray, values: np.ndarray) -> np.ndarray:
    """`values` (n,) also between looks at the pose that lie no further apart than `MAX_GAP_S`."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 2:
        return values
    after = np.clip(np.searchsorted(times[known], times), 1, len(known) - 1)
    near = times[known][after] - times[known][after - 1] <= MAX_GAP_S
    near &= (times >= times[known[0]]) & (times <= times[known[-1]])
    return np.where(near, np.interp(times, times[known], values[known]), np.nan)


def _carried_line(
    times: np.ndarray,
    end: np.ndarray,
    shoulder: np.ndarray,
    rng: np.random.Generator,
    slope: float,
) -> tuple[float, float, int] | None:
    """The line that brings an end (n,) to the bar's height by the shoulders (n,), and how many
    samples agree; None if end and shoulders do not move together.

    A bar on the back hides the hands, and from the side its plates do; the shoulders go with it.
    """
    moving = _moving(times, end, shoulder)
    line = held_line(end[moving], shoulder[moving], rng, slope)
    if line is None:
        return None
    apart = end[moving] - shoulder[moving]
    agree = np.abs(shoulder[moving] - line[0] * end[moving] - line[1]) < 3 * HANDS_SD_ST
    carried = np.array(CARRIED_ST)
    off = float(np.median(apart[agree])) - carried
    place = int(np.abs(off).argmin())
    if abs(off[place]) > CARRIED_OFF_ST:
        return None
    return line[0], line[1] + float(carried[place]), line[2]


# Nobody jerks a loaded bar harder than twice the fall's acceleration, in body heights a second
# squared.
JERKED_ST_S2 = 11.0
# Lower than in one sample of fifty the bar is nowhere: it lies for longer, if it lies at all.
UNDER = 0.02


def jumps(times: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Single samples (n,) of a height that jump away from both their neighbours and back.

    Nothing but the floor turns a bar upwards so sharply, and nothing at all downwards: of a bar
    that lies, a jump up is wrong as well, or one into the floor.
    """
    jump = np.zeros(len(height), bool)
    known = np.flatnonzero(np.isfinite(height))
    if len(known) < 3:
        return jump
    x, t = height[known], times[known]
    step = np.maximum(t[2:] - t[1:-1], t[1:-1] - t[:-2])
    fraction = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    off = x[1:-1] - (x[:-2] + fraction * (x[2:] - x[:-2]))
    sharp = np.abs(off) > 5 * ENDS_SD_ST + JERKED_ST_S2 / 2 * step**2
    under = x[1:-1] < np.quantile(x, UNDER) - 5 * ENDS_SD_ST
    possible = (off > 0) | (np.minimum(x[:-2], x[2:]) > LYING_ST) | under
    # beside a jump its neighbours seem to jump the other way, half as far
    possible &= np.abs(off) >= maximum_filter1d(np.abs(off), 3)
    jump[known[1:-1][sharp & possible & (step < MAX_GAP_S / 2)]] = True
    return jump


def _lies(height: np.ndarray) -> bool:
    """Whether an end that never moved with the hands is that of a bar on the floor."""
    height = height[np.isfinite(height)]
    return len(height) >= 20 and float((height < LYING_ST).mean()) > 0.9


# The heights of one bar's two ends go up and down together like this.
ENDS_TOGETHER = 0.95


def _one_bar(times: np.ndarray, left: np.ndarray, right: np.ndarray, size: np.ndarray) -> bool:
    """Whether two ends, at heights (n,) pixels and of semi-axes (n, 2), are lifted together by more
    than their plates' radius: a bar, whoever holds it."""
    if not np.isfinite(size).any():
        return False
    radius_px = float(np.nanmedian(size))
    moving = _moving(times, left / radius_px, right)
    if len(moving) < LEAST_SAMPLES or np.ptp(left[moving]) < radius_px:
        return False
    return bool(np.corrcoef(left[moving], right[moving])[0, 1] > ENDS_TOGETHER)


def _own_height(
    times: np.ndarray,
    places: np.ndarray,
    sizes: np.ndarray,
    trust: np.ndarray,
    radius_st: float,
    least: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Height (2, n) of a bar above its own lowest place by each end and its plate's size, and what
    that weighs (2, n).

    From the side the plates hide both hands, and the pose makes them up; in a rack or behind others
    nobody's pose may be found. `places` (2, n, 2) and `sizes` (2, n), the semi-axes, in pixels;
    `trust` (2, n); `radius_st` the plates' radius in body heights. An end that is trusted less than
    `least` all the time says nothing; all NaN if neither does, or nothing was lifted.
    """
    levels, sideways = np.full((2, *sizes.shape), np.nan)
    for k in (0, 1):
        known = np.isfinite(places[k]).all(1) & np.isfinite(sizes[k]) & (trust[k] >= SEEN)
        if known.sum() >= 20 and np.quantile(trust[k][known], 0.9) >= least:
            by_plate = radius_st / float(np.median(sizes[k][known]))
            sideways[k], levels[k] = np.where(known, places[k].T, np.nan) * [
                [by_plate],
                [-by_plate],
            ]
    apart = levels[0] - levels[1]
    if np.isfinite(apart).any():
        levels[1] += float(np.nanmedian(apart))  # nearer and farther, they are ends of one bar
    elif np.isfinite(levels).any(1).all():
        levels[int(np.argmin(np.isfinite(levels).sum(1)))] = np.nan
    levels -= np.nanmin(levels) if np.isfinite(levels).any() else 0.0
    told, weight = _by_both(times, levels, sideways, trust, np.full(len(times), np.nan))
    one, _ = joined(told, weight)
    if np.isfinite(one).sum() < 20:
        return np.full(levels.shape, np.nan), weight
    low, high = np.nanquantile(one, (UNDER, 1 - UNDER))
    if high - low < LIFTED_ST:
        return np.full(levels.shape, np.nan), weight
    return told - low, weight


def _by_both(
    times: np.ndarray,
    levels: np.ndarray,
    sideways: np.ndarray,
    trust: np.ndarray,
    hand: np.ndarray,
    agreeing: np.ndarray | None = None,
    cuts: Sequence[int] = (),
) -> tuple[np.ndarray, np.ndarray]:
    """The bar's height by each of its ends (2, n), and what that weighs (2, n).

    `levels` and `sideways` (2, n) are where they are, up and to the right, in body heights. Of two
    ends of which fewer samples were `agreeing` (2,) with the body, the one that did so less is
    questioned beforehand, as far as it did so less. `cuts` are samples after a cut of the film.
    """
    before = np.ones(2) if agreeing is None or not agreeing.any() else agreeing / agreeing.max()
    first, second = (float(one) for one in (1 - WRONG_AT_FIRST) * np.clip(before, 0.1, 1.0))
    seen = known_between(hand)
    right = right_ends(times, levels, trust, seen, (first, second), sideways=sideways, cuts=cuts)
    return middles(times, levels, trust, right)


def known_between(values: np.ndarray) -> np.ndarray:
    """`values` (n,) with what is missing between two that are known filled in linearly."""
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return values
    return np.interp(np.arange(len(values)), known, values[known], left=np.nan, right=np.nan)
