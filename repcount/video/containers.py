"""What kind of video a file is, by its first bytes alone: nothing is decoded."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from repcount.errors import FootageError


def sniff(path: Path) -> str:
    """The container format by the first bytes, as FFmpeg's demuxer: mov, matroska, avi or mpegts.

    Raises FootageError for anything that is no regular file or none of these formats.
    """
    demand_file(path)
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        raise _unreadable(path, error) from error
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"uuid"):
        if head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"mif1", b"avif", b"msf1"):
            raise FootageError(f"{path}: this is a photo; give a video file.")
        return "mov"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "matroska"
    if head[:4] == b"RIFF" and head[8:11] == b"AVI":
        return "avi"
    for offset, length in ((0, 188), (4, 192)):  # plain, and with the camera's 4-byte time codes
        syncs = head[offset::length]
        if len(syncs) >= 5 and set(syncs) == {0x47}:
            return "mpegts"
    raise FootageError(
        f"{path}: not a video in a format that phones and cameras write (MP4, MOV, 3GP, MKV, WebM, "
        "AVI, MTS); export it as MP4."
    )


def demand_file(path: Path) -> None:
    """Raises FootageError for what is no ordinary file with something in it (a device has no end)
    or has a name that is no text."""
    try:
        os.fspath(path).encode("utf-8")
    except UnicodeEncodeError as error:
        raise FootageError(f"{path}: its name is no UTF-8 text; rename the file.") from error
    try:
        status = path.stat()
    except FileNotFoundError:
        raise FootageError(f"{path}: no such file; check the path.") from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    if not stat.S_ISREG(status.st_mode):
        kind = "a folder" if stat.S_ISDIR(status.st_mode) else "no ordinary file"
        raise FootageError(f"{path}: this is {kind}; give a video file.")
    if status.st_size == 0:
        raise FootageError(f"{path}: the file is empty; copy it again from the phone or camera.")


def _unreadable(path: Path, error: Exception) -> FootageError:
    reason = getattr(error, "strerror", None) or error
    return FootageError(f"{path}: cannot be read ({reason}); check the file.")


# Boxes of ISO/IEC 14496-12 that hold others on the way to the lists of samples.
_NESTED = frozenset({b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf"})
MOST_BOXES = 200_000  # a recording of four hours in pieces of a second has some 60,000


def claimed_samples(path: Path) -> int:
    """How many samples (frames, pieces of sound) the lists of an MP4 or MOV file claim in all.

    Read from `stsz` and `trun` (ISO/IEC 14496-12, 8.7.3 and 8.8.8): a list that gives one size for
    all claims any number in a few bytes, and who opens the file makes room for each. Raises
    FootageError where the boxes are too many to look through.
    """
    found, seen = 0, 0
    with path.open("rb") as file:
        waiting = [(0, os.fstat(file.fileno()).st_size)]
        while waiting:
            at, end = waiting.pop()
            while at + 8 <= end:
                seen += 1
                if seen > MOST_BOXES:
                    raise FootageError(
                        f"{path}: the file is made of too many parts; export it as MP4."
                    )
                file.seek(at)
                head = file.read(24)
                length, begins = int.from_bytes(head[:4], "big"), 8
                if length == 1:
                    length, begins = int.from_bytes(head[8:16], "big"), 16
                elif length == 0:
                    length = end - at
                if length < begins:
                    break
                kind = head[4:8]
                if kind in _NESTED:
                    waiting.append((at + begins, min(at + length, end)))
                elif kind in (b"stsz", b"trun") and begins == 8:
                    place = 16 if kind == b"stsz" else 12
                    found += int.from_bytes(head[place : place + 4], "big")
                at += length
    return found
