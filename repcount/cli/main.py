"""The commands. Thin: what they do lives in `repcount.pipeline.analyze` and the stages.

Heavy modules are imported inside the commands, so that help comes at once.
"""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

import repcount
from repcount.cli.class_ import class_
from repcount.cli.correct import account, correct
from repcount.cli.heat import heat
from repcount.cli.library import DATA, NEEDED, demand, library, save_results, serve
from repcount.cli.next import forecast, history, next_
from repcount.cli.options import (
    CLOCK_START,
    MODEL,
    MOMENT,
    PLATE_MM,
    RECORDED,
    TARGET,
    Commands,
    Printed,
    debug_asked,
    native_silence,
    plain,
    progress_shown,
    show,
)
from repcount.cli.overlay import overlay
from repcount.cli.plan import plan
from repcount.schemas import NAMES

if TYPE_CHECKING:
    from repcount.attempt.records import Attempt


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(repcount.__version__, prog_name="repcount")
@click.option("--debug", is_flag=True, help="Show the traceback of an unexpected error.")
def cli(debug: bool) -> None:
    """Measure barbell cycling for time from one video: reps, breaks, transitions, rounds."""


@cli.command()
@click.argument("video", type=click.Path(path_type=Path), required=False)
@click.option("--plan", type=click.Path(path_type=Path), help="The plan (TOML) to compare with.")
@click.option("--out", type=TARGET, required=True, help="Folder for the results.")
@click.option("--from", "from_s", type=MOMENT, help="Leave out what lies before.")
@click.option("--to", "to_s", type=MOMENT, help="Leave out what lies after.")
@click.option(
    "--slowed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    help="How many times slower than real time the file plays (8: 240 frames a second shown at "
    "30).",
)
@click.option(
    "--start",
    "start_s",
    type=CLOCK_START,
    help="When the clock starts, if not by the beep; below 0 (-4.5) where the video begins late.",
)
@click.option(
    "--recorded",
    "recorded_at",
    type=RECORDED,
    help="When it was filmed (2026-11-28 18:30, or the day), if the file does not say it.",
)
@PLATE_MM
@MODEL
@click.option(
    "--tracks",
    type=click.Path(path_type=Path),
    help="A tracks file made before: read it again without looking at the pixels.",
)
@click.option(
    "--no-stills",
    "stills",
    flag_value=False,
    default=True,
    help="No stills of the video in the report.",
)
@click.option(
    "--blur-faces",
    type=click.Choice(["others", "all"]),
    help="Make faces in these stills unreadable: all but the athlete's, or all.",
)
@click.option("--save", is_flag=True, help="Put video and results into the library too.")
@click.option("--athlete", help="Whose attempt it is, for the library.")
@DATA
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON (no trace).")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def analyze(
    video: Path | None,
    plan: Path | None,
    out: Path,
    tracks: Path | None,
    save: bool,
    athlete: str | None,
    data: Path | None,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Read a video and write the results into a folder.

    Moments are seconds (83.4) or minutes and seconds (1:23.4) on the clock that a player shows.
    Corrections already in the folder are kept and applied.
    """
    if video is None and tracks is None:
        raise click.UsageError("Give a video, or a tracks file with --tracks.")
    if save and video is None:
        raise click.UsageError("Give the video too: --save keeps it in the library.")
    if save:
        demand(NEEDED, "--save")
    from repcount.pipeline.analyze import Options
    from repcount.pipeline.analyze import analyze as run

    with progress_shown(quiet or tracks is not None, debug_asked()) as progress:
        results = run(video, plan, out, Options(**options), progress, tracks=tracks)
    show(results.attempt, results.comparison, as_json=as_json, quiet=quiet)
    if not quiet and not as_json:
        click.echo(f"\nWritten to {plain(out)}")
        _ask_recorded(results.attempt, out)
        if options["blur_faces"]:
            click.echo("Faces may have been missed: check the stills before you show them.")
    if save and video is not None:
        saved = save_results(data, video, out, plan, athlete)
        if not quiet and not as_json:
            click.echo(f"Saved in the library as {saved}")


def _ask_recorded(attempt: Attempt, out: Path) -> None:
    """Ask whoever sits at the terminal when it was filmed, where the file does not say it."""
    if attempt.video.recorded_at is not None or not sys.stdin.isatty():
        return
    from repcount.attempt.edits import append_edit, make_edit
    from repcount.pipeline.results import correct as change

    given = click.prompt(
        "When was it filmed? (2026-11-28 18:30, or the day; Enter: not known)",
        default="",
        show_default=False,
        value_proc=lambda text: RECORDED.convert(text, None, None) if text.strip() else "",
    )
    if given:
        values = {"recorded_at": given}
        change(out, lambda reading, edits: append_edit(
            reading, edits, make_edit(edits, "set_recorded", who=account(), values=values)
        ))  # fmt: skip


@cli.command()
@click.argument("attempt", type=click.Path(path_type=Path))
@click.option("--plan", type=click.Path(path_type=Path), required=True, help="The plan (TOML).")
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
def compare(attempt: Path, plan: Path, as_json: bool) -> None:
    """Set an attempt (attempt.json, or the results folder) beside a plan, and print it.

    The plan must be of the workout that the attempt was read as; breaks and pace may differ.
    Nothing is written.
    """
    from repcount.analysis.compare import compare as run
    from repcount.attempt.records import Attempt, load_record
    from repcount.pipeline.results import ATTEMPT
    from repcount.plan import load_plan

    path = attempt / ATTEMPT if attempt.is_dir() else attempt
    record = load_record(Attempt, path)
    comparison = run(record, load_plan(plan))
    if as_json:
        click.echo(comparison.model_dump_json(indent=1))
    else:
        show(record, comparison)


@cli.command()
@click.argument("name", type=click.Choice(NAMES))
def schema(name: str) -> None:
    """Print the JSON Schema of a file or of what a command prints with --json."""
    from repcount.schemas import schema_of

    click.echo(schema_of(name), nl=False)


@cli.command()
@click.option("--render", is_flag=True, help="Look also at what rendering sample clips needs.")
@click.option("--json", "as_json", is_flag=True, help="Print the checks as JSON.")
def doctor(render: bool, as_json: bool) -> None:
    """Check packages, models, codecs and libraries, and say what to do where something is missing.

    Ends with 1 if anything is missing that reading a video needs.
    """
    from dataclasses import asdict

    from repcount.pipeline.doctor import checks

    with native_silence(debug_asked()):
        found = checks(render=render)
    if as_json:
        click.echo(json.dumps([asdict(check) for check in found], indent=1))
    else:
        for check in found:
            word = "ok" if check.ok else "without" if check.optional else "MISSING"
            click.echo(f"{word:<8} {plain(check.name)}: {plain(check.found)}")
            if not check.ok:
                click.echo(f"{'':<8} {plain(check.advice)}")
    if any(not check.ok and not check.optional for check in found):
        raise click.exceptions.Exit(1)


cli.add_command(heat)
cli.add_command(correct)
for _command in (plan, forecast, next_, class_, history, overlay, library, serve):
    cli.add_command(_command)


def _stop(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt


def main() -> None:
    """The console script: a request to end is heard like Ctrl-C, odd characters never stop it."""
    signal.signal(signal.SIGTERM, _stop)
    # Matrices are small here: more threads only wait for one another, five times as long where
    # other work shares the cores. Read as NumPy is loaded, and by the processes started from here.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:  # closed by whoever started it; no file may get its number
            number = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout = io.TextIOWrapper(
            io.BufferedWriter(Printed()), sys.stdout.encoding, "replace",
            line_buffering=sys.stdout.line_buffering,
        )  # fmt: skip
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="replace")
    cli()


if __name__ == "__main__":
    main()
