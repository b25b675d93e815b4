"""A proposed plan on paper (the clock card) and on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from repcount.plan.clock_card import CardRound, CardSet
from repcount.plan.propose import Proposal
from repcount.plan.working_load import load_lines, load_words
from repcount.reports.pages import Back, sheet
from repcount.reports.terminal import WIDTH, wrap
from repcount.reports.words import plain
from repcount.wording.numbers import clock, short

_CROWDED = 26  # lines of sets on a card; beyond, print is smaller so that one page holds it


def set_words(one: CardSet) -> str:
    """`1 deadlift + 5 hang power clean`."""
    return " + ".join(f"{part.reps} {part.movement}" for part in one.reps)


def card_page(proposals: Sequence[Proposal], back: Back = ()) -> str:
    """The clock cards as one page in one file, made for print: a sheet for each plan."""
    first = proposals[0].card
    return sheet(
        "card.html",
        back=back,
        title=first.workout,
        cards=[
            {
                "card": one.card,
                "load": load_words(one.load.load) if one.load else "",
                "rounds": [round_.pattern for round_ in one.card.rounds],
                "sets": [[set_words(two) for two in round_.sets] for round_ in one.card.rounds],
                "crowded": sum(len(round_.sets) + 1 for round_ in one.card.rounds) > _CROWDED,
                "lines": load_lines(one.load) if one.load else [],
                "notes": [f"Breaks: {one.chosen}.", *one.assumptions, *one.notes],
                "cautions": cautions_of(one),
            }
            for one in proposals
        ],
    )


def cautions_of(one: Proposal) -> list[str]:
    """Every caution once: those of the load, then those of the plan."""
    every = [*(one.load.cautions if one.load else []), *one.cautions]
    return list(dict.fromkeys(every))


def card_lines(one: Proposal, *, with_offers: bool = True) -> list[str]:
    """The compact form: at most 80 cells a line."""
    card = one.card
    head = card.workout + (f", {card.athlete}" if card.athlete else "")
    load = f", {load_words(one.load.load)}" if one.load else ""
    lines = [*_wrapped(f"{head}{load}: planned {clock(card.total_s)}"), ""]
    if one.load:
        lines += [line for said in load_lines(one.load) for line in _wrapped(said, 2)]
        lines.append("")
    lines.append(f"{'':<34}{'last rep':>10}{'bar down':>11}{'break, s':>11}{'bar up':>11}")
    for round_ in card.rounds:
        lines += _round(round_)
    lines.append("")
    if with_offers:
        lines += [*_offers(one), ""]
    for said in [*one.assumptions, *one.notes, *cautions_of(one)]:
        lines += _wrapped(said, 2)
    return lines


def _round(round_: CardRound) -> Iterator[str]:
    then = "" if round_.rest_s is None else f", then {short(round_.rest_s)} s"
    yield (
        f"{f'Round {round_.round}, {short(round_.round_s)} s{then}':<34}{clock(round_.end_s):>10}"
    )
    if len(round_.sets) == 1:
        return
    # sets that are alike are listed once, with the last one's times
    for words, group in groupby(round_.sets, key=set_words):
        alike = list(group)
        last = alike[-1]
        times = f"{len(alike)} × " if len(alike) > 1 else ""
        name = wrap(f"{times}{words}", 31)
        line = f"  {name[0]:<32}{clock(last.end_s):>10}"
        if last.bar_down_s is not None:
            line += f"{clock(last.bar_down_s):>11}{short(last.break_s):>11}"
            line += f"{clock(last.bar_up_s):>11}"
        yield line
        yield from (f"    {more}" for more in name[1:])


def _offers(one: Proposal) -> Iterator[str]:
    yield f"Breaks: {one.chosen}. The rules offer (all common practice, no source):"
    for offer in one.patterns:
        shown = _short(offer.patterns[0])
        if any(pattern != offer.patterns[0] for pattern in offer.patterns):
            shown += " ..."
        yield from _wrapped(f"{offer.name}: {shown}", 2)
        cost = f"{offer.breaks} breaks, {offer.extra_lifts} extra lifts in all"
        yield from _wrapped(f"for {offer.for_whom}; {cost}. {offer.remark}".strip(), 4)


def _short(pattern: str) -> str:
    """A pattern with its runs of equal sets said once: `6 × 1 | 1+5`."""
    terms = [
        (term, len(list(group)))
        for term, group in groupby(part.strip() for part in pattern.split("|"))
    ]
    return " | ".join(
        f"{count} × {term}" if count > 3 else " | ".join([term] * count) for term, count in terms
    )


def _wrapped(text: str, indent: int = 0) -> list[str]:
    return [" " * indent + line for line in wrap(plain(text), WIDTH - indent)]
