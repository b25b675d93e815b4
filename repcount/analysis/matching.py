"""Which real break answers which planned one.

Breaks of a round are in order, so their matching is: the second planned break is never answered by
an earlier real one than the first. Among all matchings that keep the order, dynamic programming
finds the cheapest.

Prices are in reps. Of matchings that cost the same in reps, the one that leaves fewer breaks alone
is taken, then the one whose lengths are nearer to the planned ones:

- a planned and a real break: the reps between their places;
- a planned break left out, a real break added: half an average planned set each, so that a break
  further from its place than an average set is another break, not the planned one moved;
- a planned break met by a reset: nothing, but only at its very place, since the bar touching down
  shortly elsewhere is no decision to rest; a reset that meets no planned break: nothing;
- a planned break that the attempt did not reach: nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from repcount.units import Ms


@dataclass(frozen=True)
class PlannedPlace:
    """A planned break: reps of the round before it, and its length."""

    position: int
    ms: Ms
    reached: bool = True


@dataclass(frozen=True)
class RealPlace:
    """A real break, or a reset: reps of the round before it, and its length."""

    position: int
    ms: Ms
    reset: bool = False


# reps times twice the number of planned sets (whole numbers); breaks left alone; ms
Price = tuple[int, int, int]
Pair = tuple[int | None, int | None]  # places in the planned and in the real list


def pair_price(planned: PlannedPlace, real: RealPlace, sets: int) -> Price | None:
    """What it costs that a real break answers a planned one; None where it cannot."""
    moved = abs(real.position - planned.position)
    if real.reset and moved:
        return None
    return 2 * sets * moved, 0, abs(real.ms - planned.ms)


def skip_price(planned: PlannedPlace, reps: int) -> Price:
    """What it costs that a planned break is left out, in a round of so many reps."""
    return (reps if planned.reached else 0), 1, 0


def added_price(real: RealPlace, reps: int) -> Price:
    """What it costs that a real break answers none, in a round of so many reps."""
    return (0, 0, 0) if real.reset else (reps, 1, 0)


def match_breaks(
    planned: Sequence[PlannedPlace], real: Sequence[RealPlace], reps: int
) -> list[Pair]:
    """The cheapest matching that keeps the order, for one round of `reps` prescribed reps.

    Both lists are in the order of the round. Every entry of both is in the answer once, alone or
    paired, in the order of the round.
    """
    sets = len(planned) + 1
    # best[i][j]: the cheapest way to deal with the first i planned and j real, and its last step
    best: list[list[tuple[Price, Pair]]] = [[((0, 0, 0), (None, None))] * (len(real) + 1)]
    best += [[best[0][0]] * (len(real) + 1) for _ in planned]
    for i in range(len(planned) + 1):
        for j in range(len(real) + 1):
            ways: list[tuple[Price, Pair]] = []
            if i and j:
                price = pair_price(planned[i - 1], real[j - 1], sets)
                if price is not None:
                    ways.append((_sum(best[i - 1][j - 1][0], price), (i - 1, j - 1)))
            if i:
                price = skip_price(planned[i - 1], reps)
                ways.append((_sum(best[i - 1][j][0], price), (i - 1, None)))
            if j:
                price = added_price(real[j - 1], reps)
                ways.append((_sum(best[i][j - 1][0], price), (None, j - 1)))
            if ways:
                best[i][j] = min(ways, key=lambda way: way[0])
    pairs: list[Pair] = []
    i, j = len(planned), len(real)
    while i or j:
        step = best[i][j][1]
        pairs.append(step)
        i -= step[0] is not None
        j -= step[1] is not None
    return pairs[::-1]


def matching_price(
    pairs: Sequence[Pair],
    planned: Sequence[PlannedPlace],
    real: Sequence[RealPlace],
    reps: int,
) -> Price | None:
    """What a matching costs altogether; None where a pair of it cannot be."""
    total: Price = (0, 0, 0)
    for i, j in pairs:
        if i is not None and j is not None:
            price = pair_price(planned[i], real[j], len(planned) + 1)
        elif i is not None:
            price = skip_price(planned[i], reps)
        elif j is not None:
            price = added_price(real[j], reps)
        else:
            continue
        if price is None:
            return None
        total = _sum(total, price)
    return total


def _sum(one: Price, other: Price) -> Price:
    return one[0] + other[0], one[1] + other[1], one[2] + other[2]
