"""A pinhole camera as in OpenCV: x right, y down, z into the scene; pixels, metres."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sample_clips.render.human import rot_x, rot_y, rot_z, unit

Array = NDArray[np.float64]

PHONE_FOCAL = 924 / 1280  # a phone's main lens: focal length as a fraction of the longer side


@dataclass(frozen=True)
class Camera:
    """u = f X/Z + width/2, v = f Y/Z + height/2 with (X, Y, Z) = rotation (p - eye)."""

    rotation: Array
    eye: Array
    focal_px: float
    width: int
    height: int

    @property
    def matrix(self) -> Array:
        """(3, 3) intrinsic matrix."""
        return np.array(
            [[self.focal_px, 0, self.width / 2], [0, self.focal_px, self.height / 2], [0, 0, 1.0]]
        )

    def turned(self, turn: Array) -> Camera:
        """The same camera after a rotation (3, 3) about its eye."""
        return replace(self, rotation=turn @ self.rotation)

    def padded(self, margin_px: int) -> Camera:
        """The same camera with margin_px more frame on every side."""
        return replace(self, width=self.width + 2 * margin_px, height=self.height + 2 * margin_px)


def look(
    eye: ArrayLike,
    target: ArrayLike,
    size: tuple[int, int] = (720, 1280),
    focal_px: float | None = None,
    roll: float = 0.0,
) -> Camera:
    """A camera at `eye` that looks at `target`; size is (width, height), roll in radians."""
    e = np.asarray(eye, float)
    z = unit(np.asarray(target, float) - e)
    x = unit(np.cross(z, [0, 1, 0]))
    upright = np.stack([x, np.cross(z, x), z])
    f = PHONE_FOCAL * max(size) if focal_px is None else focal_px
    return Camera(rot_z(roll) @ upright, e, f, *size)


def orbit(
    azimuth_deg: float,
    distance_m: float,
    height_m: float = 1.2,
    target: ArrayLike = (0.0, 1.05, 0.1),
    size: tuple[int, int] = (720, 1280),
    focal_px: float | None = None,
    roll: float = 0.0,
) -> Camera:
    """A camera around the athlete: azimuth 0 in front, 90 at the athlete's left, -90 right."""
    a = np.radians(azimuth_deg)
    t = np.asarray(target, float)
    eye = (t[0] + distance_m * np.sin(a), height_m, t[2] + distance_m * np.cos(a))
    return look(eye, t, size, focal_px, roll)


def project(camera: Camera, points: ArrayLike) -> Array:
    """Pixels (..., 2) of points (..., 3). A point behind the camera has no image: NaN."""
    q = (np.asarray(points, float) - camera.eye) @ camera.rotation.T
    depth = np.where(q[..., 2:] > 1e-6, q[..., 2:], np.nan)
    return camera.focal_px * q[..., :2] / depth + np.array([camera.width, camera.height]) / 2


def depth_of(camera: Camera, points: ArrayLike) -> Array:
    """Distance (...,) of points (..., 3) along the camera's axis, metres."""
    return ((np.asarray(points, float) - camera.eye) @ camera.rotation.T)[..., 2]


def clip_matrix(camera: Camera, near_m: float = 0.1, far_m: float = 40.0) -> Array:
    """(4, 4) world to OpenGL clip space, with the frame's top row first in the framebuffer."""
    view = np.eye(4)
    view[:3, :3] = camera.rotation
    view[:3, 3] = -camera.rotation @ camera.eye
    p = np.zeros((4, 4))
    p[0, 0] = 2 * camera.focal_px / camera.width
    p[1, 1] = 2 * camera.focal_px / camera.height
    p[2, 2] = (far_m + near_m) / (far_m - near_m)
    p[2, 3] = -2 * far_m * near_m / (far_m - near_m)
    p[3, 2] = 1.0
    return p @ view


def sway_rotations(n: int, fps: float, amplitude_rad: float, seed: int) -> Array:
    """(n, 3, 3) small rotations of a hand-held camera: a smoothed random walk, no drift.

    amplitude_rad is the standard deviation of pitch and yaw; roll is 0.6 of it.
    """
    rng = np.random.default_rng(seed)
    half = max(1, round(2.0 * fps))
    sigma = 0.5 * fps
    kernel = np.exp(-(np.arange(-half, half + 1) ** 2) / (2 * sigma**2))
    walk = np.cumsum(rng.normal(size=(n + 2 * half, 3)), 0)
    smooth = np.stack(
        [np.convolve(walk[:, i], kernel / kernel.sum(), "valid") for i in range(3)], 1
    )
    # a hand drifts back: only what is faster than about ten seconds stays
    window = min(n, max(3, round(10 * fps)))
    drift = np.stack(
        [
            np.convolve(
                np.pad(smooth[:, i], window // 2, "edge"), np.ones(window) / window, "same"
            )[window // 2 :][:n]
            for i in range(3)
        ],
        1,
    )
    sway = smooth - drift
    sway *= amplitude_rad * np.array([1.0, 1.0, 0.6]) / np.maximum(sway.std(0), 1e-9)
    return np.array([rot_z(c) @ rot_x(a) @ rot_y(b) for a, b, c in sway])


def sway_homography(camera: Camera, turn: Array) -> Array:
    """(3, 3) homography from the still camera's pixels to those of the camera turned by `turn`.

    Exact for a rotation about the eye; use `camera.turned(turn)` for the truth of that frame.
    """
    k = camera.matrix
    return k @ turn @ np.linalg.inv(k)
