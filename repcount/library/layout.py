"""How a library's folder is laid out: what its files and folders are called."""

from __future__ import annotations

import re
from pathlib import Path

from repcount.pipeline.results import EDITS, FILES, STILLS

DATABASE, LOCK = "library.sqlite", "library.lock"
ATTEMPTS, HEATS, UPLOADS = FOLDERS = ("attempts", "heats", "uploads")
PLAN_SOURCE = "plan.toml"
ID, UPLOAD_ID = re.compile(r"[0-9a-f]{16}"), re.compile(r"[0-9a-f]{32}")
SHARED = ".shared"  # and an ending: an attempt's video as its links hand it out
# an attempt's video as every browser can show it, and a picture of it
PLAYABLE, POSTER = ".playable.mp4", ".poster.jpg"
# an attempt's video with the reading drawn in, by what it was drawn from; that one is asked for
OVERLAY, OVERLAY_ASKED = ".overlay-{}.mp4", ".overlay-asked"
# How names of folders begin that are on their way into the library, and out of it
NEW, GONE, IMPORT = ".new-", ".gone-", ".import-"
PLACING = ".placing"  # stands in a folder with its own name until its row is sure to be there
# What files of a container are called; the first where a name has another ending.
ENDINGS = {
    "mov": (".mp4", ".mov", ".m4v", ".qt", ".3gp", ".3g2"),
    "matroska": (".mkv", ".webm"),
    "avi": (".avi",),
    "mpegts": (".mts", ".m2ts", ".ts"),
}
_ANY = "|".join(one.removeprefix(".") for endings in ENDINGS.values() for one in endings)
# what `clean_name` gives videos; their ending keeps its capitals
VIDEO_NAME = re.compile(rf"[A-Za-z0-9_-]{{1,60}}\.(?i:{_ANY})")


def default_folder() -> Path:
    """The data folder of this account, as the platform has it."""
    from platformdirs import user_data_path

    return user_data_path("repcount", appauthor=False)


def result_files(folder: Path) -> list[str]:
    """The names of the results that lie in a folder, stills as `stills/NAME`."""
    stills = [f"{STILLS}/{path.name}" for path in sorted((folder / STILLS).glob("*.jpg"))]
    return [one for one in (*FILES, EDITS, *stills) if (folder / one).is_file()]


def clean_name(name: str, ending: str) -> str:
    """A file name that is safe on a disk and in an address: letters, digits, dot, dash, line."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", Path(name.replace("\\", "/")).stem).strip("-_")[:60]
    return (stem or "video") + ending
