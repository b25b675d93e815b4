"""How files come into being: room looked for first, written aside, then put in place whole; and how
what a person names is read: ordinary files, of no more than may be in them."""

from __future__ import annotations

import errno
import shutil
import stat
import time
from contextlib import suppress
from pathlib import Path

from repcount.errors import StorageError

ASIDE = ".repcount-"  # how the names of files and folders begin that are written aside

LEFT_S = 86_400.0  # what has been aside for so long, a killed command has left


def sweep(folder: Path) -> None:
    """Remove what killed commands have left aside in a folder; it is no loss where that fails."""
    with suppress(OSError):
        for one in folder.glob(f"{ASIDE}*"):
            if one.lstat().st_mtime < time.time() - LEFT_S and one.is_dir():
                shutil.rmtree(one, ignore_errors=True)


def demand_ordinary(path: Path) -> None:
    """Raises OSError, with its reason in words, for what is missing or no ordinary file: devices
    and pipes may have no end."""
    kind = path.stat().st_mode
    if stat.S_ISDIR(kind):
        raise IsADirectoryError(errno.EISDIR, "it is a directory", str(path))
    if not stat.S_ISREG(kind):
        raise OSError(errno.EINVAL, "it is no ordinary file", str(path))


def ordinary_bytes(path: Path, largest: int) -> bytes:
    """What an ordinary file holds. Raises OSError, with its reason in words, for what is none and
    where it holds more than `largest` bytes."""
    demand_ordinary(path)
    with path.open("rb") as file:
        data = file.read(largest + 1)
    if len(data) > largest:
        raise OSError(errno.EINVAL, f"it holds over {largest / 1e6:g} million bytes", str(path))
    return data


def demand_room(folder: Path, needed_bytes: float) -> None:
    """Raises StorageError where the disk of a folder (or of where it will be) has less room."""
    there = folder.absolute()
    while not there.exists():
        there = there.parent
    free = shutil.disk_usage(there).free
    if free < needed_bytes:
        raise StorageError(
            f"{folder}: needs about {needed_bytes / 1e6:.0f} MB and the disk has {free / 1e6:.0f} "
            "MB free; make room and do it again.",
            full=True,
        )
