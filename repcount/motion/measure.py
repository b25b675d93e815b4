"""Tracks → Motion: heights in the athlete's own frame, on one uniform clock.

The body moves in three dimensions and the picture has two: heights are taken against the ankles
and in statures of the same stretch of film, so that distance, angle and slow camera movement
cancel. The bar's height comes from its ends where they are seen, otherwise from the hands while
they hold it.
"""

from __future__ import annotations

import itertools
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import xarray as xr
from scipy.ndimage import maximum_filter1d

from repcount.attempt.anthropometry import ANKLE_HEIGHT_ST, EYE_HEIGHT_ST, HAND_ST
from repcount.attempt.records import Notice
from repcount.motion.filming import filming_notices
from repcount.motion.metres import BarMetres, bar_metres
from repcount.motion.options import MotionOptions
from repcount.motion.smoothing import runs, smooth
from repcount.tracking.tracks import KEYPOINTS, POSE_KEYPOINTS, attribute
from repcount.wording.numbers import clock

GRID_HZ = 60.0
# Below this the model itself says "more likely hidden than seen" (logistic output).
SEEN = 0.5
# Hands are kept at lower visibility: overhead and behind plates the wrists stay usable.
HANDS_SEEN = 0.2
# The pose model's ankle lies about 3 cm above the joint.
ANKLE_ST = ANKLE_HEIGHT_ST + 0.017
EYE_ST = EYE_HEIGHT_ST
# Typical noise of one sample, statures: bar ends about 1 px, hands about 5 % of the torso.
ENDS_SD_ST = 0.004
HANDS_SD_ST = 0.014
# A bar on the floor lies lower than this: the plates' radius (0.13) and half as much again for the
# view from above.
LYING_ST = 0.20
# An end moves if it has another height so long before and after: five times its noise.
MOVING_S, MOVING_ST = 0.15, 0.02
BAR_CUTOFF_HZ = 7.0
# A bounce that rises by the crossing level lasts 0.12 s: 7 Hz would halve it.
BOUNCE_CUTOFF_HZ = 12.0
BODY_CUTOFF_HZ = 5.0
# Longer gaps are not bridged.
MAX_GAP_S = 0.4
# Nobody's trunk crosses a tenth of their stature between two looks faster than this: 4 m/s of a
# person of 1.75 m, where the fastest drop under a bar is about 2 m/s (free fall over 0.2 m).
JUMP_ST, JUMP_ST_S = 0.10, 2.3
# A track that has jumped away comes back to the athlete within this time, or it is a cut.
AWAY_S = 4.0


@dataclass(frozen=True)
class Motion:
    """Signals of one athlete and bar, all arrays of shape (m,) on `time_s`.

    Heights `_st` are statures above the floor; NaN where not seen. `bar_sharp_st` is the bar's with
    less smoothing, for impacts. `hands_apart_st` is the distance
    of the two hands in the picture. `hands_off` is the probability that the hands do not hold the
    bar (NaN: unknown). `bar_source` says what the bar's height
    rests on: 0 nothing, 1 the hands, 2 the bar's ends. `pieces` are half-open index ranges between
    hard cuts. `metres` is the bar in metres (None: no tracks of it). `own_floor` (m,) is where no
    body tells the bar's height: `bar_st` is then counted by the plates, in statures of `STATURE_M`,
    from the bar's own lowest place in that piece, `bar_share` (m,) is where in the picture it is
    seen (0 its top edge, 1 its bottom edge) and `metre_share` how much of the picture's height a
    metre takes there. `zone_sure` (m,) is how sure the bar's zones are where its height above the
    floor was inferred (None: nowhere).
    """

    time_s: np.ndarray
    bar_st: np.ndarray
    bar_sharp_st: np.ndarray
    bar_source: np.ndarray
    hand_st: np.ndarray
    shoulder_st: np.ndarray
    hip_st: np.ndarray
    knee_st: np.ndarray
    head_st: np.ndarray
    feet_apart_st: np.ndarray
    hands_apart_st: np.ndarray
    hands_off: np.ndarray
    stature_px: np.ndarray
    pieces: tuple[tuple[int, int], ...]
    video: dict
    sounds: list[dict]
    options: dict
    notices: tuple[Notice, ...] = ()
    metres: BarMetres | None = None
    own_floor: np.ndarray | None = None
    bar_share: np.ndarray | None = None
    metre_share: float = np.nan
    zone_sure: np.ndarray | None = None

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return GRID_HZ


def _rolling(
    times: np.ndarray, values: np.ndarray, grid: np.ndarray, reach_s: float, quantile: float
) -> np.ndarray:
    """Quantile of `values` within `reach_s` of each second, interpolated to `grid`."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(grid), np.nan)
    times, values = times[good], values[good]
    knots = np.arange(grid[0], grid[-1] + 1.0, 1.0)
    first = np.searchsorted(times, knots - reach_s)
    last = np.searchsorted(times, knots + reach_s)
    level = _quantiles(values, first, last, quantile)
    known = np.isfinite(level)
    if not known.any():
        return np.full(len(grid), np.quantile(values, quantile))
    return np.interp(grid, knots[known], level[known])


# Where the athlete stands is told by the ankles near in time: half as much by those so long away.
GROUND_HALF_S, GROUND_REACH_S = 3.5, 20.0


def _ground(times: np.ndarray, ankle: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Where the ankles are (m,) on `grid`: a median that fades with time to either side.

    However long a pose was wrong before the hands let go, what was seen beyond that counts as well.
    """
    good = np.isfinite(ankle)
    if not good.any():
        return np.full(len(grid), np.nan)
    times, ankle = times[good], ankle[good]
    knots = np.arange(grid[0], grid[-1] + 1.0, 1.0)
    first = np.searchsorted(times, knots - GROUND_REACH_S)
    size = np.searchsorted(times, knots + GROUND_REACH_S) - first
    reach = np.arange(max(int(size.max()), 1))
    place = np.minimum(first[:, None] + reach, len(times) - 1)
    fading = np.exp2(-np.abs(times[place] - knots[:, None]) / GROUND_HALF_S)
    fading[reach >= size[:, None]] = 0.0
    value = ankle[place]
    order = value.argsort(axis=1)
    mass = np.take_along_axis(fading, order, 1).cumsum(axis=1)
    middle = (mass < mass[:, -1:] / 2).sum(1)
    known = size >= 5
    if not known.any():
        return np.full(len(grid), np.median(ankle))
    level = np.take_along_axis(value, np.take_along_axis(order, middle[:, None], 1), 1)[:, 0]
    return np.interp(grid, knots[known], level[known])


# Nobody grows: an athlete who comes nearer stays there for longer than one picture in twenty. Noise
# of a standing body's height is 1 to 2 %.
OFTEN, GROWS = 0.95, 1.06


def _stature(times: np.ndarray, tall: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Stature in pixels (m,) on `grid`: what the athlete measures standing within 15 s of it.

    A nearer person followed for a few seconds would be the tallest, and is left out.
    """
    usual = np.nanquantile(tall, OFTEN)
    return _rolling(times, np.where(tall > GROWS * usual, np.nan, tall), grid, 15.0, 0.9)


# Somebody who has not been seen for this long is away (a pose is lost for less).
AWAY_AFTER_S = 1.0


def _held_over(
    grid: np.ndarray,
    pieces: tuple[tuple[int, int], ...],
    there: np.ndarray,
    *levels: np.ndarray,
) -> list[np.ndarray]:
    """`levels` (m,) of the body on `grid` with the times when the athlete is away bridged, from
    those at which they are `there`: what a body measures is not told by its last steps alone."""
    held = [level.copy() for level in levels]
    for a, b in pieces:
        near = ~_far_from(grid[a:b], there, AWAY_AFTER_S)
        for level in held if near.any() else ():
            level[a:b] = np.interp(grid[a:b], grid[a:b][near], level[a:b][near])
    return held


def _quantiles(
    values: np.ndarray, first: np.ndarray, last: np.ndarray, quantile: float
) -> np.ndarray:
    """`np.quantile` of each stretch [first, last) of values (n,), NaN under five; all at once."""
    size = last - first
    reach = np.arange(max(int(size.max(initial=0)), 1))
    inside = reach < size[:, None]
    table = np.where(inside, values[np.minimum(first[:, None] + reach, len(values) - 1)], np.inf)
    table.sort(axis=1)
    place = quantile * np.maximum(size - 1, 0)
    low = place.astype(int)
    rows = np.arange(len(size))
    below, above = table[rows, low], table[rows, np.minimum(low + 1, np.maximum(size - 1, 0))]
    with np.errstate(invalid="ignore"):
        level = below + (above - below) * (place - low)
    return np.where(size >= 5, level, np.nan)


def _mean_pair(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Mean of two columns where both are finite, the finite one where only one is."""
    both = np.isfinite(left) & np.isfinite(right)
    return np.where(both, (left + right) / 2, np.where(np.isfinite(left), left, right))


# So many samples of a moving end and the hands, at least, tell whether the two go together.
TELLING = 20
# Of them so many agree while the bar is held, drops and bounces counted in: two fifths and more in
# rendered clips from all sides; hands that wander by a sixth of a stature agree in a sixth.
AGREEING = 0.35
# Hands that are known in fewer looks than this are not known.
HANDS_KNOWN = 0.1


def _moving(times: np.ndarray, end: np.ndarray, hand: np.ndarray) -> np.ndarray:
    """Indices at which an end moves up or down while the hands are known."""
    known = np.flatnonzero(np.isfinite(end))
    if len(known) < TELLING:
        return np.zeros(0, int)
    ahead = np.interp(times + MOVING_S, times[known], end[known])
    moving = np.abs(ahead - np.interp(times - MOVING_S, times[known], end[known])) > MOVING_ST
    return np.flatnonzero(np.isfinite(end) & np.isfinite(hand) & moving)


def _held_line(
    x: np.ndarray, y: np.ndarray, rng: np.random.Generator
) -> tuple[float, float, int] | None:
    """The line y = slope * x + offset that most samples share, and how many; or None. `x` and `y`
    (n,) are heights of a moving end and of the hands.

    While the bar is held its end and the hands move together; a bar that flies alone does not fit,
    and one that lies still says nothing, however long. Random sample consensus (Fischler & Bolles
    1981), then least squares on the agreeing samples; the slope is held to what perspective allows
    for an end nearer or further than the hands (0.65 m of 3 m: 22 %).
    """
    if len(x) < TELLING:
        return None
    enough = max(TELLING, AGREEING * len(x))
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
    # the lines are counted on some of the samples, the best one then on all
    few = slice(None, None, max(len(x) // 500, 1))
    votes = np.abs(y[few] - slopes[:, None] * x[few] - offsets[:, None]) < 3 * HANDS_SD_ST
    best = int(votes.sum(1).argmax())
    agree = np.abs(y - slopes[best] * x - offsets[best]) < 3 * HANDS_SD_ST
    if agree.sum() < enough:
        return None
    slope, offset = np.polyfit(x[agree], y[agree], 1)
    return float(np.clip(slope, 0.7, 1.4)), float(offset), int(agree.sum())


# Where a bar is carried against the shoulders: on them, in hanging arms, in locked arms (`reading`
# has the same), and how far perspective puts an end off that: 0.4 m above or below the camera, a
# fifth nearer than the shoulders.
CARRIED_ST, CARRIED_OFF_ST = (0.0, -0.37, 0.39), 0.12


# Statures of adults, men and women together: 1.70 m, standard deviation 0.12 m (an assumption); two
# and a half of them below that a body is somebody's farther away, or wrong.
SMALLEST_M = 1.40


def _too_small(stature_px: np.ndarray, sizes: np.ndarray, plate_mm: float) -> bool:
    """Whether the body, of `stature_px` (n,), is too small to hold the bar, whose plates have
    semi-axes `sizes` (n, 2) in pixels: one end nearer than the body, the other farther."""
    if not np.isfinite(stature_px).any() or not np.isfinite(sizes).any():
        return False
    seen = np.isfinite(sizes).any(0)
    axis_px = float(np.exp(np.log(np.nanmedian(sizes[:, seen], axis=0)).mean()))
    return float(np.nanmedian(stature_px)) * plate_mm / 2000 / axis_px < SMALLEST_M


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
    times: np.ndarray, end: np.ndarray, shoulder: np.ndarray, rng: np.random.Generator
) -> tuple[float, float, int] | None:
    """The line that brings an end (n,) to the bar's height by the shoulders (n,), and how many
    samples agree; None if end and shoulders do not move together.

    A bar on the back hides the hands, and from the side its plates do; the shoulders go with it.
    """
    moving = _moving(times, end, shoulder)
    line = _held_line(end[moving], shoulder[moving], rng)
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


def _somebody_else(
    times: np.ndarray, position: np.ndarray, confidence: np.ndarray, place: dict[str, int]
) -> np.ndarray:
    """Where (n,) the pose is another person's: the trunk jumped away and soon came back.

    A jump is a way and a speed that no athlete makes (`JUMP_ST`, `JUMP_ST_S`); coming back means
    jumping again, to within reach of where the trunk was. A cut of the film does not come back.
    """
    away = np.zeros(len(times), bool)
    pairs = [[place[f"{side}_{part}"] for side in ("left", "right")] for part in ("eye", "ankle")]
    eye, ankle = (position[:, 1, pair].mean(1) for pair in pairs)
    extent = (ankle - eye) / (EYE_ST - ANKLE_ST)
    trunk = [place[f"{side}_shoulder"] for side in ("left", "right")]
    looked = np.flatnonzero(
        np.isfinite(position[:, :, trunk]).all((1, 2)) & (confidence[:, trunk] >= SEEN).all(1)
    )
    upright = extent[looked][np.isfinite(extent[looked])]
    if len(looked) < 10 or not len(upright):
        return away
    stature = max(float(np.quantile(upright, 0.9)), 1.0)
    centre = position[looked][:, :, trunk].mean(2) / stature
    step = np.linalg.norm(np.diff(centre, axis=0), axis=1)
    gap = np.diff(times[looked])
    jumps = np.flatnonzero((step > JUMP_ST) & (step > JUMP_ST_S * gap)) + 1
    done = 0
    for order, first in enumerate(jumps):
        if first < done:
            continue
        for last in jumps[order + 1 :]:
            lasted = times[looked[last]] - times[looked[first]]
            if lasted > AWAY_S:
                break
            way = np.linalg.norm(centre[last] - centre[first - 1])
            if way < JUMP_ST + 0.5 * JUMP_ST_S * min(lasted, 0.4):
                away[looked[first] : looked[last]] = True
                done = last
                break
    return away


# A bar this far above its lowest place of the last seconds is in the air.
AIR_ST = 0.06
# Free fall is 5.6 statures a second squared (9.81 m/s² of 1.75 m); half of that for so long is one.
FALLING_ST_S2, FALLING_S = -2.8, 0.12


# Smoothed, an impact takes so long to become flight; a pull from the floor takes twice that.
IMPACT_S = 0.3
# A bar that rises by so much without one is lifted.
LIFTED_ST = 0.10


def _held_all_along(grid: np.ndarray, bar: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Where (m,) the hands seem to be off the bar, but cannot have been: the pose was wrong there.

    A bar that nobody holds falls. If it was held in the air before and after, and neither fell nor
    touched the floor between, it was held all along. Nor does it rise but from an impact: what
    rises otherwise is held until it falls.
    """
    wrong = np.zeros(len(grid), bool)
    finite = np.isfinite(bar)
    if finite.sum() < 10:
        return wrong
    falling = np.gradient(np.gradient(bar)) * GRID_HZ**2 < FALLING_ST_S2
    for a, b in runs(off > 0.5):
        near = int(0.1 * GRID_HZ)
        first, last = max(a - near, 0), min(b + near, len(grid))
        around = bar[max(a - int(AWAY_S * GRID_HZ), 0) : b + int(AWAY_S * GRID_HZ)]
        if not np.isfinite(around).any():
            continue
        lowest = min(float(np.fmin.reduce(around)), 0.2)
        inside = a > 0 and b < len(grid) and (b - a) <= AWAY_S * GRID_HZ
        if inside and finite[first:last].all() and bar[first:last].min() > lowest + AIR_ST:
            falls = [y - x for x, y in runs(falling[first:last])]
            if max(falls, default=0) < FALLING_S * GRID_HZ:
                wrong[first:last] = True
                continue
        for c, d in runs(bar[a:b] > lowest + AIR_ST):
            falls = [
                x
                for x, y in runs(falling[a + c : a + d])
                if y - x >= FALLING_S * GRID_HZ and c + y > d - IMPACT_S * GRID_HZ
            ]
            until = c + max(falls, default=d - c)
            risen = np.ptp(bar[a + c : a + until]) if until > c else 0.0
            if until - c > IMPACT_S * GRID_HZ and risen > LIFTED_ST:
                wrong[a + c : a + until] = True
    return wrong


def measure(
    tracks: xr.Dataset, options: MotionOptions | None = None, *, individual: int = 0
) -> Motion:
    """Measure the motion of one individual of `tracks` (see `repcount.tracking.tracks`).

    Returns a `Motion` on a uniform grid of 60 samples a second; with nothing in the tracks its
    arrays are empty. Raises nothing: what is unseen is NaN.
    """
    options = options or MotionOptions()
    times = tracks["time"].values.astype(float)
    place = {name: index for index, name in enumerate(KEYPOINTS)}
    position = tracks["position"].values[..., individual].astype(float)
    confidence = np.nan_to_num(tracks["confidence"].values[..., individual].astype(float))
    context: dict[str, Any] = {
        "video": attribute(tracks, "video"),
        "sounds": attribute(tracks, "sounds"),
        "options": {**attribute(tracks, "options"), "motion": asdict(options)},
        "notices": (
            *(Notice(code="footage", text=text) for text in attribute(tracks, "warnings")),
            *filming_notices(tracks, individual=individual),
        ),
    }
    if len(times) < 10:
        nothing = np.zeros(0)
        return Motion(
            time_s=nothing,
            bar_st=nothing,
            bar_sharp_st=nothing,
            bar_source=nothing,
            hand_st=nothing,
            shoulder_st=nothing,
            hip_st=nothing,
            knee_st=nothing,
            head_st=nothing,
            feet_apart_st=nothing,
            hands_apart_st=nothing,
            hands_off=nothing,
            stature_px=nothing,
            pieces=(),
            **context,
        )
    grid = np.arange(times[0], times[-1] + 0.5 / GRID_HZ, 1 / GRID_HZ)

    shares = position[:, 1, [place["bar_left"], place["bar_right"]]] / _picture(context["video"])
    shift = tracks["camera_shift"].values.astype(float)
    known = np.isfinite(shift).all(1)
    if known.any():
        for axis in range(2):
            position[:, axis] -= np.interp(times, times[known], shift[known, axis])[:, None]
    body = [place[name] for name in POSE_KEYPOINTS]
    confidence[np.ix_(_somebody_else(times, position, confidence, place), np.array(body))] = 0.0

    points = np.ascontiguousarray(position.transpose(2, 0, 1))

    def seen(name: str, threshold: float = SEEN) -> np.ndarray:
        index = place[name]
        return np.where((confidence[:, index] >= threshold)[:, None], points[index], np.nan)

    def pair(name: str, threshold: float = SEEN) -> np.ndarray:
        left, right = seen("left_" + name, threshold), seen("right_" + name, threshold)
        return np.stack([_mean_pair(left[:, k], right[:, k]) for k in range(2)], 1)

    cuts = times[tracks["cut"].values.astype(bool)]
    borders = [0, *np.searchsorted(grid, cuts - 0.5 / GRID_HZ).tolist(), len(grid)]
    pieces = tuple((a, b) for a, b in itertools.pairwise(borders) if b > a)
    in_piece = [(times >= grid[a] - 1e-6) & (times < grid[b - 1] + 1 / GRID_HZ) for a, b in pieces]

    eye, ankle = pair("eye")[:, 1], pair("ankle")[:, 1]
    stature = np.full(len(grid), np.nan)
    ground = np.full(len(grid), np.nan)
    for (a, b), inside in zip(pieces, in_piece, strict=True):
        extent = (ankle - eye)[inside] / (EYE_ST - ANKLE_ST)
        span = grid[a:b]
        # the tallest tenth of half a minute is the athlete upright
        stature[a:b] = _rolling(times[inside], extent, span, 15.0, 0.9)
        ground[a:b] = _rolling(times[inside], ankle[inside], span, 5.0, 0.5)
    stature[stature <= 0] = np.nan
    # who is away stays as tall as before, and the floor where it was
    there = times[(confidence[:, body] > 0).any(1)]
    stature, ground = _held_over(grid, pieces, there, stature, ground)
    stature_at = np.interp(times, grid, stature)
    ground_at = np.interp(times, grid, ground)

    def height(y: np.ndarray) -> np.ndarray:
        return np.asarray((ground_at - y) / stature_at + ANKLE_ST)

    def curve(
        values: np.ndarray, weights: np.ndarray | float, cutoff: float, scale: float
    ) -> np.ndarray:
        result = np.full(len(grid), np.nan)
        weights = np.broadcast_to(np.asarray(weights, float), values.shape)
        for a, b in pieces:
            use = (
                np.isfinite(values)
                & (weights > 0)
                & (times >= grid[a] - 1e-6)
                & (times <= grid[b - 1] + 1e-6)
            )
            if use.sum() < 5:
                continue
            line = smooth(
                times[use], values[use], weights[use], grid[a:b], cutoff, robust_scale=scale
            )
            at = times[use]
            after = np.clip(np.searchsorted(at, grid[a:b]), 1, len(at) - 1)
            gap = at[after] - at[after - 1]
            outside = (grid[a:b] < at[0] - 0.1) | (grid[a:b] > at[-1] + 0.1)
            result[a:b] = np.where((gap > MAX_GAP_S) | outside, np.nan, line)
        return result

    knuckles = {
        side: np.stack(
            [
                _mean_pair(
                    seen(f"{side}_pinky", HANDS_SEEN)[:, k],
                    seen(f"{side}_index", HANDS_SEEN)[:, k],
                )
                for k in range(2)
            ],
            1,
        )
        for side in ("left", "right")
    }
    hand = np.stack(
        [_mean_pair(knuckles["left"][:, k], knuckles["right"][:, k]) for k in range(2)], 1
    )
    ends = [seen(name, 0.0) for name in ("bar_left", "bar_right")]
    trust = [confidence[:, place[name]] for name in ("bar_left", "bar_right")]

    # Bring each end to the height the hands would have on the bar, twice: the second time against
    # the ground where the athlete stands while holding it. Stepping back from a bar on the floor
    # moves the feet in the picture, not the bar.
    body_wrong, apart_from_hands = False, False
    sizes = tracks["plate_semi_axis"].values[..., individual].astype(float)
    for _ in range(2):
        rng = np.random.default_rng(0)
        hand_height = height(hand[:, 1])
        levels = np.full((2, len(times)), np.nan)
        agreeing, telling = np.zeros(2, int), np.zeros(2, int)
        for k, (end, weight) in enumerate(zip(ends, trust, strict=True)):
            end_height = height(end[:, 1])
            moving = _moving(times, np.where(weight >= SEEN, end_height, np.nan), hand_height)
            line = _held_line(end_height[moving], hand_height[moving], rng)
            telling[k] = len(moving)
            if line is None and _lies(end_height[weight >= SEEN]):
                line = 1.0, 0.0, 0  # it has only lain there
            if line is not None:
                levels[k] = np.where(weight > 0, line[0] * end_height + line[1], np.nan)
                agreeing[k] = line[2]
        hands_hidden = False
        if not agreeing.any() and not _too_small(stature_at, sizes, options.plate_mm):
            shoulder = _between_looks(times, height(pair("shoulder")[:, 1]))
            for k, (end, weight) in enumerate(zip(ends, trust, strict=True)):
                end_height = np.where(weight >= SEEN, height(end[:, 1]), np.nan)
                line = _carried_line(times, end_height, shoulder, rng)
                if line is not None:
                    levels[k] = line[0] * end_height + line[1]
                    agreeing[k], hands_hidden = line[2], True
            if hands_hidden:
                hand_height[:] = np.nan
        unknown = np.isfinite(hand_height).mean() < HANDS_KNOWN
        apart_from_hands = not agreeing.any() and (unknown or telling.max() >= TELLING)
        least = 0.0 if unknown or _one_bar(times, ends[0][:, 1], ends[1][:, 1], sizes) else PROVEN
        own = np.full(len(times), np.nan)
        own_mass = np.zeros(len(times))
        for inside in in_piece:
            if apart_from_hands or not np.isfinite(levels[:, inside]).any():
                own[inside], own_mass[inside] = _own_height(
                    times[inside],
                    np.stack([end[inside, 1] for end in ends]),
                    sizes[inside].T,
                    np.stack(trust)[:, inside],
                    options.plate_mm / 2000 / STATURE_M,
                    least,
                )
        body_wrong = apart_from_hands and bool(np.isfinite(own).any())
        if body_wrong:
            levels[:], hand_height[:] = np.nan, np.nan
        apart = np.abs(levels[0] - levels[1])
        apart = apart[np.isfinite(apart)]
        if len(apart) and (apart > DISAGREE_ST).mean() > 0.5:
            # one of them is no end of this bar, or was never held long enough to tell its height
            levels[int(np.argmin(agreeing))] = np.nan
        ends_height, mass = _join_ends(levels, np.stack(trust), hand_height)
        by_itself = np.isfinite(own)
        ends_height = np.where(by_itself, own, ends_height)
        mass = np.where(by_itself, own_mass, mass)
        off = np.full(len(times), np.nan)  # hands that are hidden or made up tell nothing
        if not body_wrong and not hands_hidden:
            off = _hands_off(times, hand, ends, ends_height, hand_height, knuckles, stature_at)
        lying = _lies_still(times, ends_height)
        # long before or after the bar is seen nobody holds it
        seen_s = times[np.isfinite(ends_height)]
        free = (off > 0.5) | _far_from(times, seen_s, AWAY_AFTER_S)
        held = np.where(free | lying, np.nan, ankle)
        tall = np.where(free, np.nan, (ankle - eye) / (EYE_ST - ANKLE_ST))
        for (a, b), inside in zip(pieces, in_piece, strict=True):
            if np.isfinite(held[inside]).sum() >= 5:
                ground[a:b] = _ground(times[inside], held[inside], grid[a:b])
            if np.isfinite(tall[inside]).sum() >= 5:
                # who walks off or comes nearer with free hands is not at the bar
                stature[a:b] = _stature(times[inside], tall[inside], grid[a:b])
        stature[stature <= 0] = np.nan
        stature, ground = _held_over(grid, pieces, there, stature, ground)
        stature_at = np.interp(times, grid, stature)
        ground_at = np.interp(times, grid, ground)
    hand_weight = (ENDS_SD_ST / HANDS_SD_ST) ** 2
    from_ends = np.isfinite(ends_height)
    from_hands = ~from_ends & np.isfinite(hand_height) & ~(off > 0.5)
    sample = np.where(from_ends, ends_height, np.where(from_hands, hand_height, np.nan))
    weights = np.where(from_ends, np.clip(mass, 0.1, 1.0), np.where(from_hands, hand_weight, 0.0))
    weights[_leaps(times, np.where(from_ends, ends_height, np.nan))] = 0.0
    bar = curve(sample, weights, BAR_CUTOFF_HZ, 0.012)
    bounces = curve(sample, weights, BOUNCE_CUTOFF_HZ, 0.012)
    known = np.isfinite(off)
    off_curve = (
        np.interp(grid, times[known], off[known], left=np.nan, right=np.nan)
        if known.any()
        else np.full(len(grid), np.nan)
    )
    body_lost = np.full(len(grid), body_wrong) | _held_all_along(grid, bar, off_curve)
    own_floor = np.zeros(len(grid), bool)
    for (a, b), inside in zip(pieces, in_piece, strict=True):
        own_floor[a:b] = by_itself[inside].any()
    off_curve[body_lost] = np.nan
    if apart_from_hands and not body_wrong and telling.max() >= TELLING:
        context["notices"] += (
            Notice(
                code="hands-apart",
                text="The hands and the plates that were found do not move together, so the bar's "
                "height is unsure; check the reps, and film from 30 to 60 degrees off the front.",
            ),
        )
    if own_floor.any():
        alone = grid[own_floor]
        context["notices"] += (
            Notice(
                code="body-unread",
                text=f"{clock(alone[0])} to {clock(alone[-1])}: the athlete's body could "
                "not be made out, so the reps come from the bar alone and movements may be "
                "confused; film from 30 to 60 degrees off the front.",
                start_s=float(alone[0]),
                end_s=float(alone[-1]),
            ),
        )
    lost_at = np.interp(times, grid, body_lost.astype(float)) > 0
    off = np.where(lost_at, np.nan, off)
    confidence[np.ix_(lost_at, np.array(body))] = 0.0
    hand_height = np.where(lost_at, np.nan, hand_height)
    nearest = np.clip(np.searchsorted(times, grid), 0, len(times) - 1)
    source = np.where(from_ends[nearest], 2, np.where(from_hands[nearest], 1, 0))
    source = np.where(np.isfinite(bar), np.maximum(source, 1), 0).astype(np.int8)

    feet_left, feet_right = seen("left_ankle"), seen("right_ankle")
    apart = np.linalg.norm(feet_left - feet_right, axis=1) / stature_at
    for side in knuckles.values():
        side[lost_at] = np.nan
    hands_apart = np.linalg.norm(knuckles["left"] - knuckles["right"], axis=1) / stature_at
    return Motion(
        time_s=grid,
        bar_st=bar,
        bar_sharp_st=bounces,
        bar_source=source,
        hand_st=curve(hand_height, 1.0, BODY_CUTOFF_HZ, 0.04),
        shoulder_st=curve(height(pair("shoulder")[:, 1]), 1.0, BODY_CUTOFF_HZ, 0.03),
        hip_st=curve(height(pair("hip")[:, 1]), 1.0, BODY_CUTOFF_HZ, 0.03),
        knee_st=curve(height(pair("knee")[:, 1]), 1.0, BODY_CUTOFF_HZ, 0.03),
        head_st=curve(height(eye), 1.0, BODY_CUTOFF_HZ, 0.03),
        feet_apart_st=curve(apart, 1.0, 3.0, 0.04),
        hands_apart_st=curve(hands_apart, 1.0, BODY_CUTOFF_HZ, 0.04),
        hands_off=off_curve,
        stature_px=stature,
        pieces=pieces,
        own_floor=own_floor,
        bar_share=_seen_at(times, grid, shares, np.stack(trust, 1)),
        metre_share=_metre_share(sizes, context["video"], options.plate_mm),
        metres=bar_metres(
            times,
            np.stack(ends, 1),
            sizes,
            np.stack(trust, 1),
            off,
            grid,
            pieces,
            plate_mm=options.plate_mm,
            pixel=_pixel(context["video"], context["options"]),
        ),
        **context,
    )


def _picture(video: dict[str, Any]) -> float:
    """The picture's height in pixels, NaN if unknown."""
    return float(video.get("height") or np.nan)


def _seen_at(
    times: np.ndarray, grid: np.ndarray, shares: np.ndarray, trust: np.ndarray
) -> np.ndarray:
    """Where in the picture (m,) the better seen end of the bar is, NaN where unknown."""
    better = int((np.isfinite(shares) * trust).sum(0).argmax())
    known = np.isfinite(shares[:, better])
    if not known.any():
        return np.full(len(grid), np.nan)
    return np.interp(grid, times[known], shares[known, better])


def _metre_share(sizes: np.ndarray, video: dict[str, Any], plate_mm: float) -> float:
    """How much of the picture's height a metre takes at the better seen plate; NaN if unknown."""
    known = np.isfinite(sizes).sum(0)
    if not known.any():
        return np.nan
    radius_px = float(np.nanmedian(sizes[:, int(known.argmax())]))
    return radius_px / (plate_mm / 2000) / _picture(video)


def _pixel(video: dict[str, Any], options: dict[str, Any]) -> float:
    """Pixels of the full-size picture to one of the pictures that were looked at."""
    looked = options.get("tracking", {}).get("max_side")
    whole = max(video.get("width", 0), video.get("height", 0))
    return max(1.0, whole / looked) if looked else 1.0


# Nobody jerks a loaded bar harder than twice the fall's acceleration, in statures a second squared.
JERKED_ST_S2 = 11.0
# Lower than in one sample of fifty the bar is nowhere: it lies for longer, if it lies at all.
UNDER = 0.02


def _leaps(times: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Single samples (n,) of a height that leap away from both their neighbours and back.

    Nothing but the floor turns a bar upwards so sharply, and nothing at all downwards: of a bar
    that lies, a leap up is wrong as well, or one into the floor.
    """
    leap = np.zeros(len(height), bool)
    known = np.flatnonzero(np.isfinite(height))
    if len(known) < 3:
        return leap
    x, t = height[known], times[known]
    step = np.maximum(t[2:] - t[1:-1], t[1:-1] - t[:-2])
    share = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    off = x[1:-1] - (x[:-2] + share * (x[2:] - x[:-2]))
    sharp = np.abs(off) > 5 * ENDS_SD_ST + JERKED_ST_S2 / 2 * step**2
    under = x[1:-1] < np.quantile(x, UNDER) - 5 * ENDS_SD_ST
    possible = (off > 0) | (np.minimum(x[:-2], x[2:]) > LYING_ST) | under
    # beside a leap its neighbours seem to leap the other way, half as far
    possible &= np.abs(off) >= maximum_filter1d(np.abs(off), 3)
    leap[known[1:-1][sharp & possible & (step < MAX_GAP_S / 2)]] = True
    return leap


def _lies(height: np.ndarray) -> bool:
    """Whether an end that never moved with the hands is that of a bar on the floor."""
    height = height[np.isfinite(height)]
    return len(height) >= 20 and float((height < LYING_ST).mean()) > 0.9


# A usual athlete, where nothing tells the stature in metres.
STATURE_M = 1.75
# So much trust only an end has that was seen to go with hands (`tracking.bar.UNPROVEN`).
PROVEN = 0.7


# The heights of one bar's two ends go up and down together like this.
TOGETHER = 0.95


def _one_bar(times: np.ndarray, left: np.ndarray, right: np.ndarray, size: np.ndarray) -> bool:
    """Whether two ends, at heights (n,) pixels and of semi-axes (n, 2), are lifted together by more
    than their plates' radius: a bar, whoever holds it."""
    if not np.isfinite(size).any():
        return False
    radius_px = float(np.nanmedian(size))
    moving = _moving(times, left / radius_px, right)
    if len(moving) < TELLING or np.ptp(left[moving]) < radius_px:
        return False
    return bool(np.corrcoef(left[moving], right[moving])[0, 1] > TOGETHER)


def _own_height(
    times: np.ndarray,
    y: np.ndarray,
    sizes: np.ndarray,
    trust: np.ndarray,
    radius_st: float,
    least: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Height (n,) of a bar above its own lowest place by its plates' size, and its trust (n,).

    From the side the plates hide both hands, and the pose makes them up; in a rack or behind others
    nobody's pose may be found. `y` (2, n) and `sizes` (2, n), the semi-axes, in pixels; `trust`
    (2, n); `radius_st` the plates' radius in statures. An end that is trusted less than `least` all
    the time says nothing; all NaN if neither does, or nothing was lifted.
    """
    levels = np.full(y.shape, np.nan)
    for k in (0, 1):
        known = np.isfinite(y[k]) & np.isfinite(sizes[k]) & (trust[k] >= SEEN)
        if known.sum() >= 20 and np.quantile(trust[k][known], 0.9) >= least:
            levels[k] = -np.where(known, y[k], np.nan) * radius_st
            levels[k] /= float(np.median(sizes[k][known]))
    apart = levels[0] - levels[1]
    if np.isfinite(apart).any():
        levels[1] += float(np.nanmedian(apart))  # nearer and farther, they are ends of one bar
    elif np.isfinite(levels).any(1).all():
        levels[int(np.argmin(np.isfinite(levels).sum(1)))] = np.nan
    joined, mass = _join_ends(levels, trust, np.full(len(times), np.nan))
    if np.isfinite(joined).sum() < 20:
        return np.full(len(times), np.nan), mass
    low, high = np.nanquantile(joined, (UNDER, 1 - UNDER))
    if high - low < LIFTED_ST:
        return np.full(len(times), np.nan), mass
    return joined - low, mass


# Set down and taken up again, a bar is still for longer than this.
STILL_S = 1.0


def _lies_still(times: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Where (n,) a bar that is seen has not moved for `STILL_S` and will not: whoever stands there
    then may stand anywhere."""
    known = np.flatnonzero(np.isfinite(height))
    if len(known) < 2:
        return np.zeros(len(times), bool)
    at, seen = times[known], height[known]
    rise = np.interp(at + MOVING_S, at, seen) - np.interp(at - MOVING_S, at, seen)
    moves = at[np.abs(rise) > MOVING_ST]
    return _far_from(times, moves, STILL_S) & ~_far_from(times, at, STILL_S)


def _far_from(times: np.ndarray, events: np.ndarray, reach_s: float) -> np.ndarray:
    """Where (n,) no event lies within `reach_s` of the times; both in order."""
    first = np.searchsorted(events, times - reach_s)
    return np.searchsorted(events, times + reach_s, side="right") == first


# Two ends brought to one height that still differ by more are not two ends of one bar.
DISAGREE_ST = 0.04


def _join_ends(
    levels: np.ndarray, trust: np.ndarray, hand: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """One height (n,) and its trust (n,) from both ends (2, n); NaN where neither is seen.

    Where the two contradict each other the one nearer the hands is believed, at half its trust;
    where no hand was ever seen, the one that is trusted more.
    """
    weight = np.where(np.isfinite(levels), trust, 0.0)
    apart = np.abs(levels[0] - levels[1]) > DISAGREE_ST
    seen = np.isfinite(hand)
    if seen.any():
        places = np.arange(len(hand))
        hand = np.interp(places, places[seen], hand[seen])
        far = np.nan_to_num(np.abs(levels - hand), nan=1.0)
    else:
        far = 1.0 - weight
    worse = np.where(far[0] > far[1], 0, 1)
    weight[worse[apart], np.flatnonzero(apart)] = 0.0
    weight[:, apart] *= 0.5
    mass = weight.sum(0)
    with np.errstate(invalid="ignore", divide="ignore"):
        joined = np.where(mass > 0.25, (np.nan_to_num(levels) * weight).sum(0) / mass, np.nan)
    return joined, mass


# Bending down for it, the hands are this near to a bar: their own length.
REACH_ST = HAND_ST
# The plates' radius over a usual stature: where a bar that was let go will lie.
RADIUS_ST = 0.13
# Hands apart for so long have let go; a wrist that turns over in a clean takes a third of it.
LET_GO_S = 1.0


def _still_off(
    off: np.ndarray, from_bar: np.ndarray, ends_height: np.ndarray, hand_height: np.ndarray
) -> np.ndarray:
    """`off` where the bar has gone out of sight: let go of before, it is not held until reached."""
    off = off.copy()
    away, lies = False, RADIUS_ST
    for k, (seen, bar, hand) in enumerate(
        zip(from_bar.tolist(), ends_height.tolist(), hand_height.tolist(), strict=True)
    ):
        if seen == seen:  # not NaN
            away = seen > 0.5
            lies = min(bar, RADIUS_ST) if bar < LYING_ST else RADIUS_ST
        elif away and hand == hand:
            if abs(hand - lies) < REACH_ST:
                away = False
            else:
                off[k] = 0.95
    return off


def _hands_off(
    times: np.ndarray,
    hand: np.ndarray,
    ends: list[np.ndarray],
    ends_height: np.ndarray,
    hand_height: np.ndarray,
    knuckles: dict[str, np.ndarray],
    stature: np.ndarray,
) -> np.ndarray:
    """Probability (n,) that the hands do not hold the bar; NaN where nothing tells.

    Where the bar is seen: how far the hands are from its line, against a hand's own length
    (0.108 of stature, Winter 2009, from memory). Where it is not: a bar keeps both hands at a
    fixed distance, so a spread that leaves its usual value says the hands are free.
    """
    vertical = np.abs(hand_height - ends_height)
    both = np.isfinite(ends[0][:, 0]) & np.isfinite(ends[1][:, 0])
    middle = (ends[0][:, 0] + ends[1][:, 0]) / 2
    # hands grip near the middle third of the bar; beyond half its seen length they are elsewhere
    reach = np.abs(ends[1][:, 0] - ends[0][:, 0]) / 2
    sideways = np.where(both, np.maximum(np.abs(hand[:, 0] - middle) - 0.5 * reach, 0), 0) / stature
    distance = np.hypot(vertical, np.nan_to_num(sideways))
    from_bar = 1 / (1 + np.exp(-(distance - 0.09) / 0.015))

    spread = (knuckles["left"] - knuckles["right"]) / stature[:, None]
    held = np.isfinite(vertical) & (vertical < 0.05) & np.isfinite(spread).all(1)
    if held.sum() < 20:
        held = np.isfinite(spread).all(1)
    if held.sum() < 20:
        return np.where(np.isfinite(vertical), from_bar, np.nan)
    usual = np.median(spread[held], axis=0)
    noise = np.maximum(1.4826 * np.median(np.abs(spread[held] - usual), axis=0), 0.02)
    departure = np.sqrt((((spread - usual) / (4 * noise)) ** 2).sum(1))
    from_spread = 1 / (1 + np.exp(-(departure - 1.5) / 0.25))
    off = np.where(np.isfinite(vertical), from_bar, from_spread)
    off = _still_off(off, from_bar, ends_height, hand_height)
    # a quarter of a second decides: single frames of a turning wrist do not. The pose may be looked
    # for in every other frame only: what is known is filtered as one sequence.
    known = np.flatnonzero(np.isfinite(off))
    if len(known) < 3:
        return off
    told, at = off[known], times[known]
    width = max(int(0.25 / max(float(np.median(np.diff(at))), 1e-3)) | 1, 1)
    if len(told) > width:
        padded = np.pad(told, width // 2, mode="edge")
        told = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    # with the bar unseen too, hands that have let go hold it again only when they have been down
    reached = np.isfinite(from_bar[known]) | (np.abs(hand_height[known] - RADIUS_ST) < REACH_ST)
    for a, b in runs(told > 0.5):
        if at[b - 1] - at[a] >= LET_GO_S:
            down = np.flatnonzero(reached[b:])
            told[b : b + int(down[0]) if len(down) else len(told)] = 0.95
    off[known] = told
    return off
