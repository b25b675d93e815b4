"""Is everything here that the project needs? One check a line, with what to do where one fails."""

from __future__ import annotations

import ctypes
import importlib
import platform
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata

from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet

from repcount.errors import ModelError
from repcount.tracking.model_files import PACKAGE, model_names, model_path
from repcount.video.confinement import lacking

REINSTALL = "install repcount again into a fresh environment"
# Shared libraries outside Python that a bare Debian lacks, and the package that brings each.
# opencv-python (with windows, not headless) is linked to them.
LIBRARIES = {
    "libGL.so.1": "libgl1",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libSM.so.6": "libsm6",
    "libXext.so.6": "libxext6",
}
PROGRAMS = {
    "ffmpeg": (("ffmpeg",), "apt-get install -y ffmpeg", "tests compare with it"),
    "Chromium": (("chromium", "chromium-browser"), "apt-get install -y chromium", "page tests"),
}


@dataclass(frozen=True)
class Check:
    """One thing that was looked at. `advice` says what to do where `ok` is false. What is
    `optional` only switches something off."""

    name: str
    ok: bool
    found: str
    advice: str = ""
    optional: bool = False


def checks(render: bool = False) -> list[Check]:
    """Look at everything the project needs; `render` asks for what making sample clips needs too.

    Never raises: what cannot be looked at is a failed check.
    """
    done = [_python(), *_packages(), _one_opencv(), *_libraries(), *_models(), *_codecs()]
    if render:
        done += _rendering()
    return [*done, _walls(), *_programs()]


def _walls() -> Check:
    """Around what decodes a stranger's video in the server."""
    missing = lacking()
    return Check(
        "Confinement", not missing, "in part" if missing else "whole", missing, optional=True
    )


def _python() -> Check:
    wanted = SpecifierSet(">=3.11,<3.13")
    found = platform.python_version()
    ok = wanted.contains(found)
    return Check("Python", ok, found, "" if ok else "use Python 3.11 or 3.12")


def requirements() -> list[Requirement]:
    """What the package needs at run time, from its metadata or, in a checkout, from
    `pyproject.toml`."""
    project = PACKAGE.parent / "pyproject.toml"
    if project.is_file():
        listed = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["dependencies"]
    else:
        listed = metadata.requires("repcount") or []
    wanted = [Requirement(line) for line in listed]
    return [one for one in wanted if one.marker is None or one.marker.evaluate({"extra": ""})]


def _packages() -> Iterator[Check]:
    for wanted in requirements():
        try:
            found = metadata.version(wanted.name)
        except metadata.PackageNotFoundError:
            found = "missing"
        ok = found != "missing" and wanted.specifier.contains(found, prereleases=True)
        yield Check(
            wanted.name,
            ok,
            found,
            "" if ok else f'wanted {wanted.specifier}: pip install "{wanted}"',
        )


def _one_opencv() -> Check:
    """opencv-python and opencv-contrib-python write the same folder, and so would a headless one;
    with different versions the last one installed wins in part."""
    found = {}
    for name in (
        "opencv-python",
        "opencv-contrib-python",
        "opencv-python-headless",
        "opencv-contrib-python-headless",
    ):
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    versions = set(found.values())
    try:
        loaded = str(importlib.import_module("cv2").__version__)
    except Exception as error:  # whatever a broken installation throws is the finding
        return Check("OpenCV", False, _short(error), REINSTALL)
    text = ", ".join(f"{name} {version}" for name, version in found.items())
    ok = len(versions) == 1 and next(iter(versions)).startswith(loaded)
    return Check("OpenCV", ok, f"{loaded} ({text})", "" if ok else _opencv_advice())


def _opencv_advice() -> str:
    pins = " ".join(f'"{one}"' for one in requirements() if one.name.startswith("opencv"))
    return (
        "pip uninstall -y opencv-python opencv-contrib-python opencv-python-headless "
        f"opencv-contrib-python-headless; pip install --force-reinstall --no-deps {pins}"
    )


def _libraries() -> Iterator[Check]:
    missing = []
    for library, package in LIBRARIES.items():
        try:
            ctypes.CDLL(library)
        except OSError:
            missing.append((library, package))
    if missing:
        found = "missing: " + ", ".join(library for library, _ in missing)
        advice = "apt-get install -y " + " ".join(package for _, package in missing)
    else:
        found, advice = "all there", ""
    yield Check("System libraries", not missing, found, advice)


def _models() -> Iterator[Check]:
    try:
        names = model_names()
        for name in names:
            model_path(name)
    except ModelError as error:
        yield Check("Model files", False, str(error), REINSTALL)
        return
    yield Check("Model files", True, ", ".join(names))
    try:
        find_pose()
    except Exception as error:  # whatever a broken installation throws is the finding
        yield Check("Pose model", False, _short(error), REINSTALL)
    else:
        yield Check("Pose model", True, "loads and runs")


def find_pose() -> None:
    """Run the pose model once on an empty frame."""
    import mediapipe
    import numpy as np
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(model_path("pose_full.task")))
    )
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        frame = np.zeros((64, 64, 3), np.uint8)
        landmarker.detect(mediapipe.Image(mediapipe.ImageFormat.SRGB, frame))


def _codecs() -> Iterator[Check]:
    import av

    for codec, name in (("h264", "H.264"), ("hevc", "H.265 (HEVC)"), ("aac", "AAC sound")):
        try:
            av.Codec(codec, "r")
        except Exception as error:  # PyAV has several for "no such decoder"
            yield Check(f"{name} decoder", False, _short(error), REINSTALL)
        else:
            yield Check(f"{name} decoder", True, f"PyAV {av.__version__}")


def _rendering() -> Iterator[Check]:
    try:
        graphics = importlib.import_module("moderngl")
        context = graphics.create_context(standalone=True, backend="egl")
        found = str(context.info["GL_RENDERER"])
        context.release()
    except Exception as error:  # no package, no library, no driver: each throws another kind
        yield Check(
            "Rendering",
            False,
            _short(error),
            'pip install "repcount[render]"; apt-get install -y libegl1 libgl1-mesa-dri',
            optional=True,
        )
    else:
        yield Check("Rendering", True, found, optional=True)


def _programs() -> Iterator[Check]:
    for name, (programs, advice, purpose) in PROGRAMS.items():
        paths = [path for path in map(shutil.which, programs) if path]
        yield Check(
            name,
            bool(paths),
            paths[0] if paths else "not installed",
            "" if paths else f"{advice} (only {purpose})",
            optional=True,
        )


def _short(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return f"{type(error).__name__}: {lines[0][:200]}" if lines else type(error).__name__
