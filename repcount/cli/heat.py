"""`repcount heat`: many attempts ranked together. Thin; the work is in `repcount.heat`."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from repcount.cli.library import DATA, NEEDED, demand, save_heat
from repcount.cli.options import (
    MODEL,
    PLATE_MM,
    STOPPED_CODE,
    TARGET,
    Failure,
    debug_asked,
    native_silence,
    plain,
)
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.heat.cluster import Where
    from repcount.heat.collect import Outcome
    from repcount.heat.flow import Progress as HeatProgress
    from repcount.heat.jobs import Job
    from repcount.heat.manifest import Listed
    from repcount.heat.records import Heat
    from repcount.heat.store import HeatOptions

LISTS = (".csv", ".toml")
INCOMPLETE = 1  # the exit code where an attempt failed and the heat was made without it


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--out", type=TARGET, help="Folder for the heat's files.")
@click.option("--plan", type=click.Path(path_type=Path), help="The plan where the list has none.")
@click.option("--name", help="The heat's name, on its page.")
@click.option(
    "--write-manifest",
    type=click.Path(path_type=Path),
    help="Write the list of what the folder holds (CSV), and stop.",
)
@click.option(
    "--lanes",
    default="1",
    show_default=True,
    metavar="NUMBER|auto",
    help="Athletes in each video that the list names no lane of.",
)
@MODEL
@PLATE_MM
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Videos read at once (one for each core)."
)
@click.option(
    "--cores", type=click.IntRange(1, 256), help="Cores for each of them (an equal fraction)."
)
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler whose workers read them.")
@click.option("--send", is_flag=True, help="Send the videos to the workers: no shared folder.")
@click.option(
    "--on-error",
    type=click.Choice(["continue", "stop"]),
    default="continue",
    show_default=True,
    help="What to do when an attempt cannot be read.",
)
@click.option("--without-names", is_flag=True, help="Numbers for names in all files of the heat.")
@click.option("--save", is_flag=True, help="Put the heat's page and tables into the library too.")
@DATA
@click.option("--json", "as_json", is_flag=True, help="Print the heat as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def heat(
    source: Path,
    out: Path | None,
    plan: Path | None,
    name: str | None,
    write_manifest: Path | None,
    lanes: str,
    model: str,
    plate_mm: float,
    workers: int | None,
    cores: int | None,
    scheduler: str | None,
    send: bool,
    on_error: str,
    without_names: bool,
    save: bool,
    data: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Rank many attempts together: a table, a chart of the race, one page.

    SOURCE is a folder with videos or results folders, or a list of them (CSV or TOML). Written
    into --out: heat.html, heat.csv, heat.parquet, heat_reps.parquet, heat_breaks.parquet and
    heat.json; and what was read of the videos, so that the same command does only what is missing
    the next time. Ends with 1 if an attempt failed.
    """
    from repcount.heat.manifest import list_folder, load_manifest, manifest_text

    number = _lanes(lanes)
    is_list = source.suffix.lower() in LISTS and not source.is_dir()
    if write_manifest is not None:
        rows = list_folder(source, plan, max(1, number))
        _write_new(write_manifest, manifest_text(rows, write_manifest.parent))
        if not quiet:
            click.echo(f"{len(rows)} listed in {plain(write_manifest)}")
        return
    if out is None:
        raise click.UsageError("Give a folder for the heat's files with --out.")
    if save:
        demand(NEEDED, "--save")
    listed = load_manifest(source, plan) if is_list else list_folder(source, plan)
    from repcount.heat.cluster import Where
    from repcount.heat.collect import collect, write_heat
    from repcount.heat.collect import without_names as hide
    from repcount.heat.store import HeatOptions, options_as_dict

    options = HeatOptions(model, plate_mm, number)
    where = Where(scheduler, workers, cores, send)
    with _shown(quiet or as_json) as shown:
        outcomes = _read(listed, out, options, where, on_error, shown)
    made = collect(outcomes, name or _name(source), out, options_as_dict(options))
    public = hide(made) if without_names else made
    write_heat(out, public)
    if as_json:
        click.echo(json.dumps(public.model_dump(mode="json"), indent=1, ensure_ascii=False))
    elif not quiet:
        _print(public)
        click.echo(f"\nWritten to {plain(out)}")
    if save:
        saved = save_heat(data, out)
        if not quiet and not as_json:
            click.echo(f"Saved in the library as {saved}")
    if any(one.state == "failed" for one in made.attempts):
        raise click.exceptions.Exit(INCOMPLETE)


def _lanes(text: str) -> int:
    """The number of lanes; 0 for as many as are found."""
    from repcount.heat.manifest import MOST_LANES

    if text == "auto":
        return 0
    if text.isdecimal() and 1 <= int(text) <= MOST_LANES:
        return int(text)
    raise click.BadParameter(
        f"{text!r} is no number from 1 to {MOST_LANES}, nor auto.", param_hint="--lanes"
    )


def _read(
    listed: Sequence[Listed],
    out: Path,
    options: HeatOptions,
    where: Where,
    on_error: str,
    shown: Shown | None,
) -> list[Outcome]:
    """Read what is missing; what was done by the time of Ctrl-C or of an error is kept."""
    from repcount.heat.flow import read_heat

    last: list[HeatProgress] = []

    def done_one(one: HeatProgress) -> None:
        last[:] = [one]
        if shown is not None:
            shown.read(one)

    try:
        return read_heat(
            listed,
            out,
            options,
            where,
            stop_on_error=on_error == "stop",
            on_read=done_one,
            on_progress=None if shown is None else shown.progress,
        )
    except KeyboardInterrupt:
        done = f"{last[0].done} of {last[0].total} videos were" if last else "no video was"
        raise Failure(
            f"stopped; {done} read in this run, and what is done is kept in {plain(out)}. The "
            "same command goes on from there.",
            STOPPED_CODE,
        ) from None


def _name(source: Path) -> str:
    return source.resolve().stem if source.is_file() else source.resolve().name


def _write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet: a list may have been edited by hand."""
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise RepcountError(
            f"{path}: is there already and may have been edited; give another name, or move it."
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise RepcountError(f"{path}: cannot be written ({reason}); check the path.") from error


def _print(heat: Heat) -> None:
    """The ranking, and what is not sure."""
    wide = max([7, *(len(plain(one.athlete)) for one in heat.attempts)])
    for one in heat.attempts:
        place = one.place if one.place is not None else one.place_in_division
        division = f"  {plain(one.division)}" if one.division else ""
        close = " ≈" if one.close else ""
        said = f"  {one.state}: {plain(one.reason)}" if one.state != "read" else ""
        click.echo(
            f"{'–' if place is None else place:>4}  {plain(one.athlete):<{wide}}  "
            f"{one.result}{close}{division}{said}"
        )
    for note in heat.notes:
        click.echo(plain(note))


class Shown:
    """Progress of the whole and of each video: bars on a terminal, a line a video elsewhere."""

    def __init__(self, stream: Any, bars: Any) -> None:
        self._stream, self._bars = stream, bars
        self._tasks: dict[str, Any] = {}
        self._whole = bars.add_task("All videos", total=None, left="") if bars else None
        self._begun = time.monotonic()

    def progress(self, job: Job, fraction: float, left_s: float) -> None:
        """How far one video is."""
        if self._bars is None:
            return
        if job.name not in self._tasks:
            self._tasks[job.name] = self._bars.add_task(plain(job.name), total=1.0, left="")
        left = f"{_minutes(left_s)} left"
        self._bars.update(self._tasks[job.name], completed=fraction, left=left)

    def read(self, one: HeatProgress) -> None:
        """One video more is done."""
        left_s = (time.monotonic() - self._begun) / one.done * (one.total - one.done)
        if self._bars is None:
            how = f"not read: {plain(one.reason)}" if one.reason else "read"
            more = f", about {_minutes(left_s)} to go" if one.done < one.total else ""
            line = f"{one.done} of {one.total}: {plain(one.name)} {how}{more}"
            click.echo(line, file=self._stream)
            return
        if one.name in self._tasks:
            self._bars.remove_task(self._tasks.pop(one.name))
        left = f"{one.done} of {one.total}, {_minutes(left_s)} left"
        self._bars.update(self._whole, total=one.total, completed=one.done, left=left)


@contextmanager
def _shown(quiet: bool) -> Iterator[Shown | None]:
    with native_silence(debug_asked()) as stream:
        if quiet:
            yield None
        elif not stream.isatty():
            yield Shown(stream, None)
        else:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

            columns = (
                TextColumn("{task.description}"),
                BarColumn(),
                TaskProgressColumn(),
                TextColumn("{task.fields[left]}"),
            )
            with Progress(*columns, console=Console(file=stream), transient=True) as bars:
                yield Shown(stream, bars)


def _minutes(seconds: float) -> str:
    return f"{round(seconds) // 60}:{round(seconds) % 60:02d}"
