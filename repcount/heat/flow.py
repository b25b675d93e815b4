"""From a list with videos to the outcome of each row: what is kept is taken, the rest is read."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from repcount.errors import RepcountError
from repcount.heat.cluster import OnProgress, Where, run_jobs
from repcount.heat.collect import Outcome
from repcount.heat.jobs import WORK, Answer, Job, LaneJob
from repcount.heat.manifest import Listed
from repcount.heat.store import RESULTS, TRACKS, HeatOptions, Store, results_key, tracks_key
from repcount.plan import load_plan
from repcount.video.containers import demand_file


class Stopped(RepcountError):
    """An attempt failed, and the heat was to stop then. What is done is kept."""


@dataclass(frozen=True)
class _Asked:
    """A row that needs a video: the tracks and the reading it comes from (lane 0: all found)."""

    listed: Listed
    sha256: str
    tracks: str
    lanes: int
    reading: LaneJob


@dataclass(frozen=True)
class Progress:
    """How far a heat is: jobs `done` of `total`, and what the last one was."""

    done: int
    total: int
    name: str
    reason: str


def read_heat(
    listed: Sequence[Listed],
    home: Path,
    options: HeatOptions | None = None,
    where: Where | None = None,
    *,
    stop_on_error: bool = False,
    on_read: Callable[[Progress], None] | None = None,
    on_progress: OnProgress | None = None,
    work: str = WORK,
) -> list[Outcome]:
    """The outcome of every row, in the list's order; a video of which lanes are to be found has a
    row for each.

    Finished work is kept in `home` and taken from there the next time. A row that cannot be read
    has its reason. With `stop_on_error` the first such row raises Stopped.
    """
    options, where = options or HeatOptions(), where or Where()
    store = Store(home)
    failed: dict[int, str] = {}
    asked: dict[int, _Asked] = {}
    hashes: dict[Path, str] = {}
    lanes = _lanes(listed, options)
    for index, one in enumerate(listed):
        if one.is_read:
            continue
        try:
            asked[index] = _ask(one, options, lanes[one.source], hashes)
        except RepcountError as error:
            failed[index] = str(error)
            if stop_on_error:
                raise Stopped(f"{one.entry.athlete}: {error}") from error
    reasons = _read_missing(
        list(asked.values()), store, options, where, stop_on_error, on_read, on_progress, work
    )
    outcomes = []
    for index, one in enumerate(listed):
        if one.is_read:
            folder = one.source.parent if one.source.is_file() else one.source
            outcomes.append(Outcome(one, folder))
        elif index in failed:
            outcomes.append(Outcome(one, None, failed[index]))
        else:
            outcomes += _outcomes(asked[index], store, options, reasons)
    return outcomes


def _lanes(listed: Sequence[Listed], options: HeatOptions) -> dict[Path, int]:
    """The number of lanes of each video (0: as many as are found): as the options say, or where a
    list names lanes, as many as it names if it names all from 1 on."""
    named: dict[Path, set[int]] = {}
    for one in listed:
        those = named.setdefault(one.source, set())
        if one.entry.lane is not None:
            those.add(one.entry.lane)
    found = {}
    for source, those in named.items():
        whole = len(those) > 1 and those == set(range(1, max(those) + 1))
        found[source] = options.lanes
        if those and options.lanes == 1:
            found[source] = len(those) if whole else 0
    return found


def _ask(one: Listed, options: HeatOptions, lanes: int, hashes: dict[Path, str]) -> _Asked:
    plan = None if one.plan is None else load_plan(one.plan).model_dump_json()
    if one.source not in hashes:
        demand_file(one.source)  # a device or pipe has no end to hash
        try:
            with one.source.open("rb") as file:
                hashes[one.source] = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RepcountError(f"{one.source.name}: cannot be read ({reason}).") from error
    sha256 = hashes[one.source]
    lane = one.entry.lane
    reading = LaneJob(lane or (1 if lanes == 1 else 0), plan, one.entry.start_s)
    return _Asked(one, sha256, tracks_key(sha256, options, lanes), lanes, reading)


def _read_missing(
    asked: Sequence[_Asked],
    store: Store,
    options: HeatOptions,
    where: Where,
    stop_on_error: bool,
    on_read: Callable[[Progress], None] | None,
    on_progress: OnProgress | None,
    work: str,
) -> dict[str, str]:
    """Read what is not kept. Returns reasons by results key, or tracks key for a whole video."""
    jobs = _jobs(asked, store, options, work)
    reasons: dict[str, str] = {}
    done = 0

    def keep(job: Job, answer: Answer) -> None:
        nonlocal done
        done += 1
        if answer.tracks:
            store.keep(TRACKS, job.tracks_key, answer.tracks)
        lanes = store.lanes(job.tracks_key)
        for key, files in answer.results.items():
            link = [
                path
                for number, path in enumerate(lanes, 1)
                for one in job.readings
                if key == _key(job.tracks_key, number, one, options)
            ]
            store.keep(RESULTS, key, files, link[:1])
        for key, reason in answer.reasons.items():
            reasons[key or job.tracks_key] = _named(job, reason)
        if on_read is not None:
            first = next(iter(answer.reasons.values()), "")
            on_read(Progress(done, len(jobs), job.name, first))
        if stop_on_error and answer.reasons:
            first = _named(job, next(iter(answer.reasons.values())))
            raise Stopped(f"{first} Stopped here; what is done is kept.")

    run_jobs(jobs, where, keep, on_progress)
    return reasons


def _named(job: Job, reason: str) -> str:
    """The reason with the video's name in front, without the folders it or a copy lies in."""
    at = reason.find(f"{job.name}: ")
    return f"{job.name}: {reason}" if at < 0 else reason[at:]


def _jobs(asked: Sequence[_Asked], store: Store, options: HeatOptions, work: str) -> list[Job]:
    """A job for each video of which anything is missing."""
    jobs: dict[str, Job] = {}
    for one in asked:
        known = store.lanes(one.tracks)
        lanes = [one.reading.lane] if one.reading.lane else range(1, len(known) + 1)
        keys = [_key(one.tracks, lane, one.reading, options) for lane in lanes]
        if keys and all(store.results(key) for key in keys):
            continue
        job = jobs.get(one.tracks) or Job(
            video=str(one.listed.source.resolve()),
            name=one.listed.source.name,
            sha256=one.sha256,
            tracks_key=one.tracks,
            lanes=one.lanes,
            options=options,
            readings=(),
            tracks=tuple(path.read_bytes() for path in known),
            work=work,
        )
        if one.reading not in job.readings:
            job = replace(job, readings=(*job.readings, one.reading))
        jobs[one.tracks] = job
    return list(jobs.values())


def _key(tracks: str, lane: int, reading: LaneJob, options: HeatOptions) -> str:
    return results_key(tracks, lane, reading.plan, reading.start_s, options.plate_mm)


def _outcomes(
    one: _Asked, store: Store, options: HeatOptions, reasons: dict[str, str]
) -> list[Outcome]:
    """The outcome of a row, or of each lane found for it."""
    if one.tracks in reasons:
        return [Outcome(one.listed, None, reasons[one.tracks])]
    wanted = one.reading.lane
    lanes = [wanted] if wanted else range(1, len(store.lanes(one.tracks)) + 1)
    found = []
    for lane in lanes:
        listed = one.listed
        if not wanted and len(lanes) > 1:
            entry = replace(listed.entry, athlete=f"{listed.entry.athlete}, lane {lane}", lane=lane)
            listed = replace(listed, entry=entry)
        key = _key(one.tracks, lane, one.reading, options)
        reason = reasons.get(key, "it was not read.")
        folder = store.results(key)
        found.append(Outcome(listed, folder, "" if folder else reason))
    return found
