"""Where a heat keeps what was expensive, under keys that say what it was made from.

`tracks/KEY/lane-N.nc` are the Tracks of a video's lanes, `results/KEY/` the results folder of one
attempt. A folder appears whole or not at all, so that a run killed at any moment leaves nothing
half-made, and the next does only what is missing.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import repcount
from repcount.errors import RepcountError
from repcount.tracking.model_files import checksums, models_folder

TRACKS, RESULTS = "tracks", "results"
_PART = ".part-"
# Half of SHA-256: two of a million keys agree with a probability of 10^-26.
KEY_LETTERS = 32


@dataclass(frozen=True)
class HeatOptions:
    """How videos are read: `model` and `plate_mm` as for one video; `lanes` athletes in each that
    the list gives no lanes for (0: as many as are found)."""

    model: str = "full"
    plate_mm: float = 450.0
    lanes: int = 1


def engine() -> dict[str, Any]:
    """What the same video and options may give other results with."""
    return {"version": repcount.__version__, "models": checksums(models_folder())}


def tracks_key(video_sha256: str, options: HeatOptions, lanes: int) -> str:
    """Key of the Tracks of a video with so many lanes."""
    return _key({"video": video_sha256, "model": options.model, "lanes": lanes, **engine()})


def results_key(
    tracks: str, lane: int, plan_json: str | None, start_s: float | None, plate_mm: float
) -> str:
    """Key of the results of one lane, read after a plan."""
    return _key([tracks, lane, plan_json, start_s, plate_mm])


def _key(what: Any) -> str:
    text = json.dumps(what, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:KEY_LETTERS]


class Store:
    """Finished work of a heat in its folder. Made by one process at a time."""

    def __init__(self, home: Path) -> None:
        self.home = home
        for kind in (TRACKS, RESULTS):
            for left in (home / kind).glob(f"{_PART}*"):
                shutil.rmtree(left, ignore_errors=True)

    def lanes(self, key: str) -> list[Path]:
        """The tracks files of a video, by lane; empty if there are none."""
        found = (self.home / TRACKS / key).glob("lane-*.nc")
        return sorted(found, key=lambda path: int(path.stem.split("-")[1]))

    def results(self, key: str) -> Path | None:
        """The results folder under a key, if it is there."""
        folder = self.home / RESULTS / key
        return folder if folder.is_dir() else None

    def keep(
        self, kind: str, key: str, files: Mapping[str, bytes], links: Iterable[Path] = ()
    ) -> None:
        """Keep files under a key; `links` are files kept already that shall lie there too, as
        (`tracks.nc`). Raises RepcountError where the disk refuses."""
        target = self.home / kind / key
        if target.is_dir():
            return
        aside = None
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            aside = Path(tempfile.mkdtemp(prefix=_PART, dir=target.parent))
            for name, data in files.items():
                (aside / name).write_bytes(data)
            for path in links:
                _link(path, aside / "tracks.nc")
            aside.chmod(0o755)
            aside.rename(target)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(
                f"{target}: the results cannot be kept ({reason}); check the folder and the disk."
            ) from error
        finally:
            if aside is not None:
                shutil.rmtree(aside, ignore_errors=True)


def _link(path: Path, to: Path) -> None:
    """The same file under another name where the disk can, else a copy."""
    try:
        os.link(path, to)
    except OSError:
        shutil.copyfile(path, to)


def options_as_dict(options: HeatOptions) -> dict[str, Any]:
    """For the heat's provenance."""
    return asdict(options)
