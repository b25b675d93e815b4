"""`repcount heat`: many attempts judged together. Thin; the work is in `repcount.heat`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from repcount.cli_help import plain
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.heat.records import Heat

LISTS = (".csv", ".toml")
INCOMPLETE = 1  # the exit code where an attempt failed and the heat was made without it


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the heat's files.")
@click.option("--plan", type=click.Path(path_type=Path), help="The plan where the list has none.")
@click.option("--name", help="The heat's name, on its page.")
@click.option(
    "--write-manifest",
    type=click.Path(path_type=Path),
    help="Write the list of what the folder holds (CSV), and stop.",
)
@click.option("--without-names", is_flag=True, help="Numbers for names in all files of the heat.")
@click.option("--json", "as_json", is_flag=True, help="Print the heat as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def heat(
    source: Path,
    out: Path | None,
    plan: Path | None,
    name: str | None,
    write_manifest: Path | None,
    without_names: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Judge many attempts together: a table, a picture of the race, one page.

    SOURCE is a folder with videos or results folders, or a list of them (CSV or TOML). Written
    into --out: heat.html, heat.csv, heat.parquet, heat_reps.parquet, heat_breaks.parquet and
    heat.json. Ends with 1 if an attempt failed.
    """
    from repcount.heat.manifest import list_folder, load_manifest, manifest_text

    is_list = source.suffix.lower() in LISTS and not source.is_dir()
    listed = load_manifest(source, plan) if is_list else list_folder(source, plan)
    if write_manifest is not None:
        _write_new(write_manifest, manifest_text(listed, write_manifest.parent))
        if not quiet:
            click.echo(f"{len(listed)} listed in {plain(write_manifest)}")
        return
    if out is None:
        raise click.UsageError("Give a folder for the heat's files with --out.")
    from repcount.heat.collect import Outcome, collect, write_heat
    from repcount.heat.collect import without_names as hide

    outcomes = [
        Outcome(one, one.source.parent if one.source.is_file() else one.source) for one in listed
    ]
    made = collect(outcomes, name or _name(source), out)
    shown = hide(made) if without_names else made
    write_heat(out, shown)
    if as_json:
        click.echo(json.dumps(shown.model_dump(mode="json"), indent=1, ensure_ascii=False))
    elif not quiet:
        _print(shown)
        click.echo(f"\nWritten to {plain(out)}")
    if any(one.state == "failed" for one in made.attempts):
        raise click.exceptions.Exit(INCOMPLETE)


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
        place = "–" if one.place_in_division is None else str(one.place or one.place_in_division)
        division = f"  {plain(one.division)}" if one.division else ""
        close = " ≈" if one.close else ""
        said = f"  {one.state}: {plain(one.reason)}" if one.state != "read" else ""
        click.echo(f"{place:>4}  {plain(one.athlete):<{wide}}  {one.result}{close}{division}{said}")
    for note in heat.notes:
        click.echo(plain(note))
