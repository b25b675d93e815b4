"""The list of a heat: who did which video, in which division, after which plan (CSV or TOML).

A CSV file has a header line with the names of `COLUMNS`, in any order; empty cells say nothing. A
TOML file has an [[entry]] table for each athlete with the same names as keys, and may give `plan`
and `division` for all at its top. Or it is the file of athletes that plans are made from, whose
[[athlete]] tables may have these keys too: who has no `video` there is not in the heat. Paths are
relative to the file.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from repcount.errors import ManifestError
from repcount.files import ordinary_bytes
from repcount.heat.rows import Entry
from repcount.wording import hint, listed, near_spelling, shown

ATTEMPT = "attempt.json"
LARGEST_LIST = 5_000_000  # bytes
MOST_ENTRIES = 5000
MOST_LANES = 8
VIDEO_ENDINGS = (".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".mts", ".3gp")
# Findings of one file that are listed at once.
MOST_TOLD = 20

COLUMNS: Mapping[str, str] = {
    "athlete": "name, as the page shows it",
    "video": "the video, or a results folder of one that has been read",
    "lane": "place in the frame from its left, from 1, where several lift in one video",
    "plan": "the plan (TOML) the video is read after and compared with",
    "division": "free text; places are given within it",
    "start_offset_s": "where the start lies on this video's clock, if not by the beep: s or m:s",
    "start_uncertainty_s": "standard deviation of start_offset_s in seconds",
}
_SHARED = ("plan", "division")
_TABLES = ("entry", "athlete")
_EARLIER = "earlier"


@dataclass(frozen=True)
class Listed:
    """A row of the list: who, the video or results folder, and the plan; `where` it stands."""

    entry: Entry
    source: Path
    plan: Path | None
    where: str

    @property
    def is_read(self) -> bool:
        """Whether the source is a results folder (or its attempt.json)."""
        return self.source.is_dir() or self.source.name == ATTEMPT


def load_manifest(path: Path | str, plan: Path | None = None) -> list[Listed]:
    """The rows of a list; `plan` stands where a row names none.

    Raises ManifestError, which tells every wrong line with its number and what is allowed.
    """
    path = Path(path)
    found, wrong = [], []
    for where, row in _rows(path):
        if _EARLIER in row and "video" not in row:  # of a file of athletes
            continue
        try:
            found.append(_listed(path.parent, where, row, plan))
        except ManifestError as error:
            wrong += [f"{where}: {line}" for line in str(error).splitlines()]
    wrong += _clashes(found)
    if wrong:
        _tell(path, wrong)
    if not found:
        raise ManifestError(f"{path}: gives a video for nobody; give {COLUMNS['video']}.")
    return found


@dataclass(frozen=True)
class Member:
    """An athlete of a list: the row with the video or results folder, if there is one, the results
    folders of earlier attempts, and the plan."""

    athlete: str
    listed: Listed | None
    earlier: tuple[Path, ...]
    plan: Path | None


def load_members(path: Path | str, plan: Path | None = None) -> list[Member]:
    """Every athlete of a list, also who has no video in it; `plan` stands where a row names none.

    Raises ManifestError, which tells every wrong line with its number and what is allowed.
    """
    path = Path(path)
    found: list[Member] = []
    wrong = []
    names: dict[str, str] = {}
    for where, row in _rows(path):
        try:
            found.append(_member(path.parent, where, row, plan))
        except ManifestError as error:
            wrong += [f"{where}: {line}" for line in str(error).splitlines()]
            continue
        name = found[-1].athlete
        if name.casefold() in names:
            other = names[name.casefold()]
            wrong.append(f"{where}: {shown(name)} stands in {other} already; give each once.")
        names.setdefault(name.casefold(), where)
    if wrong:
        _tell(path, wrong)
    return found


def _member(home: Path, where: str, row: Mapping[str, Any], plan: Path | None) -> Member:
    """One row of a list of athletes, checked. Raises ManifestError with a line for each finding."""
    earlier, wrong = [], []
    for text in row.get(_EARLIER, []):
        try:
            folder = _path(home, text, "a results folder")
            if not (folder / ATTEMPT).is_file():
                raise ValueError(f"is no folder with {ATTEMPT}; give a results folder")
            earlier.append(folder)
        except ValueError as error:
            wrong.append(f"{_EARLIER} = {shown(text)} {error}.")
    rest = {key: value for key, value in row.items() if key != _EARLIER}
    listed_one = None
    if "video" in rest or _EARLIER not in row:
        listed_one = _listed(home, where, rest, plan)
    name = rest.get("athlete", "")
    if listed_one is None:
        try:
            name = _name(name)
        except ValueError as error:
            wrong.append(f"name = {shown(name)} {error}.")
        try:
            plan = _path(home, rest["plan"], "a plan") if "plan" in rest else plan
        except ValueError as error:
            wrong.append(f"plan = {shown(rest['plan'])} {error}.")
    if wrong:
        raise ManifestError("\n".join(wrong))
    if listed_one is not None:
        return Member(listed_one.entry.athlete, listed_one, tuple(earlier), listed_one.plan)
    return Member(name, None, tuple(earlier), plan)


def _rows(path: Path) -> list[tuple[str, dict[str, Any]]]:
    """The rows of a list, each with where it stands; those of a file of athletes have `earlier`."""
    text = _text(path)
    rows = _toml_rows(path, text) if path.suffix.lower() == ".toml" else _csv_rows(path, text)
    if not rows:
        raise ManifestError(f"{path}: lists nobody; give one row for each athlete.")
    if len(rows) > MOST_ENTRIES:
        raise ManifestError(f"{path}: lists {len(rows)}; at most {MOST_ENTRIES} are allowed.")
    return rows


def list_folder(folder: Path | str, plan: Path | None = None, lanes: int = 1) -> list[Listed]:
    """A row for each video and each results folder in a folder, named after it, in the order of
    their names (2 before 10). A video's plan is a TOML file of the same name, else `plan`.

    With `lanes` over 1 each video has that many rows. Raises ManifestError if there is nothing.
    """
    folder = Path(folder)
    if (folder / ATTEMPT).is_file():
        raise ManifestError(
            f"{folder}: is the results folder of one attempt; give the folder that holds several."
        )
    try:
        items = sorted(folder.iterdir(), key=lambda item: natural(item.name))
    except OSError as error:
        raise ManifestError(f"{folder}: cannot be read ({_reason(error)}); check it.") from error
    found = []
    for item in items:
        if item.name.startswith("."):
            continue
        if (item / ATTEMPT).is_file():
            found.append(Listed(Entry(item.name), item, plan, item.name))
        elif item.is_file() and item.suffix.lower() in VIDEO_ENDINGS:
            own = item.with_suffix(".toml")
            which = own if own.is_file() else plan
            name = re.sub(r"[-_]+", " ", item.stem).strip() or item.stem
            for lane in range(1, lanes + 1):
                many = lanes > 1
                entry = Entry(f"{name}, lane {lane}" if many else name, lane=lane if many else None)
                found.append(Listed(entry, item, which, item.name))
    if not found:
        raise ManifestError(
            f"{folder}: holds no video ({listed(VIDEO_ENDINGS)}) and no results folder (with "
            f"{ATTEMPT}); give a folder that does, or a list."
        )
    return found


def manifest_text(rows: Iterable[Listed], home: Path) -> str:
    """The rows as a CSV list that lies in `home`."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(
            [
                row.entry.athlete,
                _relative(row.source, home),
                row.entry.lane or "",
                _relative(row.plan, home) if row.plan else "",
                row.entry.division,
                "" if row.entry.start_s is None else f"{row.entry.start_s:g}",
                ""
                if row.entry.start_uncertainty_s is None
                else f"{row.entry.start_uncertainty_s:g}",
            ]
        )
    return out.getvalue()


def natural(name: str) -> list[tuple[int, str]]:
    """A key under which 2 stands before 10."""
    parts = re.split(r"(\d+)", name.casefold())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts if part]


def _relative(path: Path, home: Path) -> str:
    try:
        return path.resolve().relative_to(home.resolve()).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def _text(path: Path) -> str:
    try:
        return ordinary_bytes(path, LARGEST_LIST).decode("utf-8-sig")
    except OSError as error:
        raise ManifestError(f"{path}: cannot be read ({_reason(error)}); check it.") from error
    except UnicodeDecodeError as error:
        raise ManifestError(f"{path}: is no UTF-8 text; save it as UTF-8.") from error


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _tell(path: Path, wrong: Sequence[str]) -> None:
    more = len(wrong) - MOST_TOLD
    lines = [f"{path}: {one}" for one in wrong[:MOST_TOLD]]
    if more > 0:
        lines.append(f"{path}: and {more} more.")
    raise ManifestError("\n".join(lines))


def _csv_rows(path: Path, text: str) -> list[tuple[str, dict[str, Any]]]:
    # Spreadsheets of half the world write semicolons.
    head = text.split("\n", 1)[0]
    mark = ";" if head.count(";") > head.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    rows: list[tuple[str, dict[str, Any]]] = []
    names: list[str] = []
    try:
        for cells in reader:
            where = f"line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if not names:
                names = [cell.strip().casefold() for cell in cells]
                _check_names(path, where, names, "a column")
                continue
            if len(cells) > len(names):
                raise ManifestError(
                    f"{path}: {where}: has {len(cells)} cells, the header {len(names)}; put text "
                    "with a comma in quotation marks."
                )
            pairs = zip(names, cells, strict=False)
            rows.append((where, {name: cell.strip() for name, cell in pairs if cell.strip()}))
    except csv.Error as error:
        raise ManifestError(
            f"{path}: line {reader.line_num}: is not valid CSV ({error}); mend the line."
        ) from error
    return rows


def _check_names(path: Path, where: str, names: Sequence[str], what: str) -> None:
    for name in names:
        if name not in COLUMNS:
            raise ManifestError(
                f"{path}: {where}: {shown(name)} is not {what}{hint(name, list(COLUMNS))}; "
                f"allowed are {listed(list(COLUMNS))}."
            )
        if names.count(name) > 1:
            raise ManifestError(f"{path}: {where}: {shown(name)} stands twice; give it once.")
    for name in ("athlete", "video"):
        if name not in names:
            raise ManifestError(f"{path}: {where}: {shown(name)} is missing; it is needed.")


def _toml_rows(path: Path, text: str) -> list[tuple[str, dict[str, Any]]]:
    from repcount.plan.athletes import AthleteTable
    from repcount.plan.findings import toml_data

    data = toml_data(text, str(path), ManifestError)
    lines = text.splitlines()
    allowed = [*_SHARED, *_TABLES]
    for key in data:
        if key not in allowed:
            where = _line_of(lines, key, 0)
            raise ManifestError(
                f"{path}: {where}: {shown(key)} is not a key here{hint(key, allowed)}; allowed are "
                f"{listed(allowed)}."
            )
    shared = {key: data[key] for key in _SHARED if key in data}
    kinds = [kind for kind in _TABLES if kind in data]
    if len(kinds) > 1:
        raise ManifestError(f"{path}: has [[entry]] and [[athlete]] tables; give one kind.")
    kind = kinds[0] if kinds else "entry"
    entries = data.get(kind, [])
    if not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        raise ManifestError(f"{path}: {kind} does not fit; give [[{kind}]] tables.")
    heads = [
        number for number, line in enumerate(lines) if re.match(rf"\s*\[\[\s*{kind}\s*\]\]", line)
    ]
    keys = list(COLUMNS if kind == "entry" else AthleteTable.model_fields)
    rows = []
    for index, entry in enumerate(entries):
        head = heads[index] if index < len(heads) else 0
        for key in entry:
            if key not in keys:
                raise ManifestError(
                    f"{path}: {_line_of(lines, key, head)}: {shown(key)} is not a key of an {kind}"
                    f"{hint(key, keys)}; allowed are {listed(keys)}."
                )
        row = {**shared, **entry}
        rows.append((f"line {head + 1}", row if kind == "entry" else _of_athlete(row)))
    return rows


def _of_athlete(table: Mapping[str, Any]) -> dict[str, Any]:
    """What a heat and a class need of an [[athlete]] table, under their names for it."""
    row = {key: table[key] for key in COLUMNS if key in table}
    if "name" in table:
        row["athlete"] = table["name"]
    earlier = table.get(_EARLIER, [])
    return {**row, _EARLIER: earlier if isinstance(earlier, list) else [earlier]}


def _line_of(lines: Sequence[str], key: str, begin: int) -> str:
    """The line a key stands in, from `begin` on."""
    for number, line in enumerate(lines[begin:], begin + 1):
        if re.match(rf"\s*\[*\s*[\"']?{re.escape(key)}\b", line):
            return f"line {number}"
    return f"line {begin + 1}"


def _listed(home: Path, where: str, row: Mapping[str, Any], plan: Path | None) -> Listed:
    """One row, checked. Raises ManifestError with a line for each finding."""
    wrong = []

    def value(name: str, read: Any) -> Any:
        if name not in row:
            return None
        try:
            return read(row[name])
        except (ValueError, TypeError) as error:
            wrong.append(f"{name} = {shown(row[name])} {error}.")
            return None

    for name in ("athlete", "video"):
        if name not in row:
            wrong.append(f"{name} is missing; give {COLUMNS[name]}.")
    athlete = value("athlete", _name)
    source = value("video", lambda text: _path(home, text, "a video or a results folder"))
    own_plan = value("plan", lambda text: _path(home, text, "a plan"))
    lane = value("lane", _lane)
    start_s = value("start_offset_s", _clock_start)
    uncertainty_s = value("start_uncertainty_s", _moment)
    division = value("division", _name) or ""
    if uncertainty_s is not None and "start_offset_s" not in row:
        wrong.append("start_uncertainty_s says nothing without start_offset_s; give both.")
    if source is not None and source.is_dir() and not (source / ATTEMPT).is_file():
        wrong.append(f"video = {shown(row['video'])} is a folder without {ATTEMPT}.")
    if wrong:
        raise ManifestError("\n".join(wrong))
    entry = Entry(athlete, division, lane, start_s, uncertainty_s)
    return Listed(entry, source, own_plan or plan, where)


def _name(text: Any) -> str:
    if not isinstance(text, str) or not text.strip():
        raise ValueError("is no text; give a name")
    if len(text) > 200:
        raise ValueError("is too long; give at most 200 letters")
    return text.strip()


def _path(home: Path, text: Any, what: str) -> Path:
    if not isinstance(text, str) or "\0" in text:
        raise ValueError(f"is no path; give {what}")
    path = home / text
    if path.exists():
        return path
    try:
        names = [item.name for item in path.parent.iterdir()]
    except OSError:
        raise ValueError(f"is not there; give {what}, relative to the list") from None
    near = near_spelling(path.name, names)
    meant = f" (did you mean {shown(near)}?)" if near else ""
    raise ValueError(f"is not there{meant}; give {what}, relative to the list")


def _lane(value: Any) -> int:
    text = str(value)
    if isinstance(value, bool) or not re.fullmatch(r"\d{1,3}", text):
        raise ValueError(f"is no lane; give a whole number from 1 to {MOST_LANES}")
    if not 1 <= int(text) <= MOST_LANES:
        raise ValueError(f"is no lane; give a whole number from 1 to {MOST_LANES}")
    return int(text)


def _clock_start(value: Any) -> float:
    """A moment; below 0 where the video begins after the clock."""
    text = str(value).strip()
    early = not isinstance(value, bool) and text[:1] in ("-", "\u2212")
    return -_moment(text[1:]) if early else _moment(value)


def _moment(value: Any) -> float:
    match = re.fullmatch(r"(?:(\d{1,3}):)?(\d{1,6}(?:[.,]\d{1,6})?)", str(value).strip())
    if isinstance(value, bool) or not match:
        raise ValueError("is no time; give seconds (83.4) or minutes (1:23.4)")
    return int(match[1] or 0) * 60 + float(match[2].replace(",", "."))


def _clashes(rows: Sequence[Listed]) -> list[str]:
    """Rows that contradict each other."""
    wrong = []
    people: dict[tuple[str, str], str] = {}
    lanes: dict[Path, dict[int | None, str]] = {}
    for row in rows:
        who = (row.entry.athlete.casefold(), row.entry.division.casefold())
        if who in people:
            name = json.dumps(row.entry.athlete, ensure_ascii=False)
            wrong.append(
                f"{row.where}: {name} stands in {people[who]} already; give each athlete once in a "
                "division."
            )
        people.setdefault(who, row.where)
        taken = lanes.setdefault(row.source.resolve(), {})
        lane = row.entry.lane
        if lane in taken or (taken and (lane is None or None in taken)):
            other = taken.get(lane) or next(iter(taken.values()))
            wrong.append(
                f"{row.where}: the same video and lane as in {other}; where several lift in one "
                "video, give each a lane of its own."
            )
        taken.setdefault(lane, row.where)
    return wrong
