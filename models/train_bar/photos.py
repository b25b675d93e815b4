"""Real photographs among the drawn images: marks made by eye, and crops around the athlete.

The photographs themselves are not part of the project; `photo_marks.json` names their source, their
licence and the ends of the bar in each (BAR.md says how they were marked). Series that are held
back are never trained on.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.train_bar.crops import CROP_PX, PAD_LEVEL, SIDE_ST, STORE_PX
from models.train_bar.degrade import paste_in_front, spoil

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

MARKS = Path(__file__).with_name("photo_marks.json")
# What the marks say of an end, as the share of its face that is seen (see `learn.SEEN`).
SHARES = {"yes": 0.85, "partly": 0.3, "unsure": 0.06, "no": 0.0}
SLEEVE_ST = 0.025 / 1.76  # radius of a sleeve, statures: half of the 50 mm of IWF's rules
HELD, NONE = 0, 3  # indices into `scenes.STATES`


@dataclass(frozen=True)
class Photo:
    """image (h, w, 3) RGB; square (4,) x0, y0, x1, y1 around the athlete; ends (2, 2), left
    first, NaN without a bar; semi_axis (2,), of the sleeve for a bare bar; visible (2,) as SHARES;
    pixels of `image`. inner (2,): the inner face is what is seen."""

    name: str
    picture: Picture
    square: Array
    ends: Array
    semi_axis: Array
    visible: Array
    inner: NDArray[np.bool_]
    bare: NDArray[np.bool_]
    held_back: bool

    @property
    def state(self) -> int:
        return HELD if np.isfinite(self.ends).any() else NONE


def load(folder: Path, marks: Path = MARKS) -> list[Photo]:
    """The marked photographs in `folder` (`NAME/0.jpg` and so on). Raises FileNotFoundError with
    the file's name where one is missing."""
    return [_loaded(folder, row) for row in json.loads(marks.read_text())["pictures"]]


def _loaded(folder: Path, row: dict[str, Any]) -> Photo:
    picture = cv2.imread(str(folder / row["file"]))
    if picture is None:
        raise FileNotFoundError(f"{folder / row['file']}: no such photograph")
    square = np.array(row["square"], float)
    marked = [row["ends"][side] for side in ("left", "right")]
    ends, semi = np.full((2, 2), np.nan), np.full(2, np.nan)
    bare = np.array([e["semi_axis"] == 0 for e in marked])
    for k, end in enumerate(marked):
        if end["centre"] is not None:
            ends[k], semi[k] = end["centre"], end["semi_axis"]
    semi[bare] = SLEEVE_ST / SIDE_ST * (square[2] - square[0])
    for k in (0, 1):  # an end not seen stands beside the other, so that left stays left
        if np.isnan(ends[k]).any() and np.isfinite(ends[1 - k]).all():
            ends[k], semi[k] = ends[1 - k] + (2 * k - 1, 0), semi[1 - k]
    visible = np.array([SHARES[e["visible"]] for e in marked])
    inner = np.array([e["face_seen"] == "inner" for e in marked])
    rgb = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB).astype(np.uint8, copy=False)
    return Photo(row["file"], rgb, square, ends, semi, visible, inner, bare, row["held_back"])


def crop(photo: Photo, rng: np.random.Generator | None) -> tuple[Picture, Array, Array, Array]:
    """The square with its margin (STORE_PX, STORE_PX, 3), ends (2, 2), semi-axes (2,) and visible
    shares (2,) in it. With `rng` the square is as far off as at use, the frame may cut the image,
    things may stand in front, and the camera is a lesser one."""
    side = float(photo.square[2] - photo.square[0])
    centre = (photo.square[:2] + photo.square[2:]) / 2
    picture, visible = photo.picture, photo.visible
    if rng is not None:
        centre = centre + rng.normal(size=2) * 0.05 * side
        side *= float(np.exp(rng.normal() * 0.1))
        picture, visible = cut_by_frame(rng, photo)
    zoom = CROP_PX / side
    shift = STORE_PX / 2 - zoom * centre
    shrink = max(1, round(1 / zoom))
    small = picture
    if shrink > 1:
        small = cv2.resize(
            picture, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA
        ).astype(np.uint8, copy=False)
    k = np.array([picture.shape[1] / small.shape[1], picture.shape[0] / small.shape[0]])
    matrix = np.array([[zoom * k[0], 0, shift[0]], [0, zoom * k[1], shift[1]]])
    matrix[:, 2] += 0.5 * zoom * k - 0.5
    size = (STORE_PX, STORE_PX)
    out = cv2.warpAffine(small, matrix, size, borderValue=(PAD_LEVEL,) * 3).astype(
        np.uint8, copy=False
    )
    inside = cv2.warpAffine(
        (small != PAD_LEVEL).any(2).astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST
    ).astype(bool)
    ends, semi = photo.ends * zoom + shift, photo.semi_axis * zoom
    if rng is not None:
        out, covered = paste_in_front(rng, out)
        visible = visible * (1 - _share_covered(covered, ends, semi))
        out = spoil(rng, out, inside)
    return out, ends, semi, visible


def cut_by_frame(rng: np.random.Generator, photo: Photo) -> tuple[Picture, Array]:
    """The image with one or two of its edges moved in, now and then, and what is then seen."""
    if rng.random() > 0.35:
        return photo.picture, photo.visible
    height, width = photo.picture.shape[:2]
    low = rng.uniform(0, 0.3, 2) * (rng.random(2) < 0.5) * (width, height)
    high = (1 - rng.uniform(0, 0.3, 2) * (rng.random(2) < 0.5)) * (width, height)
    (x0, y0), (x1, y1) = low.astype(int), high.astype(int)
    out = np.full_like(photo.picture, PAD_LEVEL)
    out[y0:y1, x0:x1] = photo.picture[y0:y1, x0:x1]
    # a face is seen as wide as a third of its height, about
    reach = np.maximum(photo.semi_axis, 2.0)[:, None] * (0.33, 1.0)
    seen = np.minimum(photo.ends + reach, high) - np.maximum(photo.ends - reach, low)
    share = np.nan_to_num(np.clip(seen, 0, None) / (2 * reach)).prod(1)
    inside = ((photo.ends > low) & (photo.ends < high)).all(1)
    return out, photo.visible * np.where(inside, share, np.minimum(share, 0.1))


def _share_covered(covered: NDArray[np.bool_], ends: Array, semi: Array) -> Array:
    share = np.zeros(2)
    for k in np.flatnonzero(np.isfinite(ends).all(1)):
        x, y = ends[k]
        r = max(float(semi[k]), 2.0)
        rows = slice(max(0, int(y - r)), max(0, int(y + r) + 1))
        columns = slice(max(0, int(x - r / 3)), max(0, int(x + r / 3) + 1))
        part = covered[rows, columns]
        share[k] = float(part.mean()) if part.size else 0.0
    return share
