"""The hands: where they are, and whether they hold the bar."""

from __future__ import annotations

import numpy as np

from repcount.attempt.anthropometry import BAR_ON_FLOOR_ST, HAND_ST
from repcount.motion.bar_height import LIFTED_ST, LYING_ST
from repcount.motion.scene import AWAY_S, GRID_HZ, Scene, middle
from repcount.motion.smoothing import runs

# Hands are kept at lower visibility: overhead and behind plates the wrists stay usable.
HANDS_SEEN = 0.2
# Bending down for it, the hands are this near to a bar: their own length.
REACH_ST = HAND_ST
# Where a bar that was let go will lie.
RADIUS_ST = BAR_ON_FLOOR_ST
# Hands apart for so long have let go; a wrist that turns over in a clean takes a third of it.
LET_GO_S = 1.0


def knuckles_of(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """The left and the right hand's knuckles (n, 2) in pixels, NaN where unseen."""
    left, right = (
        middle(scene.seen(f"{side}_pinky", HANDS_SEEN), scene.seen(f"{side}_index", HANDS_SEEN))
        for side in ("left", "right")
    )
    return left, right


def hands_off(
    times: np.ndarray,
    hand: np.ndarray,
    ends: np.ndarray,
    ends_height: np.ndarray,
    hand_height: np.ndarray,
    knuckles: tuple[np.ndarray, np.ndarray],
    stature: np.ndarray,
) -> np.ndarray:
    """Probability (n,) that the hands do not hold the bar; NaN where nothing is known.

    Where the bar is seen: how far the hands are from its line, against a hand's own length
    (0.108 of body height, Winter 2009, from memory). Where it is not: a bar keeps both hands at a
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

    spread = (knuckles[0] - knuckles[1]) / stature[:, None]
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
    estimate, at = off[known], times[known]
    width = max(int(0.25 / max(float(np.median(np.diff(at))), 1e-3)) | 1, 1)
    if len(estimate) > width:
        padded = np.pad(estimate, width // 2, mode="edge")
        estimate = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    # with the bar unseen too, hands that have let go hold it again only when they have been down
    reached = np.isfinite(from_bar[known]) | (np.abs(hand_height[known] - RADIUS_ST) < REACH_ST)
    for a, b in runs(estimate > 0.5):
        if at[b - 1] - at[a] >= LET_GO_S:
            down = np.flatnonzero(reached[b:])
            estimate[b : b + int(down[0]) if len(down) else len(estimate)] = 0.95
    off[known] = estimate
    return off


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


# A bar this far above its lowest place of the last seconds is in the air.
AIR_ST = 0.06
# Free fall is 5.6 body heights a second squared (9.81 m/s² of 1.75 m); half of that for so long is
# one.
FALLING_ST_S2, FALLING_S = -2.8, 0.12


# Smoothed, an impact takes so long to become flight; a pull from the floor takes twice that.
IMPACT_S = 0.3


def held_all_along(grid: np.ndarray, bar: np.ndarray, off: np.ndarray) -> np.ndarray:
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
