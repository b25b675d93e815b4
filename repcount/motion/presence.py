"""Whether the athlete is there, and the same one all along: estimated from the tracks, for a
person."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import xarray as xr

from repcount.attempt.records import Notice
from repcount.tracking.tracks import KEYPOINTS, attribute
from repcount.wording.numbers import clock

# No repetition is done in less (a touch-and-go deadlift takes 1.9 s; common practice, no source).
ABSENT_S = 1.5
# Somebody who walks out is at the edge of the frame before: this fraction of its width. Who was
# farther in at one look, gone at the next, for longer than a pose is lost, and then there again
# went with a jump of the film; of one who is never seen again only that the pose was lost is known.
AT_EDGE, LOST_S = 0.12, 4.0
# A cut that is told by itself so near to where the athlete was last looked at explains it.
NEAR_CUT_S = 0.5
# A choice less likely than this is said to be unsure.
SURE_OF_WHO = 0.9
# A bar that moves by less than this many of its plates' radii lies still.
LIES_STILL = 0.25


def presence_notices(tracks: xr.Dataset, individual: int) -> list[Notice]:
    """Notices about absence, jumps of the film, change and uncertainty of who the athlete is."""
    times = tracks["time"].values.astype(float)
    body = tracks["confidence"].values[:, KEYPOINTS.index("left_shoulder"), individual]
    seen = np.flatnonzero(np.isfinite(body))
    if not len(seen):
        return []
    found = [*_away(tracks, times, seen, individual)]
    if "identity" not in tracks:  # written before it was estimated
        return found
    person = tracks["person"].values[seen, individual]
    changes = times[seen[1:][np.diff(person) > 0]]
    if len(changes):
        found.append(
            Notice(
                code="athlete-changes",
                text=f"Somebody else seems to lift from {_listed(changes)} on; reps and body "
                "measures after that are theirs.",
                start_s=float(changes[0]),
                end_s=float(times[-1]),
            )
        )
    unsure = times[seen[tracks["identity"].values[seen, individual] < SURE_OF_WHO]]
    if len(unsure) > len(seen) / 20:
        found.append(
            Notice(
                code="athlete-unsure",
                text="Several people are in the frame and it is not sure who lifts; film so "
                "that nobody else is as large in it.",
                start_s=float(unsure[0]),
                end_s=float(unsure[-1]),
            )
        )
    return found


def _away(
    tracks: xr.Dataset, times: np.ndarray, seen: np.ndarray, individual: int
) -> Iterable[Notice]:
    gone = np.append(-np.inf, times[seen])
    back = np.append(times[seen], np.inf)
    gone[0], back[-1] = times[0], times[-1]
    spans = [(a, b) for a, b in zip(gone, back, strict=True) if b - a >= ABSENT_S]
    if not spans:
        return
    lost = [span for span in spans if not _bar_lies(tracks, times, span, individual)]
    said = "; reps may be missing there" if lost else ", and the bar lay still"
    yield Notice(
        code="athlete-away",
        text=f"The athlete was not seen {_listed(lost or spans)}{said}.",
        start_s=float(spans[0][0]),
        end_s=float(spans[-1][1]),
    )
    cuts = times[tracks["cut"].values.astype(bool)]
    jumps = [
        a
        for a, b in spans
        if b - a > LOST_S
        and b < times[-1]
        and not (np.abs(cuts - a) < NEAR_CUT_S).any()
        and _vanishes(tracks, times, a, individual)
    ]
    if jumps:
        yield Notice(
            code="film-jumps",
            text=f"The athlete is gone from one frame to the next at {_listed(jumps)}; if the "
            "film was cut there, times across it are not those of the attempt.",
            start_s=float(jumps[0]),
            end_s=float(jumps[-1]),
        )


def _bar_lies(
    tracks: xr.Dataset, times: np.ndarray, span: tuple[float, float], individual: int
) -> bool:
    """Whether an end of the bar is seen nearly all the time of a span and stays where it is."""
    inside = (times >= span[0]) & (times <= span[1])
    camera = np.nan_to_num(tracks["camera_shift"].values[inside, 1])
    for name, side in (("bar_left", 0), ("bar_right", 1)):
        y = tracks["position"].values[inside, 1, KEYPOINTS.index(name), individual] - camera
        radius = float(np.nanmedian(tracks["plate_semi_axis"].values[:, side, individual]))
        known = np.isfinite(y)
        if known.mean() > 0.9 and np.ptp(np.quantile(y[known], (0.02, 0.98))) < LIES_STILL * radius:
            return True
    return False


def _vanishes(tracks: xr.Dataset, times: np.ndarray, at_s: float, individual: int) -> bool:
    """Whether the athlete stood well inside the frame at their last look."""
    row = int(np.argmin(np.abs(times - at_s)))
    sides = [KEYPOINTS.index(f"{side}_shoulder") for side in ("left", "right")]
    x = tracks["position"].values[row, 0, sides, individual]
    width = float(attribute(tracks, "video").get("width") or 0.0)
    return bool(width and np.all((x > AT_EDGE * width) & (x < (1 - AT_EDGE) * width)))


def _listed(moments: Iterable[float | tuple[float, float]]) -> str:
    listed = [
        f"from {clock(one[0])} to {clock(one[1])}" if isinstance(one, tuple) else clock(one)
        for one in moments
    ]
    return ", ".join(listed[:4]) + (" ..." if len(listed) > 4 else "")
