"""Nothing leaves the machine while frames are read and people are looked for."""

from __future__ import annotations

import numpy as np
import pytest

from tests import no_network
from tests.media import card, write_video
from tests.no_network import reaches_out, strace

LOOK = """
import mediapipe
from mediapipe.tasks.python import BaseOptions, vision
from repcount.video.footage import open_footage
from repcount.tracking.model_files import model_path

options = vision.PoseLandmarkerOptions(
    base_options=BaseOptions(model_asset_path=str(model_path("pose_full.task"))),
    running_mode=vision.RunningMode.VIDEO,
)
seen = 0
with open_footage({path!r}) as footage, vision.PoseLandmarker.create_from_options(options) as pose:
    for frame in footage.frames():
        picture = mediapipe.Image(mediapipe.ImageFormat.SRGB, frame.rgb)
        pose.detect_for_video(picture, round(1000 * frame.time_s))
        seen += 1
    footage.sound()
assert seen == 10
"""


def test_looking_for_people_reaches_for_no_network(tmp_path):
    path = write_video(
        tmp_path / "a.mp4",
        np.arange(10) / 30,
        pictures=[card(320, 240)] * 10,
        sound=np.zeros(16000, np.float32),
    )
    assert reaches_out(LOOK.format(path=str(path)), tmp_path) == []


HIDE = """
from repcount.video.footage import open_footage
from repcount.reports.overlay import Drawn, write_overlay
from repcount.tracking.faces import FaceBlur, HeadWatch
from tests.example_records import bare_attempt
from tests.integration.test_overlay import tracks

with open_footage({path!r}) as footage, HeadWatch(footage, tracks(), "all") as watch:
    write_overlay({out!r}, footage, Drawn(bare_attempt(), tracks()), FaceBlur(watch))
"""


def test_looking_for_faces_and_writing_a_film_reaches_for_no_network(tmp_path):
    path = write_video(tmp_path / "a.mp4", np.arange(10) / 10, pictures=[card(320, 240)] * 10)
    out = tmp_path / "overlay.mp4"
    assert reaches_out(HIDE.format(path=str(path), out=str(out)), tmp_path) == []
    assert out.stat().st_size > 1000


SEND = """
import socket
socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b"x", ("127.0.0.1", 9))
"""
CHILD = """
import subprocess, sys
code = "import socket; socket.socket().connect_ex(('127.0.0.1', 9))"
subprocess.run([sys.executable, "-c", code], check=True)
"""


@pytest.mark.parametrize("code", [SEND, CHILD])
def test_the_watch_sees_what_reaches_out(code, tmp_path):
    """The control: this machine itself, which is an internet address (RFC 5735: 127.0.0.0/8)."""
    if code == CHILD and not strace():
        pytest.skip("without strace only the process itself is watched")
    (found,) = reaches_out(code, tmp_path)
    assert "127.0.0.1" in found


def test_the_watch_without_strace(tmp_path, monkeypatch):
    monkeypatch.setattr(no_network, "strace", lambda: None)
    (found,) = reaches_out(SEND, tmp_path)
    assert "network forbidden" in found
    assert reaches_out("print('quiet')", tmp_path) == []
