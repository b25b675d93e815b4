"""Corrections from the command line: `repcount correct DIR CORRECTION`."""

from __future__ import annotations

import functools
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from repcount.cli.options import CLOCK_START, MOMENT, RECORDED, plain, show
from repcount.errors import RepcountError

if TYPE_CHECKING:
    from repcount.attempt.records import Attempt, EditAction, Edits, Reading

# How far a moment given by hand may lie from the rep or break meant. Whoever stops a video as
# something happens is late by 0.11 s with a standard deviation of 0.07 s ("Manual timing in physics
# experiments", American Journal of Physics 2019, 87: 110), and reads the clock to a tenth: 0.4 s
# with three deviations. Tops of neighbours lie 1.2 s apart or more (common practice, no source).
_NEAR_S = 0.5


@dataclass(frozen=True)
class _Place:
    """A rep or floor rest that a moment may mean: from when to when it lasts, the moment that the
    report shows of it, and its words."""

    id: str
    start_s: float
    end_s: float
    shown_s: float
    words: str

    def off(self, at_s: float) -> tuple[float, float]:
        """How far a moment lies outside of it, and from the moment shown."""
        outside = max(0.0, self.start_s - at_s, at_s - self.end_s)
        return outside, abs(self.shown_s - at_s)


_SHARED = (
    click.option("--who", help="Who corrects (default: the name of your account)."),
    click.option("--why", default="", help="The reason; no-rep and clear-no-rep need one."),
    click.option("--json", "as_json", is_flag=True, help="Print the results as JSON (no trace)."),
    click.option("--quiet", is_flag=True, help="Print nothing but errors."),
)


def _shared(command: Any) -> Any:
    """The options of every correction, kept in the context beside the folder."""

    @functools.wraps(command)
    def run(ctx: click.Context, **values: Any) -> Any:
        given = {key: values.pop(key) for key in ("who", "why", "as_json", "quiet")}
        ctx.obj = {**ctx.obj, **given}
        return command(ctx, **values)

    shared: Any = click.pass_context(run)
    for option in reversed(_SHARED):
        shared = option(shared)
    return shared


@click.group(options_metavar="", subcommand_metavar="CORRECTION [ARGS]...")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.pass_context
def correct(ctx: click.Context, folder: Path) -> None:
    """Correct a reading. The reading stays as it is; corrections are kept beside it, each with
    who, when and why, and the results are made anew.

    A rep or a break is named by its id (in reps.csv and breaks.csv) or by its moment in the video,
    as a player shows it: the report and the list to check say both that and the workout's clock.
    All times given here are the video's. `--list` and `--undo` after DIR are the same as `list` and
    `undo`.
    """
    ctx.obj = {"folder": folder}


@correct.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print the corrections as JSON.")
@click.pass_context
def listing(ctx: click.Context, as_json: bool) -> None:
    """List the corrections made so far."""
    _list(ctx.obj["folder"], as_json)


@correct.command("undo")
@click.argument("edit_id", metavar="[ID]", required=False)
@_shared
def undo(ctx: click.Context, edit_id: str | None) -> None:
    """Take back a correction: the last one in force, or the one with this id."""
    from repcount.attempt.edits import edits_in_force, revert_edit

    def change(reading: Reading, edits: Edits) -> Edits:
        standing = [edit.id for edit in edits_in_force(edits) if edit.reverts is None]
        if not edit_id and not standing:
            raise RepcountError("there is no correction to take back.")
        last = edit_id or standing[-1]
        return revert_edit(reading, edits, last, who=_who(ctx), why=ctx.obj["why"])

    _apply(ctx, change)


def _correction(
    ctx: click.Context,
    action: EditAction,
    *,
    rep: str | None = None,
    rest: str | None = None,
    values: dict[str, Any] | None = None,
) -> None:
    """Append one correction; what is not given is left out of its values."""
    from repcount.attempt.assemble import derive_attempt
    from repcount.attempt.edits import append_edit, make_edit

    if action in ("mark_no_rep", "clear_no_rep") and not ctx.obj["why"].strip():
        which = "missed" if action == "mark_no_rep" else "met"
        raise RepcountError(f"--why is missing; say by it which standard was {which}.")
    given = {key: value for key, value in (values or {}).items() if value is not None}
    if given.get("round") == 0:
        given["round"] = None

    def change(reading: Reading, edits: Edits) -> Edits:
        taken = None
        attempt = derive_attempt(reading, edits)
        if rep is not None:
            taken = _meant(rep, _rep_places(attempt), "rep")
        if rest is not None:
            taken = _meant(rest, _rest_places(attempt), "floor rest")
        target = None
        if taken is not None:
            target, ctx.obj["taken"] = taken.id, f"{taken.words} at {_shown(attempt, taken)}"
        edit = make_edit(
            edits, action, who=_who(ctx), why=ctx.obj["why"], target=target, values=given
        )
        return append_edit(reading, edits, edit)

    _apply(ctx, change)


def _shown(attempt: Attempt, place: _Place) -> str:
    """A moment on the workout's clock, and of the video, by which corrections are given."""
    from repcount.reports.clocks import both_clocks

    return both_clocks(attempt, place.shown_s)


def _apply(ctx: click.Context, change: Callable[[Reading, Edits], Edits]) -> None:
    from repcount.pipeline.results import correct as run

    results = run(ctx.obj["folder"], change)
    made = results.edits.edits[-1] if results.edits else None
    if made and not ctx.obj["quiet"] and not ctx.obj["as_json"]:
        what = f"takes back {made.reverts}" if made.reverts else made.action.replace("_", " ")
        taken = f", {ctx.obj['taken']}" if "taken" in ctx.obj else ""
        click.echo(f"Correction {made.id}: {plain(what + taken)}\n")
    show(results.attempt, results.comparison, as_json=ctx.obj["as_json"], quiet=ctx.obj["quiet"])


def _who(ctx: click.Context) -> str:
    return account() if ctx.obj["who"] is None else str(ctx.obj["who"])


def account() -> str:
    """The name of the account that this runs under; empty where it has none."""
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return ""


def _rep_places(attempt: Attempt) -> list[_Place]:
    from repcount.reports.words import missed_words, rep_words

    places = [
        _Place(
            rep.id,
            rep.start_s,
            rep.end_s,
            rep.top_s,
            rep_words(rep, attempt.workout).replace("Round", "round", 1),
        )
        for rep in attempt.reps
    ]
    return places + [
        _Place(lift.id, lift.start_s, lift.end_s, lift.peak_s, missed_words(lift))
        for lift in attempt.failed
    ]


def _rest_places(attempt: Attempt) -> list[_Place]:
    from repcount.wording.numbers import short

    return [
        _Place(
            rest.id,
            rest.start_s,
            rest.end_s,
            rest.start_s,
            f"{rest.kind or 'floor rest'} of {short(rest.end_s - rest.start_s)} s",
        )
        for rest in attempt.floor_rests
    ]


def _meant(given: str, places: list[_Place], what: str) -> _Place:
    """The one whose id was given; else the one that goes on at the moment given, or the nearest
    within half a second of it."""
    from repcount.wording.numbers import clock as clock_words

    for place in places:
        if given == place.id:
            return place
    try:
        at = MOMENT.convert(given, None, None)
    except click.BadParameter:
        raise RepcountError(
            f"there is no {what} with the id {plain(given)}; take the id from the tables, or give "
            "its moment in the video."
        ) from None
    near = min(places, key=lambda place: place.off(at), default=None)
    if near is None or near.off(at)[0] > _NEAR_S:
        nearest = ""
        if near is not None:
            nearest = f"; the nearest is {plain(near.words)} at {clock_words(near.shown_s)}"
        raise RepcountError(f"there is no {what} at {clock_words(at)}{nearest}.")
    return near


def _list(folder: Path, as_json: bool) -> None:
    from repcount.attempt.edits import edits_in_force
    from repcount.attempt.records import Edits
    from repcount.pipeline.results import EDITS, load_results

    results = load_results(folder)
    edits = results.edits or Edits(video_sha256=results.reading.video.sha256)
    if as_json:
        click.echo(edits.model_dump_json(indent=1))
        return
    if not edits.edits:
        click.echo(f"No corrections ({EDITS}) in {plain(folder)}.")
    in_force = {edit.id for edit in edits_in_force(edits)}
    attempt = results.attempt
    places = {one.id: one for one in [*_rep_places(attempt), *_rest_places(attempt)]}
    for edit in edits.edits:
        parts = [edit.id, edit.when, edit.who, edit.action.replace("_", " ")]
        if edit.reverts:
            parts[-1] = f"takes back {edit.reverts}"
        parts += [edit.target] if edit.target else []
        parts += [f"{key}={value}" for key, value in edit.values.items()]
        parts += [f"({edit.why})"] if edit.why else []
        if edit.id in results.attempt.orphaned_edits:
            parts.append("[does not apply]")
        elif edit.id not in in_force:
            parts.append("[taken back]")
        click.echo(plain("  ".join(parts)))
        if (place := places.get(edit.target or "")) is not None:
            click.echo(plain(f"    {place.words} at {_shown(attempt, place)}"))


def _times(*names: str, required: tuple[str, ...] = ()) -> Callable[[Any], Any]:
    """Options for moments, named as in the files without the unit."""
    said = {
        "start": "When it starts.",
        "top": "When it counts.",
        "end": "When it ends.",
        "contact": "When the bar first touches the floor.",
    }

    def add(command: Any) -> Any:
        for name in reversed(names):
            command = click.option(
                f"--{name}", type=MOMENT, required=name in required, help=said[name]
            )(command)
        return command

    return add


@correct.command("add-rep")
@click.option("--movement", required=True, help="Name of the movement.")
@click.option("--round", "round_", type=click.IntRange(min=1), help="Round, from 1.")
@_times("top", "start", "end", required=("top",))
@_shared
def add_rep(
    ctx: click.Context,
    movement: str,
    round_: int | None,
    top: float,
    start: float | None,
    end: float | None,
) -> None:
    """Add a rep that was not read."""
    values = {"movement": movement, "top_s": top, "start_s": start, "end_s": end, "round": round_}
    _correction(ctx, "add_rep", values=values)


@correct.command("remove-rep")
@click.argument("rep")
@_shared
def remove_rep(ctx: click.Context, rep: str) -> None:
    """Remove a rep that did not happen."""
    _correction(ctx, "remove_rep", rep=rep)


@correct.command("move-rep")
@click.argument("rep")
@_times("start", "top", "end")
@_shared
def move_rep(
    ctx: click.Context, rep: str, start: float | None, top: float | None, end: float | None
) -> None:
    """Correct a rep's times."""
    _correction(ctx, "move_rep", rep=rep, values={"start_s": start, "top_s": top, "end_s": end})


@correct.command("relabel-rep")
@click.argument("rep")
@click.option("--movement", help="Name of the movement.")
@click.option(
    "--round", "round_", type=click.IntRange(min=0), help="Round, from 1; 0: not of the workout."
)
@_shared
def relabel_rep(ctx: click.Context, rep: str, movement: str | None, round_: int | None) -> None:
    """Correct a rep's movement or round."""
    _correction(ctx, "relabel_rep", rep=rep, values={"movement": movement, "round": round_})


@correct.command("no-rep")
@click.argument("rep")
@_shared
def no_rep(ctx: click.Context, rep: str) -> None:
    """Mark a rep, or a missed lift, as a no-rep; --why has to give the reason."""
    _correction(ctx, "mark_no_rep", rep=rep)


@correct.command("clear-no-rep")
@click.argument("rep")
@_shared
def clear_no_rep(ctx: click.Context, rep: str) -> None:
    """Let a rep that was marked as a no-rep count again; --why has to give the reason."""
    _correction(ctx, "clear_no_rep", rep=rep)


@correct.command("add-break")
@_times("start", "end", "contact", required=("start", "end"))
@click.option("--hands-off", is_flag=True, default=None, help="The hands left the bar.")
@_shared
def add_break(
    ctx: click.Context, start: float, end: float, contact: float | None, hands_off: bool | None
) -> None:
    """Add a break: from the bar at rest on the floor to the next lift-off."""
    _correction(
        ctx,
        "add_break",
        values={
            "start_s": start,
            "end_s": end,
            "first_contact_s": contact,
            "hands_off": hands_off,
        },
    )


@correct.command("move-break")
@click.argument("pause", metavar="BREAK")
@_times("start", "end", "contact")
@_shared
def move_break(
    ctx: click.Context,
    pause: str,
    start: float | None,
    end: float | None,
    contact: float | None,
) -> None:
    """Correct a break's times."""
    values = {"start_s": start, "end_s": end, "first_contact_s": contact}
    _correction(ctx, "move_break", rest=pause, values=values)


@correct.command("remove-break")
@click.argument("pause", metavar="BREAK")
@_shared
def remove_break(ctx: click.Context, pause: str) -> None:
    """Remove a break that did not happen."""
    _correction(ctx, "remove_break", rest=pause)


@correct.command("clock")
@click.option(
    "--start",
    type=CLOCK_START,
    help="When it starts; below 0 (-4.5) where the video begins after the clock.",
)
@_times("end")
@_shared
def clock(ctx: click.Context, start: float | None, end: float | None) -> None:
    """Set when the clock starts or ends."""
    _correction(ctx, "set_clock", values={"start_s": start, "end_s": end})


@correct.command("recorded")
@click.argument("when", type=RECORDED)
@_shared
def recorded(ctx: click.Context, when: str) -> None:
    """Set when it was filmed: 2026-11-28 18:30 (of this machine's zone), or the day alone."""
    _correction(ctx, "set_recorded", values={"recorded_at": when})


@correct.command("note")
@click.argument("text")
@_times("start", "end")
@click.option("--rep", help="The rep that the note is about.")
@_shared
def note(
    ctx: click.Context, text: str, start: float | None, end: float | None, rep: str | None
) -> None:
    """Keep a note with the attempt."""
    _correction(ctx, "note", rep=rep, values={"text": text, "start_s": start, "end_s": end})


# Under the names of options too, which is as natural; help lists them once.
for _command in (listing, undo):
    _option = copy(_command)
    _option.hidden = True
    correct.add_command(_option, f"--{_command.name}")
