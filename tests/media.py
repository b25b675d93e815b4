"""Small videos made for a test: any times, orientation, codec, sound."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

TICK = Fraction(1, 90000)


def card(width: int = 160, height: int = 120, index: int = 0) -> np.ndarray:
    """(height, width, 3) uint8 frame that looks different under every turn and mirroring, with
    four grey bits at the bottom left that say `index` (0..15)."""
    y, x = np.mgrid[0:height, 0:width]
    picture = np.stack([x * 255 // width, y * 255 // height, (x + 2 * y) % 256], -1)
    picture = picture.astype(np.uint8)
    picture[: height // 4, : width // 3] = (250, 40, 40)
    picture[-height // 8 :, -width // 2 :] = (20, 20, 240)
    for bit in range(4):
        picture[-16:, 16 * bit : 16 * bit + 16] = 235 if index >> bit & 1 else 20
    return picture


def read_index(gray: np.ndarray) -> int:
    """The `index` of `card`, from its luma."""
    return sum((gray[-8, 16 * bit + 8] > 128) << bit for bit in range(4))


def write_video(
    path: Path,
    times_s: Sequence[float],
    *,
    pictures: Iterable[np.ndarray] | None = None,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    matrix: Sequence[int] | None = None,
    sound: np.ndarray | None = None,
    sound_rate_hz: int = 48000,
    options: dict[str, str] | None = None,
    mux: dict[str, str] | None = None,
    tick: Fraction = TICK,
    transfer: int | None = None,
    aspect: Fraction | None = None,
) -> Path:
    """Write a video whose frames are shown at `times_s` and return its path."""
    final = path
    if codec == "libx265" and path.suffix != ".mkv":
        # Now and then (1 in 15) FFmpeg's MP4 writer refuses what comes straight from x265 with
        # "not yet implemented"; what comes from a file it takes. Times are then whole milliseconds,
        # and frames are not reordered, since Matroska keeps no times of decoding.
        path = path.with_suffix(".mkv")
        options = {"x265-params": "log-level=none:bframes=0", **(options or {})}
    pictures = [card(index=i % 16) for i in range(len(times_s))] if pictures is None else pictures
    with av.open(str(path), "w", options=mux or {}) as out:
        video, audio = None, None
        for time_s, picture in zip(times_s, pictures, strict=True):
            if video is None:
                video = out.add_stream(codec, rate=30, options=options or {})
                video.height, video.width = picture.shape[:2]
                video.pix_fmt = pix_fmt
                video.codec_context.time_base = tick
                video.time_base = tick
                if transfer is not None:
                    video.codec_context.color_trc = transfer
                if aspect is not None:
                    video.codec_context.sample_aspect_ratio = aspect
                if matrix is not None:
                    video.set_display_matrix(matrix)
                if sound is not None:
                    audio = out.add_stream("aac", rate=sound_rate_hz, layout="mono")
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format=pix_fmt)
            frame.pts = round(time_s / tick)
            frame.time_base = tick
            out.mux(video.encode(frame))
        out.mux(video.encode(None))
        if audio is not None:
            for start in range(0, len(sound), 1024):
                block = np.ascontiguousarray(sound[start : start + 1024], np.float32)[None]
                frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
                frame.sample_rate = sound_rate_hz
                frame.pts = start
                frame.time_base = Fraction(1, sound_rate_hz)
                out.mux(audio.encode(frame))
            out.mux(audio.encode(None))
    if final != path:
        copy_streams(path, final)
        path.unlink()
    return final


def copy_streams(source: Path, target: Path) -> None:
    """Put the coded streams of `source` into the container that `target` is named for."""
    with av.open(str(source)) as read, av.open(str(target), "w") as out:
        streams = {one.index: out.add_stream_from_template(one) for one in read.streams}
        for packet in read.demux():
            if packet.size:  # the last packet of each stream is empty
                packet.stream = streams[packet.stream.index]
                out.mux(packet)


def tool(name: str) -> str:
    """The path of `ffmpeg` or `ffprobe`; skips the test where it is missing."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed; it is the outside reference of this test")
    return found


def run(*command: str | Path) -> bytes:
    return subprocess.run([str(part) for part in command], check=True, capture_output=True).stdout


def ffprobe_times(path: Path) -> np.ndarray:
    """Times of the frames in seconds from the first, as ffprobe decodes them."""
    text = run(
        *(tool("ffprobe"), "-v", "error", "-select_streams", "v:0", "-show_frames"),
        *("-show_entries", "frame=pts_time,best_effort_timestamp_time", "-of", "json", path),
    )
    times = np.array([float(frame["pts_time"]) for frame in json.loads(text)["frames"]])
    return times - times[0]
