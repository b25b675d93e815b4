"""What is given to the program, by kind. Each kind makes its whole files once (`Kind.prepare`) and
then damages a copy for every seed (`Kind.make`): the words of a command, and how long it may take.
"""

from __future__ import annotations

import hashlib
import io
import json
import random
import shutil
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from repcount.attempt.records import save_record
from repcount.pipeline import results
from repcount.plan import parse_plan
from tests.hostile.values import damage_hdf5, damaged_bytes, damaged_json, damaged_lines
from tests.scripted_reading import SLATE, as_planned

Words = Sequence[str]


@dataclass(frozen=True)
class Kind:
    """A kind of input. `prepare(home)` makes what is whole; `make(home, folder, dice)` damages it
    into `folder` and gives the words of the command; `bound_s` is how long that may take."""

    prepare: Callable[[Path], None]
    make: Callable[[Path, Path, random.Random], Words]
    bound_s: float


def results_folder(folder: Path, film: str = "") -> None:
    """A results folder without tracks, of a video of its own where `film` names one."""
    folder.mkdir(parents=True, exist_ok=True)
    reading = as_planned().reading()
    if film:
        reading.video.sha256 = hashlib.sha256(film.encode()).hexdigest()
    save_record(reading, folder / "reading.json")
    save_record(parse_plan(SLATE), folder / "plan.json")
    results.correct(folder, lambda reading, edits: edits)


# --- tracks ---


def _tracks(home: Path) -> None:
    from repcount.tracking.tracks import save_tracks
    from sample_clips.render.simulate import simulate_tracks
    from sample_clips.render.specs import random_spec

    spec = random_spec(3)
    save_tracks(simulate_tracks(spec.choreography(), spec.camera(), fps=15.0), home / "tracks.nc")


def _tracks_words(home: Path, folder: Path, dice: random.Random) -> Words:
    target = folder / "tracks.nc"
    shutil.copyfile(home / "tracks.nc", target)
    damage_hdf5(target, dice)
    return ["analyze", "--tracks", "tracks.nc", "--out", "out", "--quiet"]


# --- records ---

_RECORDS = ("attempt.json", "comparison.json", "edits.json", "plan.json", "reading.json")
READERS: tuple[Words, ...] = (
    ("next", "out"),
    ("history", "out", "out2"),
    ("forecast", "out", "--plan", "plan.toml"),
    ("class", "out", "out2", "--out", "class"),
    ("correct", "out", "list"),
    ("correct", "out", "note", "seen", "--start", "10"),
    ("correct", "out", "no-rep", "r1", "--why", "short"),
    ("heat", "both", "--out", "heat"),
    ("compare", "out", "--plan", "plan.toml"),
)


def _records(home: Path) -> None:
    results_folder(home / "out")
    results_folder(home / "out2", "again.mp4")
    (home / "plan.toml").write_text(SLATE, encoding="utf-8")


def _record_words(home: Path, folder: Path, dice: random.Random) -> Words:
    shutil.copytree(home / "out", folder / "out")
    shutil.copytree(home / "out2", folder / "out2")
    shutil.copyfile(home / "plan.toml", folder / "plan.toml")
    file = (
        folder / "out" / dice.choice([name for name in _RECORDS if (home / "out" / name).exists()])
    )
    file.write_bytes(damaged_json(file.read_text(encoding="utf-8"), dice))
    words = dice.choice(READERS)
    if words[0] == "heat":
        (folder / "both").mkdir()
        (folder / "out").rename(folder / "both" / "out")
        (folder / "out2").rename(folder / "both" / "out2")
    return words


# --- plans ---

PLANNING: tuple[Words, ...] = (
    ("plan", "plan.toml", "--max", "deadlift=150", "--best", "push press=5x60", "--target", "5:00"),
    ("plan", "plan.toml", "--max", "deadlift=150"),
    ("plan", "plan.toml", "--athletes", "athletes.toml", "--target", "6:00"),
)
_ATHLETES = """
[[athlete]]
name = "Oren Vale"
max = { deadlift = 160, "push press" = 70 }

[[athlete]]
name = "Juna Mirek"
best = { deadlift = "5x100" }
load = "50kg"
"""


def _plans(home: Path) -> None:
    (home / "plan.toml").write_text(SLATE, encoding="utf-8")
    (home / "athletes.toml").write_text(_ATHLETES, encoding="utf-8")


def _plan_words(home: Path, folder: Path, dice: random.Random) -> Words:
    for name in ("plan.toml", "athletes.toml"):
        shutil.copyfile(home / name, folder / name)
    words = dice.choice(PLANNING)
    spoiled = dice.choice(("plan.toml", "athletes.toml")) if "--athletes" in words else "plan.toml"
    file = folder / spoiled
    file.write_bytes(damaged_lines(file.read_text(encoding="utf-8"), dice))
    return [*words, "--out", "planned"] if dice.random() < 0.3 else words


# --- lists of heats ---

_CSV = (
    "athlete,video,lane,division,start_offset_s\nOren Vale,out,,under 40,\nJuna Mirek,out2,,,3.5\n"
)
_TOML = """
plan = "plan.toml"

[[entry]]
athlete = "Oren Vale"
video = "out"

[[entry]]
athlete = "Juna Mirek"
video = "out2"
division = "40 and over"
start_offset_s = "0:03.5"
"""


def _list_words(home: Path, folder: Path, dice: random.Random) -> Words:
    for name in ("out", "out2"):
        (folder / name).symlink_to(home / name)
    shutil.copyfile(home / "plan.toml", folder / "plan.toml")
    name, text = dice.choice((("heat.csv", _CSV), ("heat.toml", _TOML)))
    if dice.random() < 0.2:
        text = text.replace("out2", dice.choice(("/dev/zero", "/dev/null", "/proc/self/mem", "..")))
    (folder / name).write_bytes(damaged_lines(text, dice))
    return ["heat", name, "--out", "heat"]


# --- archives of a library ---


def _archives(home: Path) -> None:
    from repcount.library.archive import export_library
    from repcount.library.store import Library
    from tests.media import write_video

    results_folder(home / "out")
    video = write_video(home / "clip.mp4", [k / 10 for k in range(10)])
    library = Library(home / "data")
    who = library.athlete_named("Oren Vale")
    library.put_plan(SLATE)
    library.add_attempt(video, "clip.mp4", athlete_id=who, plan_toml=SLATE, results=home / "out")
    library.add_attempt(video, "again.mp4", athlete_id=who)
    export_library(library, home / "whole.zip", originals=True)
    library.close()


def _archive_words(home: Path, folder: Path, dice: random.Random) -> Words:
    target = folder / "library.zip"
    if dice.random() < 0.3:
        target.write_bytes(damaged_bytes((home / "whole.zip").read_bytes(), dice))
    else:
        _repacked(home / "whole.zip", target, dice)
    return ["library", "import", "library.zip", "--data", "data"]


def _repacked(whole: Path, target: Path, dice: random.Random) -> None:
    made = io.BytesIO()
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(made, "w") as out:
        names = source.namelist()
        spoiled = "library.json" if dice.random() < 0.5 else dice.choice(names)
        whole_again = dice.random() < 0.7  # the list says of what is spoiled what it is now
        listed = json.loads(source.read("library.json"))
        for name in sorted(names, key=lambda name: name == "library.json"):
            data = source.read(name)
            if name == "library.json" != spoiled and whole_again:
                data = json.dumps(listed).encode()
            if name == spoiled:
                act = dice.random()
                if name.endswith(".json") and act < 0.8:
                    data = damaged_json(data.decode("utf-8"), dice)
                elif act < 0.9:
                    data = damaged_bytes(data, dice)
                else:
                    name = dice.choice(("../up", "/etc/x", "a/b/c", "x" * 300, "library.json/x"))
                if name == spoiled != "library.json":
                    _list_anew(listed, name, data)
            out.writestr(name, data)
    target.write_bytes(made.getvalue())


def _list_anew(listed: dict[str, Any], name: str, data: bytes) -> None:
    home, _, own = name.partition("/")
    for one in [*listed["attempts"], *listed["heats"]]:
        for file in one["files"] if one["id"] == home else ():
            if file["name"] == own:
                file |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


# --- videos ---


def _videos(home: Path) -> None:
    from tests.media import write_video
    from tests.web.mutated import CONTAINERS, piece

    clip = write_video(home / "clip.mp4", [k / 15 for k in range(30)])
    for ending in CONTAINERS:
        (home / f"piece.{ending}").write_bytes(piece(clip, home / f"made.{ending}", 1.0))


def _video_words(home: Path, folder: Path, dice: random.Random) -> Words:
    from tests.web.mutated import CONTAINERS, mutated

    ending = dice.choice(list(CONTAINERS))
    data = mutated((home / f"piece.{ending}").read_bytes(), dice.randrange(2**31))
    (folder / f"clip.{ending}").write_bytes(data)
    return ["analyze", f"clip.{ending}", "--out", "out", "--model", "lite", "--quiet"]


KINDS: dict[str, Kind] = {
    "tracks": Kind(_tracks, _tracks_words, 30),
    "records": Kind(_records, _record_words, 30),
    "plan": Kind(_plans, _plan_words, 30),
    "list": Kind(_records, _list_words, 30),
    "archive": Kind(_archives, _archive_words, 30),
    "video": Kind(_videos, _video_words, 120),
}
