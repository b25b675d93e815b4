"""A made-up gym: room, textures, furniture, drawn from a seed. No brands, no writing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_clips.render.human import rot_y, rot_z
from sample_clips.render.looks import PLATE_COLOURS, jitter, random_barbell, random_plate
from sample_clips.render.meshes import (
    MATTE,
    MESH_COLUMNS,
    SATIN,
    STEEL,
    BarbellLook,
    Colour,
    Mesh,
    ball,
    barbell_mesh,
    beam,
    box,
    cylinder,
    dumbbell,
    kettlebell,
    leaning_plate,
    lying_plate,
    moved,
    plate_mesh,
    transformed,
)

Array = NDArray[np.float64]
Texture = NDArray[np.uint8]

FLOORS = ("rubber", "tiles", "concrete", "turf")
WALLS = ("brick", "block", "plaster", "panel")
FRAME: Colour = (0.02, 0.02, 0.022)


@dataclass(frozen=True)
class GymLook:
    """Everything that fixes a room. Lengths in metres, colours linear, angles in degrees."""

    seed: int = 0
    floor: str = "rubber"
    wall: str = "brick"
    floor_colour: Colour = (0.035, 0.035, 0.037)
    wall_colour: Colour = (0.34, 0.32, 0.28)
    accent: Colour = (0.03, 0.05, 0.22)
    platform: bool = False  # a wooden lifting platform under the athlete
    room: tuple[float, float, float, float] = (-4.2, 5.5, -2.8, 6.0)  # x0, x1, z0, z1
    ceiling_m: float = 4.3
    clutter: float = 0.8  # fraction of the wall that has something in front of it
    spare_bars: int = 2  # loaded bars lying about, off the platform
    sun_azimuth_deg: float = 45.0
    sun_height_deg: float = 55.0
    sun_strength: float = 0.95
    sun_warmth: float = 0.0  # -1 bluish .. 1 yellowish
    ambient: float = 0.62
    lamp_power: float = 0.5
    clear: tuple[tuple[float, float], ...] = ((0.0, 0.0),)  # where athletes lift: x, z
    standing: tuple[tuple[float, float], ...] = ()  # where other people stand or walk: x, z

    def sun_direction(self) -> Array:
        """Unit vector from the floor to the light."""
        a, h = np.radians(self.sun_azimuth_deg), np.radians(self.sun_height_deg)
        return np.array([np.cos(h) * np.sin(a), np.sin(h), np.cos(h) * np.cos(a)])


def random_gym(seed: int, eye: tuple[float, float, float] | Array) -> GymLook:
    """A room that holds the athlete at the origin and a camera at `eye` (metres)."""
    rng = np.random.default_rng(seed)
    side = rng.uniform(2.3, 6.5, 4)
    x0, x1 = min(-side[0], eye[0] - 0.8), max(side[1], eye[0] + 0.8)
    z0, z1 = min(-side[2], eye[2] - 0.8), max(side[3], eye[2] + 0.8)
    camera_side = np.degrees(np.arctan2(eye[0], eye[2]))
    floor = str(rng.choice(FLOORS, p=[0.5, 0.2, 0.2, 0.1]))
    grounds = {
        "rubber": (0.030, 0.030, 0.032),
        "tiles": (0.045, 0.045, 0.05),
        "concrete": (0.22, 0.21, 0.20),
        "turf": (0.03, 0.12, 0.04),
    }
    walls = ((0.45, 0.43, 0.38), (0.55, 0.55, 0.54), (0.20, 0.20, 0.21), (0.30, 0.13, 0.09))
    return GymLook(
        seed=seed,
        floor=floor,
        wall=str(rng.choice(WALLS)),
        floor_colour=jitter(grounds[floor], rng, 0.4),
        wall_colour=jitter(walls[rng.integers(len(walls))], rng, 0.35),
        accent=jitter(PLATE_COLOURS[rng.integers(3, 7)], rng, 0.3),
        platform=bool(rng.random() < 0.35),
        room=(float(x0), float(x1), float(z0), float(z1)),
        ceiling_m=float(rng.uniform(3.2, 5.5)),
        clutter=float(rng.uniform(0.3, 1.0)),
        spare_bars=int(rng.integers(0, 4)),
        # from the camera's side, so that the athlete is not a silhouette
        sun_azimuth_deg=float(camera_side + rng.uniform(-75, 75)),
        sun_height_deg=float(rng.uniform(38, 72)),
        sun_strength=float(rng.uniform(0.35, 1.15)),
        sun_warmth=float(rng.uniform(-1, 1)),
        ambient=float(rng.uniform(0.4, 0.85)),
        lamp_power=float(rng.uniform(0.3, 0.75)),
    )


# ---------------------------------------------------------------------- textures (sRGB, uint8)


def smooth_noise(rng: np.random.Generator, size: int, cells: int) -> NDArray[np.float32]:
    grid = rng.normal(size=(cells, cells)).astype(np.float32)
    grid = np.pad(grid, ((0, 1), (0, 1)), mode="wrap")
    return cv2.resize(grid, (size, size), interpolation=cv2.INTER_CUBIC).astype(np.float32)


def to_srgb(linear: NDArray[np.float32]) -> Texture:
    return (np.clip(linear, 0, 1) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)


def noise_texture(rng: np.random.Generator, size: int = 512) -> Texture:
    """Grey noise of several scales about 128."""
    layers = ((8, 0.5), (32, 0.35), (128, 0.25), (512, 0.2))
    n = sum(w * smooth_noise(rng, size, cells) for cells, w in layers)
    return np.clip(n * 0.22 * 255 + 128, 0, 255).astype(np.uint8)


def floor_texture(look: GymLook, rng: np.random.Generator, n: int = 1024) -> Texture:
    """One square of 2 m by 2 m."""
    base = np.asarray(look.floor_colour, np.float32)
    t = np.ones((n, n, 1), np.float32) * base
    t *= 1 + 0.10 * smooth_noise(rng, n, 10)[..., None] + 0.06 * rng.normal(size=(n, n, 1))
    if look.floor == "rubber":
        fleck = rng.random((n, n, 1)) < rng.uniform(0.0, 0.03)
        t = np.where(fleck, rng.uniform(0.08, 0.3, (n, n, 1)), t)
        t[: n // 340], t[:, : n // 340] = base * 0.4, base * 0.4
    elif look.floor == "tiles":
        for k in range(4):
            t[k * n // 4 : k * n // 4 + 4], t[:, k * n // 4 : k * n // 4 + 4] = 0.01, 0.01
    elif look.floor == "turf":
        t *= 1 + 0.25 * rng.normal(size=(n, n // 4, 1)).repeat(4, 1)
    return to_srgb(t.astype(np.float32))


def wall_texture(look: GymLook, rng: np.random.Generator, n: int = 1024) -> Texture:
    """One square of 2 m by 2 m."""
    base = np.asarray(look.wall_colour, np.float32)
    t = np.ones((n, n, 3), np.float32) * base
    if look.wall in ("brick", "block"):
        rows, columns = (26, 8) if look.wall == "brick" else (10, 5)
        h, w, gap = n / rows, n / columns, 3
        t[:] = base * (1.25 if look.wall == "brick" else 0.7)
        spread = 0.14 if look.wall == "brick" else 0.05
        for j in range(rows):
            off = w / 2 if j % 2 else 0
            for i in range(-1, columns):
                shade = base * (1 + spread * np.float32(rng.normal()))
                x0, x1 = int(max(i * w + off + gap, 0)), int(min((i + 1) * w + off - gap, n))
                if x1 > x0:
                    t[int(j * h) + gap : int((j + 1) * h) - gap, x0:x1] = shade
    elif look.wall == "panel":
        for i in range(10):
            t[:, i * n // 10 : (i + 1) * n // 10] *= 1 + 0.08 * np.float32(rng.normal())
            t[:, i * n // 10 : i * n // 10 + 5] *= 0.4
        t *= 1 + 0.12 * smooth_noise(rng, n, 64)[:1, :, None]
    t *= 1 + 0.06 * smooth_noise(rng, n, 8)[..., None] + 0.03 * rng.normal(size=(n, n, 1))
    return to_srgb(t.astype(np.float32))


def wood_texture(rng: np.random.Generator, n: int = 1024) -> Texture:
    """One square of 2 m by 2 m, boards along y."""
    t = np.ones((n, n, 3), np.float32) * np.array((0.36, 0.21, 0.10), np.float32)
    grain = cv2.resize(rng.normal(size=(8, n)).astype(np.float32), (n, n))
    for i in range(16):
        t[:, i * 64 : (i + 1) * 64] *= 1 + 0.12 * np.float32(rng.normal())
        t[:, i * 64 : i * 64 + 2] *= 0.5
    t *= 1 + 0.10 * grain[..., None] + 0.05 * smooth_noise(rng, n, 12)[..., None]
    return to_srgb(t)


@dataclass(frozen=True)
class Surface:
    """A flat textured face: corners (4, 3), texture coordinates (4, 2), which texture."""

    corners: Array
    uv: Array
    texture: Texture
    gloss: float = MATTE


def surfaces(look: GymLook) -> list[Surface]:
    """Floor, walls, ceiling and, if there is one, the platform."""
    rng = np.random.default_rng([look.seed, 1])
    x0, x1, z0, z1 = look.room
    h = look.ceiling_m
    ground = floor_texture(look, rng)
    wall = wall_texture(look, rng)
    top = np.full((8, 8, 3), rng.integers(60, 190), np.uint8)
    gloss = {"rubber": 0.06, "tiles": 0.12, "concrete": 0.16, "turf": 0.01}[look.floor]

    def flat(a: float, b: float, c: float, d: float, y: float) -> Array:
        return np.array([(a, y, d), (b, y, d), (b, y, c), (a, y, c)])

    def upright(ax: float, az: float, bx: float, bz: float) -> tuple[Array, Array]:
        length = float(np.hypot(bx - ax, bz - az))
        corners = np.array([(ax, 0, az), (bx, 0, bz), (bx, h, bz), (ax, h, az)])
        return corners, np.array([(0, 0), (length, 0), (length, -h), (0, -h)]) / 2

    below = -0.002  # what lies on the floor at y = 0 must not fight with it for depth
    floor = flat(x0, x1, z0, z1, below)
    out = [Surface(floor, floor[:, [0, 2]] / 2, ground, gloss)]
    for ends in ((x0, z0, x1, z0), (x0, z1, x0, z0), (x1, z0, x1, z1), (x1, z1, x0, z1)):
        corners, uv = upright(*ends)
        out.append(Surface(corners, uv, wall))
    roof = flat(x0, x1, z0, z1, h)
    out.append(Surface(roof, roof[:, [0, 2]], top))
    if look.platform:
        wood = wood_texture(rng)
        for cx, cz in look.clear:
            middle = flat(cx - 0.62, cx + 0.62, cz - 1.2, cz + 1.2, 0.0)
            out.append(Surface(middle, middle[:, [0, 2]] / 2 + 0.3, wood, 0.2))
            mat = (np.ones((64, 64, 3)) * rng.integers(28, 60)).astype(np.uint8)
            for sign in (-1, 1):
                a, b = sorted((cx + sign * 0.62, cx + sign * 1.25))
                side = flat(a, b, cz - 1.2, cz + 1.2, 0.0)
                out.append(Surface(side, side[:, [0, 2]], mat))
    return out


def lamps(look: GymLook) -> Array:
    """(6, 3) places of the ceiling lamps."""
    x0, x1, z0, z1 = look.room
    xs, zs = np.linspace(x0, x1, 7)[[1, 3, 5]], np.linspace(z0, z1, 5)[[1, 3]]
    return np.array([(x, look.ceiling_m - 0.15, z) for x in xs for z in zs])


# ---------------------------------------------------------------------- furniture
# A piece stands with its back to the wall: x along the wall, z away from it, y up, its own left
# edge at x = 0. It returns its mesh and its width.

Piece = Callable[[GymLook, np.random.Generator], tuple[Mesh, float]]


def rig(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    bays, bay, tall = int(rng.integers(1, 4)), 1.3, min(2.75, look.ceiling_m - 0.2)
    colour = look.accent if rng.random() < 0.3 else FRAME
    parts = []
    for i in range(bays + 1):
        for z in (0.25, 1.25):
            parts.append(beam((i * bay, 0, z), (i * bay, tall, z), 0.075, colour, SATIN))
        parts.append(beam((i * bay, tall - 0.1, 0.25), (i * bay, tall - 0.1, 1.25), 0.06, colour))
    for z, y in ((0.25, tall - 0.1), (1.25, tall - 0.1), (1.25, tall - 0.45)):
        parts.append(beam((0, y, z), (bays * bay, y, z), 0.05, colour, SATIN))
    if rng.random() < 0.6:  # a loaded bar on the hooks
        y = rng.uniform(1.0, 1.5)
        bar = barbell_mesh(random_barbell(rng), 40)
        parts.append(moved(bar, (bay / 2, y, 1.32)))
    return np.concatenate(parts), bays * bay + 0.6


def leaning_plates(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    n = int(rng.integers(2, 6))
    pitch = rng.uniform(0.47, 0.55)
    parts = []
    for i in range(n):
        d = float(rng.choice([0.45, 0.45, 0.45, 0.38, 0.3]))
        for k in range(int(rng.integers(1, 3))):
            plate = leaning_plate(random_plate(rng, d))
            parts.append(moved(plate, (0.25 + i * pitch, 0, 0.09 * k)))
    return np.concatenate(parts), n * pitch + 0.1


def plate_tree(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    parts = [
        beam((0.5, 0, 0.4), (0.5, 1.15, 0.4), 0.08, FRAME),
        box((0.5, 0.03, 0.4), (0.6, 0.06, 0.6), FRAME),
    ]
    for y, d in ((0.3, 0.45), (0.85, 0.38)):
        for sign in (-1, 1):
            x = 0.06
            for _ in range(int(rng.integers(1, 4))):
                plate = random_plate(rng, d)
                m = plate_mesh(plate, x, 40)
                m = m if sign > 0 else transformed(m, rot_y(np.pi))
                parts.append(moved(m, (0.5, y, 0.4)))
                x += plate.thickness_m + 0.004
    return np.concatenate(parts), 1.0


def dumbbell_rack(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    w = 1.8
    parts = [beam((x, 0, 0.35), (x, 1.0, 0.15), 0.06, FRAME) for x in (0.1, w - 0.1)]
    across = np.array([[0.0, 0, 1], [0, 1, 0], [-1, 0, 0]])
    for y, z in ((0.35, 0.35), (0.85, 0.2)):
        parts.append(box((w / 2, y, z), (w, 0.04, 0.28), FRAME, SATIN))
        for i in range(8):
            size = 0.045 + 0.004 * i + (0.02 if y < 0.5 else 0)
            d = transformed(dumbbell(size, (0.02, 0.02, 0.02)), across)
            parts.append(moved(d, (0.18 + i * 0.205, y + 0.02 + size, z)))
    return np.concatenate(parts), w


def kettlebells(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    n = int(rng.integers(3, 7))
    parts = []
    for i in range(n):
        c = jitter(PLATE_COLOURS[rng.integers(8)], rng, 0.3)
        bell = transformed(kettlebell(rng.uniform(0.07, 0.115), c), rot_y(rng.uniform(0, 3)))
        parts.append(moved(bell, (0.2 + 0.33 * i, 0, 0.3 + 0.1 * rng.random())))
    return np.concatenate(parts), 0.33 * n + 0.2


def boxes(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    wood = jitter((0.40, 0.25, 0.12), rng, 0.3)
    parts = [box((0.45, 0.3, 0.4), (0.75, 0.6, 0.5), wood)]
    if rng.random() < 0.6:
        parts.append(box((0.4, 0.85, 0.38), (0.5, 0.5, 0.6), jitter(wood, rng, 0.2)))
    return np.concatenate(parts), 0.95


def wall_balls(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    w = 1.5
    parts = [beam((x, 0, 0.2), (x, 1.6, 0.2), 0.05, FRAME) for x in (0.05, w - 0.05)]
    for y in (0.15, 0.7, 1.25):
        parts.append(box((w / 2, y, 0.25), (w, 0.03, 0.3), FRAME))
        for i in range(4):
            c = jitter(PLATE_COLOURS[rng.integers(9)], rng, 0.4)
            if rng.random() < 0.8:
                parts.append(moved(ball(0.165, c), (0.2 + 0.36 * i, y + 0.015, 0.25)))
    return np.concatenate(parts), w


def bench(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    pad = jitter((0.02, 0.02, 0.022), rng, 0.5)
    parts = [box((0.65, 0.42, 0.4), (1.2, 0.08, 0.28), pad, SATIN)]
    parts += [beam((x, 0, 0.4), (x, 0.4, 0.4), 0.06, FRAME) for x in (0.15, 1.1)]
    return np.concatenate(parts), 1.4


def whiteboard(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    w = rng.uniform(1.0, 1.8)
    parts = [box((w / 2, 1.6, 0.02), (w, 0.9, 0.03), (0.65, 0.65, 0.63), SATIN)]
    for i in range(6):
        length = rng.uniform(0.2, 0.7) * w
        ink = (0.02, 0.02, 0.10) if rng.random() < 0.7 else (0.3, 0.02, 0.02)
        parts.append(box((0.08 + length / 2, 1.93 - 0.12 * i, 0.04), (length, 0.025, 0.004), ink))
    return np.concatenate(parts), w + 0.2


def window(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    w, y0, y1 = rng.uniform(0.9, 2.2), rng.uniform(1.0, 1.9), min(look.ceiling_m - 0.4, 3.4)
    sky = (0.75, 0.82, 0.92)
    parts = [box((w / 2, (y0 + y1) / 2, 0.0), (w, y1 - y0, 0.02), sky, glow=rng.uniform(0.05, 0.4))]
    for x in (0.0, w / 2, w):
        parts.append(beam((x, y0, 0.02), (x, y1, 0.02), 0.06, FRAME))
    for y in (y0, (y0 + y1) / 2, y1):
        parts.append(beam((0, y, 0.02), (w, y, 0.02), 0.06, FRAME))
    return np.concatenate(parts), w + 0.3


def door(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    c = jitter((0.25, 0.24, 0.22), rng, 0.6)
    leaf = box((0.55, 1.05, 0.02), (0.95, 2.1, 0.05), c, SATIN)
    return np.concatenate(
        [leaf, box((0.95, 1.0, 0.06), (0.12, 0.03, 0.05), (0.4, 0.4, 0.42), STEEL)]
    ), 1.2


def poster(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    w, h, y = rng.uniform(0.5, 1.6), rng.uniform(0.5, 1.2), rng.uniform(1.6, 2.3)
    parts = [box((w / 2, y, 0.01), (w, h, 0.02), jitter((0.3, 0.3, 0.3), rng, 0.8))]
    for k in range(3):
        c = jitter(PLATE_COLOURS[rng.integers(3, 9)], rng, 0.4)
        a, b = rng.uniform(0.2, 0.8, 2) * (w, h)
        parts.append(
            box(
                (w * rng.uniform(0.4, 0.6), y + h * rng.uniform(-0.1, 0.1), 0.02 + 0.008 * k),
                (a, b, 0.01),
                c,
            )
        )
    return np.concatenate(parts), w + 0.2


def lockers(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    n, c = int(rng.integers(2, 5)), jitter((0.2, 0.22, 0.25), rng, 0.6)
    parts = [
        box((0.2 + 0.4 * i, 0.9, 0.22), (0.385, 1.8, 0.42), jitter(c, rng, 0.05)) for i in range(n)
    ]
    return np.concatenate(parts), 0.4 * n + 0.1


def upright_bars(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    parts = [box((0.35, 0.1, 0.3), (0.6, 0.2, 0.4), FRAME)]
    for i in range(int(rng.integers(2, 6))):
        shade = rng.uniform(0.05, 0.5)
        bar = barbell_mesh(BarbellLook(plates=(), steel=(shade, shade, shade), collars=False), 8)
        parts.append(transformed(bar, rot_z(np.pi / 2), (0.12 + 0.11 * i, 1.12, 0.3)))
    return np.concatenate(parts), 0.8


def stacked_plates(look: GymLook, rng: np.random.Generator) -> tuple[Mesh, float]:
    parts, y = [], 0.0
    for _ in range(int(rng.integers(1, 5))):
        plate = random_plate(rng, 0.45)
        parts.append(moved(lying_plate(plate, rng), (0.3, y, 0.4)))
        y += plate.thickness_m
    return np.concatenate(parts), 0.6


PIECES: tuple[tuple[Piece, float], ...] = (
    (rig, 3.0),
    (leaning_plates, 3.0),
    (plate_tree, 1.5),
    (dumbbell_rack, 1.5),
    (kettlebells, 1.0),
    (boxes, 1.2),
    (wall_balls, 1.0),
    (bench, 0.8),
    (whiteboard, 1.0),
    (window, 1.5),
    (door, 0.6),
    (poster, 1.0),
    (lockers, 0.6),
    (upright_bars, 0.7),
    (stacked_plates, 1.0),
)


def gym_mesh(look: GymLook, eye: Array) -> Mesh:
    """All furniture and spare equipment, kept out of the way of athletes and camera."""
    rng = np.random.default_rng([look.seed, 2])
    x0, x1, z0, z1 = look.room
    parts: list[Mesh] = []
    # each wall: where its left end stands as seen from inside, its length, its turn
    walls = (
        ((x0, z0), x1 - x0, 0.0),
        ((x0, z1), z1 - z0, np.pi / 2),
        ((x1, z1), x1 - x0, np.pi),
        ((x1, z0), z1 - z0, -np.pi / 2),
    )
    weights = np.array([w for _, w in PIECES])
    for (wx, wz), length, turn in walls:
        at = rng.uniform(0.1, 0.8)
        while at < length - 0.8:
            if rng.random() > look.clutter:
                at += rng.uniform(0.4, 1.2)
                continue
            piece = PIECES[rng.choice(len(PIECES), p=weights / weights.sum())][0]
            mesh, width = piece(look, rng)
            placed = transformed(moved(mesh, (at, 0, 0)), rot_y(turn), (wx, 0, wz))
            if at + width < length and not in_the_way(placed, look, eye):
                parts.append(placed)
            at += width + rng.uniform(0.0, 0.5)
    parts += spare_equipment(look, eye, rng)
    return np.concatenate(parts) if parts else np.zeros((0, MESH_COLUMNS))


def ceiling_mesh(look: GymLook) -> Mesh:
    """Beams and lamps. Apart from the furniture: the sun of `GymLook` must not shine past them."""
    rng = np.random.default_rng([look.seed, 3])
    x0, x1, z0, z1 = look.room
    parts = [
        box(lamp + (0, 0.08, 0), (1.3, 0.06, 0.16), (0.9, 0.9, 0.88), glow=0.3)
        for lamp in lamps(look)
    ]
    colour = jitter((0.10, 0.10, 0.11), rng, 0.6)
    y = look.ceiling_m - 0.12
    parts += [beam((x0, y, z), (x1, y, z), 0.16, colour) for z in np.arange(z0 + 1.0, z1, 2.2)]
    return np.concatenate(parts)


def in_the_way(mesh: Mesh, look: GymLook, eye: Array, tall_m: float = 0.8) -> bool:
    """Whether a mesh stands on an athlete's place or between one and the camera."""
    p = mesh[:, [0, 2]]
    tall = bool(mesh[:, 1].max() > tall_m)
    camera = np.array([eye[0], eye[2]])
    for centre in np.asarray(look.standing).reshape(-1, 2):
        if np.linalg.norm(p - centre, axis=1).min() < 0.55:
            return True
    for centre in np.asarray(look.clear):
        if np.linalg.norm(p - centre, axis=1).min() < 1.75:
            return True
        line = camera - centre
        along = np.clip((p - centre) @ line / (line @ line), 0, 1)
        off = np.linalg.norm(p - centre - along[:, None] * line, axis=1)
        if off.min() < (1.4 if tall else 0.9):
            return True
    return False


def spare_equipment(look: GymLook, eye: Array, rng: np.random.Generator) -> list[Mesh]:
    """Loaded bars, plates and small things on the floor, away from where anyone lifts."""
    x0, x1, z0, z1 = look.room
    parts: list[Mesh] = []

    def place(mesh: Mesh, tries: int = 25) -> None:
        for _ in range(tries):
            at = (rng.uniform(x0 + 0.6, x1 - 0.6), 0.0, rng.uniform(z0 + 0.6, z1 - 0.6))
            m = transformed(mesh, rot_y(rng.uniform(0, 2 * np.pi)), at)
            inside = (
                m[:, 0].min() > x0
                and m[:, 0].max() < x1
                and m[:, 2].min() > z0
                and m[:, 2].max() < z1
            )
            if inside and not in_the_way(m, look, eye, tall_m=0.6):
                parts.append(m)
                return

    for _ in range(look.spare_bars):
        bar = random_barbell(rng)
        place(moved(barbell_mesh(bar, 48), (0, bar.large_radius_m, 0)))
    for _ in range(int(rng.integers(0, 5))):
        place(lying_plate(random_plate(rng), rng))
    if rng.random() < 0.6:
        place(cylinder(0.036, 0.24, jitter((0.1, 0.2, 0.4), rng, 0.6)))
        place(cylinder(0.16, 0.32, jitter((0.3, 0.3, 0.3), rng, 0.5)))
    if rng.random() < 0.4:
        place(box((0, 0.14, 0), (0.55, 0.28, 0.28), jitter((0.03, 0.03, 0.05), rng, 0.8)))
    return parts
