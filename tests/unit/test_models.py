"""The model files are the published weights, found and checked wherever the package lies."""

from __future__ import annotations

import importlib.util
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from repcount.errors import ModelError
from repcount.tracking import model_files

REPO = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def build():
    spec = importlib.util.spec_from_file_location("build_pose", REPO / "models" / "build_pose.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_listed_model_has_its_checksum():
    for name in model_files.model_names():
        assert model_files.model_path(name).name == name


def test_unknown_model_says_which_there_are():
    with pytest.raises(ModelError, match=r"pose_huge\.task: no such model; .*pose_full\.task"):
        model_files.model_path("pose_huge.task")


def folder_with(tmp_path: Path, name: str, data: bytes | None) -> Path:
    (tmp_path / "checksums.json").write_text(json.dumps({name: "0" * 64}))
    if data is not None:
        (tmp_path / name).write_bytes(data)
    return tmp_path


def test_replaced_model_is_refused(tmp_path):
    folder = folder_with(tmp_path, "pose_full.task", b"something else")
    with pytest.raises(ModelError, match=r"pose_full\.task: .*damaged or was replaced"):
        model_files.verified(folder, "pose_full.task")


def test_missing_model_is_one_sentence(tmp_path):
    folder = folder_with(tmp_path, "pose_full.task", None)
    with pytest.raises(ModelError, match="cannot be read") as caught:
        model_files.verified(folder, "pose_full.task")
    assert "\n" not in str(caught.value)


def test_damaged_checksum_list(tmp_path):
    (tmp_path / "checksums.json").write_text("{")
    with pytest.raises(ModelError, match="cannot be read"):
        model_files.checksums(tmp_path)


def test_readme_states_the_checksums():
    text = (REPO / "models" / "README.md").read_text()
    for name, total in json.loads((REPO / "models" / "checksums.json").read_text()).items():
        assert f"{total}  {name}" in text or name not in ("pose_full.task", "pose_lite.task")


def test_full_model_is_rebuilt_byte_for_byte(build):
    built = build.bundle(
        build.from_wheel(build.DETECTOR), build.with_metadata(build.from_wheel(build.FULL))
    )
    assert built == model_files.model_path("pose_full.task").read_bytes()


def test_weights_are_the_published_ones(build):
    """Every weight buffer of the bundle is the one in the published file, in the same order, and
    lies at a multiple of 16 bytes (source: `force_align: 16` in TensorFlow Lite's schema.fbs, from
    memory)."""
    published = build.from_wheel(build.FULL)
    with zipfile.ZipFile(model_files.model_path("pose_full.task")) as archive:
        assert archive.read("pose_detector.tflite") == build.from_wheel(build.DETECTOR)
        ours = archive.read("pose_landmarks_detector.tflite")
    before = build.tflite.Model.GetRootAsModel(published, 0)
    after = build.tflite.Model.GetRootAsModel(ours, 0)
    assert after.BuffersLength() == before.BuffersLength() + 1
    for index in range(before.BuffersLength()):
        old, new = before.Buffers(index), after.Buffers(index)
        assert old.DataLength() == new.DataLength()
        if old.DataLength():
            assert old.DataAsNumpy().tobytes() == new.DataAsNumpy().tobytes()
            vector = new._tab.Vector(new._tab.Offset(4))
            assert vector % 16 == 0


def test_bundle_sees_what_the_published_models_see(real_clips):
    """Outside reference: the older interface of the mediapipe package, which runs the model files
    of its own wheel as they are. The two prepare the frame a little differently, so single points
    may differ; the median may not, by a thousandth of the frame."""
    import cv2
    import mediapipe
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(model_files.model_path("pose_full.task")))
    )
    stills = sorted((real_clips / "stills").glob("*.jpg"))[::10]
    assert stills
    with (
        vision.PoseLandmarker.create_from_options(options) as ours,
        mediapipe.solutions.pose.Pose(static_image_mode=True, model_complexity=1) as published,
    ):
        for path in stills:
            frame = np.ascontiguousarray(cv2.imread(str(path))[:, :, ::-1])
            (seen,) = ours.detect(mediapipe.Image(mediapipe.ImageFormat.SRGB, frame)).pose_landmarks
            wanted = published.process(frame).pose_landmarks.landmark
            apart = [
                max(abs(one.x - other.x), abs(one.y - other.y))
                for one, other in zip(seen, wanted, strict=True)
            ]
            assert np.median(apart) < 0.001
