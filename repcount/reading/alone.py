"""A bar that no body explains: how high above the floor it is, by what bars are carried at.

The plates give its path in metres, but not where the floor is. Every height of the floor and every
body height is a hypothesis. Each is decoded by the zones' own chain with the bar alone as witness:
where it stays it lies on the floor or is carried at the hang, at the shoulders or overhead, at
heights that anthropometry gives; where it moves it may be anywhere between. What the frame shows
counts too: whoever films an athlete shows the floor, too. All hypotheses are weighed and summed, so
that how sure a zone is follows from how much all others would explain.

Levels: a plate's radius (225 mm; IWF TCRR 3.3, as restated by national federations); 0.43, 0.82 and
1.23 of body height for the bar at lockout of a deadlift, on the shoulders and overhead (from wrist,
shoulder and arm, Winter 2009, Fig. 4.1 after Drillis & Contini 1966, from memory).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np

from repcount.motion import Motion
from repcount.motion.bar_height import STATURE_M
from repcount.reading.chains import forward_evidence, state_probabilities
from repcount.reading.decode import (
    ALONE_STATES,
    HANG,
    OUTLIER,
    OVERHEAD,
    RATE_HZ,
    STATES,
    alone_emissions,
    bell,
    chain,
    flat,
)

RADIUS_M = 0.225
# Body heights of adults, men and women together: 1.70 m, standard deviation 0.12 m (an assumption).
STATURES_M = np.array([1.46, 1.58, 1.70, 1.82, 1.94])
STATURE_MEAN_M, STATURE_SD_M = 1.70, 0.12
# A bar's lowest place in a piece of film lies between the floor and overhead, in steps of half the
# uncertainty of a carrying height.
LOWEST_M = np.arange(RADIUS_M - 0.04, 2.3, 0.02)
# No stand holds a bar overhead or at the hang: a film that begins with it there begins in mid-lift,
# which so many do (an assumption), beside those that begin on the floor or at a stand.
MID_LIFT = 0.05
# Hypotheses that weigh less than this beside the likeliest say nothing of the zones.
WORTH_TELLING = 1e-3
# The floor at the athlete's feet is seen so far down the frame, by somebody who frames the whole
# athlete, four times in five; else anywhere (an assumption, common practice).
FLOOR_SHARE, FLOOR_SHARE_SD, FRAMED = 0.85, 0.12, 0.8
ANYWHERE = (0.3, 2.3)


def _framing(lowest_share: float, metre_share: float) -> np.ndarray:
    """Log prior (h,) of `LOWEST_M` by where in the frame the floor would then be."""
    if not np.isfinite(lowest_share * metre_share):
        return np.zeros(len(LOWEST_M))
    share = lowest_share + LOWEST_M * metre_share
    framed = FRAMED * bell(share, FLOOR_SHARE, FLOOR_SHARE_SD)
    return np.log(framed + (1 - FRAMED) * flat(share, *ANYWHERE) + OUTLIER)


def grounded(motion: Motion) -> Motion:
    """The motion with the bar above the floor where no body tells that.

    `zone_sure` then holds there how sure it is that the bar is in the zones which the likeliest
    floor gives.
    """
    if motion.own_floor is None or not motion.own_floor.any():
        return motion
    bar, sharp = motion.bar_st.copy(), motion.bar_sharp_st.copy()
    sure = np.ones(len(bar))
    for a, b in motion.pieces:
        if not motion.own_floor[a:b].any() or np.isfinite(bar[a:b]).sum() < 0.5 * motion.rate_hz:
            continue
        lowest_m, stature_m, sure[a:b] = _floor_under(motion, a, b)
        for height in (bar, sharp):
            height[a:b] = (height[a:b] * STATURE_M + lowest_m) / stature_m
    return replace(motion, bar_st=bar, bar_sharp_st=sharp, zone_sure=sure)


def _floor_under(motion: Motion, first: int, last: int) -> tuple[float, float, np.ndarray]:
    """Height in metres above the floor of the bar's zero in a piece, the body height, and how sure
    the zones are that follow, (last - first,)."""
    step = max(round(motion.rate_hz / RATE_HZ), 1)
    above_m = motion.bar_st[first:last:step] * STATURE_M
    speed = np.gradient(motion.bar_st)[first:last:step] * motion.rate_hz
    lows, statures = (grid.ravel() for grid in np.meshgrid(LOWEST_M, STATURES_M, indexing="ij"))
    logs = alone_emissions(
        (lows[:, None] + above_m) / statures[:, None], speed, (RADIUS_M / statures)[:, None]
    )
    start, matrix, column_of = chain(alone=True)
    zone_of = np.array(ALONE_STATES)[column_of]
    start = np.where((zone_of == OVERHEAD) | (zone_of == HANG), MID_LIFT, 1.0) * start
    start /= start.sum()
    evidence = forward_evidence(start, matrix, logs, column_of)
    prior = -0.5 * ((statures - STATURE_MEAN_M) / STATURE_SD_M) ** 2
    prior += np.repeat(
        _framing(_lowest_share(motion, first, last), motion.metre_share), len(STATURES_M)
    )
    weight = np.exp(evidence + prior - (evidence + prior).max())
    summed, paths = np.zeros((len(above_m), len(STATES))), {}
    for one in np.flatnonzero(weight > WORTH_TELLING):
        emit = logs[one][:, column_of]
        likelihood = np.exp(emit - emit.max(1, keepdims=True))
        told = state_probabilities(start, matrix, likelihood)
        zones = np.stack([told[:, zone_of == zone].sum(1) for zone in range(len(STATES))], 1)
        summed += weight[one] * zones
        paths[int(one)] = zones.argmax(1)
    # of all that mean the same for the lowest and the highest place, the likeliest
    ends = np.nanargmin(above_m), np.nanargmax(above_m)
    alike: dict[tuple[int, int], float] = defaultdict(float)
    for one, path in paths.items():
        alike[path[ends[0]], path[ends[1]]] += weight[one]
    meant = max(alike, key=lambda two: alike[two])
    among = [one for one, path in paths.items() if (path[ends[0]], path[ends[1]]) == meant]
    best = max(among, key=lambda one: weight[one])
    sure = summed[np.arange(len(above_m)), paths[best]] / summed.sum(1)
    return float(lows[best]), float(statures[best]), np.repeat(sure, step)[: last - first]


def _lowest_share(motion: Motion, first: int, last: int) -> float:
    """Where in the frame the bar's lowest place in a piece is; NaN if unknown."""
    if motion.bar_share is None:
        return np.nan
    share = motion.bar_share[first:last][np.isfinite(motion.bar_st[first:last])]
    share = share[np.isfinite(share)]
    return float(np.quantile(share, 0.98)) if len(share) else np.nan
