"""A proposed plan on paper (the clock card) and on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from repcount.plan.clock_card import CardRound
from repcount.plan.propose import Proposal
from repcount.plan.working_load import load_lines, load_words
from repcount.reports.card_sheet import Foot, card_sheet, lines_of, short_pattern
from repcount.reports.pages import ALONE, Back, sheet
from repcount.reports.terminal import WIDTH, wrap
from repcount.reports.words import plain
from repcount.wording.numbers import clock, load, short


def card_page(proposals: Sequence[Proposal], back: Back = ALONE, script: str = "") -> str:
    """The clock cards as one page in one file, made for print: a sheet of A4 or Letter for each
    plan. Where it is a page of a site, `script` is the address of that by which it is printed."""
    return sheet(
        "card.html",
        back=back,
        site_script=script,
        title=proposals[0].card.workout,
        cards=[_card(one) for one in proposals],
    )


def _card(one: Proposal) -> dict[str, object]:
    foot = Foot(
        load=load_lines(one.load) if one.load else [],
        notes=[f"Breaks: {one.chosen}.", *one.assumptions, *one.notes],
        cautions=cautions_of(one),
    )
    return {
        "card": one.card,
        "load": _load_of(one),
        "sheet": card_sheet(one.card, foot),
        "foot": foot,
        "marks": any("|" in round_.pattern for round_ in one.card.rounds),
    }


def _load_of(one: Proposal) -> str:
    if one.load:
        return load_words(one.load.load)
    return load(one.card.load_kg) if one.card.load_kg else ""


def cautions_of(one: Proposal) -> list[str]:
    """Every caution once: those of the load, then those of the plan."""
    every = [*(one.load.cautions if one.load else []), *one.cautions]
    return list(dict.fromkeys(every))


def card_lines(one: Proposal, *, with_offers: bool = True) -> list[str]:
    """The compact form: at most 80 cells a line."""
    card = one.card
    head = card.workout + (f", {card.athlete}" if card.athlete else "")
    on_bar = _load_of(one)
    head += f", {on_bar}" if on_bar else ""
    lines = [*_wrapped(f"{head}: planned {clock(card.total_s)}"), ""]
    if one.load:
        lines += [line for said in load_lines(one.load) for line in _wrapped(said, 2)]
        lines.append("")
    lines.append(f"{'':<34}{'last rep':>10}{'bar down':>11}{'break, s':>11}{'bar up':>11}")
    for round_ in card.rounds:
        lines += _round(round_)
    lines.append("")
    if with_offers:
        lines += [*_offers(one), ""]
    for said in [*one.assumptions, *one.notes, *one.advice, *cautions_of(one)]:
        lines += _wrapped(said, 2)
    return lines


def _round(round_: CardRound) -> Iterator[str]:
    for line in lines_of(round_):
        if line.round:
            then = "" if round_.rest_s is None else f", rest {short(round_.rest_s)} s"
            yield f"{f'{line.words}, {short(round_.round_s)} s{then}':<34}{line.end:>10}"
            continue
        name = wrap(line.words, 31)
        times = f"{line.down:>11}{line.rest:>11}{line.up:>11}"
        yield f"  {name[0]:<32}{line.end:>10}{times}".rstrip()
        yield from (f"    {more}" for more in name[1:])


def _offers(one: Proposal) -> Iterator[str]:
    if not one.patterns:
        yield f"Breaks: {one.chosen}."
        return
    yield f"Breaks: {one.chosen}. The rules offer (all common practice, no source):"
    for offer in one.patterns:
        shown = short_pattern(offer.patterns[0])
        if any(pattern != offer.patterns[0] for pattern in offer.patterns):
            shown += " ..."
        yield from _wrapped(f"{offer.name}: {shown}", 2)
        cost = f"{offer.breaks} breaks, {offer.extra_lifts} extra lifts in all"
        yield from _wrapped(f"for {offer.for_whom}; {cost}. {offer.remark}".strip(), 4)


def _wrapped(text: str, indent: int = 0) -> list[str]:
    return [" " * indent + line for line in wrap(plain(text), WIDTH - indent)]
