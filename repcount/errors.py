"""Errors a person sees: one clear sentence that says what is wrong, where, and what to do."""

from __future__ import annotations

import errno


class RepcountError(Exception):
    """Base of every error shown to the user. `str(error)` is the whole sentence.

    The command line prints it and exits with `exit_code`; nothing has been written by then.
    """

    exit_code = 2


class FootageError(RepcountError):
    """The video cannot be read: no video file or stream, empty, absurd size, unsafe container."""


class PlanError(RepcountError):
    """The plan file is not usable: names the key, the value, what is allowed, a near spelling."""


class RecordError(RepcountError):
    """A tracks, reading, edits or attempt file is missing, damaged or of another version."""


class ManifestError(RepcountError):
    """The list of a heat is not usable: a line for each finding, with its number in the file."""


class ModelError(RepcountError):
    """A model file is missing or does not have the checksum it should have."""


class StorageError(RepcountError):
    """The disk or the database refuses: no room (`full`), no permission, a fault of the device."""

    exit_code = 74  # EX_IOERR of sysexits.h

    def __init__(self, sentence: str, *, full: bool = False) -> None:
        super().__init__(sentence)
        self.full = full


_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)


def storage_error(error: OSError) -> StorageError:
    """What the system refuses, where, why and what to do, as an error a person sees."""
    reason = (error.strerror or str(error) or type(error).__name__).lower()
    full = error.errno in _FULL
    what = (
        "make room on the disk"
        if full
        else "check who may write there"
        if error.errno in _FORBIDDEN
        else "check the path and the disk"
    )
    if error.filename is None:
        return StorageError(f"the system refuses ({reason}); {what} and do it again.", full=full)
    return StorageError(f"{error.filename}: {reason}; {what} and do it again.", full=full)
