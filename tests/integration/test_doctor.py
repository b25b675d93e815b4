"""The doctor finds what is wrong and says what to do; it never falls over itself."""

from __future__ import annotations

import json
import shutil
import sys

import pytest
from packaging.requirements import Requirement

from repcount.pipeline import doctor
from repcount.tracking import model_files
from tests.media import run


@pytest.fixture
def only(monkeypatch):
    """The checks whose name is given, with the slow pose model left out unless asked for."""

    def look(*names: str, render: bool = False) -> list[doctor.Check]:
        if "Pose model" not in names:
            monkeypatch.setattr(doctor, "find_pose", lambda: None)
        return [check for check in doctor.checks(render) if not names or check.name in names]

    return look


def test_this_machine_is_well(only):
    bad = [check for check in only() if not check.ok and not check.optional]
    assert bad == []


def test_versions_are_those_pip_lists(only):
    """Outside reference: pip's own list."""
    listed = json.loads(run(sys.executable, "-m", "pip", "list", "--format", "json"))
    versions = {one["name"].lower(): one["version"] for one in listed}
    for wanted in doctor.requirements():
        (check,) = only(wanted.name)
        assert check.found == versions[wanted.name.lower()]


def test_every_requirement_of_the_project_is_looked_at(only):
    names = {check.name for check in only()}
    assert {wanted.name for wanted in doctor.requirements()} <= names
    assert {"mediapipe", "av", "opencv-python", "opencv-contrib-python"} <= names


def test_wrong_and_missing_packages(only, monkeypatch):
    wanted = [Requirement("numpy==1.0"), Requirement("no-such-package-here>=2")]
    monkeypatch.setattr(doctor, "requirements", lambda: wanted)
    old, missing = only("numpy", "no-such-package-here")
    assert not old.ok
    assert 'pip install "numpy==1.0"' in old.advice
    assert (missing.ok, missing.found) == (False, "missing")


def test_missing_system_library_gives_the_apt_line(only, monkeypatch):
    monkeypatch.setattr(doctor, "LIBRARIES", {"libnosuch.so.7": "libnosuch7"})
    (check,) = only("System libraries")
    assert not check.ok
    assert "libnosuch.so.7" in check.found
    assert check.advice == "apt-get install -y libnosuch7"


def test_two_versions_of_opencv(only, monkeypatch):
    versions = {"opencv-python": "4.11.0.86", "opencv-contrib-python": "4.10.0.84"}

    def version(name: str) -> str:
        if name in versions:
            return versions[name]
        raise doctor.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(doctor.metadata, "version", version)
    (check,) = only("OpenCV")
    assert not check.ok
    assert "4.10.0.84" in check.found
    assert "--force-reinstall" in check.advice


def test_damaged_model(only, monkeypatch, tmp_path):
    folder = tmp_path / "models"
    shutil.copytree(model_files.models_folder(), folder)
    (folder / "pose_lite.task").write_bytes(b"not a model")
    monkeypatch.setattr(model_files, "models_folder", lambda: folder)
    (check,) = only("Model files")
    assert not check.ok
    assert "damaged" in check.found


def test_model_that_does_not_load(monkeypatch):
    def fail() -> None:
        raise RuntimeError("cannot load\nand more")

    monkeypatch.setattr(doctor, "find_pose", fail)
    (check,) = [check for check in doctor.checks() if check.name == "Pose model"]
    assert (check.ok, check.found) == (False, "RuntimeError: cannot load")


def test_pose_model_runs(only):
    (check,) = only("Pose model")
    assert check.ok


def test_extras_are_optional(only, monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    monkeypatch.setitem(sys.modules, "moderngl", None)
    checks = only("ffmpeg", "Chromium", "Rendering", render=True)
    assert {check.name for check in checks} == {"ffmpeg", "Chromium", "Rendering"}
    for check in checks:
        assert not check.ok
        assert check.optional
        assert "install" in check.advice


def test_rendering_is_looked_at_when_asked(only):
    assert [check.name for check in only("Rendering")] == []


def test_advice_stands_where_a_check_fails(only):
    for check in only(render=True):
        assert check.ok == (check.advice == "")
        assert "\n" not in check.found + check.advice
