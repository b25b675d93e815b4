"""The scene: where the athlete stands, how tall they are in the frame, where the film is cut.

Heights are taken against the ankles and in body heights of the same stretch of film.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import xarray as xr

from repcount.attempt.anthropometry import ANKLE_HEIGHT_ST, EYE_HEIGHT_ST, HIP_HEIGHT_ST
from repcount.motion.smoothing import smooth
from repcount.tracking.tracks import KEYPOINTS, POSE_KEYPOINTS

GRID_HZ = 60.0
# Below this the model itself says "more likely hidden than seen" (logistic output).
SEEN = 0.5
# The pose model's ankle lies about 3 cm above the joint.
ANKLE_ST = ANKLE_HEIGHT_ST + 0.017
EYE_ST = EYE_HEIGHT_ST
# The legs' share of what stands between ankles and eyes; how far a stance as wide as for a sumo
# deadlift (0.10 less), a view from above or from below and the pose's error put it off; and what a
# body counts whose hips are not seen (assumptions).
LEGS = (HIP_HEIGHT_ST - ANKLE_ST) / (EYE_ST - ANKLE_ST)
LEGS_SD, UNSEEN_LEGS = 0.12, 0.5
# Longer gaps are not bridged.
MAX_GAP_S = 0.4
# Nobody's trunk crosses a tenth of their body height between two looks faster than this: 4 m/s of a
# person of 1.75 m, where the fastest drop under a bar is about 2 m/s (free fall over 0.2 m).
JUMP_ST, JUMP_ST_S = 0.10, 2.3
# A track that has jumped away comes back to the athlete within this time, or it is a cut.
AWAY_S = 4.0
PLACE = {name: index for index, name in enumerate(KEYPOINTS)}
BODY = np.array([PLACE[name] for name in POSE_KEYPOINTS])


@dataclass(frozen=True)
class Scene:
    """Body and bar of one athlete in the frame, and what turns pixels into heights.

    `points` (keypoints, n, 2) in pixels, camera movement taken out, and `confidence` (n, keypoints)
    belong to `times` (n,); `stature` and `ground` (m,), in pixels, to `grid` (m,). `pieces` are
    half-open index ranges of the grid between hard cuts, `inside` the samples (n,) of each. `there`
    are the times at which a body is seen.
    """

    times: np.ndarray
    grid: np.ndarray
    points: np.ndarray
    confidence: np.ndarray
    pieces: tuple[tuple[int, int], ...]
    inside: tuple[np.ndarray, ...]
    there: np.ndarray
    stature: np.ndarray
    ground: np.ndarray

    @cached_property
    def stature_at(self) -> np.ndarray:
        """The body height (n,) in pixels at `times`."""
        return np.interp(self.times, self.grid, self.stature)

    @cached_property
    def ground_at(self) -> np.ndarray:
        """Where the ankles stand (n,) in pixels at `times`."""
        return np.interp(self.times, self.grid, self.ground)

    def trust(self, name: str) -> np.ndarray:
        """How sure a keypoint is (n,)."""
        return np.asarray(self.confidence[:, PLACE[name]])

    def seen(self, name: str, threshold: float = SEEN) -> np.ndarray:
        """A keypoint (n, 2), NaN where it is less sure than `threshold`."""
        known = (self.trust(name) >= threshold)[:, None]
        return np.where(known, self.points[PLACE[name]], np.nan)

    def pair(self, name: str) -> np.ndarray:
        """The middle (n, 2) of a left and a right keypoint, or the one of them that is seen."""
        return middle(self.seen("left_" + name), self.seen("right_" + name))

    def tall(self) -> np.ndarray:
        """The body height (n,) in pixels of somebody who stood upright as eyes and ankles are."""
        return np.asarray((self.pair("ankle")[:, 1] - self.pair("eye")[:, 1]) / (EYE_ST - ANKLE_ST))

    def upright(self) -> np.ndarray:
        """How much (n,) `tall` is to be believed: as much as the legs' share of it is a standing
        athlete's. Who bends over has more of it in the legs, who squats has less."""
        ankle = self.pair("ankle")[:, 1]
        legs = (ankle - self.pair("hip")[:, 1]) / (ankle - self.pair("eye")[:, 1])
        weight = np.exp(-0.5 * ((legs - LEGS) / LEGS_SD) ** 2)
        return np.where(np.isfinite(legs), weight, UNSEEN_LEGS)

    def height(self, y: np.ndarray) -> np.ndarray:
        """Body heights above the floor (n,) of places `y` (n,) in pixels."""
        return np.asarray((self.ground_at - y) / self.stature_at + ANKLE_ST)

    def curve(
        self, values: np.ndarray, weights: np.ndarray | float, cutoff: float, scale: float
    ) -> np.ndarray:
        """`values`, (n,) or (k, n) of k sensors, smoothed onto the grid (m,), NaN in gaps longer
        than `MAX_GAP_S`."""
        times, grid = self.times, self.grid
        result = np.full(len(grid), np.nan)
        weights = np.broadcast_to(np.asarray(weights, float), values.shape)
        for a, b in self.pieces:
            use = np.atleast_2d(np.isfinite(values) & (weights > 0)).any(0)
            use &= (times >= grid[a] - 1e-6) & (times <= grid[b - 1] + 1e-6)
            if use.sum() < 5:
                continue
            at = times[use]
            line = smooth(
                at, values[..., use], weights[..., use], grid[a:b], cutoff, robust_scale=scale
            )
            after = np.clip(np.searchsorted(at, grid[a:b]), 1, len(at) - 1)
            gap = at[after] - at[after - 1]
            outside = (grid[a:b] < at[0] - 0.1) | (grid[a:b] > at[-1] + 0.1)
            result[a:b] = np.where((gap > MAX_GAP_S) | outside, np.nan, line)
        return result

    def on_ground(self, at_bar: np.ndarray, free: np.ndarray) -> Scene:
        """The scene with body height and ground estimated by where the athlete stands `at_bar`
        (n,), and by how tall they are where their hands are not `free` (n,)."""
        ankle = np.where(at_bar, self.pair("ankle")[:, 1], np.nan)
        tall, upright = np.where(free, np.nan, self.tall()), self.upright()
        stature, ground = self.stature.copy(), self.ground.copy()
        for (a, b), inside in zip(self.pieces, self.inside, strict=True):
            times, span = self.times[inside], self.grid[a:b]
            if np.isfinite(ankle[inside]).sum() >= 5:
                ground[a:b] = ground_level(times, ankle[inside], span)
            if np.isfinite(tall[inside]).sum() >= 5:
                # who walks off or comes nearer with free hands is not at the bar
                stature[a:b] = stature_px(times, tall[inside], upright[inside], span)
        return self._held_over(stature, ground)

    def without_body(self, lost: np.ndarray) -> Scene:
        """The scene with nothing seen of the body where it is `lost` (n,)."""
        confidence = self.confidence.copy()
        confidence[np.ix_(lost, BODY)] = 0.0
        return replace(self, confidence=confidence)

    def _held_over(self, stature: np.ndarray, ground: np.ndarray) -> Scene:
        stature[stature <= 0] = np.nan
        # who is away stays as tall as before, and the floor where it was
        stature, ground = held_over(self.grid, self.pieces, self.there, stature, ground)
        return replace(self, stature=stature, ground=ground)


def scene_of(tracks: xr.Dataset, individual: int) -> Scene:
    """The scene of one individual of `tracks` (n > 1): another person's poses left out, camera
    movement taken out, body height and ground as the body gives them all along."""
    times = tracks["time"].values.astype(float)
    position = tracks["position"].values[..., individual].astype(float)
    confidence = np.nan_to_num(tracks["confidence"].values[..., individual].astype(float))
    grid = np.arange(times[0], times[-1] + 0.5 / GRID_HZ, 1 / GRID_HZ)
    shift = tracks["camera_shift"].values.astype(float)
    known = np.isfinite(shift).all(1)
    if known.any():
        for axis in range(2):
            position[:, axis] -= np.interp(times, times[known], shift[known, axis])[:, None]
    confidence[np.ix_(_somebody_else(times, position, confidence), BODY)] = 0.0
    cuts = times[tracks["cut"].values.astype(bool)]
    borders = [0, *np.searchsorted(grid, cuts - 0.5 / GRID_HZ).tolist(), len(grid)]
    pieces = tuple((a, b) for a, b in itertools.pairwise(borders) if b > a)
    scene = Scene(
        times=times,
        grid=grid,
        points=np.ascontiguousarray(position.transpose(2, 0, 1)),
        confidence=confidence,
        pieces=pieces,
        inside=tuple(
            (times >= grid[a] - 1e-6) & (times < grid[b - 1] + 1 / GRID_HZ) for a, b in pieces
        ),
        there=times[(confidence[:, BODY] > 0).any(1)],
        stature=np.full(len(grid), np.nan),
        ground=np.full(len(grid), np.nan),
    )
    ankle, tall, upright = scene.pair("ankle")[:, 1], scene.tall(), scene.upright()
    stature, ground = scene.stature.copy(), scene.ground.copy()
    for (a, b), inside in zip(pieces, scene.inside, strict=True):
        # the tallest tenth of half a minute is the athlete upright
        stature[a:b] = _rolling(times[inside], tall[inside], upright[inside], grid[a:b], 15.0, 0.9)
        even = np.ones(int(inside.sum()))
        ground[a:b] = _rolling(times[inside], ankle[inside], even, grid[a:b], 5.0, 0.5)
    return scene._held_over(stature, ground)


def middle(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Mean of two places (n, 2), of each axis the finite one where only one is."""
    return np.stack([_mean_pair(left[:, axis], right[:, axis]) for axis in range(2)], 1)


def _rolling(
    times: np.ndarray,
    values: np.ndarray,
    weights: np.ndarray,
    grid: np.ndarray,
    reach_s: float,
    quantile: float,
) -> np.ndarray:
    """Weighted quantile of `values` within `reach_s` of each second, interpolated to `grid`."""
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(grid), np.nan)
    times, values, weights = times[good], values[good], weights[good]
    knots = np.arange(grid[0], grid[-1] + 1.0, 1.0)
    first = np.searchsorted(times, knots - reach_s)
    last = np.searchsorted(times, knots + reach_s)
    level = _quantiles(values, weights, first, last, quantile)
    known = np.isfinite(level)
    if not known.any():
        return np.full(len(grid), np.quantile(values, quantile))
    return np.interp(grid, knots[known], level[known])


# Where the athlete stands is estimated from the ankles near in time: half as much by those so long
# away.
GROUND_HALF_S, GROUND_REACH_S = 3.5, 20.0


def ground_level(times: np.ndarray, ankle: np.ndarray, grid: np.ndarray) -> np.ndarray:
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
    half = (mass < mass[:, -1:] / 2).sum(1)
    known = size >= 5
    if not known.any():
        return np.full(len(grid), np.median(ankle))
    level = np.take_along_axis(value, np.take_along_axis(order, half[:, None], 1), 1)[:, 0]
    return np.interp(grid, knots[known], level[known])


# Nobody grows: an athlete who comes nearer stays there for more than a tenth of the time, which a
# wrong pose of some seconds is of a minute's film. Noise of a standing body's height is 1 to 2 %.
OFTEN, GROWS = 0.9, 1.06


def stature_px(
    times: np.ndarray, tall: np.ndarray, upright: np.ndarray, grid: np.ndarray
) -> np.ndarray:
    """Body height in pixels (m,) on `grid`: what the athlete measures standing within 15 s of it.

    Samples `tall` (n,) count as much as the body is `upright` (n,) in them. A nearer person
    followed for a few seconds would be the tallest, and is left out.
    """
    known = np.isfinite(tall)
    whole = np.array([0]), np.array([int(known.sum())])
    usual = _quantiles(tall[known], upright[known], *whole, OFTEN)
    usable = np.where(tall > GROWS * usual, np.nan, tall)
    return _rolling(times, usable, upright, grid, 15.0, 0.9)


# Somebody who has not been seen for this long is away (a pose is lost for less).
AWAY_AFTER_S = 1.0


def held_over(
    grid: np.ndarray,
    pieces: tuple[tuple[int, int], ...],
    there: np.ndarray,
    *levels: np.ndarray,
) -> list[np.ndarray]:
    """`levels` (m,) of the body on `grid` with the times when the athlete is away bridged, from
    those at which they are `there`: a body is not measured by its last steps alone."""
    held = [level.copy() for level in levels]
    for a, b in pieces:
        near = ~far_from(grid[a:b], there, AWAY_AFTER_S)
        for level in held if near.any() else ():
            level[a:b] = np.interp(grid[a:b], grid[a:b][near], level[a:b][near])
    return held


def _quantiles(
    values: np.ndarray, weights: np.ndarray, first: np.ndarray, last: np.ndarray, quantile: float
) -> np.ndarray:
    """The weighted quantile of each stretch [first, last) of values (n,), NaN under five; all at
    once. With even weights it is `np.quantile`."""
    size = last - first
    reach = np.arange(max(int(size.max(initial=0)), 1))
    inside = reach < size[:, None]
    place = np.minimum(first[:, None] + reach, len(values) - 1)
    table = np.where(inside, values[place], np.inf)
    order = table.argsort(axis=1)
    table = np.take_along_axis(table, order, 1)
    mass = np.take_along_axis(np.where(inside, weights[place], 0.0), order, 1)
    # the share of all that lies below the middle of each sample's own weight
    below = mass.cumsum(axis=1) - mass / 2
    lowest, rows = below[:, 0], np.arange(len(size))
    highest = below[rows, np.maximum(size - 1, 0)]
    wanted = (lowest + quantile * (highest - lowest))[:, None]
    low = np.clip((below < wanted).sum(1) - 1, 0, np.maximum(size - 2, 0))
    high = np.minimum(low + 1, np.maximum(size - 1, 0))
    step = np.maximum(below[rows, high] - below[rows, low], 1e-300)
    share = np.clip((wanted[:, 0] - below[rows, low]) / step, 0, 1)
    with np.errstate(invalid="ignore"):
        level = table[rows, low] + share * (table[rows, high] - table[rows, low])
    return np.where(size >= 5, level, np.nan)


def _mean_pair(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Mean of two columns where both are finite, the finite one where only one is."""
    both = np.isfinite(left) & np.isfinite(right)
    return np.where(both, (left + right) / 2, np.where(np.isfinite(left), left, right))


def _somebody_else(times: np.ndarray, position: np.ndarray, confidence: np.ndarray) -> np.ndarray:
    """Where (n,) the pose is another person's: the trunk jumped away and soon came back.

    A jump is a way and a speed that no athlete makes (`JUMP_ST`, `JUMP_ST_S`); coming back means
    jumping again, to within reach of where the trunk was. A cut of the film does not come back.
    """
    away = np.zeros(len(times), bool)
    pairs = [[PLACE[f"{side}_{part}"] for side in ("left", "right")] for part in ("eye", "ankle")]
    eye, ankle = (position[:, 1, pair].mean(1) for pair in pairs)
    extent = (ankle - eye) / (EYE_ST - ANKLE_ST)
    trunk = [PLACE[f"{side}_shoulder"] for side in ("left", "right")]
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


def far_from(times: np.ndarray, events: np.ndarray, reach_s: float) -> np.ndarray:
    """Where (n,) no event lies within `reach_s` of the times; both in order."""
    first = np.searchsorted(events, times - reach_s)
    return np.searchsorted(events, times + reach_s, side="right") == first
