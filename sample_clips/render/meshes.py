"""Triangle meshes of everything that is not a person: plates, barbells, gym furniture.

A mesh is an array (n, 12), three rows a triangle: position 3, normal 3, colour 3 (linear, 0..1),
gloss, glow, tag. Lengths in metres. Seen from outside, a triangle's corners run anticlockwise
(`triangles` sees to it from the normals), so that faces turned away need not be drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sample_clips.render.human import cross, rot_x, rot_y, unit

Mesh = NDArray[np.float64]
Colour = tuple[float, float, float]

MESH_COLUMNS = 12
MATTE, SATIN, STEEL = 0.05, 0.15, 0.55
TAG_NONE, TAG_LEFT, TAG_RIGHT = 0.0, 1.0, 2.0  # which plates of a barbell a fragment belongs to

BAR_BETWEEN_SLEEVES_M = 1.310
SLEEVE_RADIUS_M = 0.025


@dataclass(frozen=True)
class Plate:
    """One disc. `ring` colours the raised rim's face, `mark` the lettering-like arcs on it."""

    colour: Colour
    diameter_m: float = 0.450
    thickness_m: float = 0.06
    ring: Colour | None = None
    mark: Colour | None = None
    gloss: float = SATIN
    spokes: bool = False  # an iron plate with a thin web instead of a rubber bumper


@dataclass(frozen=True)
class BarbellLook:
    """A bar and what is on each side, from the inside out."""

    plates: tuple[Plate, ...] = (
        Plate((0.45, 0.03, 0.03), thickness_m=0.054, mark=(0.7, 0.7, 0.7)),
        Plate((0.03, 0.03, 0.035), thickness_m=0.042),
    )
    length_m: float = 2.200
    shaft_radius_m: float = 0.014
    steel: Colour = (0.42, 0.43, 0.45)
    collars: bool = True

    @property
    def large_radius_m(self) -> float:
        """Radius of the largest plates; the height of the bar's axis when it lies on the floor."""
        return max((p.diameter_m / 2 for p in self.plates), default=SLEEVE_RADIUS_M)

    @property
    def end_x_m(self) -> float:
        """From the middle of the bar to the outer face of the outermost of the largest plates.

        Without plates: to the end of the sleeve.
        """
        if not self.plates:
            return self.length_m / 2
        x, end = plates_start_m(), 0.0
        for p in self.plates:
            x += p.thickness_m + PLATE_GAP_M
            if p.diameter_m / 2 > self.large_radius_m - 0.005:
                end = x - PLATE_GAP_M
        return end


PLATE_GAP_M = 0.002
SLEEVE_FLANGE_M = 0.022


def plates_start_m() -> float:
    """From the middle of the bar to the inner face of the first plate."""
    return BAR_BETWEEN_SLEEVES_M / 2 + 0.002


def triangles(
    points: ArrayLike,
    normals: ArrayLike,
    colours: ArrayLike,
    gloss: float = MATTE,
    glow: float = 0.0,
    tag: float = TAG_NONE,
) -> Mesh:
    """A mesh from triangle corners (n, 3) with normals and colours that broadcast to them."""
    p = np.asarray(points, float).reshape(-1, 3)
    extra = np.broadcast_to([gloss, glow, tag], (len(p), 3))
    shape = (len(p), 3)
    return turned_outside(
        np.concatenate(
            [p, np.broadcast_to(normals, shape), np.broadcast_to(colours, shape), extra], 1
        )
    )


def turned_outside(mesh: Mesh) -> Mesh:
    """The mesh with the corners of each triangle running anticlockwise about its normals."""
    m = mesh.reshape(-1, 3, mesh.shape[1]).copy()
    across = np.cross(m[:, 1, :3] - m[:, 0, :3], m[:, 2, :3] - m[:, 0, :3])
    wrong = np.einsum("ti,ti->t", across, m[:, :, 3:6].sum(1)) < 0
    m[wrong, 1], m[wrong, 2] = m[wrong, 2], m[wrong, 1].copy()
    return m.reshape(mesh.shape)


TWO_TRIANGLES = [0, 1, 2, 0, 2, 3]


def quad(corners: ArrayLike, colour: Colour, gloss: float = MATTE, glow: float = 0.0) -> Mesh:
    """A flat four-cornered face; its normal follows the right hand around the corners."""
    p = np.asarray(corners, float)
    n = unit(cross(p[1] - p[0], p[2] - p[0]))
    return triangles(p[TWO_TRIANGLES], n, colour, gloss, glow)


def box(
    centre: ArrayLike, size: ArrayLike, colour: Colour, gloss: float = MATTE, glow: float = 0.0
) -> Mesh:
    c, half = np.asarray(centre, float), np.asarray(size, float) / 2
    faces = []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            n, u = np.zeros(3), np.zeros(3)
            n[axis], u[(axis + 1) % 3] = sign, 1.0
            w = cross(n, u)
            ring = np.array([n - u - w, n + u - w, n + u + w, n - u + w])
            faces.append(triangles((c + half * ring)[TWO_TRIANGLES], n, colour, gloss, glow))
    return np.concatenate(faces)


def beam(a: ArrayLike, b: ArrayLike, width: float, colour: Colour, gloss: float = MATTE) -> Mesh:
    """A square bar from a to b."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    d = unit(b - a)
    side = np.array([0.0, 0, 1]) if abs(d[1]) > 0.9 else np.array([0.0, 1, 0])
    u = unit(cross(d, side))
    w = cross(d, u)
    m = box((0, 0, 0), (float(np.linalg.norm(b - a)), width, width), colour, gloss)
    return transformed(m, np.stack([d, u, w], 1), (a + b) / 2)


@dataclass(frozen=True)
class Ring:
    """One circle of a turned profile: axial place, radius, and the colour of the band after it."""

    x: float
    radius: float
    colour: Colour
    mark: Colour | None = None  # colours some arcs of the band
    gloss: float | None = None


def lathe(profile: Sequence[Ring], sides: int, gloss: float = SATIN, tag: float = 0.0) -> Mesh:
    """A body turned about the x axis; flat along the profile, round about the axis."""
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    c, s = np.cos(angle), np.sin(angle)
    bands = []
    for k0, (a, b) in enumerate(pairwise(profile)):
        dx, dr = b.x - a.x, b.radius - a.radius
        slope = np.hypot(dx, dr)
        if slope < 1e-9:
            continue
        p0 = np.stack([np.full(sides + 1, a.x), a.radius * c, a.radius * s], 1)
        p1 = np.stack([np.full(sides + 1, b.x), b.radius * c, b.radius * s], 1)
        n = np.stack([np.full(sides + 1, -dr / slope), dx / slope * c, dx / slope * s], 1)
        corners = [p0[:-1], p1[:-1], p1[1:], p0[1:]]
        normals = [n[:-1], n[:-1], n[1:], n[1:]]
        colour = np.broadcast_to(a.colour, (sides, 3)).copy()
        if a.mark is not None:
            colour[lettering(sides, k0)] = a.mark
        band = triangles(
            np.stack([corners[i] for i in TWO_TRIANGLES], 1),
            np.stack([normals[i] for i in TWO_TRIANGLES], 1).reshape(-1, 3),
            np.repeat(colour, 6, 0),
            gloss if a.gloss is None else a.gloss,
            tag=tag,
        )
        bands.append(band)
    return np.concatenate(bands)


def lettering(sides: int, seed: int) -> NDArray[np.bool_]:
    """Which sides of a band look printed: two opposite words of made-up strokes."""
    rng = np.random.default_rng(seed)
    on = np.zeros(sides, bool)
    word = sides // 6
    strokes = rng.random(word) < 0.7
    for start in (sides // 12, sides // 12 + sides // 2):
        on[start : start + word] = strokes
    return on


def moved(mesh: Mesh, by: ArrayLike) -> Mesh:
    m = mesh.copy()
    m[:, :3] += np.asarray(by, float)
    return m


def transformed(mesh: Mesh, rotation: NDArray[np.float64], shift: ArrayLike = (0, 0, 0)) -> Mesh:
    m = mesh.copy()
    m[:, :3] = m[:, :3] @ rotation.T + np.asarray(shift, float)
    m[:, 3:6] = m[:, 3:6] @ rotation.T
    return m


def mirrored(mesh: Mesh) -> Mesh:
    """Left becomes right."""
    m = mesh.copy()
    m[:, 0] *= -1
    m[:, 3] *= -1
    return turned_outside(m)


def faded(c: Colour, k: float) -> Colour:
    return (c[0] * k, c[1] * k, c[2] * k)


def plate_mesh(
    plate: Plate,
    x0: float,
    sides: int = 48,
    tag: float = TAG_NONE,
    inner_face: bool = True,
    outer_face: bool = True,
) -> Mesh:
    """A disc about the x axis, its inner face at x0, its outer at x0 + thickness.

    A face that lies against another disc need not be there.
    """
    r, t = plate.diameter_m / 2, plate.thickness_m
    x1, bevel = x0 + t, min(0.007, t / 4)
    dish = min(0.008, t / 5)
    face, ring = plate.colour, plate.ring or plate.colour
    dark, hub = faded(plate.colour, 0.6), (0.33, 0.33, 0.35)
    web = t * 0.32 if plate.spokes else dish
    outer = [
        Ring(x1 - bevel, r, face),
        Ring(x1, r - bevel, ring),
        Ring(x1, r * 0.86, face),
        Ring(x1 - web, r * 0.82, face, mark=plate.mark),
        Ring(x1 - web, r * 0.58, face),
        Ring(x1 - web, r * 0.36, dark),
        Ring(x1 - 0.002, r * 0.31, hub, gloss=STEEL),
        Ring(x1 - 0.002, SLEEVE_RADIUS_M + 0.001, dark),
    ]
    inner = [
        Ring(x0, SLEEVE_RADIUS_M + 0.001, hub, gloss=STEEL),
        Ring(x0, r * 0.31, dark),
        Ring(x0 + web, r * 0.36, face, mark=plate.mark),
        Ring(x0 + web, r * 0.60, face),
        Ring(x0 + web, r * 0.82, face),
        Ring(x0, r * 0.86, ring),
        Ring(x0, r - bevel, face),
        Ring(x0 + bevel, r, face),
    ]
    rings = (inner if inner_face else inner[-1:]) + (outer if outer_face else outer[:1])
    return lathe(rings, sides, plate.gloss, tag)


def barbell_mesh(look: BarbellLook, sides: int = 48) -> Mesh:
    """A loaded barbell about the x axis, its middle at the origin."""
    steel, dark = look.steel, faded(look.steel, 0.75)
    half, shaft = BAR_BETWEEN_SLEEVES_M / 2, look.shaft_radius_m
    knurl = faded(look.steel, 0.8)
    profile = [
        Ring(0, shaft, knurl),
        Ring(0.06, shaft, steel),
        Ring(0.17, shaft, knurl),
        Ring(0.404, shaft, faded(steel, 1.2)),
        Ring(0.408, shaft, knurl),
        Ring(half - SLEEVE_FLANGE_M, shaft, dark),
        Ring(half - SLEEVE_FLANGE_M, 0.036, steel),
        Ring(half, 0.036, dark),
        Ring(half, SLEEVE_RADIUS_M, steel),
        Ring(look.length_m / 2, SLEEVE_RADIUS_M, dark),
        Ring(look.length_m / 2, 0.001, dark),
    ]
    side = [lathe(profile, 20, STEEL)]
    x = plates_start_m()
    for k, plate in enumerate(look.plates):
        before = look.plates[k - 1].diameter_m if k else 0.0
        after = look.plates[k + 1].diameter_m if k + 1 < len(look.plates) else 0.0
        shown = {"inner_face": before < plate.diameter_m, "outer_face": after < plate.diameter_m}
        side.append(plate_mesh(plate, x, sides, TAG_LEFT, **shown))
        x += plate.thickness_m + PLATE_GAP_M
    if look.collars and x + 0.05 < look.length_m / 2:
        clamp = (0.05, 0.05, 0.055)
        side.append(
            lathe(
                [
                    Ring(x, SLEEVE_RADIUS_M, clamp),
                    Ring(x, 0.04, clamp),
                    Ring(x + 0.035, 0.04, clamp),
                    Ring(x + 0.035, SLEEVE_RADIUS_M, clamp),
                ],
                20,
            )
        )
        side.append(box((x + 0.017, 0.045, 0.0), (0.03, 0.02, 0.05), clamp))
    left = np.concatenate(side)
    right = mirrored(left)
    right[right[:, 11] == TAG_LEFT, 11] = TAG_RIGHT
    return np.concatenate([left, right])


def lying_plate(plate: Plate, rng: np.random.Generator) -> Mesh:
    """A plate flat on the floor, its centre at the origin."""
    up = np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]])
    return transformed(plate_mesh(plate, 0.0, 40), rot_y(rng.uniform(0, 6)) @ up)


def leaning_plate(plate: Plate) -> Mesh:
    """A plate leaning against a wall behind it (towards -z), its foot near the origin."""
    m = transformed(plate_mesh(plate, 0.0, 40), rot_y(np.pi / 2))
    tilt = rot_x(-np.radians(8))
    return transformed(m, tilt, (0, plate.diameter_m / 2 * 0.995, 0.075))


def kettlebell(size: float, colour: Colour) -> Mesh:
    """About the y axis, standing on the floor; size is the ball's radius."""
    x = [-0.95, -0.9, -0.6, -0.2, 0.3, 0.7, 0.9]
    r = [0.001, 0.5, 0.85, 1.0, 0.95, 0.65, 0.3]
    ball = lathe([Ring(a * size, b * size, colour) for a, b in zip(x, r, strict=True)], 20)
    m = transformed(ball, np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]]), (0, 0.95 * size, 0))
    top, w = 2.6 * size, 0.24 * size
    ears = [
        beam((s * 0.55 * size, 1.5 * size, 0), (s * 0.5 * size, top, 0), w, colour) for s in (-1, 1)
    ]
    return np.concatenate([m, *ears, beam((-0.6 * size, top, 0), (0.6 * size, top, 0), w, colour)])


def ball(radius: float, colour: Colour, sides: int = 20, gloss: float = MATTE) -> Mesh:
    """A sphere standing on the floor at the origin."""
    a = np.linspace(0, np.pi, 13)
    rings = [Ring(-radius * np.cos(v), max(radius * np.sin(v), 1e-4), colour) for v in a]
    m = lathe(rings, sides, gloss)
    m[:, 3:6] = m[:, :3] / radius
    return moved(m, (0, radius, 0))


def cylinder(radius: float, height: float, colour: Colour, gloss: float = SATIN) -> Mesh:
    """Upright, standing at the origin."""
    rings = [Ring(0, 1e-4, colour), Ring(0, radius, colour), Ring(height, radius, colour)]
    m = lathe([*rings, Ring(height, 1e-4, colour)], 20, gloss)
    return transformed(m, np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]]))


def dumbbell(size: float, colour: Colour) -> Mesh:
    """About the x axis, its middle at the origin; size is the heads' radius."""
    w, r = size * 1.1, 0.016
    rings = [
        Ring(-0.06 - w, 1e-4, colour),
        Ring(-0.06 - w, size, colour),
        Ring(-0.06, size, colour),
        Ring(-0.06, r, (0.4, 0.4, 0.42)),
        Ring(0.06, r, colour),
        Ring(0.06, size, colour),
        Ring(0.06 + w, size, colour),
        Ring(0.06 + w, 1e-4, colour),
    ]
    return lathe(rings, 6, MATTE)
