"""Open a video from a phone or camera safely: upright frames with their true times, and sound.

A video file is other people's data. What it may be is decided here from its first bytes and said
to the demuxer, so that no playlist, image sequence, network address or file named inside another
file is ever opened. Times come from the time stamps alone, never from a frame number and a rate;
frames are turned upright as the file asks.

Everything here counts time in seconds from the first frame of the file.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from heapq import heappop, heappush
from itertools import chain
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.error import FFmpegError, InvalidDataError
from av.packet import Packet
from av.stream import Disposition
from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Interpolation, VideoReformatter
from av.video.stream import VideoStream

from repcount.errors import FootageError
from repcount.video.containers import MOST_BOXES, claimed_samples, sniff
from repcount.wording.moments import parse_recorded

# What phones and cameras write. Names are FFmpeg's decoders.
# fmt: off
VIDEO_CODECS = frozenset({
    "h264", "hevc", "av1", "libdav1d", "vp8", "libvpx", "vp9", "libvpx-vp9", "mpeg4", "h263",
    "mjpeg", "mpeg2video", "prores", "dvvideo",
})
SOUND_CODECS = frozenset({
    "aac", "ac3", "eac3", "mp2", "mp2float", "mp3", "mp3float", "opus", "libopus", "vorbis", "alac",
    "flac", "amrnb", "amrwb", "libopencore_amrnb", "libopencore_amrwb", "pcm_s16le", "pcm_s16be",
    "pcm_s24le", "pcm_s24be", "pcm_s32le", "pcm_s32be", "pcm_f32le", "pcm_f32be", "pcm_u8",
    "pcm_bluray", "pcm_alaw", "pcm_mulaw", "adpcm_ima_wav", "adpcm_ms",
})
# fmt: on
# Above: larger than any phone's video (8K is 7680 by 4320). Below: an athlete who fills the
# frame is so small that the crossing level of 1 % of the body height is less than a pixel.
MAX_SIDE_PX = 8192
MAX_PIXELS = 8192 * 4608
MIN_SIDE_PX = 100
# A fault in the order of frames moves a time stamp by a few frames; a clock that starts again
# moves it by more than this.
CLOCK_JUMP_S = 0.5
# A gap between two frames this long can hide a whole touch-and-go (a floor rest under 0.5 s).
GAP_S = 0.5
# The slowest of the usual rates is 24000/1001.
LOWEST_RATE_HZ = 23.9
# Sound found this far from where the samples before it end is put at its own time; below it is
# rounding of the container's clock.
SOUND_GAP_S = 0.01
# A heat or an attempt lasts minutes; more is a mistake, or a file made to exhaust the memory.
MAX_DURATION_S = 4 * 3600.0
# Four hours at 240 frames a second; a frame that repeats the one before has some ten bytes (H.264,
# ITU-T H.264 7.3.3: a NAL unit's start, its header, and one skip run).
MOST_FRAMES = int(MAX_DURATION_S * 240)
SMALLEST_FRAME_BYTES = 6

_TRANSFERS = {1: "bt709", 2: "unspecified", 6: "smpte170m", 8: "linear", 13: "srgb", 16: "pq"}
_TRANSFERS |= {14: "bt2020", 15: "bt2020", 18: "hlg"}


@dataclass(frozen=True)
class VideoInfo:
    """What a video file is, found by reading all of it once without decoding.

    `width` and `height` are those of the upright frame. To get it from the coded frame: mirror
    left-right if `mirrored`, then turn by `rotation_deg` (0, 90, 180, 270) counter-clockwise.
    `pixel_aspect` is a pixel's width over its height in the upright frame, 1.0 from every phone;
    where it differs, multiply x by it before measuring slant lengths or angles. `duration_s` runs
    from the first frame to the end of the last, on the file's own clock. `mean_rate_hz` is
    frames over time; `variable_rate` is true if index over mean rate would misplace a frame by
    half a frame or more. `start_offset_s` is the first frame's time stamp in the file. `transfer`
    names the transfer characteristic ("bt709", "hlg", "pq", "unspecified", ...); no tone mapping
    is done. `recorded_at` is when the file says that it was filmed (UTC, ISO 8601), None where it
    says nothing.
    """

    path: str
    sha256: str
    container: str
    codec: str
    pix_fmt: str
    width: int
    height: int
    rotation_deg: int
    mirrored: bool
    pixel_aspect: float
    frames: int
    duration_s: float
    mean_rate_hz: float
    variable_rate: bool
    has_sound: bool
    start_offset_s: float
    transfer: str
    warnings: tuple[str, ...] = ()
    recorded_at: str | None = None


@dataclass
class Frame:
    """One frame. `index` counts the frames of this iteration from 0; `time_s` is seconds from the
    first frame of the file, divided by the slow-motion factor. `scale` is full-resolution pixels
    per pixel of `rgb` and `gray` along the long side (each side is rounded to whole pixels). The
    frames are made when first asked for. Let go of a frame before the next few are read, or the
    decoder's frames pile up; frames of one iteration share their converter, so ask for frames
    from one thread only.
    """

    index: int
    time_s: float
    _frame: VideoFrame = field(repr=False)
    _view: _View = field(repr=False)

    @property
    def width(self) -> int:
        """Width of `rgb` and `gray` in pixels."""
        return self._view.width

    @property
    def height(self) -> int:
        """Height of `rgb` and `gray` in pixels."""
        return self._view.height

    @property
    def scale(self) -> float:
        """Full-resolution pixels per pixel of `rgb` and `gray`."""
        return self._view.scale

    @cached_property
    def rgb(self) -> np.ndarray:
        """(height, width, 3) uint8, upright, C-contiguous."""
        return self._view.convert(self._frame, "rgb24")

    @cached_property
    def planes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Luma (H, W) and both colour differences (H/2, W/2), uint8 in video range (ITU-R BT.601
        and 709: black 16, white 235), upright at full size; an odd last row or column is left
        out."""
        return self._view.planes(self._frame)

    @property
    def colours(self) -> tuple[int, int, int]:
        """Primaries, transfer characteristic and matrix, as numbered by ITU-T H.273."""
        frame = self._frame
        return int(frame.color_primaries), int(frame.color_trc), int(frame.colorspace)

    @cached_property
    def gray(self) -> np.ndarray:
        """(height, width) uint8 luma from 0 black to 255 white, upright, C-contiguous."""
        return self._view.convert(self._frame, "gray")


class _View:
    """Turns decoded frames into upright arrays of one size."""

    def __init__(self, info: VideoInfo, max_side: int | None) -> None:
        long_side = max(info.width, info.height)
        factor = 1.0 if max_side is None else min(1.0, max_side / long_side)
        self.width = max(1, round(info.width * factor))
        self.height = max(1, round(info.height * factor))
        self.scale = long_side / max(self.width, self.height)
        self._turns = info.rotation_deg // 90
        self._mirrored = info.mirrored
        # One converter a format: a change of format would set it up anew for every frame.
        self._converters = {name: VideoReformatter() for name in ("rgb24", "gray", "yuv420p")}

    def convert(self, frame: VideoFrame, pixels: str) -> np.ndarray:
        size = (self.width, self.height) if self._turns % 2 == 0 else (self.height, self.width)
        converted = self._converters[pixels].reformat(
            frame,
            *size,
            format=pixels,
            interpolation=Interpolation.AREA,
            dst_color_range=ColorRange.JPEG,
            threads=1,
        )
        return upright(converted.to_ndarray(), self._turns * 90, self._mirrored)

    def planes(self, frame: VideoFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        if frame.format.name != "yuv420p" or frame.color_range == ColorRange.JPEG:
            frame = self._converters["yuv420p"].reformat(
                frame, format="yuv420p", dst_color_range=ColorRange.MPEG, threads=1
            )
        width, height = frame.width & ~1, frame.height & ~1
        made = []
        for plane, half in zip(frame.planes, (0, 1, 1), strict=True):
            rows = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
            part = rows[: height >> half, : width >> half]
            made.append(upright(part, self._turns * 90, self._mirrored))
        return made[0], made[1], made[2]


def upright(frame: np.ndarray, rotation_deg: int, mirrored: bool) -> np.ndarray:
    """`frame` (H, W) or (H, W, 3) mirrored left-right if asked, then turned counter-clockwise by
    `rotation_deg` (a multiple of 90), as a C-contiguous array."""
    if mirrored:
        frame = frame[:, ::-1]
    return np.ascontiguousarray(np.rot90(frame, rotation_deg // 90))


def orientation(matrix: tuple[int, ...]) -> tuple[int, bool]:
    """(degrees counter-clockwise, mirrored first) that a display matrix asks for.

    `matrix` holds nine numbers in file order (ISO/IEC 14496-12, 6.2.2: a point (x, y) of the coded
    frame, y down, goes to (a x + c y, b x + d y) with a, b, c, d at 0, 1, 3, 4). Angles that are
    no multiple of 90 degrees are taken as the nearest.
    """
    a, b, c, d = matrix[0], matrix[1], matrix[3], matrix[4]
    mirrored = a * d - b * c < 0
    # Where the coded frame's vertical axis goes; mirroring left-right first leaves it alone.
    turns = round(math.degrees(math.atan2(c, d)) / 90)
    return turns % 4 * 90, mirrored


# --- what the file is -----------------------------------------------------------------------------


def declared_bytes(path: Path, container: str) -> int:
    """How long the file says it is, in bytes; 0 where it does not say."""
    end = 0
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        if container == "mov":  # ISO/IEC 14496-12, 4.2: boxes of 32- or 64-bit size, 0 to the end
            for _ in range(MOST_BOXES):
                if end >= size:
                    break
                file.seek(end)
                header = file.read(16)
                length = int.from_bytes(header[:4], "big")
                if length == 1:
                    length = int.from_bytes(header[8:16], "big")
                if length < 8:
                    break
                end += length
        elif container == "avi":  # RIFF chunk: name, 32-bit size
            while end < size:
                file.seek(end)
                header = file.read(8)
                if header[:4] != b"RIFF":
                    break
                end += 8 + int.from_bytes(header[4:8], "little")
        elif container == "matroska":  # RFC 8794: the EBML head, then one segment, sizes as VINT
            for identifier in (b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"):
                file.seek(end)
                if file.read(4) != identifier:
                    return 0
                content, width = _vint(file.read(8))
                if content is None:
                    return 0
                end += 4 + width + content
    return end


def _vint(data: bytes) -> tuple[int | None, int]:
    """(value, bytes used) of an EBML variable-size integer; None if it says "unknown"."""
    if not data or not data[0]:
        return None, 0
    width = 9 - data[0].bit_length()
    value = int.from_bytes(data[:width], "big") - (1 << 7 * width)
    return (None if value == (1 << 7 * width) - 1 else value), width


@contextmanager
def _opened(path: Path, container: str) -> Iterator[InputContainer]:
    """The file, opened as `container` and nothing else. Raises FootageError."""
    options = {
        "protocol_whitelist": "file",
        # FFmpeg tries decoders while it opens a file: only these, none of its hundreds of others.
        "codec_whitelist": ",".join(sorted(VIDEO_CODECS | SOUND_CODECS)),
    }
    if container == "mov":
        options |= {"enable_drefs": "0", "use_absolute_path": "0"}
    try:
        opened = av.open(
            f"file:{path.resolve()}",
            mode="r",
            format=container,
            options=options,
            metadata_errors="ignore",
        )
    except (FFmpegError, OSError, ValueError, MemoryError) as error:
        raise FootageError(
            f"{path}: the video is damaged or cut short and cannot be opened "
            f"({_reason(error)}); copy it again from the phone or camera."
        ) from error
    with opened:
        yield opened


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _video_stream(path: Path, opened: InputContainer) -> VideoStream:
    """The main video stream, ready to decode. Raises FootageError."""
    stream = opened.streams.best("video")
    if not isinstance(stream, VideoStream) or stream.disposition & Disposition.attached_pic:
        raise FootageError(f"{path}: the file has no video stream; give a video file.")
    codec = stream.codec_context.name if stream.codec_context is not None else "an unknown format"
    if codec not in VIDEO_CODECS:
        raise FootageError(
            f"{path}: the video is coded as {codec}, which no phone or camera writes; export it "
            "as H.264 in MP4."
        )
    _check_size(path, stream.codec_context.width, stream.codec_context.height)
    stream.codec_context.options = {"max_pixels": str(MAX_PIXELS)}
    stream.thread_type = "AUTO"
    return stream


def _check_size(path: Path, width: int, height: int) -> None:
    if max(width, height) > MAX_SIDE_PX or width * height > MAX_PIXELS:
        raise FootageError(
            f"{path}: the frame is {width} x {height} pixels, more than {MAX_SIDE_PX} x "
            f"{MAX_PIXELS // MAX_SIDE_PX}; export it smaller."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise FootageError(
            f"{path}: the frame is {width} x {height} pixels; at least {MIN_SIDE_PX} on each "
            "side are needed to see a barbell."
        )


def _check_claims(path: Path, container: str) -> None:
    """Raises FootageError where a file claims more samples than it has bytes: opening it would take
    memory and time without end."""
    if container == "mov" and claimed_samples(path) > path.stat().st_size:
        raise FootageError(
            f"{path}: the file claims more frames than it can hold; copy it again from the phone "
            "or camera."
        )


def probe(path: Path | str) -> VideoInfo:
    """Read what the video is: format, size, orientation, times, sound, and what is wrong with it.

    Reads the whole file once (checksum) and once more (time stamps), and decodes one frame.
    Raises FootageError if it is not a video that can be measured.
    """
    path = Path(path)
    container = sniff(path)
    _check_claims(path, container)
    head = _head(path, container)
    _check_size(path, head.width, head.height)
    width, height, aspect = head.width, head.height, head.pixel_aspect
    if not Fraction(1, 4) <= aspect <= 4:  # nonsense in the head of the file
        aspect = Fraction(1)
    if head.rotation_deg % 180:
        width, height, aspect = height, width, 1 / aspect
    times, last_s, jumps = _time_stamps(path, container, head.first_pts)
    if len(times) < 2:
        raise FootageError(f"{path}: the file holds a single frame; give a video file.")
    mean_rate_hz = (len(times) - 1) / (times[-1] - times[0])
    if np.isnan(last_s):
        last_s = 1 / mean_rate_hz
    duration_s = float(times[-1] + last_s)
    if duration_s > MAX_DURATION_S:
        raise FootageError(
            f"{path}: the video lasts {duration_s / 3600:.1f} hours, at most "
            f"{MAX_DURATION_S / 3600:.0f} can be read; cut out the attempt."
        )
    warnings = ["The video is interlaced; fast movement shows as combs."] if head.interlaced else []
    warnings += _time_warnings(times, jumps, mean_rate_hz)
    if declared_bytes(path, container) > path.stat().st_size:
        part = f"{duration_s:.1f} s"
        if head.claimed_s > duration_s:
            part += f" of {head.claimed_s:.1f} s"
        warnings.append(f"The file is cut short: {part} can be read; copy it again if you can.")
    drift = np.abs(times - np.arange(len(times)) / mean_rate_hz)
    return VideoInfo(
        path=str(path),
        sha256=_sha256(path),
        container=container,
        codec=head.codec,
        pix_fmt=head.pix_fmt,
        width=width,
        height=height,
        rotation_deg=head.rotation_deg,
        mirrored=head.mirrored,
        pixel_aspect=float(aspect),
        frames=len(times),
        duration_s=duration_s,
        mean_rate_hz=float(mean_rate_hz),
        variable_rate=bool(drift.max() >= 0.5 / mean_rate_hz),
        has_sound=head.has_sound,
        start_offset_s=head.start_offset_s,
        transfer=head.transfer,
        warnings=tuple(warnings),
        recorded_at=head.recorded_at,
    )


@dataclass(frozen=True)
class _Head:
    """What the head of a file and its first frame say; width and height before rotation."""

    codec: str
    pix_fmt: str
    transfer: str
    width: int
    height: int
    rotation_deg: int
    mirrored: bool
    pixel_aspect: Fraction
    interlaced: bool
    first_pts: int
    start_offset_s: float
    claimed_s: float
    has_sound: bool
    recorded_at: str | None


def _head(path: Path, container: str) -> _Head:
    with _opened(path, container) as opened:
        stream = _video_stream(path, opened)
        codec = stream.codec_context.name
        first = next(_decoded(opened, stream, []), None)
        if first is None:
            raise FootageError(
                f"{path}: no frame can be decoded ({codec}); copy it again from the phone or "
                "camera."
            )
        first_pts = first.pts or 0
        rotation_deg, mirrored = _orientation(first)
        # A stream must not be asked for anything once its file is closed: PyAV reads freed memory.
        return _Head(
            codec=codec,
            pix_fmt=first.format.name,
            transfer=_TRANSFERS.get(first.color_trc, "other"),
            width=first.width,
            height=first.height,
            rotation_deg=rotation_deg,
            mirrored=mirrored,
            pixel_aspect=stream.sample_aspect_ratio or Fraction(1),
            interlaced=first.interlaced_frame,
            first_pts=first_pts,
            start_offset_s=float(first_pts * (stream.time_base or Fraction(0))),
            claimed_s=_claimed_duration(opened, stream),
            has_sound=_has_sound(opened),
            recorded_at=_recorded(opened, stream),
        )


# Where a container says when it was filmed: QuickTime's own key with its zone, then what FFmpeg
# makes of the head of MP4 and Matroska. A file that was exported again may bear that day.
_RECORDED = ("com.apple.quicktime.creationdate", "creation_time", "date")


def _recorded(opened: InputContainer, stream: VideoStream) -> str | None:
    """When the file says that it was filmed; None where it does not, or says what cannot be."""
    for key in _RECORDED:
        for said in (opened.metadata.get(key), stream.metadata.get(key)):
            with suppress(ValueError):
                if said:
                    return parse_recorded(str(said))
    return None


def _time_warnings(times: np.ndarray, jumps: int, mean_rate_hz: float) -> list[str]:
    """What the time stamps (seconds, rising) say that costs certainty."""
    warnings = []
    if jumps:
        warnings.append(
            f"The clock of the file starts again {jumps} time(s); times after that are counted on."
        )
    if mean_rate_hz < LOWEST_RATE_HZ:
        warnings.append(
            f"The video has {mean_rate_hz:.1f} frames a second; what happens between two of them "
            "is less sure than from a phone's 24 and more."
        )
    spacing = np.diff(times)
    gap = int(np.argmax(spacing))
    if spacing[gap] > GAP_S:
        warnings.append(
            f"No frame between {times[gap]:.2f} s and {times[gap + 1]:.2f} s; what happened "
            "there cannot be read."
        )
    return warnings


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _claimed_duration(opened: InputContainer, stream: VideoStream) -> float:
    """The duration in seconds that the file's head claims, 0 if it claims none."""
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return (opened.duration or 0) / av.time_base


def _orientation(frame: VideoFrame) -> tuple[int, bool]:
    try:
        matrix: Any = frame.side_data.get("DISPLAYMATRIX")
    except ValueError:  # another kind of side data that PyAV has no name for
        return round(frame.rotation / 90) % 4 * 90, False
    if matrix is None:
        return 0, False
    return orientation(tuple(np.frombuffer(bytes(matrix), "<i4").tolist()))


def _time_stamps(path: Path, container: str, first_pts: int) -> tuple[np.ndarray, float, int]:
    """Times of the frames (N,) in seconds from the first, strictly rising; how long the last one
    lasts, NaN if not said; how often the clock starts again. Read from the packets, undecoded."""
    stamps: list[int] = []
    shift, last_dts, jumps, last_pts, lasts = 0, None, 0, -math.inf, 0
    size = path.stat().st_size
    with _opened(path, container) as opened:
        stream = _video_stream(path, opened)
        unit = float(stream.time_base or 0)
        with suppress(FFmpegError):  # if the rest cannot be read, what was read stands
            for packet in _packets(opened, stream):
                stamp = packet.dts if packet.pts is None else packet.pts
                if stamp is None or packet.is_discard:
                    continue
                dts = stamp if packet.dts is None else packet.dts
                if last_dts is not None and (last_dts - dts) * unit > CLOCK_JUMP_S:
                    shift += last_dts - dts + (packet.duration or 0)
                    jumps += 1
                last_dts = dts
                stamps.append(stamp + shift)
                if len(stamps) > MOST_FRAMES or len(stamps) * SMALLEST_FRAME_BYTES > size:
                    raise FootageError(
                        f"{path}: the file claims more frames than can be read; cut out the "
                        "attempt and export it as MP4."
                    )
                if stamp + shift > last_pts:
                    last_pts, lasts = stamp + shift, packet.duration or 0
    times = (np.unique(np.array(stamps, np.int64)) - first_pts) * unit
    return times[times >= 0], lasts * unit if lasts else math.nan, jumps


def _has_sound(opened: InputContainer) -> bool:
    stream = opened.streams.best("audio")
    context = getattr(stream, "codec_context", None)
    return context is not None and context.name in SOUND_CODECS


def _decoded(opened: InputContainer, stream: Any, faults: list[str]) -> Iterator[Any]:
    """All decodable frames of `stream` from where `opened` stands; a fault is noted and stepped
    over."""
    try:
        for packet in _packets(opened, stream):
            try:
                decoded = packet.decode()
            except (FFmpegError, ValueError) as error:
                faults.append(_reason(error))
                continue
            yield from decoded
        return
    except FFmpegError as error:  # the container cannot be read on; the decoder may hold frames
        faults.append(_reason(error))
    try:
        yield from stream.decode(None)
    except FFmpegError as error:
        faults.append(_reason(error))


def _packets(opened: InputContainer, stream: VideoStream | AudioStream) -> Iterator[Packet]:
    """A stream's packets. Raises FFmpegError where the container cannot be read on."""
    try:
        yield from opened.demux(stream)
    except IndexError as error:  # PyAV's, where MPEG-TS begins another stream in the middle
        raise InvalidDataError(0, "its streams change in the middle") from error


def _in_order(frames: Iterable[VideoFrame]) -> Iterator[VideoFrame]:
    """`frames` with the nth smallest time stamp on the nth: AVI stores the times of decoding, so
    where frames were reordered each carries a neighbour's. Coders look at most four ahead."""
    stamps: list[int] = []
    waiting: deque[VideoFrame] = deque()

    def next_one() -> VideoFrame:
        frame = waiting.popleft()
        frame.pts = heappop(stamps) if stamps else None
        return frame

    for frame in frames:
        if frame.pts is not None:
            heappush(stamps, frame.pts)
        waiting.append(frame)
        if len(waiting) > 4:
            yield next_one()
    while waiting:
        yield next_one()


# --- reading it -----------------------------------------------------------------------------------


def open_footage(
    path: Path | str,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    slowed: float = 1.0,
) -> Footage:
    """Open a video, or the part of it from `start_s` to `end_s`, for reading.

    `start_s` and `end_s` are on the file's clock, as a player shows it from the first frame.
    `slowed` is the factor by which the file plays slower than real time (8 for 240 frames a second
    exported at 30): `Frame.time_s` is the file's time divided by it.

    Raises FootageError if the file is not a video that can be measured or the part is empty.
    """
    if not (math.isfinite(slowed) and slowed > 0):
        raise FootageError(f"{path}: the slow-motion factor is {slowed}; give a number above 0.")
    info = probe(path)
    start = 0.0 if start_s is None else max(0.0, start_s)
    end = info.duration_s if end_s is None else min(end_s, info.duration_s)
    if not start < end:
        raise FootageError(
            f"{path}: nothing lies between {start:.2f} s and {end:.2f} s; the video lasts "
            f"{info.duration_s:.2f} s."
        )
    return Footage(info, start_s=start, end_s=end, slowed=slowed)


class Footage:
    """A video being read. `info` is what it is; `warnings` grows while it is read. Each call of
    `frames` or `sound` opens the file anew and reads it once; leaving the `with` block closes
    whatever is still open."""

    def __init__(self, info: VideoInfo, *, start_s: float, end_s: float, slowed: float) -> None:
        self.info = info
        self.start_s = start_s
        self.end_s = end_s
        self.slowed = slowed
        self.warnings: list[str] = list(info.warnings)
        self._path = Path(info.path)
        self._reading: list[Generator[Frame, None, None]] = []

    def __enter__(self) -> Footage:
        return self

    def __exit__(self, *error: object) -> None:
        for reading in self._reading:
            reading.close()
        self._reading.clear()

    def frames(self, rate_hz: float | None = None, max_side: int | None = None) -> Iterator[Frame]:
        """Iterate the frames in order of time, times strictly rising.

        With `rate_hz`, only the frames nearest to a grid of that many a second of real time are
        kept, each at its own true time. With `max_side`, frames are made smaller so that the long
        side has that many pixels; they are never made larger. Memory stays flat as long as the
        caller lets go of frames.

        Raises FootageError if not a single frame can be decoded, ValueError for a rate or a size
        that is not above zero.
        """
        if (rate_hz is not None and not rate_hz > 0) or (max_side is not None and max_side < 1):
            raise ValueError(f"rate_hz {rate_hz} and max_side {max_side} must be above zero")
        reading = self._frames(rate_hz, max_side)
        self._reading.append(reading)
        return reading

    def _frames(self, rate_hz: float | None, max_side: int | None) -> Generator[Frame, None, None]:
        view = _View(self.info, max_side)
        index = 0
        with closing(self._timed()) as frames:
            kept = frames if rate_hz is None else nearest_to_grid(frames, rate_hz)
            for time_s, frame in kept:
                yield Frame(index, time_s, frame, view)
                index += 1
        if not index:
            raise FootageError(
                f"{self._path}: no frame can be decoded between {self.start_s:.2f} s and "
                f"{self.end_s:.2f} s; copy the video again or choose another part."
            )

    def _timed(self) -> Generator[tuple[float, VideoFrame], None, None]:
        """(time in real seconds, frame) from `start_s` to `end_s`, times strictly rising."""
        faults: list[str] = []
        spacing_s = 1 / self.info.mean_rate_hz
        last: float | None = None
        shift_s, unstamped, disorder, resized = 0.0, 0, 0, 0
        size: tuple[int, int] | None = None
        finished = False
        with self._at_start(faults) as (frames, zero, unit):
            for frame in frames:
                if frame.pts is None:
                    time = 0.0 if last is None else last + spacing_s
                    unstamped += 1
                else:
                    time = (frame.pts - zero) * unit + shift_s
                if last is not None and time <= last:
                    if last - time <= CLOCK_JUMP_S:
                        disorder += 1
                        continue
                    shift_s += last + spacing_s - time
                    time = last + spacing_s
                last = time
                if time < self.start_s - 1e-9:
                    continue
                if time > self.end_s:
                    finished = True
                    break
                size = size or (frame.width, frame.height)
                resized += size != (frame.width, frame.height)
                yield time / self.slowed, frame
        if faults:
            self._warn(f"{len(faults)} damaged piece(s) of the video were left out ({faults[0]}).")
        if unstamped:
            self._warn(f"{unstamped} frame(s) have no time stamp; they were spaced evenly.")
        if disorder:
            self._warn(f"{disorder} frame(s) with a repeated or earlier time were left out.")
        if resized:
            self._warn(f"{resized} frame(s) have another size and were stretched to the first.")
        if last is not None and not finished and self.end_s - last > GAP_S + spacing_s:
            self._warn(
                f"The video can be read up to {last:.1f} s of {self.end_s:.1f} s; the rest is "
                "damaged."
            )

    @contextmanager
    def _at_start(self, faults: list[str]) -> Iterator[tuple[Iterator[VideoFrame], int, float]]:
        """Frames from at or before `start_s`, the first frame's time stamp, the clock's unit.

        A seek may land late (index by decoding time, wrong index): it is tried with more and more
        lead, at last from the beginning.
        """
        for lead_s in (1.0, 10.0, math.inf):
            target_s = self.start_s - lead_s
            with _opened(self._path, self.info.container) as opened:
                stream = _video_stream(self._path, opened)
                unit = float(stream.time_base or 0)
                zero = round(self.info.start_offset_s / unit)
                frames = _decoded(opened, stream, faults)
                if target_s > 0:
                    try:
                        opened.seek(zero + int(target_s / unit), stream=stream, backward=True)
                    except FFmpegError:
                        continue
                    first = next(frames, None)
                    if first is None or first.pts is None:
                        faults.clear()
                        continue
                    if (first.pts - zero) * unit > self.start_s:
                        faults.clear()
                        continue
                    frames = chain([first], frames)
                if self.info.container == "avi":
                    frames = _in_order(frames)
                yield frames, zero, unit
                return

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def sound(self, rate_hz: int = 16000) -> tuple[np.ndarray, float]:
        """The sound from `start_s` to `end_s`: (samples (N,) float32 mono about -1..1, the first
        sample's time in seconds on the clock of the frames, so possibly below 0).

        Empty where there is none, where it cannot be decoded, and for a slowed video (its sound is
        stretched or gone).
        """
        nothing = np.zeros(0, np.float32), self.start_s / self.slowed
        if not self.info.has_sound or self.slowed != 1.0:
            return nothing
        faults: list[str] = []
        blocks: list[tuple[float | None, np.ndarray]] = []
        with _opened(self._path, self.info.container) as opened:
            stream = opened.streams.best("audio")
            resampler = AudioResampler(format="flt", layout="mono", rate=rate_hz)
            try:
                for frame in _decoded(opened, stream, faults):
                    blocks += self._resampled(resampler, frame)
                    if blocks and (blocks[-1][0] or 0.0) > self.end_s:
                        break
                blocks += self._resampled(resampler, None)
            except (FFmpegError, ValueError) as error:  # another sample format in mid-stream
                faults.append(_reason(error))
        if faults:
            self._warn(f"{len(faults)} damaged piece(s) of the sound were left out ({faults[0]}).")
        samples, first_s = join_blocks(blocks, rate_hz, self.end_s)
        skip = max(0, math.ceil((self.start_s - first_s) * rate_hz)) if self.start_s > 0 else 0
        return samples[skip:], first_s + skip / rate_hz

    @contextmanager
    def sound_packets(self) -> Iterator[tuple[AudioStream, Iterator[Packet]] | None]:
        """The coded sound, whole: its stream and its packets in order, or None where there is none.
        Time stamps are the file's; the first frame's is `info.start_offset_s`."""
        if not self.info.has_sound:
            yield None
            return
        with _opened(self._path, self.info.container) as opened:
            stream = opened.streams.best("audio")
            assert isinstance(stream, AudioStream)
            yield stream, self._readable(_packets(opened, stream))

    def _readable(self, packets: Iterator[Packet]) -> Iterator[Packet]:
        try:
            yield from (packet for packet in packets if packet.pts is not None)
        except FFmpegError as error:
            self._warn(f"The rest of the sound is damaged and was left out ({_reason(error)}).")

    def _resampled(
        self, resampler: AudioResampler, frame: AudioFrame | None
    ) -> list[tuple[float | None, np.ndarray]]:
        """(time on the frames' clock or None, samples (N,) float32) that `frame` completes."""
        return [
            (
                None if made.time is None else made.time - self.info.start_offset_s,
                made.to_ndarray().reshape(-1),
            )
            for made in resampler.resample(frame)
        ]


def nearest_to_grid(
    timed: Iterable[tuple[float, Any]], rate_hz: float
) -> Iterator[tuple[float, Any]]:
    """Of (time in seconds, thing) pairs in order of time, those nearest to a point of the grid that
    starts at the first time with `rate_hz` points a second. None is kept twice; where times are
    wider apart than the grid, all are kept."""
    zero = before_s = -math.inf
    waiting: tuple[float, Any] | None = None

    def holds_point(low_s: float, high_s: float) -> bool:
        return math.ceil((low_s - zero) * rate_hz) < (high_s - zero) * rate_hz

    for time_s, thing in timed:
        if waiting is None:
            zero = time_s
            before_s = time_s - 0.5 / rate_hz
        else:
            middle_s = (waiting[0] + time_s) / 2
            if holds_point(before_s, middle_s):
                yield waiting
            before_s = middle_s
        waiting = (time_s, thing)
    if waiting is not None and holds_point(before_s, 2 * waiting[0] - before_s):
        yield waiting


def join_blocks(
    blocks: Iterable[tuple[float | None, np.ndarray]], rate_hz: int, end_s: float
) -> tuple[np.ndarray, float]:
    """One run of samples (N,) float32 up to `end_s` and its first sample's time in seconds.

    A block whose time says that sound is missing before it is put at its time, with silence in
    between; what overlaps is left out. Blocks without a time follow the one before.
    """
    first_s: float | None = None
    count, parts = 0, []
    for time_s, samples in blocks:
        if first_s is None:
            first_s = time_s or 0.0
        room = math.floor((end_s - first_s) * rate_hz) + 1 - count
        if room <= 0:
            break
        if time_s is not None:
            gap = round((time_s - first_s) * rate_hz) - count
            if gap > SOUND_GAP_S * rate_hz:
                parts.append(np.zeros(min(gap, room), np.float32))
                count += len(parts[-1])
                room -= len(parts[-1])
            elif gap < -SOUND_GAP_S * rate_hz:
                samples = samples[-gap:]
        parts.append(samples[: max(0, room)].astype(np.float32))
        count += len(parts[-1])
    return (np.concatenate(parts) if parts else np.zeros(0, np.float32)), first_s or 0.0


@contextmanager
def coded_streams(path: Path | str) -> Iterator[tuple[InputContainer, list[Any]]]:
    """A video opened as safely as for reading: its container, and the streams that are read, the
    frames first, then the sound if it can be read. Raises FootageError."""
    path = Path(path)
    with _opened(path, sniff(path)) as opened:
        streams: list[Any] = [_video_stream(path, opened)]
        if _has_sound(opened):
            streams.append(opened.streams.best("audio"))
        yield opened, streams
