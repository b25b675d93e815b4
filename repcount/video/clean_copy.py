"""A copy of a video that does not say where and with what it was filmed.

Made of the main video stream and the main sound, packet for packet, nothing coded anew: only they
are put into a new container, which gets no metadata, no other tracks, no chapters and no pictures
beside them. How the frame is turned, when each frame is shown and what an edit list cuts off
stay, and are compared with the original before the copy appears. What cameras and encoders write
between the frames ("user data" of H.264 and HEVC, where AVCHD keeps place, date and make;
application segments of JPEG, where Exif is) is left out too.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from av.bitstream import BitStreamFilterContext
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.stream import Stream

from repcount.errors import FootageError, RepcountError
from repcount.files import ASIDE
from repcount.video.containers import sniff
from repcount.video.footage import VideoInfo, coded_streams, probe

# Muxers by the demuxer's name; the second is tried where the first cannot hold what is inside.
_MUXERS = {
    "mov": ("mp4", "mov"),
    "matroska": ("matroska",),
    "avi": ("avi", "matroska"),
    "mpegts": ("mpegts",),
}
# DV repeats date, shutter and make in every frame, coded along with it.
_NOT_CLEANED = frozenset({"dvvideo"})
# ITU-T H.264 and H.265, D.1: registered and unregistered user data.
_USER_DATA = frozenset({4, 5})
Clean = Callable[[bytes], bytes]
_SEI_UNITS = {"h264": "6", "hevc": "39-40"}
# A container's own clock may be coarser than the original's: Matroska's and AVI's round to it.
_SAME_S = 0.0011


@dataclass(frozen=True)
class _Times:
    """When things are shown, in seconds from the first frame: frames (N,) in order and the
    first sound. `count` frames there are; a transport stream need not give each a time stamp."""

    frames: np.ndarray
    count: int
    sound: float | None


def write_clean_copy(source: Path | str, target: Path | str) -> None:
    """Write the copy in a container of the same kind; it appears whole or not at all.

    Raises FootageError where the video cannot be read or not be copied as it is, RepcountError
    where the disk refuses.
    """
    source, target = Path(source), Path(target)
    before, times = probe(source), _times(source)
    if before.codec in _NOT_CLEANED:
        raise FootageError(
            f"{source}: its frames are DV, which holds date and camera in every one of them; "
            "export it as H.264 in MP4."
        )
    failed: Exception | None = None
    aside: Path | None = None
    try:
        number, name = tempfile.mkstemp(prefix=f"{ASIDE}clean-", dir=target.parent)
        os.close(number)
        aside = Path(name)
        for muxer in _MUXERS[sniff(source)]:
            try:
                _copy(source, aside, muxer)
            except (FFmpegError, ValueError) as error:
                failed = error
                continue
            if _alike(before, probe(aside), times, _times(aside)):
                aside.replace(target)
                return
    except OSError as error:
        if isinstance(error, FFmpegError):
            failed = error
        else:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(
                f"{target}: the copy cannot be written ({reason}); check the folder and the disk."
            ) from error
    finally:
        if aside is not None:
            aside.unlink(missing_ok=True)
    why = f"({failed}) " if failed else ""
    raise FootageError(
        f"{source}: the video cannot be copied without its metadata {why}so that every frame "
        "keeps its time; export it as H.264 in MP4."
    ) from failed


def _copy(source: Path, target: Path, muxer: str) -> None:
    options = {"fflags": "+bitexact"}  # the muxer's own name and random numbers stay out as well
    if muxer in ("mp4", "mov"):
        options["movflags"] = "+faststart"
    with (
        coded_streams(source) as (opened, streams),
        av.open(str(target), "w", format=muxer, container_options=options) as out,
    ):
        made = {one.index: out.add_stream_from_template(one, opaque=True) for one in streams}
        video = streams[0]
        clean = _cleaner(video.codec_context.name, video.codec_context.extradata or b"")
        if video.codec_context.name == "hevc" and video.codec_context.extradata:
            extradata = _clean_hvcc(video.codec_context.extradata)
            made[video.index].codec_context.extradata = extradata
        _copy_packets(opened, out, made, video.index, clean)


def _copy_packets(
    opened: InputContainer,
    out: OutputContainer,
    made: dict[int, Stream],
    video: int,
    clean: Clean | None,
) -> None:
    held: Packet | None = None  # the last frame: what has no time stamp goes along with it
    for packet in _readable(opened.demux(*(opened.streams[index] for index in made))):
        index = packet.stream.index
        if index != video:
            packet.stream = made[index]
            out.mux(packet)
        elif packet.pts is None and packet.dts is None:
            if held is not None:
                held = _with_data(held, bytes(held) + bytes(packet))
        else:
            _mux_frame(out, made[video], held, clean)
            held = packet
    _mux_frame(out, made[video], held, clean)


def _readable(packets: Iterator[Packet]) -> Iterator[Packet]:
    """As far as they can be read: the reading goes no further."""
    with suppress(FFmpegError):
        yield from (packet for packet in packets if packet.size)


def _mux_frame(
    out: OutputContainer, to: Stream, packet: Packet | None, clean: Clean | None
) -> None:
    if packet is None:
        return
    before = bytes(packet)
    data = before if clean is None else clean(before)
    made = [packet]
    if data != before and packet.is_discard:  # cut off, but others may be coded after it
        # a new packet cannot be marked so; this filter keeps the mark and takes all SEI units
        kinds = _SEI_UNITS.get(to.codec_context.name)
        only = kinds and BitStreamFilterContext(f"filter_units=remove_types={kinds}", packet.stream)
        made = only.filter(packet) if only else []
    elif data != before:
        made = [_with_data(packet, data)]
    for one in made:
        one.stream = to
        out.mux(one)


def _with_data(packet: Packet, data: bytes) -> Packet:
    """The packet with other bytes."""
    other = Packet(data)
    other.stream = packet.stream
    other.pts, other.dts, other.time_base = packet.pts, packet.dts, packet.time_base
    other.duration, other.is_keyframe = packet.duration, packet.is_keyframe
    return other


def _times(path: Path) -> _Times:
    frames: list[float] = []
    count, sound = 0, None
    with coded_streams(path) as (opened, streams):
        for packet in _readable(opened.demux(*streams)):
            if packet.is_discard:
                continue
            stamp = packet.dts if packet.pts is None else packet.pts
            at = None if stamp is None else float(stamp * packet.time_base)
            if packet.stream.index != streams[0].index:
                sound = at if sound is None else sound
                continue
            count += 1
            if at is not None:
                frames.append(at)
    first = min(frames, default=0.0)
    shown = np.sort(np.array(frames)) - first
    return _Times(shown, count, None if sound is None else sound - first)


def _alike(before: VideoInfo, after: VideoInfo, was: _Times, now: _Times) -> bool:
    """Whether a copy shows the same frames, turned the same way, at the same times."""
    same = ("codec", "width", "height", "rotation_deg", "mirrored", "has_sound", "transfer")
    if not all(getattr(before, one) == getattr(after, one) for one in same):
        return False
    if was.count != now.count or (was.sound is None) != (now.sound is None):
        return False
    if was.sound is not None and now.sound is not None and abs(was.sound - now.sound) > _SAME_S:
        return False
    if not len(was.frames) or len(now.frames) < len(was.frames):
        return False
    after_s = np.searchsorted(now.frames, was.frames - _SAME_S)
    nearest = now.frames[np.minimum(after_s, len(now.frames) - 1)]
    return bool((np.abs(nearest - was.frames) <= _SAME_S).all())


# --- what is written between the frames ---------------------------------------------------------


def _cleaner(codec: str, extradata: bytes) -> Clean | None:
    """What takes user data out of a coded frame; None where the codec has no place for it."""
    if codec == "mjpeg":
        return _clean_jpeg
    if codec not in ("h264", "hevc"):
        return None
    hevc = codec == "hevc"
    if extradata[:1] == b"\x01":  # ISO/IEC 14496-15: units with their lengths in front
        width = (extradata[21 if hevc else 4] & 3) + 1
        return lambda data: _clean_sized(data, width, hevc)
    return lambda data: _clean_marked(data, hevc)


def _clean_sized(data: bytes, width: int, hevc: bool) -> bytes:
    """Units that each have their length in `width` bytes in front."""
    out, at = bytearray(), 0
    while at + width <= len(data):
        length = int.from_bytes(data[at : at + width], "big")
        unit = data[at + width : at + width + length]
        at += width + length
        kept = clean_unit(unit, hevc)
        if kept:
            out += len(kept).to_bytes(width, "big") + kept
    return bytes(out) + data[at:]


def _clean_marked(data: bytes, hevc: bool) -> bytes:
    """Units with a start code in front (ITU-T H.264 and H.265, annex B)."""
    out = bytearray()
    for number, piece in enumerate(data.split(b"\0\0\1")):
        if number == 0:
            out += piece  # the zero byte that may stand in front of the first start code
            continue
        unit = piece.rstrip(b"\0")
        kept = clean_unit(unit, hevc)
        if kept:
            out += b"\0\0\1" + kept + piece[len(unit) :]
    return bytes(out)


def clean_unit(unit: bytes, hevc: bool) -> bytes:
    """A unit without user data; empty where nothing is left."""
    head = 2 if hevc else 1
    if len(unit) <= head:
        return unit
    kind = unit[0] >> 1 & 0x3F if hevc else unit[0] & 0x1F
    if kind not in ((39, 40) if hevc else (6,)):
        return unit
    payload = _unescaped(unit[head:])
    kept, found, at = bytearray(), False, 0
    while at < len(payload) and payload[at:] != b"\x80":
        start = at
        numbers = []
        for _ in range(2):  # type, then size: each a run of 255s and a last byte
            value = 0
            while at < len(payload) and payload[at] == 255:
                value, at = value + 255, at + 1
            if at >= len(payload):
                return b""  # damaged: nobody misses it
            numbers.append(value + payload[at])
            at += 1
        at += numbers[1]
        if numbers[0] in _USER_DATA:
            found = True
        else:
            kept += payload[start:at]
    if not found:
        return unit
    return unit[:head] + _escaped(bytes(kept) + b"\x80") if kept else b""


def _unescaped(data: bytes) -> bytes:
    """Without the bytes that keep start codes out of a unit."""
    return data.replace(b"\0\0\3", b"\0\0")


def _escaped(data: bytes) -> bytes:
    out, zeros = bytearray(), 0
    for byte in data:
        if zeros >= 2 and byte <= 3:
            out.append(3)
            zeros = 0
        out.append(byte)
        zeros = zeros + 1 if byte == 0 else 0
    return bytes(out)


def _clean_hvcc(data: bytes) -> bytes:
    """The units in a decoder configuration (ISO/IEC 14496-15, 8.3.3.1) without user data."""
    if data[:1] != b"\x01" or len(data) < 23:
        return data
    arrays, at = [], 23
    for _ in range(data[22]):
        kind, many = data[at : at + 1], int.from_bytes(data[at + 1 : at + 3], "big")
        at += 3
        units = []
        for _ in range(many):
            length = int.from_bytes(data[at : at + 2], "big")
            units.append(clean_unit(data[at + 2 : at + 2 + length], True))
            at += 2 + length
        units = [unit for unit in units if unit]
        if units:
            body = b"".join(len(unit).to_bytes(2, "big") + unit for unit in units)
            arrays.append(kind + len(units).to_bytes(2, "big") + body)
    return data[:22] + bytes([len(arrays)]) + b"".join(arrays)


def _clean_jpeg(data: bytes) -> bytes:
    """A JPEG (ITU-T T.81, B.1) without comments and application segments, JFIF's and Adobe's kept:
    they say how its colours are meant."""
    out, at = bytearray(data[:2]), 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        marker = data[at + 1]
        left_out = 0xE1 <= marker <= 0xED or marker in (0xEF, 0xFE)
        if not left_out:
            out += data[at:end]
        at = end
    return bytes(out) + data[at:]
