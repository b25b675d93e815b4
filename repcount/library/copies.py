"""The copies of videos that links and exports hand out: without place and device.

Made by `repcount.video.clean_copy` in a process of its own, confined as an analysis is, since it
reads the container and one frame of what was uploaded:
`python -m repcount.library.copies SOURCE TARGET`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from pathlib import Path

from repcount.errors import FootageError, RepcountError, StorageError
from repcount.library.layout import SHARED
from repcount.library.rows import AttemptRow
from repcount.library.store import Library, Missing
from repcount.video.confinement import confine

COMMAND = (sys.executable, "-m", "repcount.library.copies")
COPY_LIMIT_S = 900
SPARE_BYTES = 1_000_000_000  # kept free on the disk
_MORE_BYTES = 64_000_000  # a new container may be larger than the old one, by its tables


class Copies:
    """The copies in a library, each made when it is first asked for, one at a time."""

    def __init__(self, library: Library) -> None:
        self.library = library
        self._one = threading.Lock()
        self._refused: dict[str, str] = {}

    def of(self, row: AttemptRow) -> Path:
        """An attempt's copy. Raises RepcountError where there can be none, and says why."""
        folder = self.library.folder_of(row.id)
        source = folder / row.file_name
        copy = folder / f"{SHARED}{source.suffix}"
        with self._one:
            if copy.is_file():
                return copy
            if not source.is_file():
                raise Missing("there is no such file.")
            if row.id in self._refused:  # whoever has a link asks again and again
                raise FootageError(self._refused[row.id])
            if source.stat().st_size + SPARE_BYTES > shutil.disk_usage(folder).free:
                raise StorageError(
                    "the disk has no room for a copy of this video; delete some.", full=True
                )
            try:
                make_copy(source, copy)
            except FootageError as error:
                self._refused[row.id] = str(error).removeprefix(f"{source}: ")
                raise FootageError(self._refused[row.id]) from error
        return copy


def make_copy(source: Path, target: Path) -> None:
    """Make a copy in a confined process. Raises FootageError where the video allows none,
    RepcountError where the process could not end its work."""
    try:
        done = subprocess.run(
            [*COMMAND, str(source), str(target)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=COPY_LIMIT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise RepcountError(f"{source}: the copy was not made ({error}); try again.") from error
    if done.returncode == 0 and target.is_file():
        return
    try:
        said = str(json.loads(done.stdout[:2000])["error"])
    except (ValueError, KeyError, TypeError):
        raise FootageError(
            f"{source}: the copy without place and device broke off; export the video as H.264 in "
            "MP4."
        ) from None
    raise FootageError(said)


def main() -> None:
    """Make the copy, or say in a sentence why there is none."""
    source, target = Path(sys.argv[1]), Path(sys.argv[2])
    most = source.stat().st_size + _MORE_BYTES
    confine([source], target.parent, file_bytes=most, nice=0)  # a person waits for it
    from repcount.video.clean_copy import write_clean_copy

    try:
        write_clean_copy(source, target)
    except RepcountError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
