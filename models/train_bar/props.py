"""Bars of any look, bent ones too, and what else stands about: plates, racks, round things."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_clips.render.human import rot_y
from sample_clips.render.looks import jitter, random_plate
from sample_clips.render.meshes import (
    BAR_BETWEEN_SLEEVES_M,
    MESH_COLUMNS,
    BarbellLook,
    Colour,
    Mesh,
    Plate,
    ball,
    beam,
    box,
    cylinder,
    kettlebell,
    lying_plate,
    moved,
    plate_mesh,
    transformed,
)

Array = NDArray[np.float64]

SLEEVE_SPACE_M = 0.40


@dataclass(frozen=True)
class BentBarbell(BarbellLook):
    """A bar whose ends hang by `bend_rad` when it is held in the middle: a circle's arc between the
    sleeves, which are straight. Plates lean with them, their tops outwards."""

    bend_rad: float = 0.0

    def bent(self, points: Array) -> Array:
        """Where `points` (..., 3) of the straight bar are, in the bar's own axes, metres."""
        if not self.bend_rad:
            return points
        x, y = np.abs(points[..., 0]), points[..., 1]
        half = BAR_BETWEEN_SLEEVES_M / 2
        inner = np.minimum(x, half)
        outer, angle = x - inner, self.bend_rad * inner / half
        along = inner + outer * np.cos(self.bend_rad) + y * np.sin(angle)
        down = self.bend_rad * inner**2 / (2 * half) + outer * np.sin(self.bend_rad)
        across = y * np.cos(angle) - down
        return np.stack([np.sign(points[..., 0]) * along, across, points[..., 2]], -1)

    def bent_mesh(self, mesh: Mesh) -> Mesh:
        """The straight bar's mesh, bent; its normals turn with it and stay about one long."""
        if not self.bend_rad:
            return mesh
        m = mesh.copy()
        m[:, :3] = self.bent(mesh[:, :3])
        tip = 1e-3
        m[:, 3:6] = (self.bent(mesh[:, :3] + tip * mesh[:, 3:6]) - m[:, :3]) / tip
        return m


def random_colour(rng: np.random.Generator) -> Colour:
    """Any colour (linear), dark ones more often."""
    r, g, b = rng.uniform(0.005, 1.0, 3) ** rng.uniform(1.0, 3.0) * rng.uniform(0.2, 0.9)
    return (float(r), float(g), float(b))


def any_plate(rng: np.random.Generator, diameter_m: float) -> Plate:
    """A plate as the sample clips have them, or of any colour and thickness."""
    colour = random_colour(rng) if rng.random() < 0.35 else None
    plate = random_plate(rng, diameter_m, colour)
    if rng.random() < 0.2:
        shade = float(rng.uniform(0.15, 0.7))
        steel = (shade, shade, shade)
        return Plate(steel, diameter_m, float(rng.uniform(0.02, 0.05)), gloss=0.5)
    return plate


def bare_barbell(rng: np.random.Generator) -> BentBarbell:
    """A bar without plates, its sleeves with collars or without."""
    shade = float(rng.uniform(0.02, 0.6))
    return BentBarbell(
        plates=(),
        length_m=float(rng.choice([2.20, 2.20, 2.01])),
        shaft_radius_m=float(rng.uniform(0.0125, 0.0145)),
        steel=(shade, shade, shade * 1.04),
        collars=bool(rng.random() < 0.3),
    )


def any_barbell(rng: np.random.Generator, bend_rad: float = 0.0) -> BentBarbell:
    """One to eight large plates a side, now and then smaller ones; any bar."""
    large = 0.45 if rng.random() < 0.72 else float(rng.uniform(0.18, 0.47))
    count = int(rng.choice([1, 2, 3, rng.integers(4, 9)], p=[0.34, 0.26, 0.16, 0.24]))
    first = any_plate(rng, large)
    alike = rng.random() < 0.5
    plates, used = [], 0.0
    for k in range(count):
        plate = first if alike or k == 0 else any_plate(rng, large)
        thick = min(plate.thickness_m, (SLEEVE_SPACE_M - 0.03) / count)
        plate = Plate(plate.colour, large, thick, plate.ring, plate.mark, plate.gloss, plate.spokes)
        plates.append(plate)
        used += thick + 0.002
    while rng.random() < 0.25 and used < SLEEVE_SPACE_M - 0.03:
        small = float(rng.uniform(0.16, 0.38)) * large / 0.45
        plates.append(Plate(random_colour(rng), small, float(rng.uniform(0.012, 0.026)), gloss=0.3))
        used += plates[-1].thickness_m + 0.002
    shade = float(rng.uniform(0.02, 0.6))
    return BentBarbell(
        plates=tuple(plates),
        length_m=float(rng.choice([2.20, 2.20, 2.01])),
        shaft_radius_m=float(rng.uniform(0.0125, 0.0145)),
        steel=(shade, shade, shade * 1.04),
        collars=bool(rng.random() < 0.6),
        bend_rad=bend_rad,
    )


def plate_stack(rng: np.random.Generator) -> Mesh:
    """One to five plates on a horizontal axis along x, its middle at the origin."""
    diameter = float(rng.choice([0.45, 0.45, rng.uniform(0.2, 0.45)]))
    plate, parts, x = any_plate(rng, diameter), [], 0.0
    for _ in range(int(rng.integers(1, 6))):
        if rng.random() < 0.4:
            plate = any_plate(rng, diameter)
        parts.append(plate_mesh(plate, x, 40))
        x += plate.thickness_m + 0.004
    return moved(np.concatenate(parts), (-x / 2, 0, 0))


def standing_stack(rng: np.random.Generator) -> Mesh:
    """Plates standing on the floor, in any direction."""
    mesh = plate_stack(rng)
    mesh = moved(mesh, (0, -float(mesh[:, 1].min()), 0))
    return transformed(mesh, rot_y(rng.uniform(0, 2 * np.pi)))


def rack(rng: np.random.Generator) -> Mesh:
    """Two uprights and crossbars about x, some pegs with plates on their outsides."""
    half, width = float(rng.uniform(0.45, 0.75)), float(rng.uniform(0.05, 0.09))
    height, colour = float(rng.uniform(1.6, 2.6)), random_colour(rng)
    parts = [beam((s * half, 0, 0), (s * half, height, 0), width, colour) for s in (-1, 1)]
    parts.append(beam((-half, height, 0), (half, height, 0), width, colour))
    for _ in range(int(rng.integers(0, 3))):
        y = float(rng.uniform(0.1, height))
        parts.append(beam((-half, y, 0), (half, y, 0), width * 0.7, colour))
    for _ in range(int(rng.integers(0, 7))):
        sign, y = float(rng.choice([-1, 1])), float(rng.uniform(0.25, height - 0.2))
        if rng.random() < 0.5:
            peg = beam((sign * half, y, 0), (sign * (half + 0.25), y, 0), 0.03, colour)
            stack = moved(plate_stack(rng), (sign * (half + 0.14), y, 0))
        else:
            peg = beam((sign * half, y, 0), (sign * half, y, 0.25), 0.03, colour)
            stack = moved(transformed(plate_stack(rng), rot_y(np.pi / 2)), (sign * half, y, 0.14))
        parts += [peg, stack] if rng.random() < 0.8 else [peg]
    return np.concatenate(parts)


def small_thing(rng: np.random.Generator) -> Mesh:
    """Something else on the floor, often round."""
    colour = random_colour(rng)
    kind = int(rng.integers(6))
    if kind == 0:
        return ball(float(rng.uniform(0.1, 0.35)), colour)
    if kind == 1:
        return kettlebell(float(rng.uniform(0.07, 0.13)), colour)
    if kind == 2:
        return box((0, 0.2, 0), rng.uniform(0.1, 0.8, 3), colour)
    if kind == 3:
        return cylinder(float(rng.uniform(0.05, 0.3)), float(rng.uniform(0.1, 1.2)), colour)
    if kind == 4:
        return lying_plate(any_plate(rng, float(rng.uniform(0.2, 0.45))), rng)
    # a round sign or a tyre on edge
    disc = plate_mesh(
        Plate(colour, float(rng.uniform(0.2, 0.9)), 0.05, mark=random_colour(rng)), 0.0, 40
    )
    disc = transformed(disc, rot_y(rng.uniform(0, 2 * np.pi)))
    return moved(disc, (0, float(rng.uniform(0.1, 2.4)), 0))


def clutter(rng: np.random.Generator, eye: Array) -> Mesh:
    """Props around an athlete at the origin; nothing large between athlete and camera."""
    to_camera = float(np.arctan2(eye[0], eye[2]))
    parts: list[Mesh] = []
    if rng.random() < 0.5:
        back = float(rng.uniform(0.9, 2.2))
        turn = to_camera + float(rng.normal() * 0.4)
        at = (-back * np.sin(turn), 0, -back * np.cos(turn))
        parts.append(transformed(rack(rng), rot_y(turn + rng.normal() * 0.2), at))
    for _ in range(int(rng.integers(0, 9))):
        thing = standing_stack(rng) if rng.random() < 0.55 else small_thing(rng)
        distance = float(rng.uniform(1.25, 3.5))
        # from beside the athlete to behind, as seen from the camera
        turn = to_camera + float(rng.uniform(0.35, 2 * np.pi - 0.35))
        at = (distance * np.sin(turn), 0.0, distance * np.cos(turn))
        parts.append(moved(thing, at))
    if rng.random() < 0.5:
        parts = [jittered(p, rng) for p in parts]
    return np.concatenate(parts) if parts else np.zeros((0, MESH_COLUMNS))


def jittered(mesh: Mesh, rng: np.random.Generator) -> Mesh:
    """The mesh in one other tint."""
    m = mesh.copy()
    m[:, 6:9] = np.clip(m[:, 6:9] * np.array(jitter((0.5, 0.5, 0.5), rng, 0.6)) * 2, 0.002, 0.95)
    return m
