"""Draws people, barbells and a gym with OpenGL, off screen (EGL, also in software).

The room is drawn once for a camera (twice as fine, then reduced) and kept as colour and depth;
each frame adds only what moves, in the part of the frame where it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import moderngl
import numpy as np
from numpy.typing import ArrayLike, NDArray

from sample_clips.render import shaders
from sample_clips.render.camera import Camera, clip_matrix, depth_of, project
from sample_clips.render.gym import (
    GymLook,
    ceiling_mesh,
    gym_mesh,
    lamps,
    noise_texture,
    surfaces,
)
from sample_clips.render.human import (
    PART_BODY,
    PART_CLOTHES,
    PART_EYES,
    Human,
    Skeleton,
    cross,
    rot_x,
    rot_y,
    rot_z,
    unit,
)
from sample_clips.render.looks import PersonLook
from sample_clips.render.meshes import BarbellLook, Mesh, Ring, barbell_mesh, lathe, transformed

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
Moment = tuple[Sequence[Skeleton], Sequence[Array]]  # everything that moves, at one time

# Tags in the alpha channel of a raw frame: 0 room, then ten for each person and each bar.
PERSON_TAG, BAR_TAG, TAG_STEP = 10, 100, 10
MAX_SPOTS = 24

NEAR_CELL_M, FAR_CELL_M = 0.009, 0.015  # see _part_rows


class RenderUnavailable(RuntimeError):
    """OpenGL over EGL could not be started here."""


def open_context() -> moderngl.Context:
    """An off-screen OpenGL context. Raises RenderUnavailable with what to install."""
    try:
        options: dict[str, Any] = {
            "backend": "egl",
            "libgl": "libGL.so.1",
            "libegl": "libEGL.so.1",
        }
        return moderngl.create_standalone_context(**options)
    except Exception as why:
        raise RenderUnavailable(
            f"OpenGL over EGL did not start ({why}); on Debian install libegl1, libgl1 and "
            "libgl1-mesa-dri."
        ) from why


def bar_matrix(
    y: float,
    z: float,
    tilt: float = 0.0,
    spin: float = 0.0,
    place: tuple[float, float, float] = (0.0, 0.0, 0.0),
    x: float = 0.0,
    yaw: float = 0.0,
) -> Array:
    """(4, 4) from the bar's own axes to the room.

    y, z, x: its middle before the athlete's placement; tilt: left end up; spin: about its axis;
    yaw: left end back; place: the athlete's (x, z, yaw) on the floor. Metres and radians.
    """
    own = np.eye(4)
    own[:3, :3] = rot_y(yaw) @ rot_z(tilt) @ rot_x(spin)
    own[:3, 3] = (x, y, z)
    room = np.eye(4)
    room[:3, :3] = rot_y(place[2])
    room[:3, 3] = (place[0], 0.0, place[1])
    return room @ own


def end_points(look: BarbellLook, matrix: Array) -> Array:
    """(2, 3) centres of the outermost large plates' outer faces: athlete's left, right."""
    ends = np.array([[look.end_x_m, 0, 0, 1], [-look.end_x_m, 0, 0, 1.0]])
    return (ends @ matrix.T)[:, :3]


@dataclass
class _Drawable:
    """A mesh on the graphics side: how to draw it, and its shadow."""

    program: moderngl.Program
    vao: moderngl.VertexArray
    shadow: moderngl.VertexArray | None
    buffers: list[moderngl.Buffer]

    def release(self) -> None:
        self.vao.release()
        if self.shadow is not None:
            self.shadow.release()
        for b in self.buffers:
            b.release()


@dataclass(frozen=True)
class Figure:
    """A person to draw. far: seen from five metres or more, so that a coarser mesh without a cast
    shadow will do."""

    human: Human
    look: PersonLook
    far: bool = False


@dataclass
class _Bar:
    look: BarbellLook
    fine: _Drawable
    coarse: _Drawable  # for its shadow


@dataclass
class _Person:
    human: Human
    look: PersonLook
    skin: _Drawable
    cloth: _Drawable
    eyes: _Drawable
    uniforms: dict[str, object]
    casts_shadow: bool


class Scene:
    """A room with people and bars, ready to be drawn from any camera of one frame size.

    One Scene may be filled again and again (`fill`): programs and framebuffers are kept.
    Raises RenderUnavailable where there is no OpenGL.
    """

    def __init__(self, width: int, height: int, shadow_px: int = 1024) -> None:
        self.width, self.height = width, height
        self.ctx = ctx = open_context()
        program = {
            name: ctx.program(*getattr(shaders, name))
            for name in ("SOLID", "SURFACE", "SKIN", "CLOTH", "EYES", "PATCH")
        }
        self._program = program
        self._shadow_solid = ctx.program(*shaders.SHADOW_SOLID)
        self._shadow_skinned = ctx.program(*shaders.SHADOW_SKINNED)
        self._all = [*program.values(), self._shadow_solid, self._shadow_skinned]
        self._frame = ctx.framebuffer(
            [ctx.renderbuffer((width, height), 4)], ctx.depth_renderbuffer((width, height))
        )
        self._room_colour = ctx.texture((width, height), 4)
        self._room = ctx.framebuffer([self._room_colour], ctx.depth_renderbuffer((width, height)))
        fine = (2 * width, 2 * height)
        self._fine = ctx.framebuffer([ctx.renderbuffer(fine, 4)], ctx.depth_renderbuffer(fine))
        self._shadow_map, self._shadow_fbo = self._shadow_target(shadow_px)
        self._room_shadow_map, self._room_shadow_fbo = self._shadow_target(2048)
        self._noise = self._texture(noise_texture(np.random.default_rng(0)))
        self._room_picture = np.zeros((height, width, 3), np.uint8)
        self._room_camera: Camera | None = None
        self._people: list[_Person] = []
        self._bars: list[_Bar] = []
        self._furniture: _Drawable | None = None
        self._ceiling: _Drawable | None = None
        self._surfaces: list[tuple[_Drawable, moderngl.Texture, float]] = []
        patch = ctx.buffer(reserve=4 * 12, dynamic=True)
        self._patch_buffer = patch
        self._patch = ctx.vertex_array(program["PATCH"], [(patch, "3f", "pos")])
        self._set("shadow", 0)
        self._set("noise", 1)
        self._set("tex", 2)

    # ------------------------------------------------------------------ contents

    def fill(
        self,
        gym: GymLook,
        people: Sequence[Figure],
        bars: Sequence[BarbellLook],
        eye: ArrayLike,
        focus: ArrayLike = ((0.0, 0.0),),
    ) -> None:
        """Replace what is in the room.

        eye: where the camera stands (furniture keeps out of its way); focus: the places (x, z) of
        the athletes, around which shadows are drawn.
        """
        self._make_current()
        self._clear()
        self.gym = gym
        self._people = [self._upload_person(figure) for figure in people]
        self.set_bars(bars)
        self._furniture = self._upload_solid(gym_mesh(gym, np.asarray(eye, float)))
        self._ceiling = self._upload_solid(ceiling_mesh(gym))
        x0, x1, z0, z1 = gym.room
        middle = np.array([(x0 + x1) / 2, gym.ceiling_m / 2, (z0 + z1) / 2])
        for s in surfaces(gym):
            normal = unit(cross(s.corners[1] - s.corners[0], s.corners[2] - s.corners[0]))
            normal = normal if normal @ (middle - s.corners[0]) > 0 else -normal
            rows = np.concatenate([s.corners, np.broadcast_to(normal, (4, 3)), s.uv], 1)
            buffer = self.ctx.buffer(rows[[0, 1, 2, 0, 2, 3]].astype("f4").tobytes())
            program = self._program["SURFACE"]
            vao = self.ctx.vertex_array(program, [(buffer, "3f 3f 2f", "pos", "nor", "uv")])
            texture = self._texture(s.texture)
            self._surfaces.append((_Drawable(program, vao, None, [buffer]), texture, s.gloss))
        self._light(gym, np.asarray(focus, float))

    def set_bars(self, bars: Sequence[BarbellLook]) -> None:
        """Replace the bars alone."""
        self._make_current()
        self._release_bars()
        self._bars = [
            _Bar(
                look,
                self._upload_solid(self.mesh_of(look)),
                self._upload_solid(self.mesh_of(look, sides=16)),
            )
            for look in bars
        ]

    def mesh_of(self, look: BarbellLook, sides: int = 48) -> Mesh:
        """The mesh that `look` is drawn as."""
        return barbell_mesh(look, sides)

    def _release_bars(self) -> None:
        for bar in self._bars:
            bar.fine.release()
            bar.coarse.release()
        self._bars = []

    def _clear(self) -> None:
        for p in self._people:
            for d in (p.skin, p.cloth, p.eyes):
                d.release()
        self._release_bars()
        for d, texture, _ in self._surfaces:
            d.release()
            texture.release()
        for fixed in (self._furniture, self._ceiling):
            if fixed is not None:
                fixed.release()
        self._people, self._surfaces = [], []
        self._furniture = self._ceiling = self._room_camera = None

    def _light(self, gym: GymLook, focus: Array) -> None:
        sun = gym.sun_direction()
        warm = np.array([1.0, 0.96, 0.90]) + gym.sun_warmth * np.array([0.04, 0.0, -0.10])
        self._set("sun", tuple(sun))
        self._set("sunColour", tuple(gym.sun_strength * warm))
        self._set("skyTop", tuple(gym.ambient * np.array([0.62, 0.64, 0.67])))
        self._set("skyBottom", tuple(gym.ambient * np.array([0.32, 0.29, 0.27])))
        self._set("walls", gym.room)
        self._set("ceiling", gym.ceiling_m)
        self._set("lampPower", gym.lamp_power)
        self._set("lamps", lamps(gym).astype("f4").tobytes())
        centre = np.array([*focus.mean(0)])
        reach = 1.75 + float(np.linalg.norm(focus - centre, axis=1).max())
        self._near_light = _light_matrix(sun, np.array([centre[0], 0.95, centre[1]]), reach)
        x0, x1, z0, z1 = gym.room
        middle = np.array([(x0 + x1) / 2, 1.5, (z0 + z1) / 2])
        self._room_light = _light_matrix(sun, middle, float(np.hypot(x1 - x0, z1 - z0)) / 2 + 1.0)
        self._shadow_depth = 0.55 * min(1.0, gym.sun_strength)

    def _upload_solid(self, mesh: Mesh) -> _Drawable:
        buffer = self.ctx.buffer(mesh.astype("f4").tobytes())
        program = self._program["SOLID"]
        vao = self.ctx.vertex_array(program, [(buffer, "3f 3f 3f 3f", "pos", "nor", "col", "mat")])
        shadow = self.ctx.vertex_array(self._shadow_solid, [(buffer, "3f 36x", "pos")])
        return _Drawable(program, vao, shadow, [buffer])

    def _upload_person(self, figure: Figure) -> _Person:
        human, look = figure.human, figure.look
        cell_m = FAR_CELL_M if figure.far else NEAR_CELL_M
        marks = _BodyMarks.of(human, look)
        uniforms: dict[str, object] = {
            "cut": (marks.waist_y, marks.trousers_y, marks.neck_y, look.sleeve),
            "hem": marks.hem_y,
            "eyeAt": tuple(marks.eye),
            "beard": float(look.beard),
            "print": (
                *(look.print_colour or (0.0, 0.0, 0.0)),
                float(look.print_colour is not None),
            ),
            **{k: getattr(look, k) for k in ("shirt", "shorts", "shoes", "socks", "skin", "hair")},
        }
        skin = _skin_rows(human, marks, look, cell_m)
        cloth = _cloth_rows(human, marks, look)  # a shell around all but head and hands
        head = skin[1][(skin[0][:, 7] > marks.neck_y)[skin[1]].all(1)]
        return _Person(
            human,
            look,
            self._upload_skinned(skin, "SKIN", head),
            self._upload_skinned(cloth, "CLOTH", cloth[1]),
            self._upload_skinned(_part_rows(human, marks, PART_EYES)[0], "EYES"),
            uniforms,
            casts_shadow=not figure.far,
        )

    def _upload_skinned(
        self,
        mesh: tuple[Array, NDArray[np.int64]],
        name: str,
        casting: NDArray[np.int64] | None = None,
    ) -> _Drawable:
        """`casting`: the triangles that throw a shadow."""
        rows, triangles = mesh
        buffer = self.ctx.buffer(rows.astype("f4").tobytes())
        buffers = [buffer]
        program = self._program[name]
        layout = "3f 3f 4f 1f 4f 4f"
        names = ("pos", "nor", "rest", "lip", "joint", "weight")

        def array(p: moderngl.Program, chosen: NDArray[np.int64]) -> moderngl.VertexArray:
            index = self.ctx.buffer(chosen.astype("i4").tobytes())
            buffers.append(index)
            return self.ctx.vertex_array(p, [(buffer, layout, *names)], index, skip_errors=True)

        shadow = None if casting is None else array(self._shadow_skinned, casting)
        return _Drawable(program, array(program, triangles), shadow, buffers)

    # ------------------------------------------------------------------ drawing

    def draw(self, camera: Camera, moments: Sequence[Moment]) -> tuple[Picture, Picture]:
        """The frame (height, width, 3) RGB, and the tag (height, width) of what each pixel shows.

        moments: one, or several within one exposure, whose mean blurs what moves; the middle one
        is what the tags show. A moment is the skeletons and the bars' `bar_matrix`, in the order of
        `fill`. Tags: 0 room; PERSON_TAG + TAG_STEP k person k; BAR_TAG + TAG_STEP k the shaft of
        bar k, + 1 its plates on the athlete's left, + 2 on the right.
        """
        self._make_current()
        skeletons, bars = moments[len(moments) // 2]
        area = self._prepare(camera, skeletons, bars)
        image = self._room_picture.copy()
        tags = np.zeros(image.shape[:2], np.uint8)
        if area is not None:
            x0, y0, x1, y1 = area
            drawn = self._draw(camera, skeletons, bars, area)
            image[y0:y1, x0:x1], tags[y0:y1, x0:x1] = drawn[..., :3], drawn[..., 3]
        blurred = self._moving_area(camera, moments) if len(moments) > 1 else None
        if blurred is not None:
            x0, y0, x1, y1 = blurred
            total = np.zeros((y1 - y0, x1 - x0, 3), np.uint16)
            for moment in moments:
                total += self._draw(camera, *moment, blurred)[..., :3]
            image[y0:y1, x0:x1] = total // len(moments)
        return image, tags

    def _prepare(
        self, camera: Camera, skeletons: Sequence[Skeleton], bars: Sequence[Array]
    ) -> tuple[int, int, int, int] | None:
        if (camera.width, camera.height) != (self.width, self.height):
            raise ValueError(
                f"the camera's image is {camera.width}x{camera.height}, the scene's "
                f"{self.width}x{self.height}"
            )
        if self._room_camera is not camera:
            self._draw_room(camera)
        self._draw_shadows(skeletons, bars)
        return self._used_area(camera, skeletons, bars)

    def _draw_room(self, camera: Camera) -> None:
        if self._furniture is None or self._ceiling is None:
            raise ValueError("the scene is empty: call fill before drawing")
        ctx = self.ctx
        ctx.enable(moderngl.DEPTH_TEST)
        self._set("light", _gl(self._room_light))
        self._set("model", _gl(np.eye(4)))
        self._room_shadow_fbo.use()
        self._room_shadow_fbo.clear(depth=1.0)
        assert self._furniture.shadow is not None
        self._furniture.shadow.render()
        self._set("texel", 1.5 / 2048)
        self._set("bias", 0.008)
        self._room_shadow_map.use(0)
        self._noise.use(1)
        self._set("clip", _gl(clip_matrix(camera)))
        self._set("eye", tuple(camera.eye))
        self._set("inRoom", 1.0)
        for target in (self._fine, self._room):
            target.use()
            target.clear(0.3, 0.3, 0.3, 0.0, depth=1.0)
            self._furniture.vao.render()
            self._ceiling.vao.render()
            for d, texture, gloss in self._surfaces:
                texture.use(2)
                self._set("gloss", gloss)
                d.vao.render()
        self._set("inRoom", 0.0)
        fine = np.frombuffer(self._fine.read(components=4), np.uint8)
        fine = fine.reshape(2 * self.height, 2 * self.width, 4)
        reduced = cv2.resize(fine, (self.width, self.height), interpolation=cv2.INTER_AREA)
        reduced[..., 3] = 0
        self._room_colour.write(reduced.tobytes())
        self._room_picture = np.ascontiguousarray(reduced[..., :3])
        self._room_camera = camera
        self._set("texel", 1.2 / self._shadow_map.width)
        self._set("bias", 0.003)
        self._set("light", _gl(self._near_light))

    def _draw_shadows(self, skeletons: Sequence[Skeleton], bars: Sequence[Array]) -> None:
        self._shadow_fbo.use()
        self._shadow_fbo.clear(depth=1.0)
        for person, skeleton in zip(self._people, skeletons, strict=True):
            if not person.casts_shadow:
                continue
            self._dress(person, skeleton, [self._shadow_skinned])
            for d in (person.cloth, person.skin):
                assert d.shadow is not None
                d.shadow.render()
        for bar, matrix in zip(self._bars, bars, strict=True):
            _put(self._shadow_solid, "model", _gl(matrix))
            assert bar.coarse.shadow is not None
            bar.coarse.shadow.render()

    def _draw(
        self,
        camera: Camera,
        skeletons: Sequence[Skeleton],
        bars: Sequence[Array],
        area: tuple[int, int, int, int],
    ) -> Picture:
        """(h, w, 4) of one area (x0, y0, x1, y1) of the frame."""
        x0, y0, x1, y1 = area
        ctx, fbo = self.ctx, self._frame
        box = (x0, y0, x1 - x0, y1 - y0)
        # the whole buffer: Mesa copies that ten times faster than a part of it
        fbo.scissor = (0, 0, self.width, self.height)
        fbo.use()
        ctx.copy_framebuffer(fbo, self._room)
        fbo.scissor = box
        fbo.use()
        self._shadow_map.use(0)
        self._noise.use(1)
        ctx.enable(moderngl.DEPTH_TEST)
        self._darken_floor(skeletons, bars)
        ctx.front_face = "cw"  # the frame's top row comes first, which mirrors every turn
        ctx.enable(moderngl.CULL_FACE)
        for k, (person, skeleton) in enumerate(zip(self._people, skeletons, strict=True)):
            self._set("tagOffset", float(PERSON_TAG + TAG_STEP * k))
            drawn = (person.skin, person.cloth, person.eyes)
            self._dress(person, skeleton, [d.program for d in drawn])
            for d in drawn:
                d.vao.render()
        for k, (bar, matrix) in enumerate(zip(self._bars, bars, strict=True)):
            self._set("tagOffset", float(BAR_TAG + TAG_STEP * k))
            _put(bar.fine.program, "model", _gl(matrix))
            bar.fine.vao.render()
        ctx.disable(moderngl.CULL_FACE)
        raw = np.frombuffer(fbo.read(viewport=box, components=4), np.uint8)
        return raw.reshape(y1 - y0, x1 - x0, 4)

    def _dress(
        self, person: _Person, skeleton: Skeleton, programs: Sequence[moderngl.Program]
    ) -> None:
        bones = np.zeros((shaders.MAX_BONES, 3, 4), "f4")
        matrices = person.human.bone_matrices(skeleton)
        bones[: len(matrices)] = matrices
        for p in programs:
            _put(p, "bones", bones.tobytes())
            for name, value in person.uniforms.items():
                _put(p, name, value)

    def _darken_floor(self, skeletons: Sequence[Skeleton], bars: Sequence[Array]) -> None:
        points = self._outline(skeletons, bars)
        if not len(points):
            return
        sun = self.gym.sun_direction()
        landing = points[:, [0, 2]] - points[:, 1:2] * (sun[[0, 2]] / sun[1])
        ground = np.concatenate([landing, points[:, [0, 2]]])
        (x0, z0), (x1, z1) = ground.min(0) - 0.25, ground.max(0) + 0.25
        y = 0.002
        corners = np.array([(x0, y, z0), (x1, y, z0), (x0, y, z1), (x1, y, z1)])
        self._patch_buffer.write(corners.astype("f4").tobytes())
        program = self._program["PATCH"]
        spots = np.zeros((MAX_SPOTS, 3))
        found = self._contact_spots(skeletons, bars)[:MAX_SPOTS]
        spots[: len(found)] = found
        _put(program, "spots", spots.astype("f4").tobytes())
        _put(program, "count", len(found))
        _put(program, "depth", self._shadow_depth)
        ctx = self.ctx
        ctx.enable(moderngl.BLEND)
        # colour is multiplied, the tag in alpha stays (the stubs know two factors only)
        factors: Any = (moderngl.DST_COLOR, moderngl.ZERO, moderngl.ZERO, moderngl.ONE)
        ctx.blend_func = factors
        self._patch.render(moderngl.TRIANGLE_STRIP)
        ctx.disable(moderngl.BLEND)

    def _contact_spots(self, skeletons: Sequence[Skeleton], bars: Sequence[Array]) -> Array:
        """(n, 3): x, z and darkness of what stands on or just over the floor."""
        spots = []
        for person, s in zip(self._people, skeletons, strict=True):
            for side in "lr":
                foot, ball = (
                    s.position[person.human.index[f"{b}_{side}"]] for b in ("foot", "ball")
                )
                x, y, z = (foot + ball) / 2
                spots.append((x, z, 0.55 * np.exp(-max(y - 0.06, 0) / 0.08)))
        for bar, m in zip(self._bars, bars, strict=True):
            for x, y, z in end_points(bar.look, m):
                spots.append((x, z, 0.5 * np.exp(-max(y - bar.look.large_radius_m, 0) / 0.08)))
        return np.array(spots).reshape(-1, 3)

    def _outline(self, skeletons: Sequence[Skeleton], bars: Sequence[Array]) -> Array:
        """(n, 3) points around everything that moves."""
        points = [s.position for s in skeletons]
        for bar, m in zip(self._bars, bars, strict=True):
            half, r = bar.look.length_m / 2, bar.look.large_radius_m
            corners = [(x, y, z, 1.0) for x in (-half, half) for y in (-r, r) for z in (-r, r)]
            points.append((np.array(corners) @ m.T)[:, :3])
        return np.concatenate(points) if points else np.zeros((0, 3))

    def _used_area(
        self, camera: Camera, skeletons: Sequence[Skeleton], bars: Sequence[Array]
    ) -> tuple[int, int, int, int] | None:
        points = self._outline(skeletons, bars)
        if not len(points):
            return None
        sun = self.gym.sun_direction()
        on_floor = points - points[:, 1:2] * (sun / sun[1])
        return self._area_of(camera, np.concatenate([points, on_floor]), 0.30)

    def _area_of(
        self, camera: Camera, points: Array, around_m: float
    ) -> tuple[int, int, int, int] | None:
        depth = depth_of(camera, points)
        if (depth < 0.4).any():
            return (0, 0, self.width, self.height)
        px = project(camera, points)
        pad = (around_m * camera.focal_px / depth)[:, None]
        low, high = (px - pad).min(0), (px + pad).max(0)
        x0, y0 = (max(0, int(v)) for v in low)
        x1, y1 = min(self.width, int(high[0]) + 1), min(self.height, int(high[1]) + 1)
        return (x0, y0, x1, y1) if x1 > x0 and y1 > y0 else None

    def _moving_area(
        self,
        camera: Camera,
        moments: Sequence[Moment],
        least_px: float = 1.0,
    ) -> tuple[int, int, int, int] | None:
        """Around those outline points that travel at least a pixel within the exposure."""
        first, last = (self._outline(*moments[i]) for i in (0, -1))
        if not len(first):
            return None
        travel = np.linalg.norm(project(camera, first) - project(camera, last), axis=1)
        moving = travel > least_px
        if not moving.any():
            return None
        return self._area_of(camera, np.concatenate([first[moving], last[moving]]), 0.15)

    # ------------------------------------------------------------------ small things

    def _make_current(self) -> None:
        """Draw with this scene's OpenGL context: another Scene may have been drawn with since, and
        OpenGL would take this one's names for that one's objects."""
        self.ctx.__enter__()  # moderngl has no other way to ask; left only by the next scene's

    def _texture(self, pixels: Picture) -> moderngl.Texture:
        components = 1 if pixels.ndim == 2 else pixels.shape[2]
        size = (pixels.shape[1], pixels.shape[0])
        t = self.ctx.texture(size, components, np.ascontiguousarray(pixels).tobytes(), alignment=1)
        t.build_mipmaps()
        t.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        return t

    def _shadow_target(self, size: int) -> tuple[moderngl.Texture, moderngl.Framebuffer]:
        t = self.ctx.depth_texture((size, size))
        t.compare_func = "<="
        t.repeat_x = t.repeat_y = False
        return t, self.ctx.framebuffer(depth_attachment=t)

    def _set(self, name: str, value: object) -> None:
        for p in self._all:
            _put(p, name, value)


def _put(program: moderngl.Program, name: str, value: object) -> None:
    """Set a uniform if the program has it: a number or tuple, or bytes as they are."""
    uniform: Any = program.get(name, None)
    if uniform is None:
        return
    if isinstance(value, bytes):
        uniform.write(value)
    else:
        uniform.value = value


def _gl(matrix: Array) -> bytes:
    """A (4, 4) matrix as OpenGL wants it."""
    return np.ascontiguousarray(matrix.T, "f4").tobytes()


def _light_matrix(sun: Array, centre: Array, reach: float) -> Array:
    """(4, 4) orthographic view from the light over a ball of `reach` metres about `centre`."""
    x = unit(cross(np.array([0.0, 1, 0]), sun))
    view = np.eye(4)
    view[:3, :3] = np.stack([x, cross(sun, x), sun])
    view[:3, 3] = -view[:3, :3] @ (centre + sun * (reach + 2))
    near, far = 0.5, 2 * reach + 4
    ortho = np.diag([1 / reach, 1 / reach, -2 / (far - near), 1.0])
    ortho[2, 3] = -(far + near) / (far - near)
    return ortho @ view


# ---------------------------------------------------------------------- the person's meshes


@dataclass(frozen=True)
class _BodyMarks:
    """Heights and points of the rest body by which cloth is cut. Metres."""

    waist_y: float
    trousers_y: float
    neck_y: float
    hem_y: float
    eye: Array
    arm_bones: NDArray[np.int64]

    @classmethod
    def of(cls, human: Human, look: PersonLook) -> _BodyMarks:
        hip, ankle = human.head_of("thigh_l")[1], human.head_of("foot_l")[1]
        eyes = human.vertices[np.unique(human.quads[human.part == PART_EYES])]
        left = eyes[eyes[:, 0] > 0]
        waist = hip - 0.02 if not look.crop_m else hip + 0.05
        trousers = hip - look.trousers * (hip - ankle)
        arm = ("upperarm", "lowerarm", "hand", "index", "middle", "ring", "pinky", "thumb")
        return cls(
            waist_y=waist,
            trousers_y=trousers,
            neck_y=human.head_of("neck_01")[1] - 0.005,
            hem_y=waist + look.crop_m,
            eye=np.array([*left.mean(0)[:2], left[:, 2].max()]),
            arm_bones=np.array([i for i, b in enumerate(human.bones) if b.startswith(arm)]),
        )


def _part_rows(
    human: Human, marks: _BodyMarks, part: int, cell_m: float = 0.0
) -> tuple[tuple[Array, NDArray[np.int64]], Array]:
    """Vertex rows (pos 3, normal 3, rest 4, lip 1, bones 4, weights 4), triangles; and normals.

    cell_m > 0 joins the vertices of head and fingers that lie in one cell of that size: they hold
    most of the mesh's triangles, and each would be smaller than a pixel.
    """
    v, q = human.vertices, human.quads[human.part == part]
    face_normals = np.cross(v[q[:, 2]] - v[q[:, 0]], v[q[:, 3]] - v[q[:, 1]])
    normals = np.zeros_like(v)
    for k in range(4):
        np.add.at(normals, q[:, k], face_normals)
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
    weights = human.weights.toarray()
    lip = np.zeros(len(v))
    corner = human.uv[human.uv_quads[human.part == part]]
    lip[q] = _lip_mask(human, corner)
    if cell_m:
        q = _joined(human, weights.argmax(1), cell_m)[q]
    triangles = np.concatenate([q[:, [0, 1, 2]], q[:, [0, 2, 3]]])
    a, b, c = triangles.T
    triangles = triangles[(a != b) & (b != c) & (c != a)]
    used, triangles = np.unique(triangles, return_inverse=True)
    triangles = triangles.reshape(-1, 3)
    weights = weights[used]
    strongest = np.argsort(-weights, 1)[:, :4]
    w = np.take_along_axis(weights, strongest, 1)
    w /= w.sum(1, keepdims=True)
    rest, n = v[used], normals[used]
    shoulder, elbow = human.head_of("upperarm_l"), human.head_of("lowerarm_l")
    folded = np.abs(rest) * (1, 0, 0) + rest * (0, 1, 1)  # both arms as the left one
    along = (folded - shoulder) @ (elbow - shoulder) / human.upper_arm_m**2
    on_arm = weights[:, marks.arm_bones].sum(1) > 0.4
    place = np.where(on_arm, np.maximum(along, 1e-4), 0.0)
    columns = [rest, n, rest, place[:, None], lip[used, None], strongest, w]
    return (np.concatenate(columns, 1), triangles), n


def _lip_mask(human: Human, uv: Array) -> Array:
    """0..1 at texture coordinates (..., 2): how much of a lip is there."""
    mask = cv2.imdecode(human.lips_png, cv2.IMREAD_GRAYSCALE)
    h, w = mask.shape
    x = np.clip(uv[..., 0] * w, 0, w - 1).astype(int)
    y = np.clip((1 - uv[..., 1]) * h, 0, h - 1).astype(int)
    return mask[y, x] / 255.0


def _joined(human: Human, bone: NDArray[np.int64], cell_m: float) -> NDArray[np.int64]:
    """(vertices,) the vertex that stands for each one after joining head and finger cells."""
    fine = ("head", "index", "middle", "ring", "pinky", "thumb")
    join = np.array([b.startswith(fine) for b in human.bones])[bone]
    target = np.arange(len(human.vertices))
    cell = np.floor(human.vertices[join] / cell_m).astype(int)
    # fingers lie close together: only vertices of one bone are joined
    _, inverse = np.unique(np.column_stack([cell, bone[join]]), axis=0, return_inverse=True)
    inverse = inverse.ravel()
    centre = np.zeros((inverse.max() + 1, 3))
    np.add.at(centre, inverse, human.vertices[join])
    centre /= np.bincount(inverse)[:, None]
    off = np.linalg.norm(human.vertices[join] - centre[inverse], axis=1)
    order = np.lexsort((off, inverse))
    nearest = order[np.searchsorted(inverse[order], np.arange(len(centre)))]
    target[join] = target[join][nearest][inverse]
    return target


def _skin_rows(
    human: Human, marks: _BodyMarks, look: PersonLook, cell_m: float
) -> tuple[Array, NDArray[np.int64]]:
    (rows, triangles), n = _part_rows(human, marks, PART_BODY, cell_m)
    rest = rows[:, 6:9]
    e = rest - np.array([0, marks.eye[1], marks.eye[2]])
    top = np.clip((e[:, 1] - 0.055) / 0.03, 0, 1)
    back = np.clip((-0.09 - e[:, 2]) / 0.03, 0, 1) * np.clip((e[:, 1] + 0.05) / 0.03, 0, 1)
    back *= rest[:, 1] > marks.neck_y + 0.04
    rows[:, :3] += n * (0.012 * np.maximum(top, back))[:, None]  # hair stands off the scalp
    hidden = _under_cloth(rows, marks, look)[triangles].all(1)
    triangles = triangles[~hidden]
    if look.ponytail:
        rows, triangles = _with_ponytail(rows, triangles, human, marks)
    return rows, triangles


def _under_cloth(rows: Array, marks: _BodyMarks, look: PersonLook) -> NDArray[np.bool_]:
    """(rows,) which body vertices the skin's shader never shows; see shaders, `discard`."""
    across, y, place = np.abs(rows[:, 6]), rows[:, 7], rows[:, 9]
    m, trunk = 0.03, place <= 0
    sleeve = ~trunk & (place < look.sleeve - 0.05)
    shirt = trunk & (across < 0.40) & (y > marks.hem_y + m) & (y < marks.neck_y - m)
    trousers = trunk & (across < 0.34) & (y > marks.trousers_y + m) & (y < marks.waist_y - m)
    return (y < 0.10) | sleeve | shirt | trousers


def _with_ponytail(
    rows: Array, triangles: NDArray[np.int64], human: Human, marks: _BodyMarks
) -> tuple[Array, NDArray[np.int64]]:
    """A tail of hair that hangs from the back of the head and follows it stiffly."""
    x = np.linspace(0, 1, 9)
    radius = 0.034 * np.sin(np.pi * (0.12 + 0.88 * x)) ** 0.7 + 1e-3
    tube = lathe([Ring(a * 0.24, r, (0, 0, 0)) for a, r in zip(x, radius, strict=True)], 10)
    hang = np.stack([np.array([0, -0.86, -0.5]), np.array([0, 0.5, -0.86]), [1.0, 0, 0]], 1)
    tube = transformed(tube, hang, (0, marks.eye[1] + 0.045, marks.eye[2] - 0.175))
    extra = np.zeros((len(tube), rows.shape[1]))
    extra[:, :6] = tube[:, :6]
    extra[:, 6:9] = (0.0, marks.eye[1] + 0.12, marks.eye[2] - 0.15)  # coloured as hair
    extra[:, 6:9] += 0.3 * (tube[:, :3] - tube[:, :3].mean(0)) * (1, 0.1, 0.1)
    extra[:, 11], extra[:, 15] = human.index["head"], 1.0
    added = np.arange(len(rows), len(rows) + len(extra)).reshape(-1, 3)
    return np.concatenate([rows, extra]), np.concatenate([triangles, added])


def _cloth_rows(
    human: Human, marks: _BodyMarks, look: PersonLook
) -> tuple[Array, NDArray[np.int64]]:
    (rows, triangles), n = _part_rows(human, marks, PART_CLOTHES)
    y, trunk = rows[:, 7], np.abs(rows[:, 6]) < 0.34
    flare = np.clip((marks.waist_y - y) / 0.15, 0, 1) * (y > marks.trousers_y - 0.05)
    lower_shirt = np.clip((y - marks.waist_y) / 0.05, 0, 1)
    lower_shirt *= np.clip((marks.waist_y + 0.28 - y) / 0.2, 0, 1)
    off = 0.005 + look.loose * (0.010 * flare + 0.008 * lower_shirt) * trunk
    rows[:, :3] += n * np.where(y < 0.165, 0.003, off)[:, None]
    return rows, triangles
