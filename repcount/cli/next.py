"""After the attempt, from the command line: `next`, `forecast` and `history`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from repcount.cli.options import MOMENT, TARGET, plain
from repcount.cli.plan import CARD_FILE, PLAN_FILE, maxes_of, write_texts
from repcount.errors import PlanError, RepcountError

if TYPE_CHECKING:
    from repcount.analysis.forecast import Filmed
    from repcount.analysis.next_plan import NextPlan

_FOLDERS = click.argument(
    "attempts", metavar="DIR...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
_MAX = click.option("--max", "maxes", multiple=True, metavar="MOVEMENT=LOAD", help="A one-rep max.")
_BEST = click.option(
    "--best", multiple=True, metavar="MOVEMENT=REPSxLOAD", help="A best set of up to 10 reps."
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")


def _print(lines: Sequence[str]) -> None:
    click.echo("\n".join(lines))


@click.command("next")
@_FOLDERS
@click.option(
    "--plan", type=click.Path(path_type=Path), help="The plan of the last, if not in its folder."
)
@click.option("--out", type=TARGET, help="Folder for the new plan.")
@click.option(
    "--video",
    type=click.Path(path_type=Path),
    help="The video of the last attempt, for links, if not in or beside its folder.",
)
@_MAX
@_BEST
@_JSON
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def next_(
    attempts: tuple[Path, ...],
    plan: Path | None,
    out: Path | None,
    video: Path | None,
    maxes: tuple[str, ...],
    best: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Say what lost time in an attempt and what to change, and write the next plan.

    DIR is a results folder; earlier attempts at the same workout may stand before the last. With
    --out: plan.toml, its clock card card.html, and the decision as next.html and next.json, whose
    moments lead into the video. With a max no planned set is longer than the load allows.
    """
    from repcount.analysis.forecast import read_attempts
    from repcount.analysis.next_plan import as_done, decide_next
    from repcount.plan import load_plan

    if video is not None and not video.is_file():
        raise RepcountError(f"{plain(video)} is no file: give the attempt's video with --video")
    filmed = read_attempts(attempts)
    given, asked = load_plan(plan) if plan else None, filmed[-1].attempt.workout
    if given is not None and asked is not None:
        given = given.tested(asked)
    filmed = [*filmed[:-1], _compared(filmed[-1], given)]
    last = filmed[-1]
    known = {}
    if maxes or best:
        known = maxes_of(given or last.plan or as_done(last.attempt, None), maxes, best)
    answer = decide_next(filmed, given, known)
    if out is not None:
        write_texts(out, next_texts(answer, video or video_of(filmed[-1], attempts[-1]), out))
    if as_json:
        click.echo(answer.model_dump_json(indent=1))
    elif not quiet:
        from repcount.reports.after import next_lines

        _print(next_lines(answer))
        if out is not None:
            click.echo(f"\nWritten to {plain(out)}")


def next_texts(answer: NextPlan, video: Path | None, out: Path) -> dict[str, str]:
    """The files of a decision, by their names in the folder `out`."""
    from repcount.reports.after import next_card, next_page, next_toml
    from repcount.reports.card import card_page

    return {
        PLAN_FILE: next_toml(answer),
        CARD_FILE: card_page([next_card(answer)]),
        "next.html": next_page(answer, video, out),
        "next.json": answer.model_dump_json(indent=1) + "\n",
    }


def _compared(last: Filmed, given: object) -> Filmed:
    """The last attempt, compared with the plan given for it."""
    from dataclasses import replace

    from repcount.plan import Plan

    if not isinstance(given, Plan):
        return last
    from repcount.analysis.compare import compare

    return replace(last, comparison=compare(last.attempt, given), plan=given)


def video_of(last: Filmed, path: Path) -> Path | None:
    """Where the attempt's video lies: in its folder or beside it."""
    folder = path if path.is_dir() else path.parent
    name = Path(last.attempt.video.file_name).name
    return next((way for way in (folder / name, folder.parent / name) if way.is_file()), None)


@click.command()
@_FOLDERS
@click.option(
    "--plan",
    type=click.Path(path_type=Path),
    required=True,
    help="The plan (TOML) to forecast; every other is set beside it.",
)
@click.option("--pattern", "patterns", multiple=True, help="Another pattern, for every round.")
@click.option("--breaks", "break_s", type=MOMENT, help="Another length of each break.")
@click.option("--between", "between_s", type=MOMENT, help="Another time between rounds.")
@click.option("--load", help="Another load.")
@_MAX
@_BEST
@_JSON
def forecast(
    attempts: tuple[Path, ...],
    plan: Path,
    patterns: tuple[str, ...],
    break_s: float | None,
    between_s: float | None,
    load: str | None,
    maxes: tuple[str, ...],
    best: tuple[str, ...],
    as_json: bool,
) -> None:
    """Forecast a plan from an athlete's attempts, and rank other patterns beside it.

    The rules' own patterns are always among them. Another length, rest or load is tried with each.
    With a max the sets of those patterns are no longer than the load allows. What lies too far from
    the attempts is not forecast.
    """
    from repcount.analysis.candidates import candidates, kilograms_of
    from repcount.analysis.forecast import rank_plans, read_attempts
    from repcount.plan import load_plan
    from repcount.plan.barbell import parse_weight
    from repcount.plan.propose import Wishes

    base = load_plan(plan)
    filmed = read_attempts(attempts)
    wishes = Wishes(
        maxes=maxes_of(base, maxes, best),
        break_s=break_s,
        between_s=between_s,
        load_kg=None if load is None else parse_weight(load, "the load"),
    )
    try:
        plans = candidates(base, wishes, patterns)
    except PlanError as error:
        raise PlanError(f"{plain(plan)}: {error}") from error
    ranking = rank_plans(filmed, plans, kilograms_of(base, wishes))
    if as_json:
        click.echo(ranking.model_dump_json(indent=1))
        return
    from repcount.reports.after import ranking_lines

    _print(ranking_lines(ranking))


@click.command()
@_FOLDERS
@click.option("--out", type=TARGET, help="Folder for the page.")
@_JSON
def history(attempts: tuple[Path, ...], out: Path | None, as_json: bool) -> None:
    """Set attempts at one workout beside each other, rep for rep.

    Says what changed from the first to the last, and what cannot be compared because it was filmed
    differently. With --out: history.html and history.json.
    """
    from repcount.analysis.forecast import read_attempts
    from repcount.analysis.history import side_by_side
    from repcount.reports.after import history_lines, history_page

    found = side_by_side(read_attempts(attempts))
    if out is not None:
        write_texts(
            out,
            {
                "history.html": history_page(found),
                "history.json": found.model_dump_json(indent=1) + "\n",
            },
        )
    if as_json:
        click.echo(found.model_dump_json(indent=1))
        return
    _print(history_lines(found))
    if out is not None:
        click.echo(f"\nWritten to {plain(out)}")
