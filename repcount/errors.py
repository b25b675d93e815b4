"""Errors a person sees: one clear sentence that says what is wrong, where, and what to do."""

from __future__ import annotations


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
