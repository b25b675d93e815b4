"""The whole library as one archive (ZIP), and back: checked whole before anything is taken in."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from repcount.attempt.records import Attempt, Record, load_record
from repcount.errors import FootageError, RecordError, RepcountError, storage_error
from repcount.files import ASIDE, demand_ordinary, demand_room
from repcount.heat.collect import FILES as HEAT_FILES
from repcount.heat.collect import RECORD
from repcount.heat.records import Heat
from repcount.library.checking import RECORDS
from repcount.library.copies import make_copy
from repcount.library.layout import (
    IMPORT,
    PLACING,
    PLAN_SOURCE,
    VIDEO_NAME,
    clean_name,
    result_files,
)
from repcount.library.rows import (
    AthleteRow,
    AttemptRow,
    HeatRow,
    PlanRow,
    heat_row,
    note_results,
)
from repcount.library.store import Library, add_plan, athlete_in, has_results
from repcount.library.tidying import move_to_trash
from repcount.pipeline.results import (
    ATTEMPT,
    EDITS,
    FILES,
    STILLS,
    settled,
)
from repcount.plan import parse_plan

MANIFEST = "library.json"
LARGEST_MANIFEST = 64_000_000  # bytes
_CHUNK = 1 << 20

Id = Annotated[str, Field(pattern="^[0-9a-f]{16}$")]
Moment = Annotated[int, Field(ge=0, lt=4_102_444_800)]  # Unix seconds, before the year 2100


class _Athlete(Record):
    name: str = Field(min_length=1, max_length=100)
    notes: str


class _Plan(Record):
    toml: str = Field(max_length=1_000_000)
    changed_at: Moment
    kept_after: Id | None = None
    kept_by: str | None = Field(None, max_length=100)


class _File(Record):
    name: str = Field(pattern=rf"^([A-Za-z0-9_.-]{{1,80}}|{STILLS}/[0-9]{{8,12}}\.jpg)$")
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class _Attempt(Record):
    id: Id
    athlete: str | None
    file_name: str = Field(pattern=f"^{VIDEO_NAME.pattern}$")
    plan_toml: str | None
    state: Literal["waiting", "running", "done", "failed", "cancelled"]
    message: str
    created_at: Moment
    files: list[_File]


class _Heat(Record):
    id: Id
    created_at: Moment
    files: list[_File]


class Manifest(Record):
    """What is in the archive. Links, people, passphrases and unfinished uploads stay behind."""

    format: Literal["repcount-library/1"] = "repcount-library/1"
    athletes: list[_Athlete]
    plans: list[_Plan]
    attempts: list[_Attempt]
    heats: list[_Heat] = Field(default_factory=list)


def export_library(library: Library, target: Path, *, originals: bool = False) -> int:
    """Write everything into one archive; how many attempts it holds.

    Videos are copies without place and device, or the `originals`. The file appears whole or not at
    all. Raises RepcountError where the disk refuses, or a video cannot be copied so.
    """
    with library.session() as session:
        people = {one.id: one for one in session.scalars(select(AthleteRow))}
        plans = session.scalars(select(PlanRow)).all()
        rows = session.scalars(select(AttemptRow).order_by(AttemptRow.created_at)).all()
    part = target.with_name(target.name + ".part")
    attempts, heats = [], []
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED) as archive:
            for row in rows:
                packed = _packed_attempt(archive, library, row, originals)
                if packed is not None:
                    person = people.get(row.athlete_id) if row.athlete_id else None
                    packed.athlete = person.name if person else None
                    attempts.append(packed)
            for heat in library.heats():
                files = _all_packed(archive, library.heat_folder(heat.id), HEAT_FILES, heat.id)
                heats.append(_Heat(id=heat.id, created_at=heat.created_at, files=files))
            manifest = Manifest(
                athletes=[_Athlete(name=one.name, notes=one.notes) for one in people.values()],
                plans=[
                    _Plan(
                        toml=one.toml,
                        changed_at=one.changed_at,
                        kept_after=one.kept_after,
                        kept_by=one.kept_by,
                    )
                    for one in plans
                ],
                attempts=attempts,
                heats=heats,
            )
            archive.writestr(MANIFEST, manifest.model_dump_json(indent=1))
        part.replace(target)
    except OSError as error:
        raise RepcountError(
            f"{target}: the archive cannot be written ({error.strerror}); check the folder and "
            "the disk."
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return len(attempts)


def _packed_attempt(
    archive: zipfile.ZipFile, library: Library, row: AttemptRow, originals: bool
) -> _Attempt | None:
    """An attempt's files as one state, also while somebody corrects it; None where it was deleted
    meanwhile."""
    folder = library.folder_of(row.id)
    with settled(folder):
        if not (folder / row.file_name).is_file():
            if row.id in {one.id for one in library.attempts()}:
                raise RecordError(
                    f"the video of attempt {row.id} is missing; see `repcount library check`."
                )
            return None
        files = _all_packed(archive, folder, [*result_files(folder), PLAN_SOURCE], row.id)
        files.append(_packed_video(archive, folder / row.file_name, row.id, originals))
    return _Attempt(
        id=row.id,
        athlete=None,
        file_name=row.file_name,
        plan_toml=row.plan_toml,
        state=row.state,
        message=row.message,
        created_at=row.created_at,
        files=files,
    )


def _all_packed(
    archive: zipfile.ZipFile, folder: Path, names: Iterable[str], inside: str
) -> list[_File]:
    """Those of the files that there are."""
    return [
        _packed(archive, folder / name, f"{inside}/{name}")
        for name in sorted(names)
        if (folder / name).is_file()
    ]


def _packed_video(archive: zipfile.ZipFile, video: Path, inside: str, originals: bool) -> _File:
    name = f"{inside}/{video.name}"
    if originals:
        return _packed(archive, video, name)
    with tempfile.TemporaryDirectory(prefix=ASIDE, dir=video.parent) as aside:
        copy = Path(aside) / video.name
        try:
            make_copy(video, copy)
        except FootageError as error:
            raise FootageError(
                f"{error} Or delete the attempt ({inside}), or give --originals."
            ) from error
        return _packed(archive, copy, name)


def _packed(archive: zipfile.ZipFile, path: Path, inside: str) -> _File:
    digest, size = hashlib.sha256(), 0
    with (
        path.open("rb") as source,
        archive.open(inside, "w", force_zip64=True) as packed,
    ):
        while piece := source.read(_CHUNK):
            digest.update(piece)
            size += len(piece)
            packed.write(piece)
    name = inside.partition("/")[2]
    return _File(name=name, bytes=size, sha256=digest.hexdigest())


def import_library(library: Library, source: Path) -> int:
    """Take in an archive made by `export_library`; how many attempts were new.

    All is checked first: names, sizes, SHA-256, records, plans, room on the disk. Attempts and
    heats that are there already are left as they are. Raises RecordError and takes in nothing if
    anything is wrong.
    """
    with library.alone() as alone:
        if alone:  # else another import may be filling one
            for left in library.folder.glob(f"{IMPORT}*"):
                shutil.rmtree(left, ignore_errors=True)
    with library.saving():
        return _import(library, source)


def _import(library: Library, source: Path) -> int:
    aside = Path(tempfile.mkdtemp(prefix=IMPORT, dir=library.folder))
    try:
        demand_ordinary(source)
        with zipfile.ZipFile(source) as archive:
            manifest = _manifest(archive, source)
            lists = [one.files for one in manifest.attempts] + [one.files for one in manifest.heats]
            demand_room(library.folder, sum(file.bytes for files in lists for file in files))
            for one in manifest.attempts:
                _unpack(archive, one, aside / one.id, source)
                _check_attempt(one, aside / one.id, source)
            for heat in manifest.heats:
                _unpack(archive, heat, aside / heat.id, source)
                load_record(Heat, aside / heat.id / RECORD)
        return _take_in(library, manifest, aside)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, KeyError) as error:
        raise RecordError(
            f"{source}: is not a whole archive of a library ({error}); export it again."
        ) from error
    except OSError as error:
        refused = storage_error(error)
        if refused.full:
            raise refused from error
        raise RecordError(f"{source}: cannot be read ({error.strerror}); check it.") from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _manifest(archive: zipfile.ZipFile, source: Path) -> Manifest:
    if archive.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
        raise RecordError(f"{source}: its list is too large; export the library again.")
    try:
        manifest = Manifest.model_validate_json(archive.read(MANIFEST))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the list"
        raise RecordError(
            f"{source}: {where}: {first['msg']}; export the library again."
        ) from error
    allowed = (*FILES, EDITS, PLAN_SOURCE)
    listed = {MANIFEST}
    for one in manifest.attempts:
        for file in one.files:
            if "/" not in file.name and file.name not in (*allowed, one.file_name):
                raise RecordError(f"{source}: {file.name} is no file of an attempt.")
            listed.add(f"{one.id}/{file.name}")
        if one.plan_toml is not None:
            parse_plan(one.plan_toml, f"{source}: plan of {one.id}")
    for heat in manifest.heats:
        if sorted(file.name for file in heat.files) != sorted(HEAT_FILES):
            raise RecordError(f"{source}: the files of {heat.id} are not those of a heat.")
        listed |= {f"{heat.id}/{file.name}" for file in heat.files}
    for plan in manifest.plans:
        parse_plan(plan.toml, f"{source}: plan")
    names = archive.namelist()
    if len(names) != len(set(names)) or set(names) != listed:
        raise RecordError(f"{source}: holds other files than it lists; export it again.")
    return manifest


def _unpack(archive: zipfile.ZipFile, one: _Attempt | _Heat, folder: Path, source: Path) -> None:
    folder.mkdir()
    for file in one.files:
        (folder / file.name).parent.mkdir(exist_ok=True)
        digest = hashlib.sha256()
        left = file.bytes
        with archive.open(f"{one.id}/{file.name}") as packed, (folder / file.name).open("wb") as to:
            while piece := packed.read(min(_CHUNK, left + 1)):
                left -= len(piece)
                if left < 0:
                    break
                digest.update(piece)
                to.write(piece)
        if left != 0 or digest.hexdigest() != file.sha256:
            raise RecordError(f"{source}: {one.id}/{file.name} is damaged; export it again.")


def _check_attempt(one: _Attempt, folder: Path, source: Path) -> None:
    if not (folder / one.file_name).is_file():
        raise RecordError(f"{source}: the video of {one.id} is missing; export it again.")
    if one.state == "done" and not has_results(folder):
        raise RecordError(f"{source}: the results of {one.id} are not usable; export it again.")
    for name, kind in RECORDS.items():
        if (folder / name).exists():
            try:
                load_record(kind, folder / name)
            except RecordError as error:
                raise RecordError(
                    f"{source}: {name} of {one.id} is not usable; export it again."
                ) from error


def _take_in(library: Library, manifest: Manifest, aside: Path) -> int:
    """Rows and folders in one transaction: all of the archive or nothing."""
    placed: list[tuple[Path, Path]] = []
    try:
        with library.session() as session:
            session.execute(text("BEGIN IMMEDIATE"))
            for person in manifest.athletes:
                athlete_in(session, person.name)
            kept = set(session.scalars(select(PlanRow.toml)))
            for plan in {one.toml: one for one in manifest.plans}.values():
                if plan.toml not in kept:
                    row = session.get_one(PlanRow, add_plan(session, plan.toml))
                    row.kept_after, row.kept_by = plan.kept_after, plan.kept_by
            known = set(session.scalars(select(AttemptRow.id)))
            new = [one for one in manifest.attempts if one.id not in known]
            for one in new:
                place = _make_room_at(library, library.folder_of(one.id))
                _place(aside / one.id, place, placed)
                session.add(_row(session, one, place))
            there = set(session.scalars(select(HeatRow.id)))
            for heat in manifest.heats:
                if heat.id not in there:
                    place = _make_room_at(library, library.heat_folder(heat.id))
                    _place(aside / heat.id, place, placed)
                    record = load_record(Heat, place / RECORD)
                    session.add(heat_row(heat.id, record, heat.created_at))
    except BaseException:
        for source, place in placed:
            if place.exists() and not source.exists():
                place.replace(source)
        raise
    for _, place in placed:
        (place / PLACING).unlink(missing_ok=True)
    return len(new)


def _place(source: Path, place: Path, placed: list[tuple[Path, Path]]) -> None:
    """Move a folder into its place, with the mark that says that its row is not sure yet."""
    (source / PLACING).touch()
    placed.append((source, place))
    source.replace(place)


def _row(session: Session, one: _Attempt, folder: Path) -> AttemptRow:
    """The row of an attempt whose files lie in their place."""
    row = AttemptRow(
        id=one.id,
        athlete_id=athlete_in(session, one.athlete) if one.athlete else None,
        file_name=clean_name(one.file_name, Path(one.file_name).suffix),
        plan_toml=one.plan_toml,
        state="waiting" if one.state == "running" else one.state,
        workout=parse_plan(one.plan_toml).workout.name if one.plan_toml else "",
        message=one.message,
        created_at=one.created_at,
    )
    if one.state == "done":
        note_results(row, load_record(Attempt, folder / ATTEMPT), folder)
    return row


def _make_room_at(library: Library, folder: Path) -> Path:
    """The place of a folder that no row names; one that lies there goes into the trash."""
    if folder.exists():
        move_to_trash(library, folder)
    return folder
