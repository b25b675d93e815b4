"""More cases from clips of the same people: mirrored, dark, cropped, small, and made into sets.

Each is written anew from its clip's frames, without sound and no larger than tracking looks at,
and its truth follows exactly from the clip's. They show what an outward change does to the reading;
they are no new evidence of people, plates or rooms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from pydantic import TypeAdapter, ValidationError

from repcount.attempt.movements import CATALOGUE
from repcount.errors import RepcountError
from repcount.tracking import TrackOptions
from repcount.video.footage import open_footage
from tests.media import write_video

if TYPE_CHECKING:
    from tests.accuracy.real import Clip

SIDE_PX = TrackOptions.max_side
# Three stops less light, in frames whose values go with light to the power of 1/2.2.
DARKENED = 2 ** (-3 / 2.2)
CROPPED = 0.12  # of the width, on either side
SMALL_PX = 320  # long side
# x264's constant rate factor: 23 is usual, 18 looks like the original, 36 is coarse.
FINE, COARSE = ({"crf": crf, "preset": "veryfast"} for crf in ("18", "36"))
SET_REPS = 5
TURNS = "turns.json"


def mirrored(rgb: np.ndarray) -> np.ndarray:
    return rgb[:, ::-1]


def darkened(rgb: np.ndarray) -> np.ndarray:
    return (rgb * DARKENED + 0.5).astype(np.uint8)


def cropped(rgb: np.ndarray) -> np.ndarray:
    side = round(rgb.shape[1] * CROPPED)
    return rgb[:, side:-side]


def small(rgb: np.ndarray) -> np.ndarray:
    """The long side at most SMALL_PX, by area."""
    fraction = min(1.0, SMALL_PX / max(rgb.shape[:2]))
    return cv2.resize(rgb, None, fx=fraction, fy=fraction, interpolation=cv2.INTER_AREA)


CHANGES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "mirrored": mirrored,
    "dark": darkened,
    "cropped": cropped,
    "small": small,
}
KINDS = (*CHANGES, "sets")


def derive(kind: str, clips: Sequence[Clip], folder: Path, into: Path) -> list[Clip]:
    """Write the case of `kind` of each clip in `folder` into `into`, if it is not there yet, and
    return their truths. Sets are made of the clips alone whose turning points `turns.json` in
    `folder` gives. Raises RepcountError where that is missing or does not fit."""
    turns = load_turns(folder / TURNS) if kind == "sets" else {}
    made = []
    for clip in clips:
        film, to = folder / clip.clip, into / f"{Path(clip.clip).stem}.{kind}.mp4"
        if kind != "sets":
            if not to.is_file():
                changed(kind, film, to)
            made.append(clip.model_copy(update={"clip": to.name}))
        elif clip.clip in turns:
            made.append(played_back(clip, turns[clip.clip], film, to))
    return made


def changed(kind: str, film: Path, to: Path) -> None:
    """The film with each frame changed, at its own time."""
    with open_footage(film) as footage:
        times = [frame.time_s for frame in footage.frames()]
        pictures = (CHANGES[kind](frame.rgb) for frame in footage.frames(max_side=SIDE_PX))
        write_whole(to, times, pictures, COARSE if kind == "small" else FINE)


def played_back(clip: Clip, turns_s: tuple[float, float], film: Path, to: Path) -> Clip:
    """A set of SET_REPS of one lift: its way up forward, its way down the same backwards.

    `turns_s` are the moments at which it turns, seconds of the clip: at the lowest point (on the
    floor, in the hole, in the rack) and, no earlier than the finish, at the top. What is lifted
    from where it starts begins with the way up; a squat, which starts erect, with the way down.
    """
    low_s, high_s = turns_s
    if len(clip.finish_s) != 1 or not low_s < clip.finish_s[0] <= high_s:
        raise RepcountError(
            f"{clip.clip}: turns at {low_s:g} and {high_s:g} s do not enclose the one finish of a "
            f"single lift; mend {TURNS}."
        )
    with open_footage(film) as footage:
        times = [frame.time_s for frame in footage.frames()]
    source = np.array([time_s for time_s in times if low_s <= time_s <= high_s])
    up = list(range(len(source)))
    begins_up = not CATALOGUE[clip.movement].by_hip
    ways = [up, up[::-1]] if begins_up else [up[::-1], up]
    order = [ways[0][0]]
    for _ in range(SET_REPS):
        order += ways[0][1:] + ways[1][1:]
    if not to.is_file():
        with open_footage(film) as footage:
            kept = [
                frame.rgb
                for frame in footage.frames(max_side=SIDE_PX)
                if low_s <= frame.time_s <= high_s
            ]
        played = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(source[order])))])
        write_whole(to, played.tolist(), (kept[k] for k in order), FINE)
    length = float(source[-1] - source[0])
    first = float(clip.finish_s[0] - source[0]) + (0.0 if begins_up else length)
    finishes = [first + 2 * length * rep for rep in range(SET_REPS)]
    return clip.model_copy(update={"clip": to.name, "finish_s": finishes, "may_count": []})


def load_turns(path: Path) -> dict[str, tuple[float, float]]:
    """Clip to the moments of its lowest point and its top, seconds. Raises RepcountError."""
    try:
        return TypeAdapter(dict[str, tuple[float, float]]).validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        raise RepcountError(
            f"{path}: is missing or not of the form {{clip: [low_s, high_s]}}; write the turning "
            "points of the lifts into it that are to become sets."
        ) from error


def write_whole(
    to: Path, times_s: list[float], pictures: Iterable[np.ndarray], options: dict[str, str]
) -> None:
    """Write a film that appears whole or not at all. An odd last row and column are left out, which
    the usual 4:2:0 frames cannot have."""
    part = to.with_name(f"part.{to.name}")
    even = (one[: len(one) // 2 * 2, : one.shape[1] // 2 * 2] for one in pictures)
    write_video(part, times_s, pictures=map(np.ascontiguousarray, even), options=options)
    part.replace(to)
