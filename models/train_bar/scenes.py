"""Training images: a made-up athlete, a bar in any state, and everything that may be in the way.

A room, its people and a camera's direction are shared by `SHOTS` images, because preparing them
takes longer than drawing. `Studio.room(seed)` always makes the same images, up to the graphics
driver's rounding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.train_bar.crops import CENTRE_ST, CROP_PX, PAD_LEVEL, SIDE_ST, STORE_PX
from models.train_bar.degrade import paste_in_front, paste_things, spoil
from models.train_bar.faces import printed
from models.train_bar.postures import PosturePool, posture
from models.train_bar.props import (
    BentBarbell,
    any_barbell,
    bare_barbell,
    clutter,
    random_colour,
)
from sample_clips.render.camera import Camera, depth_of, orbit, project
from sample_clips.render.gym import GymLook, gym_mesh, random_gym
from sample_clips.render.human import Human, Skeleton
from sample_clips.render.looks import PersonLook, random_person
from sample_clips.render.meshes import BarbellLook, Mesh, plates_start_m
from sample_clips.render.scene import (
    BAR_TAG,
    Figure,
    Moment,
    Scene,
    bar_matrix,
)

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

RENDER_PX = 672  # side of the drawn image
VIEW_M = 4.9  # what it covers at the athlete's distance
SHOTS = 32
CAMERAS = 8
PEOPLE = 4
BARS = 14  # of them one bare, and some bent, as heavy ones are in the hands
BARE_SHARE = 0.08  # of images with a bar
BENT, BENT_SHARE, MOST_BENT_RAD = 3, 0.3, 0.14
STAGE_SHARE = 0.22  # of rooms: dark around, lit from above
BODIES = 16  # all athletes there are; what they wear differs from room to room
STATES = ("held", "lying", "falling", "none")
STATE_SHARES = (0.46, 0.24, 0.16, 0.14)
G = 9.81


@dataclass(frozen=True)
class Sample:
    """image (STORE_PX, STORE_PX, 3) RGB: the square around the athlete with its margin.

    ends (2, 2): outer faces' centres, left in the image first, pixels of `image`; semi_axis
    (2,): vertical, pixels; visible (2,): share of each face's disc where its plates are seen; NaN,
    NaN and 0 without a bar. state: index into STATES. azimuth_deg: 0 athlete faces the camera.
    """

    picture: Picture
    ends: Array
    semi_axis: Array
    visible: Array
    state: int
    azimuth_deg: float


class CrowdedScene(Scene):
    """A scene with more things standing about than a tidy gym has, and a cast chosen from a stock
    of people and bars that are prepared once a room."""

    def stock(
        self,
        gym: GymLook,
        figures: list[Figure],
        bars: list[BentBarbell],
        eye: Array,
        rng: np.random.Generator,
        crowded: float,
    ) -> None:
        """Replace everything there is; what was prepared before is put back to be released."""
        if self._filled:
            self._people, self._bars = list(self._all_people), list(self._all_bars)
        self.fill(gym, figures, bars, eye)
        self._filled = True
        self._all_people, self._all_bars = list(self._people), list(self._bars)
        if rng.random() < crowded:
            assert self._furniture is not None
            self._furniture.release()
            parts = [gym_mesh(gym, eye), clutter(rng, eye)]
            self._furniture = self._upload_solid(np.concatenate(parts))

    _filled = False

    def mesh_of(self, look: BarbellLook, sides: int = 48) -> Mesh:
        mesh = super().mesh_of(look, sides)
        return look.bent_mesh(mesh) if isinstance(look, BentBarbell) else mesh

    def cast(self, people: list[int], bars: list[int]) -> None:
        """Only these of the stock are drawn from now on, in this order."""
        self._people = [self._all_people[i] for i in people]
        self._bars = [self._all_bars[i] for i in bars]


@cache
def body(number: int) -> tuple[PersonLook, Human, PosturePool]:
    """One of the BODIES, with its postures."""
    look = random_person(np.random.default_rng([number, 43]))
    human = look.human()
    return look, human, PosturePool(human)


class Studio:
    """One drawing surface, on which one room after another is drawn. With `plain` images are left
    as they are drawn: nothing pasted in, a good camera; to measure on, not to train."""

    def __init__(self, plain: bool = False) -> None:
        self.plain = plain
        self.scene = CrowdedScene(RENDER_PX, RENDER_PX)

    def room(self, seed: int, copies: int = 1) -> Iterator[Sample]:
        """The SHOTS images of one room. Raises RenderUnavailable without OpenGL.

        With `copies` the same shot comes that often: with print on its plates, then without, each
        with other things pasted in, by another lesser camera and cut elsewhere; and the last as it
        was drawn."""
        rng = np.random.default_rng([seed, 41])
        side_deg = float(rng.uniform(-180, 180))
        distance = float(rng.uniform(2.5, 6.0))
        cameras = [_camera(rng, side_deg, distance) for _ in range(CAMERAS)]
        eye = cameras[0].eye
        bodies = [body(int(i)) for i in rng.choice(BODIES, PEOPLE, replace=False)]
        humans, pools = [b[1] for b in bodies], [b[2] for b in bodies]
        people = [dressed(b[0], rng) for b in bodies]
        bars = [bare_barbell(rng), *(any_barbell(rng) for _ in range(BARS - BENT - 1))]
        bars += [any_barbell(rng, float(rng.uniform(0, MOST_BENT_RAD))) for _ in range(BENT)]
        gym = random_gym(int(rng.integers(1 << 30)), eye)
        x0, x1, z0, z1 = gym.room
        eyes = np.array([c.eye for c in cameras])
        gym = replace(
            gym,
            room=(
                min(x0, float(eyes[:, 0].min()) - 0.4),
                max(x1, float(eyes[:, 0].max()) + 0.4),
                min(z0, float(eyes[:, 2].min()) - 0.4),
                max(z1, float(eyes[:, 2].max()) + 0.4),
            ),
            spare_bars=int(rng.integers(0, 3)),
            sun_strength=float(rng.uniform(0.1, 1.3)),
            ambient=float(rng.uniform(0.25, 0.95)),
        )
        if rng.random() < 0.3:
            gym = replace(gym, sun_azimuth_deg=float(rng.uniform(-180, 180)))
        stage = rng.random() < STAGE_SHARE
        if stage:
            gym = _stage(gym, rng)
        figures = [Figure(h, p) for h, p in zip(humans, people, strict=True)]
        self.scene.stock(gym, figures, bars, eye, rng, crowded=0.2 if stage else 0.6)
        for shot in range(SHOTS):
            camera = cameras[shot * CAMERAS // SHOTS]
            yield from self._shot(rng, camera, humans, pools, bars, copies)

    def _shot(
        self, rng: np.random.Generator, camera: Camera, humans: list[Human],
        pools: list[PosturePool], stock: list[BentBarbell], copies: int,
    ) -> Iterator[Sample]:  # fmt: skip
        state = int(rng.choice(len(STATES), p=STATE_SHARES))
        to_camera = float(np.arctan2(camera.eye[0], camera.eye[2]))
        view = _view(rng)
        bar_yaw = to_camera - np.radians(view)  # the room's turn that shows the bar in this view
        order = [int(i) for i in rng.permutation(PEOPLE)]
        count = 1 + int(rng.choice([0, 1, 2, 3], p=[0.45, 0.3, 0.15, 0.1]))
        cast, athlete = order[:count], order[0]
        free_bars = [1 + int(i) for i in rng.permutation(BARS - BENT - 1)]
        bent = STATES[state] == "held" and rng.random() < BENT_SHARE
        used = [int(rng.integers(BARS - BENT, BARS)) if bent else free_bars.pop()]
        if rng.random() < BARE_SHARE:
            bent, used = False, [0]
        place = (float(rng.normal() * 0.12), float(rng.normal() * 0.12), bar_yaw)
        name = STATES[state]
        offsets = _exposure(rng)
        bars: list[list[Array]] = [[] for _ in offsets]
        if name == "held":
            pose = pools[athlete].held(rng)
            own = [_held(pose, place, rng, spins=not bent)] * len(offsets)
        else:
            pose = pools[athlete].resting(rng)
            radius = stock[used[0]].large_radius_m
            own = [_lying(rng, place, radius)] * len(offsets)
            if name == "falling":
                own = _falling(rng, place, radius, offsets)
            place = _wandered(rng, place, still=name == "falling")
        if name == "none":
            used, own = [], []
        for j, matrix in enumerate(own):
            bars[j].append(matrix)
        skeletons = [humans[athlete].pose(posture(pose, place))]
        self._others(rng, camera, cast[1:], humans, pools, stock, free_bars, skeletons, used, bars)
        self.scene.cast(cast, used)
        looks = [stock[i] for i in used]
        moments: list[Moment] = [(skeletons, b) for b in bars]
        if name != "falling":
            moments = moments[:1]
        picture, tags = self.scene.draw(camera, moments)
        middle = moments[len(moments) // 2][1]
        ends, semi, tag_ids = _truth(camera, looks, middle, name != "none")
        drawn = _Drawn(picture, tags, camera, looks, middle, ends, semi, tag_ids)
        window = (humans[athlete], skeletons[0])
        for copy in range(copies):
            plain = self.plain or 0 < copy == copies - 1
            yield _photographed(rng, drawn, window, plain, copy == 0, (state, view))

    def _others(
        self,
        rng: np.random.Generator,
        camera: Camera,
        cast: list[int],
        humans: list[Human],
        pools: list[PosturePool],
        stock: list[BentBarbell],
        free_bars: list[int],
        skeletons: list[Skeleton],
        used: list[int],
        bars: list[list[Array]],
    ) -> None:
        """Bystanders, athletes of other lanes with their bars, spare bars; added in place."""
        to_camera = float(np.arctan2(camera.eye[0], camera.eye[2]))

        def add(number: int, matrix: Array) -> None:
            used.append(number)
            for row in bars:
                row.append(matrix)

        for i in cast:
            kind = rng.random()
            if kind < 0.15:  # passes between camera and athlete
                share = float(rng.uniform(0.3, 0.65))
                across = float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.9))
                at = camera.eye[[0, 2]] * share
            else:
                deep = float(rng.uniform(-0.5, 4.0))
                across = float(rng.choice([-1, 1]) * rng.uniform(0.9, 3.0))
                at = -deep * np.array([np.sin(to_camera), np.cos(to_camera)])
            at = at + across * np.array([np.cos(to_camera), -np.sin(to_camera)])
            yaw = to_camera + float(rng.normal() * 0.8)
            place = (float(at[0]), float(at[1]), yaw)
            if kind > 0.7 and np.hypot(*at) > 2.0:
                place = (place[0], place[1], to_camera + float(rng.normal() * 0.3))
                pose = pools[i].held(rng)
                add(free_bars.pop(), _held(pose, place, rng))
            else:
                pose = pools[i].resting(rng)
            skeletons.append(humans[i].pose(posture(pose, place)))
        for _ in range(int(rng.choice([0, 1, 2], p=[0.6, 0.28, 0.12]))):
            number = free_bars.pop()
            deep = float(rng.uniform(1.7, 4.0)) * float(rng.choice([1, 1, 1, -0.8]))
            across = float(rng.normal() * 1.0)
            at = -deep * np.array([np.sin(to_camera), np.cos(to_camera)])
            at = at + across * np.array([np.cos(to_camera), -np.sin(to_camera)])
            yaw = to_camera + float(rng.normal() * 0.5)
            place = (float(at[0]), float(at[1]), yaw)
            # on the floor, or in a rack
            y = stock[number].large_radius_m if rng.random() < 0.7 else float(rng.uniform(0.5, 1.6))
            add(number, bar_matrix(y, 0.0, spin=float(rng.uniform(0, 6)), place=place))


@dataclass(frozen=True)
class _Drawn:
    """A shot as it was drawn: image and tags, whose bar it shows (the athlete's first, at the
    middle of the exposure), and the truth of its ends (see `_truth`)."""

    picture: Picture
    tags: Picture
    camera: Camera
    looks: list[BentBarbell]
    matrices: list[Array]
    ends: Array
    semi_axis: Array
    tag_ids: list[int]


def _photographed(
    rng: np.random.Generator, drawn: _Drawn, athlete: tuple[Human, Skeleton],
    plain: bool, with_print: bool, told: tuple[int, float],
) -> Sample:  # fmt: skip
    """What a camera makes of a shot: the square around the athlete, cut by the camera's frame.
    `plain`: as drawn; else with things pasted in, and spoiled. told: state and view."""
    picture, tags, camera = drawn.picture, drawn.tags, drawn.camera
    if not plain:
        if drawn.tag_ids and with_print:
            faces = _corners(camera, drawn.looks[0], drawn.matrices[0])
            picture = printed(rng, picture, tags, faces, BAR_TAG)
        picture, tags = paste_things(rng, picture, tags)
        picture, covered = paste_in_front(rng, picture)
        tags = np.where(covered, np.uint8(0), tags)
    window = _window(rng, camera, *athlete)
    framed, inside = _framed(rng, picture, camera, window)
    visible = _visible(camera, drawn.looks, drawn.matrices, tags * inside, drawn.tag_ids)
    crop, seen, zoom, shift = _cut(framed, window)
    if not plain:
        crop = spoil(rng, crop, seen)
    return Sample(crop, drawn.ends * zoom + shift, drawn.semi_axis * zoom, visible, *told)


def dressed(look: PersonLook, rng: np.random.Generator) -> PersonLook:
    """The same body in other clothes and another skin."""
    other = random_person(rng, look.body)
    look = replace(other, stature_m=look.stature_m, girth=look.girth)
    if rng.random() < 0.4:
        look = replace(look, shirt=random_colour(rng), shorts=random_colour(rng))
    return look


def _stage(gym: GymLook, rng: np.random.Generator) -> GymLook:
    """A dark room with lamps above: what is under a plate is nearly black."""

    def darker(colour: tuple[float, float, float]) -> tuple[float, float, float]:
        shade = float(rng.uniform(0.05, 0.5))
        return (colour[0] * shade, colour[1] * shade, colour[2] * shade)

    return replace(
        gym,
        wall_colour=darker(gym.wall_colour),
        floor_colour=darker(gym.floor_colour) if rng.random() < 0.6 else gym.floor_colour,
        clutter=float(rng.uniform(0.0, 0.4)),
        spare_bars=max(1, gym.spare_bars),
        sun_height_deg=float(rng.uniform(55, 88)),
        sun_strength=float(rng.uniform(0.8, 1.8)),
        ambient=float(rng.uniform(0.05, 0.3)),
    )


def _view(rng: np.random.Generator) -> float:
    """Where the athlete is seen from, degrees: 0 in front."""
    kind = rng.random()
    if kind < 0.68:
        return float(rng.uniform(-87, 87))
    if kind < 0.82:  # straight from the side
        return float(rng.choice([-1, 1]) * rng.uniform(84, 96))
    return float(rng.uniform(100, 260))


def _camera(rng: np.random.Generator, side_deg: float, distance: float) -> Camera:
    distance = distance * float(rng.uniform(0.9, 1.1))
    return orbit(
        side_deg + float(rng.uniform(-10, 10)),
        distance,
        float(rng.uniform(0.4, 1.9)),
        rng.normal((0.0, 1.1, 0.0), (0.12, 0.15, 0.12)),
        (RENDER_PX, RENDER_PX),
        RENDER_PX * distance / VIEW_M,
        float(rng.normal() * np.radians(2.5)),
    )


def _exposure(rng: np.random.Generator) -> Array:
    """Moments within one exposure, seconds from its middle."""
    exposure = float(np.exp(rng.uniform(np.log(1 / 1000), np.log(1 / 28))))
    return np.linspace(-0.5, 0.5, 7) * exposure


def _held(
    pose: dict[str, float],
    place: tuple[float, float, float],
    rng: np.random.Generator,
    spins: bool = True,
) -> Array:
    return bar_matrix(
        pose["bar_y"], pose["bar_z"], float(np.radians(pose["tilt"])),
        float(rng.uniform(0, 6)) if spins else 0.0, place,
        x=float(rng.normal() * 0.025), yaw=float(rng.normal() * np.radians(2.5)),
    )  # fmt: skip


def _lying(rng: np.random.Generator, place: tuple[float, float, float], radius: float) -> Array:
    askew = 6.0 if rng.random() < 0.8 else 25.0
    return bar_matrix(
        radius, 0.13 + float(rng.normal() * 0.22), 0.0, float(rng.uniform(0, 6)), place,
        x=float(rng.normal() * 0.12), yaw=float(rng.normal() * np.radians(askew)),
    )  # fmt: skip


def _falling(
    rng: np.random.Generator, place: tuple[float, float, float], radius: float, offsets: Array
) -> list[Array]:
    top = float(rng.uniform(radius + 0.05, 2.2))
    y = float(rng.uniform(radius + 0.01, top))
    speed = -np.sqrt(2 * G * (top - y)) * (1.0 if rng.random() < 0.7 else -0.55)
    z, x = 0.2 + float(rng.normal() * 0.15), float(rng.normal() * 0.06)
    tilt, turn = float(rng.normal() * np.radians(4)), float(rng.normal() * 1.0)
    yaw, spin = float(rng.normal() * np.radians(4)), float(rng.uniform(0, 6))
    return [
        bar_matrix(max(y + speed * t, radius), z, tilt + turn * t, spin, place, x=x, yaw=yaw)
        for t in offsets
    ]


def _wandered(
    rng: np.random.Generator, place: tuple[float, float, float], still: bool
) -> tuple[float, float, float]:
    """Where the athlete stands once the bar is let go: near it, on either side, turned anyhow."""
    x, z, yaw = place
    out = 0.12 if still or rng.random() < 0.5 else 0.5
    turn = 0.15 if still or rng.random() < 0.5 else 1.2
    step = rng.normal(size=2) * out
    back = -0.15 if still else 0.0
    c, s = np.cos(yaw), np.sin(yaw)
    return (
        x + c * step[0] + s * (step[1] + back),
        z - s * step[0] + c * (step[1] + back),
        yaw + float(rng.normal() * turn),
    )


# ---------------------------------------------------------------------- labels


def _face(look: BentBarbell, matrix: Array, radii: tuple[float, ...], n: int) -> Array:
    """(2, len(radii) n, 3) points on the two outer faces, athlete's left first."""
    a = np.arange(n) / n * 2 * np.pi
    ring = np.stack([np.cos(a), np.sin(a)], 1) * look.large_radius_m
    disc = np.concatenate([ring * r for r in radii])
    one = np.ones((len(disc), 1))
    sides = [np.concatenate([one * s * look.end_x_m, disc], 1) for s in (1, -1)]
    return look.bent(np.array(sides)) @ matrix[:3, :3].T + matrix[:3, 3]


def _corners(camera: Camera, look: BentBarbell, matrix: Array) -> list[tuple[int, Array]]:
    """Of the plates' faces that may be seen: the athlete's side (1 left, 2 right) and where the
    corners (4, 2) of the square around the face are in the image."""
    if not look.plates:
        return []
    r, faces = look.large_radius_m, []
    square = np.array([[-r, -r], [r, -r], [r, r], [-r, r]])
    for side, sign in ((1, 1.0), (2, -1.0)):
        for x, outward in ((look.end_x_m, sign), (plates_start_m(), -sign)):
            points = np.concatenate([np.full((4, 1), sign * x), square], 1)
            points = look.bent(points) @ matrix[:3, :3].T + matrix[:3, 3]
            towards = (camera.eye - points.mean(0)) @ matrix[:3, 0] * outward
            if towards > 0:
                corners = project(camera, points)
                faces.append((side, corners if outward > 0 else corners[::-1]))
    return faces


def _truth(
    camera: Camera, looks: list[BentBarbell], matrices: list[Array], has_bar: bool
) -> tuple[Array, Array, list[int]]:
    """Ends (2, 2) and semi-axes (2,) in the drawn image, left first, and which tag each has."""
    if not has_bar:
        return np.full((2, 2), np.nan), np.full(2, np.nan), []
    ends = project(camera, _face(looks[0], matrices[0], (0.0,), 1)[:, 0])
    rim = project(camera, _face(looks[0], matrices[0], (1.0,), 48))[..., 1]
    order = np.argsort(ends[:, 0])
    return ends[order], ((rim.max(1) - rim.min(1)) / 2)[order], [int(i) for i in order]


def _visible(
    camera: Camera, looks: list[BentBarbell], matrices: list[Array], tags: Picture, sides: list[int]
) -> Array:
    """(2,) share of each end's face where its own plates are seen; 0 without a bar."""
    if not sides:
        return np.zeros(2)
    own = BAR_TAG + 1 + np.array(sides)[:, None]
    px = project(camera, _face(looks[0], matrices[0], (0.3, 0.65, 0.93), 12))[sides]
    if not looks[0].plates:  # what is seen of the last of a bare sleeve
        x = np.linspace(looks[0].end_x_m - 0.12, looks[0].end_x_m - 0.01, 12)
        along = np.stack([x, np.zeros(12), np.zeros(12)], 1)
        points = np.array([along, along * (-1, 1, 1)]) @ matrices[0][:3, :3].T + matrices[0][:3, 3]
        px, own = project(camera, points)[sides], np.full((2, 1), BAR_TAG)
    h, w = tags.shape
    inside = (px >= 0).all(-1) & (px[..., 0] < w) & (px[..., 1] < h)
    x = np.clip(np.nan_to_num(px[..., 0]), 0, w - 1).astype(int)
    y = np.clip(np.nan_to_num(px[..., 1]), 0, h - 1).astype(int)
    return (inside & (tags[y, x] == own)).mean(1)


@dataclass(frozen=True)
class _Window:
    """The square around the athlete in the drawn image: centre (2,), side, stature; pixels."""

    centre: Array
    side: float
    stature_px: float


def _window(rng: np.random.Generator, camera: Camera, human: Human, skeleton: Skeleton) -> _Window:
    hips = (
        skeleton.position[human.index["thigh_l"]] + skeleton.position[human.index["thigh_r"]]
    ) / 2
    feet = (skeleton.position[human.index["foot_l"]] + skeleton.position[human.index["foot_r"]]) / 2
    depth = float(depth_of(camera, hips))
    stature = human.stature_m * camera.focal_px / depth * float(np.exp(rng.normal() * 0.08))
    middle = project(camera, np.stack([hips, feet]))
    x = float(middle[:, 0].mean())
    y = float(middle[1, 1]) - (CENTRE_ST - 0.04) * stature
    shift = rng.normal(size=2) * 0.05 * SIDE_ST * stature
    return _Window(np.array([x, y]) + shift, SIDE_ST * stature, stature)


def _framed(
    rng: np.random.Generator, picture: Picture, camera: Camera, window: _Window
) -> tuple[Picture, Picture]:
    """The image with all that a phone's frame leaves out padded, and where its inside is."""
    per_m = RENDER_PX / VIEW_M
    kind = rng.random()
    if kind < 0.5:
        width, aspect = float(rng.uniform(1.5, 3.2)), 16 / 9
    elif kind < 0.8:
        width, aspect = float(rng.uniform(3.2, 6.0)), 9 / 16
    else:
        width, aspect = float(rng.uniform(1.6, 4.5)), float(rng.choice([0.75, 1.0, 4 / 3]))
    size = np.array([width, width * aspect]) * per_m
    centre = window.centre + rng.normal(size=2) * (0.2, 0.2) * per_m
    low = np.clip(np.round(centre - size / 2), 0, RENDER_PX - 32).astype(int)
    high = np.clip(np.round(centre + size / 2), low + 32, RENDER_PX).astype(int)
    inside = np.zeros(picture.shape[:2], np.uint8)
    inside[low[1] : high[1], low[0] : high[0]] = 1
    framed = np.where(inside[..., None] > 0, picture, np.uint8(PAD_LEVEL))
    return framed, inside


def _cut(picture: Picture, window: _Window) -> tuple[Picture, NDArray[np.bool_], float, Array]:
    """The window with its margin (STORE_PX, STORE_PX, 3), where the image is in it, and what
    takes the image's coordinates there: a factor and a shift (2,), both from a corner (0, 0)."""
    side = window.side * STORE_PX / CROP_PX
    zoom = STORE_PX / side
    shift = STORE_PX / 2 - zoom * window.centre
    # reduced by whole pixels' means first where it shrinks much: a linear warp alone would alias
    shrink = max(1, round(1 / zoom))
    small = picture
    if shrink > 1:
        small = cv2.resize(
            picture, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA
        ).astype(np.uint8, copy=False)
    k = picture.shape[0] / small.shape[0]
    # a pixel's middle is half a pixel in: x_store + 0.5 = zoom (x + 0.5) + shift, and so on
    matrix = np.array([[zoom * k, 0, shift[0]], [0, zoom * k, shift[1]]])
    matrix[:, 2] += 0.5 * zoom * k - 0.5
    pad = (PAD_LEVEL,) * 3
    out = cv2.warpAffine(
        small, matrix, (STORE_PX, STORE_PX), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=pad,
    )  # fmt: skip
    mask = cv2.warpAffine(
        np.any(small != PAD_LEVEL, axis=2).astype(np.uint8), matrix, (STORE_PX, STORE_PX),
        flags=cv2.INTER_NEAREST,
    )  # fmt: skip
    return out.astype(np.uint8, copy=False), mask.astype(bool), zoom, shift
