"""A class from the command line: `repcount class`. Thin; the work is in the rooms it calls."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from repcount.cli.library import DATA, opened
from repcount.cli.next import next_texts, video_of
from repcount.cli.options import TARGET, plain
from repcount.cli.plan import CARDS_FILE, write_texts
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.analysis.class_members import Judged
    from repcount.heat.gathering import Gathered
    from repcount.reports.class_sheet import ClassSheet

PAGE, SEASON, MESSAGES, RECORD = "class.html", "season.html", "messages.txt", "class.json"
INCOMPLETE = 1  # the exit code where somebody's attempt could not be judged


@click.command("class")
@click.argument(
    "sources", metavar="[LIST|DIR]...", nargs=-1, type=click.Path(path_type=Path), required=False
)
@click.option("--out", type=TARGET, help="Folder for sheet, messages and new plans.")
@click.option(
    "--plan", type=click.Path(path_type=Path), help="The plan of the last attempts, for all."
)
@click.option("--name", default="Class", show_default=True, help="The class's name, on its sheet.")
@click.option("--library", "from_library", is_flag=True, help="The library's attempts too.")
@DATA
@click.option("--json", "as_json", is_flag=True, help="Print the class as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def class_(
    sources: tuple[Path, ...],
    out: Path | None,
    plan: Path | None,
    name: str,
    from_library: bool,
    data: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Say for each athlete of a class what to change next, on one sheet and in messages.

    LIST is a list of athletes (as for `plan --athletes` or `heat`), DIR a heat's folder, a results
    folder, or a folder that holds some; an athlete's attempts in all of them and in the library
    (--library, or --data) are taken together, by the name. With --out: class.html (the sheet),
    season.html (attempts by date), messages.txt, cards.html, class.json, and for each athlete a
    folder with what `next` writes and the message. Ends with 1 if an attempt could not be judged.
    """
    if not sources and not from_library and data is None:
        raise click.UsageError("Give a list of athletes or folders, or --library.")
    from repcount.plan import load_plan
    from repcount.reports.class_sheet import class_lines, class_sheet

    everybody = _gathered(sources, data, from_library=from_library or data is not None)
    given = load_plan(plan) if plan else None
    judged = [one.judged(given) for one in everybody]
    made = class_sheet(judged, name)
    if out is not None:
        _write(out, made, judged, everybody)
    if as_json:
        click.echo(made.model_dump_json(indent=1))
    elif not quiet:
        click.echo("\n".join(class_lines(made)))
        if out is not None:
            click.echo(f"\nWritten to {plain(out)}")
    absent = [not one.folders and not one.reason for one in everybody]
    if any(one.decision is None and not a for one, a in zip(judged, absent, strict=True)):
        raise click.exceptions.Exit(INCOMPLETE)


def _gathered(sources: Sequence[Path], data: Path | None, *, from_library: bool) -> list[Gathered]:
    """Everybody with an attempt. Raises RepcountError where nobody has one."""
    from repcount.heat.gathering import gather

    found = gather(sources)
    if from_library:
        kept = opened(data)
        from repcount.library.gathering import gather_library

        found = gather_library(kept, found if sources else None)
    if not any(one.folders for one in found):
        reasons = [f"{plain(one.athlete)}: {one.reason}" for one in found if one.reason]
        raise RepcountError(
            "there is no attempt that has been read"
            + (f" ({'; '.join(reasons[:3])})" if reasons else "")
            + "; read videos with `repcount analyze` or `repcount heat`."
        )
    return found


def _write(
    out: Path, made: ClassSheet, judged: Sequence[Judged], everybody: Sequence[Gathered]
) -> None:
    """The files of the class, then a folder for each athlete."""
    from repcount.plan.athletes import file_stem
    from repcount.reports.after import next_card
    from repcount.reports.card import card_page
    from repcount.reports.class_sheet import class_messages, class_page, season_page

    decided = [one.decision for one in judged if one.decision is not None]
    texts = {
        PAGE: class_page(made),
        SEASON: season_page(made),
        MESSAGES: class_messages(made),
        RECORD: made.model_dump_json(indent=1) + "\n",
    }
    if decided:
        texts[CARDS_FILE] = card_page([next_card(one) for one in decided])
    write_texts(out, texts)
    stems: set[str] = set()
    for number, (row, one, who) in enumerate(zip(made.athletes, judged, everybody, strict=True), 1):
        if one.decision is None or one.last is None:
            continue
        stem = file_stem(row.athlete)
        stem = f"{stem}-{number}" if stem in stems else stem
        stems.add(stem)
        last = next(path for path in who.folders if str(path) == one.last.name)
        video = video_of(one.last, last)
        own = {**next_texts(one.decision, video, out / stem), "message.txt": f"{row.message}\n"}
        write_texts(out / stem, own)
