"""Who did which attempts: from lists, heats and results folders to the attempts of each athlete.

A class is judged by each athlete's last attempt, beside the earlier ones. They may lie in the
folders of several heats, one an evening, in results folders, or in a list; a name is the same in
all of them, capitals and spaces aside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from repcount.analysis.class_members import Judged, judge
from repcount.analysis.forecast import PLAN, Filmed, read_attempts
from repcount.analysis.season import season
from repcount.attempt.records import load_record
from repcount.errors import ManifestError, RecordError, RepcountError
from repcount.heat.collect import RECORD
from repcount.heat.manifest import ATTEMPT, Member, list_folder, load_members
from repcount.heat.records import Heat
from repcount.plan import Plan, load_plan

LISTS = (".csv", ".toml")


@dataclass
class Gathered:
    """An athlete's results folders in the order given, the newest last; the plan of that one, where
    a list names it; why a newer attempt cannot be judged; and what attempts are called, where it is
    not by their folders."""

    athlete: str
    folders: list[Path] = field(default_factory=list)
    plan: Path | None = None
    reason: str = ""
    called: dict[Path, str] = field(default_factory=dict)

    def attempts(self) -> list[Filmed]:
        """The attempts in these folders. Raises RecordError for what cannot be read."""
        return [
            replace(one, name=self.called.get(folder, one.name))
            for folder, one in zip(self.folders, read_attempts(self.folders), strict=True)
        ]

    def judged(self, given: Plan | None = None) -> Judged:
        """The decision after the last attempt. `given` is its plan where the list names none; what
        cannot be read is the reason why there is no decision."""
        try:
            filmed = self.attempts()
            if self.reason:
                return Judged(self.athlete, season(filmed), reason=self.reason)
            plan = load_plan(self.plan) if self.plan else given
            if plan is not None:
                plan = plan.model_copy(update={"athlete": self.athlete})
            return judge(self.athlete, filmed, plan)
        except RepcountError as error:
            return Judged(self.athlete, season([]), reason=str(error))


@dataclass(frozen=True)
class _Found:
    """An attempt that some source holds."""

    athlete: str
    folder: Path
    video: str = ""


def gather(sources: Sequence[Path]) -> list[Gathered]:
    """Everybody's attempts in lists (CSV or TOML), folders of heats, and results folders or folders
    that hold some. Where there is a list, only who stands in it, in its order.

    Raises ManifestError where a source is none of these, or cannot be read.
    """
    members: list[Member] = []
    found: list[_Found] = []
    for source in sources:
        if source.suffix.lower() in LISTS and not source.is_dir():
            members += load_members(source)
        else:
            found += _in_folder(source)
    if sources and not members and not found:
        raise ManifestError(
            f"{sources[0]}: is a heat that keeps no results; give the results folders that it was "
            "made from, or the list of them."
        )
    if not members:
        members = [Member(one.athlete, None, (), None) for one in found]
    made: dict[str, Gathered] = {}
    for one in members:
        entry = made.setdefault(key_of(one.athlete), Gathered(one.athlete))
        mine = [other for other in found if key_of(other.athlete) == key_of(one.athlete)]
        newest = _listed_folders(one, mine, entry)
        folders = [*one.earlier, *(other.folder for other in mine), *newest]
        entry.folders += [folder for folder in _once(folders) if folder not in entry.folders]
        entry.plan = one.plan or entry.plan
    return list(made.values())


def key_of(name: str) -> str:
    """A name, capitals and spaces aside."""
    return " ".join(name.split()).casefold()


def _listed_folders(one: Member, mine: Sequence[_Found], entry: Gathered) -> list[Path]:
    """The results folder that a list names; a video has to have been read in one of the heats."""
    if one.listed is None:
        return []
    source = one.listed.source
    if one.listed.is_read:
        return [source if source.is_dir() else source.parent]
    if not any(other.video == source.name for other in mine):
        entry.reason = (
            f"{source.name} has not been read: read the list with `repcount heat`, and give its "
            "folder beside the list"
        )
    return []


def _in_folder(folder: Path) -> list[_Found]:
    """The attempts of a heat's folder, of a results folder, or of a folder that holds some."""
    if (folder / RECORD).is_file():
        heat = load_record(Heat, folder / RECORD)
        return [
            _Found(one.athlete, folder / one.results, one.video)
            for one in heat.attempts
            if one.results and (folder / one.results / ATTEMPT).is_file()
        ]
    if (folder / ATTEMPT).is_file():
        return [_Found(_athlete_of(folder), folder)]
    if not folder.exists():
        raise ManifestError(f"{folder}: is not there; give a list, a heat or results folders.")
    rows = [row for row in list_folder(folder) if row.is_read]
    if not rows:
        raise ManifestError(
            f"{folder}: holds videos that have not been read; read them with `repcount heat`."
        )
    return [_Found(_athlete_of(row.source), row.source) for row in rows]


def _athlete_of(folder: Path) -> str:
    """Whose attempt lies in a results folder: as its plan says, else by the folder's name. What
    cannot be read is said when the attempts are read, of this athlete alone."""
    try:
        named = load_record(Plan, folder / PLAN).athlete if (folder / PLAN).exists() else None
    except RecordError:
        named = None
    return named or folder.resolve().name


def _once(folders: Sequence[Path]) -> list[Path]:
    """Folders, each once, at its last place."""
    last = {folder.resolve(): place for place, folder in enumerate(folders)}
    return [one for place, one in enumerate(folders) if last[one.resolve()] == place]
