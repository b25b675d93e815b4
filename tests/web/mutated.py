"""Damaged videos from whole ones, the same for the same seed."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import av

CONTAINERS = {"mp4": "mp4", "mkv": "matroska", "mts": "mpegts"}
# How other files begin: what the extension and the rest of the bytes say is then wrong.
_HEADS = (
    b"\x1a\x45\xdf\xa3\xa3\x42\x86\x81\x01",  # Matroska
    b"RIFF\xff\xff\xff\x7fAVI LIST",
    b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom",
    b"\0\0\0\x01moov",
    b"\x47\x40\0\x10" + b"\xff" * 184 + b"\x47",
)


def piece(clip: Path, to: Path, seconds: float) -> bytes:
    """The beginning of a clip in the container that the ending of `to` names, packets copied."""
    with (
        av.open(str(clip)) as source,
        av.open(str(to), "w", format=CONTAINERS[to.suffix[1:]]) as out,
    ):
        streams = {
            one.index: out.add_stream_from_template(one)
            for one in source.streams
            if one.type in ("video", "audio")
        }
        for packet in source.demux():
            if packet.dts is None or packet.stream.index not in streams:
                continue
            if packet.pts is not None and packet.pts * packet.time_base > seconds:
                continue
            packet.stream = streams[packet.stream.index]
            out.mux(packet)
    return to.read_bytes()


def mutated(data: bytes, seed: int) -> bytes:
    """One of five damages: bytes changed anywhere, or among the first and last (where containers
    keep their tables), the file cut off, its beginning another format's, or a number of four bytes
    in its tables made huge, zero or negative."""
    dice = random.Random(seed)
    out = bytearray(data)
    edge = min(len(out), 4000)
    tables = [*range(8, edge), *range(len(out) - edge, len(out))]
    how = seed % 5
    if how == 0:
        for _ in range(dice.randint(1, max(2, len(out) // 500))):
            out[dice.randrange(len(out))] = dice.randrange(256)
    elif how == 1:
        for _ in range(dice.randint(1, 60)):
            out[dice.choice(tables)] = dice.randrange(256)
    elif how == 2:
        del out[dice.randrange(40, len(out)) :]
    elif how == 3:
        head = dice.choice(_HEADS)
        out[: len(head)] = head
    else:
        for _ in range(dice.randint(1, 6)):
            at = min(dice.choice(tables), len(out) - 4)
            number = dice.choice((0, 1, -1, 2**31 - 1, -(2**31), 65535))
            struct.pack_into(">i", out, at, number)
    return bytes(out)
