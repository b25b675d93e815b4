"""What a clip breaks of the filming guide, estimated from its tracks.

The guide (README): phone upright or flat, 30 to 60 degrees off the front, at hip height, 3 to 5 m
away, both plates and the bar overhead in the frame, on a tripod, in good light, 30 frames a
second or more. Every rule here names the number it stands on; nothing of it changes the reading.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from repcount.attempt.anthropometry import BAR_ON_FLOOR_ST, SHOULDER_BREADTH_ST
from repcount.attempt.records import Notice
from repcount.motion.presence import presence_notices
from repcount.motion.scene import ANKLE_ST, EYE_ST
from repcount.tracking.tracks import KEYPOINTS, attribute

# 25 frames a second hold for means (Bardella et al. 2016, from memory); half a frame is then
# 20 ms of every instant.
FEW_FRAMES_HZ = 24.0
# Mean luma of 255; common practice, no source.
DARK = 45.0
# Frames before a first cut or after a last one, for so long, hold nothing of an attempt.
AT_ENDS_S = 0.5
# A frame that wanders by more than a twentieth of its height is not on a tripod.
MOVED_SHARE = 0.05
# The joints are about 0.8 of the shoulders' breadth apart. Where a third of that breadth is seen,
# the athlete is turned by more than about 65 degrees and plates hide the hands.
SIDE_ON_ST = round(0.33 * SHOULDER_BREADTH_ST, 3)
# A fraction of the looked-at frames worth a notice.
OFTEN = 0.15
EDGE_SHARE = 0.02


def filming_notices(tracks: xr.Dataset, *, individual: int = 0) -> list[Notice]:
    """Notices for a person, most harmful first; empty if the clip keeps to the guide."""
    video = attribute(tracks, "video")
    notices = [
        *_sight(tracks, individual, float(video.get("height") or 0.0)),
        *presence_notices(tracks, individual),
        *_camera(tracks, float(video.get("height") or 0.0)),
    ]
    rate = float(video.get("mean_rate_hz") or 0.0)
    if 0 < rate < FEW_FRAMES_HZ:
        notices.append(
            Notice(
                code="few-frames",
                text=f"The video has {rate:.0f} frames a second; film at 30 or more, "
                "so that instants are read to a few hundredths.",
            )
        )
    slowed = float(video.get("slowed") or 1.0)
    if slowed != 1.0:
        notices.append(
            Notice(
                code="slow-motion",
                text=f"The clip is read as slowed {slowed:g} times, as given with --slowed.",
            )
        )
    return notices


def _camera(tracks: xr.Dataset, height_px: float) -> list[Notice]:
    notices = []
    times = tracks["time"].values
    cuts = times[tracks["cut"].values.astype(bool)]
    cuts = cuts[(cuts > times[0] + AT_ENDS_S) & (cuts < times[-1] - AT_ENDS_S)]
    if len(cuts):
        when = ", ".join(f"{at:.1f} s" for at in cuts[:4]) + (" ..." if len(cuts) > 4 else "")
        notices.append(
            Notice(
                code="cuts",
                text=f"The video is cut at {when}; an attempt should be one unbroken shot.",
                start_s=float(cuts[0]),
                end_s=float(cuts[-1]),
            )
        )
    shift = tracks["camera_shift"].values.astype(float)
    shift = shift[np.isfinite(shift).all(1)]
    if len(shift) and height_px:
        span = np.quantile(shift, 0.98, axis=0) - np.quantile(shift, 0.02, axis=0)
        if span.max() > MOVED_SHARE * height_px:
            notices.append(
                Notice(
                    code="camera-moved",
                    text="The camera moved; it was followed, but a tripod gives surer times.",
                )
            )
    light = tracks["brightness"].values
    light = light[np.isfinite(light)]
    if len(light) and float(np.median(light)) < DARK:
        notices.append(
            Notice(
                code="dark",
                text="The video is dark; more light makes hips and plates easier to follow.",
            )
        )
    return notices


def _sight(tracks: xr.Dataset, individual: int, height_px: float) -> list[Notice]:
    place = {name: index for index, name in enumerate(KEYPOINTS)}
    position = tracks["position"].values[..., individual].astype(float)
    confidence = tracks["confidence"].values[..., individual].astype(float)
    times = tracks["time"].values

    def at(name: str) -> np.ndarray:
        return position[:, :, place[name]]

    looked = np.isfinite(confidence[:, place["left_shoulder"]])
    extent = at("left_ankle")[:, 1] - at("left_eye")[:, 1]
    extent = extent[np.isfinite(extent)]
    stature = float(np.quantile(extent, 0.9)) / (EYE_ST - ANKLE_ST) if len(extent) else 0.0
    if not looked.any() or stature <= 0:
        return [
            Notice(
                code="nobody-lifting",
                text="No athlete could be followed; film one person, whole, from 3 to 5 m away.",
            )
        ]
    notices = []
    ends = np.minimum(at("bar_left")[:, 1], at("bar_right")[:, 1])
    hands = np.minimum(at("left_wrist")[:, 1], at("right_wrist")[:, 1])
    top = np.fmin(ends, hands)
    # a plate reaches as far above its centre as a bar on the floor is high
    lost = np.isfinite(top) & (top - BAR_ON_FLOOR_ST * stature < EDGE_SHARE * height_px)
    if height_px and lost.any():
        where = times[lost]
        notices.append(
            Notice(
                code="leaves-picture",
                text="The bar leaves the frame overhead; stand further back or tilt the phone.",
                start_s=float(where[0]),
                end_s=float(where[-1]),
            )
        )
    breadth = np.abs(at("left_shoulder")[:, 0] - at("right_shoulder")[:, 0])
    breadth = breadth[np.isfinite(breadth)]
    if len(breadth) and float(np.median(breadth)) < SIDE_ON_ST * stature:
        notices.append(
            Notice(
                code="side-on",
                text="The view is nearly from the side, where plates hide the hands; "
                "film from 30 to 60 degrees off the front.",
            )
        )
    wrists = confidence[np.ix_(looked, [place["left_wrist"], place["right_wrist"]])]
    wrists = wrists[np.isfinite(wrists).any(1)]
    hidden = float((np.nanmean(wrists, 1) < 0.5).sum() / looked.sum())
    if hidden > OFTEN:
        notices.append(
            Notice(
                code="hands-hidden",
                text=f"Hands are hidden in {hidden:.0%} of the frames; film from further in front.",
            )
        )
    seen_ends = np.isfinite(at("bar_left")[:, 1]) | np.isfinite(at("bar_right")[:, 1])
    if float(seen_ends.mean()) < 0.5:
        notices.append(
            Notice(
                code="bar-unseen",
                text=f"The plates were found in {seen_ends.mean():.0%} of the frames; "
                "where they were not, the bar's height comes from the hands.",
            )
        )
    return notices
