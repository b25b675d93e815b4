"""The page of a heat: one file that needs no network, complete without its script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from repcount.heat.race import (
    GROUPS,
    MANY,
    SPENT_ORDER,
    gutter,
    line_key,
    places_chart,
    race_chart,
    spent_bar,
)
from repcount.heat.records import Heat, HeatAttempt
from repcount.heat.tables import DICTIONARY, read_as
from repcount.reports import words
from repcount.reports.pages import ALONE, Back, environment, hashed, style_sheet
from repcount.wording import plural
from repcount.wording.numbers import as_tenths, clock, seconds_of, short

ASSETS = Path(__file__).parent / "assets"
# A table of more rows is shut when the page opens.
LONG = 40


def heat_page(
    heat: Heat,
    back: Back = ALONE,
    links: Mapping[str, str] | None = None,
    moving: Mapping[str, str] | None = None,
) -> str:
    """The whole page as text. Everything that comes from the records is escaped. By results
    folders: `links` are the addresses of attempts' own pages, `moving` those where one is seen
    beside the first."""
    css, script = sheet_and_script()
    policy = (
        f"default-src 'none'; script-src {hashed(script)}; style-src {hashed(css)}; "
        "base-uri 'none'; form-action 'none'"
    )
    template = environment().from_string((ASSETS / "heat.html").read_text(encoding="utf-8"))
    return template.render(
        heat=heat,
        back=back,
        links=links or {},
        moving=moving or {},
        policy=policy,
        css=Markup(css),
        script=Markup(script),
        **_parts(heat),
    )


def sheet_and_script() -> tuple[str, str]:
    """The style sheet and the script that stand in the page."""
    css = style_sheet("report.css") + (ASSETS / "heat.css").read_text(encoding="utf-8")
    return css, (ASSETS / "heat.js").read_text(encoding="utf-8")


def _parts(heat: Heat) -> dict[str, Any]:
    race = race_chart(heat)
    read = [one for one in heat.attempts if one.state != "failed"]
    longest = max((one.total_s or 0.0 for one in read), default=0.0)
    rounds = max((span.round for one in read for span in one.rounds), default=0)
    numbered = list(enumerate(heat.attempts))
    return {
        "lede": _lede(heat),
        "numbered": numbered,
        "loads": len({one.load_kg for one in read}) > 1,
        "race": race,
        "gutter": gutter(heat, race) if race else "",
        "script_data": _script_data(heat, race.full, race.reps) if race else None,
        "key_of": line_key if race and sum(bool(one.reps) for one in read) <= MANY else None,
        "rounds": range(1, rounds + 1),
        "splits": [(i, one, _splits(one, rounds)) for i, one in numbered if one.rounds],
        "best": _best_splits(read, rounds),
        "places": places_chart(heat),
        "spent": [
            (i, one, spent_bar(one, longest), _spent(one))
            for i, one in numbered
            if one.total_s and one.time_spent
        ],
        "spent_order": SPENT_ORDER,
        "pacing": [(i, one, _pacing(one)) for i, one in numbered if one.spread],
        "deviations": [(i, one) for i, one in numbered if one.planned_s or one.deviations],
        "unsure": [(i, one) for i, one in numbered if one.state != "read"],
        "dictionary": DICTIONARY,
        "associations": [_association(one) for one in heat.associations],
        "clocks": _clocks(read),
        "is_open": len(heat.attempts) <= LONG,
    }


def _lede(heat: Heat) -> str:
    """The first sentences: how many, who came first, second and third, who did not finish, what
    failed."""
    read = [one for one in heat.attempts if one.state != "failed"]
    said = [plural(len(heat.attempts), "attempt") + (" at " + _names(read) if read else "") + "."]
    if podium := _podium(read):
        said.append(podium)
    unfinished = sum(one.finished is False for one in read)
    if unfinished:
        said.append(f"{unfinished} did not finish.")
    failed = len(heat.attempts) - len(read)
    if failed:
        said.append(f"{failed} could not be read.")
    return " ".join(said)


def _podium(read: Sequence[HeatAttempt]) -> str:
    """Who came first, second and third, with their distances; ties and times too near to be sure
    of are said."""
    on = {
        place: [one for one in read if one.place == place and one.finished and one.total_s]
        for place in (1, 2, 3)
    }
    if not on[1]:
        return ""
    first_s = on[1][0].total_s or 0.0
    if len(on[1]) == 1:
        parts = [f"{on[1][0].athlete} was first in {clock(first_s)}"]
    else:
        parts = [f"{_and(on[1])} share the first place in {clock(first_s)}"]
    for place, word in ((2, "second"), (3, "third")):
        if on[place]:
            behind = short((on[place][0].total_s or 0.0) - first_s)
            parts.append(f"{_and(on[place])} {word}, {behind} s behind")
    close = any(one.close for found in on.values() for one in found)
    sure = " Times marked ≈ are too near to be sure of their order." if close else ""
    return "; ".join(parts) + "." + sure


def _and(some: Sequence[HeatAttempt]) -> str:
    names = [one.athlete for one in some]
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _clocks(read: Sequence[HeatAttempt]) -> list[str]:
    """How the clocks of the heat were started, each way with its uncertainty."""
    ways: dict[tuple[str, float | None], int] = {}
    for one in read:
        way = (one.start_source or "first lift-off", one.start_uncertainty_s)
        ways[way] = ways.get(way, 0) + 1
    words_of = {
        "sound": "by the start beep",
        "given": "by a start that was given",
        "first lift-off": "by its own first lift-off, which is not the heat’s start",
    }
    return [
        f"{plural(count, 'clock')} started {words_of[source]}"
        + (f", ± {within:g} s." if within is not None else ".")
        for (source, within), count in ways.items()
    ]


def _names(read: Sequence[HeatAttempt]) -> str:
    names = list(dict.fromkeys(one.workout for one in read if one.workout))
    return " and ".join(names[:3]) if names else "no given workout"


def _splits(one: HeatAttempt, rounds: int) -> list[tuple[str, str]]:
    """Time and sets of each round; dashes where there is none."""
    spans = {span.round: span for span in one.rounds}
    return [
        (short(spans[n].duration_s), spans[n].sets) if n in spans else ("–", "")
        for n in range(1, rounds + 1)
    ]


def _best_splits(read: Sequence[HeatAttempt], rounds: int) -> list[str]:
    """The fastest time of each round among those who finished."""
    done = [one for one in read if one.finished]
    return [
        short(min((s.duration_s for one in done for s in one.rounds if s.round == n), default=None))
        for n in range(1, rounds + 1)
    ]


def _spent(one: HeatAttempt) -> list[str]:
    spent: dict[str, float] = {part.kind: part.seconds for part in one.time_spent}
    return [short(sum(spent.get(name, 0.0) for name in GROUPS[kind])) for kind, _ in SPENT_ORDER]


def _pacing(one: HeatAttempt) -> list[tuple[str, str, str, str, str]]:
    """Quantity, first half, last half, slope with its error, variation, as shown."""
    return [
        (
            read_as(part.name) + (f" ({part.unit})" if part.unit else ""),
            _plain(part.first_half, part.unit),
            _plain(part.last_half, part.unit),
            "–" if part.slope is None else f"{_signed(part.slope)} ± {part.slope_error or 0.0:.2f}",
            "–" if part.variation is None else f"{part.variation:.0%}",
        )
        for part in one.spread
        if part.first_half is not None or part.last_half is not None
    ]


def _plain(value: float | None, unit: str) -> str:
    """Counts whole, what has a unit with a tenth."""
    return "–" if value is None else short(value) if unit else f"{value:.0f}"


def _signed(value: float) -> str:
    return ("+" if value > 0 else "−" if value < 0 else "") + f"{abs(value):.2f}"


def _association(one: Any) -> dict[str, str]:
    sure = one.low > 0 or one.high < 0
    way = "longer totals" if one.rho > 0 else "shorter totals"
    return {
        "quantity": one.quantity,
        "of": one.of,
        "n": str(one.n),
        "rho": _signed(one.rho),
        "interval": f"{_signed(one.low)} to {_signed(one.high)}",
        "words": f"more of it went with {way}" if sure else "no clear direction at this n",
        "inside": "its seconds are part of the total" if one.part_of_total else "",
    }


def _script_data(heat: Heat, full: int, reps: int) -> dict[str, Any]:
    """What the page's script needs: for each athlete name, division, result, the tenths of a second
    of every rep, and breaks as [begin, end, words]."""
    return {
        "full": full,
        "reps": reps,
        "athletes": [
            [
                words.plain(one.athlete),
                words.plain(one.division),
                one.result,
                [as_tenths(rep.top_s) for rep in one.reps] if one.total_s else [],
                [
                    [
                        as_tenths(pause.start_s),
                        as_tenths(pause.end_s),
                        seconds_of(as_tenths(pause.length_s))
                        + " s"
                        + (f" after {pause.movement} {pause.number}" if pause.movement else ""),
                    ]
                    for pause in one.breaks
                ],
                f"round {one.reps[-1].round}" if one.reps else "",
            ]
            for one in heat.attempts
        ],
    }
