"""What happens to an image between scene and network: things pasted in, and bad cameras."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from models.train_bar.crops import PAD_LEVEL

Picture = NDArray[np.uint8]
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


def random_texture(rng: np.random.Generator, size: int) -> Picture:
    """(size, size, 3): smooth noise, stripes, a gradient or a heap of shapes, or two of them."""
    picture = _one_texture(rng, size)
    if rng.random() < 0.5:
        other, share = _one_texture(rng, size), float(rng.uniform(0.2, 0.8))
        picture = cv2.addWeighted(picture, share, other, 1 - share, 0).astype(np.uint8, copy=False)
    return picture


def _one_texture(rng: np.random.Generator, size: int) -> Picture:
    kind = int(rng.integers(4))
    a, b = rng.uniform(0, 255, (2, 3)) * rng.uniform(0.1, 1.0)
    if kind == 0:
        field = np.zeros((size, size, 3), np.float32)
        for cells in (3, 8, 24, 80):
            grid = rng.normal(size=(cells, cells, 3)).astype(np.float32)
            field += cv2.resize(grid, (size, size), interpolation=cv2.INTER_CUBIC) * rng.uniform(
                0, 1
            )
        return np.clip(a + field * rng.uniform(10, 60), 0, 255).astype(np.uint8)
    y, x = np.mgrid[0:size, 0:size].astype(np.float32)
    if kind == 1:
        angle = rng.uniform(0, np.pi)
        wave = np.sin((x * np.cos(angle) + y * np.sin(angle)) * rng.uniform(0.02, 0.5))
        share = (wave > rng.uniform(-0.8, 0.8)).astype(np.float32)[..., None]
        return (a * share + b * (1 - share)).astype(np.uint8)
    if kind == 2:
        angle = rng.uniform(0, 2 * np.pi)
        share = (x * np.cos(angle) + y * np.sin(angle)) / size
        share = np.clip(share + 0.5 * rng.uniform(-1, 1), 0, 1)[..., None]
        return (a * share + b * (1 - share)).astype(np.uint8)
    picture = np.broadcast_to(a, (size, size, 3)).astype(np.uint8).copy()
    for _ in range(int(rng.integers(5, 60))):
        colour = [int(v) for v in rng.integers(0, 256, 3) * rng.uniform(0.1, 1)]
        points = rng.normal(size=(int(rng.integers(3, 7)), 2)) * rng.uniform(10, 90)
        points = (points + rng.uniform(0, size, 2)).astype(np.int32)
        cv2.fillPoly(picture, [points], colour)
    return picture


def paste_things(
    rng: np.random.Generator, picture: Picture, tags: Picture
) -> tuple[Picture, Picture]:
    """Another background, discs and writing on the wall; now and then something in front.

    tags (h, w): 0 where the room is seen; set to 0 where something is pasted over what was there.
    """
    size = picture.shape[0]
    room = tags == 0
    out = picture.copy()
    if rng.random() < 0.16:
        share = 1.0 if rng.random() < 0.5 else float(rng.uniform(0.3, 0.9))
        texture = random_texture(rng, size)
        mixed = cv2.addWeighted(texture, share, out, 1 - share, 0)
        # the floor stays half of the time, with its shadows
        edge = 0 if rng.random() < 0.5 else int(size * rng.uniform(0.45, 0.75))
        where = room.copy()
        if edge:
            where[edge:] = False
        out[where] = mixed[where]
    if rng.random() < 0.4:
        layer = out.copy()
        for _ in range(int(rng.integers(1, 7))):
            _paste_disc(rng, layer)
        for _ in range(int(rng.integers(0, 4))):
            _paste_writing(rng, layer)
        if rng.random() < 0.6:
            _paste_drawing(rng, layer)
        out[room] = layer[room]
    tags = tags.copy()
    if rng.random() < 0.12:
        layer = np.zeros((size, size), np.uint8)
        centre = tuple(int(v) for v in rng.uniform(0.1, 0.9, 2) * size)
        axes = tuple(int(v) for v in np.exp(rng.uniform(np.log(8), np.log(70), 2)))
        cv2.ellipse(layer, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1, -1)
        cover = layer > 0
        out[cover] = random_texture(rng, size)[cover]
        tags[cover] = 0
    return out, tags


def paste_in_front(rng: np.random.Generator, picture: Picture) -> tuple[Picture, NDArray[np.bool_]]:
    """The uprights of a rack between camera and athlete, a caption over the image; and where
    they cover it (h, w)."""
    size = picture.shape[0]
    layer, covered = picture.copy(), np.zeros(picture.shape[:2], np.uint8)
    if rng.random() < 0.12:
        _paste_uprights(rng, layer, covered)
    if rng.random() < 0.08:
        low = rng.uniform(0, 0.85, 2) * size
        high = low + rng.uniform(0.08, 0.5) * size * np.array([1.0, rng.uniform(0.1, 0.5)])
        corners = [(int(low[0]), int(low[1])), (int(high[0]), int(high[1]))]
        text = "".join(LETTERS[i] for i in rng.integers(0, len(LETTERS), int(rng.integers(3, 12))))
        scale = float(high[1] - low[1]) / 40
        if rng.random() < 0.6:
            cv2.rectangle(layer, corners[0], corners[1], _colour(rng), -1)
            cv2.rectangle(covered, corners[0], corners[1], 1, -1)
        at = (corners[0][0] + 2, corners[1][1] - 2)
        width, font = max(1, int(scale * 2)), int(rng.integers(0, 7))
        cv2.putText(layer, text, at, font, scale, _colour(rng), width, cv2.LINE_AA)
        cv2.putText(covered, text, at, font, scale, 1, width)
    return layer, covered > 0


def _paste_uprights(rng: np.random.Generator, layer: Picture, covered: Picture) -> None:
    """One or two posts, with holes or without, lighter on one side; now and then a crossbar."""
    size = layer.shape[0]
    width = int(rng.uniform(0.012, 0.05) * size)
    lean, foot = float(rng.normal() * 0.02) * size, float(rng.uniform(0.6, 1.05)) * size
    top = float(rng.uniform(-0.1, 0.35)) * size
    base = np.array(_colour(rng), float)
    ramp = np.linspace(float(rng.uniform(0.5, 1.0)), float(rng.uniform(0.9, 1.4)), width + 1)
    first = float(rng.uniform(0, 1)) * size
    apart = float(rng.uniform(0.2, 0.5)) * size
    posts = [first] if rng.random() < 0.4 else [first, first + apart]
    for x in posts:
        for k, shade in enumerate(ramp):
            ends = [(int(x + k), int(top)), (int(x + k + lean), int(foot))]
            colour = [int(v) for v in np.clip(base * shade, 0, 255)]
            cv2.line(layer, ends[0], ends[1], colour, 1)
            cv2.line(covered, ends[0], ends[1], 1, 1)
        if rng.random() < 0.5:
            step, hole = float(rng.uniform(1.2, 3.0)) * width, max(1, width // 5)
            dark = [int(v) for v in np.clip(base * 0.3, 0, 255)]
            for y in np.arange(top, foot, max(step, 4.0)):
                at = (int(x + width / 2 + lean * (y - top) / (foot - top)), int(y))
                cv2.circle(layer, at, hole, dark, -1, cv2.LINE_AA)
    if len(posts) == 2 and rng.random() < 0.4:
        y = float(rng.uniform(max(top, 0.0), min(foot, size)))
        corners = [(int(first), int(y)), (int(first + apart), int(y + width))]
        cv2.rectangle(layer, corners[0], corners[1], [int(v) for v in base], -1)
        cv2.rectangle(covered, corners[0], corners[1], 1, -1)


def _colour(rng: np.random.Generator) -> list[int]:
    dark = rng.random() < 0.5
    return [int(v) for v in rng.integers(0, 60 if dark else 256, 3)]


def _paste_disc(rng: np.random.Generator, layer: Picture) -> None:
    size = layer.shape[0]
    centre = tuple(int(v) for v in rng.uniform(0, 1, 2) * size)
    radius = float(rng.uniform(8, 60))
    squeeze = float(rng.uniform(0.15, 1.0))
    angle = float(rng.choice([0.0, rng.uniform(-20, 20), rng.uniform(-90, 90)]))
    for share in sorted(rng.uniform(0.1, 1.0, int(rng.integers(1, 4))), reverse=True):
        axes = (max(1, int(radius * share * squeeze)), max(1, int(radius * share)))
        width = -1 if rng.random() < 0.7 else int(rng.integers(1, 5))
        cv2.ellipse(layer, centre, axes, angle, 0, 360, _colour(rng), width, cv2.LINE_AA)


def _paste_drawing(rng: np.random.Generator, layer: Picture) -> None:
    """A barbell painted on the wall, in outline or filled, with or without a painted figure."""
    size = layer.shape[0]
    middle = rng.uniform(0.15, 0.85, 2) * size
    half = float(rng.uniform(0.08, 0.4)) * size
    angle = float(rng.normal() * 0.1)
    way, across = (
        np.array([np.cos(angle), np.sin(angle)]),
        np.array([-np.sin(angle), np.cos(angle)]),
    )
    ink, fill = _colour(rng), _colour(rng)
    line = int(rng.integers(1, 6))
    filled = rng.random() < 0.5

    def corners(along: float, wide: float, tall: float) -> NDArray[np.int32]:
        c = middle + way * along
        box = [(-wide, -tall), (wide, -tall), (wide, tall), (-wide, tall)]
        return np.array([c + way * a + across * b for a, b in box]).astype(np.int32)

    def shape(points: NDArray[np.int32]) -> None:
        if filled:
            cv2.fillPoly(layer, [points], fill, cv2.LINE_AA)
        cv2.polylines(layer, [points], True, ink, line, cv2.LINE_AA)

    if rng.random() < 0.5:
        height = float(rng.uniform(0.5, 1.6)) * half
        waist = middle + np.array([0.0, height])
        trunk = np.array([middle - way * half * 0.3, middle + way * half * 0.3, waist])
        shape(trunk.astype(np.int32))
        head = tuple(int(v) for v in middle - np.array([0.0, height * 0.35]))
        cv2.circle(layer, head, max(3, int(height * 0.2)), ink, line if not filled else -1)
    shape(corners(0.0, half, max(1.0, half * 0.02)))
    count, tall = int(rng.integers(1, 6)), float(rng.uniform(0.15, 0.4)) * half
    wide = float(rng.uniform(0.01, 0.06)) * half
    for sign in (-1, 1):
        for k in range(count):
            along = sign * (half * float(rng.uniform(0.95, 1.0)) * 0.9 - 2.2 * k * wide)
            shape(corners(along, wide, tall * (1 - 0.1 * k if rng.random() < 0.3 else 1)))


def _paste_writing(rng: np.random.Generator, layer: Picture) -> None:
    size = layer.shape[0]
    text = "".join(LETTERS[i] for i in rng.integers(0, len(LETTERS), int(rng.integers(2, 9))))
    at = tuple(int(v) for v in rng.uniform(0, 1, 2) * size)
    scale = float(rng.uniform(0.5, 3.0))
    cv2.putText(
        layer, text, at, int(rng.integers(0, 7)), scale, _colour(rng), int(rng.integers(1, 6)),
        cv2.LINE_AA,
    )  # fmt: skip


def spoil(rng: np.random.Generator, picture: Picture, inside: NDArray[np.bool_]) -> Picture:
    """A lesser camera: small images blown up, blur, a panning hand, noise, tone, compression.

    inside (h, w): where the camera's image is; the padding around it stays clean.
    """
    size = picture.shape[0]
    out = picture
    if rng.random() < 0.1:
        length = int(rng.integers(3, 10))
        kernel = np.zeros((length, length), np.float32)
        kernel[length // 2] = 1 / length
        angle = 0.0 if rng.random() < 0.6 else float(rng.uniform(0, 180))
        turn = cv2.getRotationMatrix2D(((length - 1) / 2,) * 2, angle, 1.0)
        kernel = cv2.warpAffine(kernel, turn, (length, length))
        out = cv2.filter2D(out, -1, kernel / max(float(kernel.sum()), 1e-3))
    if rng.random() < 0.4:
        out = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.3, 1.8)))
    if rng.random() < 0.35:
        k = float(rng.uniform(0.35, 0.9))
        small = cv2.resize(out, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
        how = cv2.INTER_CUBIC if rng.random() < 0.5 else cv2.INTER_LINEAR
        out = cv2.resize(_compressed(rng, small), (size, size), interpolation=how)
    levels = out.astype(np.float32) / 255
    if rng.random() < 0.7:
        levels = levels ** float(np.exp(rng.normal() * 0.28)) * float(np.exp(rng.normal() * 0.22))
        levels = levels * rng.normal(1.0, 0.08, 3).astype(np.float32)
        levels += float(rng.normal() * 0.03)
    if rng.random() < 0.15:  # light falls off to the edges, or a bright window
        y, x = np.mgrid[0:size, 0:size].astype(np.float32) / size
        cx, cy = rng.uniform(0, 1, 2)
        spot = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * rng.uniform(0.1, 0.6) ** 2))
        levels *= (1 + float(rng.uniform(-0.6, 1.2)) * spot)[..., None]
    if rng.random() < 0.6:
        grain = float(rng.uniform(0, 0.03) if rng.random() < 0.75 else rng.uniform(0.03, 0.09))
        levels += rng.normal(size=levels.shape).astype(np.float32) * grain
    out = (np.clip(levels, 0, 1) * 255 + 0.5).astype(np.uint8)
    if rng.random() < 0.25:  # as phones sharpen: halos at the edges
        soft = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.6, 2.0)))
        more = float(rng.uniform(0.3, 1.6))
        out = cv2.addWeighted(out, 1 + more, soft, -more, 0).astype(np.uint8, copy=False)
    kind = rng.random()
    if kind < 0.4:
        out = _compressed(rng, out)
    elif kind < 0.55:
        out = _filmed(rng, out)
    if rng.random() < 0.05:
        out = out.copy()
        _paste_writing(rng, out)
    return np.where(inside[..., None], out, np.uint8(PAD_LEVEL))


def _filmed(rng: np.random.Generator, picture: Picture) -> Picture:
    """As a film of a low rate: coarse blocks, colours at half the size, edges of blocks smoothed
    as the filter in the loop of H.264 does (ITU-T H.264, 8.7), and that twice."""
    for _ in range(int(rng.integers(1, 3))):
        quality = int(rng.integers(8, 45))
        chroma = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420]
        _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality, *chroma])
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.uint8, copy=False)
        spread = float(rng.uniform(10, 30))
        picture = cv2.bilateralFilter(picture, 5, spread, 2.0).astype(np.uint8, copy=False)
    return picture


def _compressed(rng: np.random.Generator, picture: Picture) -> Picture:
    quality = int(rng.integers(14, 92))
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.uint8, copy=False)
