"""The sound of a video for a new MP4 beside its new picture, on the picture's clock."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from fractions import Fraction
from typing import Any

from av.audio.resampler import AudioResampler
from av.error import FFmpegError

from repcount.video.footage import Footage


class SoundTrack:
    """The sound as (time in the file, packet) for the new file: copied where it is AAC, which MP4
    holds and every player knows, else coded anew."""

    def __init__(self, out: Any, footage: Footage) -> None:
        self.out, self.footage = out, footage
        self._open = footage.sound_packets()

    def __enter__(self) -> Iterator[tuple[float, Any]]:
        found = self._open.__enter__()
        if found is None:
            return iter(())
        stream, packets = found
        if stream.codec_context.name == "aac" and stream.codec_context.extradata:
            copied = self.out.add_stream_from_template(stream)
            return self._copied(stream, copied, packets)
        coded = self.out.add_stream("aac", rate=48_000)
        coded.codec_context.layout = "stereo"
        return self._coded(coded, packets)

    def __exit__(self, *error: Any) -> None:
        self._open.__exit__(*error)

    def _copied(self, stream: Any, copied: Any, packets: Any) -> Iterator[tuple[float, Any]]:
        zero = round(self.footage.info.start_offset_s / float(stream.time_base))
        for packet in packets:
            packet.pts -= zero
            packet.dts = packet.pts if packet.dts is None else packet.dts - zero
            if packet.pts < 0:
                continue
            at = float(packet.pts * stream.time_base)
            packet.stream = copied
            yield at, packet

    def _coded(self, coded: Any, packets: Any) -> Iterator[tuple[float, Any]]:
        resampler = AudioResampler(format="fltp", layout="stereo", rate=48_000, frame_size=1024)
        zero = self.footage.info.start_offset_s

        def frames() -> Iterator[Any]:
            for packet in packets:
                with suppress(FFmpegError, ValueError):
                    for frame in packet.decode():
                        yield from resampler.resample(frame)
            yield from resampler.resample(None)

        for frame in frames():
            at = (frame.time or 0.0) - zero
            if at < 0:
                continue
            frame.pts, frame.time_base = round(at * 48_000), Fraction(1, 48_000)
            for made in coded.encode(frame):
                yield float(made.pts * made.time_base), made
        for made in coded.encode(None):
            yield float(made.pts * made.time_base), made
