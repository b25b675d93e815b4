"""The library from the command line: `analyze --save`, `library` and `serve`."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING

import click

from repcount.cli_help import plain
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.library import Library

NEEDED = ("sqlalchemy", "alembic", "platformdirs")
_SERVED = (*NEEDED, "fastapi", "uvicorn", "segno", "cryptography")

DATA = click.option(
    "--data", type=click.Path(path_type=Path), help="The library's folder, if not your account's."
)


def demand(modules: tuple[str, ...], what: str) -> None:
    """Raises RepcountError where a package of the extra `web` is missing."""
    missing = [name for name in modules if not _there(name)]
    if missing:
        raise RepcountError(
            f"{what} needs packages that are not installed ({', '.join(missing)}); install them "
            "with: pip install 'repcount[web]'"
        )


def opened(data: Path | None) -> Library:
    """The library, with a sentence where its packages are missing."""
    demand(NEEDED, "the library")
    from repcount.library import Library

    return Library(data)


def save_results(
    data: Path | None, video: Path, out: Path, plan: Path | None, athlete: str | None
) -> str:
    """Put a video and its results into the library; the attempt's id."""
    from repcount.plan import load_plan

    library = opened(data)
    name = athlete or (load_plan(plan).athlete if plan else None)
    return library.add_attempt(
        video,
        video.name,
        athlete_id=library.athlete_named(name) if name else None,
        plan_toml=plan.read_bytes().decode("utf-8-sig") if plan else None,
        results=out,
    )


def _there(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except ValueError:  # it was marked as absent
        return False


@click.group()
def library() -> None:
    """Look after the library that `analyze --save` and `serve` share."""


@library.command("list")
@DATA
def list_(data: Path | None) -> None:
    """List the attempts, the newest first."""
    from repcount.reports.numbers import clock

    kept = opened(data)
    names = {one.id: one.name for one in kept.athletes()}
    for row in kept.attempts():
        who = names.get(row.athlete_id, "") if row.athlete_id else ""
        total = clock(row.total_s) if row.total_s is not None else row.state
        click.echo(plain(f"{row.id}  {total:<10}  {who}  {row.workout or row.file_name}".rstrip()))
    click.echo(f"Library: {plain(kept.folder)}")


@library.command("export")
@click.argument("archive", type=click.Path(path_type=Path))
@DATA
def export(archive: Path, data: Path | None) -> None:
    """Write the whole library into one archive (ZIP)."""
    kept = opened(data)
    from repcount.archive import export_library

    click.echo(f"{export_library(kept, archive)} attempts written to {plain(archive)}")


@library.command("import")
@click.argument("archive", type=click.Path(path_type=Path))
@DATA
def import_(archive: Path, data: Path | None) -> None:
    """Take in an archive, checked whole before; what is there already stays as it is."""
    kept = opened(data)
    from repcount.archive import import_library

    click.echo(f"{import_library(kept, archive)} new attempts taken in from {plain(archive)}")


@library.command("delete")
@click.argument("attempt")
@DATA
def delete(attempt: str, data: Path | None) -> None:
    """Delete an attempt for good: video, tracks, results, links."""
    opened(data).delete(attempt)
    click.echo(f"Deleted {plain(attempt)}.")
