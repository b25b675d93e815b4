"""Planning from the command line: `repcount plan WORKOUT`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from repcount.cli.options import MOMENT, TARGET, plain
from repcount.errors import PlanError

if TYPE_CHECKING:
    from repcount.plan.model import Plan
    from repcount.plan.propose import Proposal, Wishes
    from repcount.plan.strength import MaxEstimate

PLAN_FILE, CARD_FILE, CARDS_FILE = "plan.toml", "card.html", "cards.html"


@click.command()
@click.argument("workout", type=click.Path(path_type=Path))
@click.option("--out", type=TARGET, help="Folder for the plan and its card.")
@click.option("--athlete", help="The athlete's name.")
@click.option("--max", "maxes", multiple=True, metavar="MOVEMENT=LOAD", help="A one-rep max.")
@click.option(
    "--best", multiple=True, metavar="MOVEMENT=REPSxLOAD", help="A best set of up to 10 reps."
)
@click.option("--load", help="The load, in place of the workout's.")
@click.option(
    "--kit",
    type=click.Choice(["kg", "competition", "lb"]),
    default="kg",
    show_default=True,
    help="Which bar and plates there are.",
)
@click.option("--bar", type=float, help="What the bar weighs, in the kit's unit.")
@click.option(
    "--plates",
    multiple=True,
    help="Plates in the kit's unit (25, 20x2: two pairs of 20); may be repeated.",
)
@click.option("--pattern", "patterns", multiple=True, help="Break pattern; once, or one a round.")
@click.option("--rule", help="Break rule by its name, as the command lists them.")
@click.option("--protect", help="What to protect: back, grip, shoulders or lungs.")
@click.option("--spare", hidden=True)  # its former name
@click.option("--breaks", "break_s", type=MOMENT, help="Length of each break.")
@click.option("--target", "target_s", type=MOMENT, help="Total time to plan for.")
@click.option(
    "--pace",
    "shape",
    type=click.Choice(["even", "ahead", "own"]),
    default=None,
    help="Shape of the round times: even, ahead early, or as the athlete slows (--attempt).",
)
@click.option("--between", "between_s", type=MOMENT, help="Time between rounds.")
@click.option("--start", "start_s", type=MOMENT, help="From the signal to the first rep.")
@click.option("--cycle", "cycles", multiple=True, metavar="MOVEMENT=SECONDS", help="Cycle time.")
@click.option(
    "--transition",
    "transition_s",
    type=MOMENT,
    help="Each transition from one movement to the next.",
)
@click.option(
    "--attempt",
    "attempts",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Results of an attempt at this workout, for --pace own.",
)
@click.option(
    "--athletes", type=click.Path(path_type=Path), help="Many athletes (TOML): a copy for each."
)
@click.option("--json", "as_json", is_flag=True, help="Print the proposals as JSON.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
def plan(
    workout: Path,
    out: Path | None,
    athletes: Path | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Make a complete plan from a workout (a plan file of which [workout] is enough).

    Prints load, breaks, pace and the clock at every set; with --out writes plan.toml and the
    clock card, card.html, made for print. With --athletes, one of each for every athlete.
    """
    from repcount.plan import load_plan
    from repcount.plan.athletes import load_athletes
    from repcount.plan.propose import make_plan
    from repcount.wording import shown

    base = load_plan(workout)
    shared = _wishes(base, given)
    wishes, faults = [shared], []
    if athletes:
        found = load_athletes(athletes, base, shared)
        wishes, faults = found.wishes, found.faults
    own = None
    left_out: list[str] = []
    if any(one.shape == "own" for one in wishes) and given["attempts"]:
        from repcount.analysis.forecast import once_each, own_shares, read_attempts

        filmed, left_out = once_each(read_attempts(given["attempts"]))
        own = own_shares(filmed, base)
    proposals = []
    for wish in wishes:
        try:
            proposals.append(make_plan(base, wish, own_shares=own))
            proposals[-1].notes += left_out if wish.shape == "own" else []
        except PlanError as error:
            if not athletes:
                raise PlanError(f"{plain(workout)}: {error}") from error
            faults.append(PlanError(f"{plain(athletes)}: {shown(wish.athlete)}: {error}"))
    if out is not None and proposals:
        _write(out, proposals, many=athletes is not None)
    if as_json:
        bodies = ",\n".join(one.model_dump_json(indent=1) for one in proposals)
        click.echo(f"[{bodies}]" if athletes else bodies)
    elif not quiet:
        from repcount.reports.card import card_lines

        for number, one in enumerate(proposals):
            click.echo("\n" * bool(number) + "\n".join(card_lines(one, with_offers=not athletes)))
        if out is not None and proposals:
            click.echo(f"\nWritten to {plain(out)}")
    if faults:
        for fault in faults[:-1]:
            click.echo(f"repcount: {fault}", err=True)
        raise faults[-1]


def _wishes(base: Plan, given: dict[str, Any]) -> Wishes:
    from repcount.plan.barbell import kit_from, parse_weight
    from repcount.plan.propose import Wishes, known_movement

    cycles = {}
    for name, text in _pairs(given["cycles"], "--cycle", "deadlift=1.8").items():
        movement = known_movement(name, base, "--cycle")
        if movement not in {part.movement for one in base.rounds for part in one.movements}:
            raise PlanError(f"--cycle names {movement}, which the workout does not have.")
        cycles[movement] = MOMENT.convert(text, None, None)
    return Wishes(
        athlete=given["athlete"],
        maxes=maxes_of(base, given["maxes"], given["best"]),
        load_kg=None
        if given["load"] is None
        else parse_weight(given["load"], "the load", "lb" if given["kit"] == "lb" else "kg"),
        kit=kit_from(given["kit"], given["bar"], ",".join(given["plates"]) or None),
        patterns=given["patterns"],
        rule=given["rule"],
        protect=_protect(given["protect"], given["spare"]),
        break_s=given["break_s"],
        target_s=given["target_s"],
        shape=given["shape"] or "even",
        between_s=given["between_s"],
        start_s=given["start_s"],
        cycle_s=cycles,
        transition_s=given["transition_s"],
    )


def maxes_of(base: Plan, maxes: tuple[str, ...], best: tuple[str, ...]) -> dict[str, MaxEstimate]:
    """Maxes by movement, from the texts of --max and --best."""
    from repcount.plan.athletes import parse_maxes

    return parse_maxes(
        _pairs(maxes, "--max", '"push press=85kg"'),
        _pairs(best, "--best", '"push press=5x70kg"'),
        base,
    )


def _pairs(texts: tuple[str, ...], option: str, example: str) -> dict[str, str]:
    """`name=value` texts as a dictionary."""
    found = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise PlanError(f"{option} {plain(text)!r} is no pair; give {option} {example}.")
        found[name.strip()] = value.strip()
    return found


def _write(out: Path, proposals: list[Proposal], *, many: bool) -> None:
    """The files of every proposal: alone in the folder, or each under the athlete's name."""
    from repcount.plan.athletes import file_stem
    from repcount.plan.writing import plan_toml
    from repcount.reports.card import card_page, cautions_of

    texts: dict[str, str] = {}
    for number, one in enumerate(proposals, 1):
        comments = [*cautions_of(one), f"Breaks: {one.chosen}.", *one.assumptions]
        toml = plan_toml(one.plan, comments)
        if not many:
            texts |= {PLAN_FILE: toml, CARD_FILE: card_page([one])}
            continue
        stem = file_stem(one.plan.athlete or str(number))
        if f"{stem}.toml" in texts:
            stem = f"{stem}-{number}"
        texts |= {f"{stem}.toml": toml, f"{stem}.html": card_page([one])}
    if many:
        texts[CARDS_FILE] = card_page(proposals)
    write_texts(out, texts)


def write_texts(out: Path, texts: dict[str, str]) -> None:
    """Write files into a folder, each whole or not at all. Raises PlanError where it cannot."""
    part = None
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            part = out / f"{name}.part"
            part.write_text(text, encoding="utf-8")
            part.replace(out / name)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise PlanError(
            f"{out}: cannot be written ({reason}); check the folder and the disk."
        ) from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def _protect(protect: str | None, spare: str | None) -> str | None:
    """What to protect, by the option's present name or its former one."""
    if protect is not None and spare is not None:
        raise PlanError("--protect and --spare mean the same; give --protect alone.")
    return spare if protect is None else protect
