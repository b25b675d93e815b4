"""Where the model files lie, and proof that they are the ones that were tested.

An installed package carries them in `repcount/_models`; a checkout has them in `models/` beside the
package. Nothing is ever downloaded.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from repcount.errors import ModelError

PACKAGE = Path(__file__).resolve().parents[1]
CHECKSUMS = "checksums.json"


def models_folder() -> Path:
    """The folder with the model files. Raises ModelError if there is none."""
    for folder in (PACKAGE / "_models", PACKAGE.parent / "models"):
        if (folder / CHECKSUMS).is_file():
            return folder
    raise ModelError(
        f"{PACKAGE}: the model files are missing from this installation; install repcount again."
    )


def model_names() -> list[str]:
    """Names of the model files that belong to this version. Raises ModelError."""
    return sorted(checksums(models_folder()))


def model_path(name: str) -> Path:
    """The path of model file `name` ("pose_full.task"), its SHA-256 checked once per process.

    Raises ModelError if the file is missing, unknown or not the one it should be.
    """
    return verified(models_folder(), name)


def checksums(folder: Path) -> dict[str, str]:
    """File name to SHA-256 (hex) as listed in `folder`. Raises ModelError."""
    path = folder / CHECKSUMS
    try:
        return dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        raise ModelError(f"{path}: cannot be read ({error}); install repcount again.") from error


@cache
def verified(folder: Path, name: str) -> Path:
    """`folder / name`, once its SHA-256 is the listed one. Raises ModelError."""
    listed = checksums(folder)
    if name not in listed:
        raise ModelError(f"{name}: no such model; this version has {', '.join(sorted(listed))}.")
    path = folder / name
    try:
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ModelError(
            f"{path}: the model file cannot be read ({error.strerror}); install repcount again."
        ) from error
    if found != listed[name]:
        raise ModelError(
            f"{path}: the model file is damaged or was replaced (its SHA-256 is {found[:12]}…, not "
            f"{listed[name][:12]}…); install repcount again."
        )
    return path
