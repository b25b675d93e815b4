"""What real plates have on their faces and drawn ones do not: lettering, a steel hub, wear."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from models.train_bar.degrade import LETTERS

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

SIDE_PX = 160  # of the square that holds a face before it is laid into the image
PRINTED_SHARE, WORN_SHARE = 0.55, 0.5


def printed(
    rng: np.random.Generator,
    picture: Picture,
    tags: Picture,
    faces: list[tuple[int, Array]],
    bar_tag: int,
) -> Picture:
    """The image with print and wear on the plates of the bar whose tags (h, w) begin at
    `bar_tag`. faces: tag beyond `bar_tag`, and the corners (4, 2) of the square around a face."""
    out = picture.copy()
    if faces and rng.random() < PRINTED_SHARE:
        ink, cover = _print(rng)
        flat = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * (SIDE_PX - 1)
        for side, corners in faces:
            here, where = _around(tags == bar_tag + side)
            part = out[here]
            if not part.size:
                continue
            size, corner = (part.shape[1], part.shape[0]), (here[1].start, here[0].start)
            to = cv2.getPerspectiveTransform(flat, (corners - corner).astype(np.float32))
            colour = cv2.warpPerspective(ink, to, size)
            share = cv2.warpPerspective(cover, to, size) * where
            mixed = part + (colour - part.astype(np.float32)) * share[..., None]
            out[here] = np.clip(mixed, 0, 255).astype(np.uint8)
    if rng.random() < WORN_SHARE:
        here, where = _around((tags == bar_tag + 1) | (tags == bar_tag + 2))
        cells = int(rng.integers(20, 160))
        field = rng.normal(size=(cells, cells)).astype(np.float32)
        field = cv2.resize(field, (picture.shape[1], picture.shape[0]))[here]
        part = out[here]
        worn = part * np.exp(field * rng.uniform(0.05, 0.35))[..., None] + float(rng.uniform(0, 14))
        out[here] = np.where(where[..., None], np.clip(worn, 0, 255), part).astype(np.uint8)
    return out


def _around(where: NDArray[np.bool_]) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
    """The rows and columns of an image that hold all of `where` (h, w), and that part of it."""
    spans = []
    for line in (where.any(1), where.any(0)):
        at = np.flatnonzero(line)
        spans.append(slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, 0))
    return (spans[0], spans[1]), where[spans[0], spans[1]]


def _print(rng: np.random.Generator) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Colours (SIDE_PX, SIDE_PX, 3) and cover (SIDE_PX, SIDE_PX) 0..1 of one face's print."""
    ink = np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8)
    cover = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    half = SIDE_PX / 2
    middle = (int(half), int(half))
    ink[:] = rng.uniform(90, 255, 3) if rng.random() < 0.7 else rng.uniform(0, 90, 3)
    for start in (0.0, np.pi)[: int(rng.integers(1, 3))]:
        _word(rng, cover, start, float(rng.uniform(0.5, 0.8)) * half)
    for _ in range(int(rng.integers(0, 3))):  # rings
        radius = int(rng.uniform(0.3, 0.98) * half)
        cv2.circle(cover, middle, radius, int(rng.integers(80, 256)), int(rng.integers(1, 4)))
    if rng.random() < 0.6:  # a steel hub
        radius = int(rng.uniform(0.12, 0.34) * half)
        cv2.circle(ink, middle, radius, [int(rng.integers(70, 220))] * 3, -1)
        cv2.circle(cover, middle, radius, int(rng.integers(150, 256)), -1)
    if rng.random() < 0.2:  # grips cut through an iron plate
        count, turn = int(rng.integers(3, 7)), float(rng.uniform(0, 6))
        dark = [int(rng.integers(0, 60))] * 3
        for k in range(count):
            a = turn + 2 * np.pi * k / count
            at = (int(half + 0.62 * half * np.cos(a)), int(half + 0.62 * half * np.sin(a)))
            axes = (int(0.09 * half), int(0.24 * half))
            cv2.ellipse(ink, at, axes, float(np.degrees(a)), 0, 360, dark, -1)
            cv2.ellipse(cover, at, axes, float(np.degrees(a)), 0, 360, 255, -1)
    share = cover.astype(np.float32) / 255 * np.float32(rng.uniform(0.4, 1.0))
    return ink.astype(np.float32), share


def _word(rng: np.random.Generator, cover: Picture, start: float, radius: float) -> None:
    """Made-up letters along a circle."""
    half, size = cover.shape[0] / 2, int(rng.integers(14, 26))
    turn = start + float(rng.uniform(0, 6))
    for letter in rng.integers(0, len(LETTERS), int(rng.integers(3, 10))):
        glyph = np.zeros((size, size), np.uint8)
        cv2.putText(glyph, LETTERS[letter], (2, size - 4), 0, size / 30, 255, 2, cv2.LINE_AA)
        a = turn - np.pi / 2
        matrix = cv2.getRotationMatrix2D((size / 2, size / 2), -float(np.degrees(turn)), 1.0)
        matrix[:, 2] += half + radius * np.array([np.cos(a), np.sin(a)]) - size / 2
        cover[:] = np.maximum(cover, cv2.warpAffine(glyph, matrix, cover.shape[::-1]))
        turn += size * 0.8 / radius
