"""Stills: one small image of the video for each moment that the report asks to be looked at.

They are taken once, when the video is at hand, and lie in the folder `stills` beside the other
results, named by their moment in milliseconds; a correction needs no pixels and takes what is
there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from repcount.attempt.records import Attempt, Comparison
from repcount.errors import FootageError
from repcount.reports import words
from repcount.units import from_ms, to_ms

if TYPE_CHECKING:
    import xarray as xr

    from repcount.tracking.faces import Whose
    from repcount.video.footage import Footage

# A table of stills that nobody scrolls through helps nobody: breaks come first, then what to check.
MOST_STILLS = 48
WIDE, HIGH = 400, 300  # pixels of a still
_QUALITY = 72
_AROUND_S = 0.4  # the athlete's place is taken from this long before and after
_NEAR_MS = 120  # a still stands for a moment this near: corrections move moments a little


def moments(
    attempt: Attempt, comparison: Comparison | None = None, first_s: Iterable[float] = ()
) -> list[int]:
    """Moments to be shown, in milliseconds: those of `first_s` (seconds), where breaks start, then
    what to check by eye."""
    begins: list[int] = [*map(to_ms, first_s), *(pause.start_ms for pause in attempt.breaks)]
    if comparison:
        begins += [one.real_reset.start_ms for one in comparison.breaks if one.real_reset]
    marks = [to_ms(mark.at_s) for mark in words.review_marks(attempt)]
    return list(dict.fromkeys([*begins, *marks]))[:MOST_STILLS]


def take(
    footage: Footage,
    wanted_ms: Iterable[int],
    tracks: xr.Dataset | None = None,
    whose: Whose | None = None,
) -> dict[int, bytes]:
    """A JPEG for each moment (milliseconds of real time) that can be decoded, cut to the athlete
    where `tracks` know the place. `whose` faces are made unreadable first: others' or all."""
    import cv2

    from repcount.video.footage import Footage

    found = {}
    blur = None
    if whose is not None and tracks is not None:
        from repcount.tracking.faces import still_blur

        blur = still_blur(tracks, whose)
    info, slowed = footage.info, footage.slowed
    for at in wanted_ms:
        begin = from_ms(at) * slowed
        part = Footage(info, start_s=begin - 1e-6, end_s=info.duration_s, slowed=slowed)
        with part, suppress(FootageError):
            frame = next(part.frames())
            shown = frame.rgb
            if blur is not None:
                blur(shown, frame.time_s)
            x, y, wide, high = _window(tracks, from_ms(at), info.width, info.height)
            cut = cv2.resize(
                shown[y : y + high, x : x + wide], (WIDE, HIGH), interpolation=cv2.INTER_AREA
            )
            bgr = np.ascontiguousarray(cut[:, :, ::-1])
            fine, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
            if fine:
                found[at] = data.tobytes()
    return found


def _window(
    tracks: xr.Dataset | None, at_s: float, width: int, height: int
) -> tuple[int, int, int, int]:
    """The part to show (x, y, width, height): 4 by 3, around the athlete and the bar."""
    wide = min(width, height * WIDE / HIGH)
    middle = width / 2, height / 2
    if tracks is not None:
        time = tracks["time"].values
        near = np.abs(time - at_s) <= _AROUND_S
        points = tracks["position"].values[near][..., 0].transpose(0, 2, 1).reshape(-1, 2)
        points = points[np.isfinite(points).all(axis=1)]
        if len(points):
            low, high = points.min(axis=0), points.max(axis=0)
            size = 1.15 * max(high[0] - low[0], (high[1] - low[1]) * WIDE / HIGH)
            wide = min(wide, max(size, 160.0))
            middle = tuple((low + high) / 2)
    tall = wide * HIGH / WIDE
    x = min(max(0.0, middle[0] - wide / 2), width - wide)
    y = min(max(0.0, middle[1] - tall / 2), height - tall)
    return int(x), int(y), max(1, int(wide)), max(1, int(tall))


def save(folder: Path, stills: Mapping[int, bytes]) -> None:
    """Write stills into a folder that is made for them."""
    folder.mkdir()
    for at, data in stills.items():
        (folder / name_of(at)).write_bytes(data)


def load(folder: Path) -> dict[int, bytes]:
    """The stills of a folder, by their moments; none where there is no such folder."""
    files = sorted(folder.glob("*.jpg")) if folder.is_dir() else []
    return {int(file.stem): file.read_bytes() for file in files if file.stem.isdecimal()}


def replace(old: Path, new: Path) -> None:
    """Put the stills of a folder (which may be missing) in place of those of another, where only
    stills are touched."""
    for at in load(old):
        (old / name_of(at)).unlink(missing_ok=True)
    if new.is_dir():
        old.mkdir(exist_ok=True)
        for file in new.iterdir():
            file.replace(old / file.name)
    if old.is_dir() and not any(old.iterdir()):
        old.rmdir()


def listed(folder: Path) -> list[int]:
    """The moments of the stills in a folder, which may be missing, in milliseconds."""
    return sorted(int(file.stem) for file in folder.glob("*.jpg") if file.stem.isdecimal())


def name_of(at_ms: int) -> str:
    """What the still of a moment is called."""
    return f"{at_ms:08d}.jpg"


def near(moments_ms: Iterable[int], at_s: float) -> int | None:
    """The still that stands for a moment in seconds, by its own moment; None if there is none."""
    at = to_ms(at_s)
    best = min(moments_ms, key=lambda one: abs(one - at), default=None)
    return best if best is not None and abs(best - at) <= _NEAR_MS else None


def nearest(stills: Mapping[int, bytes], at_s: float) -> bytes | None:
    """The still of a moment in seconds, or None."""
    best = near(stills, at_s)
    return None if best is None else stills[best]
