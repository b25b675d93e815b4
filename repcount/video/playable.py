"""A copy of a video that every browser can show, and a picture of it.

Phones film in formats that many browsers cannot decode (HEVC above all). The copy is H.264 in
MP4, upright, smaller, its frames at the same times from the first on, with none of the original's
tags.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Colorspace

from repcount.files import ASIDE
from repcount.video.footage import open_footage
from repcount.video.sound_track import SoundTrack

Progress = Callable[[float], None]
LONG_SIDE, POSTER_SIDE = 1280, 640  # pixels
_TICKS = 90_000  # time stamps a second, fine enough for every camera's
# x264's settings: small enough for a phone's line, a key frame every two seconds so that players
# jump quickly.
_ENCODER = {"preset": "veryfast", "crf": "25", "g": "60"}
_POSTER_AT_S, _QUALITY = 1.0, 78


def write_playable(source: Path, target: Path, progress: Progress | None = None) -> None:
    """Write the copy; it appears whole or not at all. `progress` is told the fraction done.

    Raises FootageError where no frame can be decoded, OSError where the disk refuses.
    """
    number, name = tempfile.mkstemp(prefix=f"{ASIDE}play-", suffix=".mp4", dir=target.parent)
    os.close(number)
    aside = Path(name)
    try:
        _encode(source, aside, progress)
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)


def _encode(source: Path, target: Path, progress: Progress | None) -> None:
    options = {"movflags": "+faststart", "fflags": "+bitexact"}
    with (
        open_footage(source) as footage,
        av.open(str(target), "w", format="mp4", container_options=options) as out,
    ):
        rate = Fraction(footage.info.mean_rate_hz).limit_denominator(1001)
        stream = out.add_stream("libx264", rate=rate, options=_ENCODER)
        context = stream.codec_context
        context.pix_fmt, context.time_base = "yuv420p", Fraction(1, _TICKS)
        context.colorspace, context.color_range = Colorspace.ITU709, ColorRange.MPEG
        with SoundTrack(out, footage) as sound:
            waiting = next(sound, None)
            for frame in footage.frames(max_side=LONG_SIDE):
                if frame.index == 0:
                    context.width, context.height = frame.width & ~1, frame.height & ~1
                picture = frame.rgb[: context.height, : context.width]
                made = VideoFrame.from_ndarray(picture, "rgb24").reformat(
                    format="yuv420p",
                    dst_colorspace=Colorspace.ITU709,
                    dst_color_range=ColorRange.MPEG,
                )
                made.pts, made.time_base = round(frame.time_s * _TICKS), Fraction(1, _TICKS)
                out.mux(stream.encode(made))
                while waiting is not None and waiting[0] <= frame.time_s:
                    out.mux(waiting[1])
                    waiting = next(sound, None)
                if progress is not None:
                    progress(min(1.0, frame.time_s / footage.info.duration_s))
            out.mux(stream.encode(None))
            while waiting is not None:
                if waiting[0] <= footage.info.duration_s + 1:
                    out.mux(waiting[1])
                waiting = next(sound, None)


def write_poster(source: Path, target: Path) -> None:
    """Write one frame as a small JPEG. Raises FootageError where none can be decoded, OSError where
    the disk refuses."""
    import cv2

    with open_footage(source) as footage:
        frame = None
        for frame in footage.frames(max_side=POSTER_SIDE):
            if frame.time_s >= _POSTER_AT_S:
                break
        assert frame is not None  # where there is none, the footage has said so
        picture = cv2.cvtColor(frame.rgb, cv2.COLOR_RGB2BGR)
        _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    aside = target.with_name(f"{ASIDE}{target.name.lstrip('.')}")
    aside.write_bytes(coded.tobytes())
    aside.replace(target)
