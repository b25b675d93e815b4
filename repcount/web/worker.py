"""One analysis in a process of its own, confined: the only place where an upload is decoded.

`python -m repcount.web.worker FOLDER VIDEO LONGEST_S RECORDED`, where the last says when it was
filmed (ISO 8601; empty: as the file has it). Prints one JSON object a line: progress, or the error
as a sentence. Limits come before anything that could be fed the file is imported.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from repcount.video.confinement import confine

KEPT = ".tracks-{}.nc"


def kept_name(engine: dict[str, Any]) -> str:
    """The file in which an analysis keeps its tracks until it is done; another version of the
    program or its models has another."""
    text = json.dumps(engine, sort_keys=True)
    return KEPT.format(hashlib.sha256(text.encode()).hexdigest()[:16])


def _say(**words: object) -> None:
    print(json.dumps(words), flush=True)


def main() -> None:
    """Analyse the video in the folder and leave the results there."""
    folder, name, longest_s = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    confine([folder / name], folder)
    from repcount.errors import FootageError, RepcountError
    from repcount.heat.store import engine
    from repcount.library.layout import PLAN_SOURCE, POSTER
    from repcount.pipeline.analyze import Options, analyze
    from repcount.pipeline.results import TRACKS
    from repcount.video.footage import probe
    from repcount.video.playable import write_poster

    said = 0.0

    def progress(fraction: float, left_s: float) -> None:
        nonlocal said
        if time.monotonic() - said > 0.5:
            said = time.monotonic()
            _say(fraction=round(fraction, 4), left_s=round(left_s, 1))

    try:
        length = probe(folder / name).duration_s
        if length > longest_s:
            raise FootageError(
                f"the video lasts {length / 60:.0f} minutes and at most {longest_s / 60:.0f} are "
                "taken; cut it to the attempt."
            )
        with suppress(OSError, RepcountError):  # a page does without
            write_poster(folder / name, folder / POSTER)
        plan = folder / PLAN_SOURCE
        tracks = folder / TRACKS  # of an earlier reading, by another plan
        if not tracks.is_file():
            tracks = folder / kept_name(engine())
        analyze(
            folder / name,
            plan if plan.exists() else None,
            folder,
            Options(recorded_at=sys.argv[4] or None),
            progress=progress,
            kept=tracks,
        )
        for old in folder.glob(KEPT.format("*")):
            old.unlink()
    except RepcountError as error:
        _say(error=str(error).replace(f"{folder}{os.sep}", ""))
        sys.exit(2)
    except MemoryError:
        _say(error="the video needs more memory than an analysis may take; export it smaller.")
        sys.exit(2)


if __name__ == "__main__":
    main()
