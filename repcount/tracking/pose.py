"""The pose model: from a frame to people's landmarks."""

from __future__ import annotations

from dataclasses import dataclass

import mediapipe as mp
import numpy as np
from mediapipe.tasks.python import BaseOptions, vision

from repcount.tracking.model_files import model_path

MODELS = {"full": "pose_full.task", "lite": "pose_lite.task"}

NOSE = 0
SHOULDERS, ELBOWS, WRISTS = (11, 12), (13, 14), (15, 16)
KNUCKLES = (17, 18, 19, 20)
LEFT_KNUCKLES, RIGHT_KNUCKLES = (17, 19), (18, 20)
HIPS, KNEES, ANKLES = (23, 24), (25, 26), (27, 28)
FEET = (27, 28, 29, 30, 31, 32)


@dataclass(frozen=True)
class Person:
    """One person in one frame. `points` (33, 2) pixels of the upright full-size frame, x to the
    right, y down; `visibility` (33,) the smaller of the model's probabilities that the landmark is
    in the frame and that it is not hidden; `world` (33, 3) metres about the middle of the hips,
    rough."""

    points: np.ndarray
    visibility: np.ndarray
    world: np.ndarray

    def middle(self, landmarks: tuple[int, ...]) -> np.ndarray:
        """(2,) mean of some landmarks, pixels."""
        return self.points[list(landmarks)].mean(0)

    @property
    def size_px(self) -> float:
        """A length that shrinks little when the person bends or turns: the longest of torso, thigh
        (both sides' mean) and 1.2 shoulder widths, all near 0.28 of the body height (TRUNK_ST,
        THIGH_ST and SHOULDER_BREADTH_ST of `repcount.attempt.anthropometry`)."""
        torso = np.hypot(*(self.middle(SHOULDERS) - self.middle(HIPS)))
        thigh = np.hypot(*(self.middle(HIPS) - self.middle(KNEES)))
        shoulders = np.hypot(*(self.points[11] - self.points[12]))
        return float(max(torso, thigh, 1.2 * shoulders))

    @property
    def core(self) -> np.ndarray:
        """(2,) the middle of shoulders and hips, pixels."""
        return (self.middle(SHOULDERS) + self.middle(HIPS)) / 2


class PoseModel:
    """The pose model, following up to `people` people from frame to frame, or looking at each
    frame by itself (not `follow`). Close it, or use it in a `with` block."""

    def __init__(self, model: str = "full", people: int = 1, *, follow: bool = True) -> None:
        """Raises ModelError if the model file is missing or damaged, ValueError for an odd name."""
        if model not in MODELS:
            raise ValueError(f"model {model!r} is none of {', '.join(MODELS)}")
        mode = vision.RunningMode.VIDEO if follow else vision.RunningMode.IMAGE
        self._landmarker = vision.PoseLandmarker.create_from_options(
            vision.PoseLandmarkerOptions(
                base_options=BaseOptions(model_asset_path=str(model_path(MODELS[model]))),
                running_mode=mode,
                num_poses=people,
            )
        )
        self._follow = follow
        self._last_ms = -1

    def __call__(self, rgb: np.ndarray, time_s: float, scale: float) -> list[Person]:
        """People in `rgb` (H, W, 3) uint8, taken at `time_s` (rising from call to call where the
        model follows). `scale` is full-size pixels per pixel of `rgb`."""
        height, width = rgb.shape[:2]
        frame = mp.Image(image_format=mp.ImageFormat.SRGB, data=np.ascontiguousarray(rgb))
        if self._follow:
            # The model takes whole milliseconds that rise strictly.
            self._last_ms = max(self._last_ms + 1, round(time_s * 1000))
            found = self._landmarker.detect_for_video(frame, self._last_ms)
        else:
            found = self._landmarker.detect(frame)
        return [
            Person(
                points=np.array([(p.x * width, p.y * height) for p in landmarks]) * scale,
                visibility=np.array([min(p.visibility, p.presence) for p in landmarks]),
                world=np.array([(p.x, p.y, p.z) for p in world]),
            )
            for landmarks, world in zip(
                found.pose_landmarks, found.pose_world_landmarks, strict=True
            )
        ]

    def close(self) -> None:
        self._landmarker.close()

    def __enter__(self) -> PoseModel:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
