"""Bars and plates: what can be put on a bar, in kilograms or pounds, and what goes on each side.

Everything is counted in thousandths of the kit's own unit, so that no rounding creeps in.

Sources: men's and women's bar 20 and 15 kg, plates 25 to 0.5 kg, collars of 2.5 kg each: IWF
Technical and Competition Rules 3.3, as restated by federation and press pages. The pair of 1.25 kg
in the gym's set, and bars and plates in pounds: common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pydantic import Field

from repcount.attempt.records import Record
from repcount.errors import PlanError
from repcount.units import KG_PER_LB
from repcount.wording import listed, shown

Unit = Literal["kg", "lb"]
HEAVIEST = {"kg": 1000.0, "lb": 2200.0}  # as in a plan


@dataclass(frozen=True)
class Kit:
    """A bar with its plates. Weights are in `unit`.

    `plates` are (weight, pairs); pairs None: as many as asked for. `collars` is what both collars
    together weigh (clips and springs: nothing worth counting).
    """

    unit: Unit
    bar: float
    plates: tuple[tuple[float, int | None], ...]
    collars: float = 0.0

    @property
    def lightest(self) -> float:
        """The bar with its collars and nothing else."""
        return self.bar + self.collars


def _each(*sizes: float) -> tuple[tuple[float, int | None], ...]:
    return tuple((size, None) for size in sizes)


KITS: dict[str, Kit] = {
    "kg": Kit("kg", 20, _each(25, 20, 15, 10, 5, 2.5, 1.25)),
    "competition": Kit("kg", 20, _each(25, 20, 15, 10, 5, 2.5, 2, 1.5, 1, 0.5), collars=5),
    "lb": Kit("lb", 45, _each(45, 35, 25, 10, 5, 2.5)),
}


class PlateCount(Record):
    """Plates of one weight on one side of the bar."""

    plate: float = Field(gt=0)
    count: int = Field(ge=1)


class BarLoad(Record):
    """A bar as it is built: `total` = bar + collars + twice what is on each side, in `unit`."""

    unit: Unit
    total: float
    total_kg: float
    total_lb: float
    bar: float
    collars: float = 0.0
    per_side: list[PlateCount] = Field(description="heaviest first")


def parse_weight(text: str, what: str = "the weight", unit: Unit = "kg") -> float:
    """Kilograms of a weight as a person writes it: `60`, `60kg`, `135 lb`.

    Without a unit it is in `unit`. `what` opens the sentence of a PlanError.
    """
    match = re.fullmatch(r"\s*([+-]?\d+(?:\.\d+)?)\s*(kg|lbs?)?\s*", text, re.IGNORECASE)
    if not match:
        raise PlanError(
            f"{what} {shown(text)} is no weight; give a number with kg or lb, for example 60kg."
        )
    number = float(match[1])
    if not math.isfinite(number) or number <= 0:
        raise PlanError(f"{what} {shown(text)} is not above 0; give a weight above 0.")
    word: str = (match[2] or unit).lower()
    most = HEAVIEST["lb" if word.startswith("lb") else "kg"]
    if number > most:
        raise PlanError(
            f"{what} {shown(text)} is over {most:g} {word}; check the number and its unit."
        )
    return round(number * KG_PER_LB, 3) if word.startswith("lb") else round(number, 3)


def kit_from(
    name: str = "kg",
    bar: float | None = None,
    plates: str | None = None,
    *,
    what: str = "the plates",
) -> Kit:
    """A kit by its name, with another bar or other plates: `25, 20x2, 10` (x: that many pairs).

    Raises PlanError for an unknown name, a bar or plates that cannot be.
    """
    if name not in KITS:
        raise PlanError(f"the kit {shown(name)} is not known here; allowed are {listed([*KITS])}.")
    kit = KITS[name]
    if bar is not None:
        kit = with_bar(kit, bar)
    if plates is None:
        return kit
    found: dict[float, int | None] = {}
    for part in plates.split(","):
        match = re.fullmatch(r"\s*(\d{1,3}(?:\.\d{1,3})?)\s*(?:x\s*(\d{1,3})\s*)?", part)
        size = float(match[1]) if match else 0.0
        pairs = int(match[2]) if match and match[2] else None
        if not match or not 0 < size <= 100 or pairs == 0:
            raise PlanError(
                f"{what} {shown(plates)}: {shown(part.strip())} is no plate; give weights in "
                f"{kit.unit} with commas between, and x2 behind one where there are two pairs."
            )
        found[size] = pairs
    return replace(kit, plates=tuple(sorted(found.items(), reverse=True)))


def with_bar(kit: Kit, bar: float) -> Kit:
    """The kit with another bar. Raises PlanError for a weight that cannot be."""
    if not 0 < bar <= 100:
        raise PlanError(f"the bar weighs {bar:g} {kit.unit}; give a weight above 0 and up to 100.")
    return replace(kit, bar=bar)


def _thousandths(value: float) -> int:
    return round(value * 1000)


def build(total: float, kit: Kit) -> BarLoad:
    """The bar with the fewest plates that weighs exactly `total` (in the kit's unit).

    Raises PlanError where it cannot be built, naming the nearest loads that can.
    """
    found = _sides(kit, total)
    side = _side_of(kit, total)
    if side is None or side not in found:
        below, above = _neighbours(kit, total)
        near = " and ".join(f"{one:g}" for one in (below, above) if one is not None)
        if total < kit.lightest:
            raise PlanError(
                f"{total:g} {kit.unit} is under the bar of {kit.lightest:g} {kit.unit}; give a "
                "load from there on, or a lighter bar."
            )
        raise PlanError(
            f"{total:g} {kit.unit} cannot be built with these plates; the nearest "
            f"{kit.unit} that can: {near}."
        )
    return _loaded(kit, found[side])


def at_most(total: float, kit: Kit) -> BarLoad | None:
    """The heaviest bar that does not weigh more than `total`; None where the bar itself does."""
    if total < kit.lightest:
        return None
    found = _sides(kit, total)
    return _loaded(kit, found[max(found)])


def at_most_kg(kg: float, kit: Kit) -> BarLoad | None:
    """`at_most` for kilograms, whatever the kit's unit."""
    # a millionth for pounds that were turned into kilograms and back
    return at_most(kg if kit.unit == "kg" else kg / KG_PER_LB + 1e-6, kit)


def nearest_kg(kg: float, kit: Kit) -> BarLoad:
    """The bar nearest to a load in kilograms; the lighter of two as near."""
    wanted = kg if kit.unit == "kg" else kg / KG_PER_LB
    below, above = _neighbours(kit, wanted)
    options = [one for one in (below, above) if one is not None]
    best = min(options, key=lambda one: (round(abs(one - wanted), 6), one))
    return build(best, kit)


def _neighbours(kit: Kit, total: float) -> tuple[float | None, float | None]:
    """The heaviest load that can be built up to `total`, and the lightest from it on."""
    under = at_most(total, kit)
    reach = total
    smallest = min((size for size, _ in kit.plates), default=0.0)
    largest = max((size for size, _ in kit.plates), default=0.0)
    for _ in range(4):
        reach += 2 * (smallest if reach == total else largest)
        sides = _sides(kit, max(reach, kit.lightest))
        higher = [side for side in sides if _total(kit, side) >= round(total * 1000)]
        if higher:
            return under.total if under else None, _total(kit, min(higher)) / 1000
    return under.total if under else None, None


def _total(kit: Kit, side: int) -> int:
    return _thousandths(kit.lightest) + 2 * side


def _side_of(kit: Kit, total: float) -> int | None:
    left = _thousandths(total) - _thousandths(kit.lightest)
    return left // 2 if left >= 0 and left % 2 == 0 else None


def _sides(kit: Kit, total: float) -> dict[int, tuple[int, ...]]:
    """Every weight that one side can have in a bar of up to `total`: thousandths to the number of
    each plate, with the fewest plates, then the heaviest."""
    room = max(0, (_thousandths(total) - _thousandths(kit.lightest)) // 2)
    found: dict[int, tuple[int, ...]] = {0: ()}
    for size, pairs in sorted(kit.plates, reverse=True):
        grown: dict[int, tuple[int, ...]] = {}
        step = _thousandths(size)
        for side, counts in found.items():
            most = (room - side) // step
            for count in range((most if pairs is None else min(pairs, most)) + 1):
                key, value = side + count * step, (*counts, count)
                kept = grown.get(key)
                if kept is None or (sum(value), [-n for n in value]) < (
                    sum(kept),
                    [-n for n in kept],
                ):
                    grown[key] = value
        found = grown
    return found


def _loaded(kit: Kit, counts: Sequence[int]) -> BarLoad:
    sizes = sorted((size for size, _ in kit.plates), reverse=True)
    side = sum(_thousandths(size) * count for size, count in zip(sizes, counts, strict=True))
    total = _total(kit, side) / 1000
    kg = total if kit.unit == "kg" else round(total * KG_PER_LB, 3)
    return BarLoad(
        unit=kit.unit,
        total=total,
        total_kg=kg,
        total_lb=total if kit.unit == "lb" else round(total / KG_PER_LB, 3),
        bar=kit.bar,
        collars=kit.collars,
        per_side=[
            PlateCount(plate=size, count=count)
            for size, count in zip(sizes, counts, strict=True)
            if count
        ],
    )


def side_words(load: BarLoad) -> str:
    """`20 + 2 × 5 per side, 20 kg bar`."""
    parts = [
        f"{one.plate:g}" if one.count == 1 else f"{one.count} × {one.plate:g}"
        for one in load.per_side
    ]
    bar = f"{load.bar:g} {load.unit} bar"
    if load.collars:
        bar += f" with collars of {load.collars:g} {load.unit}"
    return f"{' + '.join(parts)} per side, {bar}" if parts else f"empty {bar}"
