"""Tracks → Motion: heights in the athlete's own frame, on one uniform clock.

The body moves in three dimensions and the frame has two: heights are taken against the ankles
and in body heights of the same stretch of film, so that distance, angle and slow camera movement
cancel. The bar's height comes from its ends where they are seen, otherwise from the hands while
they hold it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import xarray as xr

from repcount.attempt.records import Notice
from repcount.motion.bar_height import (
    ENDS_SD_ST,
    HANDS_SD_ST,
    BarHeight,
    bar_ends,
    bar_height,
    jumps,
)
from repcount.motion.ends import lies_still
from repcount.motion.filming import filming_notices
from repcount.motion.hands import hands_off, held_all_along, knuckles_of
from repcount.motion.metres import BarMetres, bar_metres
from repcount.motion.options import MotionOptions
from repcount.motion.scene import AWAY_AFTER_S, GRID_HZ, PLACE, Scene, far_from, middle, scene_of
from repcount.tracking.tracks import attribute
from repcount.wording.numbers import clock

BAR_CUTOFF_HZ = 7.0
# A bounce that rises by the crossing level lasts 0.12 s: 7 Hz would halve it.
BOUNCE_CUTOFF_HZ = 12.0
BODY_CUTOFF_HZ = 5.0
# The arrays that every Motion has.
SIGNALS = (
    "time_s",
    "bar_st",
    "bar_sharp_st",
    "bar_source",
    "hand_st",
    "shoulder_st",
    "hip_st",
    "knee_st",
    "head_st",
    "feet_apart_st",
    "hands_apart_st",
    "hands_off",
    "stature_px",
)


@dataclass(frozen=True)
class Motion:
    """Signals of one athlete and bar, all arrays of shape (m,) on `time_s`.

    Heights `_st` are body heights above the floor; NaN where not seen. `bar_sharp_st` is the bar's
    with less smoothing, for impacts. `hands_apart_st` is the distance
    of the two hands in the frame. `hands_off` is the probability that the hands do not hold the
    bar (NaN: unknown). `bar_source` says what the bar's height
    rests on: 0 nothing, 1 the hands, 2 the bar's ends. `pieces` are half-open index ranges between
    hard cuts. `metres` is the bar in metres (None: no tracks of it). `own_floor` (m,) is where no
    body gives the bar's height: `bar_st` is then counted by the plates, in body heights of
    `STATURE_M`, from the bar's own lowest place in that piece, `bar_share` (m,) is where in the
    frame it is seen (0 its top edge, 1 its bottom edge) and `metre_share` how much of the frame's
    height a metre takes there. `zone_sure` (m,) is how sure the bar's zones are where its height
    above the floor was inferred (None: nowhere).
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


def measure(
    tracks: xr.Dataset, options: MotionOptions | None = None, *, individual: int = 0
) -> Motion:
    """Measure the motion of one individual of `tracks` (see `repcount.tracking.tracks`).

    Returns a `Motion` on a uniform grid of 60 samples a second; with nothing in the tracks its
    arrays are empty. Raises nothing: what is unseen is NaN.
    """
    options = options or MotionOptions()
    context: dict[str, Any] = {
        "video": attribute(tracks, "video"),
        "sounds": attribute(tracks, "sounds"),
        "options": {**attribute(tracks, "options"), "motion": asdict(options)},
    }
    said = (
        *(Notice(code="footage", text=text) for text in attribute(tracks, "warnings")),
        *filming_notices(tracks, individual=individual),
    )
    if tracks.sizes["time"] < 10:
        nothing = np.zeros(0)
        context.update(dict.fromkeys(SIGNALS, nothing))
        return Motion(**context, pieces=(), notices=said)
    scene = scene_of(tracks, individual)
    ends = bar_ends(tracks, individual, scene, options.plate_mm)
    knuckles = knuckles_of(scene)
    hand = middle(*knuckles)
    times, grid, eye = scene.times, scene.grid, scene.pair("eye")[:, 1]
    # Twice: the second time against the ground where the athlete stands while holding the bar.
    # Stepping back from a bar on the floor moves the feet in the frame, not the bar.
    for _ in range(2):
        bar = bar_height(scene, ends, hand[:, 1])
        off = np.full(len(times), np.nan)  # hands that are hidden or made up say nothing
        if not bar.body_wrong and not bar.hands_hidden:
            off = hands_off(
                times, hand, ends.places, bar.height, bar.hand, knuckles, scene.stature_at
            )
        # long before or after the bar is seen nobody holds it
        free = (off > 0.5) | far_from(times, times[np.isfinite(bar.height)], AWAY_AFTER_S)
        scene = scene.on_ground(~(free | lies_still(times, bar.height)), free)
    if bar.hands_hidden:  # and the shoulders go with the bar: no hand was needed
        said = tuple(notice for notice in said if notice.code != "hands-hidden")
    signals = _bar_signals(scene, bar, off)
    off_curve = _on_grid(times, off, grid)
    body_lost = held_all_along(grid, signals["bar_st"], off_curve) | bar.body_wrong
    off_curve[body_lost] = np.nan
    own_floor = np.zeros(len(grid), bool)
    for (a, b), inside in zip(scene.pieces, scene.inside, strict=True):
        own_floor[a:b] = bar.by_itself[inside].any()
    lost_at = np.interp(times, grid, body_lost.astype(float)) > 0
    return Motion(
        time_s=grid,
        **signals,
        **_body_signals(scene, bar.hand, eye, knuckles, lost_at),
        hands_off=off_curve,
        stature_px=scene.stature,
        pieces=scene.pieces,
        own_floor=own_floor,
        bar_share=_bar_share(tracks, individual, grid, ends.trust, context["video"]),
        metre_share=_metre_share(ends.sizes, context["video"], options.plate_mm),
        metres=bar_metres(
            times,
            np.stack(list(ends.places), 1),
            ends.sizes,
            np.stack(list(ends.trust), 1),
            np.where(lost_at, np.nan, off),
            grid,
            scene.pieces,
            plate_mm=options.plate_mm,
            pixel=_pixel(context["video"], context["options"]),
        ),
        notices=(*said, *_bar_notices(bar, grid[own_floor])),
        **context,
    )


def _bar_signals(scene: Scene, bar: BarHeight, off: np.ndarray) -> dict[str, Any]:
    """The bar's height, smooth and sharp, and what it rests on, all (m,); `off` (n,) is the
    probability that the hands are off the bar."""
    from_ends = np.isfinite(bar.height)
    from_hands = ~from_ends & np.isfinite(bar.hand) & ~(off > 0.5)
    weight = np.where(from_ends, bar.weight / np.maximum(bar.weight.sum(0), 1.0), 0.0)
    weight[:, jumps(scene.times, bar.height)] = 0.0
    # both ends and the hands are sensors of one height: of what is wrong in one of them for a
    # moment the others know nothing
    sample = np.vstack([bar.told, bar.hand])
    weights = np.vstack([weight, from_hands * (ENDS_SD_ST / HANDS_SD_ST) ** 2])
    smoothed = scene.curve(sample, weights, BAR_CUTOFF_HZ, 0.012)
    nearest = np.clip(np.searchsorted(scene.times, scene.grid), 0, len(scene.times) - 1)
    source = np.where(from_ends[nearest], 2, np.where(from_hands[nearest], 1, 0))
    source = np.where(np.isfinite(smoothed), np.maximum(source, 1), 0).astype(np.int8)
    return {
        "bar_st": smoothed,
        "bar_sharp_st": scene.curve(sample, weights, BOUNCE_CUTOFF_HZ, 0.012),
        "bar_source": source,
    }


def _body_signals(
    scene: Scene,
    hand: np.ndarray,
    eye: np.ndarray,
    knuckles: tuple[np.ndarray, np.ndarray],
    lost: np.ndarray,
) -> dict[str, Any]:
    """Heights and distances of the body (m,), of it nothing but the head where it is `lost` (n,);
    `hand` (n,) in body heights, `eye` (n,) and `knuckles` (n, 2) in pixels."""
    scene = scene.without_body(lost)
    feet = scene.seen("left_ankle") - scene.seen("right_ankle")
    feet_apart = np.linalg.norm(feet, axis=1) / scene.stature_at
    hands_apart = np.linalg.norm(knuckles[0] - knuckles[1], axis=1) / scene.stature_at
    heights = {
        f"{name}_st": scene.curve(scene.height(scene.pair(name)[:, 1]), 1.0, BODY_CUTOFF_HZ, 0.03)
        for name in ("shoulder", "hip", "knee")
    }
    hand, hands_apart = (np.where(lost, np.nan, values) for values in (hand, hands_apart))
    return {
        **heights,
        "head_st": scene.curve(scene.height(eye), 1.0, BODY_CUTOFF_HZ, 0.03),
        "hand_st": scene.curve(hand, 1.0, BODY_CUTOFF_HZ, 0.04),
        "feet_apart_st": scene.curve(feet_apart, 1.0, 3.0, 0.04),
        "hands_apart_st": scene.curve(hands_apart, 1.0, BODY_CUTOFF_HZ, 0.04),
    }


def _bar_notices(bar: BarHeight, alone: np.ndarray) -> Iterator[Notice]:
    """That hands and plates do not go together, or that the bar alone gives the reps `alone` (k,),
    in seconds."""
    if bar.apart and not bar.body_wrong and bar.enough_seen:
        yield Notice(
            code="hands-apart",
            text="The hands and the plates that were found do not move together, so the bar's "
            "height is unsure; check the reps, and film from 30 to 60 degrees off the front.",
        )
    if len(alone):
        yield Notice(
            code="body-unread",
            text=f"{clock(alone[0])} to {clock(alone[-1])}: the athlete's body could "
            "not be made out, so the reps come from the bar alone and movements may be "
            "confused; film from 30 to 60 degrees off the front.",
            start_s=float(alone[0]),
            end_s=float(alone[-1]),
        )


def _on_grid(times: np.ndarray, values: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """`values` (n,) interpolated to the grid (m,), NaN before the first and after the last."""
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(grid), np.nan)
    return np.interp(grid, times[known], values[known], left=np.nan, right=np.nan)


def _picture(video: dict[str, Any]) -> float:
    """The frame's height in pixels, NaN if unknown."""
    return float(video.get("height") or np.nan)


def _bar_share(
    tracks: xr.Dataset,
    individual: int,
    grid: np.ndarray,
    trust: np.ndarray,
    video: dict[str, Any],
) -> np.ndarray:
    """Where in the frame (m,) the better seen end of the bar is, NaN where unknown."""
    times = tracks["time"].values.astype(float)
    y = tracks["position"].values[:, 1, :, individual].astype(float)
    fractions = y[:, [PLACE["bar_left"], PLACE["bar_right"]]] / _picture(video)
    better = int((np.isfinite(fractions) * np.stack(list(trust), 1)).sum(0).argmax())
    known = np.isfinite(fractions[:, better])
    if not known.any():
        return np.full(len(grid), np.nan)
    return np.interp(grid, times[known], fractions[known, better])


def _metre_share(sizes: np.ndarray, video: dict[str, Any], plate_mm: float) -> float:
    """How much of the frame's height a metre takes at the better seen plate; NaN if unknown."""
    known = np.isfinite(sizes).sum(0)
    if not known.any():
        return np.nan
    radius_px = float(np.nanmedian(sizes[:, int(known.argmax())]))
    return radius_px / (plate_mm / 2000) / _picture(video)


def _pixel(video: dict[str, Any], options: dict[str, Any]) -> float:
    """Pixels of the full-size frame to one of the frames that were looked at."""
    looked = options.get("tracking", {}).get("max_side")
    whole = max(video.get("width", 0), video.get("height", 0))
    return max(1.0, whole / looked) if looked else 1.0
